"""What other radios put into every voxel, and what a radio needs over them: the air of ``assessment.air`` in a volume.

Disturbers are traced as volumes on coarse voxels, with few reflections; what they bring counts
as steady power at the antenna's peak and as polarised as it is: the worst case. Who is on the
air at a moment is enumerated for single senders, and drawn for crowds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from rf3d.assessment.air import AIR_REFLECTIONS, busiest_count, emitters_of
from rf3d.jobs import Jobs, batch_generator, silent
from rf3d.plan import Plan
from rf3d.propagation.grid import Grid, make_grid
from rf3d.propagation.paths import Setting
from rf3d.propagation.volume import trace_volume
from rf3d.radio.radios import Radio
from rf3d.units import FloatArray, IntArray, dbm_to_watts

VOXEL_M = 1.0
"""Disturbers are known on voxels no finer than this: their power falls off slowly away from them."""
RAYS = 32_768
MOST_SINGLE = 4
"""Single senders in one channel whose moments are all enumerated; with more they are drawn like crowds."""
DRAWN = 16
"""Moments that are drawn for the crowds in one channel."""
_MOMENTS_KEY = 7


@dataclass(frozen=True, eq=False)
class VoxelAir:
    """What J emitters bring to V voxels on the channels of one radio.

    Attributes
    ----------
    power_w : (J, coarse) float64
        Of one sender of each, at an antenna of unit gain, over its whole band.
    coarse_of : (V,) int64
        Coarse voxel that holds each voxel's middle.
    count, duty : (J,)
        As of ``air.AirAt``.
    share : (J, F) float64
        Of its power that falls into each channel; 0 where it is one of the radio's own.
    noise_rise : (V,) float64
    """

    power_w: FloatArray
    coarse_of: IntArray
    count: IntArray
    duty: FloatArray
    share: FloatArray
    noise_rise: FloatArray

    def moments(self, seed: int) -> tuple[FloatArray, FloatArray]:
        """Moments on a channel drawn at random: what counts of each emitter (D, J), and the weights (D,), sum 1."""
        generator = batch_generator(seed, _MOMENTS_KEY)
        columns, channels = np.unique(self.share.T, axis=0, return_counts=True)
        rows, weights = [], []
        for column, times in zip(columns, channels, strict=True):
            active = np.flatnonzero(column > 0.0)
            single = active[self.count[active] == 1]
            single = single if len(single) <= MOST_SINGLE else single[:0]
            crowd = np.setdiff1d(active, single)
            drawn = np.zeros((DRAWN if len(crowd) else 1, len(column)))
            drawn[:, crowd] = generator.binomial(self.count[crowd], self.duty[crowd], size=(len(drawn), len(crowd)))
            for on in product((0, 1), repeat=len(single)):
                chance = np.prod(np.where(on, self.duty[single], 1.0 - self.duty[single]))
                state = drawn.copy()
                state[:, single] = on
                rows.append(state * column)
                weights.append(np.full(len(drawn), times * chance / (channels.sum() * len(drawn))))
        return np.concatenate(rows), np.concatenate(weights)

    def busiest(self) -> FloatArray:
        """What counts of each emitter at its busiest on every kind of channel, (C, J)."""
        return np.asarray(np.unique(self.share.T, axis=0) * busiest_count(self.count, self.duty))

    def others_w(self, counted: FloatArray, voxels: IntArray, gain: float) -> FloatArray:
        """Power in a channel at an antenna of a peak gain, (D, V'), for moments (D, J) in voxels (V',)."""
        return np.asarray(gain * (counted @ self.power_w[:, self.coarse_of[voxels]]))


def voxel_air(
    plan: Plan, setting: Setting, grid: Grid, radios: Sequence[Radio], *, seed: int, jobs: Jobs
) -> dict[str, VoxelAir]:
    """What every voxel hears of the air listed on the channels of each of some radios, by name; empty where none is.

    Raises
    ------
    InputError
        A disturber inside a solid.
    """
    if not plan.occupied:
        return {}
    emitting = emitters_of(plan, setting)
    coarse = make_grid(setting.scene, max(VOXEL_M, plan.study.voxel_m), region_m=_box_m(setting, grid))
    middle = (grid.centres_m(np.arange(grid.count)) - coarse.low_m) / coarse.voxel_m
    place = np.clip(np.floor(middle).astype(np.int64), 0, np.array(coarse.shape) - 1)
    coarse_of = np.ravel_multi_index(tuple(place.T), coarse.shape)
    power = np.zeros((len(emitting), coarse.count))
    quiet = replace(jobs, progress=silent)
    for number, emitter in enumerate(emitting):
        jobs.progress("other air", number, len(emitting))
        if emitter.sender is not None and any(emitter.reaches(radio) for radio in radios):
            found = trace_volume(
                setting, emitter.sender, grid=coarse, max_reflections=min(AIR_REFLECTIONS, plan.study.max_reflections),
                rays=RAYS, seed=seed, jobs=quiet,
            )  # fmt: skip
            power[number] = np.nan_to_num(found.mean_power_w.reshape(-1))
        power[number] += dbm_to_watts(emitter.level_dbm)
    jobs.progress("other air", len(emitting), len(emitting))
    low, high = np.array([e.band_hz for e in emitting]).reshape(-1, 2).T
    rise = np.ones(grid.count)
    for line in plan.occupied:
        rise *= line.noise_rise(grid.centres_m(np.arange(grid.count)) + grid.origin_m)
    return {
        radio.name: VoxelAir(
            power, coarse_of, np.array([e.count for e in emitting], dtype=np.int64),
            np.array([e.duty for e in emitting]),
            radio.overlap(low, high) * np.array([e.reaches(radio) for e in emitting], dtype=bool)[:, None], rise,
        )
        for radio in radios
    }  # fmt: skip


def _box_m(setting: Setting, grid: Grid) -> FloatArray:
    """World corners of a grid, (2, 3)."""
    low = grid.world_low_m
    return np.stack([low, low + grid.voxel_m * np.array(grid.shape)])
