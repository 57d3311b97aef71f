"""What a second edge does to a diffracted wave: transition functions of two variables, and where the way bends.

Behind two edges the field is, near the shadow boundaries, a Fresnel integral over a quadrant.
Its corner is the wave bent twice; Owen's function of the normal distribution, carried to an
imaginary variance, gives it in closed form but for one smooth integral.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from rf3d.propagation.kernels import OWNING
from rf3d.propagation.kernels.faces import term_matrices
from rf3d.propagation.kernels.interfaces import Walls, coefficients
from rf3d.propagation.kernels.wedges import (
    Wedges,
    boundary_angle,
    cross,
    dot,
    edge_factor,
    from_edge,
    to_edge,
    wedge_angles,
)
from rf3d.units import ComplexArray, FloatArray

_NODE, _WEIGHT = np.polynomial.legendre.leggauss(12)
_TURN = np.exp(-0.25j * np.pi)
_GRAZING_RAD = 1e-3
"""A wave nearer than this to a face runs along it."""
_GRAZING_COS = 1e-3
_SHADOW_FIRST = np.array([-1.0, 1.0, 1.0, -1.0])
_SHADOW_SECOND = np.array([1.0, -1.0, 1.0, -1.0])
"""Sense of growing φ or φ′ in which each of the four terms' waves leave their shadow."""
_MATRIX = np.array([0, 0, 1, 2])
"""Which of the three matrices each of the four terms goes with."""


@njit(nogil=True, cache=True)
def _quarter(y: float, x: float) -> complex:
    """(y/2π)·exp(jx²)·∫_x^∞ exp(−jτ²)/(τ² + y²) dτ for x ≥ 0, odd in y.

    Along τ = x + s·exp(−jπ/4) the integrand decays; s = m·sinh(u) smooths it where x and y are both small.

    Source: Owen, Ann. Math. Stat. 27 (1956) 1075, T function; as generalised Fresnel integral Clemmow & Senior,
    Proc. Camb. Phil. Soc. 49 (1953) 570 (both from memory).
    """
    if y == 0.0:
        return 0.0j
    m = np.sqrt(x * x + y * y)
    far = 18.0 / (x + np.sqrt(x * x + 18.0))  # exp(−s² − √2·x·s) is below 1e-7 there
    end = np.arcsinh(far / m)
    panels = int(end) + 2
    width = end / panels
    total = 0.0j
    for p in range(panels):
        for i in range(len(_NODE)):
            grown = np.exp((p + 0.5 + 0.5 * _NODE[i]) * width)
            s = 0.5 * m * (grown - 1.0 / grown)
            root = np.sqrt(0.5) * s
            # exp(−s² − 2jx·s·exp(−jπ/4)), and (x + s·exp(−jπ/4))² + y²
            angle = 2.0 * x * root
            size = _WEIGHT[i] * 0.5 * m * (grown + 1.0 / grown) * np.exp(-s * s - angle)
            across = x + root
            real, imaginary = across * across - root * root + y * y, -2.0 * across * root
            size /= real * real + imaginary * imaginary
            c, d = np.cos(angle), -np.sin(angle)
            total += complex(size * (c * real + d * imaginary), size * (d * real - c * imaginary))
    return total * (0.5 * width * y / (2.0 * np.pi)) * _TURN


@njit(nogil=True, cache=True)
def double_transition(a: float, b: float, w: float) -> complex:
    """Transition function T(a, b, w) of a wave bent at two edges: 1 far from both boundaries, 0 at either.

    Parameters
    ----------
    a, b : float
        ≥ 0: √(phase) by which the bend at either edge lengthens the way, as √(kL·a) of the single transition.
    w : float
        −1 < w < 1: correlation of the two apertures, negative where the edges shadow from opposite sides.

    Source: Albani, IEEE TAP 53 (2005) 702, for a pair of wedges (from memory); derived here from Owen's function,
    and tested against the Fresnel integral over a quadrant.
    """
    root = np.sqrt(1.0 - w * w)
    return 4j * np.pi * a * b / root * (_quarter((a + w * b) / root, b) + _quarter((b + w * a) / root, a))


