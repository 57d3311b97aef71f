"""How each receiver is served beyond power: freezes, answers, overload, air-time, and how much it matters.

What a data sheet does not tell is not guessed: the answer that needs it is left out, and a
finding says which number is missing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rf3d.assessment.air import AirAt, busy_air
from rf3d.assessment.budget import free_space_loss_db
from rf3d.assessment.links import ALLOWANCE_DB, Link, chance_text, verdict_of
from rf3d.assessment.stutter import STUTTER_MODEL, Stutter, freeze_text, stutter
from rf3d.errors import Finding, Severity
from rf3d.plan import Plan, Role
from rf3d.radio.antennas import peak_gain_dbi
from rf3d.radio.radios import Radio, Receiver, Transmitter
from rf3d.radio.universe import air_time_share, slot_data_bit_s
from rf3d.units import margin_text

FREEZE_WORTH_TELLING, FREEZE_FAILS = 0.01, 0.5
"""Chance of a visible freeze in a show from which a finding is a caution, and a fail; the project's own limits."""
FULL_SHARE = 0.8
"""Air-time share from which there is no room for a radio's own preambles and checks; common practice, no source."""
CONSEQUENCE: Mapping[str | None, float] = {"hold": 1.0, "fade": 2.0, "off": 3.0, None: 1.0}
"""How much worse than holding its last look it is that a light fades or goes out; the project's own weights."""


@dataclass(frozen=True)
class Answer:
    """The way back from a receiver that answers, to the transmitter that serves it best.

    Attributes
    ----------
    power_dbm : float
        What it sends.
    margin_db, fade_margin_db : float
        Mean power and 1 % point over the threshold, on clean air; paths serve both ways alike.
    busy_margin_db : float or None
        Over the busiest air at the transmitter, worst channel; None where the plan lists none.
    chance : float
        Of holding, as that of the way there.
    """

    power_dbm: float
    margin_db: float
    fade_margin_db: float
    busy_margin_db: float | None
    chance: float


@dataclass(frozen=True, eq=False)
class Service:
    """How one receiver is served by its best link.

    Attributes
    ----------
    receiver : Receiver
    role : Role
    link : Link
    stutter : Stutter or None
        None where packets or repeats of its radio are not told.
    answer : Answer or None
    harm : float
        Chance that it goes wrong, of a freeze in a show or of not holding, whichever is more, times importance and
        consequence: what findings are ranked by.
    flaws : tuple of Finding
        What is wrong with it besides power and fading: freezes, overload, air-time.
    """

    receiver: Receiver
    role: Role
    link: Link
    stutter: Stutter | None
    answer: Answer | None
    harm: float
    flaws: tuple[Finding, ...] = ()


def serve(
    receiver: Receiver,
    role: Role,
    link: Link,
    *,
    transmitter: Transmitter,
    air: Mapping[str, AirAt],
    answer_chance: float | None,
) -> Service:
    """What a receiver's best link means for it.

    Parameters
    ----------
    air : mapping
        By the name of who hears it (``listed_air``).
    answer_chance : float or None
        That its answers hold; None where it does not answer.
    """
    radio = receiver.radio
    gaps = None
    if radio.packets_s is not None and radio.repeats is not None:
        gaps = stutter(link.packet_success, packets_s=radio.packets_s, repeats=radio.repeats)
    answer = None
    if receiver.answer_power_dbm is not None and answer_chance is not None:
        step = receiver.answer_power_dbm - transmitter.power_dbm
        heard = air.get(transmitter.name)
        busy = None
        if heard is not None:
            busy = link.mean_power_dbm + step - float(busy_air(heard, radio).needed_dbm.max())
        answer = Answer(
            receiver.answer_power_dbm, link.margin_db + step, link.fade_margin_db + step, busy, answer_chance
        )
    wrong = max(1.0 - link.chance, 0.0 if gaps is None else gaps.freeze_chance)
    return Service(receiver, role, link, gaps, answer, wrong * role.importance * CONSEQUENCE[role.on_loss])


