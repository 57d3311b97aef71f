"""Fresnel and slab formulas, and what they do to a polarised wave; they exist here once.

Convention of ITU-R P.2040 with time factor exp(+jωt): for a perfect conductor r_TE = −1 and
r_TM = +1. A transmission coefficient here is the *insertion* one, T·exp(+jk₀ d cosθ),
because the straight ray already carries the phase of the wall's thickness.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from rf3d.propagation.kernels import INNER
from rf3d.units import SPEED_OF_LIGHT_M_S, VACUUM_IMPEDANCE_OHM, BoolArray, ComplexArray, FloatArray, IntArray
from rf3d.venue.materials import Layer, complex_permittivity
from rf3d.venue.surfaces import Surface

FROM_GEOMETRY = np.nan
"""Layer thickness of a solid: the path brings it along."""
OPAQUE_DB = -200.0
"""Walls that pass less than this are treated as letting nothing through."""


LEAST_COS = 1e-6
"""Waves come no closer to along a wall: vacuum layers would be 0/0, and 1 − cos²θ must not round to 1."""


class Walls(NamedTuple):
    """Surfaces made ready for the kernels, at F frequencies.

    Attributes
    ----------
    layer_start : (parts + 1,) int32
        Layers of part p are ``layer_start[p]:layer_start[p + 1]``, front to back.
    permittivity : (F, L) complex128
    thickness_m : (L,) float64
        NaN where the geometry gives it.
    half_space : (parts,) bool
    wavenumber : (F,) float64
    scattering : (parts,) float64
        S, amplitude of the diffuse part of what is reflected.
    film : (F, L, 2) complex128
        Of a film or grid: sheet impedance over η₀, and the factor of sin²θ by which TM sees less of it. NaN elsewhere.
    open_fraction : (parts,) float64
        Share of openings larger than a wavelength.
    """

    layer_start: IntArray
    permittivity: ComplexArray
    thickness_m: FloatArray
    half_space: BoolArray
    wavenumber: FloatArray
    scattering: FloatArray
    film: ComplexArray
    open_fraction: FloatArray


def make_walls(surfaces: tuple[Surface, ...], frequencies_hz: FloatArray) -> Walls:
    """Permittivities and thicknesses of all surfaces at frequencies (F,) in hertz."""
    frequencies = np.atleast_1d(np.asarray(frequencies_hz, dtype=np.float64))
    wavenumber = 2 * np.pi * frequencies / SPEED_OF_LIGHT_M_S
    # Surfaces many, materials few, and the same ones again and again: told apart by identity, which costs no comparing.
    stacks = {id(surface.material.layers): surface.material.layers for surface in surfaces}
    first, rows = {}, 0
    for key, layers in stacks.items():
        first[key], rows = rows, rows + len(layers)
    permittivity = [complex_permittivity(layers, frequencies) for layers in stacks.values()]
    film = [_films(layers, eps, wavenumber) for layers, eps in zip(stacks.values(), permittivity, strict=True)]
    start, row, thickness = [0], [], []
    for surface in surfaces:
        layers, begin = surface.material.layers, first[id(surface.material.layers)]
        for i, layer in enumerate(layers):
            own = layer.thickness_m if layer.thickness_m is not None else surface.thickness_m
            thickness.append(FROM_GEOMETRY if own is None else own)
            row.append(begin + i)
        start.append(len(row))
    return Walls(
        np.array(start, dtype=np.int32),
        np.ascontiguousarray(np.concatenate(permittivity).T[:, row]),
        np.array(thickness, dtype=np.float64),
        np.array([surface.half_space for surface in surfaces], dtype=np.bool_),
        wavenumber,
        np.array([surface.material.scattering for surface in surfaces], dtype=np.float64),
        np.ascontiguousarray(np.concatenate(film).transpose(1, 0, 2)[:, row]),
        np.array([surface.material.open_fraction for surface in surfaces], dtype=np.float64),
    )


def _films(layers: tuple[Layer, ...], eps: ComplexArray, wavenumber: FloatArray) -> ComplexArray:
    """Sheet impedances over η₀ and TM factors (L, F, 2) of films and grids; NaN for other layers.

    A film is Rs/η₀ for both polarisations. A grid whose wires touch is jX/η₀ for TE and jX/η₀·(1 − sin²θ/2ε) for TM,
    ε the mean permittivity on its two sides.

    Source: Luukkonen et al., IEEE TAP 56 (2008) 1624, averaged boundary conditions after Kontorovich (from memory).
    """
    film = np.full((*eps.shape, 2), np.nan, dtype=np.complex128)
    outside = np.ones((1, eps.shape[1]))
    beside = np.concatenate([outside, eps, outside])
    for index, layer in enumerate(layers):
        if layer.sheet_resistance_ohm is not None:
            film[index, :, 0] = layer.sheet_resistance_ohm / VACUUM_IMPEDANCE_OHM
            film[index, :, 1] = 0.0
        elif layer.grid is not None:
            film[index, :, 0] = 1j * wavenumber * layer.grid.inductance_m
            film[index, :, 1] = 1.0 / (beside[index] + beside[index + 2])
    return film


def opaque_parts(
    surfaces: tuple[Surface, ...], frequencies_hz: FloatArray, *, loss_db: float = -OPAQUE_DB, solid_m: float = 1e-3
) -> BoolArray:
    """Which parts let nothing through at any of the frequencies: half-spaces, and walls that lose more than loss_db.

    A solid counts with the thickness ``solid_m``: with a millimetre a thin metal member is opaque and a thin
    wooden one is not.
    """
    walls = make_walls(surfaces, frequencies_hz)
    part = np.arange(len(surfaces), dtype=np.int32)
    square, depth = np.ones(len(part)), np.full(len(part), solid_m)
    oblique = np.zeros(len(part), dtype=np.bool_)
    through = [passed_power(walls, f, part, square, depth, oblique) for f in range(len(walls.wavenumber))]
    return walls.half_space | (np.max(through, axis=0) < 10.0 ** (-loss_db / 10.0))


# The general complex square root, exponential and quotient guard against overflow, which does not happen here; without
# the guards a bounce costs half as much.
@njit(**INNER)
def _root(eps: complex, sin2: float) -> complex:
    """√(ε − sin²θ), the decaying branch of P.2040: Im ≤ 0."""
    x, y = eps.real - sin2, eps.imag
    size = np.sqrt(x * x + y * y)
    if x >= 0.0:
        real = np.sqrt(0.5 * (size + x))
        return complex(real, -0.5 * abs(y) / real if real > 0.0 else 0.0)
    imaginary = np.sqrt(0.5 * (size - x))
    return complex(-0.5 * y / imaginary, -imaginary)


@njit(**INNER)
def _principal(z: complex) -> complex:
    """√z, Re ≥ 0."""
    size = np.sqrt(z.real * z.real + z.imag * z.imag)
    if z.real >= 0.0:
        real = np.sqrt(0.5 * (size + z.real))
        return complex(real, 0.5 * z.imag / real if real > 0.0 else 0.0)
    imaginary = np.sqrt(0.5 * (size - z.real))
    return complex(0.5 * abs(z.imag) / imaginary, imaginary if z.imag >= 0.0 else -imaginary)


@njit(**INNER)
def _over(a: complex, b: complex) -> complex:
    """a/b."""
    size = 1.0 / (b.real * b.real + b.imag * b.imag)
    return complex((a.real * b.real + a.imag * b.imag) * size, (a.imag * b.real - a.real * b.imag) * size)


@njit(**INNER)
def half_space(eps: complex, cos_i: float) -> tuple[complex, complex]:
    """Fresnel reflection r_TE, r_TM at a half-space of relative permittivity ε′ − jε″.

    Source: ITU-R P.2040-3, reflection at an interface: r_TE = (cosθ − s)/(cosθ + s), r_TM = (η cosθ − s)/(η cosθ + s),
    s = √(η − sin²θ).
    """
    s = _root(eps, 1.0 - cos_i * cos_i)
    return _over(cos_i - s, cos_i + s), _over(eps * cos_i - s, eps * cos_i + s)


@njit(**INNER)
def slab(
    eps: complex, wavenumber: float, thickness_m: float, cos_i: float
) -> tuple[complex, complex, complex, complex]:
    """R_TE, R_TM, insertion T_TE, T_TM of one layer in air: what ``coefficients`` comes to, with half the divisions.

    Source: ITU-R P.2040-3, single-layer slab.
    """
    s = _root(eps, 1.0 - cos_i * cos_i)
    r_te, r_tm = _over(cos_i - s, cos_i + s), _over(eps * cos_i - s, eps * cos_i + s)
    k0_d = wavenumber * thickness_m
    fall, turn, phase = np.exp(k0_d * s.imag), -k0_d * s.real, k0_d * cos_i
    delay = complex(fall * np.cos(turn), fall * np.sin(turn))
    insertion = complex(np.cos(phase), np.sin(phase))
    twice, once = delay * delay, delay * insertion
    whole_te, whole_tm = _over(1.0 + 0.0j, 1.0 - r_te * r_te * twice), _over(1.0 + 0.0j, 1.0 - r_tm * r_tm * twice)
    t_te, t_tm = (1.0 - r_te) * (1.0 + r_te) * once * whole_te, (1.0 - r_tm) * (1.0 + r_tm) * once * whole_tm
    return r_te * (1.0 - twice) * whole_te, r_tm * (1.0 - twice) * whole_tm, t_te, t_tm


@njit(**INNER)
def echo_bound(eps: complex, wavenumber: float, thickness_m: float) -> float:
    """Most of a wave's amplitude that is left after going through a layer and back, at any angle.

    Im √(ε − sin²θ) is least at normal incidence: its product with the real part is Im ε/2, and the real part falls.
    """
    return float(np.exp(2.0 * wavenumber * _root(eps, 0.0).imag * thickness_m))


@njit(**INNER)
def most_reflected(eps: complex, cos_i: float, te: bool, echo: float) -> float:
    """Bound of |R|² of a layer in air, from |r|² of its face and ``echo_bound``: |R| ≤ |r|(1 + a)/(1 − |r|²a).

    Source: triangle inequality on the single-slab formula of ITU-R P.2040-3.
    """
    s = _root(eps, 1.0 - cos_i * cos_i)
    r = _over(cos_i - s, cos_i + s) if te else _over(eps * cos_i - s, eps * cos_i + s)
    face = r.real * r.real + r.imag * r.imag
    left = 1.0 - face * echo
    return face * (1.0 + echo) ** 2 / (left * left) if left > 0.0 else np.inf


@njit(nogil=True, cache=True, inline="always")  # a call that hands over the tuple costs as much as a half-space
def coefficients(
    walls: Walls, f: int, part: int, cos_i: float, depth_m: float
) -> tuple[complex, complex, complex, complex]:
    """R_TE, R_TM, insertion T_TE, T_TM of one part at frequency index f.

    The layers are folded from the back with the recursion that the single-slab formulas of P.2040 are the
    one-layer case of; written with decaying exponentials only, so a thick metal wall gives 0 and never NaN.

    Parameters
    ----------
    cos_i : float
        Cosine of the angle of incidence, 0 to 1.
    depth_m : float
        Thickness of a layer whose thickness the geometry gives; inf for a half-space. A stack that states its own
        thickness keeps it.

    A film of impedance z·η₀ is folded as a shunt in a vacuum gap without thickness: with the reflection Γ of what
    lies behind, as seen by the tangential electric field, it passes 1/(1 + q(1 + Γ)), q = 1/(2z cosθ) for TE and
    cosθ/(2z) for TM.

    Openings larger than a wavelength pass the wave as it is: |T|² = o + (1 − o)|T|², |R|² = (1 − o)|R|², powers and
    not fields, since what an opening bends aside still arrives behind the wall (Parseval); the phase is that of
    the mean field.

    Source: ITU-R P.2040-3, slab and multilayer methods; Born & Wolf, Principles of Optics, 7th ed., 1.6 (from memory).
    """
    first = walls.layer_start[part]
    last = walls.layer_start[part + 1] - 1
    cos_i = max(cos_i, LEAST_COS)
    if walls.half_space[part] or (np.isinf(depth_m) and np.isnan(walls.thickness_m[first])):
        r_te, r_tm = half_space(walls.permittivity[f, first], cos_i)
        return r_te, r_tm, 0.0j, 0.0j
    k0 = walls.wavenumber[f]
    eps = walls.permittivity[f, last]
    opening = walls.open_fraction[part]
    if first == last and np.isnan(walls.film[f, first, 0].real):
        thickness = walls.thickness_m[first]
        r_te, r_tm, t_te, t_tm = slab(eps, k0, depth_m if np.isnan(thickness) else thickness, cos_i)
        if opening > 0.0:
            closed = np.sqrt(1.0 - opening)
            return r_te * closed, r_tm * closed, _opened(t_te, opening), _opened(t_tm, opening)
        return r_te, r_tm, t_te, t_tm
    sin2 = 1.0 - cos_i * cos_i
    s = _root(eps, sin2)
    g_te = _over(s - cos_i, s + cos_i)
    g_tm = _over(s - eps * cos_i, s + eps * cos_i)
    t_te = 1.0 + g_te
    t_tm = 1.0 + g_tm
    total = 0.0
    for layer in range(last, first - 1, -1):
        thickness = walls.thickness_m[layer]
        if np.isnan(thickness):
            thickness = depth_m
        total += thickness
        z = walls.film[f, layer, 0]
        if not np.isnan(z.real):
            load = 2.0 * cos_i * z
            whole = load + 1.0 + g_te
            t_te *= _over(load, whole)
            g_te = _over(load * g_te - 1.0 - g_te, whole)
            load = 2.0 * z * (1.0 - sin2 * walls.film[f, layer, 1])
            whole = load + cos_i * (1.0 - g_tm)
            t_tm *= _over(load, whole)
            g_tm = _over(load * g_tm + cos_i * (1.0 - g_tm), whole)
        fall, turn = np.exp(k0 * s.imag * thickness), -k0 * s.real * thickness
        delay = complex(fall * np.cos(turn), fall * np.sin(turn))
        if layer == first:
            eps_front, s_front = 1.0 + 0.0j, cos_i + 0.0j
        else:
            eps_front = walls.permittivity[f, layer - 1]
            s_front = _root(eps_front, sin2)
        r_te = _over(s_front - s, s_front + s)
        r_tm = _over(eps * s_front - eps_front * s, eps * s_front + eps_front * s)
        twice = delay * delay
        d_te = 1.0 + r_te * g_te * twice
        d_tm = 1.0 + r_tm * g_tm * twice
        t_te *= _over((1.0 + r_te) * delay, d_te)
        t_tm *= _over((1.0 + r_tm) * delay, d_tm)
        g_te = _over(r_te + g_te * twice, d_te)
        g_tm = _over(r_tm + g_tm * twice, d_tm)
        eps, s = eps_front, s_front
    phase = k0 * total * cos_i
    insertion = complex(np.cos(phase), np.sin(phase))
    t_te *= insertion
    t_tm *= insertion
    if opening > 0.0:
        closed = np.sqrt(1.0 - opening)
        return g_te * closed, g_tm * closed, _opened(t_te, opening), _opened(t_tm, opening)
    return g_te, g_tm, t_te, t_tm


@njit(**INNER)
def _opened(t: complex, opening: float) -> complex:
    """Transmission of a wall with openings larger than a wavelength: power mean, phase of the mean field."""
    mean = opening + (1.0 - opening) * t
    power = opening + (1.0 - opening) * (t.real * t.real + t.imag * t.imag)
    return np.sqrt(power) * mean / max(abs(mean), 1e-12)


@njit(**INNER, inline="always")
def specular(walls: Walls, part: int) -> float:
    """√(1 − S²): what a rough surface leaves of the amplitude of a reflection; the rest is scattered.

    Source: Degli-Esposti, Fuschini, Vitucci & Falciasecca, IEEE TAP 55 (2007) 143 (from memory): S² is the share of
    the reflected power that leaves the specular direction.
    """
    return float(np.sqrt(1.0 - walls.scattering[part] * walls.scattering[part]))


@njit(**INNER)
def transmission(walls: Walls, f: int, part: int, cos_i: float, depth_m: float) -> tuple[complex, complex]:
    """Insertion T_TE, T_TM of ``coefficients``, compiled once for where a call costs nothing that counts."""
    _, _, t_te, t_tm = coefficients(walls, f, part, cos_i, depth_m)
    return t_te, t_tm


@njit(**INNER)
def oblique_body(walls: Walls, f: int, part: int, cos_in: float, chord_m: float) -> tuple[complex, complex]:
    """Amplitude factors TE, TM of one face of a body whose two faces are not parallel, half its bulk loss included."""
    face_te, face_tm = body_face(walls, f, part, cos_in)
    bulk = half_bulk(walls, f, part, chord_m)
    return face_te * bulk, face_tm * bulk


@njit(**INNER)
def body_face(walls: Walls, f: int, part: int, cos_in: float) -> tuple[complex, complex]:
    """Amplitude factors TE, TM of one face of a body whose two faces are not parallel, what is inside left out.

    Entering and leaving are each √(1 − r²), which is the same in both directions; no resonance. By
    ``half_space`` that is 2√(s cosθ)/(cosθ + s) and 2√(η s cosθ)/(η cosθ + s). A stack of layers that states its own
    thickness is the skin of a hollow body instead: each face is the whole wall.
    """
    if not np.isnan(walls.thickness_m[walls.layer_start[part]]):
        return transmission(walls, f, part, cos_in, 0.0)
    eps = walls.permittivity[f, walls.layer_start[part]]
    s = _root(eps, 1.0 - cos_in * cos_in)
    mean = 2.0 * _principal(s * cos_in)
    return _over(mean, cos_in + s), _over(mean * _root(eps, 0.0), eps * cos_in + s)


@njit(**INNER)
def half_bulk(walls: Walls, f: int, part: int, chord_m: float) -> complex:
    """exp(−½jk₀(√ε − 1)·chord): what the inside of a body does, shared evenly between two faces; 1 for a hollow one."""
    if not np.isnan(walls.thickness_m[walls.layer_start[part]]):
        return 1.0 + 0.0j
    index, half = _root(walls.permittivity[f, walls.layer_start[part]], 0.0), 0.5 * walls.wavenumber[f] * chord_m
    fall, turn = np.exp(half * index.imag), half * (1.0 - index.real)
    return complex(fall * np.cos(turn), fall * np.sin(turn))


@njit(nogil=True, cache=True)
def passed_power(
    walls: Walls, f: int, part: IntArray, cos_i: FloatArray, depth_m: FloatArray, oblique: BoolArray
) -> FloatArray:
    """Share of the power (N,) that walls or, where ``oblique``, single faces pass; the mean of TE and TM."""
    power = np.empty(len(part))
    for i in range(len(part)):
        if oblique[i]:
            t_te, t_tm = oblique_body(walls, f, part[i], cos_i[i], depth_m[i])
        else:
            t_te, t_tm = transmission(walls, f, part[i], cos_i[i], depth_m[i])
        power[i] = 0.5 * (abs(t_te) ** 2 + abs(t_tm) ** 2)
    return power


@njit(**INNER)
def te_axis(k: FloatArray, n: FloatArray, te: FloatArray) -> float:
    """Write the unit TE vector k × n into ``te``; return |cosθ|. At normal incidence any tangent will do."""
    te[0] = k[1] * n[2] - k[2] * n[1]
    te[1] = k[2] * n[0] - k[0] * n[2]
    te[2] = k[0] * n[1] - k[1] * n[0]
    size = np.sqrt(te[0] * te[0] + te[1] * te[1] + te[2] * te[2])
    if size < 1e-12:
        if abs(n[0]) < 0.7:
            te[0], te[1], te[2] = 0.0, n[2], -n[1]
        else:
            te[0], te[1], te[2] = -n[2], 0.0, n[0]
        size = np.sqrt(te[0] * te[0] + te[1] * te[1] + te[2] * te[2])
    for i in range(3):
        te[i] /= size
    return min(1.0, abs(k[0] * n[0] + k[1] * n[1] + k[2] * n[2]))


@njit(**INNER)
def apply(
    field: ComplexArray, k_in: FloatArray, k_out: FloatArray, te: FloatArray, c_te: complex, c_tm: complex
) -> None:
    """Multiply a field (3,) in place by TE and TM coefficients, turning it from direction k_in to k_out.

    TM axes are te × k before and after; for a straight crossing k_out is k_in.
    """
    a_te = field[0] * te[0] + field[1] * te[1] + field[2] * te[2]
    a_tm = (
        field[0] * (te[1] * k_in[2] - te[2] * k_in[1])
        + field[1] * (te[2] * k_in[0] - te[0] * k_in[2])
        + field[2] * (te[0] * k_in[1] - te[1] * k_in[0])
    )
    a_te *= c_te
    a_tm *= c_tm
    field[0] = a_te * te[0] + a_tm * (te[1] * k_out[2] - te[2] * k_out[1])
    field[1] = a_te * te[1] + a_tm * (te[2] * k_out[0] - te[0] * k_out[2])
    field[2] = a_te * te[2] + a_tm * (te[0] * k_out[1] - te[1] * k_out[0])
