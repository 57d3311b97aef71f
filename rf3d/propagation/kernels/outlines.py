"""How small a facet is for a way over it, and which of its reflection a lobe gives.

A facet narrower than its first Fresnel zone is no mirror (kernels.lobes). Width is looked at where the way is
shortest, over all facets that go on in each other: a panel of a wall counts as the wall, a bar of a lattice as the bar.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numba import njit

from rf3d.propagation.kernels import INNER
from rf3d.units import FloatArray, IntArray, read_only
from rf3d.venue.facets import Facets

ZONE_RADIUS = np.sqrt(2.0)
"""First Fresnel zone in coordinates scaled so that the phase is π(x² + y²)/2: excess path λ/2."""
LEAST_M = 1e-9
_MOST_DIRECTIONS = 64
_INWARD = 1e-4
"""Share of the way to the middle of a facet by which its width is looked at inside its outline."""


class Outlines(NamedTuple):
    """Outlines of facets and of the expanses they are pieces of, for the kernels; see rf3d.venue.facets.Facets.

    Attributes
    ----------
    normal : (Q, 3) float64
    start : (Q + 1,) int32, edges : (E, 2, 3) float64, rise : (E, 2) float64
    expanse : (Q,) int32
    expanse_start : (X + 1,) int32, expanse_edges : (K, 2, 3) float64, expanse_rise : (K, 2) float64
    least_rise : (Q, 2) float64, expanse_least_rise : (X, 2) float64
        Of any edge of each outline.
    """

    normal: FloatArray
    start: IntArray
    edges: FloatArray
    rise: FloatArray
    expanse: IntArray
    expanse_start: IntArray
    expanse_edges: FloatArray
    expanse_rise: FloatArray
    least_rise: FloatArray
    expanse_least_rise: FloatArray


@lru_cache(maxsize=4)
def make_outlines(facets: Facets) -> Outlines:
    """Outlines of a scene's facets for the kernels, laid out once; facets are immutable, so identity is enough."""
    return Outlines(
        np.ascontiguousarray(facets.normal[facets.plane]), facets.edge_start, facets.edges_m, facets.edge_rise_m,
        facets.expanse, facets.expanse_start, facets.expanse_edges_m, facets.expanse_rise_m,
        least_rise(facets.edge_start, facets.edge_rise_m), least_rise(facets.expanse_start, facets.expanse_rise_m),
    )  # fmt: skip


def least_rise(start: IntArray, rise: FloatArray) -> FloatArray:
    """Least rise (Q, 2) at any of the edges of outline q, ``rise[start[q]:start[q + 1]]``; inf where it has none."""
    least = np.full((len(start) - 1, 2), np.inf)
    np.minimum.at(least, np.repeat(np.arange(len(least)), np.diff(start)), rise[: start[-1]])
    return read_only(least)


@njit(nogil=True, cache=True)
def own_outline(outlines: Outlines, facet: int) -> FloatArray:
    """Outline (E, 2, 3) of a facet."""
    return outlines.edges[outlines.start[facet] : outlines.start[facet + 1]]


@njit(nogil=True, cache=True)
def whole_outline(outlines: Outlines, facet: int) -> FloatArray:
    """Outline (K, 2, 3) of the expanse a facet is a piece of."""
    x = outlines.expanse[facet]
    return outlines.expanse_edges[outlines.expanse_start[x] : outlines.expanse_start[x + 1]]


@njit(**INNER)
def small_share(width: float) -> float:
    """1 for a facet narrower than its first Fresnel zone, 0 beyond twice that, smooth between.

    Field and edge fields are shared out by it: this much of the reflection is the lobe's, the rest is the mirror's
    and that of the uniform theory at the edges. ``width`` is in the scaled coordinates.
    """
    x = min(max(width / (2.0 * ZONE_RADIUS) - 1.0, 0.0), 1.0)
    return 1.0 - x * x * (3.0 - 2.0 * x)


@njit(**INNER)
def goes_round(outline: FloatArray, normal: FloatArray, point: FloatArray) -> bool:
    """Whether an outline (E, 2, 3) goes round a point of its plane: even-odd rule in the axes that see most of it."""
    drop = 0
    for i in range(1, 3):
        if abs(normal[i]) > abs(normal[drop]):
            drop = i
    i, j = (drop + 1) % 3, (drop + 2) % 3
    inside = False
    for e in range(len(outline)):
        y0, y1 = outline[e, 0, j], outline[e, 1, j]
        if (y0 > point[j]) != (y1 > point[j]):
            x = outline[e, 0, i] + (point[j] - y0) / (y1 - y0) * (outline[e, 1, i] - outline[e, 0, i])
            if x > point[i]:
                inside = not inside
    return inside


