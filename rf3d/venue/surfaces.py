"""What each part of the venue is made of, and whether it is a sheet or a solid body.

A sheet is a whole wall drawn as one layer of triangles, of stated thickness. A solid is a
closed body whose thickness the geometry gives. The decision is made from geometry alone
and can be overridden part by part.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from rf3d.units import FloatArray
from rf3d.venue.materials import Material
from rf3d.venue.outlines import WELD_M, distinct_rows, group
from rf3d.venue.scene import Scene

Body = Literal["sheet", "solid"]
SOLID_CHORD_M = 1.0
"""A closed body whose mean chord 4V/S is below this is a solid, above it a room."""


@dataclass(frozen=True)
class Surface:
    """One part of the scene with its radio material.

    Parameters
    ----------
    object, mesh_material : str
        Names in the mesh.
    material : Material
    thickness_m : float or None
        Of a sheet; None on a solid, on a half-space and where the material states its own layers.
    half_space : bool
        Nothing gets through and nothing comes back from behind.
    body : {"sheet", "solid"}
    decision : str
        Why it is a sheet or a solid, one phrase.
    """

    object: str
    mesh_material: str
    material: Material
    thickness_m: float | None
    half_space: bool
    body: Body
    decision: str


def decide_bodies(scene: Scene) -> list[tuple[Body, str]]:
    """Sheet or solid for every part of the scene, with the reason, from geometry alone.

    Solid: the object is closed (every edge belongs to two triangles), holds no other object and has a
    mean chord 4V/S under 1 m (mean chord of a convex body: Cauchy; Coleman, J. Appl. Prob. 6, 1969; from memory).
    """
    number = {name: n for n, name in enumerate(dict.fromkeys(scene.objects))}
    owner = np.array([number[name] for name in scene.objects])[scene.triangle_part]
    start, members = group(owner, len(number))
    # All corners from low to high x, so that those inside a body are looked for among few.
    points, of = scene.corners_m.reshape(-1, 3), np.repeat(owner, 3)
    order = np.argsort(points[:, 0], kind="stable")
    points, of = points[order], of[order]
    decisions = [_decide(scene.corners_m[members[start[n] : start[n + 1]]], n, points, of) for n in range(len(number))]
    return [decisions[number[name]] for name in scene.objects]


def _decide(corners: FloatArray, number: int, points: FloatArray, owner: np.ndarray) -> tuple[Body, str]:
    """Sheet or solid for the triangles (M, 3, 3) of an object, among all corners in order of x and their objects."""
    if not _closed(corners):
        return "sheet", "open surface"
    volume = _enclosed_volume_m3(corners)
    area = 0.5 * np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1).sum()
    chord = 4.0 * volume / area
    if chord >= SOLID_CHORD_M:
        return "sheet", f"closed, but {chord:.1f} m across on average: taken as a room of sheets"
    margin = 10 * WELD_M
    low, high = corners.min(axis=(0, 1)) + margin, corners.max(axis=(0, 1)) - margin
    some = slice(*np.searchsorted(points[:, 0], (low[0], high[0])))
    near = points[some][((points[some] > low) & (points[some] < high)).all(axis=1) & (owner[some] != number)]
    if len(near) and inside_closed(corners, near).any():
        return "sheet", "closed, but another object lies inside"
    return "solid", f"closed body, {chord:.2f} m across on average"


def _closed(corners: FloatArray) -> bool:
    """Whether every edge is shared by exactly two triangles (or an even number, where bodies touch)."""
    _, index = distinct_rows(np.round(corners.reshape(-1, 3) / WELD_M).astype(np.int64))
    faces = index.reshape(-1, 3)
    sides = np.sort(faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    _, count = np.unique(sides[:, 0] * len(index) + sides[:, 1], return_counts=True)
    return bool(len(faces) >= 4 and (count % 2 == 0).all())


def _enclosed_volume_m3(corners: FloatArray) -> float:
    """Volume inside closed bodies, whatever way their normals point.

    Summed body by body over signed tetrahedra once each body's windings agree; a body whose windings
    disagree is measured by its bounding box, which errs towards "room".
    """
    _, index = distinct_rows(np.round(corners.reshape(-1, 3) / WELD_M).astype(np.int64))
    faces = index.reshape(-1, 3)
    sides = faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2)
    count = int(faces.max()) + 1
    links = coo_matrix((np.ones(len(sides)), (sides[:, 0], sides[:, 1])), shape=(count, count))
    _, component = connected_components(links, directed=False)
    body = component[faces[:, 0]]
    directed, repeats = np.unique(sides[:, 0].astype(np.int64) * count + sides[:, 1], return_counts=True)
    twisted_bodies = np.unique(component[(directed[repeats > 1] // count).astype(int)])
    volume = 0.0
    for b in np.unique(body):
        own = corners[body == b]
        own = own - own.mean(axis=(0, 1))
        if np.isin(b, twisted_bodies):
            volume += float(np.prod(np.ptp(own.reshape(-1, 3), axis=0)))
        else:
            volume += abs(float(np.einsum("mi,mi->m", own[:, 0], np.cross(own[:, 1], own[:, 2])).sum())) / 6.0
    return volume


def inside_closed(corners: FloatArray, points_m: FloatArray) -> np.ndarray:
    """Whether each point (N, 3) lies inside a closed set of triangles (M, 3, 3): parity of crossings.

    Counted along a direction that no drawn surface is likely to be parallel to.
    """
    way = np.array([0.5257311, 0.2113249, 0.8240419])
    way /= np.linalg.norm(way)
    a = corners[:, 0]
    e1, e2 = corners[:, 1] - a, corners[:, 2] - a
    p = np.cross(way, e2)
    determinant = np.einsum("mi,mi->m", e1, p)
    safe = np.where(np.abs(determinant) > 1e-300, determinant, np.inf)
    parity = np.zeros(len(points_m), dtype=int)
    for chunk in np.array_split(np.arange(len(points_m)), max(1, len(points_m) * len(corners) // 2_000_000)):
        s = points_m[chunk, None, :] - a[None]
        u = np.einsum("nmi,mi->nm", s, p) / safe
        q = np.cross(s, e1[None])
        v = q @ way / safe
        t = np.einsum("nmi,mi->nm", q, e2) / safe
        parity[chunk] = ((u >= 0) & (v >= 0) & (u + v <= 1) & (t > 0)).sum(axis=1)
    return parity % 2 == 1


def enclosing_solids(scene: Scene, points_m: FloatArray, surfaces: tuple[Surface, ...]) -> list[str | None]:
    """Name of the solid each point (N, 3), local metres, lies inside, or None."""
    points = np.asarray(points_m, dtype=np.float64).reshape(-1, 3)
    found: list[str | None] = [None] * len(points)
    solid_parts: dict[str, list[int]] = {}
    for part, surface in enumerate(surfaces):
        if surface.body == "solid":
            solid_parts.setdefault(surface.object, []).append(part)
    for name, parts in solid_parts.items():
        corners = scene.corners_m[np.isin(scene.triangle_part, parts)]
        near = ((points >= corners.min(axis=(0, 1))) & (points <= corners.max(axis=(0, 1)))).all(axis=1)
        for index in np.flatnonzero(near).tolist():
            if found[index] is None and inside_closed(corners, points[index : index + 1])[0]:
                found[index] = name
    return found
