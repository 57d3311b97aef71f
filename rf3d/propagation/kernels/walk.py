"""Rays from one surface to the next, leaving their length in every voxel they pass.

The track-length estimator needs the exact length of a ray in each voxel; this file marches
a batch of rays to the triangles that the tracer found, in float64, and tallies on the way.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from rf3d.propagation.kernels.crossings import Bodies
from rf3d.propagation.kernels.images import Planes, on_facet
from rf3d.units import SPEED_OF_LIGHT_M_S, BoolArray, ComplexArray, FloatArray, IntArray

ABSORBED, ESCAPED, ROULETTE_GAIN, ROULETTE_LOSS, CUT = range(5)
"""Accounts of the ledger, watts per watt at the antenna."""
NS_PER_M = 1e9 / SPEED_OF_LIGHT_M_S
PASSED_OVER, GONE = -1, -2
"""Facet of a ray that met the plane it has just left, which is rounding and not a hit; and of one that escaped."""
FLAT = 1e-9
"""Cosine below which a ray lies in a plane and has no point of intersection with it."""
_NEVER = 1e300
BASE, DETAIL = 3, 4
"""Columns that a tally always has, and those of arrival and of the receiving antenna."""
_POWER, _DELAY, _DELAY_SQUARE = np.uint64(0), np.uint64(1), np.uint64(2)
_TO_X, _TO_Y, _TO_Z, _OWN = np.uint64(3), np.uint64(4), np.uint64(5), np.uint64(6)


class Rays(NamedTuple):
    """Rays under way, the first ``count`` rows of each array.

    Attributes
    ----------
    origin, direction : (N, 3) float64
    field : (N, 3) complex128
        Unit field vector across the direction.
    weight, length : (N,) float64
        Power carried, and way travelled to the origin, metres.
    order, plane, facet, culprit : (N,) int32
        Reflections so far; plane left last, −1 at the antenna; facet met; object that reflected last, −1 at first.
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


class Box(NamedTuple):
    """A grid for the kernels: low corner (3,), edge of a voxel, voxels along x, y and z."""

    low: FloatArray
    edge: float
    nx: int
    ny: int
    nz: int


@njit(nogil=True, cache=True)
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


@njit(nogil=True, cache=True)
def facet_that_counts(planes: Planes, bodies: Bodies, facet: int, x: float, y: float, z: float) -> int:
    """Of the facets that coincide at a point, the one that acts: a solid's face before a sheet, then the lowest."""
    best = facet
    for w in range(bodies.twin_start[facet], bodies.twin_start[facet + 1]):
        other = bodies.twins[w]
        better = bodies.solid[other] and not bodies.solid[best]
        if bodies.solid[other] == bodies.solid[best]:
            better = other < best
        if better and on_facet(planes, other, x, y, z):
            best = other
    return best


