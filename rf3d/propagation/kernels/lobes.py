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

from rf3d.propagation.kernels import INNER, OWNING
from rf3d.propagation.kernels.edges import add_edge, add_phases
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


@njit(**INNER)
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


@njit(**INNER)
def scale_at(d1: float, d2: float, wavenumber: float) -> float:
    """What turns a length across a way, between legs of d1 and d2 metres, into scaled coordinates."""
    return float(np.sqrt(wavenumber / np.pi * (1.0 / max(d1, LEAST_M) + 1.0 / max(d2, LEAST_M))))


@njit(nogil=True, cache=True)
def reflected_field(
    outline: FloatArray,
    rise_m: FloatArray,
    normal: FloatArray,
    a: FloatArray,
    b: FloatArray,
    mirror_point: FloatArray,
    mirror: bool,
    wavenumber: FloatArray,
    sent: FloatArray,
) -> None:
    """What a small facet sends from a to b, 1/m, phase included: the mirror's exp(−jkL)/L and what open edges add.

    Real and imaginary part at every wavenumber (F,) are written into ``sent`` (2, F). Which edges are open goes by the
    highest of the band, so that nothing has a kink within it.
    """
    for f in range(len(wavenumber)):
        sent[0, f], sent[1, f] = 0.0, 0.0
    d1, d2 = max(distance(a, mirror_point), LEAST_M), max(distance(mirror_point, b), LEAST_M)
    if mirror:
        add_phases(sent, wavenumber, 1.0 / (d1 + d2), d1 + d2)
    scale = scale_at(d1, d2, wavenumber.max())
    for e in range(len(outline)):
        share = open_share(rise_m[e], scale)
        if share > 0.0:
            add_edge(outline[e, 0], outline[e, 1], normal, a, b, mirror_point, wavenumber, share, sent)


@njit(**INNER)
def lobe_share(
    outlines: Outlines,
    facet: int,
    a: FloatArray,
    b: FloatArray,
    drawn: FloatArray,
    mirror: bool,
    highest: float,
    alone: bool,
    enlarged: float,
    points: FloatArray,
) -> float:
    """How much of what a facet reflects is a lobe's, 0 to 1; where it is 0 the facet gives the mirror's field alone.

    So it does where no edge is open (``open_share``), which is not looked at here.

    Parameters
    ----------
    facet : int
    a, b : (3,) float64
        Ends of the way, unfolded over whatever it meets before and after.
    drawn : (3,) float64
        Where the path is drawn; the mirror point where ``mirror``.
    highest : float
        Highest wavenumber of the band.
    alone : bool
        Whether this is the only bounce. Then what other facets of the expanse send comes by paths of its own, else it
        is part of this one.
    enlarged : float
        By which a facet counts as wider than it is.
    points : (2, 3) float64
        Room for the mirror point, for ``facet_factors``, and for the point by which the way is shortest.
    """
    x = outlines.expanse[facet]
    own = outlines.edges[outlines.start[facet] : outlines.start[facet + 1]]
    whole = outlines.expanse_edges[outlines.expanse_start[x] : outlines.expanse_start[x + 1]]
    normal = outlines.normal[facet]
    if mirror:
        for i in range(3):
            points[0, i], points[1, i] = drawn[i], drawn[i]
    else:
        shortest_way(own if alone else whole, normal, a, b, points[0], points[1])
    return small_share(enlarged * facet_width(own, whole, normal, a, b, points[1], highest, alone))


@njit(**OWNING)
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
    small: float,
    points: FloatArray,
    sent: FloatArray,
    factors: ComplexArray,
) -> None:
    """Write the field a facet reflects, over exp(−jkL)/L of the path drawn from a to b, into ``factors`` (F,).

    A mirror gives 1. A facet shares its reflection out by ``small``, its ``lobe_share``: a small one gives the mirror,
    where the mirror point is on it, plus what its open edges send (``reflected_field``); a large one the mirror alone,
    its edges being for the uniform theory. The reflection coefficient comes apart.

    Parameters
    ----------
    facet, a, b, drawn, mirror, alone
        As in ``lobe_share``.
    side : int
        Whether the wave comes from the facet's positive side.
    wavenumber : (F,) float64
    small : float
    points : (2, 3) float64
        As ``lobe_share`` left them.
    sent : (2, F) float64
        Room to work in.

    Source: Fresnel–Kirchhoff diffraction, Born & Wolf, Principles of Optics, 7th ed., 8.3 and 8.9 (from memory). The
    symmetric angle: Luebbers, IEEE TAP 32 (1984) 70, for wedges (from memory).
    """
    normal = outlines.normal[facet]
    if alone:
        outline = own_outline(outlines, facet)
        rise_m = outlines.rise[outlines.start[facet] : outlines.start[facet + 1], side]
    else:
        outline = whole_outline(outlines, facet)
        x = outlines.expanse[facet]
        rise_m = outlines.expanse_rise[outlines.expanse_start[x] : outlines.expanse_start[x + 1], side]
    length = distance(a, drawn) + distance(drawn, b)
    one, two, mirror_point, on_facet = off_lines(outline, rise_m, normal, a, b, points[0], mirror)
    reflected_field(outline, rise_m, normal, one, two, mirror_point, on_facet, wavenumber, sent)
    base = 1.0 - small if mirror else 0.0
    for f in range(len(wavenumber)):
        turned = np.exp(1j * wavenumber[f] * length)
        factors[f] = base + small * length * complex(sent[0, f], sent[1, f]) * turned
