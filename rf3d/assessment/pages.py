"""One page a receiver, and the plan in a few sentences: everything known of it, from one list of findings."""

from __future__ import annotations

from typing import Any

import numpy as np

from rf3d.assessment.budget import Line, budget
from rf3d.assessment.fading import rice_depths_db
from rf3d.assessment.links import Link, chance_text, finite
from rf3d.assessment.run import Solution
from rf3d.assessment.service import Service, air_time
from rf3d.assessment.stutter import STUTTER_MODEL, freeze_text
from rf3d.errors import Finding
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
    rice, person = rice_depths_db(link.rice_k_db), solution.people[receiver]
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
        return f"{clean}; clean air only: no other radio is listed"
    if link.air.disturbed == 0:
        return f"{clean}, and no less over the air you listed"
    return (
        f"{clean}; {busy_text(link.busy_margin_db, 'the busiest air you listed')}, mostly "
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


def summary(solution: Solution) -> list[str]:
    """The plan in a few sentences: does it hold, the worst links and why, the first thing to do."""
    services = sorted(solution.services.values(), key=lambda s: (-s.harm, s.link.chance, s.link.fade_margin_db))
    unserved = [r.name for r in solution.plan.receivers if r.name not in solution.services]
    weak = [s for s in services if s.link.verdict not in GOOD]
    failing = [f for f in solution.findings if f.severity == "fail"]
    total = len(solution.plan.receivers)
    if not total:
        return ["The plan has no receiver."]
    listed = bool(solution.plan.occupied)
    over = "over the air listed" if listed else "on clean air only, since no other radio is listed"
    lines = [
        f"It does not hold everywhere: {total - len(weak) - len(unserved)} of {total} receivers hold, {over}."
        if weak or unserved
        else f"It holds: {'the one receiver' if total == 1 else f'all {total} receivers'}, {over}."
    ]
    if unserved:
        lines.append(f"Without a transmitter: {', '.join(unserved)}.")
    worst = [s for s in services if s in weak][:WORST_TOLD] or services[:1]
    for service in worst:
        link = service.link
        freeze = "" if service.stutter is None else f"; freeze in a show {freeze_text(service.stutter.freeze_chance)}"
        lines.append(
            f"{'Worst' if service is worst[0] else 'Then'}: {link.receiver}, {link.verdict} "
            f"({chance_text(link.chance)}{freeze}): {margin_words(link)}."
        )
    first = first_thing(solution, failing, weak)
    if first:
        lines.append(f"First thing to do: {first}")
    return lines


def first_thing(solution: Solution, failing: list[Finding], weak: list[Service]) -> str:
    """The one action to begin with; nothing where nothing is wrong."""
    urgent = next((f for f in failing if f.code == "safety-purpose"), None)
    if urgent is not None:
        return f"{urgent.where}: {urgent.message}."
    if weak:
        name = weak[0].link.receiver
        said = [f.message for f in solution.findings if f.where == name and _BEST in f.message]
        return f"{name}: {said[0][said[0].index(_BEST) :]}" if said else f"{name}: see its finding."
    return (
        "" if solution.plan.occupied else "list what else is on the air in [[occupied]] tables; nothing is known of it."
    )


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
