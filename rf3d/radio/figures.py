"""The data sheet of an antenna as its pattern gives it: widths, peak, size, and whether the stated figures agree."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from rf3d.errors import Finding
from rf3d.radio.antennas import (
    FILE_FIELD,
    UPRIGHT,
    Antenna,
    aim_axes,
    directivity,
    gain,
    mean_gain,
    peak_gain_dbi,
    wire_length,
    world_response,
)
from rf3d.radio.patterns import Cuts
from rf3d.units import ComplexArray, FloatArray, azimuth_elevation, direction, to_db, wavelength_m

AGREES_DB = 0.25
"""A stated gain that misses the pattern's by less is taken as rounded."""
CUTS_AGREE_DB = 1.0
"""The same where the pattern is an interpolation between two cuts."""
AHEAD_DB = 3.0
"""Less gain than this below the peak on the boresight, and the antenna looks where it is aimed."""
BAND_SLACK = 0.02
"""Part by which a radio may work beside the frequencies a file is stated for; common practice, no source."""


@dataclass(frozen=True)
class Figures:
    """What a data sheet would say.

    Attributes
    ----------
    gain_dbi : float
        Realised, at the peak.
    peak_deg : tuple of 2 float
        Azimuth and elevation of the peak in the antenna's axes; of equal ones the nearest to the boresight.
    beamwidth_deg : tuple of 2 (float or None)
        Full half-power widths through the peak, level and upright; None where the gain never falls by half.
    efficiency : float
        Mean of the realised gain over the sphere.
    boresight_db : float
        Gain on the boresight against the peak.
    axial_ratio_db : float
        Long over short axis of the polarisation ellipse at the peak; inf for linear.
    hand : str
        "right" or "left" at the peak; "" for linear.
    """

    gain_dbi: float
    peak_deg: tuple[float, float]
    beamwidth_deg: tuple[float | None, float | None]
    efficiency: float
    boresight_db: float
    axial_ratio_db: float
    hand: str


@lru_cache(maxsize=64)
def figures(antenna: Antenna) -> Figures:
    """Derive the figures of an antenna from its pattern, to about half a degree."""
    azimuth, elevation = np.meshgrid(np.radians(np.arange(-180, 180)), np.radians(np.arange(-90, 91)))
    k = direction(azimuth.ravel(), elevation.ravel())
    power = gain(antenna, k)
    peak = k[int(np.argmax(power * (1.0 + 1e-9 * k[:, 0])))]
    axes = aim_axes(peak)
    ratio, hand = _ellipse(world_response(antenna, UPRIGHT, peak[None])[0], peak)
    az, el = azimuth_elevation(peak)
    ahead = float(to_db(gain(antenna, [[1.0, 0.0, 0.0]])[0] / power.max()))
    return Figures(
        gain_dbi=peak_gain_dbi(antenna),
        peak_deg=(round(float(np.degrees(az)), 6) + 0.0, round(float(np.degrees(el)), 6) + 0.0),
        beamwidth_deg=(_width_deg(antenna, axes[0], axes[1]), _width_deg(antenna, axes[0], axes[2])),
        efficiency=mean_gain(antenna),
        boresight_db=ahead,
        axial_ratio_db=ratio,
        hand=hand,
    )


def agreement(antenna: Antenna) -> list[Finding]:
    """Cautions where the stated gain is not what pattern, beamwidths and efficiency give."""
    if antenna.sampled is not None:
        return _file_agreement(antenna)
    if antenna.gain_dbi is None:
        return []
    given, found = antenna.gain_dbi, peak_gain_dbi(antenna)
    if abs(given - found) <= AGREES_DB:
        return []
    if antenna.beamwidth_deg is not None:
        cause = f"beamwidths of {antenna.beamwidth_deg[0]:g} × {antenna.beamwidth_deg[1]:g}°"
    else:
        cause = f"the pattern {antenna.pattern}"
    if given > found:
        bound = "at most" if antenna.pattern in ("omni", "panel", "yagi") else "only"
        cure = "lower gain_dbi, or correct the beamwidths or the efficiency from the data sheet"
    else:
        bound = "at least" if antenna.pattern in ("omni", "panel", "yagi") else "already"
        cure = "if the data sheet states this gain, the antenna is lossy: lower efficiency"
    message = (
        f"gain_dbi is {given:g}, but {cause} with efficiency {antenna.efficiency:g} give {bound} {found:.1f} dBi; "
        f"calculated with {found:.1f} dBi; {cure} in [antenna.{antenna.name}]."
    )
    return [Finding("antenna-gain-disagrees", "caution", antenna.name, message, given, found, "dBi")]


def band_agreement(antenna: Antenna, first_channel_hz: float, last_channel_hz: float) -> list[Finding]:
    """Caution where a file was measured or computed for other frequencies than those of a radio."""
    if antenna.sampled is None:
        return []
    low, high = antenna.sampled.valid_hz
    if first_channel_hz < low * (1.0 - BAND_SLACK):
        used, limit = first_channel_hz, low
    elif last_channel_hz > high * (1.0 + BAND_SLACK):
        used, limit = last_channel_hz, high
    else:
        return []
    stated = f"{low / 1e6:.6g} MHz" if low == high else f"{low / 1e6:.6g} to {high / 1e6:.6g} MHz"
    message = (
        f'used at {used / 1e6:.6g} MHz, but "{antenna.sampled.source}" holds at {stated}: gain and shape may be '
        "others; take a file for this band."
    )
    return [Finding("antenna-frequency", "caution", antenna.name, message, used, limit, "Hz")]


