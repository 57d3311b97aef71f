"""One page a receiver, and the plan in a few sentences: everything known of it, from one list of findings."""

from __future__ import annotations

from typing import Any

import numpy as np

from rf3d.assessment.budget import Line, budget
from rf3d.assessment.fading import rice_depths_db
from rf3d.assessment.links import Link, chance_text, finite, over_which_airs
from rf3d.assessment.multipath import FLAW_WORDS, HARM_DB, reason
from rf3d.assessment.places import spoken
from rf3d.assessment.run import Solution
from rf3d.assessment.service import Service, air_time
from rf3d.assessment.stutter import STUTTER_MODEL, freeze_text
from rf3d.units import busy_text, margin_text

WORST_TOLD = 3
GOOD = ("solid", "workable")
_BEST = "Best of what was tried"


def page(solution: Solution, receiver: str) -> dict[str, Any]:
    """Everything known of one receiver as plain data; little where no transmitter shares its radio."""
    mine = next(r for r in solution.plan.receivers if r.name == receiver)
    role = solution.plan.roles[receiver]
    data: dict[str, Any] = {
        "receiver": receiver,
        "position_m": mine.position_m.tolist(),
        "radio": mine.radio.name,
        "purpose": role.purpose,
        "on_loss": role.on_loss,
        "importance": role.importance,
        "findings": [f.as_json() for f in solution.findings if f.where == receiver],
    }
    service = solution.services.get(receiver)
    if service is None:
        return data | {"served_by": None}
    link, scene = service.link, solution.setting.scene
    rice, person, worst = rice_depths_db(link.rice_k_db), solution.people[receiver], solution.worst[receiver]
    return data | {
        "served_by": link.transmitter,
        "verdict": link.verdict,
        "chance_of_holding": link.chance,
        "margins": margin_words(link),
        "budget": [_line_as_json(line) for line in budget_of(solution, link)],
        "air": _air_as_json(link),
        "fading": {
            "depth_1_percent_db": finite(link.fade_depth_db),
            "depth_0.1_percent_db": finite(link.rare_fade_depth_db),
            "rice_k_db": finite(link.rice_k_db),
            "rice_depth_1_percent_db": rice[0],
            "rice_depth_0.1_percent_db": rice[1],
            "second_antenna_gain_db": finite(link.second_antenna_gain_db),
            "channels": len(link.channels_hz),
            "faded_channels": list(link.faded_channels),
            "words": fading_words(link),
            "coherence_bandwidth_hz": finite(link.coherence_bandwidth_hz),
            "bandwidth_hz": link.bandwidth_hz,
        },
        "headings": [
            {
                "turned_deg": float(np.degrees(heading.turned_rad)),
                "mean_power_dbm": finite(heading.mean_power_dbm),
                "fade_power_dbm": finite(heading.fade_power_dbm),
                "chance_of_holding": heading.chance,
            }
            for heading in link.headings
        ],
        "stutter": _stutter_as_json(service),
        "answer": None if service.answer is None else {k: finite(v) for k, v in vars(service.answer).items()},
        "air_time_share": air_time(next(t for t in solution.plan.transmitters if t.name == link.transmitter)),
        "harm": service.harm,
        "blame": [culprit.as_json(scene) for culprit in solution.blame[receiver]],
        "straight_way": [obstacle.as_json(scene) for obstacle in solution.obstacles[receiver]],
        "person_in_line": None if person is None else person.as_json(scene),
        "at_worst": None if worst is None else worst.as_json(),
        "cures": [cure.as_json() for cure in solution.cures.get(receiver, ())],
    }


def budget_of(solution: Solution, link: Link) -> tuple[Line, ...]:
    """The budget of a link of a solved plan."""
    transmitter = next(t for t in solution.plan.transmitters if t.name == link.transmitter)
    receiver = next(r for r in solution.plan.receivers if r.name == link.receiver)
    return budget(solution.setting, link, transmitter=transmitter, receiver=receiver)


def margin_words(link: Link) -> str:
    """Margins in whole decibels, over clean air and over the busiest air listed."""
    if link.paths.count == 0:
        return "no path brings power to it"
    clean = f"{margin_text(link.margin_db)} on clean air"
    if link.air is None or link.busy_margin_db is None:
        return f"{clean}; clean air only: no other radio is listed on its band"
    if link.air.disturbed == 0:
        return f"{clean}, and no less over the air you listed"
    whose = "you listed" if link.listed else "known"
    return (
        f"{clean}; {busy_text(link.busy_margin_db, f'the busiest air {whose}')}, mostly "
        f"{link.air.strongest or 'noise'}, which disturbs {link.air.disturbed} of {len(link.channels_hz)} channels"
    )


def fading_words(link: Link) -> str:
    """How many channels fade below what holds."""
    few, many = link.faded_channels
    total = len(link.channels_hz)
    if many == 0:
        return f"none of {total} channels faded below what holds"
    span = f"{few}" if few == many else f"{few} to {many}"
    return f"expect {span} of {total} channels faded; which ones changes as people move"


