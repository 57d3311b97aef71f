"""Carry a polarised field along paths: every wall passed, every bounce, in order."""

from __future__ import annotations

import numpy as np
from numba import njit

from rf3d.propagation.kernels import INNER
from rf3d.propagation.kernels.corners import bend_first, bend_second, two_bends
from rf3d.propagation.kernels.crossings import DIFFRACTION, LOBE, OBLIQUE_FACE, REFLECTION
from rf3d.propagation.kernels.edges import add_phases
from rf3d.propagation.kernels.interfaces import Walls, apply, coefficients, oblique_body, specular, te_axis
from rf3d.propagation.kernels.lobes import facet_factors, lobe_share, open_share, scale_at
from rf3d.propagation.kernels.outlines import Outlines, given_by_lobe
from rf3d.propagation.kernels.wedges import Wedges, diffract
from rf3d.units import ComplexArray, FloatArray, IntArray


# Not as slices: to compile those takes numba seconds, for the error text of shapes that do not fit.
@njit(**INNER)
def _copy(to: FloatArray, of: FloatArray) -> None:
    for i in range(3):
        to[i] = of[i]


@njit(**INNER)
def _row(to: FloatArray, of: FloatArray, j: int) -> None:
    for i in range(3):
        to[i] = of[j, i]


@njit(nogil=True, cache=True)
def carry(
    walls: Walls,
    emitted: ComplexArray,
    departure: FloatArray,
    length: FloatArray,
    start: IntArray,
    kind: IntArray,
    part: IntArray,
    depth: FloatArray,
    distance: FloatArray,
    point: FloatArray,
    normal: FloatArray,
    facet: IntArray,
    edge: IntArray,
    leaving: FloatArray,
    wedges: Wedges,
    outlines: Outlines,
) -> tuple[ComplexArray, FloatArray]:
    """Field vectors at the end of P paths over F frequencies, spreading and phase of the length left out.

    Parameters
    ----------
    emitted : (P, 3) complex128
        Antenna's field vector in the direction of departure.
    departure : (P, 3) float64, length : (P,) float64
    start : (P + 1,) int32
        Interactions of path p are entries ``start[p]:start[p + 1]`` of the per-interaction arrays that follow.

    Returns
    -------
    field : (P, F, 3) complex128
    cosine : (I,) float64
        Cosine of the angle of incidence at each interaction.
    """
    field = np.empty((len(length), len(walls.wavenumber), 3), dtype=np.complex128)
    cosine = np.empty(len(kind))
    held = np.empty((3, len(walls.wavenumber), 3), dtype=np.complex128)
    weight = np.empty((len(walls.wavenumber), 4, 4), dtype=np.complex128)
    share = np.empty(len(walls.wavenumber), dtype=np.complex128)
    _carry(
        walls, emitted, departure, length, start, kind, part, depth, distance, point, normal, facet, edge, leaving,
        wedges, outlines, walls.wavenumber.max(), field, cosine, held, weight, share, np.empty((2, len(share))),
        np.empty((9, 3)), np.empty(6),
    )  # fmt: skip
    return field, cosine


