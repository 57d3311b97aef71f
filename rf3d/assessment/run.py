"""One way to an answer: a plan and its scene in, links and findings out.

Command line, pictures and whatever comes later all call ``solve``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import NamedTuple, TypedDict

import numpy as np

from rf3d.assessment.blame import Culprit, Obstacle, culprits, echoes, obstacles
from rf3d.assessment.check import plan_findings
from rf3d.assessment.cures import Cure, cures
from rf3d.assessment.links import Link
from rf3d.assessment.multipath import missing_finding, other_link_finding, receiver_finding, smear_finding
from rf3d.assessment.people import (
    AtWorst,
    InLine,
    at_worst,
    person_finding,
    person_in_line,
    worst_finding,
)
from rf3d.assessment.service import (
    Service,
    air_time_findings,
    missing_findings,
    overload_findings,
    serve,
    service_findings,
)
from rf3d.assessment.spots import judge, judged_by
from rf3d.assessment.traced import Traced, link_of, local_positions, trace
from rf3d.errors import Finding, InputError
from rf3d.jobs import Jobs, ordered, silent
from rf3d.plan import Plan
from rf3d.plan_surfaces import assign_surfaces
from rf3d.propagation.cache import PathCache, kept
from rf3d.propagation.kernels.interfaces import opaque_parts
from rf3d.propagation.paths import Setting, prepare
from rf3d.radio.radios import Receiver, Transmitter
from rf3d.venue.facets import find_facets
from rf3d.venue.scene import Scene
from rf3d.venue.surfaces import enclosing_solids


@dataclass(frozen=True, eq=False)
class Solution:
    """Every link of a plan, and what is worth knowing about them.

    Attributes
    ----------
    setting : Setting
        The scene with its facets and surfaces.
    links : tuple of Link
        Receivers in plan order, and for each its transmitters in plan order.
    findings : tuple of Finding
        Of receivers, the most harm first: chance that it goes wrong, times importance and consequence.
    exhaustive_order : int
        Reflections up to which every path is certain to be there.
    seed : int
    services : mapping of receiver name to Service
        How each receiver that has a link is served by its best one.
    blame : mapping of receiver name to tuple of Culprit
        What throws echoes in its best link, the most harmful first.
    obstacles : mapping of receiver name to tuple of Obstacle
        What stands in the straight way of its best link.
    people : mapping of receiver name to InLine or None
        What becomes of its best link while somebody stands in the line; None where nobody can.
    worst : mapping of receiver name to AtWorst or None
        What becomes of it with the worst that body and housing take; None where it has neither.
    cures : mapping of receiver name to tuple of Cure
        What would help, best first; of receivers that are fragile or lost.
    """

    plan: Plan
    setting: Setting
    links: tuple[Link, ...]
    findings: tuple[Finding, ...]
    exhaustive_order: int
    seed: int
    services: Mapping[str, Service]
    blame: Mapping[str, tuple[Culprit, ...]]
    obstacles: Mapping[str, tuple[Obstacle, ...]]
    people: Mapping[str, InLine | None]
    worst: Mapping[str, AtWorst | None]
    cures: Mapping[str, tuple[Cure, ...]]

    def best_link(self, receiver: str) -> Link | None:
        """The link of a receiver with the greatest fade margin; None where none shares its radio."""
        mine = [link for link in self.links if link.receiver == receiver]
        return max(mine, key=lambda link: link.fade_margin_db) if mine else None

    def culprits(self, link: Link) -> tuple[Culprit, ...]:
        """Surfaces to blame for a link; of one that is not its receiver's best by their echoes, without trying harm."""
        if link is self.best_link(link.receiver):
            return self.blame[link.receiver]
        return tuple(echoes(self.setting, link))


