"""How well one radio is heard everywhere: margin and verdict of every voxel, summed up over zones.

Each voxel is judged by its strongest transmitter at the receiving antenna, upright. The words are those of
the links; the share of spots that hold is not sampled from paths but follows from the Rice law.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from rf3d.assessment.fading import fade_depth_db
from rf3d.assessment.links import ALLOWANCE_DB, CLEAN_AIR_BEST, VERDICT_CHANCES, VERDICT_DEFINITION, Verdict, finite
from rf3d.errors import Finding
from rf3d.plan import Plan
from rf3d.propagation.grid import Grid
from rf3d.propagation.kernels.inside import inside_any, make_hulls
from rf3d.propagation.paths import Setting
from rf3d.propagation.volume import TransmitterVolume
from rf3d.radio.antennas import Antenna
from rf3d.units import BoolArray, FloatArray, IntArray, read_only, to_db, watts_to_dbm
from rf3d.venue.zones import Zone

VERDICTS: tuple[Verdict, ...] = ("lost", *(name for name, _ in reversed(VERDICT_CHANCES)))
"""From worst to best; a voxel's verdict is its place here."""
COVERAGE_DEFINITION = (
    f"{VERDICT_DEFINITION}. In a volume the share follows from the Rice law: factor, the direct power over the rest; "
    "mean, what the receiving antenna gets upright, without cable, from the strongest transmitter. Clean air only: no "
    "other radio; bodies and moving scenery only as far as the mesh holds them"
)
DOUBT = 2.0
"""Standard errors by which a margin is moved to see whether its verdict stands."""
WORST_SHARE = 0.01
WORTH_TELLING = 0.01
"""Share of a zone that is lost or fragile from which a finding tells it."""
WHOLE_VENUE = "the whole venue"
_CHUNK = 262_144


@dataclass(frozen=True)
class ZoneCoverage:
    """One zone in numbers.

    Attributes
    ----------
    zone : str
    voxels : int
        Those whose middle lies in the zone and in no solid.
    shares : mapping of verdict to share of the voxels
    doubtful : float
        Share whose verdict changes when the margin moves by ``DOUBT`` standard errors either way.
    worst_db, worst_low_db, worst_high_db : float
        Margin of the worst 1 % at best, and the same of all margins lowered and raised by ``DOUBT`` standard errors;
        −inf where nothing arrives.
    weakest_m : (3,) tuple of float
        Middle of the voxel with the least margin, world.
    """

    zone: str
    voxels: int
    shares: Mapping[Verdict, float]
    doubtful: float
    worst_db: float
    worst_low_db: float
    worst_high_db: float
    weakest_m: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Coverage:
    """Margin and verdict of one radio in every voxel of a grid.

    Attributes
    ----------
    radio, antenna : str
        Antenna: the one that listens, upright.
    transmitters : tuple of str
        Of that radio.
    strongest : grid.shape int16
        Place of the strongest among them, −1 where none arrives or a solid is in the way.
    power_dbm, std_error_db, direct_ratio_db : grid.shape float32
        At the antenna, from the strongest; NaN where nothing arrives.
    margin_db : grid.shape float32
        Power over the sensitivity; −inf where nothing arrives, NaN inside a solid.
    verdict : grid.shape int8
        Place in ``VERDICTS``; −1 inside a solid.
    zones : tuple of ZoneCoverage
    """

    radio: str
    antenna: str
    transmitters: tuple[str, ...]
    grid: Grid
    strongest: IntArray
    power_dbm: FloatArray
    std_error_db: FloatArray
    direct_ratio_db: FloatArray
    margin_db: FloatArray
    verdict: IntArray
    zones: tuple[ZoneCoverage, ...]


def listening_antenna(plan: Plan, radio: str) -> Antenna | None:
    """The antenna that most receivers of a radio have, the first of them where several tie; None without receivers."""
    antennas = [r.antenna for r in plan.receivers if r.radio.name == radio]
    if not antennas:
        return None
    most = Counter(a.name for a in antennas).most_common(1)[0][0]
    return next(a for a in antennas if a.name == most)


