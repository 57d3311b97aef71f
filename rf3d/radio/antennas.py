"""Antenna patterns: the complex field an antenna sends in each direction, and how it is turned and aimed.

Antenna axes: boresight +x, up +z; a dipole or omni lies along z. The squared length of the
field is the realised gain, so the mean over the sphere is exactly the efficiency. A receiving
antenna answers with the same function of the direction it looks in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from rf3d.errors import InputError
from rf3d.radio.patterns import Grid, SampledPattern, sampled_field, sampled_gain, sphere
from rf3d.radio.shapes import Lobe, Wire, lobe_gain, lobe_of, wire_of, wire_shape
from rf3d.units import ComplexArray, FloatArray, from_db, read_only, to_db, turned

Pattern = Literal["isotropic", "short_dipole", "dipole", "omni", "panel", "yagi"]
PATTERNS: tuple[str, ...] = get_args(Pattern)
_DIRECTIVE = ("panel", "yagi")
FROM_FILE = "file"
"""What `Antenna.pattern` says of one whose pattern is sampled."""
FILE_FIELD = "as the file gives it"
"""What `Antenna.polarisation` says of one whose file gives the complex field."""

_R = np.sqrt(0.5)
POLARISATIONS: dict[str, tuple[complex, complex]] = {
    "vertical": (1.0, 0.0), "horizontal": (0.0, 1.0), "+45": (_R, _R), "-45": (_R, -_R),
    "rhcp": (_R, -1j * _R), "lhcp": (_R, 1j * _R),
}  # fmt: skip
"""Parts along the vertical axis e and along k × e, which is to the right of it, seen along the propagation k.

+45 leans to the right seen from behind the antenna. RHCP turns clockwise seen along the propagation: IEEE Std 145
(from memory), with exp(+jωt).
"""

UPRIGHT: FloatArray = read_only(np.eye(3))
"""Axes of an antenna that stands upright: its z is the venue's, its boresight +x."""


@dataclass(frozen=True)
class Antenna:
    """An antenna; make one with `make_antenna`, which checks it.

    Parameters
    ----------
    name : str
    pattern : {"isotropic", "short_dipole", "dipole", "omni", "panel", "yagi", "file"}
    gain_dbi : float or None
        Realised peak gain; None where the pattern fixes it.
    beamwidth_deg : tuple of 2 float or None
        Full half-power widths in azimuth and elevation, of a panel or Yagi.
    polarisation : {"vertical", "horizontal", "+45", "-45", "rhcp", "lhcp"}
        Of the upright antenna; `FILE_FIELD` where its file gives the complex field.
    xpd_db : float or None
        Co-polar over cross-polar power; None for no cross-polar part.
    efficiency : float
        Radiated over accepted power, and mean of the realised gain over the sphere; of a file, as stated in the plan or
        as its samples give.
    sampled : SampledPattern or None
        The pattern of a file.
    size_m : float or None
        Largest dimension, where the plan or the file states it.
    """

    name: str
    pattern: str
    gain_dbi: float | None
    beamwidth_deg: tuple[float, float] | None
    polarisation: str
    xpd_db: float | None
    efficiency: float
    sampled: SampledPattern | None = None
    size_m: float | None = None

    @property
    def aimed(self) -> bool:
        """Whether it sends most of its power ahead; its polarisation then lies about the boresight."""
        return self.pattern in _DIRECTIVE or (self.sampled is not None and self.sampled.about_boresight)


