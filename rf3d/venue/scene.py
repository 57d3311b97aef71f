"""The venue as geometry: immutable, recentred, known by a digest of its contents.

Which triangles are there, which object and mesh material each belongs to, and where the
origin of the file lies. Radios and radio materials are not part of it, so that a scene
can be traced once and asked many questions.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from rf3d.errors import InputError
from rf3d.units import FloatArray, IntArray, read_only


@dataclass(frozen=True, eq=False)
class Scene:
    """Triangles of a venue in metres, z up, recentred on the middle of their bounding box.

    Local coordinates are world coordinates minus ``origin_m``. A *part* is every triangle that shares
    both an object name and a mesh material: the unit that carries one radio material.

    Parameters
    ----------
    vertices_m : (V, 3) float64
        Local coordinates; read-only.
    triangles : (M, 3) int32
        Indices into ``vertices_m``; no degenerate triangle, every vertex finite.
    triangle_part : (M,) int32
        Index into ``parts``.
    parts : tuple of (object name, mesh material name)
        "" where the file names none.
    origin_m : (3,) float64
        World position of the local origin.
    dropped_triangles : int
        Degenerate triangles the reader left out.
    digest : str
        SHA-256 of the contents, hexadecimal.
    """

    vertices_m: FloatArray
    triangles: IntArray
    triangle_part: IntArray
    parts: tuple[tuple[str, str], ...]
    origin_m: FloatArray
    dropped_triangles: int = 0
    digest: str = field(default="")

    @cached_property
    def corners_m(self) -> FloatArray:
        """Corner points of every triangle, (M, 3, 3), local metres."""
        return read_only(self.vertices_m[self.triangles])

    @cached_property
    def bounds_m(self) -> FloatArray:
        """Lowest and highest corner of the bounding box, (2, 3), local metres."""
        return read_only(np.stack([self.vertices_m.min(axis=0), self.vertices_m.max(axis=0)]))

    @property
    def size_m(self) -> FloatArray:
        """Extent along x, y and z, (3,), metres."""
        return self.bounds_m[1] - self.bounds_m[0]

    @property
    def extent_m(self) -> float:
        """Diagonal of the bounding box, metres."""
        return float(np.linalg.norm(self.size_m))

    @cached_property
    def objects(self) -> tuple[str, ...]:
        """Object name of each part, in part order."""
        return tuple(name for name, _ in self.parts)

    def to_local(self, world_m: FloatArray) -> FloatArray:
        """World coordinates (..., 3) to local ones."""
        return np.asarray(world_m, dtype=np.float64) - self.origin_m

    def to_world(self, local_m: FloatArray) -> FloatArray:
        """Local coordinates (..., 3) to world ones."""
        return np.asarray(local_m, dtype=np.float64) + self.origin_m


def make_scene(
    vertices_m: FloatArray, triangles: IntArray, triangle_part: IntArray, parts: tuple[tuple[str, str], ...]
) -> Scene:
    """Build a Scene from world-coordinate triangles: check, drop degenerate ones, recentre, digest.

    Parameters
    ----------
    vertices_m : (V, 3) float
        World coordinates in metres, z up.
    triangles : (M, 3) int
    triangle_part : (M,) int
    parts : tuple of (object name, mesh material name)

    Raises
    ------
    InputError
        No triangle with area, a vertex that is NaN or infinite, or an index out of range.
    """
    vertices = np.asarray(vertices_m, dtype=np.float64).reshape(-1, 3)
    faces: IntArray = np.asarray(triangles, dtype=np.int32).reshape(-1, 3)
    part: IntArray = np.asarray(triangle_part, dtype=np.int32).reshape(-1)
    if len(faces) and (faces.min() < 0 or faces.max() >= len(vertices)):
        raise InputError(
            f"a triangle of the mesh uses vertex {int(faces.max())} of {len(vertices)}",
            "every index must name a vertex",
            "export the mesh again",
        )
    if len(faces):
        vertices, faces = _used(vertices, faces)
    bad = np.flatnonzero(~np.isfinite(vertices).all(axis=1))
    if len(faces) and len(bad):
        where = parts[part[np.flatnonzero((faces == bad[0]).any(axis=1))[0]]][0]
        raise InputError(
            f'{len(bad)} vertices of the mesh are NaN or infinite, the first in object "{where}"',
            "every coordinate must be a finite number",
            "repair that object and export again",
        )
    kept = _with_area(vertices, faces)
    if not kept.any():
        raise InputError(
            f"the mesh holds {len(faces)} triangles and none of them has an area",
            "a venue needs at least one surface",
            "export the venue as triangles, not as points, curves or an empty scene",
        )
    dropped = int((~kept).sum())
    faces, part = faces[kept], part[kept]
    vertices, faces = _used(vertices, faces)
    present, index = np.unique(part, return_inverse=True)
    part = index.astype(np.int32)
    names = tuple(parts[int(i)] for i in present)
    origin = 0.5 * (vertices.min(axis=0) + vertices.max(axis=0))
    vertices = vertices - origin
    digest = hashlib.sha256()
    for array in (vertices, faces, part, origin):
        digest.update(np.ascontiguousarray(array).tobytes())
    digest.update(repr(names).encode())
    return Scene(
        vertices_m=read_only(vertices),
        triangles=read_only(faces),
        triangle_part=read_only(part),
        parts=names,
        origin_m=read_only(origin),
        dropped_triangles=dropped,
        digest=digest.hexdigest(),
    )


def _used(vertices: FloatArray, faces: IntArray) -> tuple[FloatArray, IntArray]:
    """The vertices that triangles use, and the triangles renumbered."""
    used, index = np.unique(faces, return_inverse=True)
    return vertices[used], index.reshape(-1, 3).astype(np.int32)


def _with_area(vertices: FloatArray, faces: IntArray) -> np.ndarray:
    """True for triangles whose height over their longest side exceeds the rounding of their coordinates."""
    if len(faces) == 0:
        return np.zeros(0, dtype=bool)
    a, b, c = vertices[faces[:, 0]], vertices[faces[:, 1]], vertices[faces[:, 2]]
    double_area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    longest = np.sqrt(np.maximum.reduce([((b - a) ** 2).sum(1), ((c - b) ** 2).sum(1), ((a - c) ** 2).sum(1)]))
    rounding = 8 * np.finfo(np.float32).eps * max(float(np.ptp(vertices, axis=0).max()), 1e-30)
    return double_area > np.maximum(longest * rounding, 1e-300)
