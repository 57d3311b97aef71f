"""What becomes of a ray at a surface: it bounces, is scattered or passes, in proportion to the power each carries.

The chosen branch takes the power of all, so the choice itself adds no variance to what a
ray carries; what they leave over is absorbed. Weak rays end by roulette without bias.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from rf3d.propagation.kernels.crossings import OBLIQUE_FACE, Bodies
from rf3d.propagation.kernels.images import Planes
from rf3d.propagation.kernels.interfaces import Walls, apply, coefficients, oblique_body, te_axis
from rf3d.propagation.kernels.passage import Passages
from rf3d.propagation.kernels.scatter import scatter
from rf3d.propagation.kernels.walk import ABSORBED, CUT, GONE, PASSED_OVER, ROULETTE_GAIN, ROULETTE_LOSS, Rays, move
from rf3d.units import BoolArray, ComplexArray, FloatArray

SURVIVAL = 0.1
"""Lowest chance that roulette leaves a ray."""


@njit(nogil=True, cache=True)
def branch(
    rays: Rays,
    count: int,
    chance: FloatArray,
    planes: Planes,
    bodies: Bodies,
    walls: Walls,
    opaque: BoolArray,
    passages: Passages,
    behind_m: FloatArray,
    clearance: float,
    most: int,
    weak: float,
    thrown: FloatArray,
    ledger: FloatArray,
) -> int:
    """Reflect, scatter or pass every ray that stands at a facet, at the walls' first frequency.

    Parameters
    ----------
    chance : (count, 2) float64
        Random numbers: for the branch and for the roulette.
    opaque : (parts,) bool
    passages : Passages
        Ways through solids; rays at sheets have no rows.
    behind_m : (count,) float64
        Thickness behind a bounce on a solid; inf for a half-space.
    most : int
        Reflections after which a ray may only pass on.
    weak : float
        Weight below which roulette is played.
    thrown : (objects,) float64
        Power that each object reflects, mirrored and scattered. Changed in place.
    ledger : (5,) float64
        Changed in place.

    Returns
    -------
    count : int
        Rays left, moved to the front in their old order.
    """
    # Named here once: taking arrays out of a tuple ray by ray costs more than the arithmetic.
    origin, direction, field = rays.origin, rays.direction, rays.field
    weight, length, order, last_plane, facet_now = rays.weight, rays.length, rays.order, rays.plane, rays.facet
    normal, facet_part, facet_plane, solid = planes.normal, bodies.part, bodies.plane, bodies.solid
    culprit, facet_object = rays.culprit, bodies.object
    first, reach_m, exit_plane = passages.first, passages.reach_m, passages.plane
    depth_m, row_part = passages.depth_m, passages.part
    te, n, k, k_out = np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    bounced = np.empty(3, dtype=np.complex128)
    passed = np.empty(3, dtype=np.complex128)
    kept = 0
    for i in range(count):
        facet = facet_now[i]
        if facet == GONE:
            continue
        if facet == PASSED_OVER:
            if kept < i:
                move(rays, i, kept)
            kept += 1
            continue
        part, plane = facet_part[facet], facet_plane[facet]
        along = 0.0
        for a in range(3):
            k[a], n[a] = direction[i, a], normal[plane, a]
            along += k[a] * n[a]
            bounced[a] = passed[a] = field[i, a]
        for a in range(3):
            k_out[a] = k[a] - 2.0 * along * n[a]
        cos_i = te_axis(k, n, te)
        r_te, r_tm, t_te, t_tm = coefficients(walls, 0, part, cos_i, behind_m[i])
        apply(bounced, k, k_out, te, r_te, r_tm)
        mirrored, on = _power(bounced), 0.0
        rough = walls.scattering[part] * walls.scattering[part]
        back, diffuse = (1.0 - rough) * mirrored, rough * mirrored
        if solid[facet]:
            rows = first[i + 1] - first[i]
            if rows == 1 and abs(depth_m[first[i]] - behind_m[i]) < 1e-9 and row_part[first[i]] == part:
                apply(passed, k, k, te, t_te, t_tm)  # the slab that the bounce sees
                on = _power(passed)
            elif rows > 0:
                through(walls, planes, bodies, passages, i, k, te, passed)
                on = _power(passed)
        elif not opaque[part]:
            apply(passed, k, k, te, t_te, t_tm)
            on = _power(passed)
        ledger[ABSORBED] += weight[i] * (1.0 - back - on - diffuse)
        if order[i] >= most:
            ledger[CUT] += weight[i] * (back + diffuse)
            back = diffuse = 0.0
        total = back + on + diffuse
        carried = weight[i] * total
        if carried <= 0.0:
            continue
        if carried < weak:
            survival = max(carried / weak, SURVIVAL)
            if chance[i, 1] >= survival:
                ledger[ROULETTE_LOSS] += carried
                continue
            ledger[ROULETTE_GAIN] += carried / survival - carried
            carried /= survival
        weight[i] = carried
        ahead = clearance if along > 0.0 else -clearance
        if chance[i, 0] * total < back:
            order[i] += 1
            culprit[i] = facet_object[facet]
            thrown[culprit[i]] += carried
            scale = 1.0 / np.sqrt(mirrored)
            for a in range(3):
                direction[i, a] = k_out[a]
                field[i, a] = bounced[a] * scale
                origin[i, a] -= ahead * n[a]
        elif chance[i, 0] * total < back + diffuse:
            order[i] += 1
            culprit[i] = facet_object[facet]
            thrown[culprit[i]] += carried
            for a in range(3):
                origin[i, a] -= ahead * n[a]
                n[a] = -n[a] if along > 0.0 else n[a]
            scatter(walls, 0, part, behind_m[i], n, chance[i], direction[i], field[i])
        else:
            scale = 1.0 / np.sqrt(on)
            reach = 0.0
            if solid[facet]:
                reach, plane = reach_m[i], exit_plane[i]
                along = 0.0
                for a in range(3):
                    n[a] = normal[plane, a]
                    along += k[a] * n[a]
                ahead = clearance if along > 0.0 else -clearance
            for a in range(3):
                field[i, a] = passed[a] * scale
                origin[i, a] += reach * k[a] + ahead * n[a]
            length[i] += reach
        last_plane[i] = plane
        if kept < i:
            move(rays, i, kept)
        kept += 1
    return kept


@njit(nogil=True, cache=True)
def through(
    walls: Walls,
    planes: Planes,
    bodies: Bodies,
    passages: Passages,
    i: int,
    k: FloatArray,
    te: FloatArray,
    field: ComplexArray,
) -> None:
    """Carry a field (3,) in place through everything that ray i passes; in order."""
    for row in range(passages.first[i], passages.first[i + 1]):
        cos_i = te_axis(k, planes.normal[bodies.plane[passages.facet[row]]], te)
        if passages.kind[row] == OBLIQUE_FACE:
            t_te, t_tm = oblique_body(walls, 0, passages.part[row], cos_i, passages.depth_m[row])
        else:
            _, _, t_te, t_tm = coefficients(walls, 0, passages.part[row], cos_i, passages.depth_m[row])
        apply(field, k, k, te, t_te, t_tm)


@njit(nogil=True, cache=True)
def _power(field: ComplexArray) -> float:
    total = 0.0
    for a in range(3):
        total += field[a].real * field[a].real + field[a].imag * field[a].imag
    return total


@njit(nogil=True, cache=True)
def through_all(
    walls: Walls,
    planes: Planes,
    bodies: Bodies,
    passages: Passages,
    ways: FloatArray,
    field: ComplexArray,
) -> FloatArray:
    """Power |E|² (N,) of N fields (N, 3) carried through everything they pass; no rows, nothing in the way."""
    te = np.empty(3)
    power = np.empty(len(ways))
    for i in range(len(ways)):
        if passages.first[i] < passages.first[i + 1]:
            through(walls, planes, bodies, passages, i, ways[i], te, field[i])
        power[i] = _power(field[i])
    return power


@njit(nogil=True, cache=True)
def power_of(field: ComplexArray) -> FloatArray:
    """|E|² (N,) of fields (N, 3)."""
    power = np.empty(len(field))
    for i in range(len(field)):
        power[i] = _power(field[i])
    return power