def verdicts(margin_db: FloatArray, rice_k_db: FloatArray) -> IntArray:
    """Places in ``VERDICTS`` of margins over the sensitivity and Rice factors, both of any shape, on clean air."""
    spare = np.asarray(margin_db) - ALLOWANCE_DB
    word = np.sum([spare >= fade_depth_db(rice_k_db, least) for _, least in VERDICT_CHANCES], axis=0, dtype=np.int8)
    return np.minimum(word, np.int8(VERDICTS.index(CLEAN_AIR_BEST)))


def coverage(
    plan: Plan, setting: Setting, *, radio: str, antenna: Antenna, volumes: Sequence[TransmitterVolume],
    zones: Sequence[Zone],
) -> Coverage:  # fmt: skip
    """Judge every voxel by its strongest transmitter, and sum zones up.

    Parameters
    ----------
    radio : str
    antenna : Antenna
        The one whose power ``volumes`` hold.
    volumes : sequence of TransmitterVolume
        Of transmitters of that radio, with detail, at least one, over one grid.
    zones : sequence of Zone
        Those without a voxel in the grid are left out; none stands for all voxels.
    """
    grid = volumes[0].grid
    sensitivity = next(t.radio.threshold_dbm for t in plan.transmitters if t.radio.name == radio)
    best = np.zeros(grid.shape, dtype=np.int16)
    power = error = direct = np.zeros(grid.shape)
    for place, volume in enumerate(volumes):
        detail = volume.detail
        assert detail is not None, "margins are those of the receiving antenna, which detail counts"
        more = detail.own_power_w > power
        best = np.where(more, np.int16(place), best)
        power = np.where(more, detail.own_power_w, power)
        error = np.where(more, np.nan_to_num(detail.own_std_error_w), error)
        direct = np.where(more, detail.own_direct_power_w, direct)
    heard, air = power > 0.0, in_air(setting, grid)
    with np.errstate(divide="ignore", invalid="ignore"):
        power_dbm = np.where(heard, watts_to_dbm(power), -np.inf)
        error_db = np.where(heard, 10.0 / np.log(10.0) * error / power, 0.0)
        # Nothing but the direct wave: as far as anybody can tell it does not fade.
        ratio_db = np.where(heard, to_db(direct / np.maximum(power - direct, 0.0)), np.nan)
    margin = power_dbm - sensitivity
    factor = np.where(np.isnan(ratio_db), 0.0, ratio_db)
    word, low, high = (verdicts(margin + shift * error_db, factor) for shift in (0.0, -DOUBT, DOUBT))
    chosen = _voxels_of(grid, zones)
    told = [
        _sum_up(name, grid, mine[air.reshape(-1)[mine]], margin=margin.reshape(-1), error=error_db.reshape(-1),
                word=word.reshape(-1), doubtful=((low != word) | (high != word)).reshape(-1))
        for name, mine in chosen
    ]  # fmt: skip

    def single(values: FloatArray, keep: BoolArray) -> FloatArray:
        return read_only(np.where(keep, values, np.nan).astype(np.float32))

    return Coverage(
        radio, antenna.name, tuple(v.transmitter for v in volumes), grid,
        read_only(np.where(heard & air, best, np.int16(-1))), single(power_dbm, heard), single(error_db, heard),
        single(ratio_db, heard & np.isfinite(ratio_db)), single(margin, air),
        read_only(np.where(air, word, np.int8(-1))), tuple(zone for zone in told if zone is not None),
    )  # fmt: skip


def in_air(setting: Setting, grid: Grid) -> BoolArray:
    """Which voxels (grid.shape) have their middle outside every solid."""
    members: dict[str, list[int]] = {}
    for part, surface in enumerate(setting.surfaces):
        if surface.body == "solid":
            members.setdefault(setting.scene.objects[part], []).append(part)
    triangles = setting.scene.corners_m
    hulls = make_hulls([triangles[np.isin(setting.scene.triangle_part, parts)] for parts in members.values()])
    numbers = np.arange(grid.count)
    free = [~inside_any(hulls, grid.centres_m(numbers[i : i + _CHUNK])) for i in range(0, grid.count, _CHUNK)]
    return np.concatenate(free).reshape(grid.shape)


