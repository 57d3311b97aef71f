"""Paths as the legs between their corners: laid out to be looked at, and written out when they hold."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from rf3d.propagation.kernels.crossings import DIFFRACTION, LOBE, REFLECTION
from rf3d.propagation.kernels.images import Planes
from rf3d.units import BoolArray, FloatArray, IntArray

NEAR_M = 1e-4
"""More than the float32 of the tracer, and than what it passes over at either end of a leg, can be wrong by."""


class Legs(NamedTuple):
    """S stretches between neighbouring corners of C paths, in order.

    Attributes
    ----------
    first : (C + 1,) int64
        Legs of path c are ``first[c]:first[c + 1]``.
    path, turn : (S,) int64
        Path of each leg, and the turn that it leads to.
    starts, ends : (S, 3) float64
    planes : (S, 4) int32
        Planes that the start lies on, and those that the end does; −1 for none.
    """

    first: IntArray
    path: IntArray
    turn: IntArray
    starts: FloatArray
    ends: FloatArray
    planes: IntArray


@njit(nogil=True, cache=True)
def lay_legs(
    source: FloatArray,
    receivers: FloatArray,
    receiver: IntArray,
    points: FloatArray,
    facet: IntArray,
    edge: IntArray,
    facet_plane: IntArray,
    edge_planes: IntArray,
    corner_m: float,
) -> Legs:
    """Lay out the legs of C paths from a source (3,) over their turns to R receivers.

    Parameters
    ----------
    receiver : (C,) int32
    points : (C, D, 3) float64
    facet, edge : (C, D) int32
        Facet of every bounce and edge of every bend, −1 in the other and beyond a path's own number of turns.
    facet_plane : (Q,) int32, edge_planes : (E, 2) int32
    corner_m : float
        Of two bounces nearer than this each touches the wall of the other too.
    """
    count, depth = facet.shape
    first = np.zeros(count + 1, dtype=np.int64)
    for c in range(count):
        turns = 0
        for t in range(depth):
            turns += 1 if facet[c, t] >= 0 or edge[c, t] >= 0 else 0
        first[c + 1] = first[c] + turns + 1
    total = first[count]
    path, turn = np.empty(total, dtype=np.int64), np.empty(total, dtype=np.int64)
    starts, ends = np.empty((total, 3)), np.empty((total, 3))
    planes = np.empty((total, 4), dtype=np.int32)
    for c in range(count):
        last = first[c + 1] - 1
        before_0, before_1 = -1, -1
        for s in range(first[c], last + 1):
            t = s - first[c]
            path[s], turn[s] = c, t
            after_0, after_1 = -1, -1
            for i in range(3):
                starts[s, i] = source[i] if t == 0 else points[c, t - 1, i]
                ends[s, i] = receivers[receiver[c], i] if s == last else points[c, t, i]
            if s < last:
                after_0, after_1 = _planes_of(facet[c, t], edge[c, t], facet_plane, edge_planes)
            planes[s, 0], planes[s, 1], planes[s, 2], planes[s, 3] = before_0, before_1, after_0, after_1
            before_0, before_1 = after_0, after_1
        for s in range(first[c] + 1, last):
            t = s - first[c]
            if facet[c, t - 1] < 0 or facet[c, t] < 0:
                continue
            x, y, z = ends[s, 0] - starts[s, 0], ends[s, 1] - starts[s, 1], ends[s, 2] - starts[s, 2]
            if np.sqrt(x * x + y * y + z * z) < corner_m:
                one, two = facet_plane[facet[c, t - 1]], facet_plane[facet[c, t]]
                planes[s, 1], planes[s - 1, 3] = two, two
                planes[s, 3], planes[s + 1, 1] = one, one
    return Legs(first, path, turn, starts, ends, planes)


@njit(nogil=True, cache=True)
def _planes_of(facet: int, edge: int, facet_plane: IntArray, edge_planes: IntArray) -> tuple[int, int]:
    """Planes that a turn lies on: one at a bounce, twice, both faces' at an edge."""
    if facet >= 0:
        return facet_plane[facet], facet_plane[facet]
    return edge_planes[edge, 0], edge_planes[edge, 1]


@njit(nogil=True, cache=True, error_model="numpy")
def may_meet(planes: Planes, legs: Legs) -> BoolArray:
    """Which legs (S,) may cross a plane, within its box, that they neither start from nor end on.

    Never False where one meets a face: a look at every plane, which is quicker than a ray where planes are few.
    """
    low, high = planes.low_m, planes.high_m
    count = len(planes.offset_m)
    starts, ends, own, turn = legs.starts, legs.ends, legs.planes, legs.turn
    found = np.zeros(len(starts), dtype=np.bool_)
    # Several planes at a time; where a leg ends the next one of its path begins.
    normal, offset = np.ascontiguousarray(planes.normal.T), planes.offset_m
    heights = np.empty((2, count))
    for s in range(len(starts)):
        x0, y0, z0 = starts[s, 0], starts[s, 1], starts[s, 2]
        x1, y1, z1 = ends[s, 0], ends[s, 1], ends[s, 2]
        for p in range(count):
            if turn[s] == 0:
                heights[0, p] = normal[0, p] * x0 + normal[1, p] * y0 + normal[2, p] * z0 - offset[p]
            else:
                heights[0, p] = heights[1, p]
        for p in range(count):
            heights[1, p] = normal[0, p] * x1 + normal[1, p] * y1 + normal[2, p] * z1 - offset[p]
        for p in range(count):
            before, after = heights[0, p], heights[1, p]
            if min(before, after) > NEAR_M or max(before, after) < -NEAR_M:
                continue
            if p == own[s, 0] or p == own[s, 1] or p == own[s, 2] or p == own[s, 3]:
                continue
            if min(before, after) < -NEAR_M and max(before, after) > NEAR_M:
                share = before / (before - after)
                x, y, z = x0 + share * (x1 - x0), y0 + share * (y1 - y0), z0 + share * (z1 - z0)
                below, above = (x, y, z), (x, y, z)
            else:  # one end is as good as on the plane: where the leg crosses it, if at all, is anywhere
                below = (min(x0, x1), min(y0, y1), min(z0, z1))
                above = (max(x0, x1), max(y0, y1), max(z0, z1))
            beside = False
            for i in range(3):
                beside |= above[i] < low[p, i] - NEAR_M or below[i] > high[p, i] + NEAR_M
            if not beside:
                found[s] = True
                break
    return found