@njit(nogil=True, cache=True)
def acting(planes: Planes, bodies: Bodies, facet: IntArray, points: FloatArray) -> BoolArray:
    """Which points (N, 3) on facets (N,) lie on no facet that acts in that one's place."""
    out = np.empty(len(facet), dtype=np.bool_)
    for i in range(len(facet)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        out[i] = facet_that_counts(planes, bodies, facet[i], x, y, z) == facet[i]
    return out


@njit(nogil=True, cache=True)
def march(
    rays: Rays,
    count: int,
    triangle: IntArray,
    triangle_facet: IntArray,
    planes: Planes,
    bodies: Bodies,
    box: Box,
    source: FloatArray,
    clearance: float,
    own: FloatArray,
    listed: IntArray,
    tally: FloatArray,
    ledger: FloatArray,
) -> None:
    """Move rays to the triangles they meet and tally those that have been reflected; mark those that escape GONE.

    Parameters
    ----------
    triangle : (count,) int32
        Triangle each ray meets, −1 for none.
    source : (3,) float64
        The antenna, from which delays are measured.
    own : (count,) float64
        |E·h|² of the receiving antenna for each ray's unit field; empty where the tally has no columns for it.
    listed : (count,) int32
        Column in which the ray's weight × length is listed once more; −1 for none.
    tally : (voxels, C) float32
        Weight × length in metres, the same × excess delay in ns, and × its square. With ``own``: the same times
        the unit vector to where the wave comes from, three columns, and times ``own``. Then what is listed, such
        as orders or culprits. Changed in place.
    ledger : (5,) float64
        Changed in place.
    """
    # Named here once: taking arrays out of a tuple ray by ray costs more than the arithmetic.
    origin, direction, weight, length = rays.origin, rays.direction, rays.weight, rays.length
    order, last_plane, facet_now = rays.order, rays.plane, rays.facet
    normal, offset, facet_plane, twin_start = planes.normal, planes.offset_m, bodies.plane, bodies.twin_start
    detailed = len(own) > 0
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
            factor = own[i] if detailed else -1.0
            walk(box, ox, oy, oz, dx, dy, dz, reach, weight[i], length[i], source, tally, factor, listed[i])
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
        elif twin_start[facet] < twin_start[facet + 1]:
            facet = facet_that_counts(planes, bodies, facet, x, y, z)
        origin[i, 0], origin[i, 1], origin[i, 2] = x, y, z
        length[i] += reach
        facet_now[i] = facet


@njit(nogil=True, cache=True)
def walk(
    box: Box,
    ox: float,
    oy: float,
    oz: float,
    dx: float,
    dy: float,
    dz: float,
    reach: float,
    weight: float,
    travelled: float,
    source: FloatArray,
    tally: FloatArray,
    own: float,
    listed: int,
) -> None:
    """Add a segment's weight × length, and its moments of excess delay, to every voxel it crosses.

    The excess delay is that of the middle of the crossing over the straight way from the antenna to there. ``own``
    below 0 leaves the columns of detail out; ``listed`` below 0 lists nothing.

    Source: Amanatides & Woo, A fast voxel traversal algorithm for ray tracing, Eurographics 1987 (from memory).
    """
    edge, nx, ny, nz = box.edge, box.nx, box.ny, box.nz
    low_x, low_y, low_z = box.low[0], box.low[1], box.low[2]
    # A direction without a component along an axis meets none of that axis's planes within reach.
    inv_x = 1.0 / dx if dx != 0.0 else _NEVER
    inv_y = 1.0 / dy if dy != 0.0 else _NEVER
    inv_z = 1.0 / dz if dz != 0.0 else _NEVER
    ax, bx = (low_x - ox) * inv_x, (low_x + nx * edge - ox) * inv_x
    ay, by = (low_y - oy) * inv_y, (low_y + ny * edge - oy) * inv_y
    az, bz = (low_z - oz) * inv_z, (low_z + nz * edge - oz) * inv_z
    entry = max(0.0, max(min(ax, bx), max(min(ay, by), min(az, bz))))
    # A hair less, so that rounding cannot lead out of the box, nor behind a wall that lies between voxels.
    leave = min(reach, min(max(ax, bx), min(max(ay, by), max(az, bz)))) - 1e-9 * edge
    if leave <= entry:
        return
    i = min(max(int((ox + entry * dx - low_x) / edge), 0), nx - 1)
    j = min(max(int((oy + entry * dy - low_y) / edge), 0), ny - 1)
    k = min(max(int((oz + entry * dz - low_z) / edge), 0), nz - 1)
    up_x, up_y, up_z = dx > 0.0, dy > 0.0, dz > 0.0
    next_x = (low_x + (i + (1 if up_x else 0)) * edge - ox) * inv_x if dx != 0.0 else _NEVER
    next_y = (low_y + (j + (1 if up_y else 0)) * edge - oy) * inv_y if dy != 0.0 else _NEVER
    next_z = (low_z + (k + (1 if up_z else 0)) * edge - oz) * inv_z if dz != 0.0 else _NEVER
    step_x, step_y, step_z = edge * abs(inv_x), edge * abs(inv_y), edge * abs(inv_z)
    hop_x = ny * nz if up_x else -ny * nz
    hop_y = nz if up_y else -nz
    hop_z = 1 if up_z else -1
    voxel, voxels = (i * ny + j) * nz + k, len(tally)
    # Everything about delay in nanoseconds: way so far, and the square of the straight way from the antenna.
    sx, sy, sz = ox - source[0], oy - source[1], oz - source[2]
    s2 = (sx * sx + sy * sy + sz * sz) * NS_PER_M**2
    sd = 2.0 * (sx * dx + sy * dy + sz * dz) * NS_PER_M**2
    column = np.uint64(max(listed, 0))
    at = entry
    while 0 <= voxel < voxels:
        step = min(next_x, min(next_y, next_z))
        end = min(step, leave)
        middle = 0.5 * (at + end)
        straight = np.sqrt(max(0.0, s2 + middle * (sd + middle * NS_PER_M**2)))
        excess = (travelled + middle) * NS_PER_M - straight
        amount = weight * max(end - at, 0.0)
        moment = amount * excess
        v = np.uint64(voxel)  # unsigned: no test for counting from the end
        tally[v, _POWER] += np.float32(amount)
        tally[v, _DELAY] += np.float32(moment)
        tally[v, _DELAY_SQUARE] += np.float32(moment * excess)
        if own >= 0.0:
            tally[v, _TO_X] -= np.float32(amount * dx)
            tally[v, _TO_Y] -= np.float32(amount * dy)
            tally[v, _TO_Z] -= np.float32(amount * dz)
            tally[v, _OWN] += np.float32(amount * own)
        if listed >= 0:
            tally[v, column] += np.float32(amount)
        if step >= leave:
            return
        at = end
        # Which axes are due cannot be foreseen, so all are asked alike: no branches.
        due_x, due_y, due_z = next_x <= step, next_y <= step, next_z <= step
        next_x += step_x if due_x else 0.0
        next_y += step_y if due_y else 0.0
        next_z += step_z if due_z else 0.0
        voxel += (hop_x if due_x else 0) + (hop_y if due_y else 0) + (hop_z if due_z else 0)


@njit(nogil=True, cache=True)
def fold(tally: FloatArray, sums: FloatArray) -> None:
    """Add a batch (voxels, C) float32 to running sums (voxels, 2C + 3) float64.

    Columns of the sums: the C tallies, their squares, and the products of power with delay, power with its square,
    and delay with its square.
    """
    columns = tally.shape[1]
    for v in range(len(tally)):
        if tally[v, 0] == 0.0:
            continue
        for c in range(columns):
            value = np.float64(tally[v, c])
            sums[v, c] += value
            sums[v, columns + c] += value * value
        power, delay, square = np.float64(tally[v, 0]), np.float64(tally[v, 1]), np.float64(tally[v, 2])
        sums[v, 2 * columns] += power * delay
        sums[v, 2 * columns + 1] += power * square
        sums[v, 2 * columns + 2] += delay * square
