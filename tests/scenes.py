"""Scenes whose answers are known in closed form, built from a few flat pieces."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rf3d.venue.materials import Layer, Material, catalogue
from rf3d.venue.scene import Scene, make_scene
from rf3d.venue.surfaces import Body, Surface

Piece = tuple[str, np.ndarray, np.ndarray]
"""Name, vertices (V, 3) in metres, triangles (M, 3)."""


def quad(name: str, a: Sequence[float], b: Sequence[float], c: Sequence[float], d: Sequence[float]) -> Piece:
    """A flat four-sided piece."""
    return name, np.array([a, b, c, d], dtype=float), np.array([[0, 1, 2], [0, 2, 3]])


def block(name: str, low: Sequence[float], high: Sequence[float]) -> Piece:
    """A closed box."""
    (x0, y0, z0), (x1, y1, z1) = low, high
    corners = np.array([[x, y, z] for x in (x0, x1) for y in (y0, y1) for z in (z0, z1)], dtype=float)
    sides = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    return name, corners, np.array([t for a, b, c, d in sides for t in ((a, b, c), (a, c, d))])


def room(size: Sequence[float]) -> list[Piece]:
    """Six sheets round the box from the origin to ``size``; names wall_x0, wall_x1, wall_y0, … wall_z1."""
    a, b, c = size
    return [
        quad("wall_x0", (0, 0, 0), (0, b, 0), (0, b, c), (0, 0, c)),
        quad("wall_x1", (a, 0, 0), (a, b, 0), (a, b, c), (a, 0, c)),
        quad("wall_y0", (0, 0, 0), (a, 0, 0), (a, 0, c), (0, 0, c)),
        quad("wall_y1", (0, b, 0), (a, b, 0), (a, b, c), (0, b, c)),
        quad("wall_z0", (0, 0, 0), (a, 0, 0), (a, b, 0), (0, b, 0)),
        quad("wall_z1", (0, 0, c), (a, 0, c), (a, b, c), (0, b, c)),
    ]


def scene_of(pieces: Sequence[Piece]) -> Scene:
    """One scene of several pieces, one part each."""
    vertices, triangles, part = [], [], []
    count = 0
    for index, (_, points, faces) in enumerate(pieces):
        vertices.append(points)
        triangles.append(faces + count)
        part.append(np.full(len(faces), index))
        count += len(points)
    return make_scene(
        np.concatenate(vertices), np.concatenate(triangles), np.concatenate(part), tuple((p[0], "") for p in pieces)
    )


def plain(name: str, permittivity: float, conductivity_s_m: float) -> Material:
    """A material that does not change with frequency."""
    return Material(
        name=name, layers=(Layer(permittivity, 0.0, conductivity_s_m, 0.0),), scattering=0.0,
        valid_hz=(0.0, np.inf), basis="A", source="test", title=name,
    )  # fmt: skip


def surface(
    name: str,
    material: str | Material,
    *,
    thickness_m: float | None = None,
    half_space: bool = False,
    body: Body = "sheet",
) -> Surface:
    """A surface of a catalogue material or of one's own."""
    chosen = catalogue()[material] if isinstance(material, str) else material
    return Surface(name, "", chosen, thickness_m, half_space, body, "test")
