"""Patterns known at samples: what an antenna sends in the directions between them.

A `Grid` holds samples all over the sphere, of the gain or of the complex field. A `Cuts` holds the gain round the
horizon and round the upright circle through the boresight; what lies between is an interpolation. Both give back
every sample exactly. Axes are the antenna's own: θ from +z, φ from the boresight +x towards +y.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from rf3d.errors import Finding
from rf3d.units import ComplexArray, FloatArray, from_db, read_only, to_db

_Number = TypeVar("_Number", np.float64, np.complex128)
SOFT_FLOOR = 1e-3
"""Part of the peak below which gains are interpolated as power, and above as decibels: nulls and lobes both."""
CUT_FLOOR_DB = 60.0
"""How far below the peak a cut counts at most, where two cuts are put together."""


@dataclass(frozen=True, eq=False)
class Grid:
    """Samples over the sphere and their slopes.

    Attributes
    ----------
    table : (4, 2R, C, K) float64 or complex128
        Value, slope along θ, along φ, and both, per step. Rows go from +z down to −z and up the other side, as a
        great circle does: θ = π i / R. Columns are φ = 2π j / C. K is 1 for the logarithm of the gain (`_soft`), and 3
        for the field in Cartesian parts, which have no pole.
    peak : float
        Largest sampled gain.
    """

    table: FloatArray | ComplexArray
    peak: float

    @property
    def is_field(self) -> bool:
        """Whether the samples are complex fields rather than gains."""
        return bool(self.table.shape[3] == 3)


@dataclass(frozen=True, eq=False)
class Curve:
    """Gain round a circle: angles (S,) in radians, ascending over one turn; soft logarithms and their slopes."""

    angle_rad: FloatArray
    value: FloatArray
    slope: FloatArray
    peak: float


@dataclass(frozen=True, eq=False)
class Cuts:
    """Two principal cuts: azimuth round the cone of one elevation, elevation through the boresight and the back."""

    azimuth: Curve
    elevation: Curve
    azimuth_elevation_rad: float

    @property
    def peak(self) -> float:
        """Largest sampled gain of either cut."""
        return max(self.azimuth.peak, self.elevation.peak)


@dataclass(frozen=True)
class SampledPattern:
    """A pattern from a file; equal to another where file and choices are.

    Attributes
    ----------
    digest : str
        SHA-256 of the file's bytes and of the choices made in it, hexadecimal.
    source : str
        Name of the file.
    form : str
        What kind of file it is, in words.
    frequency_hz : float
        Of the measurement or computation.
    valid_hz : tuple of 2 float
        What the file is stated for; the frequency twice where it does not say.
    size_m : float or None
        Largest dimension, where the file states it.
    polarisation : str or None
        As the file states it.
    shape : Grid or Cuts
    about_boresight : bool
        Whether most of the power goes ahead. A polarisation that the plan states then lies as a panel's does, about
        the boresight, and otherwise as a wire's, about z.
    findings : tuple of Finding
        What reading it gave cause to say.
    """

    digest: str
    source: str
    form: str
    frequency_hz: float
    valid_hz: tuple[float, float]
    size_m: float | None
    polarisation: str | None
    shape: Grid | Cuts = field(compare=False, repr=False)
    about_boresight: bool = False
    findings: tuple[Finding, ...] = ()

    @property
    def has_field(self) -> bool:
        """Whether the file gives the complex field, and so the polarisation in every direction."""
        return isinstance(self.shape, Grid) and self.shape.is_field


def gain_grid(gain: FloatArray) -> Grid:
    """Grid of gains (R + 1, C), linear: rows from θ = 0 to π with both poles, columns over one turn of φ, C even.

    Between the samples a bicubic of the soft logarithm, whose slopes are harmonic means of the neighbouring steps and
    0 at a turn, so that no lobe is made up between two samples; the samples at a pole are averaged.

    Source of the slopes: Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300 (from memory). Rows continued
    over the poles: Merilees, Atmosphere 11 (1973) 13 (from memory).
    """
    gain = np.array(gain, dtype=np.float64)
    gain[[0, -1]] = gain[[0, -1]].mean(axis=1, keepdims=True)
    peak = float(gain.max())
    value = _over_the_poles(_soft(gain, peak)[:, :, None])
    along = _limited_slopes(value, axis=0)
    return Grid(
        read_only(np.stack([value, along, _limited_slopes(value, axis=1), _limited_slopes(along, axis=1)])), peak
    )


def field_grid(field_theta: ComplexArray, field_phi: ComplexArray) -> Grid:
    """Grid of fields, θ̂ and φ̂ parts (R + 1, C) each, squared length the gain; rows and columns as of `gain_grid`.

    Cartesian parts are interpolated by the periodic bicubic spline, rows continued over the poles, where a field has no
    seam: linear, so that neither phase nor null is disturbed.
    """
    rows, columns = field_theta.shape
    theta, phi = np.meshgrid(
        np.arange(rows) * np.pi / (rows - 1), np.arange(columns) * 2 * np.pi / columns, indexing="ij"
    )
    theta_hat = np.stack([np.cos(theta) * np.cos(phi), np.cos(theta) * np.sin(phi), -np.sin(theta)], axis=2)
    phi_hat = np.stack([-np.sin(phi), np.cos(phi), np.zeros_like(phi)], axis=2)
    vector = field_theta[:, :, None] * theta_hat + field_phi[:, :, None] * phi_hat
    vector[[0, -1]] = vector[[0, -1]].mean(axis=1, keepdims=True)
    peak = float((np.abs(vector) ** 2).sum(axis=2).max())
    value = _over_the_poles(vector)
    along = _spline_slopes(value, axis=0)
    return Grid(read_only(np.stack([value, along, _spline_slopes(value, axis=1), _spline_slopes(along, axis=1)])), peak)


def curve(angle_rad: FloatArray, gain: FloatArray) -> Curve:
    """Gain round a circle through samples at angles (S,), ascending over less than a turn; slopes as of `gain_grid`."""
    angle, gain = np.array(angle_rad, dtype=np.float64), np.array(gain, dtype=np.float64)
    peak = float(gain.max())
    value = _soft(gain, peak)
    step = np.diff(np.append(angle, angle[0] + 2.0 * np.pi))
    rise = np.diff(np.append(value, value[0])) / step
    before, rise_before = np.roll(step, 1), np.roll(rise, 1)
    turn = rise * rise_before <= 0.0
    a, b = 2.0 * step + before, step + 2.0 * before
    safe, safe_before = np.where(turn, 1.0, rise), np.where(turn, 1.0, rise_before)
    slope = np.where(turn, 0.0, (a + b) / (a / safe_before + b / safe))
    return Curve(read_only(angle), read_only(value), read_only(slope), peak)


def sampled_gain(shape: Grid | Cuts, k: FloatArray) -> FloatArray:
    """Gain (N,), linear, of a grid of gains or of cuts in directions (N, 3)."""
    if isinstance(shape, Cuts):
        return _cuts_gain(shape, k)
    return _hard(_interpolate(shape, k)[:, 0].real, shape.peak)


def sampled_field(shape: Grid, k: FloatArray) -> ComplexArray:
    """Field vectors (N, 3) of a grid of fields, perpendicular to the directions (N, 3)."""
    vector = _interpolate(shape, k)
    return np.asarray(vector - k * np.einsum("ni,ni->n", k, vector)[:, None], dtype=np.complex128)


def curve_gain(of: Curve, angle_rad: FloatArray) -> FloatArray:
    """Gain (N,), linear, at angles (N,) round the circle."""
    start = of.angle_rad[0]
    angle = (angle_rad - start) % (2.0 * np.pi) + start
    i = np.searchsorted(of.angle_rad, angle, side="right") - 1
    j = (i + 1) % len(of.angle_rad)
    step = (of.angle_rad[j] - of.angle_rad[i]) % (2.0 * np.pi)
    a, b, c, d = _hermite((angle - of.angle_rad[i]) / step)
    value = a * of.value[i] + b * step * of.slope[i] + c * of.value[j] + d * step * of.slope[j]
    return _hard(value, of.peak)


@lru_cache(maxsize=1)
def sphere() -> tuple[FloatArray, FloatArray]:
    """Directions (N, 3) and weights (N,), which add to 1, of a mean over the sphere; good for lobes of a degree."""
    z, weight = np.polynomial.legendre.leggauss(180)
    turn = np.arange(360) * np.pi / 180.0
    ring = np.sqrt(1.0 - z**2)
    k = np.stack(
        [np.outer(ring, np.cos(turn)).ravel(), np.outer(ring, np.sin(turn)).ravel(), np.repeat(z, 360)], axis=1
    )
    return read_only(k), read_only(np.repeat(weight, 360) / 720.0)


def _cuts_gain(cuts: Cuts, k: FloatArray) -> FloatArray:
    """Gain (N,) between two cuts: A over φ at the elevation ε₀ of the azimuth cut, V over ε.

    In decibels, with w = sin²(φ/2) from the front to the back,
    G = (1 − w) V(ε) + w V(π − ε) + [A(φ) − (1 − w) A(0) − w A(π)] cos²ε / cos²ε₀.

    It is V on the elevation cut, A on the azimuth cut as far as the two agree where they cross, and one value at each
    pole. Adding the losses of the two cuts is common practice, no source; fading between front and back and towards the
    poles is this project's choice.
    """
    ring = np.hypot(k[:, 0], k[:, 1])
    azimuth, elevation = np.arctan2(k[:, 1], k[:, 0]), np.arctan2(k[:, 2], ring)
    floor = cuts.peak * float(from_db(-CUT_FLOOR_DB))

    def in_db(of: Curve, angle: FloatArray) -> FloatArray:
        return to_db(np.maximum(curve_gain(of, angle), floor))

    back = np.sin(0.5 * azimuth) ** 2
    ahead_db, behind_db = in_db(cuts.azimuth, np.array([0.0, np.pi]))
    around = in_db(cuts.azimuth, azimuth) - (1.0 - back) * ahead_db - back * behind_db
    upright = (1.0 - back) * in_db(cuts.elevation, elevation) + back * in_db(cuts.elevation, np.pi - elevation)
    fade = (np.cos(elevation) / np.cos(cuts.azimuth_elevation_rad)) ** 2
    return np.maximum(from_db(upright + around * fade), floor)


def _interpolate(grid: Grid, k: FloatArray) -> NDArray[Any]:
    """Bicubic of a grid in directions (N, 3): (N, K)."""
    rows, columns = grid.table.shape[1] // 2, grid.table.shape[2]
    theta = np.arctan2(np.hypot(k[:, 0], k[:, 1]), k[:, 2]) * (rows / np.pi)
    phi = (np.arctan2(k[:, 1], k[:, 0]) % (2.0 * np.pi)) * (columns / (2.0 * np.pi))
    i = np.minimum(theta.astype(np.intp), rows - 1)
    j = phi.astype(np.intp)
    down, across = _hermite(theta - i), _hermite(phi - j)
    total = np.zeros((len(k), grid.table.shape[3]), dtype=grid.table.dtype)
    for row in (0, 1):
        for column in (0, 1):
            corner = grid.table[:, i + row, (j + column) % columns]
            for which in range(4):
                weight = down[2 * row + which % 2] * across[2 * column + which // 2]
                total += weight[:, None] * corner[which]
    return total


def _hermite(t: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Weights of value and slope at the start, and of value and slope at the end, of a cubic over 0 ≤ t ≤ 1."""
    rest = 1.0 - t
    return (1.0 + 2.0 * t) * rest**2, t * rest**2, t**2 * (3.0 - 2.0 * t), -(t**2) * rest


