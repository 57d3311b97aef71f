"""Flat pieces of the venue: which triangles form one facet, and which facets lie in one plane.

Images mirror in planes, reflection points must lie on a facet, and small facets radiate
from their edges; this file finds all three. Faces are two-sided: files arrive with inward,
outward and mixed normals, so no answer may depend on them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rf3d.units import BoolArray, FloatArray, IntArray, read_only
from rf3d.venue.scene import Scene

WELD_M = 1e-5
"""Vertices nearer than this are one point when edges are matched."""
COPLANAR_M = 1e-3
"""Faces whose planes differ by less are coincident: they count once."""
COPLANAR_RAD = 1e-4


@dataclass(frozen=True, eq=False)
class Facets:
    """Q facets in N planes; local coordinates of the scene.

    Attributes
    ----------
    triangle_facet : (M,) int32
    part, plane : (Q,) int32
        Part of the scene, and plane, of each facet.
    area_m2 : (Q,) float64
    bounds_m : (Q, 2, 3) float64
    normal : (N, 3) float64, offset_m : (N,) float64
        Plane n·x = offset; the sign of n is arbitrary.
    plane_start : (N + 1,) int32, plane_facets : (Q,) int32
        Facets of plane p are ``plane_facets[plane_start[p]:plane_start[p + 1]]``.
    facet_start : (Q + 1,) int32, facet_triangles : (M,) int32
        Triangles of each facet, in the same manner.
    edge_start : (Q + 1,) int32, edges_m : (E, 2, 3) float64
        Outline of each facet, counter-clockwise about the plane's normal.
    edge_open : (E, 2) bool
        Whether an edge is free or convex seen from the negative, positive side of the plane.
    twin_start : (Q + 1,) int32, twins : (W,) int32
        Facets of the same plane that may cover some of the same ground.
    """

    triangle_facet: IntArray
    part: IntArray
    plane: IntArray
    area_m2: FloatArray
    bounds_m: FloatArray
    normal: FloatArray
    offset_m: FloatArray
    plane_start: IntArray
    plane_facets: IntArray
    facet_start: IntArray
    facet_triangles: IntArray
    edge_start: IntArray
    edges_m: FloatArray
    edge_open: BoolArray
    twin_start: IntArray
    twins: IntArray

    @property
    def count(self) -> int:
        """Number of facets."""
        return len(self.part)

    @property
    def plane_count(self) -> int:
        """Number of distinct planes."""
        return len(self.normal)


def find_facets(scene: Scene) -> Facets:
    """Group the triangles of a scene into facets (coplanar, edge-connected, one part) and planes."""
    corners = scene.corners_m
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    double_area = np.linalg.norm(cross, axis=1)
    triangle_normal = cross / double_area[:, None]
    triangle_plane, normal, offset = _planes(corners, triangle_normal, double_area)

    welded = _weld(scene.vertices_m)[scene.triangles]
    edge_triangle, edge_key, edge_corner = _edges(welded)
    triangle_facet, facet_count = _connect(edge_triangle, edge_key, triangle_plane, scene.triangle_part)

    facet_start, facet_triangles = _group(triangle_facet, facet_count)
    first = facet_triangles[facet_start[:-1]]
    plane = triangle_plane[first].astype(np.int32)
    plane_start, plane_facets = _group(plane, len(normal))
    low = np.full((facet_count, 3), np.inf)
    high = np.full((facet_count, 3), -np.inf)
    np.minimum.at(low, triangle_facet, corners.min(axis=1))
    np.maximum.at(high, triangle_facet, corners.max(axis=1))
    bounds = np.stack([low, high], axis=1)
    twin_start, twins = _twins(bounds, plane_start, plane_facets)
    edge_start, edges, edge_open = _outlines(
        corners,
        triangle_facet,
        triangle_normal,
        edge_triangle=edge_triangle,
        edge_key=edge_key,
        edge_corner=edge_corner,
        plane=plane,
        normal=normal,
    )
    return Facets(
        triangle_facet=read_only(triangle_facet),
        part=read_only(scene.triangle_part[first].astype(np.int32)),
        plane=read_only(plane),
        area_m2=read_only(np.bincount(triangle_facet, weights=0.5 * double_area, minlength=facet_count)),
        bounds_m=read_only(bounds),
        normal=read_only(normal),
        offset_m=read_only(offset),
        plane_start=read_only(plane_start),
        plane_facets=read_only(plane_facets),
        facet_start=read_only(facet_start),
        facet_triangles=read_only(facet_triangles),
        edge_start=read_only(edge_start),
        edges_m=read_only(edges),
        edge_open=read_only(edge_open),
        twin_start=read_only(twin_start),
        twins=read_only(twins),
    )


def _planes(
    corners: FloatArray, triangle_normal: FloatArray, double_area: FloatArray
) -> tuple[np.ndarray, FloatArray, FloatArray]:
    """Plane index of every triangle, and normal and offset of the largest triangle in each plane."""
    offset = np.einsum("mi,mi->m", triangle_normal, corners.mean(axis=1))
    scale = COPLANAR_M / COPLANAR_RAD
    signature = np.concatenate([triangle_normal * scale, offset[:, None]], axis=1)
    # One sign per plane as far as rounding allows; the tree below joins what it leaves apart.
    axis = np.argmax(np.abs(np.round(triangle_normal, 6)), axis=1)
    sign = np.where(triangle_normal[np.arange(len(axis)), axis] < 0, -1.0, 1.0)
    signature *= sign[:, None]
    coarse, inverse = np.unique(np.round(signature, 5), axis=0, return_inverse=True)
    inverse = inverse.reshape(-1)
    both = np.concatenate([coarse, -coarse])
    pairs = cKDTree(both).query_pairs(COPLANAR_M, output_type="ndarray") % len(coarse)
    links = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(coarse),) * 2)
    _, component = connected_components(links, directed=False)
    triangle_plane = component[inverse]
    order = np.lexsort((double_area, triangle_plane))
    last = np.flatnonzero(np.append(triangle_plane[order][1:] != triangle_plane[order][:-1], True))
    largest = order[last]
    oriented = triangle_normal[largest] * sign[largest][:, None]
    # Through the middle of the largest triangle, so that rounding of the normal stays local.
    return triangle_plane, oriented, np.einsum("ni,ni->n", oriented, corners[largest].mean(axis=1))


def _weld(vertices_m: FloatArray) -> np.ndarray:
    """Index of each vertex among distinct points."""
    _, inverse = np.unique(np.round(vertices_m / WELD_M).astype(np.int64), axis=0, return_inverse=True)
    return inverse.reshape(-1)


def _edges(welded: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Every triangle side: its triangle, a key shared by sides that coincide, and its first corner (0, 1, 2)."""
    count = len(welded)
    sides = welded[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2)
    low, high = sides.min(axis=1).astype(np.int64), sides.max(axis=1).astype(np.int64)
    _, key = np.unique(low * (int(welded.max()) + 1) + high, return_inverse=True)
    return np.repeat(np.arange(count), 3), key.reshape(-1), np.tile(np.arange(3), count)