@njit(**INNER)
def _carry(
    walls: Walls,
    emitted: ComplexArray,
    departure: FloatArray,
    length: FloatArray,
    start: IntArray,
    kind: IntArray,
    part: IntArray,
    depth: FloatArray,
    distance: FloatArray,
    point: FloatArray,
    normal: FloatArray,
    facet: IntArray,
    edge: IntArray,
    leaving: FloatArray,
    wedges: Wedges,
    outlines: Outlines,
    highest: float,
    field: ComplexArray,
    cosine: FloatArray,
    held: ComplexArray,
    weight: ComplexArray,
    share: ComplexArray,
    sent: FloatArray,
    vectors: FloatArray,
    angles: FloatArray,
) -> None:
    """What ``carry`` does, in arrays made before; the last six are room to work in."""
    frequencies = len(walls.wavenumber)
    te, k, k_out, k_last = vectors[0], vectors[1], vectors[2], vectors[3]
    near, far, half, points = vectors[4], vectors[5], vectors[6], vectors[7:9]
    for p in range(len(length)):
        for f in range(frequencies):
            for i in range(3):
                field[p, f, i] = emitted[p, i]
        _row(k, departure, p)
        waves = field[p : p + 1]
        first, joined = -1, False  # the first of two edges, once it is passed
        bounces, bends = 0, 0
        for j in range(start[p], start[p + 1]):
            bounces += 1 if kind[j] == REFLECTION else 0
            bends += 1 if kind[j] == DIFFRACTION else 0
        # No wave bends round an edge with more than two bounces (propagation.diffraction): what a facet's edges take
        # from the mirror would not come out beside it, so only facets that are small indeed are lessened.
        enlarged = 1.0 if bounces <= 3 else 2.0
        lone = bounces + bends <= 1
        for j in range(start[p], start[p + 1]):
            n = normal[j]
            cos_i = te_axis(k, n, te)
            cosine[j] = cos_i
            if kind[j] == REFLECTION or kind[j] == LOBE:
                mirror = kind[j] == REFLECTION
                along = k[0] * n[0] + k[1] * n[1] + k[2] * n[2]
                turned = 0.0
                for i in range(3):
                    k_out[i] = k[i] - 2.0 * along * n[i] if mirror else leaving[j, i]
                    turned += k_out[i] * n[i]
                    near[i] = point[j, i] - max(distance[j], 1e-9) * k[i]
                    far[i] = point[j, i] + max(length[p] - distance[j], 1e-9) * k_out[i]
                if not mirror:
                    cosine[j] = 0.5 * (cos_i + abs(turned))
                    for i in range(3):
                        half[i] = k_out[i] - k[i]
                    size = np.sqrt(half[0] * half[0] + half[1] * half[1] + half[2] * half[2])
                    for i in range(3):
                        half[i] /= max(size, 1e-12)
                    cos_i = te_axis(k, half, te)
                side = 1 if along < 0.0 else 0  # the lit side is the one the wave comes from
                x = outlines.expanse[facet[j]]
                least = outlines.least_rise[facet[j], side] if lone else outlines.expanse_least_rise[x, side]
                small = 0.0
                # Where no edge is open the edges send nothing, and all of the reflection is the mirror's.
                scale = scale_at(distance[j], length[p] - distance[j], highest)
                if np.isfinite(least) and (not mirror or open_share(least, scale) > 0.0):
                    small = lobe_share(
                        outlines, facet[j], near, far, point[j], mirror, highest, lone, enlarged, points
                    )  # fmt: skip
                if small > 0.0:
                    facet_factors(
                        outlines, facet[j], side, near, far, point[j], mirror, walls.wavenumber, lone, small, points,
                        sent, share,
                    )  # fmt: skip
                smooth = specular(walls, part[j])
                for f in range(frequencies):
                    r_te, r_tm, _, _ = coefficients(walls, f, part[j], cos_i, depth[j])
                    kept = smooth * (share[f] if small > 0.0 else complex(1.0 if mirror else 0.0))
                    for v in range(len(waves)):
                        apply(waves[v, f], k, k_out, te, r_te * kept, r_tm * kept)
                _copy(k, k_out)
            elif kind[j] == DIFFRACTION:
                e = edge[j]
                before, after = max(distance[j], 1e-9), max(length[p] - distance[j], 1e-9)
                for i in range(3):
                    near[i] = point[j, i] - before * k[i]
                    far[i] = point[j, i] + after * leaving[j, i]
                mirror_0, mirror_n = 1.0, 1.0
                for side in range(2):
                    which = wedges.facet_0[e] if side == 0 else wedges.facet_n[e]
                    if outlines.start[which] == outlines.start[which + 1] or bends > 1:
                        continue  # no lobe follows a bend
                    # What the facet's own lobe gives the edges must not give again.
                    through = wedges.solid[e] and not wedges.opaque[e]
                    left = 1.0 - given_by_lobe(outlines, which, near, far, highest, bounces == 0, through, points)
                    if side == 0:
                        mirror_0 = left
                    else:
                        mirror_n = left
                cosine[j] = 0.0  # incidence on an edge has no normal
                _row(k_out, leaving, j)
                then = -1
                for later in range(j + 1, start[p + 1]):
                    if kind[later] == DIFFRACTION:
                        then = later
                if then >= 0:
                    _row(k_last, leaving, then)
                    gap = max(distance[then] - distance[j], 1e-9)
                    legs = (before, gap, max(length[p] - distance[then], 1e-9))
                    joined = two_bends(wedges, e, edge[then], k, k_out, k_last, legs, walls.wavenumber, angles, weight)
                    bend_first(walls, wedges, e, k, k_out, angles, mirror_0, mirror_n, field[p], held)
                    first, waves = j, held
                    _copy(k, k_out)
                    continue
                if first >= 0:
                    bend_second(
                        walls, wedges, edge[first], e, k, k_out, angles, weight, joined,
                        distance[j] - distance[first], mirror_0, mirror_n, held, field[p],
                    )  # fmt: skip
                    first, waves = -1, field[p : p + 1]
                    _copy(k, k_out)
                    continue
                cos_b = k[0] * wedges.axis[e, 0] + k[1] * wedges.axis[e, 1] + k[2] * wedges.axis[e, 2]
                reach = before * after * max(1.0 - cos_b * cos_b, 1e-12) / (before + after)
                for f in range(frequencies):
                    diffract(
                        walls, f, field[p, f], k, k_out, wedges.axis[e], wedges.along[e], wedges.normal[e],
                        wedges.n[e], wedges.part_0[e], wedges.part_n[e], wedges.depth_0[e], wedges.depth_n[e],
                        wedges.opaque[e], wedges.solid[e], mirror_0, mirror_n, reach,
                    )  # fmt: skip
                _copy(k, k_out)
            elif kind[j] == OBLIQUE_FACE:
                for f in range(frequencies):
                    t_te, t_tm = oblique_body(walls, f, part[j], cos_i, depth[j])
                    for v in range(len(waves)):
                        apply(waves[v, f], k, k, te, t_te, t_tm)
            else:
                for f in range(frequencies):
                    _, _, t_te, t_tm = coefficients(walls, f, part[j], cos_i, depth[j])
                    for v in range(len(waves)):
                        apply(waves[v, f], k, k, te, t_te, t_tm)