def make_antenna(
    name: str,
    *,
    pattern: str,
    gain_dbi: float | None = None,
    beamwidth_deg: tuple[float, float] | None = None,
    polarisation: str = "vertical",
    xpd_db: float | None = None,
    efficiency: float = 1.0,
    size_m: float | None = None,
) -> Antenna:
    """Make an antenna and refuse one that cannot be; parameters as of `Antenna`.

    Raises
    ------
    InputError
        On an unknown word, a number out of range, a missing gain or beamwidth, or one that the pattern has no use for.
    """

    def refuse(key: str, given: object, allowed: str) -> InputError:
        return InputError(f'{key} of antenna "{name}" is {given}', allowed, f"change it in [antenna.{name}]")

    if pattern not in PATTERNS:
        raise refuse("pattern", repr(pattern), f"it must be one of {', '.join(PATTERNS)}")
    if polarisation not in POLARISATIONS:
        raise refuse("polarisation", repr(polarisation), f"it must be one of {', '.join(POLARISATIONS)}")
    if pattern in ("short_dipole", "dipole") and polarisation != "vertical":
        raise refuse(
            "polarisation",
            repr(polarisation),
            "a dipole is polarised along itself: say vertical and lay it with roll_deg",
        )
    if not 0.0 < efficiency <= 1.0:
        raise refuse("efficiency", efficiency, "it must be above 0 and at most 1")
    if xpd_db is not None and not 0.0 <= xpd_db <= 100.0:
        raise refuse("xpd_db", xpd_db, "it must be from 0 to 100")
    if gain_dbi is None and pattern in ("omni", *_DIRECTIVE):
        raise refuse("gain_dbi", "missing", f"{pattern} must have a gain in dBi")
    highest = 15.0 + float(to_db(efficiency)) if pattern == "omni" else 40.0
    if gain_dbi is not None and not -40.0 <= gain_dbi <= highest:
        raise refuse("gain_dbi", gain_dbi, f"it must be from -40 to {highest:g} for {pattern}")
    if pattern in _DIRECTIVE:
        if beamwidth_deg is None:
            raise refuse("beamwidth_deg", "missing", f"{pattern} must have two: azimuth and elevation")
        if len(beamwidth_deg) != 2 or not all(1.0 <= width <= 180.0 for width in beamwidth_deg):
            raise refuse(
                "beamwidth_deg", list(beamwidth_deg), "it must be two full widths from 1 to 180: azimuth, elevation"
            )
        beamwidth_deg = (float(beamwidth_deg[0]), float(beamwidth_deg[1]))
    elif beamwidth_deg is not None:
        raise refuse(
            "beamwidth_deg", list(beamwidth_deg), f"{pattern} has the beamwidth that its shape gives: leave it out"
        )
    return Antenna(name, pattern, gain_dbi, beamwidth_deg, polarisation, xpd_db, float(efficiency), size_m=size_m)


def file_antenna(
    name: str,
    sampled: SampledPattern,
    *,
    polarisation: str | None = None,
    xpd_db: float | None = None,
    efficiency: float | None = None,
    size_m: float | None = None,
) -> Antenna:
    """Make an antenna of a pattern from a file; parameters as of `Antenna`.

    Raises
    ------
    InputError
        On a polarisation or cross-polar part that a file of gains needs and none states, or that a file of fields
        gives already.
    """

    def refuse(given: str, allowed: str, cure: str) -> InputError:
        return InputError(f'{given} of antenna "{name}"', allowed, cure)

    if sampled.has_field:
        for key, value in (("polarisation", polarisation), ("xpd_db", xpd_db)):
            if value is not None:
                allowed = f'"{sampled.source}" gives the field and so the polarisation in every direction'
                raise refuse(f"{key} is not for a file of fields, but stands in the table", allowed, f"delete {key}")
        polarisation = FILE_FIELD
    else:
        polarisation = polarisation or sampled.polarisation
        for key, value in (("polarisation", polarisation), ("xpd_db", xpd_db)):
            if value is None:
                allowed = f'"{sampled.source}" gives gains only, so the plan must say how the field lies'
                raise refuse(f"there is no {key}", allowed, f"add {key}")
    assert polarisation is not None
    if efficiency is None:
        k, weight = sphere()
        bare = Antenna(name, FROM_FILE, None, None, polarisation, xpd_db, 1.0, sampled)
        efficiency = min(1.0, float(weight @ gain(bare, k)))
    size = sampled.size_m if size_m is None else size_m
    return Antenna(name, FROM_FILE, None, None, polarisation, xpd_db, efficiency, sampled, size)


def gain(antenna: Antenna, directions: ArrayLike) -> FloatArray:
    """Realised gain (N,), linear, in directions (N, 3) given in antenna axes."""
    k = np.asarray(directions, dtype=np.float64).reshape(-1, 3)
    if antenna.polarisation == FILE_FIELD:
        return np.asarray((np.abs(_file_field(antenna, k)) ** 2).sum(axis=1))
    return _gain(antenna, k)


