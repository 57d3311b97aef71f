"""Received power everywhere: the direct field exactly, everything after a reflection from rays.

Each stretch of a ray after its first reflection adds (λ²/4π) · w · ℓ / V to the voxels it
crosses: the track-length estimator of the mean power density, times the aperture of a
unit-gain probe. Results come with a standard error from at least 64 independent batches.
"""

from __future__ import annotations

import time
import zlib
from collections.abc import Callable, Generator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from rf3d.errors import CancelledError, InputError
from rf3d.jobs import Jobs, batch_generator, ordered
from rf3d.propagation.direct import uncollided
from rf3d.propagation.grid import Grid
from rf3d.propagation.kernels.interfaces import make_walls
from rf3d.propagation.kernels.tally import Box, fold
from rf3d.propagation.launch import guided_table, launch_table
from rf3d.propagation.paths import Setting
from rf3d.propagation.precision import Until, relative_errors, worth
from rf3d.propagation.rays import Batch, Emission, Matter, make_matter, run_batch, run_trial
from rf3d.propagation.shade import make_shade
from rf3d.propagation.tallies import Layout, Moments, Uncollided, arrival, delay_spread
from rf3d.radio.antennas import Antenna
from rf3d.radio.radios import Receiver, Transmitter
from rf3d.units import FloatArray, dbm_to_watts, read_only, to_db, watts_to_dbm

FEWEST_BATCHES = 64
MOST_RAYS_A_BATCH = 32_768
CULPRITS = 6
"""Reflecting surfaces whose share is listed voxel by voxel, unless told otherwise."""
LOOKED_AT = 4
"""Times as many are looked at: those that reflect most anywhere."""
MOST_ROUNDS = 256
"""Rounds of ``FEWEST_BATCHES`` batches after which a volume that is to reach a precision stops."""
FOLDED_TOGETHER = 4
"""Batches that are added to the sums at a time."""
ROUND_RAYS = 8_192
"""Rays a batch where the number of batches is left open; more over grids of many voxels."""
VOXELS_A_RAY = 128
"""Most voxels for a ray of such a batch: adding up large grids again and again would cost more than the rays."""
HURRIED_RAYS = 512
"""Fewest rays a batch where there is little time."""
JUDGED_BATCHES = 16
"""Batches after which a volume that is near its precision is judged again."""
LEARNED_AFTER, TRIAL_BATCHES = 48, 6
"""Batches after which it is learned where rays matter, and those that are sent for nothing else."""
_BATCH_KEY, _PILOT_KEY, _TRIAL_KEY = 2, 3, 4
"""Set these random numbers apart from those of other solvers."""


@dataclass(frozen=True)
class Ledger:
    """Where the power of all rays went, watts per watt at the antenna.

    ``emitted`` + ``roulette_gain`` = ``absorbed`` + ``escaped`` + ``roulette_loss`` + ``cut``; what is cut would have
    gone on to more reflections than were asked for.
    """

    emitted: float
    absorbed: float
    escaped: float
    roulette_gain: float
    roulette_loss: float
    cut: float

    @property
    def imbalance(self) -> float:
        """Difference of both sides, relative to what was emitted."""
        came = self.emitted + self.roulette_gain
        went = self.absorbed + self.escaped + self.roulette_loss + self.cut
        return (came - went) / self.emitted if self.emitted else 0.0


@dataclass(frozen=True, eq=False)
class Detail:
    """More about every voxel than power and delay.

    Attributes
    ----------
    arrival : (3, *shape) float64, or None where directions are not asked for, as the next two
        Unit vector to where the power-weighted mean of all waves comes from, venue axes.
    arrival_concentration : shape float64
        1 where all comes from one side, 0 where it comes from everywhere.
    arrival_std_error_deg : shape float64
    own_power_w, own_std_error_w : shape float64
        Received by the plan's receiving antenna, upright.
    own_direct_power_w : shape float64
        Its share without reflections.
    surfaces : tuple of str
        Objects that bring most to the voxels of the grid by their last reflection, most first by a first estimate.
    surface_power_w, surface_std_error_w : (surfaces, *shape) float64
        Of waves that each of them was the last to reflect.
    """

    arrival: FloatArray | None
    arrival_concentration: FloatArray | None
    arrival_std_error_deg: FloatArray | None
    own_power_w: FloatArray
    own_std_error_w: FloatArray
    own_direct_power_w: FloatArray
    surfaces: tuple[str, ...]
    surface_power_w: FloatArray
    surface_std_error_w: FloatArray


