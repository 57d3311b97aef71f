"""Received power everywhere: the direct field exactly, everything after a reflection from rays.

Each stretch of a ray after its first reflection adds (λ²/4π) · w · ℓ / V to the voxels it
crosses: the track-length estimator of the mean power density, times the aperture of a
unit-gain probe. Results come with a standard error from at least 64 independent batches.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np

from rf3d.errors import InputError
from rf3d.jobs import Jobs, batch_generator, ordered
from rf3d.propagation.direct import direct_power
from rf3d.propagation.grid import Grid
from rf3d.propagation.kernels.interfaces import make_walls, opaque_parts
from rf3d.propagation.kernels.walk import Box, fold
from rf3d.propagation.launch import launch_table
from rf3d.propagation.paths import prepare
from rf3d.propagation.rays import Batch, Emission, run_batch
from rf3d.radio.radios import Transmitter
from rf3d.units import FloatArray, dbm_to_watts, read_only, to_db, watts_to_dbm
from rf3d.venue.facets import Facets
from rf3d.venue.scene import Scene
from rf3d.venue.surfaces import Surface

FEWEST_BATCHES = 64
MOST_RAYS_A_BATCH = 32_768
_BATCH_KEY = 2
"""Sets these random numbers apart from those of other solvers."""


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
        Its share without reflections, exact.
    excess_delay_ns, excess_delay_square_ns2 : grid.shape float64
        Power-weighted means of delay over the straight way from the antenna, and of its square.
    order_power_w, order_std_error_w : (max_reflections + 1, *grid.shape) float64, or None
        By number of reflections, when asked for.
    ledger : Ledger
    segments : int
        Stretches that rays went from surface to surface.
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
    excess_delay_ns: FloatArray
    excess_delay_square_ns2: FloatArray
    order_power_w: FloatArray | None
    order_std_error_w: FloatArray | None
    ledger: Ledger
    segments: int

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
    def rms_delay_spread_ns(self) -> FloatArray:
        """Power-weighted rms delay spread, ns; NaN where nothing arrived."""
        return np.sqrt(np.maximum(self.excess_delay_square_ns2 - self.excess_delay_ns**2, 0.0))


def trace_volume(
    scene: Scene,
    facets: Facets,
    surfaces: tuple[Surface, ...],
    transmitter: Transmitter,
    *,
    grid: Grid,
    max_reflections: int,
    rays: int,
    seed: int,
    jobs: Jobs,
    by_order: bool = False,
) -> TransmitterVolume:
    """Trace one transmitter over a grid at the centre frequency of its radio.

    Parameters
    ----------
    max_reflections : int
        Reflections along a path; walls may be passed any number of times.
    rays : int
        At least 64; rounded up to whole batches.
    by_order : bool
        List power and standard error by number of reflections too.

    Raises
    ------
    InputError
        Fewer than 64 rays, or a negative number of reflections.
    CancelledError
        When ``jobs.cancel`` is set.

    Source: track-length estimator of the flux, Lux & Koblinger, Monte Carlo Particle Transport Methods, 1991
    (from memory); aperture λ²/4π of a unit-gain antenna: Friis, Proc. IRE 34 (1946) 254 (from memory).
    """
    _check(rays, max_reflections)
    frequency = np.array([transmitter.radio.centre_hz], dtype=np.float64)
    walls = make_walls(surfaces, frequency)
    setting = prepare(scene, facets, surfaces, opaque=opaque_parts(surfaces, frequency))
    emission = Emission(
        scene.to_local(transmitter.position_m), transmitter.antenna, np.ascontiguousarray(transmitter.axes, float),
        launch_table(transmitter.antenna),
    )  # fmt: skip
    box = Box(grid.low_m, grid.voxel_m, *grid.shape)
    batches = max(FEWEST_BATCHES, -(-rays // MOST_RAYS_A_BATCH)) if max_reflections else 0
    rays_a_batch = -(-rays // max(batches, 1))
    columns = 3 + (max_reflections if by_order else 0)
    name_key = zlib.crc32(transmitter.name.encode())

    def batch(number: int) -> Batch:
        return run_batch(
            setting, walls, emission=emission, box=box, rays=rays_a_batch, max_reflections=max_reflections,
            columns=columns, generator=batch_generator(seed, _BATCH_KEY, name_key, number),
        )  # fmt: skip

    direct = direct_power(setting, walls, surfaces, emission=emission, grid=grid, jobs=jobs)
    sums = np.zeros((grid.count, 2 * columns - 2))
    accounts, emitted, segments = np.zeros(5), 0.0, 0
    for outcome in ordered(batch, range(batches), jobs=jobs, stage="rays", total=batches):
        fold(outcome.tally, sums)
        accounts += outcome.ledger
        emitted += outcome.emitted
        segments += outcome.segments
    ledger = Ledger(*(float(a) / max(batches, 1) for a in (emitted, *accounts)))
    # From metres of weighted track to received watts; k = 2π/λ, so λ²/4π = π/k².
    power_w = float(dbm_to_watts(transmitter.power_dbm - transmitter.cable_loss_db))
    track_w = power_w * np.pi / walls.wavenumber[0] ** 2 / grid.voxel_volume_m3
    return _result(
        transmitter.name, grid, sums, direct_w=power_w * direct, track_w=track_w, batches=batches,
        rays=rays_a_batch * batches, seed=seed, max_reflections=max_reflections, by_order=by_order, ledger=ledger,
        segments=segments,
    )  # fmt: skip


def _result(
    name: str,
    grid: Grid,
    sums: FloatArray,
    *,
    direct_w: FloatArray,
    track_w: float,
    batches: int,
    rays: int,
    seed: int,
    max_reflections: int,
    by_order: bool,
    ledger: Ledger,
    segments: int,
) -> TransmitterVolume:
    """From sums over batches (voxels, 2C − 2) to means, standard errors and moments."""
    columns = sums.shape[1] // 2 + 1
    scale = track_w / max(batches, 1)
    mean = direct_w + scale * sums[:, 0]
    error = _standard_error(sums[:, 0], sums[:, columns], batches) * track_w
    with np.errstate(divide="ignore", invalid="ignore"):
        moments = np.where(mean[:, None] > 0.0, scale * sums[:, 1:3] / mean[:, None], np.nan)

    def shaped(values: FloatArray) -> FloatArray:
        return read_only(np.ascontiguousarray(values).reshape(*values.shape[:-1], *grid.shape))

    order_power = order_error = None
    if by_order:
        order_power = shaped(np.concatenate([direct_w[None], scale * sums[:, 3:columns].T]))
        errors = _standard_error(sums[:, 3:columns], sums[:, columns + 1 :], batches) * track_w
        order_error = shaped(np.concatenate([np.zeros((1, grid.count)), errors.T]))
    return TransmitterVolume(
        name, grid, rays, seed, max_reflections, batches, shaped(mean), shaped(error), shaped(direct_w),
        shaped(moments[:, 0]), shaped(moments[:, 1]), order_power, order_error, ledger, segments,
    )  # fmt: skip


def _standard_error(total: FloatArray, squares: FloatArray, batches: int) -> FloatArray:
    """Standard error of the mean of batches, from sums and sums of squares; NaN where every batch gave nothing."""
    if batches == 0:
        return np.zeros_like(total)
    variance = np.maximum(squares - total**2 / batches, 0.0) / (batches * (batches - 1))
    return np.where(total > 0.0, np.sqrt(variance), np.nan)


def _finite(values: FloatArray) -> FloatArray:
    return np.where(np.isfinite(values), values, np.nan)


def _check(rays: int, max_reflections: int) -> None:
    if rays < FEWEST_BATCHES:
        raise InputError(f"rays is {rays}", f"at least {FEWEST_BATCHES} make an error bar", "1000000 is usual")
    if max_reflections < 0:
        raise InputError(f"max_reflections is {max_reflections}", "it must not be negative", "3 suits a hall")
