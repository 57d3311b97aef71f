"""Which small facets send a lobe from one place to another: all are gone through with an upper estimate."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from rf3d.propagation.kernels.images import Planes, facet_at
from rf3d.propagation.kernels.outlines import (
    Outlines,
    facet_share,
    goes_round,
    make_outlines,
    own_outline,
    shortest_way,
    whole_outline,
)
from rf3d.units import FloatArray, IntArray
from rf3d.venue.facets import Facets

_GRAZING_M = 1e-3
"""Facets whose plane an end of the way comes nearer than this are not lit."""
_SEAM_M = 1e-6
_INSET = 0.1
"""Share of the way from a facet's outline to its middle line by which a path is drawn inside, by the mirror point. From
half a width beside it on a path is drawn over the middle line. A facet counts where that point is seen, and its nearest
edge stands in a corner or behind a flange more often than the facet does."""


class Panels(NamedTuple):
    """Facets as flat pieces of about a rectangle; for rectangles they are these exactly.

    Attributes
    ----------
    centre, long, short : (Q, 3) float64
        Middle of the area, and unit vectors along its principal axes.
    half_long, half_short : (Q,) float64
        Half the sides of the rectangle with the same second moments, metres.
    normal : (Q, 3) float64
    plane : (Q,) int32
    outlines : Outlines
    chosen : (K,) int32
        Facets that may send a lobe: those with an outline, and the first only of those that coincide.
    """

    centre: FloatArray
    long: FloatArray
    short: FloatArray
    half_long: FloatArray
    half_short: FloatArray
    normal: FloatArray
    plane: IntArray
    outlines: Outlines
    chosen: IntArray


def make_panels(facets: Facets) -> Panels:
    """Principal axes of every facet, from the moments of its outline, which no tessellation changes."""
    owner = np.repeat(np.arange(facets.count), np.diff(facets.edge_start))
    normal = facets.normal[facets.plane]
    least = np.argmin(np.abs(normal), axis=1)
    e1 = np.eye(3)[least] - normal[np.arange(facets.count), least][:, None] * normal
    e1 /= np.linalg.norm(e1, axis=1)[:, None]
    e2 = np.cross(normal, e1)
    about = facets.bounds_m.mean(axis=1)
    about -= (np.einsum("qi,qi->q", about, normal) - facets.offset_m[facets.plane])[:, None] * normal
    side = facets.edges_m - about[owner][:, None]
    x = np.einsum("eki,ei->ek", side, e1[owner])
    y = np.einsum("eki,ei->ek", side, e2[owner])
    twice = x[:, 0] * y[:, 1] - x[:, 1] * y[:, 0]

    def total(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(owner, weights=values, minlength=facets.count), dtype=np.float64)

    area = 0.5 * total(twice)
    whole = area > 0.0
    area = np.where(whole, area, 1.0)
    cx, cy = total(twice * x.sum(axis=1)) / (6 * area), total(twice * y.sum(axis=1)) / (6 * area)
    xx = total(twice * (x[:, 0] ** 2 + x[:, 0] * x[:, 1] + x[:, 1] ** 2)) / (12 * area) - cx * cx
    yy = total(twice * (y[:, 0] ** 2 + y[:, 0] * y[:, 1] + y[:, 1] ** 2)) / (12 * area) - cy * cy
    mixed = x[:, 0] * y[:, 1] + 2 * x[:, 0] * y[:, 0] + 2 * x[:, 1] * y[:, 1] + x[:, 1] * y[:, 0]
    xy = total(twice * mixed) / (24 * area) - cx * cy
    middle, half = 0.5 * (xx + yy), np.hypot(0.5 * (xx - yy), xy)
    turn = 0.5 * np.arctan2(2 * xy, xx - yy)
    long = np.cos(turn)[:, None] * e1 + np.sin(turn)[:, None] * e2
    first = facets.first_of_twins == np.arange(facets.count)
    return Panels(
        centre=about + cx[:, None] * e1 + cy[:, None] * e2, long=long, short=np.cross(normal, long),
        half_long=np.sqrt(3 * np.maximum(middle + half, 1e-12)),
        half_short=np.sqrt(3 * np.maximum(middle - half, 0.0)),
        normal=np.ascontiguousarray(normal), plane=facets.plane, outlines=make_outlines(facets),
        chosen=np.flatnonzero(whole & first).astype(np.int32),
    )  # fmt: skip


@njit(nogil=True, cache=True)
def _reach(half: float, slope: float, bend: float, wavenumber: float) -> float:
    """Upper estimate of |∫exp(−jk(slope·x + ½bend·x²))dx| over a stretch that ends or begins at x = 0, metres."""
    whole = 1.2 * np.sqrt(2.0 * np.pi / (wavenumber * max(bend, 1e-12)))
    return min(2.0 * half, whole, 2.0 / (wavenumber * max(abs(slope), 1e-12)))


@njit(nogil=True, cache=True)
def lobe_ways(
    planes: Planes, panels: Panels, a: FloatArray, b: FloatArray, wavenumber: float, least: float
) -> tuple[int, IntArray, FloatArray, FloatArray]:
    """Small facets that send a lobe from a to b, with an upper estimate of its field.

    The estimate takes the facet for a rectangle of perfect conductor and the integral over it for a product of two:
    each no more than its side, its Fresnel zone, or what its two ends leave.

    Parameters
    ----------
    a, b : (3,) float64
    least : float
        Estimates below this are left out, 1/m; comparable with 1/L of a straight path.

    Returns
    -------
    count : int
        Ways found; the arrays hold no more than that.
    facet : (K,) int32, estimate : (K,) float64
    point : (K, 3) float64
        On the facet, in from its outline (``_INSET``), by the shortest way.
    """
    facet = np.empty(len(panels.chosen), dtype=np.int32)
    estimate = np.empty(len(panels.chosen))
    points = np.empty((len(panels.chosen), 3))
    mirror_point, point = np.empty(3), np.empty(3)
    found = 0
    for q in panels.chosen:
        da, db, au, av, bu, bv = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for i in range(3):
            from_a, from_b = a[i] - panels.centre[q, i], b[i] - panels.centre[q, i]
            da += from_a * panels.normal[q, i]
            db += from_b * panels.normal[q, i]
            au += from_a * panels.long[q, i]
            av += from_a * panels.short[q, i]
            bu += from_b * panels.long[q, i]
            bv += from_b * panels.short[q, i]
        if da * db <= 0.0 or min(abs(da), abs(db)) < _GRAZING_M:
            continue
        half_u, half_v = panels.half_long[q], panels.half_short[q]
        share = da / (da + db)
        v = min(max(av + share * (bv - av), -half_v), half_v)
        ra, rb = np.hypot(da, v - av), np.hypot(db, v - bv)
        u = min(max(au + (bu - au) * ra / (ra + rb), -half_u), half_u)
        d1, d2 = np.hypot(ra, u - au), np.hypot(rb, u - bu)
        pu, pv, qu, qv = (u - au) / d1, (v - av) / d1, (u - bu) / d2, (v - bv) / d2
        cosine = -(pu * qu + pv * qv + da * db / (d1 * d2))
        turned = np.sqrt(max(0.5 * (1.0 - cosine), 0.0))
        size = wavenumber * turned / (2.0 * np.pi * d1 * d2)
        size *= _reach(half_u, pu + qu, (1.0 - pu * pu) / d1 + (1.0 - qu * qu) / d2, wavenumber)
        size *= _reach(half_v, pv + qv, (1.0 - pv * pv) / d1 + (1.0 - qv * qv) / d2, wavenumber)
        if size < least:
            continue
        outline = own_outline(panels.outlines, q)
        inside = shortest_way(outline, panels.normal[q], a, b, mirror_point, point)
        beside = 0.0 if inside else _gap(point, mirror_point)
        near = beside < _SEAM_M
        if near and facet_at(planes, panels.plane[q], mirror_point[0], mirror_point[1], mirror_point[2]) == q:
            continue  # a mirror's path, which the images find
        whole = whole_outline(panels.outlines, q)
        size *= facet_share(outline, whole, panels.normal[q], a, b, point, wavenumber, True)
        if size < least:
            continue
        # Triangles may lie a little off the plane of their facet; the point keeps to the height of the outline.
        inward, height = 0.0, 0.0
        for i in range(3):
            inward += (panels.centre[q, i] - point[i]) * panels.long[q, i]
            height += (panels.centre[q, i] - point[i]) * panels.normal[q, i]
        inward *= 1.0 - half_v / half_u
        inset = _INSET + (1.0 - _INSET) * min(beside / max(half_v, 1e-9), 1.0)
        while True:
            for i in range(3):
                across = panels.centre[q, i] - point[i] - inward * panels.long[q, i] - height * panels.normal[q, i]
                points[found, i] = point[i] + inset * across
            # Where a facet is no rectangle its middle line may lead out of it.
            if inset == _INSET or goes_round(outline, panels.normal[q], points[found]):
                break
            inset = max(0.5 * inset, _INSET)
        facet[found], estimate[found] = q, size
        found += 1
    return found, facet, estimate, points


@njit(nogil=True, cache=True)
def _gap(a: FloatArray, b: FloatArray) -> float:
    return float(np.sqrt((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2 + (a[2] - b[2]) ** 2))
