"""Volumes of a plan, the one way to them: which transmitters, where, how precisely, and how well zones are covered."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rf3d.assessment.air import emitters_of
from rf3d.assessment.coverage import Coverage, coverage, coverage_findings, in_air, listening_antenna, zone_voxels
from rf3d.assessment.run import refuse_buried
from rf3d.assessment.voxel_air import VoxelAir, voxel_air
from rf3d.errors import CancelledError, Finding, InputError
from rf3d.jobs import Jobs, silent
from rf3d.plan import Plan
from rf3d.plan_surfaces import listed
from rf3d.propagation.grid import Grid, bytes_in_use, make_grid
from rf3d.propagation.paths import Setting
from rf3d.propagation.precision import Until
from rf3d.propagation.tallies import Layout
from rf3d.propagation.volume import (
    CULPRITS,
    FEWEST_BATCHES,
    TransmitterVolume,
    from_receiver,
    trace_volume,
)
from rf3d.radio.antennas import Antenna
from rf3d.radio.radios import Transmitter
from rf3d.units import BoolArray, FloatArray
from rf3d.venue.zones import Zone

PRECISE_SHARE = 0.95
"""Share of the voxels that must reach the standard error asked for."""
EARLY_WIDER, EARLY_FEWER = 2, 4
"""An early answer has voxels this many times as wide, and one in so many of the rays: its voxels are known about as
well as those of the whole answer, for a fifth of the work."""


@dataclass(frozen=True)
class Request:
    """What is asked of the volumes of a plan.

    Parameters
    ----------
    transmitter : str or None
        This one alone.
    receiver : str or None
        Backwards from this receiver, in place of any transmitter.
    zone : str or None
        Only the voxels of this zone.
    antenna : str or None
        The receiving antenna, by the name it has at a receiver; else the one most receivers of a radio have.
    detail : bool
        Arrival, receiving antenna and surfaces of every voxel.
    judge : bool
        Coverage of the zones, or of the whole venue with ``detail`` where the plan has none.
    every_voxel : bool
        A verdict for every voxel, not for those of the zones alone.
    until_db : float or None
        Go on until ``PRECISE_SHARE`` of the zones' voxels, or of all without zones, have this standard error.
    time_limit_s : float or None
        For all volumes together; with ``until_db``.
    memory_bytes : float or None
        That may be used; None for half of what is free.
    """

    transmitter: str | None = None
    receiver: str | None = None
    zone: str | None = None
    antenna: str | None = None
    detail: bool = False
    judge: bool = False
    every_voxel: bool = True
    until_db: float | None = None
    time_limit_s: float | None = None
    memory_bytes: float | None = None


@dataclass(frozen=True, eq=False)
class Volumes:
    """Volumes over one grid.

    Attributes
    ----------
    grid : Grid
    volumes : tuple of TransmitterVolume
        In plan order.
    coverages : tuple of Coverage
        One a radio, when asked for.
    backwards : bool
        They are of a receiver made to send: power is gain.
    findings : tuple of Finding
    interrupted : bool
        Stopped by hand before what was asked for was reached.
    """

    grid: Grid
    volumes: tuple[TransmitterVolume, ...]
    coverages: tuple[Coverage, ...]
    backwards: bool
    findings: tuple[Finding, ...]
    interrupted: bool


def trace_all(
    plan: Plan,
    setting: Setting,
    request: Request,
    *,
    jobs: Jobs,
    seed: int | None = None,
    log: Callable[[str], None] = lambda message: None,
    early: Callable[[Volumes], None] | None = None,
    traced: Callable[[Volumes], None] | None = None,
) -> Volumes:
    """Trace the volumes asked for, and judge the zones.

    Parameters
    ----------
    seed : int or None
        In place of the plan's own.
    log : callable(message)
        Told of each volume as it begins.
    early : callable(Volumes) or None
        Given volumes of the same transmitters on wider voxels, from fewer rays, before anything else: a picture for who
        waits. What comes later is the same without it.
    traced : callable(Volumes) or None
        Given the volumes as soon as they are there, before the zones are judged.

    Raises
    ------
    InputError
        A name that the plan does not have, options that contradict each other, a grid that does not fit in memory, a
        sender inside a solid.
    CancelledError
        When ``jobs.cancel`` is set, without ``until_db``; with it, before anything is worth keeping.
    """
    begun = time.monotonic()
    senders = _senders(plan, request)
    refuse_buried(senders, setting)
    zone = None if request.zone is None else _named(plan.zones, request.zone, "zone", "--zone")
    judge = request.judge and request.receiver is None and bool(plan.zones or request.detail)
    ears = {t.radio.name: _ear(plan, t.radio.name, request) for t in senders}
    detail = request.detail or (judge and any(ears.values()))
    blamed = CULPRITS if request.detail else 0
    study = plan.study
    region_m = None if zone is None else zone.box_m
    grid = make_grid(
        setting.scene, study.voxel_m, threads=jobs.threads,
        columns=Layout(own=detail, arrival=request.detail).columns + blamed, volumes=len(senders),
        written=Layout(own=request.detail, arrival=request.detail).columns + blamed, limit_bytes=request.memory_bytes,
        in_use_bytes=0.0 if request.memory_bytes is None else bytes_in_use(),
        region_m=region_m,
    )  # fmt: skip
    zones = plan.zones if zone is None else (zone,)
    within = _within(grid, zones)
    seed = study.seed if seed is None else seed
    if judge and any(ears.values()):
        # Whoever stands where nobody can is refused before any work.
        emitters_of(plan, setting)

    def others() -> dict[str, VoxelAir]:
        return _air(plan, setting, grid, ears, seed=seed, jobs=jobs, log=log) if judge else {}

    if early is not None:
        early(_early(plan, setting, senders, region_m, request, seed=seed, jobs=jobs, log=log))
    # A limit of time holds for this too, and volumes that are stopped are judged at once.
    air = None if request.until_db is None else others()
    found: list[TransmitterVolume] = []
    for place, sender in enumerate(senders):
        until = None
        if request.until_db is not None:
            limit = request.time_limit_s
            if limit is not None:
                limit = max(0.0, (limit - (time.monotonic() - begun)) / (len(senders) - place))
            until = Until(request.until_db, PRECISE_SHARE, within, limit)
        amount = f"{study.rays:,} rays" if until is None else f"until {request.until_db:g} dB"
        log(f"volume of {sender.name}: {grid.count:,} voxels of {study.voxel_m:g} m, {amount}")
        try:
            volume = trace_volume(
                setting, sender, grid=grid, max_reflections=study.max_reflections, rays=study.rays,
                seed=seed, jobs=jobs, detail=detail, arrivals=request.detail, blamed=blamed,
                receiving=None if request.receiver else ears[sender.radio.name], until=until,
            )  # fmt: skip
        except CancelledError:
            if not found or until is None:
                raise
            break
        found.append(volume)
    backwards = request.receiver is not None
    interrupted = len(found) < len(senders) or any(v.stopped == "interrupted" for v in found)
    if traced is not None:
        traced(Volumes(grid, tuple(found), (), backwards, (), interrupted))
    air = others() if air is None else air
    coverages = _coverages(plan, setting, found, ears, zones, air, request, seed) if judge else ()
    if not request.detail:
        found = [replace(volume, detail=None) for volume in found]
    told = [*_stopped(found, senders, request, within), *(f for c in coverages for f in coverage_findings(c))]
    return Volumes(grid, tuple(found), coverages, backwards, tuple(told), interrupted)


def _early(
    plan: Plan,
    setting: Setting,
    senders: Sequence[Transmitter],
    region_m: FloatArray | None,
    request: Request,
    *,
    seed: int,
    jobs: Jobs,
    log: Callable[[str], None],
) -> Volumes:
    """The volumes of all transmitters on wider voxels, from fewer rays, not judged."""
    study = plan.study
    voxel_m, rays = EARLY_WIDER * study.voxel_m, max(FEWEST_BATCHES, study.rays // EARLY_FEWER)
    grid = make_grid(
        setting.scene, voxel_m, threads=jobs.threads, columns=Layout().columns, volumes=len(senders),
        limit_bytes=request.memory_bytes, region_m=region_m,
    )  # fmt: skip
    log(f"early volumes: {grid.count:,} voxels of {voxel_m:g} m, {rays:,} rays")
    found = []
    for number, sender in enumerate(senders):
        jobs.progress("early volumes", number, len(senders))
        traced = trace_volume(
            setting, sender, grid=grid, max_reflections=study.max_reflections, rays=rays, seed=seed,
            jobs=replace(jobs, progress=silent),
        )  # fmt: skip
        found.append(traced)
    jobs.progress("early volumes", len(senders), len(senders))
    return Volumes(grid, tuple(found), (), request.receiver is not None, (), False)


def reached_error_db(volume: TransmitterVolume, within: BoolArray | None) -> float:
    """The standard error that ``PRECISE_SHARE`` of the voxels ``within`` (V,) keep, where anything arrives, dB."""
    power, error = volume.mean_power_w.reshape(-1), volume.std_error_w.reshape(-1)
    some = (power > 0.0) & (np.ones(len(power), dtype=bool) if within is None else within)
    if not some.any():
        return 0.0
    relative = np.nan_to_num(error[some]) / power[some]
    return float(10.0 / np.log(10.0) * np.quantile(relative, PRECISE_SHARE, method="inverted_cdf"))


def _coverages(
    plan: Plan,
    setting: Setting,
    found: Sequence[TransmitterVolume],
    ears: dict[str, Antenna | None],
    zones: Sequence[Zone],
    air: Mapping[str, VoxelAir],
    request: Request,
    seed: int,
) -> tuple[Coverage, ...]:
    radio_of = {t.name: t.radio.name for t in plan.transmitters}
    judged: list[Coverage] = []
    free = in_air(setting, found[0].grid) if found and any(ears.values()) else None
    for radio, ear in ears.items():
        mine = [v for v in found if radio_of[v.transmitter] == radio]
        if ear is not None and mine:
            judged.append(
                coverage(
                    plan,
                    setting,
                    radio=radio,
                    antenna=ear,
                    volumes=mine,
                    zones=zones,
                    air=air.get(radio),
                    seed=seed,
                    free=free,
                    every_voxel=request.every_voxel,
                )
            )
    return tuple(judged)


def _air(
    plan: Plan, setting: Setting, grid: Grid, ears: Mapping[str, Antenna | None], *, seed: int, jobs: Jobs,
    log: Callable[[str], None],
) -> dict[str, VoxelAir]:  # fmt: skip
    """What else is on the air in every voxel, for every radio that is judged."""
    radios = {t.radio.name: t.radio for t in plan.transmitters if ears.get(t.radio.name) is not None}
    if not radios:
        return {}
    log("what else is on the air")
    return voxel_air(plan, setting, grid, list(radios.values()), seed=seed, jobs=jobs)


def _stopped(
    found: Sequence[TransmitterVolume], senders: Sequence[Transmitter], request: Request, within: BoolArray | None
) -> list[Finding]:
    """A caution for every volume that ended early, and for those that were not begun or kept."""
    said = []
    for volume in found:
        if volume.stopped and request.until_db is not None:
            now = reached_error_db(volume, within)
            why = {
                "interrupted": "by hand",
                "time limit": "by the time limit",
                "ray limit": "at the most rays it takes",
            }
            message = (
                f"stopped {why[volume.stopped]} after {volume.rays:,} rays: {100 * PRECISE_SHARE:g} % of the voxels "
                f"are known to {now:.2g} dB, {request.until_db:g} dB was asked for; the result is valid with that error"
            )
            said.append(Finding("volume-stopped", "caution", volume.transmitter, message, now, request.until_db, "dB"))
    missing = [t.name for t in senders[len(found) :]]
    if missing:
        message = "stopped by hand before they were traced: the strongest transmitter is that of the others alone"
        said.append(Finding("volume-missing", "caution", listed(missing), message))
    return said


def _senders(plan: Plan, request: Request) -> list[Transmitter]:
    if request.receiver is not None:
        return [from_receiver(_named(plan.receivers, request.receiver, "receiver", "--receiver"))]
    if request.transmitter is not None:
        return [_named(plan.transmitters, request.transmitter, "transmitter", "--transmitter")]
    return list(plan.transmitters)


def _named(things: Sequence[Any], name: str, kind: str, option: str) -> Any:
    """The thing of a name; a refusal that lists the names there are."""
    for thing in things:
        if thing.name == name:
            return thing
    there = f"there are {listed([t.name for t in things])}" if things else f"the plan has no [[{kind}]]"
    cure = f"name one of them with {option}" if things else f"add a [[{kind}]] to the plan"
    raise InputError(f'no {kind} is called "{name}"', there, cure)


def _ear(plan: Plan, radio: str, request: Request) -> Antenna | None:
    """The receiving antenna of a radio: the one asked for, or the one that most receivers have."""
    if request.antenna is None:
        return listening_antenna(plan, radio)
    antennas = {r.antenna.name: r.antenna for r in plan.receivers}
    if request.antenna not in antennas:
        raise InputError(
            f'no receiver has the antenna "{request.antenna}"', f"there are {listed(list(antennas))}",
            "name one of them with --antenna",
        )  # fmt: skip
    return antennas[request.antenna]


def _within(grid: Grid, zones: Sequence[Zone]) -> BoolArray | None:
    """Voxels of all zones, (V,); None where there are no zones, or none in the grid."""
    mask = np.zeros(grid.count, dtype=bool)
    for zone in zones:
        mask[zone_voxels(grid, zone)] = True
    return mask if mask.any() else None
