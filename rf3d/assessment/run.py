"""One way to an answer: a plan and its scene in, links and findings out.

Command line, pictures and whatever comes later all call ``solve``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rf3d.assessment.links import Link, evaluate
from rf3d.assessment.multipath import Trial, receiver_finding, smear_finding
from rf3d.errors import Finding, InputError
from rf3d.jobs import Jobs
from rf3d.plan import Plan, assign_surfaces
from rf3d.propagation.kernels.interfaces import opaque_parts
from rf3d.propagation.paths import Setting, find_paths, prepare
from rf3d.units import BoolArray, FloatArray
from rf3d.venue.facets import find_facets
from rf3d.venue.scene import Scene


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
    exhaustive_order : int
        Reflections up to which every path is certain to be there.
    """

    plan: Plan
    setting: Setting
    links: tuple[Link, ...]
    findings: tuple[Finding, ...]
    exhaustive_order: int

    def best_link(self, receiver: str) -> Link | None:
        """The link of a receiver with the greatest fade margin; None where none shares its radio."""
        mine = [link for link in self.links if link.receiver == receiver]
        return max(mine, key=lambda link: link.fade_margin_db) if mine else None


def ready(plan: Plan, scene: Scene) -> Setting:
    """The scene with every surface assigned, ready for tracing.

    Raises
    ------
    InputError
        Surfaces without a radio material, listed by name.
    """
    surfaces, unassigned = assign_surfaces(plan, scene)
    if unassigned:
        raise InputError(
            f"{len(unassigned)} surfaces have no radio material: {', '.join(unassigned)}",
            "links and volumes need one for every surface",
            f"add [[surface]] rows to {plan.path.name}, or see what `rf3d new` suggests",
        )
    centres = np.array(sorted({t.radio.centre_hz for t in plan.transmitters}))
    return prepare(scene, find_facets(scene), surfaces, opaque=opaque_parts(surfaces, centres))


def linked_pairs(plan: Plan) -> BoolArray:
    """Which transmitters and receivers share a radio, (T, R)."""
    return np.array([[t.radio.name == r.radio.name for r in plan.receivers] for t in plan.transmitters], dtype=bool)


def solve(plan: Plan, scene: Scene, *, jobs: Jobs, seed: int | None = None) -> Solution:
    """Trace every link of a plan and judge it.

    Parameters
    ----------
    seed : int or None
        In place of the plan's own.
    """
    setting = ready(plan, scene)
    seed = plan.study.seed if seed is None else seed
    linked = linked_pairs(plan)
    paths, sequences = find_paths(
        setting,
        _local(scene, [t.position_m for t in plan.transmitters]),
        _local(scene, [r.position_m for r in plan.receivers]),
        linked=linked,
        max_reflections=plan.study.max_reflections,
        rays=plan.study.rays,
        seed=seed,
        jobs=jobs,
    )
    links: list[Link] = []
    findings: list[Finding] = []
    for r, receiver in enumerate(plan.receivers):
        own: list[tuple[Link, int]] = []
        for t in np.flatnonzero(linked[:, r]):
            mine = paths.take(np.flatnonzero((paths.transmitter == t) & (paths.receiver == r)))
            link = evaluate(
                setting,
                mine,
                transmitter=plan.transmitters[t],
                receiver=receiver,
                seed=seed,
                position_tolerance_m=plan.position_tolerance_m,
            )
            own.append((link, int(t)))
            smear = smear_finding(link)
            if smear is not None:
                findings.append(smear)
        links += [link for link, _ in own]
        if own:
            link, t = max(own, key=lambda pair: pair[0].fade_margin_db)
            trial = Trial(
                setting, plan.transmitters[t], receiver, sequences[t], seed,
                plan.position_tolerance_m, plan.house_azimuth_rad, jobs,
            )  # fmt: skip
            findings.append(receiver_finding(trial, link))
        jobs.progress("links", r + 1, len(plan.receivers))
    return Solution(plan, setting, tuple(links), tuple(findings), paths.exhaustive_order)


def _local(scene: Scene, positions: list[FloatArray]) -> FloatArray:
    return scene.to_local(np.array(positions, dtype=np.float64).reshape(-1, 3))