@njit(nogil=True, cache=True)
def write_ways(
    legs: Legs,
    bad: BoolArray,
    facet: IntArray,
    edge: IntArray,
    edge_facet: IntArray,
    lobe: BoolArray,
    part: IntArray,
    behind: FloatArray,
    wall_first: IntArray,
    wall_kind: IntArray,
    wall_facet: IntArray,
    wall_part: IntArray,
    wall_depth: FloatArray,
    wall_distance: FloatArray,
) -> tuple[
    IntArray, FloatArray, FloatArray, FloatArray, IntArray, IntArray, IntArray, IntArray, IntArray, FloatArray,
    FloatArray, FloatArray, FloatArray,
]:  # fmt: skip
    """Write out the paths that are not ``bad`` (C,): walls passed and turns in order.

    Parameters
    ----------
    facet, edge : (C, D) int32
    edge_facet : (E,) int32
        First face of every edge.
    lobe : (C, D) bool
        Bounces beside the mirror direction; may have no row at all.
    part : (Q,) int32
        Of every facet.
    behind : (C, D) float64
        Thickness of what is behind each bounce.
    wall_first : (S + 1,) int64
        Walls passed on leg s are ``wall_first[s]:wall_first[s + 1]`` of the arrays that follow.

    Returns
    -------
    kept : (P,) int64
    length, departure, arrival, start, kind, facet, part, edge, depth, distance, point, leaving
        As in PathSet.
    """
    count = len(bad)
    paths, rows = 0, 0
    for c in range(count):
        if not bad[c]:
            paths += 1
            rows += legs.first[c + 1] - legs.first[c] - 1
            rows += wall_first[legs.first[c + 1]] - wall_first[legs.first[c]]
    kept, start = np.empty(paths, dtype=np.int64), np.zeros(paths + 1, dtype=np.int32)
    length, departure, arrival = np.empty(paths), np.empty((paths, 3)), np.empty((paths, 3))
    kinds, facets = np.empty(rows, dtype=np.int32), np.empty(rows, dtype=np.int32)
    parts, edges = np.empty(rows, dtype=np.int32), np.empty(rows, dtype=np.int32)
    depth, distance, point, leaving = np.empty(rows), np.empty(rows), np.empty((rows, 3)), np.empty((rows, 3))
    p, row = 0, 0
    starts, ends, first = legs.starts, legs.ends, legs.first
    for c in range(count):
        if bad[c]:
            continue
        kept[p] = c
        travelled = 0.0
        for s in range(first[c], first[c + 1]):
            x, y, z = ends[s, 0] - starts[s, 0], ends[s, 1] - starts[s, 1], ends[s, 2] - starts[s, 2]
            size = np.sqrt(x * x + y * y + z * z)
            over = max(size, 1e-300)
            x, y, z = x / over, y / over, z / over
            t = s - first[c]
            if t == 0:
                departure[p, 0], departure[p, 1], departure[p, 2] = x, y, z
            else:
                leaving[row - 1, 0], leaving[row - 1, 1], leaving[row - 1, 2] = x, y, z
            for w in range(wall_first[s], wall_first[s + 1]):
                kinds[row], facets[row], parts[row], edges[row] = wall_kind[w], wall_facet[w], wall_part[w], -1
                depth[row], distance[row] = wall_depth[w], travelled + wall_distance[w]
                leaving[row, 0], leaving[row, 1], leaving[row, 2] = x, y, z
                for i in range(3):
                    way = x if i == 0 else y if i == 1 else z
                    point[row, i] = starts[s, i] + wall_distance[w] * way
                row += 1
            travelled += size
            if s == first[c + 1] - 1:
                arrival[p, 0], arrival[p, 1], arrival[p, 2] = -x, -y, -z
                continue
            e = edge[c, t]
            f = facet[c, t] if e < 0 else edge_facet[e]
            kinds[row] = DIFFRACTION if e >= 0 else REFLECTION
            if len(lobe) > 0 and lobe[c, t]:
                kinds[row] = LOBE
            facets[row], parts[row], edges[row] = f, part[f], e
            depth[row], distance[row] = np.nan if e >= 0 else behind[c, t], travelled
            point[row, 0], point[row, 1], point[row, 2] = ends[s, 0], ends[s, 1], ends[s, 2]
            row += 1
        length[p] = travelled
        p += 1
        start[p] = row
    return kept, length, departure, arrival, start, kinds, facets, parts, edges, depth, distance, point, leaving