@njit(**INNER)
def shortest_way(
    outline: FloatArray, normal: FloatArray, a: FloatArray, b: FloatArray, mirror_point: FloatArray, point: FloatArray
) -> bool:
    """Write the mirror point of a plane, and the point of a facet by which the way is shortest; are they one?

    The length is convex over the plane: its least is at the mirror point, or on the outline. On the line of an edge
    it is where the angle in equals the angle out.

    Parameters
    ----------
    outline : (E, 2, 3) float64
        Edges counter-clockwise about ``normal``.
    normal, a, b, mirror_point, point : (3,) float64
    """
    da, db = 0.0, 0.0
    for i in range(3):
        da += normal[i] * (a[i] - outline[0, 0, i])
        db += normal[i] * (b[i] - outline[0, 0, i])
    share = abs(da) / max(abs(da) + abs(db), LEAST_M)
    for i in range(3):
        foot_a, foot_b = a[i] - da * normal[i], b[i] - db * normal[i]
        mirror_point[i] = foot_a + share * (foot_b - foot_a)
        point[i] = mirror_point[i]
    if goes_round(outline, normal, point):
        return True
    least = np.inf
    for e in range(len(outline)):
        size = 0.0
        for i in range(3):
            size += (outline[e, 1, i] - outline[e, 0, i]) ** 2
        size = np.sqrt(size)
        if size == 0.0:
            continue
        za, zb, aa, bb, over = 0.0, 0.0, 0.0, 0.0, 1.0 / size
        for i in range(3):
            along = (outline[e, 1, i] - outline[e, 0, i]) * over
            za += (a[i] - outline[e, 0, i]) * along
            zb += (b[i] - outline[e, 0, i]) * along
            aa += (a[i] - outline[e, 0, i]) ** 2
            bb += (b[i] - outline[e, 0, i]) ** 2
        ra, rb = np.sqrt(max(aa - za * za, 0.0)), np.sqrt(max(bb - zb * zb, 0.0))
        z = min(max(za + (zb - za) * ra / max(ra + rb, LEAST_M), 0.0), size)
        length = np.sqrt(ra * ra + (z - za) * (z - za)) + np.sqrt(rb * rb + (zb - z) * (zb - z))
        if length < least:
            least = length
            for i in range(3):
                point[i] = outline[e, 0, i] + z * over * (outline[e, 1, i] - outline[e, 0, i])
    return False


@njit(**INNER)
def facet_share(
    outline: FloatArray,
    whole: FloatArray,
    normal: FloatArray,
    a: FloatArray,
    b: FloatArray,
    point: FloatArray,
    wavenumber: float,
    own: bool,
) -> float:
    """How small a facet is for the way from a to b: the share of its reflection that is a lobe's (``small_share``)."""
    return small_share(facet_width(outline, whole, normal, a, b, point, wavenumber, own))


