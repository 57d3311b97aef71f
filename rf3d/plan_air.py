"""What a plan says of the rest of the air, and of what its radios carry and answer."""

from __future__ import annotations

import math
from collections.abc import Sequence, Set

import numpy as np

from rf3d.errors import InputError
from rf3d.plan_places import Place, nearest
from rf3d.plan_tables import OccupiedRow, ReceiverRow, TransmitterRow
from rf3d.radio.air import Occupied
from rf3d.radio.bodies import HOUSINGS
from rf3d.radio.radios import Load, Radio
from rf3d.radio.universe import most_frames_s
from rf3d.units import read_only

_FORMS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("a transmitter", ("position_m", "power_dbm", "low_hz", "high_hz", "duty")),
    ("a crowd", ("low_m", "high_m", "count", "power_dbm", "low_hz", "high_hz", "duty")),
    ("noise round a place", ("position_m", "noise_rise_db", "within_m")),
    ("noise round a box", ("low_m", "high_m", "noise_rise_db", "within_m")),
    ("a level without a place", ("level_dbm", "low_hz", "high_hz", "duty")),
)
_FRAME_SLACK = 1e-3
"""44.1 frames a second are written for 44.097."""


def occupied(place: Place, row: OccupiedRow) -> Occupied:
    """One line of what else is on the air.

    Raises
    ------
    InputError
        Keys that fit none of the forms, a band or a box without extent.
    """
    told = {key for key, value in row.model_dump(exclude={"name"}).items() if value is not None}
    if told >= {"low_hz", "high_hz"}:
        told -= {"bandwidth_hz"}  # of any band
    if all(set(keys) != told for _, keys in _FORMS):
        best = max(_FORMS, key=lambda form: len(told & set(form[1])) - len(told - set(form[1])))
        lacking = [key for key in best[1] if key not in told]
        beyond = [key for key in row.model_dump() if key in told and key not in best[1]]
        cures = [f"add {', '.join(lacking)}"] if lacking else []
        cures += [f"delete {', '.join(beyond)}"] if beyond else []
        raise place.refuse(
            f"{place.owner} has {', '.join(key for key in row.model_dump() if key in told) or 'nothing but a name'}",
            "it is one of: " + "; ".join(f"{what} ({', '.join(keys)})" for what, keys in _FORMS),
            " and ".join(cures),
        )
    box = None
    if row.position_m is not None:
        box = np.array([row.position_m, row.position_m], dtype=np.float64)
    elif row.low_m is not None:
        box = np.array([row.low_m, row.high_m], dtype=np.float64)
        if (box[0] > box[1]).any():
            raise place.refuse(
                f"low_m of {place.owner} is {row.low_m} and high_m is {row.high_m}",
                "low_m must not lie above high_m along any axis",
                "change one of them",
            )
    low, high = row.low_hz or 0.0, row.high_hz or math.inf
    if low >= high:
        raise place.refuse(
            f"low_hz of {place.owner} is {low:g} and high_hz is {high:g}",
            "low_hz must lie below high_hz",
            "change one of them",
        )
    if row.bandwidth_hz is not None and row.bandwidth_hz > high - low:
        raise place.refuse(
            f"bandwidth_hz of {place.owner} is {row.bandwidth_hz:g}",
            f"it must not be more than its band, {high - low:g}",
            "change one of them",
        )
    return Occupied(
        row.name, None if box is None else read_only(box), row.count or 1, row.power_dbm, row.level_dbm, low, high,
        row.duty or 1.0, row.noise_rise_db or 0.0, row.within_m or 0.0, row.bandwidth_hz,
    )  # fmt: skip


def check_air(file: str, lines: Sequence[Occupied], radios: Set[Radio]) -> None:
    """Refuse radios that others disturb without a word on how far they must stand above others."""
    for radio in sorted(radios, key=lambda radio: radio.name):
        others = [line.name for line in lines if math.isfinite(line.high_hz) and line.shares(radio)]
        if others and radio.carrier_to_interference_db is None:
            raise InputError(
                f'carrier_to_interference_db of radio "{radio.name}" is missing, and "{others[0]}" is on its channels',
                "it must be how far a signal must stand above others on its channel in dB",
                f"add it from the data sheet, or 14 as common practice, in {file}, [radio.{radio.name}]",
            )


def load_of(place: Place, row: TransmitterRow) -> Load | None:
    """What a transmitter carries; None where nothing is told.

    Raises
    ------
    InputError
        Some of the three numbers without the others, more frames a second than ANSI E1.11 allows.
    """
    told = {key: getattr(row, key) for key in ("universes", "slots", "frames_s")}
    lacking = [key for key, value in told.items() if value is None]
    if len(lacking) == len(told):
        return None
    if lacking:
        raise place.refuse(
            f"{lacking[0]} of {place.owner} is missing",
            "universes, slots and frames_s go together",
            f"add {lacking[0]}",
        )
    assert row.universes is not None
    assert row.slots is not None
    assert row.frames_s is not None
    most = most_frames_s(row.slots)
    if row.frames_s > most * (1.0 + _FRAME_SLACK):
        raise place.refuse(
            f"frames_s of {place.owner} is {row.frames_s:g}",
            f"{row.slots} slots take so long that ANSI E1.11 allows at most {most:.1f} frames a second",
            "lower it",
        )
    return Load(row.universes, row.slots, row.frames_s)


def check_receiver(place: Place, row: ReceiverRow) -> None:
    """Refuse an answer without power or power without an answer, and housings nobody knows."""
    if row.answers and row.answer_power_dbm is None:
        raise place.refuse(
            f"answer_power_dbm of {place.owner} is missing, and answers is true",
            "it must be the power it answers with, in dBm",
            "add answer_power_dbm",
        )
    if row.answer_power_dbm is not None and not row.answers:
        raise place.refuse(
            f"answer_power_dbm of {place.owner} stands without answers = true",
            "a receiver that does not answer sends nothing",
            "add answers = true, or delete answer_power_dbm",
        )
    if row.inside is not None and row.inside not in HOUSINGS:
        raise place.refuse(
            f'inside of {place.owner} is "{row.inside}"', nearest(row.inside, HOUSINGS), "correct inside"
        )
