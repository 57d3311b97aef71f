"""Radios, antennas, and where and how they stand, from the rows of a plan file."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from rf3d.errors import InputError
from rf3d.plan_places import Place, nearest
from rf3d.plan_tables import AntennaRow, RadioRow, ReceiverRow, TransmitterRow
from rf3d.radio.antennas import PATTERNS, UPRIGHT, Antenna, aim_axes, file_antenna, make_antenna
from rf3d.radio.pattern_files import read_pattern
from rf3d.radio.radios import GRID_SLACK, Radio, Receiver, Transmitter
from rf3d.units import FloatArray, direction

TEXTBOOK_ANTENNAS = ("isotropic", "short_dipole", "dipole")
"""Patterns that need no number: usable as an antenna by name, without loss."""
MOST_CHANNELS = 10_000
SAME_PLACE_M = 1e-3
_NEEDED: dict[str, tuple[str, ...]] = {
    "isotropic": (),
    "short_dipole": ("efficiency",),
    "dipole": ("efficiency",),
    "omni": ("gain_dbi", "efficiency"),
    "panel": ("gain_dbi", "beamwidth_deg", "polarisation", "xpd_db", "efficiency"),
    "yagi": ("gain_dbi", "beamwidth_deg", "polarisation", "xpd_db", "efficiency"),
}


def plan_radio(place: Place, row: RadioRow) -> Radio:
    span = row.last_channel_hz - row.first_channel_hz
    if span < 0:
        raise place.refuse(
            f"last_channel_hz of {place.owner} is {row.last_channel_hz:g}",
            f"it must not lie below first_channel_hz, {row.first_channel_hz:g}",
            "change one of them",
        )
    steps = span / row.channel_spacing_hz
    if steps >= MOST_CHANNELS:
        raise place.refuse(
            f"channel_spacing_hz of {place.owner} is {row.channel_spacing_hz:g}, which makes {steps:.3g} channels",
            f"a radio has at most {MOST_CHANNELS}",
            "change it",
        )
    if abs(steps - round(steps)) > GRID_SLACK * max(1.0, steps):
        raise place.refuse(
            f"channel_spacing_hz of {place.owner} is {row.channel_spacing_hz:g}, which makes {steps:.3f} steps "
            "from the first channel to the last",
            "the steps must be a whole number",
            "change one of the three",
        )
    if row.bandwidth_hz > row.first_channel_hz:
        raise place.refuse(
            f"bandwidth_hz of {place.owner} is {row.bandwidth_hz:g}",
            f"it must be less than the channel's own frequency, {row.first_channel_hz:g}",
            "change it",
        )
    return Radio(place.name, **row.model_dump())


def plan_antenna(place: Place, row: AntennaRow, folder: Path) -> Antenna:
    if row.pattern not in PATTERNS:
        return _file_antenna(place, row, folder)
    if row.frequency_hz is not None:
        raise place.refuse(
            f'frequency_hz of {place.owner} is {row.frequency_hz:g}, but its pattern is "{row.pattern}"',
            "only an antenna file has a frequency of its own",
            "delete frequency_hz",
        )
    for key in _NEEDED[row.pattern]:
        if getattr(row, key) is None:
            raise place.refuse(
                f"{key} of {place.owner} is missing",
                f'a "{row.pattern}" needs it: {AntennaRow.model_fields[key].description}',
                f"add {key}",
            )
    beamwidth = row.beamwidth_deg
    try:
        return make_antenna(
            place.name,
            pattern=row.pattern,
            gain_dbi=row.gain_dbi,
            beamwidth_deg=None if beamwidth is None else (beamwidth[0], beamwidth[1]),
            polarisation=row.polarisation or "vertical",
            xpd_db=row.xpd_db,
            efficiency=1.0 if row.efficiency is None else row.efficiency,
            size_m=row.size_m,
        )
    except InputError as error:
        raise place.refuse(error.given, error.allowed, "change it") from None


def _file_antenna(place: Place, row: AntennaRow, folder: Path) -> Antenna:
    """Antenna of a file, whose gains stand; the plan states only what the file leaves open."""
    if not Path(row.pattern).suffix:
        raise place.refuse(
            f'pattern of {place.owner} is "{row.pattern}"',
            f"it must be {AntennaRow.model_fields['pattern'].description}",
            "change it",
        )
    try:
        sampled = read_pattern(
            folder / row.pattern, antenna=place.name, frequency_hz=row.frequency_hz, polarisation=row.polarisation
        )
        for key in ("gain_dbi", "beamwidth_deg"):
            if getattr(row, key) is not None:
                raise InputError(
                    f"{key} of {place.owner} stands beside an antenna file", "the file gives it", f"delete {key}"
                )
        return file_antenna(
            place.name, sampled,
            polarisation=row.polarisation, xpd_db=row.xpd_db, efficiency=row.efficiency, size_m=row.size_m,
        )  # fmt: skip
    except InputError as error:
        cure = "correct the file, or name another" if error.cure == "correct the file" else error.cure
        raise place.refuse(error.given, error.allowed, cure) from None


def equipment(
    place: Place,
    row: TransmitterRow | ReceiverRow,
    antennas: Mapping[str, Antenna],
    radios: Mapping[str, Radio],
) -> tuple[Antenna, FloatArray, Radio]:
    """Antenna, its axes (3, 3) in the venue, and radio of a transmitter or receiver."""
    if row.radio not in radios:
        raise place.refuse(
            f'radio of {place.owner} is "{row.radio}", which neither the plan nor the catalogue defines',
            nearest(row.radio, radios),
            "correct radio",
        )
    if row.antenna in antennas:
        antenna = antennas[row.antenna]
    elif row.antenna in TEXTBOOK_ANTENNAS:
        antenna = make_antenna(row.antenna, pattern=row.antenna)
    else:
        raise place.refuse(
            f'antenna of {place.owner} is "{row.antenna}", which the plan does not define',
            nearest(row.antenna, [*antennas, *TEXTBOOK_ANTENNAS]),
            "correct antenna",
        )
    return antenna, _axes(place, row), radios[row.radio]


def _axes(place: Place, row: TransmitterRow | ReceiverRow) -> FloatArray:
    """Antenna axes in the venue from whichever one way of aiming the row uses."""
    ways = {
        "aim_at_m": row.aim_at_m is not None,
        "azimuth_deg and elevation_deg": row.azimuth_deg is not None or row.elevation_deg is not None,
        "upright": row.upright is True,
    }
    used = [way for way, stands in ways.items() if stands]
    choices = "one of aim_at_m, azimuth_deg with elevation_deg, or upright = true must stand, and only one"
    if len(used) != 1:
        raise place.refuse(
            f"{place.owner} has {' and '.join(used) if used else 'no aim'}",
            choices,
            "keep one of them" if used else "add one of them",
        )
    if row.upright:
        if row.roll_deg is not None:
            raise place.refuse(f"{place.owner} has both upright and roll_deg", choices, "delete one of them")
        return UPRIGHT
    roll = math.radians(row.roll_deg or 0.0)
    if row.aim_at_m is not None:
        offset = np.array(row.aim_at_m) - np.array(row.position_m)
        if np.linalg.norm(offset) < SAME_PLACE_M:
            raise place.refuse(
                f"aim_at_m of {place.owner} is its own position", "it must be another place", "change aim_at_m"
            )
        return aim_axes(offset, roll)
    for key in ("azimuth_deg", "elevation_deg"):
        if getattr(row, key) is None:
            raise place.refuse(
                f"{key} of {place.owner} is missing", "azimuth_deg and elevation_deg go together", f"add {key}"
            )
    assert row.azimuth_deg is not None
    assert row.elevation_deg is not None
    boresight = direction(math.radians(row.azimuth_deg), math.radians(row.elevation_deg))
    return aim_axes(boresight, roll)


def check_apart(place: Place, receiver: Receiver, transmitters: Sequence[Transmitter]) -> None:
    for sender in transmitters:
        if sender.radio.name == receiver.radio.name and (
            np.linalg.norm(sender.position_m - receiver.position_m) < SAME_PLACE_M
        ):
            raise place.refuse(
                f'position_m of {place.owner} is that of transmitter "{sender.name}"',
                "a receiver must stand at least 1 mm from every transmitter of its radio",
                "move one of them",
            )
