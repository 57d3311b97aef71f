"""A link's power line by line: from what the transmitter sends to what is left over what the receiver needs."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rf3d.assessment.links import ALLOWANCE_DB, Link, turned
from rf3d.propagation.fields import fields
from rf3d.propagation.paths import Setting
from rf3d.radio.antennas import gain, peak_gain_dbi, world_response
from rf3d.radio.bodies import HOUSINGS, housing_loss_db, person_in_line_db, worn_loss_db
from rf3d.radio.radios import CONNECTOR_DB, Receiver, Transmitter
from rf3d.units import FloatArray, to_db, wavelength_m


@dataclass(frozen=True)
class Line:
    """One line of a budget.

    Attributes
    ----------
    item : str
    value : float
        What it adds, dB, or a sum so far, dBm or dB.
    unit : str
        "dB" for what is added; "dBm" for a power, "dB over" for a margin: sums of the lines above.
    note : str
        Where it comes from, or what it may be besides.
    """

    item: str
    value: float
    unit: str
    note: str = ""


def free_space_loss_db(distance_m: float, frequency_hz: float) -> float:
    """Loss between isotropic antennas, 20·log₁₀(4πd/λ).

    Source: Friis, Proc. IRE 34 (1946) 254 (from memory); ITU-R P.525.

    Examples
    --------
    >>> round(free_space_loss_db(10.0, 2.45e9), 4)
    60.2311
    """
    return float(20.0 * np.log10(4.0 * np.pi * distance_m / wavelength_m(frequency_hz)))


def budget(setting: Setting, link: Link, *, transmitter: Transmitter, receiver: Receiver) -> tuple[Line, ...]:
    """The lines of a link; none where no path brings power.

    Antennas, spreading and polarisation are those of the strongest path; everything that walls, bounces and the other
    paths do to the mean is one line, so that the lines add up to the mean power exactly.
    """
    if link.paths.count == 0:
        return ()
    radio, frequency = transmitter.radio, link.centre_hz
    aimed = turned(receiver, link.turned_rad)
    first = link.paths.take(np.array([0]))
    answer = fields(
        replace(first, transmitter=np.zeros_like(first.transmitter), receiver=np.zeros_like(first.receiver)),
        setting.facets, surfaces=setting.surfaces, transmitters=(transmitter,), receivers=(aimed,),
        frequencies_hz=np.array([frequency]), wedges=setting.wedges,
    )  # fmt: skip
    heard = world_response(aimed.antenna, aimed.axes, first.arrival)
    full = float((np.abs(answer.arriving[:, 0]) ** 2).sum() * (np.abs(heard) ** 2).sum())
    mismatch = float(to_db(np.abs(answer.amplitude[0, 0]) ** 2 / full)) if full > 0.0 else 0.0
    lines = [Line("sent by the radio", transmitter.power_dbm, "dBm", transmitter.name)]
    lines += _feed(transmitter, "to its antenna")
    lines += _antenna(transmitter, first.departure[0], "transmitting antenna")
    length = float(first.length_m[0])
    note = f"over the {length:.1f} m of the strongest path"
    lines.append(Line("free space", -free_space_loss_db(length, frequency), "dB", note))
    walls = len(lines)
    lines.append(Line("polarisation", mismatch, "dB", "of the strongest path"))
    if receiver.worn:
        angle = np.arccos(np.clip(float(first.arrival[0] @ aimed.axes[0]), -1.0, 1.0))
        typical, worst = (float(worn_loss_db(angle, frequency, worst=w)) for w in (False, True))
        note = f"typical at the worst of eight headings; up to {worst:.0f} dB; common practice, no source"
        lines.append(Line("body", -typical, "dB", note))
    lines += _antenna(aimed, first.arrival[0], "receiving antenna")
    if receiver.inside is not None:
        worst = housing_loss_db(receiver.inside, worst=True)
        note = f"typical; up to {worst:.0f} dB; {HOUSINGS[receiver.inside].source}"
        lines.append(Line(f"inside a {receiver.inside}", -housing_loss_db(receiver.inside), "dB", note))
    lines += _feed(receiver, "from its antenna")
    rest = link.mean_power_dbm - sum(line.value for line in lines)
    lines.insert(walls, Line("walls, bounces, other paths", rest, "dB", f"{link.paths.count} paths in all"))
    lines.append(Line("mean power", link.mean_power_dbm, "dBm", "at the radio"))
    lines.append(Line("sensitivity", -radio.sensitivity_dbm, "dB", f"{radio.sensitivity_dbm:g} dBm"))
    if radio.coding_gain_db:
        lines.append(Line("coding", radio.coding_gain_db, "dB"))
    lines.append(Line("margin on clean air", link.margin_db, "dB over"))
    lines.append(Line("fading", -link.fade_depth_db, "dB", "worst 1 in 100 spots and channels"))
    lines.append(Line("fade margin", link.fade_margin_db, "dB over", f"of which {ALLOWANCE_DB:.0f} dB are to be kept"))
    if link.air is not None and link.busy_margin_db is not None:
        strongest = f", mostly {link.air.strongest}" if link.air.strongest else ""
        rise = link.margin_db - link.busy_margin_db
        lines.append(Line("other radios", -rise, "dB", f"busiest air, worst channel{strongest}"))
        lines.append(Line("margin over the busiest air", link.busy_margin_db, "dB over", "mean power, worst channel"))
    typical, worst = (float(person_in_line_db(frequency, worst=w)) for w in (False, True))
    note = f"if one stands there; up to {worst:.0f} dB; not counted above"
    lines.append(Line("a person in the line", -typical, "dB", note))
    return tuple(lines)


def _feed(end: Transmitter | Receiver, where: str) -> list[Line]:
    found = [Line("cable", -end.cable_loss_db, "dB", where)] if end.cable_loss_db else []
    if end.connectors:
        note = f"{end.connectors} of {CONNECTOR_DB:g} dB; common practice, no source"
        found.append(Line("connectors", -CONNECTOR_DB * end.connectors, "dB", note))
    return found


def _antenna(end: Transmitter | Receiver, way: FloatArray, item: str) -> list[Line]:
    peak = peak_gain_dbi(end.antenna)
    towards = float(to_db(gain(end.antenna, end.axes @ way)[0]))
    return [
        Line(item, peak, "dB", f"{end.antenna.name}, its peak"),
        Line("off its peak", towards - peak, "dB", "towards the strongest path"),
    ]
