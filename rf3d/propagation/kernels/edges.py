"""What the edges of a small facet do to its reflection: the Kirchhoff aperture factor.

A facet smaller than the first Fresnel zone of its bounce is not a mirror. Its reflected
field is the mirror's times the share of the Fresnel integral that the facet covers, here
taken along its outline, so that closed edges (a wall meeting a floor) can be left out.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from rf3d.units import BoolArray, ComplexArray, FloatArray

ZONE_RADIUS = np.sqrt(2.0)
"""First Fresnel zone in the scaled coordinates below: excess path λ/2."""
_NODE, _WEIGHT = np.polynomial.legendre.leggauss(12)
_MOST_DIRECTIONS = 64


@njit(nogil=True, cache=True)
def aperture_factors(
    outline: FloatArray,
    is_open: BoolArray,
    point: FloatArray,
    normal: FloatArray,
    k_in: FloatArray,
    spread: float,
    wavenumber: FloatArray,
) -> ComplexArray:
    """Reflected field of a facet over that of an infinite mirror, (F,); 1 when it holds its first Fresnel zone.

    With x along the plane of incidence, y across, both scaled so that the excess phase is π(x² + y²)/2, the
    Kirchhoff integral (j/2)∬exp(−jπ(x² + y²)/2) dx dy over the facet becomes, by the divergence theorem,
    1 − (1/2π)∮exp(−jπr²/2) dφ around the reflection point. Only open edges take part. Over more than three
    frequencies the factor, which changes slowly, is interpolated by a parabola over the band.

    Parameters
    ----------
    outline : (E, 2, 3) float64
        Edges counter-clockwise about ``normal``; the point lies inside.
    is_open : (E,) bool
        Free or convex on the lit side.
    point, normal, k_in : (3,) float64
        Reflection point, plane normal, direction of incidence.
    spread : float
        1/d₁ + 1/d₂ with d the path lengths before and after, 1/m; the scale is √(k/π · spread).
    wavenumber : (F,) float64

    Source: Fresnel–Kirchhoff diffraction in the Fresnel approximation, Born & Wolf, Principles of Optics, 7th ed., 8.7
    (from memory); the outline form is the Maggi–Rubinowicz transformation of it, 8.9 (from memory).
    """
    factors = np.ones(len(wavenumber), dtype=np.complex128)
    if not is_open.any():
        return factors
    flat = _flatten(outline, point, normal, k_in)
    highest = np.sqrt(wavenumber.max() / np.pi * spread)
    if least_width(flat) * highest >= 2.0 * ZONE_RADIUS:
        return factors
    if len(wavenumber) <= 3:
        for f in range(len(wavenumber)):
            factors[f] = _one_factor(flat, is_open, np.sqrt(wavenumber[f] / np.pi * spread))
        return factors
    low, high = wavenumber.min(), wavenumber.max()
    middle = 0.5 * (low + high)
    a = _one_factor(flat, is_open, np.sqrt(low / np.pi * spread))
    b = _one_factor(flat, is_open, np.sqrt(middle / np.pi * spread))
    c = _one_factor(flat, is_open, highest)
    for f in range(len(wavenumber)):
        x = (wavenumber[f] - middle) / (high - middle)
        factors[f] = b + 0.5 * (c - a) * x + (0.5 * (c + a) - b) * x * x
    return factors


@njit(nogil=True, cache=True)
def is_small(
    outline: FloatArray, point: FloatArray, normal: FloatArray, k_in: FloatArray, spread: float, wavenumber: float
) -> bool:
    """Whether a facet is narrower than the first Fresnel zone of a bounce at a point in its plane."""
    return (
        least_width(_flatten(outline, point, normal, k_in)) * np.sqrt(wavenumber / np.pi * spread) < 2.0 * ZONE_RADIUS
    )


@njit(nogil=True, cache=True)
def _one_factor(flat: FloatArray, is_open: BoolArray, scale: float) -> complex:
    total = 0.0j
    for e in range(len(flat)):
        if is_open[e]:
            total += edge_integral(
                flat[e, 0, 0] * scale, flat[e, 0, 1] * scale, flat[e, 1, 0] * scale, flat[e, 1, 1] * scale
            )
    return 1.0 - total / (2.0 * np.pi)


@njit(nogil=True, cache=True)
def _flatten(outline: FloatArray, point: FloatArray, normal: FloatArray, k_in: FloatArray) -> FloatArray:
    """Outline (E, 2, 2) about the reflection point: along the plane of incidence, foreshortened, and across it."""
    count = len(outline)
    cos_i = k_in[0] * normal[0] + k_in[1] * normal[1] + k_in[2] * normal[2]
    along = np.empty(3)
    size = 0.0
    for i in range(3):
        along[i] = k_in[i] - cos_i * normal[i]
        size += along[i] * along[i]
    size = np.sqrt(size)
    if size < 1e-9:
        least = 0
        for i in range(1, 3):
            if abs(normal[i]) < abs(normal[least]):
                least = i
        size = 0.0
        for i in range(3):
            along[i] = (1.0 if i == least else 0.0) - normal[least] * normal[i]
            size += along[i] * along[i]
        size = np.sqrt(size)
    for i in range(3):
        along[i] /= size
    across = np.array(
        [
            normal[1] * along[2] - normal[2] * along[1],
            normal[2] * along[0] - normal[0] * along[2],
            normal[0] * along[1] - normal[1] * along[0],
        ]
    )
    flat = np.empty((count, 2, 2))
    for e in range(count):
        for end in range(2):
            u = 0.0
            v = 0.0
            for i in range(3):
                u += (outline[e, end, i] - point[i]) * along[i]
                v += (outline[e, end, i] - point[i]) * across[i]
            flat[e, end, 0] = u * abs(cos_i)
            flat[e, end, 1] = v
    return flat


@njit(nogil=True, cache=True)
def least_width(flat: FloatArray) -> float:
    """Smallest width of an outline (E, 2, 2), measured across the directions of its edges."""
    count = len(flat)
    step = max(1, count // _MOST_DIRECTIONS)
    least = np.inf
    for e in range(0, count, step):
        dx, dy = flat[e, 1, 0] - flat[e, 0, 0], flat[e, 1, 1] - flat[e, 0, 1]
        size = np.hypot(dx, dy)
        if size == 0.0:
            continue
        low, high = np.inf, -np.inf
        for other in range(count):
            h = (flat[other, 0, 1] * dx - flat[other, 0, 0] * dy) / size
            low, high = min(low, h), max(high, h)
        least = min(least, high - low)
    return least


@njit(nogil=True, cache=True)
def edge_integral(xa: float, ya: float, xb: float, yb: float) -> complex:
    """∫exp(−jπr²/2) dφ along a straight edge from a to b, seen from the origin; shape of Owen's T function.

    With t along the edge and h the distance of its line, dφ = h dt/(h² + t²). Near the foot of the perpendicular
    t = h sinh(u) makes the integrand smooth however small h is; farther out panels are short against the phase.
    """
    dx, dy = xb - xa, yb - ya
    size = np.hypot(dx, dy)
    if size == 0.0:
        return 0.0j
    h = (xa * yb - ya * xb) / size  # signed distance of the edge from the origin
    if h == 0.0:
        return 0.0j
    ta, tb = (xa * dx + ya * dy) / size, (xb * dx + yb * dy) / size
    near = np.sqrt(max(0.0, 2.0 - h * h))
    total = 0.0j
    low, high = max(ta, -near), min(tb, near)
    if high > low:
        a, b = np.arcsinh(low / h), np.arcsinh(high / h)
        panels = int(abs(b - a)) + 1
        width = (b - a) / panels
        for p in range(panels):
            for i in range(len(_NODE)):
                cosh = np.cosh(a + (p + 0.5 + 0.5 * _NODE[i]) * width)
                total += 0.5 * width * _WEIGHT[i] * np.exp(-0.5j * np.pi * h * h * cosh * cosh) / cosh
    total += _far(h, ta, min(tb, -near)) + _far(h, max(ta, near), tb)
    return total


@njit(nogil=True, cache=True)
def _far(h: float, low: float, high: float) -> complex:
    """The same along t in [low, high], away from the foot: dφ = h dt/(h² + t²)."""
    if high <= low:
        return 0.0j
    turns = abs(high * high - low * low) / 4.0
    panels = min(4096, int(turns) + 1 + int(np.log2(1.0 + (high - low))))
    total = 0.0j
    width = (high - low) / panels
    for p in range(panels):
        middle = low + (p + 0.5) * width
        for i in range(len(_NODE)):
            t = middle + 0.5 * width * _NODE[i]
            r2 = h * h + t * t
            total += 0.5 * width * _WEIGHT[i] * h / r2 * np.exp(-0.5j * np.pi * r2)
    return total
