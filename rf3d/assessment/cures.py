"""What would help a receiver that is fragile or lost: changed plans, each one tried, best first.

A first look with few channels picks the best change of each kind. That one is judged like
any plan: its gain is what a fresh run of the changed plan gives.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rf3d.assessment.blame import Culprit
from rf3d.assessment.changes import (
    Change,
    Kind,
    absorber,
    hang_places,
    hung,
    other_radios,
    receiver_antennas,
    receiver_moves,
    transmitter_antennas,
    transmitter_at,
)
from rf3d.assessment.links import VERDICT_CHANCES, Link, Verdict, evaluate, finite
from rf3d.assessment.traced import Traced, air_at, link_of, linked_pairs, paths_between
from rf3d.jobs import ordered
from rf3d.plan import Plan
from rf3d.propagation.diffuse import NO_DIFFUSE
from rf3d.propagation.kernels.interfaces import opaque_parts
from rf3d.propagation.paths import PathSet, find_paths, refine
from rf3d.radio.radios import Receiver, Transmitter
from rf3d.units import FloatArray
from rf3d.venue.hangs import Hang

WORTH_DB = 3.0
"""A cure that gains less at the 1 % point is not worth a crew's time."""
HOLDING: tuple[Verdict, ...] = ("solid", "workable")
"""Where one cure leads to these, cures that leave the receiver worse off are not worth a word."""
LOOK_CHANNELS = 9
"""Channels of a first look."""
MOST_PLACES = 3
"""Places on hangs that are traced for one receiver, the best by their straight ways."""
_RANK = {name: rank for rank, (name, _) in enumerate((*VERDICT_CHANCES, ("lost", 0.0)))}
Links = Mapping[tuple[int, int], Link]
"""Links of a plan by the numbers of transmitter and receiver."""


@dataclass(frozen=True, eq=False)
class Cure:
    """A change that was tried, and what it does.

    Attributes
    ----------
    kind : Kind
    action : str
    gain_db : float or None
        By how much the receiver's fade margin rises; None for a cable, and where nothing arrives now.
    fade_margin_db : float or None
        What it rises to.
    verdict : Verdict or None
        What the receiver's best link is then.
    worsens : tuple of str
        Receivers whose verdict falls.
    others_checked : bool
        Whether ``worsens`` is complete; False where other receivers may suffer and were not judged.
    note : str
    place_m : tuple of 3 float or None
        Where something goes, world coordinates.
    plan : Plan or None
        The changed plan; None for a cable.
    """

    kind: Kind
    action: str
    gain_db: float | None
    fade_margin_db: float | None
    verdict: Verdict | None
    worsens: tuple[str, ...]
    others_checked: bool
    note: str
    place_m: tuple[float, float, float] | None
    plan: Plan | None

    def as_json(self) -> dict[str, Any]:
        """Plain data, without the plan."""
        return {
            "kind": self.kind, "action": self.action, "gain_db": finite(self.gain_db),
            "fade_margin_db": finite(self.fade_margin_db), "verdict": self.verdict, "worsens": list(self.worsens),
            "others_checked": self.others_checked, "note": self.note,
            "place_m": None if self.place_m is None else list(self.place_m),
        }  # fmt: skip


CABLE = Cure(
    "cable", "run a cable", None, None, None, (), True, "a wire does not fade", None, None
)  # fmt: skip


