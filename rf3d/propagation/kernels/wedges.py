"""Diffraction at one edge: the uniform theory, for metal, lossy and see-through wedges.

The wedge's free angle is nπ, measured from face 0 round to face n. The four terms of the
coefficient belong to the two shadow boundaries of the direct wave and to the two of the
waves reflected by either face; each is multiplied by what that face or body really does.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from scipy.special import wofz

from rf3d.propagation.kernels import OWNING
from rf3d.propagation.kernels.faces import term_matrices
from rf3d.propagation.kernels.interfaces import Walls
from rf3d.units import BoolArray, ComplexArray, FloatArray, IntArray, read_only

_EIGHTH = np.exp(0.25j * np.pi)
_TURNED = -np.conj(_EIGHTH)


class Wedges(NamedTuple):
    """Edges with what stands on either side, for the kernels.

    Attributes
    ----------
    axis, along, normal : (E, 3) float64
        See rf3d.venue.edges.Edges.
    n : (E,) float64
    facet_0, facet_n, part_0, part_n : (E,) int32
    depth_0, depth_n : (E,) float64
        Thickness behind each face: NaN on a sheet, inf on a body whose far face is not parallel.
    opaque, solid : (E,) bool
    """

    axis: FloatArray
    along: FloatArray
    normal: FloatArray
    n: FloatArray
    facet_0: IntArray
    facet_n: IntArray
    part_0: IntArray
    part_n: IntArray
    depth_0: FloatArray
    depth_n: FloatArray
    opaque: BoolArray
    solid: BoolArray


def no_wedges() -> Wedges:
    """Wedges of a scene without edges."""
    # Read-only like those of a scene, for kernels are compiled for either kind of array.
    vectors, numbers, indices = read_only(np.zeros((0, 3))), read_only(np.zeros(0)), read_only(np.zeros(0, np.int32))
    flags = read_only(np.zeros(0, dtype=np.bool_))
    return Wedges(
        vectors, vectors, vectors, numbers, indices, indices, indices, indices, numbers, numbers, flags, flags
    )  # fmt: skip


@njit(nogil=True, cache=True)
def dot(a: FloatArray, b: FloatArray) -> float:
    """a·b; numpy's own takes seconds to compile."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@njit(nogil=True, cache=True)
def cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """a × b; numpy's own takes seconds to compile."""
    return np.array([a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]])


def _taylor_rows() -> ComplexArray:
    """Coefficients (nodes, _TERMS) of exp(ja²)·∫ₐ^∞ exp(−jτ²) dτ about nodes ``_STEP`` apart.

    The function g obeys g′ = 2jag − 1, which gives each coefficient from the two before.
    """
    node = _STEP * np.arange(int(_LARGE / _STEP) + 1)
    rows = np.empty((len(node), _TERMS), dtype=np.complex128)
    rows[:, 0] = 0.5 * np.sqrt(np.pi) / _EIGHTH * wofz(1j * node * _EIGHTH)
    rows[:, 1] = 2j * node * rows[:, 0] - 1.0
    for n in range(1, _TERMS - 1):
        rows[:, n + 1] = 2j / (n + 1) * (node * rows[:, n] + rows[:, n - 1])
    return rows


_LARGE, _STEP, _TERMS = 8.0, 0.125, 13
_ROWS = _taylor_rows()


@njit(nogil=True, cache=True, error_model="numpy")
def _tail_turned(a: float) -> complex:
    """exp(ja²)·∫ₐ^∞ exp(−jτ²) dτ for a ≥ 0, to machine precision: tabled Taylor series, beyond 8 the asymptotic one.

    Source: Abramowitz & Stegun, 7.1.23, for ½√π·exp(ja² − jπ/4)·erfc(a·exp(jπ/4)) (from memory).
    """
    if a < _LARGE:
        row = int(a / _STEP + 0.5)
        away = a - row * _STEP
        real, imaginary = 0.0, 0.0
        for n in range(_TERMS - 1, -1, -1):
            real, imaginary = real * away + _ROWS[row, n].real, imaginary * away + _ROWS[row, n].imag
        return complex(real, imaginary)
    inverse = 0.5 / (a * a)
    term, total = 1.0, 1.0 + 0.0j
    turn = 1.0 + 0.0j
    for n in range(14):
        term *= (2 * n + 1) * inverse
        turn *= 1j
        total += term * turn
        if term < 1e-17:
            break
    return total * complex(0.0, -0.5 / a)


