"""Multipath warnings: where echoes make a receiver unreliable, which surfaces throw them, and what would help.

A warning is given only where reliability falls; a strong echo that does no harm is said to
do none. Every cure named has been tried as a plan of its own and carries what it gained.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from rf3d.assessment.blame import Culprit, Obstacle, echoes
from rf3d.assessment.cures import WORTH_DB, Cure
from rf3d.assessment.links import ALLOWANCE_DB, Link, chance_text, verdict_of
from rf3d.assessment.places import spoken, whereabouts
from rf3d.errors import Finding, Severity
from rf3d.plan import Plan
from rf3d.propagation.paths import Setting
from rf3d.radio.radios import Receiver
from rf3d.units import FloatArray, busy_text, margin_text, wavelength_m

STRONG_ECHO_DB = 6.0
"""An echo within this of the strongest path is strong: it can halve the field."""
BLAME_SHARE = 0.05
"""Surfaces with a smaller share of the echo power are not worth naming."""
HARM_DB = 1.0
"""A surface that costs less at the 1 % point is not to blame."""
LEAST_COMPLETENESS = 0.95
"""Links whose paths carry less of the power by estimate get a caution: 5 % are 0.2 dB. The project's own limit."""
LIVES_ON_DB = 6.0
"""A surface without whose echoes a link loses so much carries it."""
AMPLE_DB = 20.0
"""With so much margin, fading as deep as what is kept in hand is what makes a link weak, not want of power."""
MOST_NAMED = 3
FLAW_WORDS = {"stutter": "its freezes", "overload": "overload", "air-time": "its transmitter's air-time"}
"""What is wrong besides power and fading, by the code of its finding."""
CURES_TOLD = 2


def receiver_finding(
    setting: Setting,
    plan: Plan,
    link: Link,
    *,
    receiver: Receiver,
    blame: Sequence[Culprit],
    obstacles: Sequence[Obstacle],
    cures: Sequence[Cure],
    flaws: Sequence[Finding] = (),
    cautioned: bool = False,
) -> Finding:
    """What to tell the crew about one receiver, from the link that serves it best.

    ``flaws`` are findings of what is wrong with it besides power and fading; nothing is called well beside them.
    ``cautioned`` tells that there is a caution besides, which is still to be heeded.
    """
    told = _Told(setting, plan, receiver)
    straight = _straight_text(told, obstacles)
    if not np.isfinite(link.fade_power_dbm):
        return Finding(
            "no-path", "fail", receiver.name,
            f"no path of the studied kinds brings power to it from {link.transmitter}: lost.{straight} "
            f"{_advice(cures, link)}",
            None, None, "dB", _place(receiver),
        )  # fmt: skip
    over = "on" if link.air is None else "over"
    holds = f"{link.verdict}, holds with a chance of {chance_text(link.chance)} {over} {link.air_words}"
    level = f"{margin_text(link.margin_db, 'its threshold')} on the average, {_worst_text(link)}"
    if link.air is not None and link.busy_margin_db is not None and link.air.disturbed:
        level += f"; {busy_text(link.busy_margin_db)}"

    def finding(code: str, severity: Severity, text: str) -> Finding:
        return Finding(code, severity, receiver.name, text, link.fade_margin_db, ALLOWANCE_DB, "dB", _place(receiver))

    if link.verdict in ("solid", "workable"):
        if flaws:
            named = ", ".join(dict.fromkeys(FLAW_WORDS[flaw.code] for flaw in flaws))
            return finding("holds", "info", f"{holds} ({level}). But see what is said of {named}.")
        if strongest_echo_db(link) >= -STRONG_ECHO_DB:
            rest = "nothing to do about them" if cautioned else "nothing to do"
            text = (
                f"{holds} ({level}). Strong echoes{echo_text(told, echoes(setting, link))}; the "
                f"{len(link.channels_hz)} channels and the margin cover them; {rest}."
            )
            return finding("strong-echo-covered", "info", text)
        return finding("holds", "info", f"{holds} ({level}).")
    code, why = reason(link)
    spot_cm = 5 * int(np.ceil(100 * wavelength_m(link.centre_hz) / 5))
    spot = f" Try ±{spot_cm} cm and keep the best." if code == "multipath-fading" and _can_be_shifted(receiver) else ""
    power = ""
    if link.margin_db >= AMPLE_DB and link.fade_depth_db >= ALLOWANCE_DB:
        power = " Lower power would shrink reach and disturbance, not the ratio of echo to direct."
    carrier = min(blame, key=lambda c: c.harm_db or 0.0, default=None)
    if carrier is not None and carrier.harm_db is not None and carrier.harm_db <= -LIVES_ON_DB:
        straight += (
            f" It lives on the way by {spoken(carrier.surface)} ({told.where(carrier.point_m)}): keep that clear."
        )
    text = (
        f"heard from {link.transmitter}: {holds} ({level}); {why}.{straight} Echoes{echo_text(told, blame)}."
        f"{spot}{power} {_advice(cures, link)}"
    )
    return finding(code, "fail" if link.verdict == "lost" else "caution", text)