def cures(traced: Traced, links: Links, r: int, *, blame: Sequence[Culprit]) -> list[Cure]:
    """Changes that raise the fade margin of receiver r by at least 3 dB, best first, one of each kind; a cable last.

    Best is by the verdict that they lead to, then by the fade margin. Where one makes the link hold, those that do not
    are left out.

    Parameters
    ----------
    links : mapping
        All links of the plan that was traced.
    blame : sequence of Culprit
        Of the receiver's best link, the most harmful first.
    """
    mine = {t: link for (t, other), link in links.items() if other == r}
    if not mine:
        return []
    t = max(mine, key=lambda number: mine[number].fade_margin_db)
    found: dict[Kind, Cure] = {}
    alone = _alone(traced)

    def tried(change: Change) -> Cure | None:
        return _tried(alone, links, r, change, now=mine[t])

    changes = _promising(traced, r, t, blame)
    for change, cure in zip(changes, ordered(tried, changes, jobs=traced.jobs), strict=True):
        if cure is not None and (change.kind not in found or _order(cure) < _order(found[change.kind])):
            found[change.kind] = cure
    told = sorted(found.values(), key=_order)
    return [*([cure for cure in told if cure.verdict in HOLDING] or told), CABLE]


def _order(cure: Cure) -> tuple[int, float, int, bool]:
    """Best first: by verdict, then by fade margin; of equals the one that harms nobody."""
    verdict = len(_RANK) if cure.verdict is None else _RANK[cure.verdict]
    margin = -np.inf if cure.fade_margin_db is None else cure.fade_margin_db
    return verdict, -margin, len(cure.worsens), not cure.others_checked


def _promising(traced: Traced, r: int, t: int, blame: Sequence[Culprit]) -> list[Change]:
    """The best change of each kind at a first look; ``t`` serves the receiver now."""
    plan, setting = traced.plan, traced.setting
    found = [*receiver_antennas(plan, r, t), *transmitter_antennas(plan, r, t), *other_radios(plan, r)]
    found += _best_move(traced, r, t)
    place = _best_place(traced, r, t)
    if place is not None:
        found += hung(plan, r=r, t=t, place=place)
    for culprit in blame:
        lined = absorber(plan, setting, r, culprit) if (culprit.harm_db or 0.0) >= WORTH_DB else None
        if lined is not None:
            return [*found, lined]
    return found


def _tried(traced: Traced, links: Links, r: int, change: Change, *, now: Link) -> Cure | None:
    """A change judged as a plan of its own; None where it is not worth it."""
    plan, changed = traced.plan, change.plan
    setting = traced.setting
    if change.surfaces is not None:
        setting = setting._replace(surfaces=change.surfaces)
    if change.surfaces is not None or change.kind == "another band":
        centres = np.array(sorted({t.radio.centre_hz for t in changed.transmitters}))
        opaque = opaque_parts(setting.surfaces, centres, loss_db=setting.most_wall_loss_db)
        if (opaque != setting.opaque).any():  # another geometry
            return None
    linked = linked_pairs(changed)

    def best(receiver: int) -> Link:
        own = []
        air = air_at(traced, changed, receiver, setting=setting)
        for t in np.flatnonzero(linked[:, receiver]).tolist():
            known = (
                change.surfaces is None
                and (t, receiver) in links
                and air is traced.air.get(plan.receivers[receiver].name)
                and changed.transmitters[t] is plan.transmitters[t]
                and changed.receivers[receiver] is plan.receivers[receiver]
            )
            own.append(links[t, receiver] if known else link_of(traced, changed, t, receiver, air=air, setting=setting))
        return max(own, key=lambda link: link.fade_margin_db)

    then = best(r)
    gain = then.fade_margin_db - now.fade_margin_db
    if not (gain >= WORTH_DB if np.isfinite(now.fade_margin_db) else then.verdict != "lost"):
        return None
    others_checked = change.surfaces is None and change.kind != "move transmitter"
    others: list[int] = []
    if others_checked and change.kind == "another band":
        others = sorted({other for _, other in links})
    elif others_checked and change.transmitter is not None:
        others = _served(links, change.transmitter)
    worsens = []
    for other in others:
        before = max((link for (_, o), link in links.items() if o == other), key=lambda link: link.fade_margin_db)
        if other != r and _RANK[best(other).verdict] > _RANK[before.verdict]:
            worsens.append(plan.receivers[other].name)
    return Cure(
        change.kind, change.action, gain if np.isfinite(gain) else None, then.fade_margin_db, then.verdict,
        tuple(worsens), others_checked, change.note,
        None if change.place_m is None else tuple(change.place_m.tolist()), changed,
    )  # fmt: skip