def response(antenna: Antenna, directions: ArrayLike) -> ComplexArray:
    """Field in directions given in antenna axes; its squared length is the realised gain.

    Parameters
    ----------
    directions : (N, 3) float
        Unit vectors.

    Returns
    -------
    (N, 2) complex128
        Components along θ̂ and φ̂ of spherical coordinates about the antenna's z (θ from +z; on the axis φ is 0).

    Examples
    --------
    >>> dipole = make_antenna("whip", pattern="dipole")
    >>> bool(abs(abs(response(dipole, [[1.0, 0.0, 0.0]])[0, 0]) ** 2 - 1.640922) < 1e-6)
    True
    """
    k = np.asarray(directions, dtype=np.float64).reshape(-1, 3)
    if antenna.polarisation == FILE_FIELD:
        field = _file_field(antenna, k)
        return np.stack([np.einsum("ni,ni->n", field, axis) for axis in _spherical_axes(k)], axis=1)
    along, right = _jones(antenna.polarisation, antenna.xpd_db)
    amplitude = np.sqrt(_gain(antenna, k))
    if not antenna.aimed:
        return np.stack([amplitude * along, amplitude * right], axis=1)
    theta, phi = _spherical_axes(k)
    e = _ludwig3(k)
    cosine, sine = np.einsum("ni,ni->n", e, theta), np.einsum("ni,ni->n", e, phi)
    # k × e in terms of θ̂ and φ̂, as k × θ̂ = φ̂ and k × φ̂ = −θ̂.
    return np.stack([amplitude * (along * cosine - right * sine), amplitude * (along * sine + right * cosine)], axis=1)


def world_response(antenna: Antenna, axes: ArrayLike, directions: ArrayLike) -> ComplexArray:
    """Field vectors in venue axes, perpendicular to each direction; normalised as `response`.

    Parameters
    ----------
    axes : (3, 3) float
        Rows are the antenna's x, y, z in venue axes.
    directions : (N, 3) float
        Unit vectors in venue axes.

    Returns
    -------
    (N, 3) complex128
    """
    turn = np.asarray(axes, dtype=np.float64)
    way = np.asarray(directions, dtype=np.float64).reshape(-1, 3)
    k = turned(way, turn.T)
    if antenna.polarisation == FILE_FIELD:
        return np.asarray(turned(_file_field(antenna, k), turn), dtype=np.complex128)
    along, right = _jones(antenna.polarisation, antenna.xpd_db)
    e = _ludwig3(k) if antenna.aimed else _spherical_axes(k)[0]
    co = turned(np.sqrt(_gain(antenna, k))[:, None] * e, turn)
    field = np.empty(co.shape, dtype=np.complex128)
    field.real, field.imag = np.real(along) * co, np.imag(along) * co
    if right != 0.0:
        cross = _cross(way, co)
        field.real += np.real(right) * cross
        field.imag += np.imag(right) * cross
    return field


def peak_gain_dbi(antenna: Antenna) -> float:
    """Realised gain of the calculated pattern at its peak, dBi, whatever the plan states."""
    if antenna.sampled is not None:
        return float(to_db(max(antenna.sampled.shape.peak, gain(antenna, sphere()[0]).max())))
    if antenna.pattern == "isotropic":
        return float(to_db(antenna.efficiency))
    if antenna.pattern in _DIRECTIVE:
        return float(to_db(_lobe(antenna).peak))
    return float(to_db(_wire(antenna).peak))


def aim_axes(boresight: ArrayLike, roll_rad: float = 0.0) -> FloatArray:
    """Axes of an antenna aimed along ``boresight`` (3,): rows are its x, y, z in venue axes, (3, 3) float64.

    z is as far up as it can be; aimed straight up or down, +y of the venue is up. Roll is clockwise seen from
    behind the antenna, radians.

    Raises
    ------
    InputError
        For a boresight without a direction.

    Examples
    --------
    >>> aim_axes([0.0, 2.0, 0.0]).round(12).tolist()
    [[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]
    """
    x = np.asarray(boresight, dtype=np.float64).reshape(3)
    length = float(np.linalg.norm(x))
    if not (np.isfinite(length) and length > 0.0 and np.isfinite(roll_rad)):
        raise InputError(
            f"aim {x.tolist()} with roll {roll_rad:g}", "it must be finite and point somewhere",
            "aim at a place that is not the antenna's own",
        )  # fmt: skip
    x = x / length
    up = np.array([0.0, 0.0, 1.0]) if np.hypot(x[0], x[1]) > 1e-9 else np.array([0.0, 1.0, 0.0])
    y = np.cross(up, x)
    y /= np.linalg.norm(y)
    z = np.cross(x, y)
    cosine, sine = np.cos(roll_rad), np.sin(roll_rad)
    return np.stack([x, cosine * y + sine * z, cosine * z - sine * y]) + 0.0  # no −0


