"""The diffuse lobe of a rough surface: how much it scatters, where to, and in which polarisation.

With ρ_p(θ) = |R_p(θ)|², p and q each TE or TM, and ρ̄_q = 2∫ρ_q cosθ sinθ dθ, the lobe is

    f_pq(θi, θo) = S² ρ_p(θi) ρ_q(θo) / (π (ρ̄_TE + ρ̄_TM))      per steradian

so that swapping (p, θi) with (q, θo) changes nothing, and Σ_q ∫ f_pq cosθo dΩ = S² ρ_p(θi) exactly: what the
mirror image has lost. The scattered parts have random phases, to each other too. It is flat where the reflection
is, and follows the reflection towards grazing, where a smooth Lambert lobe could not keep both promises.

Source: ours, the simplest form that reciprocity and energy leave; separable lobes of this kind are known from
computer graphics (Kelemen & Szirmay-Kalos, Eurographics 2001; from memory). S²: see ``interfaces.specular``.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from rf3d.propagation.kernels import INNER
from rf3d.propagation.kernels.interfaces import LEAST_COS, Walls, coefficients, echo_bound, most_reflected, te_axis
from rf3d.propagation.kernels.responses import look_up, work_out_reflection
from rf3d.units import ComplexArray, FloatArray, IntArray

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(96)
_COSINE = 0.5 + 0.5 * _NODES
_SHARE = _COSINE * _WEIGHTS  # of ∫₀¹ 2c ρ(c) dc
MOST_TRIES = 10_000
"""Draws of a direction after which the last one is taken; a lobe that needs more is 40 dB below a mirror."""
_GAMMA, _MIX_1, _MIX_2 = np.uint64(0x9E3779B97F4A7C15), np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB)
_S30, _S27, _S31, _S11 = np.uint64(30), np.uint64(27), np.uint64(31), np.uint64(11)


@njit(**INNER)
def reflectance(walls: Walls, f: int, part: int, cosine: float, depth_m: float) -> tuple[float, float]:
    """ρ_TE and ρ_TM of the smooth surface; arguments as for ``coefficients``."""
    r_te, r_tm, _, _ = coefficients(walls, f, part, cosine, depth_m)
    return r_te.real * r_te.real + r_te.imag * r_te.imag, r_tm.real * r_tm.real + r_tm.imag * r_tm.imag


@njit(nogil=True, cache=True)
def hemispherical(walls: Walls, f: int, part: int, depth_m: float) -> float:
    """ρ̄_TE + ρ̄_TM of a surface, 0 to 2; Gauss–Legendre in cosθ."""
    total = 0.0
    for i in range(len(_COSINE)):
        te, tm = reflectance(walls, f, part, _COSINE[i], depth_m)
        total += _SHARE[i] * (te + tm)
    return total


@njit(nogil=True, cache=True)
def scattered(
    walls: Walls,
    part: IntArray,
    depth: FloatArray,
    table: FloatArray,
    normal: FloatArray,
    way_in: FloatArray,
    field_in: ComplexArray,
    way_out: FloatArray,
    field_out: ComplexArray,
) -> FloatArray:
    """Σ_pq |E_p|² f_pq |h_q|² cosθi cosθo at N points (N,), 1/sr, at the walls' first frequency.

    Parameters
    ----------
    part : (N,) int32, depth : (N,) float64
        As for ``coefficients``.
    table : (N,) float64
        ``hemispherical`` of each.
    way_in, way_out : (N, 3) float64
        Unit vectors from either end to the point; which is which does not matter.
    field_in, field_out : (N, 3) complex128
        What either end's antenna would send there.
    """
    out = np.zeros(len(part))
    te = np.empty(3)
    for i in range(len(part)):
        strength = walls.scattering[part[i]]
        value = strength * strength / (np.pi * table[i]) if table[i] > 0.0 else 0.0
        for end in range(2):
            k, field = (way_in[i], field_in[i]) if end == 0 else (way_out[i], field_out[i])
            cosine = te_axis(k, normal[i], te)
            rho_te, rho_tm = reflectance(walls, 0, part[i], cosine, depth[i])
            a_te = field[0] * te[0] + field[1] * te[1] + field[2] * te[2]
            power = 0.0
            for a in range(3):
                power += field[a].real * field[a].real + field[a].imag * field[a].imag
            power_te = a_te.real * a_te.real + a_te.imag * a_te.imag
            value *= (rho_te * power_te + rho_tm * (power - power_te)) * cosine
        out[i] = value
    return out


@njit(**INNER)
def scatter(
    walls: Walls,
    values: NDArray[Any],
    table: int,
    part: int,
    depth_m: float,
    normal: FloatArray,
    chance: float,
    other_chance: float,
    ray: int,
    direction: FloatArray,
    field: ComplexArray,
    one: FloatArray,
    answer: FloatArray,
) -> None:
    """Draw where a ray is scattered to and its polarisation, TE or TM, both from the lobe; write them in place.

    The density of the lobe in (q, θo) does not depend on how the wave came. Directions are drawn by Lambert's
    law and kept with the chance ρ_q(θo), which is exact for any wall and needs no table.

    Parameters
    ----------
    values, table
        Tables of ``Responses``, and which of them is the wall's, −1 for none.
    normal : (3,) float64
        Towards the side the ray came from.
    chance, other_chance : float
        Random numbers, used before: they only start a sequence of their own.
    ray : int
        Row to write.
    direction : (N, 3) float64, field : (N, 3) complex128
        Of all rays.
    one : (3,) float64, answer : (8,) float64
        Room to work in.

    Source: rejection, von Neumann 1951; sequence SplitMix64, Steele, Lea & Flood, OOPSLA 2014 (from memory).
    """
    state = _mixed(np.uint64(chance * 2.0**53) + _mixed(np.uint64(other_chance * 2.0**53) + _GAMMA))
    cosine, wants_te = 1.0, True
    layer = walls.layer_start[part]
    alone = walls.layer_start[part + 1] == layer + 1 and np.isnan(walls.film[0, layer, 0].real)
    bounded = table < 0 and alone and walls.open_fraction[part] == 0.0
    eps, echo = walls.permittivity[0, layer], 0.0
    if bounded and not walls.half_space[part]:
        thickness = walls.thickness_m[layer]
        echo = echo_bound(eps, walls.wavenumber[0], depth_m if np.isnan(thickness) else thickness)
    for _ in range(MOST_TRIES):
        state += _GAMMA
        cosine = np.sqrt(_unit(state))
        state += _GAMMA
        level = 2.0 * _unit(state)
        wants_te = level < 1.0
        # Most draws at a wall that reflects little are told by less than its whole reflection.
        if bounded and level - (0.0 if wants_te else 1.0) > most_reflected(eps, max(cosine, LEAST_COS), wants_te, echo):
            continue
        if table >= 0:
            look_up(values, table, cosine, answer)
        else:
            work_out_reflection(walls, part, cosine, depth_m, answer)
        at = 0 if wants_te else 2
        if (level if wants_te else level - 1.0) < answer[at] * answer[at] + answer[at + 1] * answer[at + 1]:
            break
    state += _GAMMA
    azimuth = 2.0 * np.pi * _unit(state)
    ring = np.sqrt(max(0.0, 1.0 - cosine * cosine))
    te_axis(normal, normal, one)  # any tangent
    c, s = ring * np.cos(azimuth), ring * np.sin(azimuth)
    nx, ny, nz = normal[0], normal[1], normal[2]
    kx = cosine * nx + c * one[0] + s * (ny * one[2] - nz * one[1])
    ky = cosine * ny + c * one[1] + s * (nz * one[0] - nx * one[2])
    kz = cosine * nz + c * one[2] + s * (nx * one[1] - ny * one[0])
    direction[ray, 0], direction[ray, 1], direction[ray, 2] = kx, ky, kz
    tx, ty, tz = ky * nz - kz * ny, kz * nx - kx * nz, kx * ny - ky * nx
    size = np.sqrt(tx * tx + ty * ty + tz * tz)
    if size > 1e-12:
        one[0], one[1], one[2] = tx / size, ty / size, tz / size
    if wants_te:
        field[ray, 0], field[ray, 1], field[ray, 2] = one[0], one[1], one[2]
    else:
        field[ray, 0] = one[1] * kz - one[2] * ky
        field[ray, 1] = one[2] * kx - one[0] * kz
        field[ray, 2] = one[0] * ky - one[1] * kx


@njit(**INNER)
def _mixed(z: np.uint64) -> np.uint64:
    once = (z ^ (z >> _S30)) * _MIX_1
    twice = (once ^ (once >> _S27)) * _MIX_2
    return twice ^ (twice >> _S31)


@njit(**INNER)
def _unit(state: np.uint64) -> float:
    """A number from 0 to below 1 of a state of the sequence."""
    return np.float64(_mixed(state) >> _S11) * 2.0**-53
