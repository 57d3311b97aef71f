"""A venue in the making: named sheets and solids, and how they become a GLB file.

Modelled z up in metres; written y up as glTF wants it: venue (x, y, z) becomes file (x, z, −y).
Sheets are single layers of triangles, solids are closed bodies that never touch another part.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import trimesh
from trimesh.visual.material import PBRMaterial

from demo_meshes.conform import Polygon, conform, cut_out, normal_of, triangulate

GAP_M = 0.01
"""Air left between a solid and what it stands on, so that no two faces coincide."""

PALETTE: dict[str, tuple[tuple[int, int, int, int], float, float]] = {
    # name: (colour, metallic, roughness)
    "Concrete": ((150, 148, 142, 255), 0.0, 0.9),
    "Concrete_floor": ((118, 116, 112, 255), 0.0, 0.9),
    "Block_painted": ((134, 138, 138, 255), 0.0, 0.9),
    "Brick_painted": ((112, 100, 94, 255), 0.0, 0.9),
    "Plaster_warm": ((196, 182, 160, 255), 0.0, 0.8),
    "Plaster_on_lath": ((206, 196, 176, 255), 0.0, 0.8),
    "Plasterboard": ((204, 202, 196, 255), 0.0, 0.8),
    "Ceiling_tiles": ((214, 214, 208, 255), 0.0, 0.9),
    "Carpet_on_wood": ((96, 58, 58, 255), 0.0, 0.95),
    "Floorboards": ((142, 112, 80, 255), 0.0, 0.7),
    "Stage_deck_black": ((52, 50, 48, 255), 0.0, 0.8),
    "Wood_dark": ((92, 66, 46, 255), 0.0, 0.6),
    "Glass_clear": ((176, 200, 206, 110), 0.0, 0.1),
    "Glass_coated": ((120, 150, 156, 130), 0.1, 0.1),
    "Mirror_silvered": ((190, 198, 204, 255), 0.9, 0.1),
    "Steel_black": ((46, 48, 52, 255), 0.7, 0.6),
    "Steel_painted": ((118, 124, 130, 255), 0.6, 0.6),
    "Aluminium": ((178, 182, 186, 255), 0.9, 0.4),
    "Metal_cladding": ((142, 148, 152, 255), 0.8, 0.5),
    "Roof_deck_steel": ((126, 132, 138, 255), 0.7, 0.6),
    "Safety_curtain_steel": ((108, 112, 108, 255), 0.6, 0.7),
    "LED_wall": ((34, 44, 66, 255), 0.4, 0.4),
    "Velour_black": ((30, 28, 30, 255), 0.0, 1.0),
    "Velour_red": ((108, 30, 34, 255), 0.0, 1.0),
    "Canvas_grey": ((170, 172, 172, 255), 0.0, 1.0),
    "Audience_seated": ((104, 62, 66, 255), 0.0, 0.95),
}


Point = Sequence[float] | np.ndarray
"""Three coordinates, metres."""


class Model:
    """Named objects of one venue, each of one mesh material, each either sheets or solids."""

    def __init__(self) -> None:
        self.material: dict[str, str] = {}
        self._sheets: dict[str, list[Polygon]] = {}
        self._solids: dict[str, list[Polygon]] = {}

    def _claim(self, name: str, material: str, kind: dict[str, list[Polygon]]) -> list[Polygon]:
        other = self._solids if kind is self._sheets else self._sheets
        if name in other or self.material.setdefault(name, material) != material or material not in PALETTE:
            raise ValueError(f'object "{name}" is given a second kind or material, or the unknown "{material}"')
        return kind.setdefault(name, [])

    # Sheets

    def sheet(self, name: str, material: str, *corners: Point) -> None:
        """Add one convex planar polygon to a sheet."""
        self._claim(name, material, self._sheets).append(np.array(corners, dtype=float))

    def wall(self, name: str, material: str, corners: Iterable[Point], openings: Iterable[np.ndarray] = ()) -> None:
        """Add one convex planar polygon with convex openings cut out of it."""
        polygons = [np.array(list(corners), dtype=float)]
        for opening in openings:
            polygons = cut_out(polygons, np.asarray(opening, dtype=float))
        self._claim(name, material, self._sheets).extend(polygons)

    # Solids

    def solid(self, name: str, material: str, faces: Iterable[Sequence[Point] | np.ndarray]) -> None:
        """Add one closed body given as convex planar faces."""
        self._claim(name, material, self._solids).extend(np.array(face, dtype=float) for face in faces)

    def box(self, name: str, material: str, low: Point, high: Point) -> None:
        """Add an upright closed box from its lowest to its highest corner."""
        self.loft(name, material, [_ring(low, high, low[2]), _ring(low, high, high[2])])

    def loft(self, name: str, material: str, sections: Sequence[np.ndarray]) -> None:
        """Add a closed body that runs through sections (n, 3) of equal length, ends capped, faces outwards."""
        rings = [np.asarray(section, dtype=float) for section in sections]
        if normal_of(rings[0]) @ (rings[-1].mean(axis=0) - rings[0].mean(axis=0)) < 0:
            rings = [ring[::-1] for ring in rings]  # faces look outwards
        faces = [rings[0][::-1], rings[-1]]
        for lower, upper in pairwise(rings):
            for k in range(len(lower)):
                j = (k + 1) % len(lower)
                faces.append(np.array([lower[k], lower[j], upper[j], upper[k]]))
        self.solid(name, material, faces)

    def beam(
        self,
        name: str,
        material: str,
        ends: tuple[Point, Point],
        size_m: tuple[float, float],
        *,
        up: Point = (0.0, 0.0, 1.0),
    ) -> None:
        """Add a closed straight member; size is (width across, depth along ``up``)."""
        a, b = np.array(ends[0], dtype=float), np.array(ends[1], dtype=float)
        along = (b - a) / np.linalg.norm(b - a)
        guide = np.array(up, dtype=float)
        if abs(along @ guide) > 0.99 * np.linalg.norm(guide):
            guide = np.array([1.0, 0.0, 0.0])
        side = np.cross(along, guide)
        side *= 0.5 * size_m[0] / np.linalg.norm(side)
        rise = np.cross(side, along)
        rise *= 0.5 * size_m[1] / np.linalg.norm(rise)
        offsets = np.array([-side - rise, -side + rise, side + rise, side - rise])[::-1]
        self.loft(name, material, [a + offsets, b + offsets])

    def web(
        self,
        name: str,
        material: str,
        nodes: tuple[np.ndarray, np.ndarray],
        size_m: float,
        *,
        chord_m: float,
        chord_along: np.ndarray,
    ) -> None:
        """Add a web member between two chords, ended GAP_M short of either chord's face."""
        a, b = nodes
        along = (b - a) / np.linalg.norm(b - a)
        cosine = abs(float(along @ chord_along))
        sine = np.sqrt(1.0 - cosine**2)
        short = (0.5 * chord_m + GAP_M + 0.5 * size_m * cosine) / sine
        up = np.cross(along, np.cross(chord_along, along))
        self.beam(name, material, (a + short * along, b - short * along), (size_m, size_m), up=up)

    def box_truss(
        self,
        name: str,
        material: str,
        ends: tuple[Point, Point],
        section_m: float,
        *,
        bays: int,
        chord_m: float = 0.05,
        web_m: float = 0.03,
    ) -> None:
        """Add a square truss: four chords, and one diagonal a bay on each side; ``ends`` are on its axis."""
        a, b = np.array(ends[0], dtype=float), np.array(ends[1], dtype=float)
        along = (b - a) / np.linalg.norm(b - a)
        guide = np.array([0.0, 0.0, 1.0]) if abs(along[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
        side = np.cross(along, guide)
        rise = np.cross(side, along)
        half = 0.5 * (section_m - chord_m)
        chords = [half * (s * side + r * rise) for s, r in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
        for offset in chords:
            self.beam(name, material, (a + offset, b + offset), (chord_m, chord_m), up=rise)
        inset = 0.5 * chord_m + web_m
        stations = np.linspace(0.0, 1.0, bays + 1)
        stations = inset + stations * (np.linalg.norm(b - a) - 2 * inset)
        for k in range(4):
            for bay in range(bays):
                first, second = (k, (k + 1) % 4) if (bay + k) % 2 == 0 else ((k + 1) % 4, k)
                nodes = (a + chords[first] + stations[bay] * along, a + chords[second] + stations[bay + 1] * along)
                self.web(name, material, nodes, web_m, chord_m=chord_m, chord_along=along)

    # Out

    def triangles(self) -> dict[str, np.ndarray]:
        """Corner points (M, 3, 3) of every object, in the order of first mention, venue coordinates."""
        names = list(self._sheets)
        flat = [polygon for name in names for polygon in self._sheets[name]]
        cells = iter(conform(flat)) if flat else iter(())
        done: dict[str, np.ndarray] = {}
        for name in names:
            polygons = [cell for _ in self._sheets[name] for cell in next(cells)]
            done[name] = np.concatenate([p[triangulate(p)] for p in polygons])
        for name, faces in self._solids.items():
            done[name] = np.concatenate([p[triangulate(p)] for p in faces])
        return {name: done[name] for name in self.material}

    def write(self, path: Path) -> None:
        """Write the venue as GLB beside ``path`` and rename it into place."""
        scene = trimesh.Scene()
        materials = {
            name: PBRMaterial(
                name=name, baseColorFactor=colour, metallicFactor=metallic, roughnessFactor=roughness, doubleSided=True,
                alphaMode="BLEND" if colour[3] < 255 else "OPAQUE",
            )
            for name, (colour, metallic, roughness) in PALETTE.items()
        }  # fmt: skip
        for name, corners in self.triangles().items():
            grid = np.round(corners.reshape(-1, 3) * 1e5).astype(np.int64)
            points, faces = np.unique(grid, axis=0, return_inverse=True)
            file_points = np.stack([points[:, 0], points[:, 2], -points[:, 1]], axis=1) / 1e5
            mesh = trimesh.Trimesh(file_points, faces.reshape(-1, 3), process=False)
            mesh.visual = trimesh.visual.TextureVisuals(material=materials[self.material[name]])
            scene.add_geometry(mesh, node_name=name, geom_name=name)
        partial = path.with_suffix(".part")
        partial.write_bytes(scene.export(file_type="glb"))
        partial.replace(path)


def _ring(low: Point, high: Point, z: float) -> np.ndarray:
    return np.array([[low[0], low[1], z], [high[0], low[1], z], [high[0], high[1], z], [low[0], high[1], z]])


def flat(x: tuple[float, float], y: tuple[float, float], z: float) -> np.ndarray:
    """Rectangle (4, 3) in a level plane."""
    return np.array([[x[0], y[0], z], [x[1], y[0], z], [x[1], y[1], z], [x[0], y[1], z]])


def across(x: tuple[float, float], y: float, z: tuple[float, float]) -> np.ndarray:
    """Upright rectangle (4, 3) that faces along y."""
    return np.array([[x[0], y, z[0]], [x[1], y, z[0]], [x[1], y, z[1]], [x[0], y, z[1]]])


def along(x: float, y: tuple[float, float], z: tuple[float, float]) -> np.ndarray:
    """Upright rectangle (4, 3) that faces along x."""
    return np.array([[x, y[0], z[0]], [x, y[1], z[0]], [x, y[1], z[1]], [x, y[0], z[1]]])


def lifted(points: np.ndarray, rise_m: float) -> np.ndarray:
    """Points (..., 3) moved straight up."""
    return points + np.array([0.0, 0.0, rise_m])


def disc(centre: Point, radius_m: float, sides: int) -> np.ndarray:
    """Level regular polygon (sides, 3)."""
    angle = 2 * np.pi * (np.arange(sides) + 0.5) / sides
    ring = np.stack([np.cos(angle), np.sin(angle), np.zeros(sides)], axis=1)
    return np.asarray(centre, dtype=float) + radius_m * ring


__all__ = ["GAP_M", "PALETTE", "Model", "across", "along", "disc", "flat", "lifted"]