def _can_be_shifted(receiver: Receiver) -> bool:
    """Whether a crew can look for a better spot nearby: a worn pack walks, a housing stands where it is wanted."""
    return not receiver.worn and receiver.inside is None


def _worst_text(link: Link) -> str:
    """The margin at the 1 % point, after that on the average; says which side it is on where that is another one."""
    below = " below it" if round(link.fade_margin_db) < 0 <= round(link.margin_db) else ""
    return f"{abs(round(link.fade_margin_db))} dB{below} on the worst 1 in 100 spots and channels"


def reason(link: Link) -> tuple[str, str]:
    """Code of what makes a link fragile or lost, and the same in words."""
    if link.air is not None and verdict_of(link.clean_chance, listed=True) in ("solid", "workable"):
        return "other-radios", (
            f"it would hold on clean air, but others disturb {link.air.disturbed} of {len(link.channels_hz)} channels, "
            f"mostly {link.air.strongest or 'noise'}"
        )
    if link.margin_db < ALLOWANCE_DB:
        return "too-weak", "too little power arrives"
    depth = f"the 1 % point is {link.fade_depth_db:.0f} dB below the mean"
    return "multipath-fading", f"echoes cancel the signal in places: {depth}"


def other_link_finding(setting: Setting, plan: Plan, link: Link, *, receiver: Receiver) -> Finding | None:
    """A word about a link that would not hold by itself, at a receiver that another transmitter serves better."""
    if link.verdict in ("solid", "workable"):
        return None
    value: float | None
    if np.isfinite(link.fade_power_dbm):
        value = link.fade_margin_db
        named = echo_text(_Told(setting, plan, receiver), echoes(setting, link))
        why = (
            f"({chance_text(link.chance)}; {margin_text(value, 'its threshold')} on the worst 1 in 100 "
            f"spots and channels); echoes{named}"
        )
    else:
        value, why = None, "for want of a path that carries power"
    text = f"{link.transmitter} alone would be {link.verdict} here {why}. Another transmitter serves it."
    return Finding("weaker-link", "info", link.receiver, text, value, ALLOWANCE_DB, "dB", _place(receiver))


def smear_finding(link: Link) -> Finding | None:
    """A caution where echoes are spread so far that they smear one channel."""
    if link.coherence_bandwidth_hz >= link.bandwidth_hz:
        return None
    return Finding(
        "echo-spread", "caution", link.receiver,
        f"echoes from {link.transmitter} are spread over {1e9 * link.rms_delay_spread_s:.0f} ns (rms): the channel is "
        "wider than what fades together, so bits may smear even at good power. Use narrower channels or a directive "
        "antenna.",
        link.coherence_bandwidth_hz / 1e6, link.bandwidth_hz / 1e6, "MHz",
    )  # fmt: skip


def missing_finding(link: Link, rays: int) -> Finding | None:
    """A caution where rays have probably missed paths that matter."""
    if link.completeness >= LEAST_COMPLETENESS:
        return None
    return Finding(
        "paths-missing", "caution", link.receiver,
        f"the paths found from {link.transmitter} carry an estimated {np.floor(100 * link.completeness):.0f} % of the "
        f"power: {rays:,} rays are few for this venue. Raise rays in [study] and look again.",
        100.0 * link.completeness, 100.0 * LEAST_COMPLETENESS, "%",
    )  # fmt: skip


