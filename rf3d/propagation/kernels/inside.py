"""Which points lie inside closed bodies: parity of the faces above each, along a slanting upright."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from rf3d.propagation.kernels import INNER
from rf3d.units import BoolArray, FloatArray, IntArray, turned

_UPRIGHT = np.array([0.5257311, 0.2113249, 0.8240419])
"""A direction that no drawn surface is likely to be parallel to, nor to meet edges along."""
_MOST_CELLS = 1024
"""Columns that a body is cut into, along each of two axes, at most."""


class Hulls(NamedTuple):
    """B closed bodies in axes whose third is the slanting upright; made by ``make_hulls``.

    A body is cut into columns along it. A point has the faces of its column above or below.

    Attributes
    ----------
    axes : (3, 3) float64
        Rows are the slanting axes.
    corners : (M, 3, 3) float64
    low, high : (B, 3) float64
    columns : (B, 2) int64
        How many along the first two axes.
    first : (B + 1,) int64
        Columns of body b are from ``first[b]`` on, row by row of the first axis.
    start : (C + 1,) int64, faces : (K,) int64
        Triangles over column c are ``faces[start[c]:start[c + 1]]``.
    """

    axes: FloatArray
    corners: FloatArray
    low: FloatArray
    high: FloatArray
    columns: IntArray
    first: IntArray
    start: IntArray
    faces: IntArray


def make_hulls(bodies: list[FloatArray]) -> Hulls:
    """Lay out bodies, each a closed set of triangles (M, 3, 3), for the kernel."""
    up = _UPRIGHT / np.linalg.norm(_UPRIGHT)
    east = np.cross(up, [0.0, 0.0, 1.0])
    east /= np.linalg.norm(east)
    axes = np.stack([east, np.cross(up, east), up])
    slanting = [body @ axes.T for body in bodies]
    low = np.array([body.min(axis=(0, 1)) for body in slanting]).reshape(-1, 3)
    high = np.array([body.max(axis=(0, 1)) for body in slanting]).reshape(-1, 3)
    count = np.array([len(body) for body in bodies], dtype=np.int64)
    columns = np.repeat(np.clip(np.sqrt(count).astype(np.int64), 1, _MOST_CELLS)[:, None], 2, axis=1)
    first = np.concatenate([[0], np.cumsum(columns.prod(axis=1))]).astype(np.int64)
    corners = np.ascontiguousarray(np.concatenate([np.zeros((0, 3, 3)), *slanting]))
    start, faces = _fill(corners, np.repeat(np.arange(len(bodies)), count), low, high, columns, first)
    return Hulls(axes, corners, low, high, columns, first, start, faces)


def inside_any(hulls: Hulls, points_m: FloatArray) -> BoolArray:
    """Whether each point (N, 3) lies inside any of the bodies."""
    return _inside(
        hulls.corners, hulls.low, hulls.high, hulls.columns, hulls.first, hulls.start, hulls.faces,
        turned(points_m, hulls.axes.T),
    )  # fmt: skip


@njit(**INNER)
def _column(x: float, low: float, high: float, count: int) -> int:
    """Column of a place along one axis; never falls as ``x`` rises, so that faces and points agree about it."""
    if not high > low:
        return 0
    return min(max(int(count * ((x - low) / (high - low))), 0), count - 1)


@njit(nogil=True, cache=True)
def _fill(
    corners: FloatArray, body: IntArray, low: FloatArray, high: FloatArray, columns: IntArray, first: IntArray
) -> tuple[IntArray, IntArray]:
    """Start table (C + 1,) and list of the triangles over every column; ``body`` (M,) is that of each triangle."""
    start = np.zeros(first[-1] + 1, dtype=np.int64)
    span = np.empty((len(corners), 4), dtype=np.int64)
    for t in range(len(corners)):
        b = body[t]
        for a in range(2):
            least = min(corners[t, 0, a], corners[t, 1, a], corners[t, 2, a])
            most = max(corners[t, 0, a], corners[t, 1, a], corners[t, 2, a])
            span[t, a] = _column(least, low[b, a], high[b, a], columns[b, a])
            span[t, 2 + a] = _column(most, low[b, a], high[b, a], columns[b, a])
        for i in range(span[t, 0], span[t, 2] + 1):
            for j in range(span[t, 1], span[t, 3] + 1):
                start[first[b] + i * columns[b, 1] + j + 1] += 1
    for c in range(len(start) - 1):
        start[c + 1] += start[c]
    after = start[:-1].copy()
    faces = np.empty(start[-1], dtype=np.int64)
    for t in range(len(corners)):
        b = body[t]
        for i in range(span[t, 0], span[t, 2] + 1):
            for j in range(span[t, 1], span[t, 3] + 1):
                c = first[b] + i * columns[b, 1] + j
                faces[after[c]] = t
                after[c] += 1
    return start, faces


@njit(nogil=True, cache=True)
def _inside(
    corners: FloatArray,
    low: FloatArray,
    high: FloatArray,
    columns: IntArray,
    first: IntArray,
    start: IntArray,
    faces: IntArray,
    points: FloatArray,
) -> BoolArray:
    inside = np.zeros(len(points), dtype=np.bool_)
    for i in range(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        for b in range(len(low)):
            if x < low[b, 0] or x > high[b, 0] or y < low[b, 1] or y > high[b, 1] or z < low[b, 2] or z > high[b, 2]:
                continue
            c = first[b] + _column(x, low[b, 0], high[b, 0], columns[b, 0]) * columns[b, 1]
            c += _column(y, low[b, 1], high[b, 1], columns[b, 1])
            above = 0
            for n in range(start[c], start[c + 1]):
                t = faces[n]
                ax, ay = corners[t, 0, 0] - x, corners[t, 0, 1] - y
                bx, by = corners[t, 1, 0] - x, corners[t, 1, 1] - y
                cx, cy = corners[t, 2, 0] - x, corners[t, 2, 1] - y
                # Twice the areas that the point makes with each side: of one sign when it is within.
                u, v, w = bx * cy - by * cx, cx * ay - cy * ax, ax * by - ay * bx
                if (u >= 0.0 and v >= 0.0 and w >= 0.0) or (u <= 0.0 and v <= 0.0 and w <= 0.0):
                    area = u + v + w
                    if area != 0.0:
                        height = (u * corners[t, 0, 2] + v * corners[t, 1, 2] + w * corners[t, 2, 2]) / area
                        above += 1 if height > z else 0
            if above % 2 == 1:
                inside[i] = True
                break
    return inside
