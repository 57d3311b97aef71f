"""Which edges join two points: the point on each edge where the angle in equals the angle out."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from rf3d.propagation.kernels.corners import grazed_face
from rf3d.propagation.kernels.images import Planes, facet_at, in_box
from rf3d.units import FloatArray, IntArray
from rf3d.venue.edges import Edges
from rf3d.venue.facets import Facets


class Bends(NamedTuple):
    """Edges as plain arrays; see rf3d.venue.edges.Edges."""

    start_m: FloatArray
    length_m: FloatArray
    axis: FloatArray
    along: FloatArray
    normal: FloatArray
    n: FloatArray
    plane_0: IntArray
    plane_n: IntArray


NEAREST_M = 1e-3
"""Two edges nearer to each other than this, where a path meets them, bend it once; so do an edge and a mirror."""
_STEEPEST = 0.9999
"""Waves nearly along an edge, by the cosine, do not bend at it."""
_MOST_STEPS = 40
_FLAT = 1e-8
"""Two cosines, along an edge, of the legs before and after it that differ by more are not on one cone."""


def make_bends(edges: Edges, facets: Facets) -> Bends:
    """Lay out edges for the kernels, each from its lower end along its axis."""
    span = np.einsum("ei,ei->e", edges.ends_m[:, 1] - edges.ends_m[:, 0], edges.axis)
    start = np.where((span > 0)[:, None], edges.ends_m[:, 0], edges.ends_m[:, 1])
    return Bends(
        start, np.abs(span), edges.axis, edges.along, edges.normal, edges.n, facets.plane[edges.facet_0],
        facets.plane[edges.facet_n],
    )  # fmt: skip


@njit(nogil=True, cache=True)
def about_edge(bends: Bends, e: int, x: float, y: float, z: float) -> tuple[float, float, float]:
    """Coordinates of a point about an edge: along it from its lower end, along the first face, along its normal."""
    s, axis, along, normal = bends.start_m, bends.axis, bends.along, bends.normal
    x, y, z = x - s[e, 0], y - s[e, 1], z - s[e, 2]
    return (
        x * axis[e, 0] + y * axis[e, 1] + z * axis[e, 2],
        x * along[e, 0] + y * along[e, 1] + z * along[e, 2],
        x * normal[e, 0] + y * normal[e, 1] + z * normal[e, 2],
    )


@njit(nogil=True, cache=True)
def estimate(
    bends: Bends, e: int, phi: float, phi_in: float, sin_b: float, before: float, after: float, wavenumber: float
) -> float:
    """Upper estimate of the amplitude of a way over edge ``e``, 1/m: a conductor's over √(s·s′·(s + s′))."""
    size = _size(bends, e, phi, phi_in, sin_b, before * after / (before + after), wavenumber)
    return size / np.sqrt(before * after * (before + after))


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

    Keller's cone: seen unrolled about the edge the way is straight.

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
        Upper estimate of the amplitude, 1/m, comparable with 1/L of a straight path: that of a conductor over
        √(s·s′·(s + s′)).
    point_m : (most, 2, 3) float64
        On the edge, and on the mirror.
    facet : (most,) int32
        Of the mirror; −1 without.

    Source: Keller, J. Opt. Soc. Am. 52 (1962) 116; Kouyoumjian & Pathak, Proc. IEEE 62 (1974) 1448 (from memory).
    """
    edge = np.empty(most, dtype=np.int32)
    mirror = np.empty(most, dtype=np.int32)
    strong = np.empty(most)
    point = np.zeros((most, 2, 3))
    facet = np.full(most, -1, dtype=np.int32)
    moved = receiver if mirror_receiver else source
    still = source if mirror_receiver else receiver
    # The end that stays, about every edge; edges whose free sector it is not in are no use to any mirror.
    about = np.empty((len(chosen), 3))
    used = np.empty(len(chosen), dtype=np.int32)
    count = 0
    for k in range(len(chosen)):
        z, u, v = about_edge(bends, chosen[k], still[0], still[1], still[2])
        phi = np.arctan2(v, u) % (2.0 * np.pi)
        if phi <= bends.n[chosen[k]] * np.pi and u * u + v * v >= 1e-12:
            used[count] = chosen[k]
            about[count, 0], about[count, 1], about[count, 2] = z, np.sqrt(u * u + v * v), phi
            count += 1
    start, axis, length = bends.start_m, bends.axis, bends.length_m
    found = 0
    for m in range(len(mirrors)):
        p = mirrors[m]
        ax, ay, az = moved[0], moved[1], moved[2]
        away = 0.0
        if p >= 0:
            nx, ny, nz, offset = planes.normal[p, 0], planes.normal[p, 1], planes.normal[p, 2], planes.offset_m[p]
            away = nx * ax + ny * ay + nz * az - offset
            if abs(away) < 1e-6:
                continue
            ax, ay, az = ax - 2.0 * away * nx, ay - 2.0 * away * ny, az - 2.0 * away * nz
        for k in range(count):
            e = used[k]
            z_a, u, v = about_edge(bends, e, ax, ay, az)
            z_b, r_b = about[k, 0], about[k, 1]
            r_a = np.sqrt(u * u + v * v)
            z = z_a + (z_b - z_a) * r_a / (r_a + r_b)
            if z < 0.0 or z > length[e] or r_a < 1e-6:
                continue
            qx, qy, qz = start[e, 0] + z * axis[e, 0], start[e, 1] + z * axis[e, 1], start[e, 2] + z * axis[e, 2]
            hit, x, y, w = -1, 0.0, 0.0, 0.0
            if p >= 0:
                side = nx * qx + ny * qy + nz * qz - offset
                # The edge must lie in front of the mirror, on the real end's side, and not be an edge of it.
                if side * away <= 0.0 or abs(side) < NEAREST_M:
                    continue
                s = side / (side + away)
                x, y, w = qx + s * (ax - qx), qy + s * (ay - qy), qz + s * (az - qz)
                if not in_box(x, y, w, planes.low_m, planes.high_m, p):
                    continue
            # Angles last: most pairs have failed by now.
            phi = np.arctan2(v, u) % (2.0 * np.pi)
            if phi > bends.n[e] * np.pi:
                continue
            s_a, s_b = np.hypot(r_a, z - z_a), np.hypot(r_b, z_b - z)
            size = estimate(bends, e, about[k, 2], phi, r_a / s_a, s_a, s_b, wavenumber)
            if size < least:
                continue
            if p >= 0:
                hit = facet_at(planes, p, x, y, w)
                if hit < 0:
                    continue
            if found < most:
                edge[found], mirror[found], strong[found], facet[found] = e, p, size, hit
                point[found, 0, 0], point[found, 0, 1], point[found, 0, 2] = qx, qy, qz
                point[found, 1, 0], point[found, 1, 1], point[found, 1, 2] = x, y, w
            found += 1
    return found, edge, mirror, strong, point, facet


@njit(nogil=True, cache=True)
def bend_points(
    bends: Bends, a: int, b: int, source: FloatArray, receiver: FloatArray, first: FloatArray, second: FloatArray
) -> bool:
    """Write the points of edges ``a`` and ``b`` on the shortest way over both; False where it misses either.

    The length is a convex function of the two places along the edges, and Newton's method with halved steps finds
    where it is least: Keller's cone at either edge, whatever the angle between them.

    Source: Keller, J. Opt. Soc. Am. 52 (1962) 116 (from memory).
    """
    # Midpoints first; from there every step that lengthens the way is halved.
    za, zb = 0.5 * bends.length_m[a], 0.5 * bends.length_m[b]
    uv = 0.0
    for i in range(3):
        uv += bends.axis[a, i] * bends.axis[b, i]
    length, step_a, step_b = np.inf, 0.0, 0.0
    slope_a, slope_b = 1.0, 1.0
    for _ in range(_MOST_STEPS):
        share = 1.0
        while True:
            ya, yb = za + share * step_a, zb + share * step_b
            d1, d2, d3 = 0.0, 0.0, 0.0
            u1, u2, v2, v3 = 0.0, 0.0, 0.0, 0.0
            for i in range(3):
                p = bends.start_m[a, i] + ya * bends.axis[a, i]
                q = bends.start_m[b, i] + yb * bends.axis[b, i]
                x, y, z = p - source[i], q - p, receiver[i] - q
                d1, d2, d3 = d1 + x * x, d2 + y * y, d3 + z * z
                u1, u2 = u1 + x * bends.axis[a, i], u2 + y * bends.axis[a, i]
                v2, v3 = v2 + y * bends.axis[b, i], v3 + z * bends.axis[b, i]
            d1, d2, d3 = np.sqrt(d1), np.sqrt(d2), np.sqrt(d3)
            if d1 + d2 + d3 <= length * (1.0 + 1e-15) or share < 1e-3:
                break
            share *= 0.5
        za, zb, length = ya, yb, d1 + d2 + d3
        if d1 < NEAREST_M or d2 < NEAREST_M or d3 < NEAREST_M:
            return False
        u1, u2, v2, v3 = u1 / d1, u2 / d2, v2 / d2, v3 / d3
        slope_a, slope_b = u1 - u2, v2 - v3
        aa = (1.0 - u1 * u1) / d1 + (1.0 - u2 * u2) / d2
        bb = (1.0 - v2 * v2) / d2 + (1.0 - v3 * v3) / d3
        ab = (u2 * v2 - uv) / d2
        det = aa * bb - ab * ab
        if det <= 1e-12 * aa * bb:
            return False
        step_a = (ab * slope_b - bb * slope_a) / det
        step_b = (ab * slope_a - aa * slope_b) / det
        if abs(step_a) + abs(step_b) < 1e-12 * length:
            break
    # Where two edges meet in a corner the way may be shortest there, with no slope that comes to nothing.
    if abs(slope_a) + abs(slope_b) > _FLAT:
        return False
    if za < 0.0 or za > bends.length_m[a] or zb < 0.0 or zb > bends.length_m[b]:
        return False
    for i in range(3):
        first[i] = bends.start_m[a, i] + za * bends.axis[a, i]
        second[i] = bends.start_m[b, i] + zb * bends.axis[b, i]
    return True


@njit(nogil=True, cache=True)
def _angle(bends: Bends, e: int, point: FloatArray, towards: FloatArray) -> float:
    """Angle about edge ``e`` of the direction from a point of it; −1 outside the free sector."""
    u, v = 0.0, 0.0
    for i in range(3):
        u += (towards[i] - point[i]) * bends.along[e, i]
        v += (towards[i] - point[i]) * bends.normal[e, i]
    phi, top = np.arctan2(v, u) % (2.0 * np.pi), bends.n[e] * np.pi
    if phi <= top:
        return phi
    if grazed_face(phi, bends.n[e]) == 1:
        return top
    return 0.0 if grazed_face(phi, bends.n[e]) == 0 else -1.0


@njit(nogil=True, cache=True)
def _size(bends: Bends, e: int, phi: float, phi_in: float, sin_b: float, reach: float, wavenumber: float) -> float:
    """Upper estimate of a conductor's coefficient, √m; ``reach`` is the distance of the Fresnel zone."""
    n = bends.n[e]
    # Near a boundary a term is at most n·√(2πkL), elsewhere at most its cotangent.
    top = n * np.sqrt(2.0 * np.pi * wavenumber * reach) * sin_b
    size = 0.0
    for angle in (phi - phi_in, phi + phi_in):
        for side in (-1.0, 1.0):
            tangent = abs(np.tan((np.pi + side * angle) / (2.0 * n)))
            size += top if tangent * top < 1.0 else 1.0 / tangent
    return size / (2.0 * n * np.sqrt(2.0 * np.pi * wavenumber) * sin_b)