@njit(**INNER)
def facet_width(
    outline: FloatArray,
    whole: FloatArray,
    normal: FloatArray,
    a: FloatArray,
    b: FloatArray,
    point: FloatArray,
    wavenumber: float,
    own: bool,
) -> float:
    """Least width of a facet across any of its edges, in the scaled coordinates of the way from a to b.

    They are those at ``point``, by which the way is shortest: with curvature H of the length over the plane, a width w
    across the direction l becomes w·√(k/π·det H/lᵀHl). Where the facet is a piece of a larger expanse it is as wide as
    that is there: a panel of a wall counts as the wall, a bar of a lattice as the bar. Where the point need not be on
    the facet (not ``own``) the expanse alone counts.
    """
    d1, d2 = max(distance(a, point), LEAST_M), max(distance(b, point), LEAST_M)
    count = len(outline)
    step = max(1, count // _MOST_DIRECTIONS)
    middle_x, middle_y, middle_z = 0.0, 0.0, 0.0
    for e in range(count):
        middle_x += outline[e, 0, 0] / count
        middle_y += outline[e, 0, 1] / count
        middle_z += outline[e, 0, 2] / count
    within = (
        point[0] + _INWARD * (middle_x - point[0]),
        point[1] + _INWARD * (middle_y - point[1]),
        point[2] + _INWARD * (middle_z - point[2]),
    )
    ax, ay, az = (point[0] - a[0]) / d1, (point[1] - a[1]) / d1, (point[2] - a[2]) / d1
    bx, by, bz = (point[0] - b[0]) / d2, (point[1] - b[1]) / d2, (point[2] - b[2]) / d2
    near, far = 1.0 / d1, 1.0 / d2
    least = np.inf  # the square
    for e in range(0, count, step):
        lx, ly, lz = (
            outline[e, 1, 0] - outline[e, 0, 0],
            outline[e, 1, 1] - outline[e, 0, 1],
            outline[e, 1, 2] - outline[e, 0, 2],
        )
        size = np.sqrt(lx * lx + ly * ly + lz * lz)
        if size == 0.0:
            continue
        over = 1.0 / size
        lx, ly, lz = lx * over, ly * over, lz * over
        mx = normal[1] * lz - normal[2] * ly
        my = normal[2] * lx - normal[0] * lz
        mz = normal[0] * ly - normal[1] * lx
        p1, p2 = ax * lx + ay * ly + az * lz, ax * mx + ay * my + az * mz
        q1, q2 = bx * lx + by * ly + bz * lz, bx * mx + by * my + bz * mz
        along = (1.0 - p1 * p1) * near + (1.0 - q1 * q1) * far
        across = (1.0 - p2 * p2) * near + (1.0 - q2 * q2) * far
        mixed = p1 * p2 * near + q1 * q2 * far
        width = 0.0
        if len(whole) != count or not own:
            width = _chord(whole, within, lx, ly, lz, mx, my, mz)
        if own or width == 0.0:
            low, high = np.inf, -np.inf
            for other in range(count):
                w = (
                    (outline[other, 0, 0] - point[0]) * mx
                    + (outline[other, 0, 1] - point[1]) * my
                    + (outline[other, 0, 2] - point[2]) * mz
                )
                low, high = min(low, w), max(high, w)
            width = max(width, high - low)
        stretch = max(across - mixed * mixed / max(along, 1e-300), 0.0)
        least = min(least, width * width * stretch)
    return float(np.sqrt(least * wavenumber / np.pi))


@njit(**INNER)
def _chord(
    outline: FloatArray,
    point: tuple[float, float, float],
    lx: float,
    ly: float,
    lz: float,
    mx: float,
    my: float,
    mz: float,
) -> float:
    """Length of the stretch inside an outline that lies about a point along m, square to l; 0 where there is none."""
    below, above = -np.inf, np.inf
    crossed = 0
    for e in range(len(outline)):
        x0, y0, z0 = outline[e, 0, 0] - point[0], outline[e, 0, 1] - point[1], outline[e, 0, 2] - point[2]
        x1, y1, z1 = outline[e, 1, 0] - point[0], outline[e, 1, 1] - point[1], outline[e, 1, 2] - point[2]
        s0, s1 = x0 * lx + y0 * ly + z0 * lz, x1 * lx + y1 * ly + z1 * lz
        if (s0 > 0.0) == (s1 > 0.0):
            continue
        w0, w1 = x0 * mx + y0 * my + z0 * mz, x1 * mx + y1 * my + z1 * mz
        w = w0 - s0 / (s1 - s0) * (w1 - w0)
        if w > 0.0:
            crossed += 1
            above = min(above, w)
        else:
            below = max(below, w)
    if crossed % 2 == 0 or np.isinf(below):
        return 0.0
    return above - below


@njit(**INNER)
def share_for(
    outline: FloatArray,
    whole: FloatArray,
    normal: FloatArray,
    a: FloatArray,
    b: FloatArray,
    wavenumber: float,
    points: FloatArray,
) -> float:
    """``facet_share`` by the shortest way from a to b; ``points`` (2, 3) are room to work in."""
    shortest_way(outline, normal, a, b, points[0], points[1])
    return facet_share(outline, whole, normal, a, b, points[1], wavenumber, True)


@njit(**INNER)
def given_by_lobe(
    outlines: Outlines,
    facet: int,
    a: FloatArray,
    b: FloatArray,
    wavenumber: float,
    alone: bool,
    through: bool,
    points: FloatArray,
) -> float:
    """How much of the reflected wave round a facet's edge, from a to b, its lobe gives already.

    A lobe leaves on the lit side. With a bounce before or after (not ``alone``) there is none where the mirror point
    lies beside the expanse, and the edge keeps its wave. Beyond a body that is seen through (``through``) the wave of
    a narrow face is left out as well: what bends there the direct terms hold already, as for a sheet
    (``kernels.faces.see_through``), and a face without end would send too much. ``points`` (2, 3) are room to work in.
    """
    normal = outlines.normal[facet]
    outline = own_outline(outlines, facet)
    whole = whole_outline(outlines, facet)
    da, db = 0.0, 0.0
    for i in range(3):
        da += normal[i] * (a[i] - outline[0, 0, i])
        db += normal[i] * (b[i] - outline[0, 0, i])
    if da * db <= 0.0:
        return share_for(outline, whole, normal, a, b, wavenumber, points) if through else 0.0
    if alone:
        return share_for(outline, whole, normal, a, b, wavenumber, points)
    if not shortest_way(whole, normal, a, b, points[0], points[1]):
        return 0.0
    return facet_share(outline, whole, normal, a, b, points[1], wavenumber, False)


@njit(**INNER)
def distance(a: FloatArray, b: FloatArray) -> float:
    """Between two points (3,)."""
    return float(np.sqrt((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2 + (a[2] - b[2]) ** 2))
