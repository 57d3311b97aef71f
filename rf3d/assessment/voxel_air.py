"""What other radios put into every voxel, and what a radio needs over them: the air of ``assessment.air`` in a volume.

Disturbers are traced as volumes on coarse voxels, with few reflections; what they bring counts
as steady power at the antenna's peak and as polarised as it is: the worst case. Who is on the
air at a moment is enumerated for single senders, and drawn for crowds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rf3d.assessment.air import AIR_REFLECTIONS, busiest_count, crowds_nearness, emitters_of
from rf3d.assessment.moments import enumerate_moments
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
DRAWN = 16
"""Moments that are drawn for the crowds in one channel: fewer than for a link, since every voxel sees them all."""
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
    count : (J,) int64
    duty, share : (J, F) float64
        As of ``air.AirAt``.
    noise_rise : (V,) float64
    listed : bool
        As of ``air.AirAt``.
    """

    power_w: FloatArray
    coarse_of: IntArray
    count: IntArray
    duty: FloatArray
    share: FloatArray
    noise_rise: FloatArray
    listed: bool = True

    def within(self, voxels: IntArray) -> VoxelAir:
        """The air of some of the voxels (V',) alone."""
        return replace(self, coarse_of=self.coarse_of[voxels], noise_rise=self.noise_rise[voxels])

    def moments(self, seed: int) -> tuple[FloatArray, FloatArray]:
        """Moments on a channel drawn at random: what counts of each emitter (D, J), and the weights (D,), sum 1."""
        found = enumerate_moments(
            self.count, self.duty, self.share, drawn=DRAWN, generator=batch_generator(seed, _MOMENTS_KEY)
        )
        often = np.bincount(found.kind) / len(found.kind)
        weight = [share * mine for share, mine in zip(often, found.weight, strict=True)]
        return np.concatenate(found.counted), np.concatenate(weight)

    def busiest(self) -> FloatArray:
        """What counts of each emitter at its busiest on every kind of channel, (C, J)."""
        return np.unique((self.share * busiest_count(self.count[:, None], self.duty)).T, axis=0)

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
    emitting = emitters_of(plan, setting)
    reached = np.array([[e.reaches(radio) for radio in radios] for e in emitting], dtype=bool)
    reached = reached.reshape(len(emitting), len(radios))
    noisy = any(line.noise_rise_db > 0.0 for line in plan.occupied)
    if not reached.any() and not noisy:
        return {}
    coarse = make_grid(setting.scene, max(VOXEL_M, plan.study.voxel_m), region_m=_box_m(setting, grid))
    middle = (grid.centres_m(np.arange(grid.count)) - coarse.low_m) / coarse.voxel_m
    place = np.clip(np.floor(middle).astype(np.int64), 0, np.array(coarse.shape) - 1)
    coarse_of = np.ravel_multi_index(tuple(place.T), coarse.shape)
    power = np.zeros((len(emitting), coarse.count))
    near = crowds_nearness(emitting, coarse.centres_m(np.arange(coarse.count)) + coarse.origin_m, cell_m=coarse.voxel_m)
    quiet = replace(jobs, progress=silent)
    for number, emitter in enumerate(emitting):
        jobs.progress("other air", number, len(emitting))
        if emitter.sender is not None and reached[number].any():
            traced = trace_volume(
                setting, emitter.sender, grid=coarse, max_reflections=min(AIR_REFLECTIONS, plan.study.max_reflections),
                rays=RAYS, seed=seed, jobs=quiet,
            )  # fmt: skip
            power[number] = near[number] * np.nan_to_num(traced.mean_power_w.reshape(-1))
        power[number] += dbm_to_watts(emitter.level_dbm)
    jobs.progress("other air", len(emitting), len(emitting))
    rise = np.ones(grid.count)
    for line in plan.occupied:
        rise *= line.noise_rise(grid.centres_m(np.arange(grid.count)) + grid.origin_m)
    count, foreign = np.array([e.count for e in emitting], dtype=np.int64), np.array([not e.own for e in emitting])
    found: dict[str, VoxelAir] = {}
    for radio, mine in zip(radios, reached.T, strict=True):
        if mine.any() or noisy:
            duty, share = (np.array(rows) for rows in zip(*(e.on_channels(radio) for e in emitting), strict=True))
            found[radio.name] = VoxelAir(power, coarse_of, count, duty, share, rise, bool(mine[foreign].any()))
    return found


def _box_m(setting: Setting, grid: Grid) -> FloatArray:
    """World corners of a grid, (2, 3)."""
    low = grid.world_low_m
    return np.stack([low, low + grid.voxel_m * np.array(grid.shape)])