@njit(nogil=True, cache=True)
def ground_wave(root: complex) -> complex:
    """Attenuation F(p) of a wave along a flat surface, both ends on it: 1 for p = 0, −1/(2p) for large p.

    F = 1 − j√(πp)·exp(−p)·erfc(j√p) as power series, and as continued fraction beyond |p| = 16. The root of p is asked
    for, not p: it is √(kd/2)·exp(−jπ/4)·Δ, whose sign tells an inductive surface from a capacitive one. With the other
    sign a capacitive surface, such as a thin board, would feed the wave that runs along it.

    Source: Norton, Proc. IRE 24 (1936) 1367 (from memory).
    """
    p = root * root
    if abs(p) < 16.0:
        total = 1.0 - 1j * np.sqrt(np.pi) * root * np.exp(-p)
        term = -2.0 * p
        for n in range(1, 200):
            total += term
            term *= -2.0 * p / (2 * n + 1)
            if abs(term) < 1e-16:
                break
        return total
    z = 1j * root
    if z.real < 0.0:
        z = -z
    fraction = z
    for n in range(80, 0, -1):
        fraction = z + 0.5 * n / fraction
    return 1.0 - z / fraction


@njit(nogil=True, cache=True)
def _impedance(r: complex) -> complex:
    """(1 − r)/(1 + r), large where a conductor leaves nothing below."""
    below = 1.0 + r
    return (1.0 - r) / (below if abs(below) > 1e-9 else 1e-9 + 0.0j)


@njit(nogil=True, cache=True)
def along_face(walls: Walls, f: int, part: int, depth: float, distance: float) -> tuple[complex, complex]:
    """F for TE and TM of a wave that runs ``distance`` along a face; 0 and 1 on metal.

    The surface impedance is that of reflection close to grazing, Δ = cosθ·(1 − r)/(1 + r); p = −jkd·Δ²/2.
    """
    r_te, r_tm, _, _ = coefficients(walls, f, part, _GRAZING_COS, depth)
    scale = np.sqrt(0.5 * walls.wavenumber[f] * distance) * _GRAZING_COS * _TURN
    return ground_wave(scale * _impedance(r_te)), ground_wave(scale * _impedance(r_tm))


@njit(nogil=True, cache=True)
def grazed_face(phi: float, n: float) -> int:
    """0 or 1 where a direction runs along face 0 or face n, −1 where along neither."""
    if phi < _GRAZING_RAD or 2.0 * np.pi - phi < _GRAZING_RAD * (n < 1.999):
        return 0
    return 1 if abs(n * np.pi - phi) < _GRAZING_RAD else -1


@njit(nogil=True, cache=True)
def _outward(wedges: Wedges, e: int, face: int, out: FloatArray) -> None:
    """Normal of a face of a wedge, into the free sector."""
    turn = wedges.n[e] * np.pi
    for i in range(3):
        if face == 0:
            out[i] = wedges.normal[e, i]
        else:
            out[i] = np.sin(turn) * wedges.along[e, i] - np.cos(turn) * wedges.normal[e, i]