@dataclass(frozen=True, eq=False)
class TransmitterVolume:
    """Received power of one transmitter over a grid, at a unit-gain probe accepting |Eθ|² + |Eφ|².

    Attributes
    ----------
    transmitter : str
    grid : Grid
    rays, seed, max_reflections, batches : int
    mean_power_w, std_error_w : grid.shape float64
        Mean over each voxel, powers of paths added; its standard error, NaN where no ray came by.
    direct_power_w : grid.shape float64
        Its share without reflections, exact: straight, through walls, and bent round one edge.
    rms_delay_spread_ns, rms_delay_spread_std_error_ns : grid.shape float64
        NaN where nothing arrived.
    order_power_w, order_std_error_w : (max_reflections + 1, *grid.shape) float64, or None
        By number of reflections, when asked for.
    detail : Detail or None
        When asked for.
    ledger : Ledger
    segments : int
        Stretches that rays went from surface to surface.
    stopped : str
        Why it ended before what was asked for: "interrupted", "time limit", "ray limit", or "".
    """

    transmitter: str
    grid: Grid
    rays: int
    seed: int
    max_reflections: int
    batches: int
    mean_power_w: FloatArray
    std_error_w: FloatArray
    direct_power_w: FloatArray
    rms_delay_spread_ns: FloatArray
    rms_delay_spread_std_error_ns: FloatArray
    order_power_w: FloatArray | None
    order_std_error_w: FloatArray | None
    detail: Detail | None
    ledger: Ledger
    segments: int
    stopped: str

    @property
    def mean_power_dbm(self) -> FloatArray:
        """Mean received power, dBm; NaN where nothing arrived."""
        return _finite(watts_to_dbm(self.mean_power_w))

    @property
    def std_error_db(self) -> FloatArray:
        """Standard error of the mean, dB: (10/ln 10) · error/mean; NaN where no ray came by."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return _finite(10.0 / np.log(10.0) * self.std_error_w / self.mean_power_w)

    @property
    def direct_power_dbm(self) -> FloatArray:
        """Direct power, dBm; NaN where none arrives."""
        return _finite(watts_to_dbm(self.direct_power_w))

    @property
    def direct_ratio_db(self) -> FloatArray:
        """Direct power over all the rest, dB; NaN where either is missing."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return _finite(to_db(self.direct_power_w / (self.mean_power_w - self.direct_power_w)))

    @property
    def direct_ratio_std_error_db(self) -> FloatArray:
        """Standard error of the direct ratio, dB; NaN where it is not known."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return _finite(10.0 / np.log(10.0) * self.std_error_w / (self.mean_power_w - self.direct_power_w))


def from_receiver(receiver: Receiver) -> Transmitter:
    """A receiver made to send 1 mW from its own antenna, for the volume that shows where a transmitter would do well.

    By reciprocity ``mean_power_dbm`` of its volume is then the gain in dB from a unit-gain antenna in each voxel to
    the receiver's connector.
    """
    return Transmitter(
        receiver.name, receiver.position_m, receiver.antenna, receiver.axes, 0.0, receiver.feed_loss_db, receiver.radio
    )


def trace_volume(
    setting: Setting,
    transmitter: Transmitter,
    *,
    grid: Grid,
    max_reflections: int,
    rays: int,
    seed: int,
    jobs: Jobs,
    by_order: bool = False,
    detail: bool = False,
    arrivals: bool = True,
    blamed: int = CULPRITS,
    receiving: Antenna | None = None,
    edges: bool = True,
    lobes: bool = True,
    until: Until | None = None,
    points: int = 0,
) -> TransmitterVolume:
    """Trace one transmitter over a grid at the centre frequency of its radio.

    Parameters
    ----------
    max_reflections : int
        Reflections along a path; walls may be passed any number of times.
    rays : int
        At least 64; rounded up to whole batches. Not used with ``until``.
    by_order : bool
        List power and standard error by number of reflections too; not together with ``detail``.
    detail : bool
        Direction of arrival, the receiving antenna's power and the surfaces to blame too.
    arrivals : bool
        List directions of arrival in ``detail``.
    blamed : int
        Most surfaces whose share ``detail`` lists: those that bring most to the voxels of the grid.
    receiving : Antenna or None
        Whose power ``detail`` lists, upright.
    edges : bool
        Add what one large edge bends, in the shade and beside it, to the direct power.
    lobes : bool
        Let facets that are small against the Fresnel zone reflect into lobes; else they are mirrors.
    until : Until or None
        Go on until a precision is reached, with more rays where they are found to matter. Interrupted, what is done
        is kept as a result that says so.
    points : int
        Places along each segment at which it is counted; 0, which is better for the time, counts it in every voxel.

    Raises
    ------
    InputError
        Fewer than 64 rays, or a negative number of reflections.
    CancelledError
        When ``jobs.cancel`` is set, without ``until``; with it, when it is set before ``FEWEST_BATCHES`` batches.

    Source: track-length estimator of the flux, Lux & Koblinger, Monte Carlo Particle Transport Methods, 1991
    (from memory); aperture λ²/4π of a unit-gain antenna: Friis, Proc. IRE 34 (1946) 254 (from memory).
    """
    _check(rays, max_reflections)
    begun = time.monotonic()
    walls = make_walls(setting.surfaces, np.array([transmitter.radio.centre_hz], dtype=np.float64))
    emission = Emission(
        setting.scene.to_local(transmitter.position_m), transmitter.antenna,
        np.ascontiguousarray(transmitter.axes, float), launch_table(transmitter.antenna),
    )  # fmt: skip
    shade = None
    if edges:
        shade = make_shade(setting, transmitter, grid, frequency_hz=transmitter.radio.centre_hz, jobs=jobs)
    straight = uncollided(
        setting, walls, emission=emission, grid=grid, receiving=receiving, shade=shade, jobs=jobs
    )  # fmt: skip
    if max_reflections == 0:
        batches, rays_a_batch = 0, 0
    elif until is None:
        batches = max(FEWEST_BATCHES, -(-rays // MOST_RAYS_A_BATCH))
        rays_a_batch = -(-rays // batches)
    else:
        batches, rays_a_batch = MOST_ROUNDS * FEWEST_BATCHES, ROUND_RAYS
        while grid.count > VOXELS_A_RAY * rays_a_batch and rays_a_batch < MOST_RAYS_A_BATCH:
            rays_a_batch *= 2
    rays_of = _RaysOf(
        setting, make_matter(setting, walls, lobes=lobes), emission,
        Box(grid.venue_low_m, grid.voxel_m, *grid.shape, *grid.first), max_reflections, receiving, points, seed,
        zlib.crc32(transmitter.name.encode()),
    )  # fmt: skip
    layout = Layout(orders=max_reflections if by_order else 0)
    track = np.pi / walls.wavenumber[0] ** 2  # k = 2π/λ, so λ²/4π = π/k²
    if detail:
        layout = Layout(own=True, arrival=arrivals)
        if max_reflections and blamed:
            pilot = partial(rays_of.batch, _PILOT_KEY, 0, ROUND_RAYS)
            layout = replace(layout, culprits=_most_to_blame(pilot, grid, straight.power / track, blamed))
    watts = float(dbm_to_watts(transmitter.power_dbm - transmitter.feed_loss_db))
    total = _Total(layout, grid, straight, watts=watts, track_w=watts * track)
    if until is not None and until.time_limit_s is not None and batches:
        left_s = until.time_limit_s - (time.monotonic() - begun)
        rays_a_batch = _in_time(rays_of, layout, grid, rays_a_batch, left_s=left_s, threads=jobs.threads)
    if until is None or batches == 0:
        tasks = _batches(rays_of, total, range(batches), rays_a_batch, jobs, stage="rays")
    else:
        tasks = _guided(rays_of, total, batches, rays_a_batch, jobs, until)
    stopped, due = "", FEWEST_BATCHES
    try:
        for outcome in tasks:
            total.add(outcome)
            spent_s = time.monotonic() - begun
            late = until is not None and until.time_limit_s is not None and spent_s >= until.time_limit_s
            if until is not None and (total.batches == due or (late and total.batches > FEWEST_BATCHES)):
                stopped, due = _judge(total, until, jobs, spent_s=spent_s)
                if due == total.batches:
                    break
    except (CancelledError, KeyboardInterrupt):
        if until is None or total.batches < FEWEST_BATCHES:
            raise
        stopped = "interrupted"
    finally:
        tasks.close()
    total.release()
    return _result(
        transmitter.name, setting, total, rays=rays_a_batch * total.batches, seed=seed,
        max_reflections=max_reflections, by_order=by_order, stopped=stopped,
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _RaysOf:
    """Everything that the rays of one transmitter over one grid have in common."""

    setting: Setting
    matter: Matter
    emission: Emission
    box: Box
    max_reflections: int
    receiving: Antenna | None
    points: int
    seed: int
    name_key: int

    def batch(self, key: int, number: int, rays: int, layout: Layout, tally: np.ndarray) -> Batch:
        """One batch, counted in a tally."""
        return run_batch(
            self.setting, self.matter, emission=self.emission, box=self.box, rays=rays,
            max_reflections=self.max_reflections, layout=layout, tally=tally, receiving=self.receiving,
            points=self.points, generator=batch_generator(self.seed, key, self.name_key, number),
        )  # fmt: skip

    def trial(self, number: int, rays: int, counts: FloatArray) -> FloatArray:
        """What the rays of one batch matter, by blocks of the launch table."""
        return run_trial(
            self.setting, self.matter, emission=self.emission, box=self.box, rays=rays,
            max_reflections=self.max_reflections, worth=counts,
            generator=batch_generator(self.seed, _TRIAL_KEY, self.name_key, number),
        )  # fmt: skip


def _batches(
    rays_of: _RaysOf, total: _Total, numbers: range, rays: int, jobs: Jobs, *, stage: str = ""
) -> Generator[Batch, None, None]:
    """Batches in order, each in a tally that was folded before where there is one."""
    return ordered(
        lambda number: rays_of.batch(_BATCH_KEY, number, rays, total.layout, total.tally()), numbers, jobs=jobs,
        stage=stage, total=len(numbers),
    )  # fmt: skip


def _in_time(rays_of: _RaysOf, layout: Layout, grid: Grid, rays: int, *, left_s: float, threads: int) -> int:
    """Rays a batch, halved until the fewest batches that make an error are done in the time left, by one that is timed.

    What is asked for within a time hangs on the machine in any case.
    """
    if rays > HURRIED_RAYS:
        tried = max(HURRIED_RAYS, rays // 8)
        tally = np.zeros((grid.count, layout.columns), dtype=np.float32)
        begun = time.monotonic()
        rays_of.batch(_PILOT_KEY, 0, tried, layout, tally)
        ray_s = (time.monotonic() - begun) / tried / threads
        while rays > HURRIED_RAYS and FEWEST_BATCHES * rays * ray_s > left_s:
            rays //= 2
    return rays


def _guided(
    rays_of: _RaysOf, total: _Total, most: int, rays: int, jobs: Jobs, until: Until
) -> Generator[Batch, None, None]:
    """Batches as the antenna sends them, then with more rays where the first have shown that they matter."""
    yield from _batches(rays_of, total, range(LEARNED_AFTER), rays, jobs)
    counts = worth(until, *total.power_w)
    trials = list(ordered(lambda number: rays_of.trial(number, rays, counts), range(TRIAL_BATCHES), jobs=jobs))
    table = guided_table(rays_of.emission.table, np.stack(trials))
    guided = replace(rays_of, emission=replace(rays_of.emission, table=table))
    yield from _batches(guided, total, range(LEARNED_AFTER, most), rays, jobs)


def _most_to_blame(
    pilot: Callable[..., Batch], grid: Grid, straight: FloatArray, most: int
) -> tuple[int, ...]:  # fmt: skip
    """Objects with the largest mean share of the power of a voxel of the grid, at most so many, by one batch of rays.

    Those that reflect most are looked at; over a region it is others that matter than over the whole venue.

    Parameters
    ----------
    pilot : callable(layout, tally) -> Batch
    straight : (V,) float64
        Not reflected, in metres of weighted track by volume.
    """
    thrown = pilot(Layout(), np.zeros((grid.count, Layout().columns), dtype=np.float32)).thrown
    looked_at = np.argsort(-thrown, kind="stable")[: most * LOOKED_AT]
    layout = Layout(culprits=tuple(int(o) for o in looked_at[thrown[looked_at] > 0.0]))
    tally = np.zeros((grid.count, layout.columns), dtype=np.float32)
    pilot(layout, tally)
    whole = straight * grid.voxel_volume_m3 + tally[:, 0]
    heard = np.flatnonzero(tally[:, 0])
    share = np.array([(tally[heard, c] / whole[heard]).sum() for c in range(layout.first_listed, layout.columns)])
    return tuple(layout.culprits[i] for i in np.argsort(-share, kind="stable")[:most] if share[i] > 0.0)


class _Total:
    """Running sums over batches, and what they mean."""

    def __init__(self, layout: Layout, grid: Grid, straight: Uncollided, *, watts: float, track_w: float) -> None:
        self.layout, self.grid, self.straight, self.watts = layout, grid, straight, watts
        self._scale = track_w / grid.voxel_volume_m3
        self._sums = np.zeros((grid.count, layout.sums))
        self._accounts, self._emitted = np.zeros(5), 0.0
        self._waiting: list[np.ndarray] = []
        self._empty: list[np.ndarray] = []
        self.segments = self.batches = 0

    def tally(self) -> np.ndarray:
        """An empty tally for a batch, one that was folded before where there is one; for any thread."""
        try:
            return self._empty.pop()
        except IndexError:
            return np.zeros((self.grid.count, self.layout.columns), dtype=np.float32)

    def add(self, outcome: Batch) -> None:
        """Take one batch in."""
        self._waiting.append(outcome.tally)
        if len(self._waiting) == FOLDED_TOGETHER:
            self._fold()
        self._accounts += outcome.ledger
        self._emitted += outcome.emitted
        self.segments += outcome.segments
        self.batches += 1

    def _fold(self) -> None:
        """Add the tallies that wait to the sums."""
        if self._waiting:
            a, b, c, d = [*self._waiting, *self._waiting[:1] * (FOLDED_TOGETHER - len(self._waiting))]
            fold(a, b, c, d, len(self._waiting), self._sums)
            self._empty += self._waiting
            self._waiting.clear()

    def release(self) -> None:
        """Let go of all tallies: no more batches will come."""
        self._fold()
        self._empty.clear()

    @property
    def moments(self) -> Moments:
        """Means and their errors so far."""
        self._fold()
        return Moments(self.layout, self._sums, batches=self.batches, scale=self._scale)

    @property
    def power_w(self) -> tuple[FloatArray, FloatArray]:
        """Mean power so far and its standard error, (V,) each."""
        moments = self.moments
        return self.direct_w + moments.mean(0), moments.error(0)

    @property
    def ledger(self) -> Ledger:
        """Mean over the batches so far."""
        return Ledger(*(float(a) / max(self.batches, 1) for a in (self._emitted, *self._accounts)))

    @property
    def direct_w(self) -> FloatArray:
        """Uncollided power, (V,)."""
        return self.watts * self.straight.power


def _judge(total: _Total, until: Until, jobs: Jobs, *, spent_s: float) -> tuple[str, int]:
    """Why to stop, "" for success, and after how many batches to ask again; tells how far it is.

    It is time to stop where the second is the number of batches there are.
    """
    batches, most = total.batches, MOST_ROUNDS * FEWEST_BATCHES
    error = 10.0 / np.log(10.0) * relative_errors(until, *total.power_w)
    error = error[np.isfinite(error)]
    now = float(np.quantile(error, until.share, method="inverted_cdf")) if len(error) else 0.0
    enough = len(error) == 0 or float((error <= until.error_db).mean()) >= until.share
    # Errors fall with the square root of the work.
    needed = min(most, max(batches + (not enough), int(np.ceil(batches * (now / until.error_db) ** 2))))
    left_s = spent_s * (needed - batches) / batches
    jobs.progress(
        f"rays, {now:.2f} dB now, about {left_s:.0f} s left", batches // FEWEST_BATCHES, -(-needed // FEWEST_BATCHES)
    )
    if enough:
        return "", batches
    if until.time_limit_s is not None and spent_s >= until.time_limit_s:
        return "time limit", batches
    if batches == most:
        return "ray limit", batches
    return "", min(most, batches + FEWEST_BATCHES, -(-needed // JUDGED_BATCHES) * JUDGED_BATCHES)


def _result(
    name: str,
    setting: Setting,
    total: _Total,
    *,
    rays: int,
    seed: int,
    max_reflections: int,
    by_order: bool,
    stopped: str,
) -> TransmitterVolume:
    """From running sums to means, standard errors and moments."""
    moments, layout, grid, direct = total.moments, total.layout, total.grid, total.direct_w

    def shaped(values: FloatArray) -> FloatArray:
        return read_only(np.ascontiguousarray(values).reshape(*values.shape[:-1], *grid.shape))

    def stacked(first: int, count: int) -> tuple[FloatArray, FloatArray]:
        columns = range(first, first + count)
        empty = np.zeros((0, grid.count))
        return (
            np.concatenate([empty, *(moments.mean(c)[None] for c in columns)]),
            np.concatenate([empty, *(moments.error(c)[None] for c in columns)]),
        )

    order_power = order_error = extra = None
    if by_order:
        mean, error = stacked(layout.first_listed, max_reflections)
        order_power = shaped(np.concatenate([direct[None], mean]))
        order_error = shaped(np.concatenate([np.zeros((1, grid.count)), error]))
    if layout.own:
        way, concentration, way_error = (
            (None if values is None else shaped(values))
            for values in (arrival(moments, total.straight, total.watts) if layout.arrival else (None, None, None))
        )
        own_direct = total.watts * total.straight.own
        own = own_direct + moments.mean(layout.first_listed - 1)
        mean, error = stacked(layout.first_listed, len(layout.culprits))
        objects = tuple(dict.fromkeys(setting.scene.objects))
        extra = Detail(
            way, concentration, way_error, shaped(own),
            shaped(moments.error(layout.first_listed - 1)), shaped(own_direct),
            tuple(objects[o] for o in layout.culprits), shaped(mean), shaped(error),
        )  # fmt: skip
    spread, spread_error = delay_spread(moments, total.straight, total.watts)
    return TransmitterVolume(
        name, grid, rays, seed, max_reflections, total.batches, shaped(direct + moments.mean(0)),
        shaped(moments.error(0)), shaped(direct), shaped(spread), shaped(spread_error), order_power, order_error,
        extra, total.ledger, total.segments, stopped,
    )  # fmt: skip


def _finite(values: FloatArray) -> FloatArray:
    return np.where(np.isfinite(values), values, np.nan)


def _check(rays: int, max_reflections: int) -> None:
    if rays < FEWEST_BATCHES:
        raise InputError(f"rays is {rays}", f"at least {FEWEST_BATCHES} make an error bar", "1000000 is usual")
    if max_reflections < 0:
        raise InputError(f"max_reflections is {max_reflections}", "it must not be negative", "3 suits a hall")
