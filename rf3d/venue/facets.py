"""Flat pieces of the venue: which triangles form one facet, and which facets lie in one plane.

Images mirror in planes, reflection points must lie on a facet, and small facets radiate
from their edges (venue.outlines). Faces are two-sided: files arrive with inward,
outward and mixed normals, so no answer may depend on them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rf3d.units import FloatArray, IntArray, read_only
from rf3d.venue.outlines import WELD_M, distinct_rows, expanses, find_outlines, group
from rf3d.venue.scene import Scene

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
    edge_rise_m : (E, 2) float64
        How high a neighbour rises from an edge on the negative, positive side of the plane: 0 where the edge is free or
        convex, inf where a neighbour goes on in the plane.
    expanse : (Q,) int32
        Number of each facet's expanse: itself and all facets of its plane that it goes on in.
    expanse_start : (X + 1,) int32, expanse_edges_m : (K, 2, 3) float64, expanse_rise_m : (K, 2) float64
        Outlines of the expanses, without the borders inside them; only facets that are the first of their twins count.
    first_of_twins : (Q,) int32
        Of the facets that coincide with each the one of lowest number.
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
    edge_rise_m: FloatArray
    expanse: IntArray
    expanse_start: IntArray
    expanse_edges_m: FloatArray
    expanse_rise_m: FloatArray
    first_of_twins: IntArray
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

    first, vertex = distinct_rows(np.round(scene.vertices_m / WELD_M).astype(np.int64))
    welded = vertex[scene.triangles]
    edge_triangle, edge_key, edge_corner = _edges(welded)
    triangle_facet, facet_count = _connect(edge_triangle, edge_key, triangle_plane, scene.triangle_part)

    facet_start, facet_triangles = group(triangle_facet, facet_count)
    leader = facet_triangles[facet_start[:-1]]
    plane = triangle_plane[leader].astype(np.int32)
    plane_start, plane_facets = group(plane, len(normal))
    low = np.full((facet_count, 3), np.inf)
    high = np.full((facet_count, 3), -np.inf)
    np.minimum.at(low, triangle_facet, corners.min(axis=1))
    np.maximum.at(high, triangle_facet, corners.max(axis=1))
    bounds = np.stack([low, high], axis=1)
    twin_start, twins = _twins(bounds, plane_start, plane_facets)
    edge_start, edges, edge_rise, joined = find_outlines(
        corners,
        triangle_facet,
        triangle_normal,
        edge_triangle=edge_triangle,
        edge_key=edge_key,
        edge_corner=edge_corner,
        welded=welded,
        places=scene.vertices_m[first],
        plane=plane,
        normal=normal,
        triangles=(facet_start, facet_triangles),
    )
    area = np.asarray(np.bincount(triangle_facet, weights=0.5 * double_area, minlength=facet_count), dtype=np.float64)
    first_of_twins = _first_of_coincident(bounds, area, twin_start, twins)
    expanse, expanse_start, expanse_edges, expanse_rise = expanses(
        joined, first_of_twins, edge_start, edges, edge_rise
    )  # fmt: skip
    return Facets(
        triangle_facet=read_only(triangle_facet),
        part=read_only(scene.triangle_part[leader].astype(np.int32)),
        plane=read_only(plane),
        area_m2=read_only(area),
        bounds_m=read_only(bounds),
        normal=read_only(normal),
        offset_m=read_only(offset),
        plane_start=read_only(plane_start),
        plane_facets=read_only(plane_facets),
        facet_start=read_only(facet_start),
        facet_triangles=read_only(facet_triangles),
        edge_start=read_only(edge_start),
        edges_m=read_only(edges),
        edge_rise_m=read_only(edge_rise),
        expanse=read_only(expanse),
        expanse_start=read_only(expanse_start),
        expanse_edges_m=read_only(expanse_edges),
        expanse_rise_m=read_only(expanse_rise),
        first_of_twins=read_only(first_of_twins),
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
    rounded = np.round(signature, 5)
    first, inverse = distinct_rows(rounded)
    coarse = rounded[first]
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
    start, order = group(a, count)
    return start, b[order].astype(np.int32)


def _first_of_coincident(bounds: FloatArray, area_m2: FloatArray, twin_start: IntArray, twins: IntArray) -> IntArray:
    """Lowest-numbered facet (Q,) among each and those with its plane, box and area within a millimetre."""
    mine = np.repeat(np.arange(len(area_m2), dtype=np.int32), np.diff(twin_start))
    gap = np.abs(bounds[mine] - bounds[twins]).max(axis=(1, 2))
    alike = (gap < COPLANAR_M) & (np.abs(area_m2[mine] - area_m2[twins]) < COPLANAR_M * area_m2[mine] + 1e-6)
    first = np.arange(len(area_m2), dtype=np.int32)
    np.minimum.at(first, mine[alike], twins[alike])
    return first