@njit(**OWNING)
def two_bends(
    wedges: Wedges,
    a: int,
    b: int,
    k_in: FloatArray,
    k_mid: FloatArray,
    k_out: FloatArray,
    legs: tuple[float, float, float],
    wavenumber: FloatArray,
    angles: FloatArray,
    weight: ComplexArray,
) -> bool:
    """Weights of the 4 × 4 pairs of terms of a wave bent at edges ``a`` and ``b``.

    A pair's weight is cot(ε/2n)·cot(ε/2n)·T, the cotangents of the single coefficients with one transition function of
    both bends, so that the wave joins the once bent ones at every shadow and reflection boundary of either edge, even
    where both boundaries fall together. Where the wave runs along a face from edge to edge, its direct and reflected
    terms merge and half of each sum counts. TM adds them (``weight[f, 0, 0]``). TE takes their difference, the
    slope diffraction that is left at a conductor (``weight[f, 0, 1]``), 1/(jk·s·sin β·sin β) of the product of slopes
    far from the boundaries. Over more than three frequencies the weights, which change slowly, are interpolated by a
    parabola.

    Parameters
    ----------
    k_in, k_mid, k_out : (3,) float64
        Directions of the three legs.
    legs : three floats
        Their lengths, metres.
    wavenumber : (F,) float64
    angles : (6,) float64
        Written: φ, φ′, β₀ at the first edge and at the second.
    weight : (F, 4, 4) complex128
        Written.

    Returns
    -------
    joined : bool
        Whether the wave runs along a face from edge to edge.

    Source: Albani, IEEE TAP 53 (2005) 702; slope terms Hwang & Kouyoumjian, URSI 1974, as in McNamara, Pistorius &
    Malherbe, Introduction to the Uniform GTD, 1990, ch. 4 and 8 (all from memory).
    """
    phi_a, in_a, beta_a = wedge_angles(k_in, k_mid, wedges.axis[a], wedges.along[a], wedges.normal[a], wedges.n[a])
    phi_b, in_b, beta_b = wedge_angles(k_mid, k_out, wedges.axis[b], wedges.along[b], wedges.normal[b], wedges.n[b])
    n_a, n_b = wedges.n[a], wedges.n[b]
    face_a, face_b = grazed_face(phi_a, n_a), grazed_face(in_b, n_b)
    joined = face_a >= 0 and face_b >= 0
    if joined:
        # A sheet has a face on either side of one plane: the other wedge tells which.
        side, other = np.empty(3), np.empty(3)
        _outward(wedges, a, face_a, side)
        _outward(wedges, b, face_b, other)
        if side[0] * other[0] + side[1] * other[1] + side[2] * other[2] < 0.0:
            if n_a > n_b:
                face_a = 1 - face_a
            else:
                face_b = 1 - face_b
        phi_a, in_b = face_a * n_a * np.pi, face_b * n_b * np.pi
    angles[0], angles[1], angles[2] = phi_a, in_a, beta_a
    angles[3], angles[4], angles[5] = phi_b, in_b, beta_b
    # Cosine of the turn about the middle leg from one edge to the other, between the directions of growing φ and φ′.
    up_a, up_b = cross(wedges.axis[a], k_mid), cross(wedges.axis[b], k_mid)
    cosine = -dot(up_a, up_b) / np.sqrt(dot(up_a, up_a) * dot(up_b, up_b))
    s0, s1, s2 = legs
    first, second = 1.0 / s0 + 1.0 / s1, 1.0 / s1 + 1.0 / s2
    skew = (first * second - 1.0 / (s1 * s1)) / (first * second - cosine * cosine / (s1 * s1))
    reach_a = np.sin(beta_a) ** 2 / (first * skew)
    reach_b = np.sin(beta_b) ** 2 / (second * skew)
    w = cosine / (s1 * np.sqrt(first * second))
    eps_a = _angles(n_a, phi_a, in_a)
    eps_b = _angles(n_b, phi_b, in_b)
    count = len(wavenumber)
    low, high = wavenumber.min(), wavenumber.max()
    node = np.array([low, 0.5 * (low + high), high]) if count > 3 else wavenumber
    table = np.zeros((len(node), 4, 4), dtype=np.complex128)
    for g in range(len(node)):
        for i in range(2 if joined else 4):
            half_a = np.sin(0.5 * eps_a[i])
            for j in range(2 if joined else 4):
                half_b = np.sin(0.5 * eps_b[j])
                one = np.sqrt(2.0 * node[g] * reach_a) * abs(half_a)
                two = np.sqrt(2.0 * node[g] * reach_b) * abs(half_b)
                sign = _SHADOW_FIRST[i] * _SHADOW_SECOND[j] * (1.0 if half_a * half_b > 0.0 else -1.0)
                t = double_transition(one, two, sign * w)
                product = 1.0 / (np.tan(eps_a[i] / (2.0 * n_a)) * np.tan(eps_b[j] / (2.0 * n_b)))
                if joined:
                    mirrored = double_transition(one, two, -sign * w)
                    slope_a = 2.0 * half_a / (2.0 * n_a * np.sin(eps_a[i] / (2.0 * n_a)) ** 2)
                    slope_b = 2.0 * half_b / (2.0 * n_b * np.sin(eps_b[j] / (2.0 * n_b)) ** 2)
                    table[g, 0, 0] += product * (t + mirrored)
                    table[g, 0, 1] += slope_a * slope_b * (t - mirrored)
                else:
                    table[g, i, j] = product * t
    for f in range(count):
        x = (wavenumber[f] - node[1]) / (high - node[1]) if count > 3 else 0.0
        for i in range(4):
            for j in range(4):
                if count <= 3:
                    weight[f, i, j] = table[f, i, j]
                else:
                    p, q, r = table[0, i, j], table[1, i, j], table[2, i, j]
                    weight[f, i, j] = q + 0.5 * (r - p) * x + (0.5 * (r + p) - q) * x * x
    return joined


@njit(nogil=True, cache=True)
def _angles(n: float, phi: float, phi_in: float) -> FloatArray:
    """Angles to the boundaries of the four terms, in the order of ``wedges.four_terms``."""
    return np.array(
        [
            boundary_angle(phi - phi_in, -1.0, n),
            boundary_angle(phi - phi_in, 1.0, n),
            boundary_angle(phi + phi_in, 1.0, n),
            boundary_angle(phi + phi_in, -1.0, n),
        ]
    )