@njit(nogil=True, cache=True)
def fresnel_tail(a: float) -> complex:
    """∫ₐ^∞ exp(−jτ²) dτ for a ≥ 0, to machine precision."""
    return _tail_turned(a) * np.exp(-1j * a * a)


@njit(nogil=True, cache=True)
def transition(x: float) -> complex:
    """F(x) = 2j√x·exp(jx)·∫_{√x}^∞ exp(−jτ²) dτ, from 0 at the boundary to 1 far from it.

    Source: Kouyoumjian & Pathak, Proc. IEEE 62 (1974) 1448, Eq. 26 (from memory).
    """
    root = np.sqrt(x)
    return 2j * root * _tail_turned(root)


@njit(nogil=True, cache=True)
def boundary_angle(beta: float, side: float, n: float) -> float:
    """Angle to the boundary that cot((π ± β)/2n) belongs to, ± given by ``side``: positive where its wave exists."""
    turns = np.round((beta + side * np.pi) / (2.0 * np.pi * n))
    eps = np.pi + side * (beta - 2.0 * np.pi * n * turns)
    if abs(eps) < 1e-9:
        eps = 1e-9 if eps >= 0.0 else -1e-9
    return eps


@njit(nogil=True, cache=True)
def boundary_term(beta: float, side: float, n: float, kl: float) -> complex:
    """cot((π ± β)/2n)·F(kL·a±(β)) with ± given by ``side``; finite and of the right sign at its boundary.

    Source: Kouyoumjian & Pathak, Proc. IEEE 62 (1974) 1448, Eqs. 25–29 and 34 (from memory).
    """
    eps = boundary_angle(beta, side, n)
    half = np.sin(0.5 * eps)
    return transition(2.0 * kl * half * half) / np.tan(eps / (2.0 * n))


@njit(nogil=True, cache=True)
def four_terms(n: float, phi: float, phi_in: float, kl: float) -> tuple[complex, complex, complex, complex]:
    """Terms of the direct wave's two boundaries, of reflection by face n and of reflection by face 0."""
    return (
        boundary_term(phi - phi_in, -1.0, n, kl),
        boundary_term(phi - phi_in, 1.0, n, kl),
        boundary_term(phi + phi_in, 1.0, n, kl),
        boundary_term(phi + phi_in, -1.0, n, kl),
    )


@njit(nogil=True, cache=True)
def wedge_angles(
    k_in: FloatArray, k_out: FloatArray, edge: FloatArray, along: FloatArray, normal: FloatArray, n: float
) -> tuple[float, float, float]:
    """φ of the observer, φ′ of the source, β₀ of the wave, radians.

    Parameters
    ----------
    edge, along, normal : (3,) float64
        Unit vectors: the edge = normal × along taken so that φ grows from face 0 (direction ``along`` away from
        the edge) through its outward ``normal``.
    """
    phi = float(np.arctan2(dot(k_out, normal), dot(k_out, along))) % (2.0 * np.pi)
    phi_in = float(np.arctan2(-dot(k_in, normal), -dot(k_in, along))) % (2.0 * np.pi)
    top = n * np.pi
    # A ray along face 0 may come out a hair below 2π; it belongs to 0 unless the wedge is a thin edge.
    if phi > top and 2.0 * np.pi - phi < phi - top:
        phi = 0.0
    if phi_in > top and 2.0 * np.pi - phi_in < phi_in - top:
        phi_in = 0.0
    return min(phi, top), min(phi_in, top), float(np.arccos(max(-1.0, min(1.0, dot(k_in, edge)))))