def _connect(
    edge_triangle: np.ndarray, edge_key: np.ndarray, triangle_plane: np.ndarray, triangle_part: IntArray
) -> tuple[IntArray, int]:
    """Facet of every triangle: connected over shared edges within one plane and part."""
    count = len(triangle_plane)
    plane, part = triangle_plane[edge_triangle], triangle_part[edge_triangle]
    order = np.lexsort((edge_triangle, part, plane, edge_key))
    key, where = np.stack([edge_key, plane, part], axis=1)[order], edge_triangle[order]
    joined = (key[1:] == key[:-1]).all(axis=1)
    links = coo_matrix((np.ones(joined.sum()), (where[:-1][joined], where[1:][joined])), shape=(count, count))
    facets, label = connected_components(links, directed=False)
    return label.astype(np.int32), int(facets)


def _group(label: np.ndarray, count: int) -> tuple[IntArray, IntArray]:
    """Members of each label as a start table and an index list."""
    start = np.zeros(count + 1, dtype=np.int32)
    np.cumsum(np.bincount(label, minlength=count), out=start[1:])
    return start, np.argsort(label, kind="stable").astype(np.int32)


def _outlines(
    corners: FloatArray,
    triangle_facet: IntArray,
    triangle_normal: FloatArray,
    *,
    edge_triangle: np.ndarray,
    edge_key: np.ndarray,
    edge_corner: np.ndarray,
    plane: IntArray,
    normal: FloatArray,
) -> tuple[IntArray, FloatArray, BoolArray]:
    """Outline of every facet and, for either side, whether each edge is open (free or convex).

    An edge is closed on a side when a neighbour continues the facet in its plane or rises on that side:
    a wall that meets a floor has no edge there, a wall that stops in the air has one.
    """
    facet_count = len(plane)
    edge_facet = triangle_facet[edge_triangle]
    in_facet, facet_key = np.unique(edge_key.astype(np.int64) * facet_count + edge_facet, return_inverse=True)
    outline = np.flatnonzero(np.bincount(facet_key.reshape(-1), minlength=len(in_facet))[facet_key.reshape(-1)] == 1)

    # Pair every outline edge with every other triangle on the same edge.
    by_key_start, by_key = _group(edge_key, int(edge_key.max()) + 1)
    fan = np.diff(by_key_start)[edge_key[outline]]
    mine = np.repeat(np.arange(len(outline)), fan)
    step = np.arange(len(mine)) - np.repeat(np.cumsum(fan) - fan, fan)
    other = by_key[by_key_start[edge_key[outline]][mine] + step]
    here, there = edge_triangle[outline][mine], edge_triangle[other]
    n = normal[plane[triangle_facet[here]]]
    start_point = corners[here, edge_corner[outline][mine]]
    apex = corners[there, (edge_corner[other] + 2) % 3]
    rise = np.einsum("ei,ei->e", apex - start_point, n)
    foreign = triangle_facet[here] != triangle_facet[there]
    coplanar = foreign & (plane[triangle_facet[here]] == plane[triangle_facet[there]])
    edge_open = np.ones((len(outline), 2), dtype=bool)
    for column, sign in ((0, -1.0), (1, 1.0)):
        closing = coplanar | (foreign & (sign * rise > 0.0))
        edge_open[:, column] = np.bincount(mine, weights=closing, minlength=len(outline)) == 0

    triangle, corner = edge_triangle[outline], edge_corner[outline]
    a, b = corners[triangle, corner], corners[triangle, (corner + 1) % 3]
    flip = np.einsum("ei,ei->e", triangle_normal[triangle], normal[plane[triangle_facet[triangle]]]) < 0
    ends = np.stack([np.where(flip[:, None], b, a), np.where(flip[:, None], a, b)], axis=1)
    edge_start, order = _group(triangle_facet[triangle], facet_count)
    return edge_start, ends[order], edge_open[order]


