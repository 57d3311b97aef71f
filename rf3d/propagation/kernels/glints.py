"""Where a small facet sends a ray: into a lobe about the mirror direction, as wide as a wavelength over its width.

A rectangle whose phase a plane wave fixes sends |sinc(πaΔu/λ)·sinc(πbΔv/λ)|² about the mirror
direction, Δu and Δv being how far the direction cosines along its sides are off (Kirchhoff
aperture, Fraunhofer region). A ray takes one direction of it by chance, so the power a facet
reflects is that of the mirror, spread out. Of a strip down to 0.2 wavelengths that is right to a
decibel for waves from everywhere, where the part of the pattern this side of the horizon alone is
4 dB short. What it meets is a facet turned to send it there.

Source: Balanis, Antenna Theory, 3rd ed., section 12.5, rectangular aperture (from memory).
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np
from numba import njit

from rf3d.propagation.kernels import INNER
from rf3d.units import FloatArray, IntArray
from rf3d.venue.facets import Facets

STEPS, LAST = 1024, 32.0
"""Of the table of the pattern's integral, and its end in wavelengths over width; beyond it the tail is smooth."""
BINS = 1024
"""Of the list of where in that table to begin looking."""


class Glints(NamedTuple):
    """Facets that reflect into a lobe, at one wavelength.

    Attributes
    ----------
    sides : (Q, 2, 3) float64
        Unit vectors in the plane of each facet.
    waves : (Q, 2) float64
        Its extent along them in wavelengths; 0 for a facet that is a mirror.
    integral : (STEPS + 1,) float64
        ∫₀^y sinc²(πs) ds for y from 0 to ``LAST``.
    begin : (BINS + 1,) int32
        The last step whose integral is no more than i/(2·BINS).
    """

    sides: FloatArray
    waves: FloatArray
    integral: FloatArray
    begin: IntArray


def make_glints(facets: Facets, *, wavelength: float, extent_m: float) -> Glints:
    """Facets that are narrow against the Fresnel zone of a bounce across the venue, √(λ·extent), and their lobes.

    Facets that go on in each other count as one; of a shape that is no rectangle the one of its length and area counts.
    """
    sides = np.zeros((facets.count, 2, 3))
    waves = np.zeros((facets.count, 2))
    first, count = facets.expanse_start[:-1], np.diff(facets.expanse_start)
    some = np.flatnonzero(count)
    owner = np.repeat(np.arange(len(count)), count)
    ends = facets.expanse_edges_m
    span = ends[:, 1] - ends[:, 0]
    length = np.linalg.norm(span, axis=1)
    longest = np.lexsort((-length, owner))[first[some]]
    members = np.argsort(facets.expanse, kind="stable")
    one = members[np.searchsorted(facets.expanse[members], some)]
    axes = np.zeros((len(count), 2, 3))
    axes[some, 0] = span[longest] / length[longest, None]
    axes[some, 1] = np.cross(facets.normal[facets.plane[one]], axes[some, 0])
    reach = np.einsum("ki,kai->ka", ends[:, 0], axes[owner])
    extent = np.full((len(count), 2), np.inf)
    extent[some] = np.maximum.reduceat(reach, first[some]) - np.minimum.reduceat(reach, first[some])
    long = np.where(extent[:, 0] >= extent[:, 1], 0, 1)
    every = np.arange(len(count))
    extent[every, 1 - long] = np.bincount(facets.expanse, weights=facets.area_m2) / extent[every, long]
    small = extent.min(axis=1) < np.sqrt(wavelength * extent_m)
    small[count == 0] = False
    mine = small[facets.expanse]
    sides[mine], waves[mine] = axes[facets.expanse[mine]], extent[facets.expanse[mine]] / wavelength
    return Glints(sides, waves, *_integral())


def no_glints(facets: Facets) -> Glints:
    """Every facet a mirror."""
    return Glints(np.zeros((facets.count, 2, 3)), np.zeros((facets.count, 2)), *_integral())


@cache
def _integral() -> tuple[FloatArray, IntArray]:
    """``Glints.integral``, by the trapezoidal rule on finer steps, and ``Glints.begin``."""
    fine = 64
    s = np.linspace(0.0, LAST, STEPS * fine + 1)
    value = np.sinc(s) ** 2
    total = np.concatenate([[0.0], np.cumsum(0.5 * (value[1:] + value[:-1]) * (s[1] - s[0]))])
    integral = np.ascontiguousarray(total[::fine])
    begin = np.searchsorted(integral, np.arange(BINS + 1) * 0.5 / BINS, side="right") - 1
    return integral, begin.astype(np.int32)


@njit(**INNER)
def _below(integral: FloatArray, y: float) -> float:
    """Share of a sinc² pattern below ``y`` wavelengths over width."""
    size = abs(y)
    if size >= LAST:
        half = 0.5 - 0.5 / (np.pi * np.pi * size)
    else:
        at = size / LAST * STEPS
        i = int(at)
        half = integral[i] + (at - i) * (integral[i + 1] - integral[i])
    return 0.5 + half if y > 0.0 else 0.5 - half


@njit(**INNER)
def _at(integral: FloatArray, begin: IntArray, share: float) -> float:
    """Where a sinc² pattern has a share below; the inverse of ``_below``."""
    half = abs(share - 0.5)
    if half >= integral[STEPS]:
        size = 0.5 / (np.pi * np.pi * max(0.5 - half, 1e-12))
    else:
        i = begin[int(half * (2 * BINS))]
        while integral[i + 1] <= half:
            i += 1
        size = (i + (half - integral[i]) / (integral[i + 1] - integral[i])) * LAST / STEPS
    return size if share > 0.5 else -size


@njit(**INNER)
def _drawn(integral: FloatArray, begin: IntArray, low: float, high: float, chance: float) -> float:
    """Draw from a sinc² pattern cut off below ``low`` and above ``high``."""
    y = _at(integral, begin, chance)
    if low <= y <= high:
        return y
    # Drawn outside, a number is as even over what is outside as it was over all; so it can be used once more.
    under, over = _below(integral, low), _below(integral, high)
    again = (chance if chance < under else under + chance - over) / max(under + 1.0 - over, 1e-12)
    y = _at(integral, begin, under + min(max(again, 0.0), 1.0) * (over - under))
    return min(max(y, low), high)


@njit(**INNER)
def glint(
    sides: FloatArray, waves: FloatArray, integral: FloatArray, begin: IntArray, facet: int, normal: FloatArray,
    first: float, second: float, k: FloatArray,
) -> None:  # fmt: skip
    """Turn a ray's direction ``k`` (3,) in place into one of the lobe of a facet, by two random numbers in [0, 1).

    The first four are those of ``Glints``; ``normal`` (3,) is the facet's, to either side.
    """
    a, b = waves[facet, 0], waves[facet, 1]
    u, v, n = 0.0, 0.0, 0.0
    for i in range(3):
        u += k[i] * sides[facet, 0, i]
        v += k[i] * sides[facet, 1, i]
        n += k[i] * normal[i]
    u += _drawn(integral, begin, (-1.0 - u) * a, (1.0 - u) * a, first) / a
    rim = np.sqrt(max(1.0 - u * u, 0.0))
    v += _drawn(integral, begin, (-rim - v) * b, (rim - v) * b, second) / b
    out = np.sqrt(max(1.0 - u * u - v * v, 0.0))
    if n > 0.0:
        out = -out
    for i in range(3):
        k[i] = u * sides[facet, 0, i] + v * sides[facet, 1, i] + out * normal[i]