def fading_text(link: Link) -> str:
    """All that is known of a link's fading, in sentences; "" where no path brings power."""
    if not np.isfinite(link.fade_depth_db):
        return ""
    told = (
        f"{fading_words(link)}. The worst 1 in 100 spots and channels are {max(link.fade_depth_db, 0.0):.0f} dB below "
        f"the mean, the worst 1 in 1000 {link.rare_fade_depth_db:.0f} dB. "
    )
    bandwidth = link.bandwidth_hz / 1e6
    if np.isfinite(link.coherence_bandwidth_hz):
        wide = "narrower" if link.bandwidth_hz <= link.coherence_bandwidth_hz else "no narrower, so bits may smear"
        told += (
            f"{link.coherence_bandwidth_hz / 1e6:.3g} MHz fade together; a channel of {bandwidth:.3g} MHz is {wide}."
        )
    else:
        told += f"Nothing is delayed: a channel of {bandwidth:.3g} MHz fades as one."
    if link.second_antenna_gain_db is not None:
        told += f" A second antenna 10 to 20 cm away would win {link.second_antenna_gain_db:.0f} dB at the 1 % point."
    return told


def summary(solution: Solution) -> list[str]:
    """The plan in a few sentences: does it hold, the worst links and why, the first thing to do."""
    total = len(solution.plan.receivers)
    if not total:
        return ["The plan has no receiver."]
    services = sorted(solution.services.values(), key=lambda s: (-_grave(s), -s.harm, s.link.fade_margin_db))
    unserved = [r.name for r in solution.plan.receivers if r.name not in solution.services]
    weak = [s for s in services if _grave(s) > 1]
    wary = [s for s in services if _grave(s) == 1]
    over = over_which_airs([service.link for service in services])
    over += ", since no other radio is listed" if over == "on clean air only" else ""
    lines = [
        f"It does not hold everywhere: {total - len(weak) - len(unserved)} of {total} receivers hold, {over}."
        if weak or unserved
        else f"It holds: {'the one receiver' if total == 1 else f'all {total} receivers'}, {over}."
    ]
    if wary:
        lines[0] = f"{lines[0][:-1]}; {len(wary)} of these with a caution."
    if unserved:
        lines.append(f"Without a transmitter: {', '.join(unserved)}.")
    for service in services[:WORST_TOLD]:
        link = service.link
        freeze = ""
        if service.stutter is not None:
            freeze = f"; freeze in a show {freeze_text(service.stutter.freeze_chance)}, nothing kept in hand"
        lines.append(
            f"{'Worst' if service is services[0] else 'Then'}: {link.receiver}, {link.verdict} "
            f"({chance_text(link.chance)}{freeze}): {margin_words(link)}; {_why(solution, service)}."
        )
    first = first_thing(solution, services, unserved)
    if first:
        lines.append(f"First thing to do: {first}")
    return lines


def _grave(service: Service) -> int:
    """0 where all is well, 1 with a caution, 2 where it does not hold or fails, whatever the reason."""
    if service.link.verdict not in GOOD or any(f.severity == "fail" or f.code == "overload" for f in service.flaws):
        return 2
    return 1 if service.flaws else 0


def _why(solution: Solution, service: Service) -> str:
    """What is behind a link's numbers, in a few words."""
    link, name = service.link, service.link.receiver
    if service.flaws and link.verdict in GOOD:
        return f"see what is said of {FLAW_WORDS[service.flaws[0].code]}"
    words = "" if link.verdict in GOOD else f"{reason(link)[1]}; "
    shut = [o for o in solution.obstacles[name] if o.kind == "blocking"]
    passed = [o for o in solution.obstacles[name] if o.kind == "passed"]
    echo = next((c for c in solution.blame[name] if (c.harm_db or 0.0) >= HARM_DB), None)
    if shut:
        return f"{words}the straight way is shut by {spoken(shut[0].surface)}"
    if passed:
        return f"{words}through {spoken(passed[0].surface)}, which takes {passed[0].loss_db or 0.0:.0f} dB"
    return f"{words}echoes off {spoken(echo.surface)}" if echo is not None else f"{words}the straight way is free"


def first_thing(solution: Solution, services: list[Service], unserved: list[str]) -> str:
    """The one action to begin with; ``services`` the gravest first."""
    urgent = next((f for f in solution.findings if f.code == "safety-purpose"), None)
    if urgent is not None:
        return f"{urgent.where}: {urgent.message}."
    if unserved:
        return f"{unserved[0]}: give it a transmitter; none uses its radio."
    worst = services[0]
    name = worst.link.receiver
    if _grave(worst) > 0 and worst.link.verdict in GOOD:
        return f"{name}: {worst.flaws[0].message}."
    if _grave(worst) > 0:
        said = [f.message for f in solution.findings if f.where == name and _BEST in f.message]
        return f"{name}: {said[0][said[0].index(_BEST) :]}" if said else f"{name}: see its finding."
    if not all(service.link.listed for service in services):
        return "list what else is on the air in [[occupied]] tables; nothing is known of it on some band."
    return f"measure at {name} before the show: of all that hold it has least to spare."


def _line_as_json(line: Line) -> dict[str, Any]:
    return {"item": line.item, "value": finite(line.value), "unit": line.unit, "note": line.note}


def _air_as_json(link: Link) -> dict[str, Any] | None:
    if link.air is None:
        return None
    return {
        "busy_margin_db": finite(link.busy_margin_db),
        "clean_chance_of_holding": link.clean_chance,
        "disturbed_channels": link.air.disturbed,
        "strongest": link.air.strongest,
        "noise_rise_db": link.air.noise_rise_db,
    }


def _stutter_as_json(service: Service) -> dict[str, Any] | None:
    if service.stutter is None:
        return None
    numbers = {key: finite(value) for key, value in vars(service.stutter).items()}
    return numbers | {"words": freeze_text(service.stutter.freeze_chance), "model": STUTTER_MODEL}
