"""Which points lie inside closed bodies: parity of the faces above each, along a slanting upright."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from rf3d.units import BoolArray, FloatArray, IntArray, turned

_UPRIGHT = np.array([0.5257311, 0.2113249, 0.8240419])
"""A direction that no drawn surface is likely to be parallel to, nor to meet edges along."""


class Hulls(NamedTuple):
    """B closed bodies in axes whose third is the slanting upright; made by ``make_hulls``.

    Attributes
    ----------
    axes : (3, 3) float64
        Rows are the slanting axes.
    first : (B + 1,) int64
        Triangles of body b are ``first[b]:first[b + 1]``.
    corners : (M, 3, 3) float64
    low, high : (B, 3) float64
    """

    axes: FloatArray
    first: IntArray
    corners: FloatArray
    low: FloatArray
    high: FloatArray


def make_hulls(bodies: list[FloatArray]) -> Hulls:
    """Lay out bodies, each a closed set of triangles (M, 3, 3), for the kernel."""
    up = _UPRIGHT / np.linalg.norm(_UPRIGHT)
    east = np.cross(up, [0.0, 0.0, 1.0])
    east /= np.linalg.norm(east)
    axes = np.stack([east, np.cross(up, east), up])
    turned = [body @ axes.T for body in bodies]
    first = np.cumsum([0] + [len(body) for body in turned]).astype(np.int64)
    return Hulls(
        axes,
        first,
        np.ascontiguousarray(np.concatenate([np.zeros((0, 3, 3)), *turned])),
        np.array([body.min(axis=(0, 1)) for body in turned]).reshape(-1, 3),
        np.array([body.max(axis=(0, 1)) for body in turned]).reshape(-1, 3),
    )


def inside_any(hulls: Hulls, points_m: FloatArray) -> BoolArray:
    """Whether each point (N, 3) lies inside any of the bodies."""
    return _inside(hulls.first, hulls.corners, hulls.low, hulls.high, turned(points_m, hulls.axes.T))


@njit(nogil=True, cache=True)
def _inside(first: IntArray, corners: FloatArray, low: FloatArray, high: FloatArray, points: FloatArray) -> BoolArray:
    inside = np.zeros(len(points), dtype=np.bool_)
    for i in range(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        for b in range(len(low)):
            if x < low[b, 0] or x > high[b, 0] or y < low[b, 1] or y > high[b, 1] or z < low[b, 2] or z > high[b, 2]:
                continue
            above = 0
            for t in range(first[b], first[b + 1]):
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
