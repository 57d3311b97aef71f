"""What every picture carries besides its subject: rulers, compass, scale bar, transmitters, words for numbers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyvista

from rf3d.assessment.links import Link, chance_text
from rf3d.assessment.places import directions
from rf3d.plan import Plan
from rf3d.propagation.paths import Setting
from rf3d.radio.radios import Receiver, Transmitter
from rf3d.units import FloatArray, margin_text
from rf3d.views.layout import Box, Camera, box_corners, round_length, ruler_ticks
from rf3d.views.model import Model
from rf3d.views.page import FAINT, GREY, INK, Page

TRANSMITTER = "#b3261e"
AREA: Box = (20.0, 48.0, 1135.0, 905.0)
"""Where the venue is drawn."""
_MANY_EDGES = 1500
PANEL_X, PANEL_WIDTH = 1150.0, 425.0


def level_text(margin_db: float) -> str:
    """A link's margin in words, also where it has none.

    >>> level_text(55.6), level_text(-np.inf)
    ('56 dB above threshold', 'no path found')
    """
    return margin_text(margin_db) if np.isfinite(margin_db) else "no path found"


def share_text(share: float) -> str:
    """A share of power in whole percent.

    >>> share_text(0.004)
    'below 1 %'
    """
    return f"{100 * share:.0f} %" if share >= 0.005 else "below 1 %"


def minus(value: float, digits: int = 0) -> str:
    """A number with a true minus sign.

    >>> minus(-40.0)
    '−40'
    """
    return f"{value:.{digits}f}".replace("-", "−")


def shortened(page: Page, words: str, width: float, size: int, *, bold: bool = False) -> str:
    """Words cut at the end to fit a width, with an ellipsis where something is missing."""
    if page.measure(words, size=size, bold=bold)[0] <= width:
        return words
    while words and page.measure(words + "…", size=size, bold=bold)[0] > width:
        words = words[:-1].rstrip(" ,·")
    return words + "…"


def local_positions(setting: Setting, radios: Sequence[Transmitter | Receiver]) -> FloatArray:
    """Positions (N, 3) of transmitters or receivers, local metres."""
    return setting.scene.to_local(np.array([radio.position_m for radio in radios], dtype=np.float64).reshape(-1, 3))


def radio_positions(plan: Plan, setting: Setting) -> FloatArray:
    """Positions (T + R, 3) of everything in the plan that sends or listens, local metres."""
    return local_positions(setting, [*plan.transmitters, *plan.receivers])


def draw_model(page: Page, model: Model, *, opacity: float) -> None:
    """Add the venue, faint; the walls left out remain as thin outlines."""
    page.mesh(model.faces, colour="#d5dbe1", opacity=opacity)
    # The more edges a venue has, the lighter each: rows of seats must not blacken the picture.
    light = float(np.sqrt(min(1.0, _MANY_EDGES / max(model.edges.n_cells, 1))))
    page.lines(model.edges, colour="#5b6670", width=1.0, opacity=0.55 * light)
    page.lines(model.ghost_edges, colour="#8d98a3", width=1.0, opacity=0.28)


def draw_rulers(page: Page, camera: Camera, bounds_m: FloatArray, origin_m: FloatArray) -> list[Box]:
    """Metre rulers along the two floor edges nearest the viewer, and the height; world coordinates.

    Returns
    -------
    list of Box
        What their words fill.
    """
    low, high = bounds_m
    z = low[2]
    near = np.where(camera.position_m >= 0.5 * (low + high), high, low)
    far = low + high - near
    middle = camera.project(np.array([[*(0.5 * (low + high))[:2], z]]))[0]
    rulers = [
        (np.array([low[0], near[1], z]), np.array([high[0], near[1], z]), 0, "x"),
        (np.array([near[0], low[1], z]), np.array([near[0], high[1], z]), 1, "y"),
    ]
    corners = np.array([[near[0], far[1], z], [far[0], near[1], z]])
    edge = corners[np.argmin(camera.project(corners)[:, 0])]
    rulers.append((np.array([*edge[:2], z]), np.array([*edge[:2], high[2]]), 2, "height"))
    boxes: list[Box] = []
    for start, end, axis, name in rulers:
        a, b = camera.project(np.stack([start, end]))
        page.line(np.stack([a, b]), colour=GREY, width=1.6)
        along = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
        out = np.array([along[1], -along[0]])
        out = out if out @ (0.5 * (a + b) - middle) > 0 else -out
        most = max(2, min(8, int(np.linalg.norm(b - a) / 60)))
        ticks = ruler_ticks(start[axis] + origin_m[axis], end[axis] + origin_m[axis], most=most)
        for tick in ticks:
            point = start.copy()
            point[axis] = tick - origin_m[axis]
            foot = camera.project(point[None])[0]
            page.line(np.stack([foot, foot + 7 * out]), colour=GREY, width=1.6)
            boxes.append(_word(page, foot, f"{tick + 0.0:g}".replace("-", "−"), out=out, gap=10.0))
        if axis == 2:
            boxes.append(_word(page, b, f"{name}, metres", out=np.array([0.0, 1.0]), gap=8.0))
        else:
            boxes.append(_word(page, 0.5 * (a + b), f"{name}, metres", out=out, gap=38.0))
    return boxes


def _word(page: Page, foot: FloatArray, words: str, *, out: FloatArray, gap: float) -> Box:
    """Write words clear of a ruler, ``gap`` pixels from it in the direction ``out``."""
    size = np.array(page.measure(words, size=15))
    x, y = foot + gap * out + 0.5 * size * np.clip(1.4 * out, -1, 1) - 0.5 * size
    x = max(x, 24.0)
    page.text(x, y + 2, words, size=15, colour=GREY)
    return x, y, x + size[0], y + size[1]


def venue_outline(setting: Setting) -> FloatArray:
    """Points (N, 3), local metres, that a view of the whole venue and its rulers must hold."""
    low, high = setting.scene.bounds_m
    return np.concatenate([setting.scene.vertices_m, box_corners(np.stack([low, [*high[:2], low[2]]]))])


def draw_compass(page: Page, camera: Camera, house_azimuth_rad: float | None, *, x: float, y: float) -> None:
    """Arrows of the stage directions (of the axes where the house's side is not known) about a page point."""
    ways = directions(house_azimuth_rad)
    chosen = ["stage left", "stage right", "upstage", "downstage"] if house_azimuth_rad is not None else ["+x", "+y"]
    if camera.parallel_half_height_m is None:
        chosen.append("up")
    centre = np.array([x, y])
    for name in chosen:
        tip = 44.0 * (camera.axes @ ways[name])[:2]
        length = float(np.linalg.norm(tip))
        along = tip / length
        side = np.array([-along[1], along[0]])
        page.line(np.stack([centre, centre + tip]), colour=INK, width=2.0)
        page.polygon(centre + np.stack([tip + 9 * along, tip + 4.5 * side, tip - 4.5 * side]), colour=INK)
        words = {"downstage": "downstage, house"}.get(name, name)
        width, height = page.measure(words, size=15)
        middle = tip + 14 * along + 0.5 * np.array([width, height]) * np.clip(1.4 * along, -1, 1)
        page.text(x + middle[0] - width / 2, y + middle[1] - height / 2 + 2, words, size=15)


def draw_scale_bar(page: Page, camera: Camera, *, x: float, y: float, words: str = "") -> None:
    """A bar of a round number of metres with its half marked, and words on where it holds."""
    metres = round_length(230.0 / camera.pixels_per_metre)
    width = metres * camera.pixels_per_metre
    for part, colour in ((0.0, INK), (0.5, "white")):
        left, right = x + part * width, x + (part + 0.5) * width
        page.polygon(np.array([[left, y], [right, y], [right, y + 9], [left, y + 9]]), colour=colour)
    page.line(np.array([[x, y], [x + width, y], [x + width, y + 9], [x, y + 9], [x, y]]), colour=INK, width=1.5)
    for part in (0.0, 0.5, 1.0):
        page.text(x + part * width, y + 16, f"{part * metres:g}" + (" m" if part == 1.0 else ""), anchor="centre")
    page.text(x + width + 14, y - 1, words, size=15, colour=GREY)


def draw_transmitters(page: Page, at: FloatArray) -> None:
    """Mark transmitters at page points (N, 2)."""
    for x, y in at:
        page.symbol(x, y, "diamond", colour=TRANSMITTER, size=9.5)


def legend_row(page: Page, y: float, shape: str, words: str, *, colour: str, size: float = 8.0) -> float:
    """One symbol with its meaning in the panel; gives the y of the next row."""
    page.symbol(PANEL_X + 14, y + 6, shape, colour=colour, size=size)
    page.text(PANEL_X + 36, y, words, size=16)
    return y - 27


def heading(page: Page, y: float, words: str) -> float:
    """A heading in the panel with a rule under it; gives the y of the first row below."""
    page.text(PANEL_X, y, words, size=17, bold=True)
    page.line(np.array([[PANEL_X, y - 8], [PANEL_X + PANEL_WIDTH, y - 8]]), colour=FAINT, width=1.5)
    return y - 36


def tubes(pieces: Sequence[FloatArray], radius_m: float) -> pyvista.PolyData:
    """Polylines (each (K, 3), local metres) as round tubes in one mesh."""
    points = np.concatenate(pieces)
    counts = [len(piece) for piece in pieces]
    first = np.cumsum([0, *counts[:-1]])
    lines = np.concatenate([[n, *range(f, f + n)] for n, f in zip(counts, first, strict=True)])
    return pyvista.PolyData(points, lines=lines).tube(radius=radius_m, n_sides=14, capping=True)


def link_subtitle(link: Link) -> str:
    """Verdict, chance and margin of a link in one line."""
    average = " on the average" if np.isfinite(link.margin_db) else ""
    return (
        f"{link.verdict}, chance of holding {chance_text(link.chance)}; {level_text(link.margin_db)}{average}, "
        f"{link.air_words}; {link.centre_hz / 1e6:.0f} MHz"
    )
