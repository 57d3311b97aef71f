"""What one edge of a flat facet adds to the field the facet reflects: a line integral.

The Kirchhoff integral over a facet is turned into one along its outline, so that edges at
which the surface goes on (a wall meeting a floor) can be left out. Lengths and amplitudes
along the edge are the true ones; what is left out is of order 1/k.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from rf3d.units import FloatArray

_NODE, _WEIGHT = np.polynomial.legendre.leggauss(12)
_SERIES_FROM = 4.0
"""Distance from the place of shortest way, in units of phase ½πt², beyond which a series of two terms serves."""
_LEAST_M = 1e-9


@njit(nogil=True, cache=True)
def edge_integral(
    start: FloatArray,
    end: FloatArray,
    normal: FloatArray,
    a: FloatArray,
    b: FloatArray,
    mirror_point: FloatArray,
    wavenumber: float,
) -> complex:
    """−(1/2π)∫ exp(−jkL)·A·(x − s)×dx·n / (x − s)·∇L along an edge, 1/m.

    L = r₁ + r₂ is the length of the way from a over x to b, A = cos(θ)/(r₁r₂) with θ half the angle between the legs
    turned back, s the mirror point. With these F = A·(x − s)/(x − s)·∇L solves F·∇L = A, so that by the divergence
    theorem the integral (jk/2π)∬A·exp(−jkL)dS is, to leading order in k, what the outline adds up to, and the mirror's
    field where s is inside. For lengths of second order it is exact: the Fresnel integrals of a straight edge.

    Near s the substitution z = h·sinh(u) makes the integrand smooth however close the edge passes; farther out panels
    are short against the phase; beyond, integrating twice by parts gives a series at either end.

    Parameters
    ----------
    start, end : (3,) float64
        Ends of the edge, counter-clockwise about ``normal``.
    normal, a, b, mirror_point : (3,) float64

    Source: Maggi–Rubinowicz transformation of the Kirchhoff integral, Born & Wolf, Principles of Optics, 7th ed., 8.9;
    stationary phase with end points, ibid., appendix III (from memory).
    """
    size, za, zb, zs = 0.0, 0.0, 0.0, 0.0
    for i in range(3):
        size += (end[i] - start[i]) ** 2
    size = np.sqrt(size)
    if size == 0.0:
        return 0.0j
    lx, ly, lz = (end[0] - start[0]) / size, (end[1] - start[1]) / size, (end[2] - start[2]) / size
    ax, ay, az = start[0] - a[0], start[1] - a[1], start[2] - a[2]
    bx, by, bz = start[0] - b[0], start[1] - b[1], start[2] - b[2]
    sx, sy, sz = start[0] - mirror_point[0], start[1] - mirror_point[1], start[2] - mirror_point[2]
    za, zb, zs = -(ax * lx + ay * ly + az * lz), -(bx * lx + by * ly + bz * lz), -(sx * lx + sy * ly + sz * lz)
    # Distance of the mirror point from the line, positive to the left of it.
    h = normal[0] * (sy * lz - sz * ly) + normal[1] * (sz * lx - sx * lz) + normal[2] * (sx * ly - sy * lx)
    mx, my, mz = ly * normal[2] - lz * normal[1], lz * normal[0] - lx * normal[2], lx * normal[1] - ly * normal[0]
    if h == 0.0:
        return 0.0j
    # Feet of the perpendiculars, seen from s, a and b.
    ax, ay, az = ax + za * lx, ay + za * ly, az + za * lz
    bx, by, bz = bx + zb * lx, by + zb * ly, bz + zb * lz
    sx, sy, sz = h * mx, h * my, h * mz
    ra, rb = np.sqrt(ax * ax + ay * ay + az * az), np.sqrt(bx * bx + by * by + bz * bz)
    straight = (ax - bx) ** 2 + (ay - by) ** 2 + (az - bz) ** 2 + (za - zb) ** 2
    line = (
        za, max(ra, _LEAST_M), zb, max(rb, _LEAST_M), zs, sx * ax + sy * ay + sz * az, sx * bx + sy * by + sz * bz,
        straight, h, wavenumber,
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
    zone = 2.0 * np.pi / wavenumber
    near = np.sqrt(max(zone - beta, 0.0) / alpha)
    # The shortest way over the edge's line, and how far from it the phase has turned often.
    zc = za + (zb - za) * line[1] / (line[1] + line[3])
    bend = ra * ra / np.hypot(line[1], zc - za) ** 3 + rb * rb / np.hypot(line[3], zb - zc) ** 3
    reach = _SERIES_FROM * np.sqrt(np.pi / (wavenumber * max(bend, 1e-300)))
    low, high = min(max(zc - reach, 0.0), size), max(min(zc + reach, size), 0.0)
    total = 0.0j
    if high > low:
        first, last = min(max(z0 - near, low), high), max(min(z0 + near, high), low)
        if last > first:
            unit = np.sqrt(beta / alpha)
            u0, u1 = np.arcsinh((first - z0) / unit), np.arcsinh((last - z0) / unit)
            panels = int(0.5 * abs(u1 - u0)) + 1
            width = (u1 - u0) / panels
            for p in range(panels):
                for i in range(len(_NODE)):
                    u = u0 + (p + 0.5 + 0.5 * _NODE[i]) * width
                    strength, length, _ = _at(line, z0 + unit * np.sinh(u))
                    total += 0.5 * width * _WEIGHT[i] * unit * np.cosh(u) * strength * np.exp(-1j * wavenumber * length)
            scale = np.sqrt(zone / alpha)
            total += _panels(line, low, first, zc, scale) + _panels(line, last, high, zc, scale)
        else:
            total += _panels(line, low, high, zc, np.sqrt((zone + beta) / alpha))
    if low > 0.0:
        total += _end(line, 0.0, reach) - _end(line, low, reach)
    if high < size:
        total += _end(line, high, reach) - _end(line, size, reach)
    return -total / (2.0 * np.pi)


@njit(nogil=True, cache=True)
def _at(line: tuple[float, ...], z: float) -> tuple[float, float, float]:
    """Integrand without its phase, length L and slope dL/dz at z along an edge."""
    za, ra, zb, rb, zs, ca, cb, straight, h, _ = line
    r1, r2 = np.hypot(ra, z - za), np.hypot(rb, z - zb)
    length = r1 + r2
    turned = np.sqrt(max(length * length - straight, 0.0))
    fall = ((z - zs) * (z - za) + ca) / r1 + ((z - zs) * (z - zb) + cb) / r2
    product = r1 * r2
    return h * turned / (2.0 * product * np.sqrt(product) * fall), length, (z - za) / r1 + (z - zb) / r2


@njit(nogil=True, cache=True)
def _panels(line: tuple[float, ...], low: float, high: float, turning: float, scale: float) -> complex:
    """The integral over z in [low, high], where nothing varies faster than the phase or within ``scale``."""
    if high <= low:
        return 0.0j
    k = line[9]
    middle = _at(line, min(max(turning, low), high))[1]
    turns = k * (_at(line, low)[1] + _at(line, high)[1] - 2.0 * middle) / (2.0 * np.pi)
    panels = int(0.5 * turns) + 1 + int(0.5 * np.log2(1.0 + (high - low) / scale))
    total = 0.0j
    width = (high - low) / panels
    for p in range(panels):
        for i in range(len(_NODE)):
            strength, length, _ = _at(line, low + (p + 0.5 + 0.5 * _NODE[i]) * width)
            total += 0.5 * width * _WEIGHT[i] * strength * np.exp(-1j * k * length)
    return total


@njit(nogil=True, cache=True)
def _end(line: tuple[float, ...], z: float, reach: float) -> complex:
    """What the edge from z onwards gives without end: exp(−jkL)·(G/jkL′ + (G/L′)′/((jk)²L′))."""
    k = line[9]
    strength, length, slope = _at(line, z)
    step = 1e-4 * reach
    low, _, low_slope = _at(line, z - step)
    high, _, high_slope = _at(line, z + step)
    change = (high / high_slope - low / low_slope) / (2.0 * step)
    return np.exp(-1j * k * length) * (strength / (1j * k * slope) - change / (k * k * slope))
