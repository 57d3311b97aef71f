"""Bookkeeping of segments that pass through a scene hit by hit: where each goes on, what it has met.

The tracer asks for first hits; these kernels make the rays it asks with and take in the answers.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from rf3d.units import BoolArray, FloatArray, IntArray

_IN_PLANE = 1e-7
"""Cosine below which a ray lies in the plane of a face."""


@njit(nogil=True, cache=True, error_model="numpy")
def set_out(
    starts: FloatArray, ends: FloatArray, chosen: BoolArray, clearance: float
) -> tuple[FloatArray, FloatArray, IntArray, NDArray[Any], NDArray[Any]]:
    """Unit directions (S, 3), lengths (S,), segments (N,) that may meet anything, and their first rays.

    Those do that are long enough and ``chosen`` (S,); without any entry there all are.

    Returns
    -------
    way, length, active
    origin, direction : (N, 3) float32
        Rays of the active segments, from ``clearance`` metres ahead of their starts.
    """
    count = len(starts)
    way, length = np.empty((count, 3)), np.empty(count)
    active = np.empty(count, dtype=np.int64)
    origin, direction = np.empty((count, 3), dtype=np.float32), np.empty((count, 3), dtype=np.float32)
    found = 0
    for s in range(count):
        x, y, z = ends[s, 0] - starts[s, 0], ends[s, 1] - starts[s, 1], ends[s, 2] - starts[s, 2]
        length[s] = np.sqrt(x * x + y * y + z * z)
        size = max(length[s], 1e-300)
        way[s, 0], way[s, 1], way[s, 2] = x / size, y / size, z / size
        if length[s] <= 2.0 * clearance or (len(chosen) > 0 and not chosen[s]):
            continue
        for a in range(3):
            origin[found, a] = np.float32(starts[s, a] + clearance * way[s, a])
            direction[found, a] = np.float32(way[s, a])
        active[found] = s
        found += 1
    return way, length, active[:found], origin[:found], direction[:found]


@njit(nogil=True, cache=True, error_model="numpy")
def go_on(
    normal: FloatArray,
    offset: FloatArray,
    opaque: BoolArray,
    label: IntArray,
    pass_over: IntArray,
    starts: FloatArray,
    way: FloatArray,
    length: FloatArray,
    active: IntArray,
    hit: IntArray,
    far: FloatArray,
    clearance: float,
    travelled: FloatArray,
    grazed: FloatArray,
    blocked: BoolArray,
    segment: IntArray,
    triangle: IntArray,
    distance: FloatArray,
    written: int,
    origin: FloatArray,
    direction: FloatArray,
) -> tuple[int, int]:
    """Take in the first hits of N active segments; list what was met and make the rays of those that go on.

    Parameters
    ----------
    normal : (M, 3) float64, offset : (M,) float64
        Planes of the triangles.
    opaque : (M,) bool
        Triangles that end a segment.
    label : (M,) int32, pass_over : (S, K) int32
        Triangles whose label is among a segment's own are not there for it; K may be 0.
    active : (N,) int64
        Segments asked about; those that go on are moved to its front.
    hit : (N,) int32, far : (N,) float32
        First triangle and its distance, −1 for none.
    travelled, grazed : (S,) float64, blocked : (S,) bool
        How far each segment has come, how often along a face, whether something opaque stands in it.
    segment, triangle : (C,) int32, distance : (C,) float64
        List of what was met, ``written`` entries so far.
    origin, direction : (N, 3) float32
        Rays; those of segments that go on are moved to the front.

    Returns
    -------
    count : int
        Segments that go on.
    written : int
    """
    kept = 0
    for i in range(len(active)):
        s, t = active[i], hit[i]
        if t < 0:
            continue
        reach = travelled[s] + far[i]
        if reach >= length[s] - clearance:
            continue
        there = True
        for column in range(pass_over.shape[1]):
            there = there and label[t] != pass_over[s, column]
        cosine, away = 0.0, offset[t]
        for a in range(3):
            cosine += normal[t, a] * way[s, a]
            away -= normal[t, a] * starts[s, a]
        flat = abs(cosine) < _IN_PLANE  # Embree's distance is then as good as any
        if there:
            segment[written], triangle[written] = s, t
            distance[written] = reach if flat else away / cosine
            written += 1
            if opaque[t]:
                blocked[s] = True
                continue
        # A segment along a face meets it again at every step: it may stride ever farther.
        if flat or not there:
            grazed[s] += 1.0
        travelled[s] = reach + clearance * (1.0 + grazed[s] ** 2)
        active[kept] = s
        for a in range(3):
            origin[kept, a] = np.float32(starts[s, a] + travelled[s] * way[s, a])
            direction[kept, a] = direction[i, a]
        kept += 1
    return kept, written


@njit(nogil=True, cache=True)
def in_order(
    count: int, segment: IntArray, triangle: IntArray, distance: FloatArray
) -> tuple[IntArray, IntArray, IntArray, FloatArray]:
    """Sort a list of what was met by segment, then by distance; what is equal keeps its order.

    Returns
    -------
    first : (count + 1,) int64
        Entries of segment s are ``first[s]:first[s + 1]`` of the rest.
    segment, triangle : (C,) int32, distance : (C,) float64
    """
    first = np.zeros(count + 1, dtype=np.int64)
    for c in range(len(segment)):
        first[segment[c] + 1] += 1
    for s in range(count):
        first[s + 1] += first[s]
    end = first[:-1].copy()
    whose, which, where = np.empty_like(segment), np.empty_like(triangle), np.empty_like(distance)
    for c in range(len(segment)):
        s = segment[c]
        at = end[s]
        end[s] += 1
        while at > first[s] and where[at - 1] > distance[c]:
            which[at], where[at] = which[at - 1], where[at - 1]
            at -= 1
        whose[end[s] - 1], which[at], where[at] = s, triangle[c], distance[c]
    return first, whose, which, where