def service_findings(service: Service) -> list[Finding]:
    """Freezes, answers that do not come back, and transmitters too near, of one receiver."""
    receiver, link = service.receiver, service.link
    x, y, z = (float(v) for v in receiver.position_m)
    found = []
    gaps = service.stutter
    if gaps is not None and gaps.freeze_chance >= FREEZE_WORTH_TELLING:
        loss = {
            "hold": "it holds its last look",
            "fade": "it fades",
            "off": "it goes out",
            None: "the plan does not say",
        }
        text = (
            f"chance of a visible freeze in a two-hour show, nothing kept in hand: {freeze_text(gaps.freeze_chance)}"
            f"{'' if link.air is None else ', provided the air matches the list'}"
            f"{', on clean air alone' if link.air is None else ''}; on loss: {loss[service.role.on_loss]}. "
            f"Model: {STUTTER_MODEL}"
        )
        severity: Severity = "fail" if gaps.freeze_chance >= FREEZE_FAILS else "caution"
        found.append(
            Finding("stutter", severity, receiver.name, text, gaps.freeze_chance, FREEZE_WORTH_TELLING, "", (x, y, z))
        )
    answer = service.answer
    if answer is not None and verdict_of(answer.chance, listed=True) not in ("solid", "workable"):
        text = (
            f"its answers may not reach {link.transmitter}: they hold with a chance of {chance_text(answer.chance)}, "
            f"{margin_text(answer.fade_margin_db, 'the threshold')} on the worst 1 in 100 spots and channels; it "
            f"answers with {answer.power_dbm:g} dBm. Control may hold all the same; discovery and reports may not"
        )
        found.append(
            Finding("answer-weak", "caution", receiver.name, text, answer.fade_margin_db, ALLOWANCE_DB, "dB", (x, y, z))
        )
    return found


def overload_findings(plan: Plan, links: Sequence[Link]) -> list[Finding]:
    """Transmitters so near a receiver that they overload it: of its own radio as traced, of others by free space."""
    traced = {(link.transmitter, link.receiver): link.mean_power_dbm for link in links}
    found = []
    for r in plan.receivers:
        most = r.radio.greatest_input_dbm
        if most is None:
            continue
        for t in plan.transmitters:
            power = traced.get((t.name, r.name))
            word = "puts"
            if power is None:
                distance = max(float(np.linalg.norm(t.position_m - r.position_m)), 0.1)
                power = t.power_dbm - t.feed_loss_db - r.feed_loss_db - free_space_loss_db(distance, t.radio.centre_hz)
                power += peak_gain_dbi(t.antenna) + peak_gain_dbi(r.antenna)
                word = "may put, in the open and without the radio's filter,"
            if power > most:
                text = (
                    f"{t.name} {word} {power:.0f} dBm into it, and it takes {most:g} dBm at most: it goes deaf beside "
                    "a strong signal. Lower that power, or set them farther apart"
                )
                found.append(Finding("overload", "caution", r.name, text, power, most, "dBm", _place(r)))
    return found


def _place(r: Receiver) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in r.position_m)
    return x, y, z


def air_time(t: Transmitter) -> float | None:
    """Share of its radio's data rate that a transmitter's universes take; None where the plan does not tell."""
    if t.load is None or t.radio.data_rate_bit_s is None:
        return None
    asked = slot_data_bit_s(t.load.universes, t.load.slots, frames_s=t.load.frames_s)
    return air_time_share(asked, repeats=t.radio.repeats or 1, data_rate_bit_s=t.radio.data_rate_bit_s)


def air_time_findings(plan: Plan) -> list[Finding]:
    """Transmitters whose universes do not fit their radio's data rate, or hardly."""
    found = []
    for t in plan.transmitters:
        share = air_time(t)
        if share is None or share < FULL_SHARE or t.load is None:
            continue
        what = (
            f"{t.load.universes} × {t.load.slots} slots at {t.load.frames_s:g} updates a second, each sent "
            f"{t.radio.repeats or 1} times, take {100 * share:.0f} % of {t.radio.data_rate_bit_s:g} bit/s"
        )
        text = (
            f"{what}: it does not fit. Send fewer slots or updates, or split the universes over more transmitters"
            if share > 1.0
            else f"{what}: hardly room for the radio's own preambles and checks"
        )
        found.append(
            Finding(
                "air-time", "fail" if share > 1.0 else "caution", t.name, text, 100.0 * share, 100.0 * FULL_SHARE, "%"
            )
        )
    return found


def missing_findings(plan: Plan) -> list[Finding]:
    """What data sheets in the plan do not tell, one line a radio in use."""
    found = []
    used = {t.radio for t in plan.transmitters} | {r.radio for r in plan.receivers}
    for radio in sorted(used, key=lambda radio: radio.name):
        lacking = missing_numbers(radio)
        if lacking:
            text = (
                f"not told: {'; '.join(lacking)}. Take the numbers from its data sheet into [radio.{radio.name}]"
                if not radio.source
                else f"a generic radio ({radio.source}); not told: {'; '.join(lacking)}"
            )
            found.append(Finding("radio-data", "info", radio.name, text))
    return found


def missing_numbers(radio: Radio) -> list[str]:
    """Keys that a radio lacks, each with the answer that needs it."""
    needs = {
        "packets_s": "chance of a freeze", "repeats": "chance of a freeze", "greatest_input_dbm": "overload",
        "carrier_to_interference_db": "other radios", "data_rate_bit_s": "air-time",
    }  # fmt: skip
    return [f"{key} ({answer})" for key, answer in needs.items() if getattr(radio, key) is None]
