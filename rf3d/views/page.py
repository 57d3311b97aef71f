"""A page of 1600 × 1000 pixels: one window for the venue, and text, symbols and lines drawn over it.

The only file of the pictures that knows how VTK is spoken to. Page coordinates are pixels from the
lower left corner.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator, Sequence
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pyvista

from rf3d.units import FloatArray
from rf3d.views.layout import VIEW_ANGLE_RAD, Box, Camera, leader, place_labels, rectangle, wrapped

WIDTH, HEIGHT = 1600, 1000
INK, GREY, FAINT = "#1c2126", "#59636d", "#c3c9cf"
SMALLEST_TYPE = 15
_DESCENT = 0.21
"""Share of the type size that letters reach below their line."""
_FONT_FROM_FILE = 4
"""VTK_FONT_FILE of vtkTextProperty."""
CAVEAT = "A prediction is not a measurement: verify by survey in the show's state."


class Page:
    """An off-screen page; use it inside ``open_page``."""

    def __init__(self, plotter: pyvista.Plotter) -> None:
        self.plotter = plotter
        self._scene, self._over = plotter.renderers[1], plotter.renderers[2]
        self._fonts = _fonts()

    # -- the venue ------------------------------------------------------------------------------

    def look(self, camera: Camera) -> None:
        """See the venue through ``camera``; call it after every mesh is there."""
        left, bottom, right, top = camera.area
        self._scene.SetViewport(left / WIDTH, bottom / HEIGHT, right / WIDTH, top / HEIGHT)
        view = self._scene.camera
        view.position, view.focal_point, view.up = camera.position_m, camera.target_m, camera.up
        view.view_angle = np.degrees(VIEW_ANGLE_RAD)
        if camera.parallel_half_height_m is not None:
            view.parallel_projection = True
            view.parallel_scale = camera.parallel_half_height_m
        self._scene.reset_camera_clipping_range()
        self._scene.camera_set = True

    def mesh(self, mesh: pyvista.DataSet, *, colour: str, opacity: float = 1.0, lit: bool = True) -> None:
        """Add a surface in one colour."""
        self._add(mesh, color=colour, opacity=opacity, lighting=lit, ambient=0.35, diffuse=0.65, specular=0.0)

    def coloured_mesh(self, mesh: pyvista.DataSet, rgb: np.ndarray) -> None:
        """Add a flat surface with a colour (N, 3) uint8 for every cell."""
        if not mesh.n_cells:
            return
        mesh.cell_data["rgb"] = rgb
        self._add(mesh, scalars="rgb", rgb=True, lighting=False)

    def lines(self, mesh: pyvista.PolyData, *, colour: str, width: float = 1.0, opacity: float = 1.0) -> None:
        """Add lines of the venue, ``width`` pixels wide."""
        self._add(mesh, color=colour, line_width=width, opacity=opacity, lighting=False)

    def _add(self, mesh: pyvista.DataSet, **look: object) -> None:
        if mesh.n_cells:
            self.plotter.subplot(0, 1)
            self.plotter.add_mesh(
                mesh, show_scalar_bar=False, reset_camera=False, copy_mesh=False, render=False, **look
            )

    # -- what is drawn over it ------------------------------------------------------------------

    def text(
        self, x: float, y: float, words: str, *, size: int = 16, bold: bool = False, colour: str = INK,
        anchor: str = "left", ground: float = 0.0,
    ) -> float:  # fmt: skip
        """Write one line with its baseline at y and give its width; ``ground`` is the opacity of white behind it."""
        actor = self._text_actor(words, size, bold)
        width, _ = self.measure(words, size=size, bold=bold)
        shift = {"left": 0.0, "centre": 0.5, "right": 1.0}[anchor]
        actor.position = (round(x - shift * width), round(y - _DESCENT * size))
        actor.prop.color = colour
        if ground:
            self.polygon(rectangle((x - shift * width - 3, y - 0.3 * size, x + (1 - shift) * width + 3, y + size)),
                         colour="white", opacity=ground)  # fmt: skip
        self._over.AddViewProp(actor)
        return width

    def measure(self, words: str, *, size: int = 16, bold: bool = False) -> tuple[float, float]:
        """Width and height of a line of text, pixels."""
        box = [0.0, 0.0, 0.0, 0.0]
        self._text_actor(words, size, bold).GetBoundingBox(self._over, box)
        return box[1] - box[0] + 1, float(size)

    def paragraph(self, x: float, top: float, words: str, *, width: float, size: int = 15, colour: str = INK) -> float:
        """Write text broken to a width below ``top`` and give the y of its foot."""
        y = top
        for line in wrapped(words, width, lambda text: self.measure(text, size=size)[0]):
            y -= size + 6
            self.text(x, y, line, size=size, colour=colour)
        return y

    def polygon(self, corners: FloatArray, *, colour: str, opacity: float = 1.0) -> None:
        """Fill a convex polygon (K, 2)."""
        self._overlay(pyvista.PolyData(_raised(corners), faces=[len(corners), *range(len(corners))]), colour, opacity)

    def line(self, points: FloatArray, *, colour: str = GREY, width: float = 1.5, opacity: float = 1.0) -> None:
        """Draw a polyline (K, 2) as a band ``width`` pixels wide."""
        for a, b in zip(np.asarray(points, float)[:-1], np.asarray(points, float)[1:], strict=True):
            along = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
            side = 0.5 * width * np.array([-along[1], along[0]])
            self.polygon(np.stack([a + side, a - side, b - side, b + side]), colour=colour, opacity=opacity)

    def symbol(self, x: float, y: float, shape: str, *, colour: str, size: float = 9.0, rim: str = "white") -> None:
        """A mark with a thin rim: circle, square, triangle, diamond, cross or ring; ``size`` is its half width."""
        here = np.array([x, y])
        if shape == "cross":
            for sign in (1.0, -1.0):
                arm = size * 0.85 * np.array([1.0, sign])
                self.line(np.stack([here - arm * 1.18, here + arm * 1.18]), colour=rim, width=size * 0.62 + 3.5)
            for sign in (1.0, -1.0):
                arm = size * 0.85 * np.array([1.0, sign])
                self.line(np.stack([here - arm, here + arm]), colour=colour, width=size * 0.62)
            return
        outline = _OUTLINES["circle" if shape == "ring" else shape]
        self.polygon(here + (size + 2.0) * outline, colour=rim)
        self.polygon(here + size * outline, colour=colour)
        if shape == "ring":
            self.polygon(here + 0.55 * size * outline, colour="white")

    def labels(
        self, anchors: FloatArray, words: Sequence[str], *, area: Box, size: int = 15, bold: bool = False,
        taken: Sequence[Box] = (), colour: str = INK,
    ) -> list[Box]:  # fmt: skip
        """Write a label beside each anchor (N, 2) so that none overlaps, with leaders; give the boxes they fill."""
        if not len(words):
            return []
        sizes = np.array([self.measure(text, size=size, bold=bold) for text in words])
        corners = place_labels(np.asarray(anchors, float), sizes, area=area, taken=taken)
        boxes: list[Box] = [(x, y, x + w, y + h) for (x, y), (w, h) in zip(corners, sizes, strict=True)]
        for anchor, box in zip(anchors, boxes, strict=True):
            line = leader(np.asarray(anchor, float), box)
            if line is not None:
                self.line(line, colour=colour, width=1.4)
        for (x, y), text in zip(corners, words, strict=True):
            self.text(x, y + 0.15 * size, text, size=size, bold=bold, colour=colour, ground=0.82)
        return boxes

    def save(self, path: Path) -> Path:
        """Write the page as PNG beside its target, then rename; a failure leaves nothing and the old file whole."""
        handle, name = tempfile.mkstemp(prefix=f".{path.stem}-", suffix=".png", dir=path.parent)
        os.close(handle)
        try:
            self.plotter.screenshot(name)
            os.chmod(name, 0o666 & ~_umask())
            os.replace(name, path)
        except BaseException:
            os.unlink(name)
            raise
        return path

    def _overlay(self, mesh: pyvista.PolyData, colour: str, opacity: float) -> None:
        self.plotter.subplot(0, 2)
        self.plotter.add_mesh(
            mesh, color=colour, opacity=opacity, lighting=False, reset_camera=False, copy_mesh=False, render=False
        )

    def _text_actor(self, words: str, size: int, bold: bool) -> pyvista.Text:
        actor = pyvista.Text(words)
        if self._fonts is None:
            actor.prop.font_family = "arial"
            actor.prop.bold = bold
        else:
            actor.prop.font_file = str(self._fonts[bold])
            actor.prop.SetFontFamily(_FONT_FROM_FILE)
        actor.prop.font_size = size
        return actor


@contextlib.contextmanager
def open_page(title: str, subtitle: str, *, plan_title: str, width: float = WIDTH - 56) -> Iterator[Page]:
    """A white page with its title, no wider than ``width``, and caveat; closed again whatever happens."""
    # VTK says on every start without a screen that there is none; its errors still come through.
    with pyvista.vtk_verbosity("error"):
        plotter = pyvista.Plotter(off_screen=True, window_size=(WIDTH, HEIGHT), shape=(1, 3), border=False)
        try:
            plotter.render_window.SetNumberOfLayers(2)
            for layer, renderer in enumerate(plotter.renderers):
                renderer.SetLayer(layer // 2)  # translucent faces need the lowest layer
                renderer.SetViewport(0, 0, 1, 1)
                renderer.set_background("white")
            over = plotter.renderers[2].camera
            over.parallel_projection, over.parallel_scale = True, HEIGHT / 2
            over.position, over.focal_point, over.up = (
                (WIDTH / 2, HEIGHT / 2, 10),
                (WIDTH / 2, HEIGHT / 2, 0),
                (0, 1, 0),
            )
            over.clipping_range = (1, 20)
            plotter.renderers[2].camera_set = True
            page = Page(plotter)
            size = next((s for s in range(27, 17, -1) if page.measure(title, size=s, bold=True)[0] < width), 17)
            page.text(28, 955, title, size=size, bold=True)
            page.text(28, 923, subtitle, size=17, colour=GREY)
            page.text(28, 18, CAVEAT, size=SMALLEST_TYPE, colour=GREY)
            page.text(WIDTH - 28, 18, plan_title, size=SMALLEST_TYPE, colour=GREY, anchor="right")
            yield page
        finally:
            plotter.close()


def _raised(corners: FloatArray) -> FloatArray:
    return np.column_stack([corners, np.zeros(len(corners))])


def _turned(count: int, start_deg: float) -> FloatArray:
    angle = np.radians(start_deg) + 2 * np.pi * np.arange(count) / count
    return np.stack([np.cos(angle), np.sin(angle)], axis=1)


_OUTLINES = {
    "circle": _turned(32, 0.0),
    "square": 1.25 * _turned(4, 45.0),
    "diamond": 1.2 * _turned(4, 0.0),
    "triangle": 1.25 * _turned(3, 90.0),
}


def _fonts() -> tuple[Path, Path] | None:
    """Regular and bold type that pyvista's own plotting library brings along; it holds far more letters than VTK's."""
    spec = find_spec("matplotlib")
    folders = list(spec.submodule_search_locations or []) if spec else []
    for folder in folders:
        fonts = Path(folder) / "mpl-data" / "fonts" / "ttf"
        if (fonts / "DejaVuSans.ttf").is_file() and (fonts / "DejaVuSans-Bold.ttf").is_file():
            return fonts / "DejaVuSans.ttf", fonts / "DejaVuSans-Bold.ttf"
    return None


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