def strongest_echo_db(link: Link) -> float:
    """Strongest echo relative to the strongest path; −inf for a single path."""
    return float(link.path_power_dbm[1] - link.path_power_dbm[0]) if link.paths.count > 1 else -np.inf


class _Told(NamedTuple):
    """Whom a place is told to: everything is said as seen from this receiver."""

    setting: Setting
    plan: Plan
    receiver: Receiver

    def where(self, point_m: FloatArray) -> str:
        """A local point in words."""
        world = self.setting.scene.to_world(point_m)
        return whereabouts(world - self.receiver.position_m, float(world[2]), self.plan.house_azimuth_rad)


def echo_text(told: _Told, blame: Sequence[Culprit]) -> str:
    """The surfaces worth naming, each with its place, its share of the echoes and what it costs."""
    if not blame:
        return ": none"
    said = []
    harmful = [c for c in blame if c.harm_db is not None and c.harm_db >= HARM_DB]
    largest = sorted(blame, key=lambda c: -c.echo_share)
    for culprit in (harmful or [c for c in largest if c.echo_share >= BLAME_SHARE] or largest[:1])[:MOST_NAMED]:
        cost = ""
        if culprit.harm_db is not None and culprit.harm_db >= HARM_DB:
            cost = f", costs {culprit.harm_db:.0f} dB"
        share = f"{100 * culprit.echo_share:.0f} % of the echo power"
        said.append(f"{spoken(culprit.surface)} ({told.where(culprit.point_m)}; {share}{cost})")
    return ": " + ", ".join(said)


def _straight_text(told: _Told, obstacles: Sequence[Obstacle]) -> str:
    """A sentence about what stands in the straight way; "" where nothing does."""
    passed = [
        f"{spoken(o.surface)} ({told.where(o.point_m)}; takes {o.loss_db:.0f} dB)"
        for o in obstacles
        if o.kind == "passed" and o.loss_db is not None and o.loss_db >= WORTH_DB
    ]
    shut = [f"{spoken(o.surface)} ({told.where(o.point_m)})" for o in obstacles if o.kind == "blocking"]
    round_ = [f"{spoken(o.surface)} ({told.where(o.point_m)})" for o in obstacles if o.kind == "rounded"]
    if shut:
        bent = f"; the nearest way round bends at an edge of {', '.join(round_)}" if round_ else ""
        return f" The straight way is shut by {', '.join(shut)}{bent}."
    return f" In the straight way: {', '.join(passed[:MOST_NAMED])}." if passed else ""


def _advice(cures: Sequence[Cure], link: Link) -> str:
    """The best cures with their gains; a cable where nothing else helps, and as the last resort."""
    tried = [cure for cure in cures if cure.fade_margin_db is not None]
    # A transmitter moved and a second one hung at the same place are one piece of advice.
    tried = [cure for i, cure in enumerate(tried) if cure.place_m is None or cure.place_m not in _places(tried[:i])]
    if not tried:
        return f"Nothing tried here gains {WORTH_DB:.0f} dB: run a cable."
    text = "Best of what was tried: " + "; or ".join(_cure_text(cure) for cure in tried[:CURES_TOLD])
    short = ALLOWANCE_DB - (tried[0].fade_margin_db or 0.0)
    if short > 0.5 and tried[0].verdict in ("fragile", "lost") and np.isfinite(link.fade_margin_db):
        text += f". Even so it stays {short:.0f} dB short of the {ALLOWANCE_DB:.0f} dB to keep in hand"
    return f"{text}. If nothing else can be done, run a cable."


def _places(cures: Sequence[Cure]) -> list[tuple[float, float, float] | None]:
    return [cure.place_m for cure in cures]


def _cure_text(cure: Cure) -> str:
    said = [] if cure.gain_db is None else [f"+{cure.gain_db:.0f} dB at the 1 % point"]
    said.append(f"then {cure.verdict}")
    if cure.note:
        said.append(cure.note)
    if cure.worsens:
        said.append(f"but worse for {', '.join(cure.worsens)}")
    if not cure.others_checked:
        said.append("check the other receivers")
    return f"{cure.action} ({'; '.join(said)})"


def _place(receiver: Receiver) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in receiver.position_m)
    return x, y, z