def ready(plan: Plan, scene: Scene, *, cache: PathCache | None = None) -> Setting:
    """The scene with every surface assigned, ready for tracing.

    Raises
    ------
    InputError
        Surfaces without a radio material, listed by name; no transmitter.
    """
    surfaces, unassigned = assign_surfaces(plan, scene)
    if unassigned:
        raise InputError(
            f"{len(unassigned)} surfaces have no radio material: {', '.join(unassigned)}",
            "links and volumes need one for every surface",
            f"add [[surface]] rows to {plan.path.name}; `rf3d check` lists what is missing",
        )
    centres = np.array(sorted({t.radio.centre_hz for t in plan.transmitters}))
    facets = kept(cache, ("facets", scene.digest), lambda: find_facets(scene))
    limit = plan.study.most_wall_loss_db
    opaque = opaque_parts(surfaces, centres, loss_db=limit)
    return prepare(scene, facets, surfaces, opaque=opaque, most_wall_loss_db=limit, cache=cache)


def refuse_buried(radios: Sequence[Transmitter | Receiver], setting: Setting) -> None:
    """A radio inside a solid has no air to radiate into.

    Raises
    ------
    InputError
        The first such radio, and the solid.
    """
    spots = local_positions(setting.scene, [radio.position_m for radio in radios])
    for radio, solid in zip(radios, enclosing_solids(setting.scene, spots, setting.surfaces), strict=True):
        if solid is not None:
            raise InputError(
                f'"{radio.name}" stands inside the solid "{solid}"',
                "radios stand in the air",
                'move it, or make that surface body = "sheet" if it is hollow',
            )


def solve(plan: Plan, scene: Scene, *, jobs: Jobs, seed: int | None = None, cache: PathCache | None = None) -> Solution:
    """Trace every link of a plan and judge it.

    Parameters
    ----------
    seed : int or None
        In place of the plan's own.
    cache : PathCache or None
        Kept by the caller from plan to plan: another aim, power, antenna, material or band is then evaluated on the
        paths found before. Paths are found anew where radios stand elsewhere, where reflections, rays or seed differ,
        or where a surface lets through what it stopped before, or the reverse.
    """
    setting = ready(plan, scene, cache=cache)
    refuse_buried([*plan.transmitters, *plan.receivers], setting)
    seed = plan.study.seed if seed is None else seed
    traced = trace(plan, setting, seed=seed, jobs=jobs, cache=cache)
    links = _links(traced, jobs)
    advised = _advised(traced, links, jobs)
    served = {advice.receiver for advice in advised}
    findings = [
        *plan_findings(plan, scene, setting.surfaces),
        *(said for advice in sorted(advised, key=lambda advice: -advice.service.harm) for said in advice.findings),
        *(said for said in overload_findings(plan, list(links.values())) if said.where not in served),
        *air_time_findings(plan),
        *missing_findings(plan),
    ]
    return Solution(
        plan,
        setting,
        tuple(links.values()),
        tuple(findings),
        traced.paths.exhaustive_order,
        seed,
        MappingProxyType({advice.receiver: advice.service for advice in advised}),
        MappingProxyType({advice.receiver: tuple(advice.why.blame) for advice in advised}),
        MappingProxyType({advice.receiver: tuple(advice.why.obstacles) for advice in advised}),
        MappingProxyType({advice.receiver: advice.why.person for advice in advised}),
        MappingProxyType({advice.receiver: advice.why.worst for advice in advised}),
        MappingProxyType({advice.receiver: advice.cures for advice in advised if advice.cures}),
    )


class _Ends(TypedDict):
    """The two ends of a link, and the seed it is judged with."""

    transmitter: Transmitter
    receiver: Receiver
    seed: int


class _Why(NamedTuple):
    """What makes a receiver's best link what it is."""

    blame: list[Culprit]
    obstacles: list[Obstacle]
    person: InLine | None
    worst: AtWorst | None
    answer_chance: float | None


@dataclass(frozen=True, eq=False)
class _Advice:
    """What is to be said of one receiver."""

    receiver: str
    service: Service
    findings: list[Finding]
    why: _Why
    cures: tuple[Cure, ...]


def _links(traced: Traced, jobs: Jobs) -> dict[tuple[int, int], Link]:
    """Every link by the numbers of its ends, receiver by receiver."""
    count = len(traced.plan.receivers)

    def of_receiver(r: int) -> dict[tuple[int, int], Link]:
        air = traced.air.get(traced.plan.receivers[r].name)
        linked = np.flatnonzero(traced.linked[:, r]).tolist()
        return {(t, r): link_of(traced, traced.plan, t, r, air=air) for t in linked}

    found: dict[tuple[int, int], Link] = {}
    for own in ordered(of_receiver, range(count), jobs=jobs, stage="links", total=count):
        found |= own
    return found


