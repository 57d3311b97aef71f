"""Which edges bend a wave from one source into each of many points: the few that detour it least.

A wave that grazes an edge or bends round it into the shade goes a little farther than the
straight way; Fresnel's parameter of that detour ranks the edges without asking what they are made of.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from rf3d.propagation.kernels.bends import Bends
from rf3d.units import FloatArray, IntArray

_HAIR = 1.0 + 1e-12


@njit(nogil=True, cache=True, error_model="numpy")
def least_detours(
    bends: Bends,
    source: FloatArray,
    points: FloatArray,
    row: IntArray,
    table: IntArray,
    middle: FloatArray,
    at_middle: FloatArray,
    limit: FloatArray,
    slack: float,
    keep: int,
) -> tuple[IntArray, FloatArray, FloatArray]:
    """The ``keep`` edges that make the shortest detours from a source to each of N points.

    The way over an edge is straight when unrolled about it (Keller's cone).

    Parameters
    ----------
    row : (N,) int64, table : (K, L) int32
        The edges to try for point i are ``table[row[i]]``, up to the first −1.
    middle : (K, 3) float64, at_middle : (K, L) float64
        A place, and how far those edges detour the way there at least, in rising order; −inf where that is not known.
        Elsewhere a detour differs by twice the distance at most.
    limit : (N,) float64
        Detours from which on edges do not matter to a point.
    slack : float
        How far beyond its ends an edge still counts, metres; with 0 a point in the wedge's own body has no way.

    Returns
    -------
    edge : (N, keep) int32
        Shortest detour first; −1 beyond what was found.
    place_m : (N, keep, 3) float64
        Points on the edges.
    detour_m : (N, keep) float64

    Source: Keller, J. Opt. Soc. Am. 52 (1962) 116 (from memory).
    """
    start, axis, along, normal = bends.start_m, bends.axis, bends.along, bends.normal
    edge = np.full((len(points), keep), -1, dtype=np.int32)
    place = np.zeros((len(points), keep, 3))
    detour = np.full((len(points), keep), np.inf)
    # Height of the source along every edge, and its distance from it.
    height, away = np.empty(len(start)), np.empty(len(start))
    for e in range(len(start)):
        ax, ay, az = source[0] - start[e, 0], source[1] - start[e, 1], source[2] - start[e, 2]
        height[e] = ax * axis[e, 0] + ay * axis[e, 1] + az * axis[e, 2]
        away[e] = np.sqrt(max(ax * ax + ay * ay + az * az - height[e] * height[e], 0.0))
    for i in range(len(points)):
        px, py, pz = points[i, 0], points[i, 1], points[i, 2]
        straight = np.sqrt((px - source[0]) ** 2 + (py - source[1]) ** 2 + (pz - source[2]) ** 2)
        mx, my, mz = px - middle[row[i], 0], py - middle[row[i], 1], pz - middle[row[i], 2]
        spare = 2.0 * np.sqrt(mx * mx + my * my + mz * mz)
        most = limit[i]
        for slot in range(table.shape[1]):
            e = table[row[i], slot]
            if e < 0 or at_middle[row[i], slot] - spare >= most:
                break
            bx, by, bz = px - start[e, 0], py - start[e, 1], pz - start[e, 2]
            za, ra = height[e], away[e]
            zb = bx * axis[e, 0] + by * axis[e, 1] + bz * axis[e, 2]
            rb = np.sqrt(max(bx * bx + by * by + bz * bz - zb * zb, 0.0))
            if ra < 1e-6 or rb < 1e-6:
                continue
            # Most edges fail here, before anything is divided; a hair more goes on, so that rounding decides nothing.
            square = (ra + rb) * (ra + rb) + (zb - za) * (zb - za)
            if square > _HAIR * (straight + most) * (straight + most):
                continue
            z = (za * rb + zb * ra) / (ra + rb)
            if z < -slack or z > bends.length_m[e] + slack:
                continue
            longer = np.sqrt(square) - straight
            if longer >= most:
                continue
            if slack == 0.0:
                ub = bx * along[e, 0] + by * along[e, 1] + bz * along[e, 2]
                vb = bx * normal[e, 0] + by * normal[e, 1] + bz * normal[e, 2]
                turn = bends.n[e] * np.pi
                if vb < 0.0 and np.cos(turn) * vb - np.sin(turn) * ub > 0.0:
                    continue
            at = keep - 1
            while at > 0 and longer < detour[i, at - 1]:
                detour[i, at], edge[i, at] = detour[i, at - 1], edge[i, at - 1]
                for a in range(3):
                    place[i, at, a] = place[i, at - 1, a]
                at -= 1
            detour[i, at], edge[i, at] = longer, e
            for a in range(3):
                place[i, at, a] = start[e, a] + z * axis[e, a]
            most = min(limit[i], detour[i, keep - 1])
    return edge, place, detour