def _served(links: Links, t: int) -> list[int]:
    """Receivers that a transmitter serves best."""
    margin = {pair: link.fade_margin_db for pair, link in links.items()}
    return [
        r for (number, r) in margin
        if number == t and margin[t, r] >= max(value for (_, other), value in margin.items() if other == r)
    ]  # fmt: skip


def _best_move(traced: Traced, r: int, t: int) -> list[Change]:
    """The move of the receiver that helps most at a first look; none where nothing arrives anywhere."""
    moves = receiver_moves(traced.plan, traced.setting, r)
    if not moves:
        return []
    tx = traced.plan.transmitters[t]
    to_local, number = traced.setting.scene.to_local, np.arange(len(moves), dtype=np.int32)
    there = refine(
        traced.setting, to_local(tx.position_m), to_local(np.array([move.place_m for move in moves])),
        candidates=traced.candidates[t], jobs=traced.jobs, labels=(0, number), cache=traced.cache,
    )  # fmt: skip
    margin = [
        _look(traced, there.take(np.flatnonzero(there.receiver == i)), tx, move.plan.receivers[r]).fade_margin_db
        for i, move in enumerate(moves)
    ]
    best = int(np.argmax(margin))
    return [moves[best]] if np.isfinite(margin[best]) else []


def _best_place(traced: Traced, r: int, t: int) -> tuple[Hang, FloatArray] | None:
    """The place on a hang from which a transmitter like t serves receiver r best at a first look."""
    plan, setting, rx = traced.plan, traced.setting, traced.plan.receivers[r]
    here = setting.scene.to_local(rx.position_m)
    alone = _alone(traced)

    def seen_from(place: tuple[Hang, FloatArray]) -> tuple[float, float, tuple[Hang, FloatArray], Transmitter]:
        tx = transmitter_at(plan, r, t, place)
        straight, _ = find_paths(
            setting, setting.scene.to_local(tx.position_m)[None], here[None], linked=np.ones((1, 1), dtype=bool),
            max_reflections=0, rays=1, seed=traced.seed, jobs=alone.jobs,
        )  # fmt: skip
        power = _look(traced, straight, tx, rx).mean_power_dbm
        return -power, float(np.linalg.norm(tx.position_m - rx.position_m)), place, tx

    def margin(tx: Transmitter) -> float:
        return _look(traced, paths_between(alone, tx, rx, setting), tx, rx).fade_margin_db

    ranked = sorted(ordered(seen_from, hang_places(plan, setting, r, t), jobs=traced.jobs), key=lambda row: row[:2])
    best, most = None, -np.inf
    shortlist = ranked[:MOST_PLACES]
    for row, found in zip(shortlist, ordered(margin, [row[3] for row in shortlist], jobs=traced.jobs), strict=True):
        if found > most:
            best, most = row[2], found
    return best


def _alone(traced: Traced) -> Traced:
    """For work that already goes on in several threads: one thread each."""
    return replace(traced, jobs=replace(traced.jobs, workers=1))


def _look(traced: Traced, paths: PathSet, transmitter: Transmitter, receiver: Receiver) -> Link:
    """A link on few channels and without what is scattered: good enough to choose by."""
    radio = transmitter.radio
    count = min(LOOK_CHANNELS, len(radio.channels_hz))
    if count > 1:
        spacing = (radio.last_channel_hz - radio.first_channel_hz) / (count - 1)
        radio = replace(radio, channel_spacing_hz=spacing)
    return evaluate(
        traced.setting, paths, transmitter=replace(transmitter, radio=radio), receiver=receiver, diffuse=NO_DIFFUSE,
        seed=traced.seed, position_tolerance_m=traced.plan.position_tolerance_m,
    )  # fmt: skip
