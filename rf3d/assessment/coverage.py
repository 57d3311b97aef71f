"""How well one radio is heard everywhere: margin and verdict of every voxel, summed up over zones.

Each voxel is judged by its strongest transmitter at the receiving antenna, upright, over the air listed. The words are
those of the links; the share of spots that hold is not sampled from paths but follows from the Rice law.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from rf3d.assessment.fading import fade_depth_db, holding_share
from rf3d.assessment.links import (
    ALLOWANCE_DB,
    CLEAN_AIR_BEST,
    VERDICT_CHANCES,
    VERDICT_DEFINITION,
    Verdict,
    finite,
    over_which_air,
    packets_in_time,
)
from rf3d.assessment.voxel_air import VoxelAir
from rf3d.errors import Finding
from rf3d.plan import Plan
from rf3d.propagation.grid import Grid
from rf3d.propagation.kernels.inside import inside_any, make_hulls
from rf3d.propagation.paths import Setting
from rf3d.propagation.volume import TransmitterVolume
from rf3d.radio.antennas import Antenna, peak_gain_dbi
from rf3d.radio.radios import Radio
from rf3d.units import BoolArray, FloatArray, IntArray, busy_text, from_db, margin_text, read_only, to_db, watts_to_dbm
from rf3d.venue.zones import Zone

VERDICTS: tuple[Verdict, ...] = ("lost", *(name for name, _ in reversed(VERDICT_CHANCES)))
"""From worst to best; a voxel's verdict is its place here."""
COVERAGE_DEFINITION = (
    f"{VERDICT_DEFINITION}. In a volume the share follows from the Rice law: factor, the direct power over the rest; "
    "mean, what the receiving antenna gets upright, without cable, from the strongest transmitter; all channels are "
    "taken to fade alike. Other radios where the plan lists them, at the antenna's peak whatever their polarisation; "
    "bodies and moving scenery only as far as the mesh holds them"
)
DOUBT = 2.0
"""Standard errors by which a margin is moved to see whether its verdict stands."""
WORST_SHARE = 0.01
WORTH_TELLING = 0.01
"""Share of a zone that is lost or fragile from which a finding tells it."""
WHOLE_VENUE = "the whole venue"
_CHUNK = 262_144
_MOMENT_CHUNK = 16_384


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
        −inf where nothing arrives. On clean air.
    worst_busy_db : float or None
        Margin of the worst 1 % over the busiest air, worst channel; None where none is listed.
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
    worst_busy_db: float | None
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
    busy_margin_db : grid.shape float32 or None
        Power over what the worst channel needs over the busiest air, NaN where there is no verdict; None where none is
        listed.
    listed : bool
        Whether the plan lists something on the air of its band.
    verdict : grid.shape int8
        Place in ``VERDICTS``; −1 inside a solid, and beside the zones where these alone are judged.
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
    busy_margin_db: FloatArray | None
    listed: bool
    verdict: IntArray
    zones: tuple[ZoneCoverage, ...]

    @property
    def air_words(self) -> str:
        """Over which air its words hold."""
        return over_which_air(known=self.busy_margin_db is not None, listed=self.listed)


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


def verdicts_over(
    power_w: FloatArray, rice_k_db: FloatArray, *, radio: Radio, air: VoxelAir, gain: float, seed: int,
    shift_db: FloatArray,
) -> IntArray:  # fmt: skip
    """Places in ``VERDICTS`` of V voxels over the air listed.

    At a moment a packet gets through on a share F(m) of the spots, F by the Rice law and m the power over what is
    needed then. With moments in falling order of m and W their added weights, one of n packets gets through on
    Σ (F(m_i) · (g(W_i) − g(W_i−1))) of the spots, g(W) = 1 − (1 − W)^n: at each spot the fading is the same for all.

    Parameters
    ----------
    power_w : (V,) float64
    rice_k_db : (V,) float64
    gain : float
        Of the receiving antenna at its peak, as a factor.
    shift_db : (S, V) float64
        By how much the power is moved, for S answers at once.

    Returns
    -------
    (S, V) int8
    """
    counted, weight = air.moments(seed)
    packets = packets_in_time(radio)
    found = np.empty(shift_db.shape, dtype=np.int8)
    least = np.array([chance for _, chance in VERDICT_CHANCES])
    for begin in range(0, len(power_w), _MOMENT_CHUNK):
        voxels = np.arange(begin, min(begin + _MOMENT_CHUNK, len(power_w)))
        # Voxels that the air does not tell apart share the order of moments and their weights.
        _, one, of_one = np.unique(air.coarse_of[voxels], return_index=True, return_inverse=True)
        others = air.others_w(counted, voxels[one], gain)
        order = np.argsort(others, axis=0)
        reached = 1.0 - (1.0 - np.minimum(np.cumsum(weight[order], axis=0), 1.0)) ** packets
        step = np.diff(reached, axis=0, prepend=0.0).take(of_one, axis=1)
        others = np.take_along_axis(others, order, axis=0).take(of_one, axis=1)
        needed = radio.needed_w(others, hand_db=ALLOWANCE_DB, noise_rise=air.noise_rise[voxels])
        with np.errstate(divide="ignore"):
            spare = to_db(power_w[voxels] / needed)
        for row, shift in enumerate(shift_db[:, voxels]):
            chance = (holding_share(spare + shift, rice_k_db[voxels]) * step).sum(axis=0)
            found[row, voxels] = (chance[:, None] >= least).sum(axis=1)
    return found if air.listed else np.minimum(found, np.int8(VERDICTS.index(CLEAN_AIR_BEST)))


