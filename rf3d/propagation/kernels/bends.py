"""Which edges join two points: the point on each edge where the angle in equals the angle out."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from rf3d.propagation.kernels.images import Planes, facet_at
from rf3d.units import FloatArray, IntArray
from rf3d.venue.edges import Edges


class Bends(NamedTuple):
    """Edges as plain arrays; see rf3d.venue.edges.Edges."""

    start_m: FloatArray
    length_m: FloatArray
    axis: FloatArray
    along: FloatArray
    normal: FloatArray
    n: FloatArray


def make_bends(edges: Edges) -> Bends:
    """Lay out edges for the kernels, each from its lower end along its axis."""
    span = np.einsum("ei,ei->e", edges.ends_m[:, 1] - edges.ends_m[:, 0], edges.axis)
    start = np.where((span > 0)[:, None], edges.ends_m[:, 0], edges.ends_m[:, 1])
    return Bends(start, np.abs(span), edges.axis, edges.along, edges.normal, edges.n)


@njit(nogil=True, cache=True)
def bend_point(
    bends: Bends, e: int, source: FloatArray, receiver: FloatArray, wavenumber: float, point: FloatArray
) -> float:
    """Write the point of edge ``e`` on the way from source to receiver; return an upper estimate of its amplitude.

    Keller's cone: seen unrolled about the edge the way is straight. The estimate is that of a conductor over
    1/√(s·s′·(s + s′)), in 1/m, comparable with 1/L of a straight path; −1 where the point misses the edge or
    either end does not stand in the free sector.

    Source: Keller, J. Opt. Soc. Am. 52 (1962) 116; Kouyoumjian & Pathak, Proc. IEEE 62 (1974) 1448 (from memory).
    """
    za, zb, ua, va, ub, vb = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(3):
        a = source[i] - bends.start_m[e, i]
        b = receiver[i] - bends.start_m[e, i]
        za += a * bends.axis[e, i]
        zb += b * bends.axis[e, i]
        ua += a * bends.along[e, i]
        ub += b * bends.along[e, i]
        va += a * bends.normal[e, i]
        vb += b * bends.normal[e, i]
    ra, rb = np.sqrt(ua * ua + va * va), np.sqrt(ub * ub + vb * vb)
    if ra < 1e-6 or rb < 1e-6:
        return -1.0
    z = za + (zb - za) * ra / (ra + rb)
    if z < 0.0 or z > bends.length_m[e]:
        return -1.0
    n = bends.n[e]
    phi_in, phi = np.arctan2(va, ua) % (2.0 * np.pi), np.arctan2(vb, ub) % (2.0 * np.pi)
    if phi_in > n * np.pi or phi > n * np.pi:
        return -1.0
    before, after = np.hypot(ra, z - za), np.hypot(rb, zb - z)
    sin_b = ra / before
    # Near a boundary a term is at most n·√(2πkL), elsewhere at most its cotangent.
    top = n * np.sqrt(2.0 * np.pi * wavenumber * before * after / (before + after)) * sin_b
    size = 0.0
    for angle in (phi - phi_in, phi + phi_in):
        for side in (-1.0, 1.0):
            tangent = abs(np.tan((np.pi + side * angle) / (2.0 * n)))
            size += top if tangent * top < 1.0 else 1.0 / tangent
    for i in range(3):
        point[i] = bends.start_m[e, i] + z * bends.axis[e, i]
    spread = np.sqrt(before * after * (before + after))
    return size / (2.0 * n * np.sqrt(2.0 * np.pi * wavenumber) * sin_b * spread)


@njit(nogil=True, cache=True)
def bent_ways(
    planes: Planes,
    bends: Bends,
    source: FloatArray,
    receiver: FloatArray,
    chosen: IntArray,
    mirrors: IntArray,
    mirror_receiver: bool,
    wavenumber: float,
    least: float,
    most: int,
) -> tuple[int, IntArray, IntArray, FloatArray, FloatArray, IntArray]:
    """Ways from one source to one receiver over one edge, with at most one reflection before or after it.

    Parameters
    ----------
    chosen : (K,) int32
        Edges to try.
    mirrors : (N,) int32
        Planes to mirror one end in; −1 for none.
    mirror_receiver : bool
        Mirror the receiver (reflection after the edge) rather than the source.
    least : float
        Estimates below this are left out, 1/m.

    Returns
    -------
    count : int
        Ways found; when it exceeds ``most`` the lists hold the first ``most``.
    edge, mirror : (most,) int32
    estimate : (most,) float64
    point_m : (most, 2, 3) float64
        On the edge, and on the mirror.
    facet : (most,) int32
        Of the mirror; −1 without.
    """
    edge = np.empty(most, dtype=np.int32)
    mirror = np.empty(most, dtype=np.int32)
    estimate = np.empty(most)
    point = np.zeros((most, 2, 3))
    facet = np.full(most, -1, dtype=np.int32)
    a, b, q = np.empty(3), np.empty(3), np.empty(3)
    found = 0
    for m in range(len(mirrors)):
        p = mirrors[m]
        a[:], b[:] = source, receiver
        real = receiver if mirror_receiver else source
        image = b if mirror_receiver else a
        away = 0.0
        if p >= 0:
            n = planes.normal[p]
            away = n[0] * real[0] + n[1] * real[1] + n[2] * real[2] - planes.offset_m[p]
            if abs(away) < 1e-6:
                continue
            for i in range(3):
                image[i] = real[i] - 2.0 * away * n[i]
        for k in range(len(chosen)):
            e = chosen[k]
            size = bend_point(bends, e, a, b, wavenumber, q)
            if size < least:
                continue
            x, y, z, hit = 0.0, 0.0, 0.0, -1
            if p >= 0:
                n = planes.normal[p]
                side = n[0] * q[0] + n[1] * q[1] + n[2] * q[2] - planes.offset_m[p]
                # The edge must lie in front of the mirror, on the real end's side.
                if side * away <= 1e-9:
                    continue
                s = side / (side + away)
                x, y, z = q[0] + s * (image[0] - q[0]), q[1] + s * (image[1] - q[1]), q[2] + s * (image[2] - q[2])
                hit = facet_at(planes, p, x, y, z)
                if hit < 0:
                    continue
            if found < most:
                edge[found], mirror[found], estimate[found], facet[found] = e, p, size, hit
                point[found, 0, 0], point[found, 0, 1], point[found, 0, 2] = q[0], q[1], q[2]
                point[found, 1, 0], point[found, 1, 1], point[found, 1, 2] = x, y, z
            found += 1
    return found, edge, mirror, estimate, point, facet
