"""What `rf3d volume` is asked, prints and writes: options as a request, tables for a person, data for a program."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from rf3d.answers import whole
from rf3d.errors import InputError
from rf3d.terminal import Run

if TYPE_CHECKING:
    from rf3d.assessment.coverage import Coverage
    from rf3d.assessment.volumes import Request, Volumes
    from rf3d.plan import Plan
    from rf3d.propagation.paths import Setting
    from rf3d.propagation.volume import TransmitterVolume
    from rf3d.views.export import About

BYTES = {"kb": 1e3, "mb": 1e6, "gb": 1e9, "kib": 2.0**10, "mib": 2.0**20, "gib": 2.0**30}
_NUMBER = re.compile(r"([0-9]*\.?[0-9]+(?:e[+-]?[0-9]+)?)\s*([a-z]*)")


def volume_request(
    *,
    transmitter: str | None,
    receiver: str | None,
    zone: str | None,
    detail: bool,
    antenna: str | None,
    until: str | None,
    time_limit: str | None,
    memory: str | None,
) -> Request:
    """What the options ask for.

    Raises
    ------
    InputError
        Options that contradict each other, or words that are no number of what they should be.
    """
    from rf3d.assessment.volumes import Request

    if receiver is not None:
        for option, value in (("--transmitter", transmitter), ("--antenna", antenna)):
            if value is not None:
                raise InputError(
                    f"--receiver with {option}", "backwards there is but the receiver's own antenna",
                    "leave one of them out",
                )  # fmt: skip
    if time_limit is not None and until is None:
        raise InputError("--time-limit without --until", "it ends work that has no end of its own", "add --until 0.5dB")
    return Request(
        transmitter=transmitter,
        receiver=receiver,
        zone=zone,
        antenna=antenna,
        detail=detail or antenna is not None,
        judge=True,
        until_db=None if until is None else _amount(until, "--until", {"": 1.0, "db": 1.0}, "decibels, such as 0.5dB"),
        time_limit_s=None
        if time_limit is None
        else _amount(time_limit, "--time-limit", {"": 1.0, "s": 1.0, "min": 60.0}, "seconds, such as 60"),
        memory_bytes=None if memory is None else _amount(memory, "--memory", BYTES, "bytes, such as 4GiB or 500MB"),
    )


def _amount(text: str, option: str, units: dict[str, float], what: str) -> float:
    """A positive number with a unit of a list: "0.5dB", "4 GiB"."""
    match = _NUMBER.fullmatch(text.strip().lower())
    if match is not None and match[2] in units:
        value = float(match[1]) * units[match[2]]
        if 0.0 < value < math.inf:
            return value
    raise InputError(f'{option} is "{text}"', f"it must be a positive number of {what}", f"change {option}")


def file_contents(plan: Plan, setting: Setting, found: Volumes) -> About:
    """What a file of volumes holds besides them: radios, coverage, and what it was made from."""
    from rf3d.views.export import About

    radios: dict[str, list[str]] = {}
    radio_of = {t.name: t.radio.name for t in plan.transmitters}
    for volume in () if found.backwards else found.volumes:
        radios.setdefault(radio_of[volume.transmitter], []).append(volume.transmitter)
    made_from = {"plan": plan.title, "plan_digest": plan.digest, "scene_digest": setting.scene.digest}
    return About(radios, found.coverages, made_from, found.backwards)


def print_volumes(run: Run, volumes: Sequence[TransmitterVolume], *, backwards: bool = False) -> None:
    """Print how far the power of each transmitter reaches and how well it is known; who reflected it, with detail."""
    from rf3d.assessment.places import spoken

    rows, blame = [], []
    for v in volumes:
        data = _volume_as_json(v)
        power = data["mean_power_dbm"]
        levels = tuple("" if power is None else whole(power[key]) for key in ("p10", "median", "p90"))
        error = data["median_std_error_db"]
        rows.append(
            (v.transmitter, f"{100 * data['reached']:.0f} %", *levels, "exact" if error is None else f"{error:.2f} dB")
        )
        named = (f"{spoken(s['surface'])} {100 * s['share']:.0f} %" for s in data.get("surfaces", ()))
        blame.append((v.transmitter, ", ".join(named)))
    columns = ("receiver" if backwards else "transmitter", "reached", "weak 10 %", "median", "strong 10 %", "error")
    title = "Gain from a unit-gain transmitter in a voxel, dB" if backwards else "Mean power at a unit-gain probe, dBm"
    run.table(title, columns, rows)
    run.text("error: median standard error of a voxel; reached: share of the voxels where anything arrives.")
    if any(words for _, words in blame):
        run.table("Who reflected it last, share of the power of a voxel, mean", (columns[0], "surfaces"), blame)


def whole_or_nothing(value: float) -> str:
    """A margin in whole decibels for a table; a word where nothing arrives."""
    return whole(value) if math.isfinite(value) else "nothing"


def print_coverages(run: Run, coverages: Sequence[Coverage]) -> None:
    """Print for every radio how much of each zone is solid, workable, fragile and lost."""
    from rf3d.assessment.coverage import COVERAGE_DEFINITION, DOUBT, VERDICTS, percent

    for found in coverages:
        rows = []
        for zone in found.zones:
            worst = whole_or_nothing(zone.worst_db)
            if (
                zone.worst_busy_db is None
                and math.isfinite(zone.worst_low_db)
                and whole(zone.worst_low_db) != whole(zone.worst_high_db)
            ):
                worst += f" ({whole(zone.worst_low_db)} to {whole(zone.worst_high_db)})"
            shares = (percent(zone.shares[word]) for word in reversed(VERDICTS))
            busy = () if zone.worst_busy_db is None else (whole_or_nothing(zone.worst_busy_db),)
            rows.append((zone.zone, *shares, worst, *busy, percent(zone.doubtful)))
        over = () if found.busy_margin_db is None else ("busiest air",)
        columns = ("zone", *reversed(VERDICTS), "worst 1 %", *over, "in doubt")
        air = f"{'on' if found.busy_margin_db is None else 'over'} {found.air_words}"
        run.table(f"Coverage of {found.radio}, heard by {found.antenna} upright, {air}", columns, rows)
    if coverages:
        run.paragraph(
            "Shares of the voxels that lie in no solid. worst 1 %: dB over the threshold; busiest air: dB over what "
            "the worst channel needs with all listed on the air; in doubt, and in brackets: with every margin moved by "
            f"{DOUBT:g} standard errors either way."
        )
        run.paragraph(f"{COVERAGE_DEFINITION}.")


def volumes_as_json(plan: Plan, setting: Setting, found: Volumes) -> dict[str, Any]:
    """Volumes and coverage in the form that other programs rely on, without their voxels."""
    from rf3d.assessment.coverage import coverage_as_json

    return {
        "plan": plan.path,
        "plan_digest": plan.digest,
        "scene_digest": setting.scene.digest,
        "backwards": found.backwards,
        "interrupted": found.interrupted,
        "volumes": [_volume_as_json(v) for v in found.volumes],
        "coverage": [coverage_as_json(c) for c in found.coverages],
    }


def precision(volumes: Sequence[TransmitterVolume]) -> dict[str, Any]:
    """Voxels and rays of volumes over one grid, and the median standard error of a voxel, the least sure volume's."""
    told = [_volume_as_json(v) for v in volumes]
    errors = [t["median_std_error_db"] for t in told if t["median_std_error_db"] is not None]
    return {
        "transmitters": [t["transmitter"] for t in told],
        "voxel_m": told[0]["voxel_m"],
        "rays": min(t["rays"] for t in told),
        "median_std_error_db": max(errors, default=None),
    }