@njit(nogil=True, cache=True)
def _along_one_face(planes: Planes, bends: Bends, a: int, b: int, face_a: int, face_b: int, legs: FloatArray) -> bool:
    """Whether one surface, of one plane, reaches from edge to edge under the middle leg (2, 3)."""
    plane = bends.plane_0[a] if face_a == 0 else bends.plane_n[a]
    if plane != (bends.plane_0[b] if face_b == 0 else bends.plane_n[b]):
        return False
    if bends.n[a] > 1.999 and bends.n[b] > 1.999:
        return False  # one sheet from edge to edge has a way on either side
    for share in (0.25, 0.5, 0.75):
        x = legs[0, 0] + share * (legs[1, 0] - legs[0, 0])
        y = legs[0, 1] + share * (legs[1, 1] - legs[0, 1])
        z = legs[0, 2] + share * (legs[1, 2] - legs[0, 2])
        if facet_at(planes, plane, x, y, z) < 0:
            return False
    return True


@njit(nogil=True, cache=True)
def twice_bent_ways(
    planes: Planes,
    bends: Bends,
    source: FloatArray,
    receiver: FloatArray,
    lit: IntArray,
    seen: IntArray,
    wavenumber: float,
    least: float,
    longest: float,
    most: int,
) -> tuple[int, IntArray, FloatArray, FloatArray]:
    """Ways from one source to one receiver over an edge of ``lit`` and then one of ``seen``.

    Parameters
    ----------
    least : float
        Estimates below this are left out, 1/m.
    longest : float
        So are ways longer than this, metres.

    Returns
    -------
    count : int
        Ways found; when it exceeds ``most`` the lists hold the first ``most``.
    edge : (most, 2) int32
    estimate : (most,) float64
        As ``bent_ways``', over √(s₀·s₁·s₂·(s₀ + s₁ + s₂)).
    point_m : (most, 2, 3) float64
    """
    edge = np.empty((most, 2), dtype=np.int32)
    estimate = np.empty(most)
    point = np.zeros((most, 2, 3))
    here = np.empty((2, 3))
    found = 0
    for a in lit:
        for b in seen:
            if a == b or not bend_points(bends, a, b, source, receiver, here[0], here[1]):
                continue
            in_a, phi_a = _angle(bends, a, here[0], source), _angle(bends, a, here[0], here[1])
            in_b, phi_b = _angle(bends, b, here[1], here[0]), _angle(bends, b, here[1], receiver)
            if min(min(in_a, phi_a), min(in_b, phi_b)) < 0.0:
                continue
            face_a, face_b = grazed_face(phi_a, bends.n[a]), grazed_face(in_b, bends.n[b])
            if face_a >= 0 and face_b >= 0:
                if not _along_one_face(planes, bends, a, b, face_a, face_b, here):
                    continue
            elif (face_a >= 0 and bends.n[a] > 1.999) or (face_b >= 0 and bends.n[b] > 1.999):
                continue  # along a sheet, on neither side of it
            s0, s1, s2, cos_a, cos_b = 0.0, 0.0, 0.0, 0.0, 0.0
            for i in range(3):
                s0 += (here[0, i] - source[i]) ** 2
                s1 += (here[1, i] - here[0, i]) ** 2
                s2 += (receiver[i] - here[1, i]) ** 2
                cos_a += (here[0, i] - source[i]) * bends.axis[a, i]
                cos_b += (receiver[i] - here[1, i]) * bends.axis[b, i]
            s0, s1, s2 = np.sqrt(s0), np.sqrt(s1), np.sqrt(s2)
            total = s0 + s1 + s2
            if total > longest:
                continue
            if abs(cos_a) > _STEEPEST * s0 or abs(cos_b) > _STEEPEST * s2:
                continue
            sin_a, sin_b = np.sqrt(1.0 - (cos_a / s0) ** 2), np.sqrt(1.0 - (cos_b / s2) ** 2)
            size = _size(bends, a, phi_a, in_a, sin_a, s0 * (s1 + s2) / total, wavenumber)
            size *= _size(bends, b, phi_b, in_b, sin_b, (s0 + s1) * s2 / total, wavenumber)
            size /= np.sqrt(s0 * s1 * s2 * total)
            if size < least:
                continue
            if found < most:
                edge[found, 0], edge[found, 1], estimate[found] = a, b, size
                point[found] = here
            found += 1
    return found, edge, estimate, point