@njit(**OWNING)
def bend_first(
    walls: Walls,
    wedges: Wedges,
    e: int,
    k_in: FloatArray,
    k_mid: FloatArray,
    angles: FloatArray,
    mirror_0: float,
    mirror_n: float,
    field: ComplexArray,
    held: ComplexArray,
) -> None:
    """Fields (3, F, 3) after the first of two edges, apart for the direct terms, face n's and face 0's.

    The cotangents and the transition function come in at the second edge.
    """
    matrix = np.empty((6, 2, 2), dtype=np.complex128)
    for f in range(len(walls.wavenumber)):
        term_matrices(
            walls, f, angles[0], angles[1], angles[2], wedges.n[e], wedges.part_0[e], wedges.part_n[e],
            wedges.depth_0[e], wedges.depth_n[e], wedges.opaque[e], wedges.solid[e], mirror_0, mirror_n, matrix,
        )  # fmt: skip
        e_beta, e_phi = to_edge(field[f], k_in, wedges.axis[e])
        factor = edge_factor(walls.wavenumber[f], wedges.n[e], angles[2])
        for m in range(3):
            from_edge(
                factor * (matrix[m, 0, 0] * e_beta + matrix[m, 0, 1] * e_phi),
                factor * (matrix[m, 1, 0] * e_beta + matrix[m, 1, 1] * e_phi),
                k_mid, wedges.axis[e], held[m, f],
            )  # fmt: skip


@njit(**OWNING)
def bend_second(
    walls: Walls,
    wedges: Wedges,
    a: int,
    b: int,
    k_mid: FloatArray,
    k_out: FloatArray,
    angles: FloatArray,
    weight: ComplexArray,
    joined: bool,
    distance: float,
    mirror_0: float,
    mirror_n: float,
    held: ComplexArray,
    field: ComplexArray,
) -> None:
    """Field (F, 3) after the second edge, spreading and phase left out; unit metre.

    Along a face of metal the wave is that of a conductor. On another material both polarisations die away on their
    way along it: the flat-earth attenuation of either leads from the sum of the terms to their difference.
    """
    matrix = np.empty((6, 2, 2), dtype=np.complex128)
    wave = np.empty(3, dtype=np.complex128)
    for f in range(len(walls.wavenumber)):
        term_matrices(
            walls, f, angles[3], angles[4], angles[5], wedges.n[b], wedges.part_0[b], wedges.part_n[b],
            wedges.depth_0[b], wedges.depth_n[b], wedges.opaque[b], wedges.solid[b], mirror_0, mirror_n, matrix,
        )  # fmt: skip
        factor = edge_factor(walls.wavenumber[f], wedges.n[b], angles[5])
        out_beta, out_phi = 0.0j, 0.0j
        if joined:
            near, far = angles[0] < 1.0, angles[4] < 1.0
            te_a, tm_a = along_face(
                walls, f, wedges.part_0[a] if near else wedges.part_n[a],
                wedges.depth_0[a] if near else wedges.depth_n[a], distance,
            )  # fmt: skip
            te_b, tm_b = along_face(
                walls, f, wedges.part_0[b] if far else wedges.part_n[b],
                wedges.depth_0[b] if far else wedges.depth_n[b], distance,
            )  # fmt: skip
            te, tm = 0.5 * (te_a + te_b), 0.5 * (tm_a + tm_b)
            e_beta, e_phi = to_edge(held[0, f], k_mid, wedges.axis[b])
            e_beta *= te * weight[f, 0, 0] + (1.0 - te) * weight[f, 0, 1]
            e_phi *= tm * weight[f, 0, 0] + (1.0 - tm) * weight[f, 0, 1]
            out_beta = matrix[0, 0, 0] * e_beta + matrix[0, 0, 1] * e_phi
            out_phi = matrix[0, 1, 0] * e_beta + matrix[0, 1, 1] * e_phi
        else:
            for j in range(4):
                for c in range(3):
                    wave[c] = 0.0
                    for i in range(4):
                        wave[c] += weight[f, i, j] * held[_MATRIX[i], f, c]
                m = _MATRIX[j]
                e_beta, e_phi = to_edge(wave, k_mid, wedges.axis[b])
                out_beta += matrix[m, 0, 0] * e_beta + matrix[m, 0, 1] * e_phi
                out_phi += matrix[m, 1, 0] * e_beta + matrix[m, 1, 1] * e_phi
        from_edge(factor * out_beta, factor * out_phi, k_out, wedges.axis[b], field[f])