def _volume_as_json(volume: TransmitterVolume) -> dict[str, Any]:
    """What a volume comes to; backwards ``transmitter`` is the receiver and power in dBm is gain in dB."""
    import numpy as np

    power = volume.mean_power_dbm
    reached = power[np.isfinite(power)]
    error = volume.std_error_db[np.isfinite(volume.std_error_db)]
    p10, median, p90 = np.percentile(reached, [10, 50, 90]) if len(reached) else (np.nan,) * 3
    data = {
        "transmitter": volume.transmitter,
        "voxels": power.size,
        "voxel_m": volume.grid.voxel_m,
        "rays": volume.rays,
        "seed": volume.seed,
        "max_reflections": volume.max_reflections,
        "stopped": volume.stopped,
        "reached": len(reached) / power.size,
        "mean_power_dbm": {"p10": p10, "median": median, "p90": p90} if len(reached) else None,
        "median_std_error_db": float(np.median(error)) if len(error) else None,
        "power_not_accounted_for": volume.ledger.imbalance,
    }
    if volume.detail is not None and len(reached):
        heard = volume.mean_power_w > 0.0
        data["surfaces"] = [
            {"surface": name, "share": float((mine[heard] / volume.mean_power_w[heard]).mean())}
            for name, mine in zip(volume.detail.surfaces, volume.detail.surface_power_w, strict=True)
        ]
    return data