def _jones(polarisation: str, xpd_db: float | None) -> tuple[complex, complex]:
    """Parts along e and k × e: co-polar, and the orthogonal state in quadrature; their squares add to 1."""
    co = POLARISATIONS[polarisation]
    if xpd_db is None:
        return co
    cross_share = 1.0 / (1.0 + float(from_db(xpd_db)))
    keep, leak = np.sqrt(1.0 - cross_share), 1j * np.sqrt(cross_share)
    return keep * co[0] - leak * np.conj(co[1]), keep * co[1] + leak * np.conj(co[0])


def _spherical_axes(k: FloatArray) -> tuple[FloatArray, FloatArray]:
    """θ̂ and φ̂ (N, 3) of directions (N, 3)."""
    ring = np.hypot(k[:, 0], k[:, 1])
    on_axis = ring == 0.0
    ring_safe = np.where(on_axis, 1.0, ring)
    cosine, sine = np.where(on_axis, 1.0, k[:, 0] / ring_safe), k[:, 1] / ring_safe
    theta = np.stack([k[:, 2] * cosine, k[:, 2] * sine, -ring], axis=1)
    return theta, np.stack([-sine, cosine, np.zeros_like(sine)], axis=1)


def _ludwig3(k: FloatArray) -> FloatArray:
    """Reference axis (N, 3) for co-polarisation: z, carried from +x to each direction along the great circle.

    Source: Ludwig, IEEE Trans. Antennas Propag. 21 (1973) 116, third definition (from memory).
    """
    x, y, z = k[:, 0] + 1.0, k[:, 1], k[:, 2]
    # 1 + x as |k + x̂|²/2 keeps its digits near the back, where x is −1.
    twice = x * x + y * y + z * z
    turn = 2.0 * z / np.where(twice > 0.0, twice, 1.0)
    return np.stack([-turn * x, -turn * y, 1.0 - turn * z], axis=1)


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Cross products (N, 3), a third of the time of ``numpy.cross`` for long arrays."""
    (ax, ay, az), (bx, by, bz) = a.T, b.T
    return np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx], axis=1)


def _file_field(antenna: Antenna, k: FloatArray) -> ComplexArray:
    """Field vectors (N, 3), in antenna axes, of a file of fields."""
    assert antenna.sampled is not None
    assert isinstance(antenna.sampled.shape, Grid)
    return sampled_field(antenna.sampled.shape, k)


def _gain(antenna: Antenna, k: FloatArray) -> FloatArray:
    """Realised gain (N,), linear, of whatever is not a file of fields."""
    if antenna.sampled is not None:
        return sampled_gain(antenna.sampled.shape, k)
    if antenna.pattern == "isotropic":
        return np.full(len(k), antenna.efficiency)
    if antenna.pattern not in _DIRECTIVE:
        wire = _wire(antenna)
        return wire.peak * wire_shape(np.clip(k[:, 2], -1.0, 1.0), wire.half_length, wire.aperture)
    return lobe_gain(_lobe(antenna), k)


def directivity(antenna: Antenna) -> float:
    """Peak over mean of the calculated pattern, linear."""
    return float(from_db(peak_gain_dbi(antenna))) / mean_gain(antenna)


def mean_gain(antenna: Antenna) -> float:
    """Mean of the realised gain over the sphere: the efficiency, by construction or, of a file, as its samples give."""
    if antenna.sampled is None:
        return antenna.efficiency
    k, weight = sphere()
    return float(weight @ gain(antenna, k))


def wire_length(antenna: Antenna) -> float:
    """Length of a dipole or omni in wavelengths."""
    wire = _wire(antenna)
    return wire.half_length / np.pi + wire.aperture


def _wire(antenna: Antenna) -> Wire:
    return wire_of(antenna.pattern, antenna.gain_dbi, antenna.efficiency)


def _lobe(antenna: Antenna) -> Lobe:
    assert antenna.gain_dbi is not None
    assert antenna.beamwidth_deg is not None
    return lobe_of(antenna.gain_dbi, antenna.beamwidth_deg, antenna.efficiency)
