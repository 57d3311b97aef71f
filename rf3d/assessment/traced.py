"""A plan traced in its venue: the paths of any pair, and the link of any pair of this plan or of one changed a little.

``run.solve`` and every cure come by their links here, so that a cure promises what a fresh
run of the changed plan gives. What a change leaves as it was is not traced again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rf3d.assessment.air import AirAt, listed_air
from rf3d.assessment.links import Link, evaluate
from rf3d.jobs import Jobs
from rf3d.plan import Plan
from rf3d.propagation.cache import PathCache
from rf3d.propagation.diffuse import diffuse_power
from rf3d.propagation.paths import EDGES_AT_HZ, Candidates, PathSet, Setting, find_paths, refine
from rf3d.radio.radios import Receiver, Transmitter
from rf3d.units import BoolArray, FloatArray
from rf3d.venue.scene import Scene


@dataclass(frozen=True, eq=False)
class Traced:
    """A plan with the paths of all its links.

    Attributes
    ----------
    paths : PathSet
    candidates : list of Candidates
        Of each transmitter.
    linked : (T, R) bool
        Pairs whose paths were looked for.
    seed : int
    jobs : Jobs
        For what is traced afterwards.
    cache : PathCache or None
    air : mapping of name to AirAt
        What each receiver hears of the air listed; empty where the plan lists nothing.
    """

    plan: Plan
    setting: Setting
    paths: PathSet
    candidates: list[Candidates]
    linked: BoolArray
    seed: int
    jobs: Jobs
    cache: PathCache | None
    air: Mapping[str, AirAt]


def linked_pairs(plan: Plan) -> BoolArray:
    """Which transmitters and receivers share a radio, (T, R)."""
    return np.array([[t.radio.name == r.radio.name for r in plan.receivers] for t in plan.transmitters], dtype=bool)


def trace(plan: Plan, setting: Setting, *, seed: int, jobs: Jobs, cache: PathCache | None) -> Traced:
    """Find the paths of every link of a plan."""
    linked = linked_pairs(plan)
    paths, candidates = find_paths(
        setting,
        local_positions(setting.scene, [t.position_m for t in plan.transmitters]),
        local_positions(setting.scene, [r.position_m for r in plan.receivers]),
        linked=linked,
        max_reflections=plan.study.max_reflections,
        rays=plan.study.rays,
        seed=seed,
        jobs=jobs,
        edges_at_hz=EDGES_AT_HZ,
        cache=cache,
    )
    air = listed_air(plan, setting, seed=seed, jobs=jobs, cache=cache)
    return Traced(plan, setting, paths, candidates, linked, seed, jobs, cache, air)


def paths_between(traced: Traced, transmitter: Transmitter, receiver: Receiver, setting: Setting) -> PathSet:
    """Paths of one pair: those found before where both stand where they stood, else found now.

    Parameters
    ----------
    setting : Setting
        That of ``traced``, or one that lets through and stops at the same places but has other surfaces.
    """
    study = traced.plan.study
    source, here = (traced.setting.scene.to_local(radio.position_m) for radio in (transmitter, receiver))
    known = [t for t in _standing_at(transmitter, traced.plan.transmitters) if traced.linked[t].any()]
    if setting is traced.setting:
        for t in known:
            for r in _standing_at(receiver, traced.plan.receivers):
                if traced.linked[t, r]:
                    mine = (traced.paths.transmitter == t) & (traced.paths.receiver == r)
                    return traced.paths.take(np.flatnonzero(mine))
    if known:
        return refine(
            setting, source, here[None], candidates=traced.candidates[known[0]], jobs=traced.jobs,
            labels=(0, np.zeros(1, dtype=np.int32)), cache=traced.cache,
        )  # fmt: skip
    paths, _ = find_paths(
        setting, source[None], here[None], linked=np.ones((1, 1), dtype=bool), max_reflections=study.max_reflections,
        rays=study.rays, seed=traced.seed, jobs=traced.jobs, edges_at_hz=EDGES_AT_HZ, cache=traced.cache,
    )  # fmt: skip
    return paths


def link_of(traced: Traced, plan: Plan, t: int, r: int, *, air: AirAt | None, setting: Setting | None = None) -> Link:
    """Link of transmitter t and receiver r of a plan, which may be another one of the same venue.

    Parameters
    ----------
    air : AirAt or None
        What the receiver hears of the air listed (``air_at``).
    setting : Setting or None
        Where the plan has other surfaces than what was traced; see ``paths_between``.
    """
    setting = traced.setting if setting is None else setting
    transmitter, receiver = plan.transmitters[t], plan.receivers[r]
    return evaluate(
        setting,
        paths_between(traced, transmitter, receiver, setting),
        transmitter=transmitter,
        receiver=receiver,
        diffuse=diffuse_power(setting, transmitter, receiver, cache=traced.cache),
        seed=traced.seed,
        position_tolerance_m=plan.position_tolerance_m,
        air=air,
        second_antenna=plan is traced.plan,
    )


def air_at(traced: Traced, plan: Plan, r: int, *, setting: Setting) -> AirAt | None:
    """What receiver r of a plan hears of the air listed: as found before where nothing it depends on is changed."""
    receiver = plan.receivers[r]
    changed = {*plan.transmitters} ^ {*traced.plan.transmitters}
    known = receiver in traced.plan.receivers and setting is traced.setting
    if known and all(t.radio.name == receiver.radio.name for t in changed):
        return traced.air.get(receiver.name)
    alone = replace(plan, receivers=(receiver,))
    air = listed_air(alone, setting, seed=traced.seed, jobs=traced.jobs, cache=traced.cache)
    return air.get(receiver.name)


def local_positions(scene: Scene, positions_m: list[FloatArray]) -> FloatArray:
    """World positions as local ones, (N, 3)."""
    return scene.to_local(np.array(positions_m, dtype=np.float64).reshape(-1, 3))


def _standing_at(radio: Transmitter | Receiver, radios: Sequence[Transmitter | Receiver]) -> list[int]:
    return [i for i, other in enumerate(radios) if (other.position_m == radio.position_m).all()]