@njit(nogil=True, cache=True)
def interpolate(rows: FloatArray, nodes: ComplexArray) -> ComplexArray:
    """Fields (P, F, 3) from those at N nodes, (P, N, 3), by the share (N, F) that each node has in each."""
    field = np.empty((len(nodes), rows.shape[1], 3), dtype=np.complex128)
    _interpolate(rows, nodes, np.empty((2, rows.shape[1])), field)
    return field


@njit(**INNER)
def _interpolate(rows: FloatArray, nodes: ComplexArray, parts: FloatArray, field: ComplexArray) -> None:
    for p in range(len(nodes)):
        for i in range(3):
            for f in range(rows.shape[1]):
                parts[0, f], parts[1, f] = 0.0, 0.0
            for n in range(len(rows)):
                real, imaginary = nodes[p, n, i].real, nodes[p, n, i].imag
                for f in range(rows.shape[1]):
                    parts[0, f] += real * rows[n, f]
                    parts[1, f] += imaginary * rows[n, f]
            for f in range(rows.shape[1]):
                field[p, f, i] = complex(parts[0, f], parts[1, f])


@njit(nogil=True, cache=True)
def travel(field: ComplexArray, wavenumber: FloatArray, length: FloatArray, spreading: FloatArray) -> None:
    """Multiply fields (P, F, 3) in place by exp(−jkL)/(2k·spreading); ``length`` and ``spreading`` are (P,)."""
    _travel(field, wavenumber, length, spreading, np.empty((2, len(wavenumber))))


@njit(**INNER)
def _travel(
    field: ComplexArray, wavenumber: FloatArray, length: FloatArray, spreading: FloatArray, parts: FloatArray
) -> None:
    for p in range(len(field)):
        for f in range(len(wavenumber)):
            parts[0, f], parts[1, f] = 0.0, 0.0
        add_phases(parts, wavenumber, 0.5 / spreading[p], length[p])
        for f in range(len(wavenumber)):
            turn = complex(parts[0, f] / wavenumber[f], parts[1, f] / wavenumber[f])
            for i in range(3):
                field[p, f, i] *= turn
