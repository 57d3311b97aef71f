"""How a small facet reflects: a lobe about the mirror direction instead of a mirror.

Truss members, ribs, rails. The field is the Kirchhoff integral over the facet, taken along
its outline (kernels.edges). Where the mirror point lies on the facet it is the mirror's
field and what the edges add, elsewhere what the edges send alone; the two join.

What a wave meets off the mirror direction is chosen to be the same both ways: reflection
coefficients, polarisation and obliquity are those of a facet turned to send the wave where
it goes, by half the angle between the two legs. Along a straight edge that is exactly the
reflection-boundary term of the uniform theory with the coefficients of kernels.wedges.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from rf3d.propagation.kernels.edges import edge_integral
from rf3d.propagation.kernels.outlines import (
    LEAST_M,
    ZONE_RADIUS,
    Outlines,
    distance,
    facet_width,
    goes_round,
    own_outline,
    shortest_way,
    small_share,
    whole_outline,
)
from rf3d.units import ComplexArray, FloatArray


@njit(nogil=True, cache=True)
def open_share(rise_m: float, scale: float) -> float:
    """How far an edge counts as open: 1 where the surface that rises there is slight, 0 where it fills half a zone.

    ``rise_m`` is its height over the facet's plane, ``scale`` turns it into scaled coordinates.
    """
    return min(max(2.0 - 2.0 * rise_m * scale / ZONE_RADIUS, 0.0), 1.0)


@njit(nogil=True, cache=True)
def off_lines(
    outline: FloatArray,
    rise_m: FloatArray,
    normal: FloatArray,
    a: FloatArray,
    b: FloatArray,
    mirror_point: FloatArray,
    mirror: bool,
) -> tuple[FloatArray, FloatArray, FloatArray, bool]:
    """The way and its mirror point moved aside by nanometres where the latter lies on the line of an open edge.

    There the integrals along the edges that meet are undefined, each by itself; the field is continuous. Also
    returns whether the mirror point is then on the facet.
    """
    touches = False
    for e in range(len(outline)):
        if np.isinf(rise_m[e]):
            continue
        size = max(distance(outline[e, 0], outline[e, 1]), LEAST_M)
        h = 0.0
        for i in range(3):
            j, m = (i + 1) % 3, (i + 2) % 3
            span_j, span_m = outline[e, 1, j] - outline[e, 0, j], outline[e, 1, m] - outline[e, 0, m]
            gap_j, gap_m = outline[e, 0, j] - mirror_point[j], outline[e, 0, m] - mirror_point[m]
            h += normal[i] * (gap_j * span_m - gap_m * span_j)
        touches |= abs(h) < LEAST_M * size
    if not touches:
        return a, b, mirror_point, mirror
    # Aslant in the plane, along no common direction of edges.
    aside = np.array([0.52, 0.34, 0.79])
    along = aside[0] * normal[0] + aside[1] * normal[1] + aside[2] * normal[2]
    for i in range(3):
        aside[i] = 4.0 * LEAST_M * (aside[i] - along * normal[i])
    moved = mirror_point + aside
    return a + aside, b + aside, moved, goes_round(outline, normal, moved)


@njit(nogil=True, cache=True)
def reflected_field(
    outline: FloatArray,
    rise_m: FloatArray,
    normal: FloatArray,
    a: FloatArray,
    b: FloatArray,
    mirror_point: FloatArray,
    mirror: bool,
    wavenumber: float,
    highest: float,
) -> complex:
    """What a small facet sends from a to b, 1/m, phase included: the mirror's exp(−jkL)/L and what open edges add.

    Which edges are open goes by the ``highest`` wavenumber of the band, so that nothing has a kink within it.
    """
    d1, d2 = max(distance(a, mirror_point), LEAST_M), max(distance(mirror_point, b), LEAST_M)
    scale = np.sqrt(highest / np.pi * (1.0 / d1 + 1.0 / d2))
    total = 0.0j
    if mirror:
        total += np.exp(-1j * wavenumber * (d1 + d2)) / (d1 + d2)
    for e in range(len(outline)):
        share = open_share(rise_m[e], scale)
        if share > 0.0:
            total += share * edge_integral(outline[e, 0], outline[e, 1], normal, a, b, mirror_point, wavenumber)
    return total


@njit(nogil=True, cache=True)
def facet_factors(
    outlines: Outlines,
    facet: int,
    side: int,
    a: FloatArray,
    b: FloatArray,
    drawn: FloatArray,
    mirror: bool,
    wavenumber: FloatArray,
    alone: bool,
    enlarged: float,
) -> ComplexArray:
    """Field reflected by a facet over exp(−jkL)/L of the path drawn from a to b, reflection coefficient apart, (F,).

    A mirror gives 1. A facet shares its reflection out by ``small_share``: a small one gives the mirror, where the
    mirror point is on it, plus what its open edges send (``reflected_field``); a large one the mirror alone, its edges
    being for the uniform theory.

    Parameters
    ----------
    facet, side : int
        Which facet, and whether the wave comes from its positive side.
    a, b : (3,) float64
        Ends of the way, unfolded over whatever it meets before and after.
    drawn : (3,) float64
        Where the path is drawn; the mirror point where ``mirror``.
    wavenumber : (F,) float64
    alone : bool
        Whether this is the only bounce. Then what other facets of the expanse send comes by paths of its own, else it
        is part of this one.
    enlarged : float
        By which a facet counts as wider than it is.

    Source: Fresnel–Kirchhoff diffraction, Born & Wolf, Principles of Optics, 7th ed., 8.3 and 8.9 (from memory). The
    symmetric angle: Luebbers, IEEE TAP 32 (1984) 70, for wedges (from memory).
    """
    count = len(wavenumber)
    normal = outlines.normal[facet]
    own, whole = own_outline(outlines, facet), whole_outline(outlines, facet)
    outline = own if alone else whole
    if alone:
        rise_m = outlines.rise[outlines.start[facet] : outlines.start[facet + 1], side]
    else:
        x = outlines.expanse[facet]
        rise_m = outlines.expanse_rise[outlines.expanse_start[x] : outlines.expanse_start[x + 1], side]
    factors = np.empty(count, dtype=np.complex128)
    base = 1.0 if mirror else 0.0
    for f in range(count):
        factors[f] = base
    is_open = False
    for e in range(len(outline)):
        is_open |= np.isfinite(rise_m[e])
    if not is_open:
        return factors
    mirror_point, point = np.empty(3), np.empty(3)
    shortest_way(outline, normal, a, b, mirror_point, point)
    if mirror:
        for i in range(3):
            mirror_point[i] = drawn[i]
            point[i] = drawn[i]
    highest = wavenumber.max()
    small = small_share(enlarged * facet_width(own, whole, normal, a, b, point, highest, alone))
    if small == 0.0:
        return factors
    length = distance(a, drawn) + distance(drawn, b)
    one, two, mirror_point, on_facet = off_lines(outline, rise_m, normal, a, b, mirror_point, mirror)
    for f in range(count):
        k = wavenumber[f]
        sent = reflected_field(outline, rise_m, normal, one, two, mirror_point, on_facet, k, highest)
        factors[f] = (1.0 - small) * base + small * sent * length * np.exp(1j * k * length)
    return factors