def zone_voxels(grid: Grid, zone: Zone) -> IntArray:
    """Numbers of the voxels whose middle lies in a zone; in a thin one the voxel that holds its middle."""
    low, high = ((corner - grid.world_low_m) / grid.voxel_m for corner in (zone.low_m, zone.high_m))
    first = np.clip(np.ceil(low - 0.5), 0, grid.shape).astype(np.int64)
    last = np.clip(np.ceil(high - 0.5), 0, grid.shape).astype(np.int64)
    if (last > first).all():
        span = [np.arange(a, b) for a, b in zip(first, last, strict=True)]
        return np.ravel_multi_index(np.ix_(*span), grid.shape).reshape(-1)
    middle = grid.number_at(0.5 * (zone.low_m + zone.high_m) - grid.origin_m)
    return np.array([middle] if middle >= 0 else [], dtype=np.int64)


def _voxels_of(grid: Grid, zones: Sequence[Zone]) -> list[tuple[str, IntArray]]:
    if not zones:
        return [(WHOLE_VENUE, np.arange(grid.count))]
    found = [(zone.name, zone_voxels(grid, zone)) for zone in zones]
    return [(name, voxels) for name, voxels in found if len(voxels)]


def _sum_up(
    name: str,
    grid: Grid,
    voxels: IntArray,
    *,
    margin: FloatArray,
    error: FloatArray,
    word: IntArray,
    doubtful: BoolArray,
) -> ZoneCoverage | None:
    """A zone in numbers; None where all of it is solid."""
    if not len(voxels):
        return None
    mine, spread = margin[voxels], error[voxels]
    count = np.bincount(word[voxels], minlength=len(VERDICTS))
    worst, low, high = (
        float(np.quantile(mine + shift * spread, WORST_SHARE, method="inverted_cdf")) for shift in (0.0, -DOUBT, DOUBT)
    )
    x, y, z = (grid.centres_m(voxels[[np.argmin(mine)]])[0] + grid.origin_m).tolist()
    return ZoneCoverage(
        name, len(voxels), {v: float(n) / len(voxels) for v, n in zip(VERDICTS, count, strict=True)},
        float(doubtful[voxels].mean()), worst, low, high, (x, y, z),
    )  # fmt: skip


def coverage_findings(found: Coverage) -> list[Finding]:
    """A caution for every zone of which a share that matters is lost or fragile."""
    said = []
    for zone in found.zones:
        lost, fragile = zone.shares["lost"], zone.shares["fragile"]
        if lost + fragile < WORTH_TELLING:
            continue
        parts = " and ".join(f"{percent(s)} {word}" for word, s in (("lost", lost), ("fragile", fragile)) if s > 0.0)
        doubt = f" ({percent(zone.doubtful)} of the zone in doubt by the noise of rays)" if zone.doubtful else ""
        message = (
            f"{parts} for {found.radio} at {found.antenna} upright, on clean air only{doubt}; "
            f"worst 1 %: {decibels(zone.worst_db)} over the threshold. Try another "
            "transmitter or place that sees it; `rf3d links` tells why a receiver there is weak"
        )
        said.append(
            Finding("zone-weak", "caution", zone.zone, message, lost + fragile, WORTH_TELLING, "", zone.weakest_m)
        )
    return said


def percent(share: float) -> str:
    """A share in per cent, never a small one as none.

    >>> percent(0.004), percent(0.0), percent(0.997)
    ('< 1 %', '0 %', '> 99 %')
    """
    if 0.0 < share < 0.01:
        return "< 1 %"
    return "> 99 %" if 0.99 < share < 1.0 else f"{100 * share:.0f} %"


def decibels(value: float) -> str:
    """A margin in whole decibels; nothing where nothing arrives."""
    return f"{round(value) + 0} dB" if np.isfinite(value) else "nothing"


def coverage_as_json(found: Coverage) -> dict[str, Any]:
    """Zones of a radio in the form that other programs rely on; margins null where nothing arrives."""
    return {
        "radio": found.radio,
        "antenna": found.antenna,
        "transmitters": list(found.transmitters),
        "definition": COVERAGE_DEFINITION,
        "zones": [
            {
                "zone": zone.zone, "voxels": zone.voxels, "shares": dict(zone.shares), "doubtful": zone.doubtful,
                "worst_1_percent_db": finite(zone.worst_db), "worst_1_percent_low_db": finite(zone.worst_low_db),
                "worst_1_percent_high_db": finite(zone.worst_high_db), "weakest_m": list(zone.weakest_m),
            }
            for zone in found.zones
        ],
    }  # fmt: skip
