"""Carry a polarised field along paths: every wall passed, every bounce, in order."""

from __future__ import annotations

import numpy as np
from numba import njit

from rf3d.propagation.kernels.corners import bend_first, bend_second, two_bends
from rf3d.propagation.kernels.crossings import DIFFRACTION, OBLIQUE_FACE, REFLECTION
from rf3d.propagation.kernels.edges import aperture_factors, is_small
from rf3d.propagation.kernels.interfaces import Walls, apply, coefficients, oblique_body, specular, te_axis
from rf3d.propagation.kernels.wedges import Wedges, diffract
from rf3d.units import BoolArray, ComplexArray, FloatArray, IntArray


# Not as slices: to compile those takes numba seconds, for the error text of shapes that do not fit.
@njit(nogil=True, cache=True)
def _copy(to: FloatArray, of: FloatArray) -> None:
    for i in range(3):
        to[i] = of[i]


@njit(nogil=True, cache=True)
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
    face_normal: FloatArray,
    edge_start: IntArray,
    edges: FloatArray,
    edge_open: BoolArray,
) -> tuple[ComplexArray, FloatArray]:
    """Field vectors at the end of P paths over F frequencies, spreading and phase of the length left out.

    Parameters
    ----------
    emitted : (P, 3) complex128
        Antenna's field vector in the direction of departure.
    departure : (P, 3) float64, length : (P,) float64
    start : (P + 1,) int32
        Interactions of path p are entries ``start[p]:start[p + 1]`` of the per-interaction arrays that follow.
    face_normal : (Q, 3) float64
        Of every facet; ``edge_start``, ``edges`` and ``edge_open`` are the facets' outlines.

    Returns
    -------
    field : (P, F, 3) complex128
    cosine : (I,) float64
        Cosine of the angle of incidence at each interaction.
    """
    paths, frequencies = len(length), len(walls.wavenumber)
    field = np.empty((paths, frequencies, 3), dtype=np.complex128)
    cosine = np.empty(len(kind))
    te = np.empty(3)
    k = np.empty(3)
    k_out = np.empty(3)
    k_last = np.empty(3)
    held = np.empty((3, frequencies, 3), dtype=np.complex128)
    weight = np.empty((frequencies, 4, 4), dtype=np.complex128)
    angles = np.empty(6)
    for p in range(paths):
        for f in range(frequencies):
            for i in range(3):
                field[p, f, i] = emitted[p, i]
        _row(k, departure, p)
        waves = field[p : p + 1]
        first, joined = -1, False  # the first of two edges, once it is passed
        for j in range(start[p], start[p + 1]):
            n = normal[j]
            cos_i = te_axis(k, n, te)
            cosine[j] = cos_i
            if kind[j] == REFLECTION:
                along = k[0] * n[0] + k[1] * n[1] + k[2] * n[2]
                for i in range(3):
                    k_out[i] = k[i] - 2.0 * along * n[i]
                side = 1 if along < 0.0 else 0  # the lit side is the one the wave comes from
                outline = edges[edge_start[facet[j]] : edge_start[facet[j] + 1]]
                is_open = edge_open[edge_start[facet[j]] : edge_start[facet[j] + 1], side]
                spread = 1.0 / max(distance[j], 1e-9) + 1.0 / max(length[p] - distance[j], 1e-9)
                share = aperture_factors(outline, is_open, point[j], n, k, spread, walls.wavenumber)
                smooth = specular(walls, part[j])
                for f in range(frequencies):
                    r_te, r_tm, _, _ = coefficients(walls, f, part[j], cos_i, depth[j])
                    kept = smooth * share[f]
                    for v in range(len(waves)):
                        apply(waves[v, f], k, k_out, te, r_te * kept, r_tm * kept)
                _copy(k, k_out)
            elif kind[j] == DIFFRACTION:
                e = edge[j]
                before, after = max(distance[j], 1e-9), max(length[p] - distance[j], 1e-9)
                spread = 1.0 / before + 1.0 / after
                mirror_0, mirror_n = 1.0, 1.0
                for side in range(2):
                    which = wedges.facet_0[e] if side == 0 else wedges.facet_n[e]
                    outline = edges[edge_start[which] : edge_start[which + 1]]
                    face = face_normal[which]
                    # Asked of both directions, so that a path and its reverse agree.
                    highest = walls.wavenumber.max()
                    if is_small(outline, point[j], face, k, spread, highest) or is_small(
                        outline, point[j], face, leaving[j], spread, highest
                    ):
                        if side == 0:
                            mirror_0 = 0.0
                        else:
                            mirror_n = 0.0
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
    return field, cosine
