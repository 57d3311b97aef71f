"""Calculated patterns: the wire of a dipole or omni, and the lobe of a panel or Yagi, each with its exact integral."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq
from scipy.special import exp1, roots_legendre, sici

from rf3d.units import FloatArray, from_db

FLOOR_DB = (-35.0, -10.0)
"""Range of the side and back radiation of a panel or Yagi against its peak; common practice 15–20 dB, no source."""


class Wire(NamedTuple):
    """Upright wire: realised peak gain; half its length times k; length of the line of such wires in wavelengths."""

    peak: float
    half_length: float
    aperture: float


def wire_shape(cosine: FloatArray, half_length: float, aperture: float) -> FloatArray:
    """Power of an upright wire against its peak, over cosθ.

    Sinusoidal current on a centre-fed wire of length 2h, a = kh: [cos(a cosθ) − cos a] / sinθ, at a = π/2 the half-wave
    dipole cos((π/2) cosθ)/sinθ, at a → 0 the short dipole sinθ; times sin(u)/u, u = π (L/λ) cosθ, of an even line of
    length L.

    Source: Balanis, Antenna Theory, linear wire and linear array chapters (from memory); half-wave values as printed in
    the tests.
    """
    ring2 = 1.0 - cosine**2
    if half_length == 0.0:
        element = np.sqrt(np.maximum(ring2, 0.0))
    else:
        # The difference of cosines as a product of sines keeps its digits for short wires and near the axis.
        product = np.sin(0.5 * half_length * (1.0 + cosine)) * np.sin(0.5 * half_length * (1.0 - cosine))
        ring = np.sqrt(np.maximum(ring2, 1e-300))
        element = np.where(ring2 > 0.0, product / ring, 0.0) / np.sin(0.5 * half_length) ** 2
    if aperture != 0.0:
        element = element * np.sinc(aperture * cosine)
    return np.asarray(element**2)


def _wire_directivity(half_length: float, aperture: float) -> float:
    cosine, weight = _quadrature()
    return 2.0 / float(weight @ wire_shape(cosine, half_length, aperture))


@lru_cache(maxsize=256)
def wire_of(pattern: str, gain_dbi: float | None, efficiency: float) -> Wire:
    """Wire of the asked realised gain: a short dipole, a shorter or whole half-wave dipole, or a line of such."""
    half_wave = 0.5 * np.pi
    if pattern == "short_dipole":
        return Wire(1.5 * efficiency, 0.0, 0.0)
    # 4 / Cin(2π) = 1.640922: Balanis, half-wave dipole (from memory); Cin(x) = γ + ln x − Ci(x).
    directivity = 4.0 / (np.euler_gamma + np.log(2.0 * np.pi) - float(sici(2.0 * np.pi)[1]))
    if pattern == "dipole":
        return Wire(directivity * efficiency, half_wave, 0.0)
    assert gain_dbi is not None
    wanted = float(from_db(gain_dbi)) / efficiency
    if wanted <= 1.5:
        return Wire(1.5 * efficiency, 0.0, 0.0)
    if wanted <= directivity:
        half_length = float(brentq(lambda a: _wire_directivity(a, 0.0) - wanted, 1e-6, half_wave + 1e-6, xtol=1e-14))
        return Wire(_wire_directivity(half_length, 0.0) * efficiency, half_length, 0.0)
    # The directivity of an even line of length L is close to 2L/λ, so this holds the answer.
    aperture = float(brentq(lambda n: _wire_directivity(half_wave, n) - wanted, 0.0, wanted + 2.0, xtol=1e-12))
    return Wire(_wire_directivity(half_wave, aperture) * efficiency, half_wave, aperture)


class Lobe(NamedTuple):
    """Panel or Yagi: realised peak gain, floor against it, exponents over tan²(ϑ/2) in azimuth and elevation."""

    peak: float
    floor: float
    azimuth: float
    elevation: float


@lru_cache(maxsize=256)
def lobe_of(gain_dbi: float, beamwidth_deg: tuple[float, float], efficiency: float) -> Lobe:
    """Lobe of the asked beamwidths whose mean over the sphere is exactly the efficiency.

    G = peak · [(1 − f) exp(−κ tan²(ϑ/2)) + f], κ = κ_az cos²χ + κ_el sin²χ, ϑ from the boresight and χ about it: a
    Gaussian in the stereographic plane, smooth over the whole sphere, plus an even floor f. The half-power widths
    include the floor. f makes the peak the asked gain where `FLOOR_DB` lets it.

    Source: definition of directivity, IEEE Std 145 (from memory); the shape is this project's choice.
    """
    tangent2 = np.tan(np.radians(np.asarray(beamwidth_deg)) / 4.0) ** 2

    def shape(floor: float) -> tuple[float, FloatArray]:
        steepness = np.log((1.0 - floor) / (0.5 - floor)) / tangent2
        return (1.0 - floor) * _lobe_mean(steepness) + floor, steepness

    wanted = efficiency / float(from_db(gain_dbi))
    low, high = (float(from_db(edge)) for edge in FLOOR_DB)
    if wanted <= shape(low)[0]:
        floor = low
    elif wanted >= shape(high)[0]:
        floor = high
    else:
        floor = float(brentq(lambda f: shape(f)[0] - wanted, low, high, xtol=1e-15))
    mean, steepness = shape(floor)
    return Lobe(efficiency / mean, floor, float(steepness[0]), float(steepness[1]))


def lobe_gain(lobe: Lobe, k: FloatArray) -> FloatArray:
    """Realised gain (N,), linear, of a panel or Yagi in directions (N, 3)."""
    ahead2 = (1.0 + k[:, 0]) ** 2
    exponent = np.full(len(k), np.inf)  # straight back tan²(ϑ/2) is infinite
    np.divide(lobe.azimuth * k[:, 1] ** 2 + lobe.elevation * k[:, 2] ** 2, ahead2, out=exponent, where=ahead2 > 0.0)
    return np.asarray(lobe.peak * ((1.0 - lobe.floor) * np.exp(-exponent) + lobe.floor))


def _lobe_mean(steepness: FloatArray) -> float:
    """Mean over the sphere of exp(−κ tan²(ϑ/2)).

    Over v = tan²(ϑ/2) it is ∫e^{−κv}/(1 + v)² dv = 1 − κ e^κ E₁(κ); then the mean over χ.
    """
    turn = np.arange(1024) * np.pi / 1024
    kappa = steepness[0] * np.cos(turn) ** 2 + steepness[1] * np.sin(turn) ** 2
    near = np.minimum(kappa, 300.0)
    exact = 1.0 - near * np.exp(near) * exp1(near)
    far = np.maximum(kappa, 300.0)
    # Asymptotic series 1/κ − 2!/κ² + 3!/κ³ …, whose eighth term is below 1e-15 here.
    series = sum((-1.0) ** n * float(np.prod(np.arange(1, n + 2))) / far ** (n + 1) for n in range(8))
    return float(np.mean(np.where(kappa < 300.0, exact, series)))


@lru_cache(maxsize=1)
def _quadrature() -> tuple[FloatArray, FloatArray]:
    """Nodes and weights of an integral over the cosine of the polar angle; enough for the longest collinear."""
    return roots_legendre(2048)
