"""What becomes of a ray at a surface: it bounces or passes, in proportion to the power either carries.

The chosen branch takes the power of both, so the choice itself adds no variance to what a
ray carries; what both leave over is absorbed. Weak rays end by roulette without bias.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from rf3d.propagation.kernels.crossings import OBLIQUE_FACE, Bodies
from rf3d.propagation.kernels.images import Planes
from rf3d.propagation.kernels.interfaces import Walls, apply, coefficients, oblique_body, te_axis
from rf3d.propagation.kernels.passage import Passages
from rf3d.propagation.kernels.walk import ABSORBED, CUT, PASSED_OVER, ROULETTE_GAIN, ROULETTE_LOSS, Rays, move
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
    ledger: FloatArray,
) -> int:
    """Reflect or pass every ray that stands at a facet, at the walls' first frequency.

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
    ledger : (5,) float64
        Changed in place.

    Returns
    -------
    count : int
        Rays left, moved to the front in their old order.
    """
    te = np.empty(3)
    k_out = np.empty(3)
    bounced = np.empty(3, dtype=np.complex128)
    passed = np.empty(3, dtype=np.complex128)
    kept = 0
    for i in range(count):
        facet = rays.facet[i]
        if facet == PASSED_OVER:
            move(rays, i, kept)
            kept += 1
            continue
        part, plane = bodies.part[facet], bodies.plane[facet]
        k, n = rays.direction[i], planes.normal[plane]
        along = k[0] * n[0] + k[1] * n[1] + k[2] * n[2]
        cos_i = te_axis(k, n, te)
        for a in range(3):
            k_out[a] = k[a] - 2.0 * along * n[a]
            bounced[a] = rays.field[i, a]
            passed[a] = rays.field[i, a]
        r_te, r_tm, t_te, t_tm = coefficients(walls, 0, part, cos_i, behind_m[i])
        apply(bounced, k, k_out, te, r_te, r_tm)
        if bodies.solid[facet] or opaque[part]:
            through(walls, planes, bodies, passages, i, k, te, passed)
        else:
            apply(passed, k, k, te, t_te, t_tm)
        back, on = _power(bounced), _power(passed)
        weight = rays.weight[i]
        ledger[ABSORBED] += weight * (1.0 - back - on)
        if rays.order[i] >= most:
            ledger[CUT] += weight * back
            back = 0.0
        total = back + on
        weight *= total
        if weight <= 0.0:
            continue
        if weight < weak:
            survival = max(weight / weak, SURVIVAL)
            if chance[i, 1] >= survival:
                ledger[ROULETTE_LOSS] += weight
                continue
            ledger[ROULETTE_GAIN] += weight / survival - weight
            weight /= survival
        ahead = clearance if along > 0.0 else -clearance
        if chance[i, 0] * total < back:
            rays.order[i] += 1
            scale = 1.0 / np.sqrt(back)
            for a in range(3):
                rays.direction[i, a] = k_out[a]
                rays.field[i, a] = bounced[a] * scale
                rays.origin[i, a] -= ahead * n[a]
        else:
            scale = 1.0 / np.sqrt(on)
            reach = passages.reach_m[i] if passages.first[i + 1] > passages.first[i] else 0.0
            if reach > 0.0:
                plane = passages.plane[i]
                n = planes.normal[plane]
                along = k[0] * n[0] + k[1] * n[1] + k[2] * n[2]
                ahead = clearance if along > 0.0 else -clearance
            for a in range(3):
                rays.field[i, a] = passed[a] * scale
                rays.origin[i, a] += reach * k[a] + ahead * n[a]
            rays.length[i] += reach
        rays.plane[i] = plane
        rays.weight[i] = weight
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
    """Carry a field (3,) in place through everything that ray i passes; to nothing where there is no way."""
    if passages.first[i] == passages.first[i + 1]:
        for a in range(3):
            field[a] = 0.0
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
        if passages.first[i + 1] > passages.first[i]:
            through(walls, planes, bodies, passages, i, ways[i], te, field[i])
        power[i] = _power(field[i])
    return power
