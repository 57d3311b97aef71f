"""One way to an answer: a plan and its scene in, links and findings out.

Command line, pictures and whatever comes later all call ``solve``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from rf3d.assessment.air import listed_air
from rf3d.assessment.check import plan_findings
from rf3d.assessment.links import Link, evaluate
from rf3d.assessment.multipath import Trial, missing_finding, other_link_finding, receiver_finding, smear_finding
from rf3d.assessment.service import (
    Service,
    air_time_findings,
    missing_findings,
    overload_findings,
    serve,
    service_findings,
)
from rf3d.errors import Finding, InputError
from rf3d.jobs import Jobs, ordered, silent
from rf3d.plan import Plan
from rf3d.plan_surfaces import assign_surfaces
from rf3d.propagation.cache import PathCache, kept
from rf3d.propagation.diffuse import diffuse_power
from rf3d.propagation.kernels.interfaces import opaque_parts
from rf3d.propagation.paths import EDGES_AT_HZ, Setting, find_paths, prepare
from rf3d.radio.radios import Receiver, Transmitter
from rf3d.units import BoolArray, FloatArray
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
    """

    plan: Plan
    setting: Setting
    links: tuple[Link, ...]
    findings: tuple[Finding, ...]
    exhaustive_order: int
    seed: int
    services: Mapping[str, Service]

    def best_link(self, receiver: str) -> Link | None:
        """The link of a receiver with the greatest fade margin; None where none shares its radio."""
        mine = [link for link in self.links if link.receiver == receiver]
        return max(mine, key=lambda link: link.fade_margin_db) if mine else None


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


def _refuse_buried(plan: Plan, setting: Setting) -> None:
    """A radio inside a solid has no air to radiate into."""
    radios: list[Transmitter | Receiver] = [*plan.transmitters, *plan.receivers]
    spots = _local(setting.scene, [radio.position_m for radio in radios])
    for radio, solid in zip(radios, enclosing_solids(setting.scene, spots, setting.surfaces), strict=True):
        if solid is not None:
            raise InputError(
                f'"{radio.name}" stands inside the solid "{solid}"',
                "radios stand in the air",
                'move it, or make that surface body = "sheet" if it is hollow',
            )


def linked_pairs(plan: Plan) -> BoolArray:
    """Which transmitters and receivers share a radio, (T, R)."""
    return np.array([[t.radio.name == r.radio.name for r in plan.receivers] for t in plan.transmitters], dtype=bool)


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
    _refuse_buried(plan, setting)
    seed = plan.study.seed if seed is None else seed
    linked = linked_pairs(plan)
    paths, candidates = find_paths(
        setting,
        _local(scene, [t.position_m for t in plan.transmitters]),
        _local(scene, [r.position_m for r in plan.receivers]),
        linked=linked,
        max_reflections=plan.study.max_reflections,
        rays=plan.study.rays,
        seed=seed,
        jobs=jobs,
        edges_at_hz=EDGES_AT_HZ,
        cache=cache,
    )
    air = listed_air(plan, setting, seed=seed, jobs=jobs, cache=cache)
    alone = replace(jobs, workers=1, progress=silent)

    def receiver_links(r: int) -> tuple[list[Link], list[Finding], Service | None]:
        receiver = plan.receivers[r]
        own: list[tuple[Link, Trial]] = []
        for t in np.flatnonzero(linked[:, r]):
            trial = Trial(
                setting, plan.transmitters[t], receiver, candidates[t], seed,
                plan.position_tolerance_m, plan.house_azimuth_rad, alone, cache,
            )  # fmt: skip
            mine = paths.take(np.flatnonzero((paths.transmitter == t) & (paths.receiver == r)))
            link = evaluate(
                setting, mine, transmitter=trial.transmitter, receiver=receiver,
                diffuse=diffuse_power(setting, trial.transmitter, receiver, cache=cache), seed=seed,
                position_tolerance_m=plan.position_tolerance_m, air=air.get(receiver.name), second_antenna=True,
            )  # fmt: skip
            own.append((link, trial))
        if not own:
            return [], [], None
        best = max(own, key=lambda pair: pair[0].fade_margin_db)
        said: list[Finding | None] = [receiver_finding(best[1], best[0])]
        said += [other_link_finding(trial, link) for link, trial in own if link is not best[0]]
        said += [smear_finding(link) for link, _ in own]
        said += [missing_finding(link, plan.study.rays) for link, _ in own]
        service = serve(receiver, plan.roles[receiver.name], best[0], transmitter=best[1].transmitter, air=air)
        said += service_findings(service)
        return [link for link, _ in own], [finding for finding in said if finding is not None], service

    links: list[Link] = []
    told: list[tuple[float, list[Finding]]] = []
    services: dict[str, Service] = {}
    for own, said, service in ordered(
        receiver_links, range(len(plan.receivers)), jobs=jobs, stage="links", total=len(plan.receivers)
    ):
        links += own
        told.append((0.0 if service is None else service.harm, said))
        if service is not None:
            services[service.receiver.name] = service
    findings = [
        *plan_findings(plan, scene, setting.surfaces),
        *(finding for _, said in sorted(told, key=lambda pair: -pair[0]) for finding in said),
        *overload_findings(plan, tuple(links)),
        *air_time_findings(plan),
        *missing_findings(plan),
    ]
    return Solution(
        plan, setting, tuple(links), tuple(findings), paths.exhaustive_order, seed, MappingProxyType(services)
    )


def _local(scene: Scene, positions: list[FloatArray]) -> FloatArray:
    return scene.to_local(np.array(positions, dtype=np.float64).reshape(-1, 3))
