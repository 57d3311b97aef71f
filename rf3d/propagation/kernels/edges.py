"""What one edge of a flat facet adds to the field the facet reflects: a line integral.

The Kirchhoff integral over a facet is turned into one along its outline, so that edges at
which the surface goes on (a wall meeting a floor) can be left out. Lengths and amplitudes
along the edge are the true ones; what is left out is of order 1/k.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from rf3d.propagation.kernels import INNER
from rf3d.units import FloatArray

_NODE, _WEIGHT = np.polynomial.legendre.leggauss(12)
_SERIES_FROM = 4.0
"""Distance from the place of shortest way, in units of phase ½πt², beyond which a series of three terms serves."""
_LEAST_M = 1e-9
_TURNS = 1.0 / (2.0 * np.pi)
_S = tuple((-1.0) ** n / math.factorial(2 * n + 1) for n in range(1, 8))
_C = tuple((-1.0) ** n / math.factorial(2 * n) for n in range(1, 8))
"""Power series of sine and cosine, from the square on."""


@njit(**INNER)
def add_edge(
    start: FloatArray,
    end: FloatArray,
    normal: FloatArray,
    a: FloatArray,
    b: FloatArray,
    mirror_point: FloatArray,
    wavenumber: FloatArray,
    share: float,
    total: FloatArray,
) -> None:
    """Add −(1/2π)∫ exp(−jkL)·A·(x − s)×dx·n / (x − s)·∇L along an edge, times ``share``, to ``total``, 1/m.

    L = r₁ + r₂ is the length of the way from a over x to b, A = cos(θ)/(r₁r₂) with θ half the angle between the legs
    turned back, s the mirror point. With these F = A·(x − s)/(x − s)·∇L solves F·∇L = A, so that by the divergence
    theorem the integral (jk/2π)∬A·exp(−jkL)dS is, to leading order in k, what the outline adds up to, and the mirror's
    field where s is inside. For lengths of second order it is exact: the Fresnel integrals of a straight edge.

    Near s the substitution z = h·sinh(u) makes the integrand smooth however close the edge passes; farther out panels
    are short against the phase; beyond, integrating by parts three times gives a series at either end. Panels are short
    enough for the highest and the series begins far enough out for the lowest wavenumber: one walk along the edge
    serves all.

    Parameters
    ----------
    start, end : (3,) float64
        Ends of the edge, counter-clockwise about ``normal``.
    normal, a, b, mirror_point : (3,) float64
    wavenumber : (F,) float64
    total : (2, F) float64
        Real and imaginary parts.

    Source: Maggi–Rubinowicz transformation of the Kirchhoff integral, Born & Wolf, Principles of Optics, 7th ed., 8.9;
    stationary phase with end points, ibid., appendix III (from memory).
    """
    size, za, zb, zs = 0.0, 0.0, 0.0, 0.0
    for i in range(3):
        size += (end[i] - start[i]) ** 2
    size = np.sqrt(size)
    if size == 0.0:
        return
    lx, ly, lz = (end[0] - start[0]) / size, (end[1] - start[1]) / size, (end[2] - start[2]) / size
    ax, ay, az = start[0] - a[0], start[1] - a[1], start[2] - a[2]
    bx, by, bz = start[0] - b[0], start[1] - b[1], start[2] - b[2]
    sx, sy, sz = start[0] - mirror_point[0], start[1] - mirror_point[1], start[2] - mirror_point[2]
    za, zb, zs = -(ax * lx + ay * ly + az * lz), -(bx * lx + by * ly + bz * lz), -(sx * lx + sy * ly + sz * lz)
    # Distance of the mirror point from the line, positive to the left of it.
    h = normal[0] * (sy * lz - sz * ly) + normal[1] * (sz * lx - sx * lz) + normal[2] * (sx * ly - sy * lx)
    mx, my, mz = ly * normal[2] - lz * normal[1], lz * normal[0] - lx * normal[2], lx * normal[1] - ly * normal[0]
    if h == 0.0:
        return
    # Feet of the perpendiculars, seen from s, a and b.
    ax, ay, az = ax + za * lx, ay + za * ly, az + za * lz
    bx, by, bz = bx + zb * lx, by + zb * ly, bz + zb * lz
    sx, sy, sz = h * mx, h * my, h * mz
    ra, rb = np.sqrt(ax * ax + ay * ay + az * az), np.sqrt(bx * bx + by * by + bz * bz)
    straight = (ax - bx) ** 2 + (ay - by) ** 2 + (az - bz) ** 2 + (za - zb) ** 2
    lowest, highest = wavenumber[0], wavenumber[0]
    for f in range(1, len(wavenumber)):
        lowest, highest = min(lowest, wavenumber[f]), max(highest, wavenumber[f])
    line = (
        za, max(ra, _LEAST_M), zb, max(rb, _LEAST_M), zs, sx * ax + sy * ay + sz * az, sx * bx + sy * by + sz * bz,
        straight, h, highest,
    )  # fmt: skip
    # Near s the denominator is α(z − z₀)² + β.
    d1 = max(np.sqrt((zs - za) ** 2 + (ax - sx) ** 2 + (ay - sy) ** 2 + (az - sz) ** 2), _LEAST_M)
    d2 = max(np.sqrt((zs - zb) ** 2 + (bx - sx) ** 2 + (by - sy) ** 2 + (bz - sz) ** 2), _LEAST_M)
    pl = (zs - za) / d1
    pu = (sx * (ax - sx) + sy * (ay - sy) + sz * (az - sz)) / d1
    square = max(1.0 - pl * pl, 1e-12)
    alpha = (1.0 / d1 + 1.0 / d2) * square
    beta = max((1.0 / d1 + 1.0 / d2) * (h * h - pu * pu / square), 1e-6 * alpha * h * h)
    z0 = zs + pl * pu / square
    zone = 2.0 * np.pi / highest
    near = np.sqrt(max(zone - beta, 0.0) / alpha)
    # The shortest way over the edge's line, and how far from it the phase has turned often.
    zc = za + (zb - za) * line[1] / (line[1] + line[3])
    bend = ra * ra / np.hypot(line[1], zc - za) ** 3 + rb * rb / np.hypot(line[3], zb - zc) ** 3
    reach = _SERIES_FROM * np.sqrt(np.pi / (lowest * max(bend, 1e-300)))
    low, high = min(max(zc - reach, 0.0), size), max(min(zc + reach, size), 0.0)
    whole = -share / (2.0 * np.pi)
    if high > low:
        first, last = min(max(z0 - near, low), high), max(min(z0 + near, high), low)
        if last > first:
            unit = np.sqrt(beta / alpha)
            turning = min(max(zc, first), last)
            for low_z, high_z in ((first, turning), (turning, last)):
                u0, u1 = np.arcsinh((low_z - z0) / unit), np.arcsinh((high_z - z0) / unit)
                panels = int(0.5 * abs(u1 - u0)) + 1
                width = (u1 - u0) / panels
                for p in range(panels if high_z > low_z else 0):
                    for i in range(len(_NODE)):
                        u = u0 + (p + 0.5 + 0.5 * _NODE[i]) * width
                        strength, length, _ = _at(line, z0 + unit * np.sinh(u))
                        weight = 0.5 * width * _WEIGHT[i] * unit * np.cosh(u) * strength
                        add_phases(total, wavenumber, whole * weight, length)
            scale = np.sqrt(zone / alpha)
            _add_panels(line, low, first, zc, scale, wavenumber, whole, total)
            _add_panels(line, last, high, zc, scale, wavenumber, whole, total)
        else:
            _add_panels(line, low, high, zc, np.sqrt((zone + beta) / alpha), wavenumber, whole, total)
    if low > 0.0:
        _add_end(line, 0.0, reach, wavenumber, whole, total)
        _add_end(line, low, reach, wavenumber, -whole, total)
    if high < size:
        _add_end(line, high, reach, wavenumber, whole, total)
        _add_end(line, size, reach, wavenumber, -whole, total)


@njit(**INNER)
def _at(line: tuple[float, ...], z: float) -> tuple[float, float, float]:
    """Integrand without its phase, length L and slope dL/dz at z along an edge."""
    za, ra, zb, rb, zs, ca, cb, straight, h, _ = line
    r1, r2 = np.sqrt(ra * ra + (z - za) * (z - za)), np.sqrt(rb * rb + (z - zb) * (z - zb))
    length = r1 + r2
    turned = np.sqrt(max(length * length - straight, 0.0))
    fall = ((z - zs) * (z - za) + ca) / r1 + ((z - zs) * (z - zb) + cb) / r2
    product = r1 * r2
    return h * turned / (2.0 * product * np.sqrt(product) * fall), length, (z - za) / r1 + (z - zb) / r2


@njit(**INNER)
def add_phases(total: FloatArray, wavenumber: FloatArray, weight: float, length: float) -> None:
    """Add weight·exp(−jkL) to real and imaginary parts (2, F), at every wavenumber (F,).

    Sine and cosine are summed up here from an eighth of a turn, by their power series, to 1e-14: without branches and
    calls the processor works on several wavenumbers at a time.
    """
    for f in range(len(wavenumber)):
        turns = wavenumber[f] * length * _TURNS
        turns -= np.rint(turns)
        quarter = np.rint(4.0 * turns)
        x = (turns - 0.25 * quarter) * (2.0 * np.pi)
        y = x * x
        sine = x * (1 + y * (_S[0] + y * (_S[1] + y * (_S[2] + y * (_S[3] + y * (_S[4] + y * (_S[5] + y * _S[6])))))))
        cosine = 1 + y * (_C[0] + y * (_C[1] + y * (_C[2] + y * (_C[3] + y * (_C[4] + y * (_C[5] + y * _C[6]))))))
        # A quarter, two or three on: (cos, sin) becomes (−sin, cos), (−cos, −sin), (sin, −cos).
        odd, back = abs(quarter) == 1.0, abs(quarter) == 2.0
        real = -quarter * sine if odd else cosine
        imaginary = quarter * cosine if odd else sine
        sign = -weight if back else weight
        total[0, f] += sign * real
        total[1, f] -= sign * imaginary


@njit(**INNER)
def _add_panels(
    line: tuple[float, ...],
    low: float,
    high: float,
    turning: float,
    scale: float,
    wavenumber: FloatArray,
    whole: float,
    total: FloatArray,
) -> None:
    """Add the integral over z in [low, high], where nothing varies faster than the phase or within ``scale``.

    Panels end at ``turning``, the shortest way: where that is nearly the straight one the integrand has a kink there.
    """
    if high <= low:
        return
    turning = min(max(turning, low), high)
    for low_z, high_z in ((low, turning), (turning, high)):
        if high_z <= low_z:
            continue
        turns = line[9] * abs(_at(line, high_z)[1] - _at(line, low_z)[1]) / (2.0 * np.pi)
        panels = int(0.5 * turns) + 1 + int(0.5 * np.log2(1.0 + (high_z - low_z) / scale))
        width = (high_z - low_z) / panels
        for p in range(panels):
            for i in range(len(_NODE)):
                strength, length, _ = _at(line, low_z + (p + 0.5 + 0.5 * _NODE[i]) * width)
                add_phases(total, wavenumber, whole * 0.5 * width * _WEIGHT[i] * strength, length)


@njit(**INNER)
def _add_end(
    line: tuple[float, ...], z: float, reach: float, wavenumber: FloatArray, whole: float, total: FloatArray
) -> None:
    """Add what the edge from z onwards gives without end: exp(−jkL)·(H/jk + H′/(jk)² + H″/(jk)³), H(L) = G/(dL/dz)."""
    step = 1e-4 * reach
    g, length, slope = _at(line, z)
    g_low, _, slope_low = _at(line, z - step)
    g_high, _, slope_high = _at(line, z + step)
    h, h_low, h_high = g / slope, g_low / slope_low, g_high / slope_high
    along_z, bend = (h_high - h_low) / (2.0 * step), (slope_high - slope_low) / (2.0 * step)
    first = along_z / slope
    second = ((h_high - 2.0 * h + h_low) / (step * step) - first * bend) / (slope * slope)
    for f in range(len(wavenumber)):
        k = wavenumber[f]
        sine, cosine = np.sin(k * length), np.cos(k * length)
        even, odd = whole * first / (k * k), whole * (h - second / (k * k)) / k
        total[0, f] -= even * cosine + odd * sine
        total[1, f] += even * sine - odd * cosine
