"""One step of the rays that look for candidate paths: bounce off what they meet, or pass it."""

from __future__ import annotations

import numpy as np
from numba import njit

from rf3d.propagation.kernels.crossings import Bodies
from rf3d.propagation.kernels.images import Planes
from rf3d.units import BoolArray, FloatArray, IntArray


@njit(nogil=True, cache=True)
def step(
    planes: Planes,
    bodies: Bodies,
    triangle_facet: IntArray,
    opaque: BoolArray,
    triangle: IntArray,
    chance: FloatArray,
    clearance_m: float,
    max_reflections: int,
    origin: FloatArray,
    way: FloatArray,
    sequence: IntArray,
    depth: IntArray,
    inside: IntArray,
) -> tuple[BoolArray, BoolArray]:
    """Move R rays on from the triangles they meet, changing the last five arrays in place.

    What is opaque is bounced off, anything else with one chance in two; a solid that is entered is left again
    before the next bounce, since what happens inside it belongs to the slab.

    Parameters
    ----------
    opaque : (parts,) bool
    triangle : (R,) int32
        −1 for rays that met nothing.
    chance : (R,) float64
        Random numbers from 0 to 1.
    origin, way : (R, 3) float64
    sequence : (R, D) int32
        Planes bounced off so far.
    depth : (R,) int32
    inside : (R,) int32
        Object whose inside a ray is in, or −1.

    Returns
    -------
    going, bounced : (R,) bool
        Rays that go on, and rays that have just bounced.
    """
    count = len(triangle)
    going = np.zeros(count, dtype=np.bool_)
    bounced = np.zeros(count, dtype=np.bool_)
    for r in range(count):
        if triangle[r] < 0:
            continue
        facet = triangle_facet[triangle[r]]
        plane = bodies.plane[facet]
        n = planes.normal[plane]
        along = n[0] * way[r, 0] + n[1] * way[r, 1] + n[2] * way[r, 2]
        if abs(along) < 1e-6:
            continue
        here = n[0] * origin[r, 0] + n[1] * origin[r, 1] + n[2] * origin[r, 2]
        reach = (planes.offset_m[plane] - here) / along
        solid = opaque[bodies.part[facet]]
        side = 1.0 if along > 0.0 else -1.0
        if inside[r] < 0 and (solid or chance[r] < 0.5):
            bounced[r] = True
            sequence[r, depth[r]] = plane
            depth[r] += 1
            if depth[r] == max_reflections:
                continue
            side = -side
        elif solid:
            continue
        elif inside[r] < 0 and bodies.solid[facet]:
            inside[r] = bodies.object[facet]
        elif inside[r] == bodies.object[facet]:
            inside[r] = -1
        going[r] = True
        for i in range(3):
            origin[r, i] += reach * way[r, i] + side * clearance_m * n[i]
        if bounced[r]:
            for i in range(3):
                way[r, i] -= 2.0 * along * n[i]
    return going, bounced