@njit(**OWNING)
def diffract(
    walls: Walls,
    f: int,
    field: ComplexArray,
    k_in: FloatArray,
    k_out: FloatArray,
    edge: FloatArray,
    along: FloatArray,
    normal: FloatArray,
    n: float,
    part_0: int,
    part_n: int,
    depth_0: float,
    depth_n: float,
    opaque: bool,
    solid: bool,
    mirror_0: float,
    mirror_n: float,
    length: float,
) -> None:
    """Turn a field (3,) in place into the diffracted one, spreading and phase left out; unit √m.

    E_d = D·E with four terms (``four_terms``). Face coefficients are taken at the symmetric grazing angle
    ½|π − |φ − φ′||, so that swapping source and observer changes nothing, and are full TE/TM matrices in edge
    coordinates, so that fields join at the reflection boundaries at any obliquity. The two direct terms carry
    1 − T of the body; a see-through sheet's terms are those of ``kernels.faces.see_through``.

    Parameters
    ----------
    n : float
        Free angle over π, 1 < n ≤ 2; 2 is the edge of one sheet, ``part_0`` = ``part_n``.
    depth_0, depth_n : float
        Thickness behind each face as for ``coefficients``.
    opaque, solid : bool
        Whether the wedge lets nothing through, and whether it is a body rather than sheets.
    mirror_0, mirror_n : float
        1, or 0 for a face too small to be a mirror, whose reflection its lobe (kernels.lobes) gives.
    length : float
        L = s·s′·sin²β₀/(s + s′), metres.

    Source: Kouyoumjian & Pathak, Proc. IEEE 62 (1974) 1448; face coefficients after Luebbers, IEEE TAP 32 (1984) 70;
    1 − T after Burnside & Burgener, IEEE TAP 31 (1983) 104 (all from memory).
    """
    phi, phi_in, beta = wedge_angles(k_in, k_out, edge, along, normal, n)
    k0 = walls.wavenumber[f]
    d1, d2, d3, d4 = four_terms(n, phi, phi_in, k0 * length)
    matrix = np.empty((6, 2, 2), dtype=np.complex128)
    term_matrices(
        walls, f, phi, phi_in, beta, n, part_0, part_n, depth_0, depth_n, opaque, solid, mirror_0, mirror_n, matrix
    )  # fmt: skip
    e_beta, e_phi = to_edge(field, k_in, edge)
    factor = edge_factor(k0, n, beta)
    out_beta, out_phi = 0.0j, 0.0j
    for term, weight in enumerate((d1 + d2, d3, d4)):
        out_beta += factor * weight * (matrix[term, 0, 0] * e_beta + matrix[term, 0, 1] * e_phi)
        out_phi += factor * weight * (matrix[term, 1, 0] * e_beta + matrix[term, 1, 1] * e_phi)
    from_edge(out_beta, out_phi, k_out, edge, field)


@njit(nogil=True, cache=True)
def edge_factor(k0: float, n: float, beta: float) -> complex:
    """What every term of a coefficient is multiplied by: −exp(−jπ/4)/(2n·√(2πk)·sin β₀), √m."""
    return _TURNED * (0.5 / (n * np.sqrt(2.0 * np.pi * k0) * max(np.sin(beta), 1e-9)))


@njit(nogil=True, cache=True)
def to_edge(field: ComplexArray, k_in: FloatArray, edge: FloatArray) -> tuple[complex, complex]:
    """β₀ and φ components of a field (3,) that comes in along ``k_in``."""
    px, py, pz = _across(edge, k_in)
    bx, by, bz = pz * k_in[1] - py * k_in[2], px * k_in[2] - pz * k_in[0], py * k_in[0] - px * k_in[1]
    return (
        field[0] * bx + field[1] * by + field[2] * bz,
        -field[0] * px - field[1] * py - field[2] * pz,
    )


@njit(nogil=True, cache=True)
def from_edge(e_beta: complex, e_phi: complex, k_out: FloatArray, edge: FloatArray, field: ComplexArray) -> None:
    """Write the field (3,) that goes out along ``k_out`` with these β₀ and φ components."""
    px, py, pz = _across(edge, k_out)
    field[0] = e_beta * (py * k_out[2] - pz * k_out[1]) + e_phi * px
    field[1] = e_beta * (pz * k_out[0] - px * k_out[2]) + e_phi * py
    field[2] = e_beta * (px * k_out[1] - py * k_out[0]) + e_phi * pz


@njit(nogil=True, cache=True)
def _across(edge: FloatArray, k: FloatArray) -> tuple[float, float, float]:
    """Unit vector along edge × k."""
    x, y, z = edge[1] * k[2] - edge[2] * k[1], edge[2] * k[0] - edge[0] * k[2], edge[0] * k[1] - edge[1] * k[0]
    size = np.sqrt(x * x + y * y + z * z)
    return x / size, y / size, z / size