def _soft(gain: FloatArray, peak: float) -> FloatArray:
    """Logarithm that turns into plain power below `SOFT_FLOOR`, so that a null has a finite place."""
    return np.log(gain / peak + SOFT_FLOOR)


def _hard(value: FloatArray, peak: float) -> FloatArray:
    """Inverse of `_soft`."""
    return peak * np.maximum(np.exp(value) - SOFT_FLOOR, 0.0)


def _over_the_poles(value: NDArray[_Number]) -> NDArray[_Number]:
    """Rows (R + 1, C, K) from pole to pole, continued up the other side: (2R, C, K)."""
    return np.concatenate([value, np.roll(value[-2:0:-1], value.shape[1] // 2, axis=1)])


def _limited_slopes(value: FloatArray, axis: int) -> FloatArray:
    ahead = np.roll(value, -1, axis) - value
    behind = value - np.roll(value, 1, axis)
    product = ahead * behind
    same = product > 0.0
    return np.where(same, 2.0 * product / np.where(same, ahead + behind, 1.0), 0.0)


def _spline_slopes(value: ComplexArray, axis: int) -> ComplexArray:
    """Slopes s of the periodic cubic spline of unit steps, s₋₁ + 4 s₀ + s₊₁ = 3 (f₊₁ − f₋₁), solved by Fourier sums."""
    count = value.shape[axis]
    omega = 2.0 * np.pi * np.fft.fftfreq(count)
    factor = 6j * np.sin(omega) / (4.0 + 2.0 * np.cos(omega))
    form = [1, 1, 1]
    form[axis] = count
    return np.asarray(np.fft.ifft(np.fft.fft(value, axis=axis) * factor.reshape(form), axis=axis))