def _advised(traced: Traced, links: Mapping[tuple[int, int], Link], jobs: Jobs) -> list[_Advice]:
    """What is to be said of every receiver that has a link, in plan order."""
    plan, setting = traced.plan, traced.setting
    cache = PathCache() if traced.cache is None else traced.cache
    trying = replace(traced, jobs=replace(jobs, progress=silent), cache=cache)
    best: dict[int, tuple[int, Link]] = {}
    for (t, r), link in links.items():
        if r not in best or link.fade_margin_db > best[r][1].fade_margin_db:
            best[r] = t, link
    heard = sorted(best)

    def why(r: int) -> _Why:
        (t, link), receiver = best[r], plan.receivers[r]
        transmitter = plan.transmitters[t]
        spots = judged_by(
            setting, link, transmitter=transmitter, receiver=receiver, seed=traced.seed,
            position_tolerance_m=plan.position_tolerance_m,
        )  # fmt: skip
        ends: _Ends = {"transmitter": transmitter, "receiver": receiver, "seed": traced.seed}
        air, answering = traced.air.get(receiver.name), None
        if receiver.answer_power_dbm is not None and spots.wave.paths.count:
            back = replace(transmitter, power_dbm=receiver.answer_power_dbm)
            there = traced.air.get(transmitter.name)
            none = np.zeros(spots.wave.paths.count)
            _, answering = judge(spots, none, 0.0, transmitter=back, receiver=receiver, seed=traced.seed, air=there)
        return _Why(
            culprits(setting, link, spots),
            obstacles(setting, link, transmitter=transmitter, receiver=receiver),
            person_in_line(setting, link, spots, **ends, air=air, cache=traced.cache),
            at_worst(link, spots, **ends, air=air),
            answering,
        )

    reasons = dict(zip(heard, ordered(why, heard, jobs=jobs, stage="blame", total=len(heard)), strict=True))
    # One after the other: what is tried for one receiver is spread over the threads.
    weak = [r for r in heard if best[r][1].verdict in ("fragile", "lost")]
    found: dict[int, list[Cure]] = {}
    for done, r in enumerate(weak):
        jobs.progress("cures", done, len(weak))
        found[r] = cures(trying, links, r, blame=reasons[r].blame)
    if weak:
        jobs.progress("cures", len(weak), len(weak))

    overload: dict[str, list[Finding]] = {}
    for said in overload_findings(plan, list(links.values())):
        overload.setdefault(said.where, []).append(said)
    too_full = [said for said in air_time_findings(plan) if said.severity == "fail"]

    def advice(r: int) -> _Advice:
        reason, (t, link), receiver = reasons[r], best[r], plan.receivers[r]
        own = [other for (_, number), other in links.items() if number == r]
        service = serve(
            receiver, plan.roles[receiver.name], link, transmitter=plan.transmitters[t], air=traced.air,
            answer_chance=reason.answer_chance,
        )  # fmt: skip
        served, deaf = service_findings(service), overload.get(receiver.name, [])
        flaws = [said for said in served if said.code == "stutter"]
        flaws += [*deaf, *(said for said in too_full if said.where == link.transmitter)]
        somebody = person_finding(setting, plan, link, reason.person, receiver=receiver)
        worst = worst_finding(link, reason.worst, receiver=receiver)
        told: list[Finding | None] = [
            receiver_finding(
                setting, plan, link, receiver=receiver, blame=reason.blame, obstacles=reason.obstacles,
                cures=tuple(found.get(r, ())), flaws=flaws, cautioned=somebody is not None or worst is not None,
            ),
            somebody,
            worst,
        ]  # fmt: skip
        told += [other_link_finding(setting, plan, other, receiver=receiver) for other in own if other is not link]
        told += [smear_finding(other) for other in own]
        told += [missing_finding(other, plan.study.rays) for other in own]
        kept = [finding for finding in [*told, *served, *deaf] if finding is not None]
        return _Advice(receiver.name, replace(service, flaws=tuple(flaws)), kept, reason, tuple(found.get(r, ())))

    return list(ordered(advice, heard, jobs=jobs))
