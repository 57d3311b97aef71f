"""Rays from one surface to the next: to the triangles that the tracer found, in float64.

What each leaves in the voxels it passes is written down as a segment and tallied later (``kernels.tally``).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from rf3d.propagation.kernels import INNER
from rf3d.propagation.kernels.crossings import Bodies
from rf3d.propagation.kernels.images import Planes, on_facet
from rf3d.propagation.kernels.tally import DX, DY, DZ, LISTED, OWN, REACH, TRAVELLED, WEIGHT, X, Y, Z
from rf3d.units import BoolArray, ComplexArray, FloatArray, IntArray

ABSORBED, ESCAPED, ROULETTE_GAIN, ROULETTE_LOSS, CUT = range(5)
"""Accounts of the ledger, watts per watt at the antenna."""
PASSED_OVER, GONE = -1, -2
"""Facet of a ray that met the plane it has just left, which is rounding and not a hit; and of one that escaped."""
FLAT = 1e-9
"""Cosine below which a ray lies in a plane and has no point of intersection with it."""


class Rays(NamedTuple):
    """Rays under way, the first ``count`` rows of each array.

    Attributes
    ----------
    origin, direction : (N, 3) float64
    field : (N, 3) complex128
        Unit field vector across the direction.
    weight, length : (N,) float64
        Power carried, and way travelled to the origin, metres.
    order, plane, facet, culprit, cell : (N,) int32
        Reflections so far; plane left last, −1 at the antenna; facet met; object that reflected last, −1 at first;
        cell of the launch table that the ray was sent from.
    """

    origin: FloatArray
    direction: FloatArray
    field: ComplexArray
    weight: FloatArray
    length: FloatArray
    order: IntArray
    plane: IntArray
    facet: IntArray
    culprit: IntArray
    cell: IntArray


@njit(**INNER)
def move(rays: Rays, source: int, target: int) -> None:
    """Copy a ray to another row."""
    for a in range(3):
        rays.origin[target, a] = rays.origin[source, a]
        rays.direction[target, a] = rays.direction[source, a]
        rays.field[target, a] = rays.field[source, a]
    rays.weight[target] = rays.weight[source]
    rays.length[target] = rays.length[source]
    rays.order[target] = rays.order[source]
    rays.plane[target] = rays.plane[source]
    rays.facet[target] = rays.facet[source]
    rays.culprit[target] = rays.culprit[source]
    rays.cell[target] = rays.cell[source]


@njit(**INNER)
def facet_that_counts(planes: Planes, bodies: Bodies, facet: int, x: float, y: float, z: float) -> int:
    """Of the facets that coincide at a point, the one that acts, or another of its part that does the same."""
    rivals = bodies.rivals
    for w in range(bodies.rival_start[facet], bodies.rival_start[facet + 1]):
        if on_facet(planes, rivals[w], x, y, z):
            return rivals[w]
    return facet


@njit(nogil=True, cache=True)
def acting(planes: Planes, bodies: Bodies, facet: IntArray, points: FloatArray) -> BoolArray:
    """Which points (N, 3) on facets (N,) lie on no facet that acts in that one's place."""
    out = np.ones(len(facet), dtype=np.bool_)
    for i in range(len(facet)):
        mine = facet[i]
        for w in range(bodies.twin_start[mine], bodies.twin_start[mine + 1]):
            other = bodies.twins[w]
            first = bodies.solid[other] if bodies.solid[other] != bodies.solid[mine] else other < mine
            if first and on_facet(planes, other, points[i, 0], points[i, 1], points[i, 2]):
                out[i] = False
    return out


@njit(nogil=True, cache=True)
def march(
    rays: Rays,
    count: int,
    triangle: IntArray,
    triangle_facet: IntArray,
    planes: Planes,
    bodies: Bodies,
    clearance: float,
    listed: IntArray,
    segments: FloatArray,
    carried: ComplexArray,
    written: int,
    ledger: FloatArray,
) -> int:
    """Move rays to the triangles they meet; write down those that have been reflected; mark those that escape GONE.

    Parameters
    ----------
    triangle : (count,) int32
        Triangle each ray meets, −1 for none.
    listed : (count,) int32
        Column in which each ray is listed once more; −1 for none.
    segments : (N, SEGMENT_COLUMNS) float64
        Row by row as ``kernels.tally`` reads them, the receiving antenna left out. Changed in place.
    carried : (N, 3) complex128
        Unit field vector of each segment, changed in place; empty where nobody asks.
    written : int
        Segments there are; room must be left for ``count`` more.
    ledger : (5,) float64
        Changed in place.

    Returns
    -------
    written : int
        Segments there are now: of reflected rays, in their order.
    """
    # Named here once: taking arrays out of a tuple ray by ray costs more than the arithmetic.
    origin, direction, weight, length = rays.origin, rays.direction, rays.weight, rays.length
    order, last_plane, facet_now = rays.order, rays.plane, rays.facet
    normal, offset, facet_plane, rival_start = planes.normal, planes.offset_m, bodies.plane, bodies.rival_start
    detailed = len(carried) > 0
    field = rays.field
    for i in range(count):
        ox, oy, oz = origin[i, 0], origin[i, 1], origin[i, 2]
        dx, dy, dz = direction[i, 0], direction[i, 1], direction[i, 2]
        met = triangle[i] >= 0
        reach, along = np.inf, 0.0
        facet, plane = -1, -1
        if met:
            facet = triangle_facet[triangle[i]]
            plane = facet_plane[facet]
            nx, ny, nz = normal[plane, 0], normal[plane, 1], normal[plane, 2]
            along = nx * dx + ny * dy + nz * dz
            reach = 0.0
            if abs(along) > FLAT:
                reach = max(0.0, (offset[plane] - (nx * ox + ny * oy + nz * oz)) / along)
        if order[i] > 0:
            segments[written, X], segments[written, Y], segments[written, Z] = ox, oy, oz
            segments[written, DX], segments[written, DY], segments[written, DZ] = dx, dy, dz
            segments[written, REACH], segments[written, WEIGHT] = reach, weight[i]
            segments[written, TRAVELLED], segments[written, OWN] = length[i], -1.0
            segments[written, LISTED] = listed[i]
            if detailed:
                for a in range(3):
                    carried[written, a] = field[i, a]
            written += 1
        if not met:
            ledger[ESCAPED] += weight[i]
            facet_now[i] = GONE
            continue
        x, y, z = ox + reach * dx, oy + reach * dy, oz + reach * dz
        if plane == last_plane[i] or abs(along) <= FLAT:
            side = clearance if along > 0.0 else -clearance
            x += side * normal[plane, 0] + clearance * dx
            y += side * normal[plane, 1] + clearance * dy
            z += side * normal[plane, 2] + clearance * dz
            facet = PASSED_OVER
        elif rival_start[facet] < rival_start[facet + 1]:
            facet = facet_that_counts(planes, bodies, facet, x, y, z)
        origin[i, 0], origin[i, 1], origin[i, 2] = x, y, z
        length[i] += reach
        facet_now[i] = facet
    return written