def _twins(bounds: FloatArray, plane_start: IntArray, plane_facets: IntArray) -> tuple[IntArray, IntArray]:
    """Pairs of facets in one plane whose bounding boxes share more than a border."""
    mine, others = [], []
    for p in np.flatnonzero(np.diff(plane_start) > 1):
        members = plane_facets[plane_start[p] : plane_start[p + 1]]
        low, high = bounds[members, 0], bounds[members, 1]
        for rows in np.array_split(np.arange(len(members)), 1 + len(members) ** 2 // 2_000_000):
            shared = np.minimum(high[rows, None], high[None]) - np.maximum(low[rows, None], low[None])
            # Boxes of coplanar facets are flat along at most one axis; two axes must overlap in earnest.
            overlap = (shared > -COPLANAR_M).all(axis=2) & ((shared > COPLANAR_M).sum(axis=2) >= 2)
            a, b = np.nonzero(overlap)
            apart = rows[a] != b
            mine.append(members[rows[a[apart]]])
            others.append(members[b[apart]])
    count = len(bounds)
    a = np.concatenate(mine) if mine else np.zeros(0, dtype=np.int32)
    b = np.concatenate(others) if others else np.zeros(0, dtype=np.int32)
    start, order = _group(a, count)
    return start, b[order].astype(np.int32)