def _busy_margin_db(power_w: FloatArray, *, radio: Radio, air: VoxelAir, gain: float) -> FloatArray:
    """Power of V voxels over what their worst channel needs over the busiest air, (V,)."""
    busiest = air.busiest()
    margin = np.empty(len(power_w))
    for begin in range(0, len(power_w), _MOMENT_CHUNK):
        voxels = np.arange(begin, min(begin + _MOMENT_CHUNK, len(power_w)))
        needed = radio.needed_w(air.others_w(busiest, voxels, gain).max(axis=0), noise_rise=air.noise_rise[voxels])
        with np.errstate(divide="ignore"):
            margin[voxels] = to_db(power_w[voxels] / needed)
    return margin


def coverage(
    plan: Plan, setting: Setting, *, radio: str, antenna: Antenna, volumes: Sequence[TransmitterVolume],
    zones: Sequence[Zone], air: VoxelAir | None = None, seed: int = 0, free: BoolArray | None = None,
    every_voxel: bool = True,
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
    air : VoxelAir or None
        What else is heard in the voxels of the grid; None where nothing is known of it.
    seed : int
        Of the moments that are drawn.
    free : grid.shape bool or None
        ``in_air`` of the grid, where it is known already.
    every_voxel : bool
        Judge voxels beside the zones too.
    """
    grid = volumes[0].grid
    talk = next(t.radio for t in plan.transmitters if t.radio.name == radio)
    sensitivity = talk.threshold_dbm
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
    heard = power > 0.0
    free = in_air(setting, grid) if free is None else free
    with np.errstate(divide="ignore", invalid="ignore"):
        power_dbm = np.where(heard, watts_to_dbm(power), -np.inf)
        error_db = np.where(heard, 10.0 / np.log(10.0) * error / power, 0.0)
        # Nothing but the direct wave: as far as anybody can tell it does not fade.
        ratio_db = np.where(heard, to_db(direct / np.maximum(power - direct, 0.0)), np.nan)
    margin = power_dbm - sensitivity
    factor = np.where(np.isnan(ratio_db), 0.0, ratio_db)
    chosen = _voxels_of(grid, zones)
    judged = free.reshape(-1).copy()
    if not every_voxel:
        beside = np.ones(grid.count, dtype=bool)
        for _, mine in chosen:
            beside[mine] = False
        judged[beside] = False
    there = np.flatnonzero(judged)
    shift = np.array([[0.0], [-DOUBT], [DOUBT]]) * error_db.reshape(-1)[there]
    words = np.full((3, grid.count), -1, dtype=np.int8)
    busy: FloatArray | None = None
    if air is None:
        words[:, there] = verdicts(margin.reshape(-1)[there] + shift, factor.reshape(-1)[there])
    else:
        gain, heard_w, near = float(from_db(peak_gain_dbi(antenna))), power.reshape(-1)[there], air.within(there)
        words[:, there] = verdicts_over(
            heard_w, factor.reshape(-1)[there], radio=talk, air=near, gain=gain, seed=seed, shift_db=shift
        )
        busy = np.full(grid.count, np.nan)
        busy[there] = _busy_margin_db(heard_w, radio=talk, air=near, gain=gain)
    word, low, high = words
    told = [
        _sum_up(name, grid, mine[free.reshape(-1)[mine]], margin=margin.reshape(-1), error=error_db.reshape(-1),
                busy=busy, word=word, doubtful=(low != word) | (high != word))
        for name, mine in chosen
    ]  # fmt: skip

    def single(values: FloatArray, keep: BoolArray) -> FloatArray:
        return read_only(np.where(keep, values, np.nan).astype(np.float32))

    return Coverage(
        radio,
        antenna.name,
        tuple(v.transmitter for v in volumes),
        grid,
        strongest=read_only(np.where(heard & free, best, np.int16(-1))),
        power_dbm=single(power_dbm, heard),
        std_error_db=single(error_db, heard),
        direct_ratio_db=single(ratio_db, heard & np.isfinite(ratio_db)),
        margin_db=single(margin, free),
        busy_margin_db=None if busy is None else read_only(busy.reshape(grid.shape).astype(np.float32)),
        listed=air is not None and air.listed,
        verdict=read_only(word.reshape(grid.shape)),
        zones=tuple(zone for zone in told if zone is not None),
    )


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
    busy: FloatArray | None,
    word: IntArray,
    doubtful: BoolArray,
) -> ZoneCoverage | None:
    """A zone in numbers; None where all of it is solid."""
    if not len(voxels):
        return None
    mine, spread = margin[voxels], error[voxels]
    count = np.bincount(word[voxels], minlength=len(VERDICTS))

    def worst_of(margins: FloatArray) -> float:
        return float(np.quantile(margins, WORST_SHARE, method="inverted_cdf"))

    worst, low, high = (worst_of(mine + shift * spread) for shift in (0.0, -DOUBT, DOUBT))
    x, y, z = (grid.centres_m(voxels[[np.argmin(mine)]])[0] + grid.origin_m).tolist()
    return ZoneCoverage(
        name, len(voxels), {v: float(n) / len(voxels) for v, n in zip(VERDICTS, count, strict=True)},
        float(doubtful[voxels].mean()), worst, low, high,
        None if busy is None else worst_of(busy[voxels]), (x, y, z),
    )  # fmt: skip


def coverage_findings(found: Coverage) -> list[Finding]:
    """A caution for every zone of which a share that matters is lost or fragile."""
    said = []
    over = f"{'on' if found.busy_margin_db is None else 'over'} {found.air_words}"
    for zone in found.zones:
        lost, fragile = zone.shares["lost"], zone.shares["fragile"]
        if lost + fragile < WORTH_TELLING:
            continue
        parts = " and ".join(f"{percent(s)} {word}" for word, s in (("lost", lost), ("fragile", fragile)) if s > 0.0)
        doubt = f" ({percent(zone.doubtful)} of the zone in doubt by the noise of rays)" if zone.doubtful else ""
        message = (
            f"{parts} for {found.radio} at {found.antenna} upright, {over}{doubt}; "
            f"worst 1 %: {margin_text(zone.worst_db, 'the threshold')}{_busy(zone)}. Try another "
            "transmitter or place that sees it; `rf3d links` tells why a receiver there is weak"
        )
        said.append(
            Finding("zone-weak", "caution", zone.zone, message, lost + fragile, WORTH_TELLING, "", zone.weakest_m)
        )
    return said


def _busy(zone: ZoneCoverage) -> str:
    if zone.worst_busy_db is None:
        return ""
    return f", {busy_text(zone.worst_busy_db)} on its worst channel"


def percent(share: float) -> str:
    """A share in per cent, never a small one as none.

    >>> percent(0.004), percent(0.0), percent(0.997)
    ('< 1 %', '0 %', '> 99 %')
    """
    if 0.0 < share < 0.01:
        return "< 1 %"
    return "> 99 %" if 0.99 < share < 1.0 else f"{100 * share:.0f} %"


def coverage_as_json(found: Coverage) -> dict[str, Any]:
    """Zones of a radio in the form that other programs rely on; margins null where nothing arrives."""
    return {
        "radio": found.radio,
        "antenna": found.antenna,
        "transmitters": list(found.transmitters),
        "definition": COVERAGE_DEFINITION,
        "air": found.air_words,
        "zones": [
            {
                "zone": zone.zone, "voxels": zone.voxels, "shares": dict(zone.shares), "doubtful": zone.doubtful,
                "worst_1_percent_db": finite(zone.worst_db), "worst_1_percent_low_db": finite(zone.worst_low_db),
                "worst_1_percent_high_db": finite(zone.worst_high_db),
                "worst_1_percent_busy_db": finite(zone.worst_busy_db), "weakest_m": list(zone.weakest_m),
            }
            for zone in found.zones
        ],
    }  # fmt: skip