def _file_agreement(antenna: Antenna) -> list[Finding]:
    assert antenna.sampled is not None
    source, sheet = antenna.sampled.source, figures(antenna)
    findings = list(antenna.sampled.findings)
    over_db = float(to_db(sheet.efficiency / antenna.efficiency))
    allowed = CUTS_AGREE_DB if isinstance(antenna.sampled.shape, Cuts) else AGREES_DB
    if abs(over_db) > allowed:
        shape_dbi = sheet.gain_dbi - over_db
        if over_db > 0.0:
            cure = "look whether its gains are in dBi, and correct it"
        else:
            cure = f"correct the file, or lower efficiency in [antenna.{antenna.name}]"
        message = (
            f'the gain in "{source}" is {sheet.gain_dbi:.1f} dBi, but its shape with efficiency '
            f"{antenna.efficiency:.2g} gives {shape_dbi:.1f} dBi; calculated as the file says, "
            f"{abs(over_db):.1f} dB {'more' if over_db > 0 else 'less'} than that; {cure}."
        )
        findings.append(
            Finding("antenna-gain-disagrees", "caution", antenna.name, message, sheet.gain_dbi, shape_dbi, "dBi")
        )
    if sheet.boresight_db < -AHEAD_DB:
        az, el = sheet.peak_deg
        message = (
            f'the pattern in "{source}" is strongest at azimuth {az:.0f}°, elevation {el:.0f}° of the antenna\'s own '
            f"axes, and {-sheet.boresight_db:.0f} dB weaker on the boresight, which is what the plan aims."
        )
        findings.append(
            Finding("antenna-looks-aside", "caution", antenna.name, message, sheet.boresight_db, -AHEAD_DB, "dB")
        )
    return findings


def largest_dimension_m(antenna: Antenna, frequency_hz: float) -> float:
    """Estimate of the antenna's largest dimension in metres, for the near-field caution.

    Wires: their length. Panel: diagonal of the aperture A = Dλ²/4π whose sides are as one over the beamwidths
    (Balanis, Antenna Theory, aperture chapter; from memory). Yagi: boom of the end-fire directivity
    D = 1.789 · 4L/λ of Hansen and Woodyard (Balanis, array chapter; from memory). Short dipole: λ/10 (Balanis;
    from memory). Isotropic: a point. A file that does not state it: diagonal of the square aperture of its directivity.
    """
    if antenna.size_m is not None:
        return antenna.size_m
    wavelength = wavelength_m(frequency_hz)
    if antenna.pattern == "isotropic":
        return 0.0
    if antenna.pattern == "short_dipole":
        return 0.1 * wavelength
    if antenna.pattern in ("dipole", "omni"):
        return wire_length(antenna) * wavelength
    aperture = directivity(antenna)
    if antenna.pattern == "yagi":
        return aperture * wavelength / (4.0 * 1.789)
    across, high = antenna.beamwidth_deg or (1.0, 1.0)
    return float(np.sqrt(aperture / (4.0 * np.pi) * (across / high + high / across)) * wavelength)


def size_basis(antenna: Antenna) -> str:
    """Where `largest_dimension_m` comes from, in words."""
    return "estimated" if antenna.size_m is None else "stated"


def polarisation_text(antenna: Antenna) -> str:
    """Polarisation in words: as stated, or of a file of fields the ellipse at the peak."""
    if antenna.polarisation != FILE_FIELD:
        return antenna.polarisation
    sheet = figures(antenna)
    if sheet.axial_ratio_db > 40.0:
        return "linear, from the file"
    return f"{sheet.hand}-hand, axial ratio {sheet.axial_ratio_db:.0f} dB, from the file"


def _ellipse(field: ComplexArray, k: FloatArray) -> tuple[float, str]:
    """Axial ratio in dB and hand of a field (3,) sent along k (3,).

    With the Stokes parameters, sin 2χ = V/I and the axial ratio is |cot χ|; RHCP turns clockwise seen along k.

    Source: IEEE Std 145 (from memory).
    """
    # Im(E* × E)·k is twice the signed area per power: positive for a field that turns clockwise seen along k.
    turn = float((np.cross(np.conj(field), field) @ k).imag)
    power = float((np.abs(field) ** 2).sum())
    share = np.clip(turn / max(power, 1e-300), -1.0, 1.0)
    chi = 0.5 * np.arcsin(share)
    if abs(np.tan(chi)) < 1e-6:
        return float("inf"), ""
    return float(-20.0 * np.log10(abs(np.tan(chi)))), "right" if share < 0.0 else "left"


def _width_deg(antenna: Antenna, ahead: FloatArray, aside: FloatArray) -> float | None:
    """Full width in degrees down to half the power of ``ahead``, along the great circle towards ``aside``."""
    angle = np.radians(np.arange(0.0, 180.25, 0.25))
    total = 0.0
    for side in (aside, -aside):
        power_db = to_db(gain(antenna, np.cos(angle)[:, None] * ahead + np.sin(angle)[:, None] * side))
        fallen = power_db - power_db[0] + 10.0 * np.log10(2.0)
        below = np.flatnonzero(fallen < 0.0)
        if not below.size:
            return None
        at = int(below[0])
        part = fallen[at - 1] / (fallen[at - 1] - fallen[at]) if np.isfinite(fallen[at]) else 0.5
        total += float(angle[at - 1] + part * (angle[at] - angle[at - 1]))
    return float(np.degrees(total))
