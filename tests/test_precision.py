"""A volume that is to become precise: what counts, where rays are sent for it, and that the answer stays the same."""

from __future__ import annotations

import numpy as np
import pytest

from rf3d.jobs import Jobs
from rf3d.propagation import launch as launching
from rf3d.propagation import volume as engine
from rf3d.propagation.grid import make_grid
from rf3d.propagation.launch import BLOCK_OF_CELL, BLOCKS, KEPT_SHARE, guided_table, launch_table
from rf3d.propagation.precision import DOUBT, Until, relative_errors, worth
from rf3d.propagation.volume import trace_volume
from rf3d.radio.antennas import make_antenna
from tests.test_volume import furnished, setting_of

PIECES, SURFACES, TRANSMITTER = furnished()


@pytest.fixture(scope="module")
def setting():
    """The furnished room, made ready once."""
    return setting_of(PIECES, SURFACES)


@pytest.fixture
def small_rounds(monkeypatch):
    """Rounds of few rays, so that a precision takes several."""
    monkeypatch.setattr(engine, "ROUND_RAYS", 256)


def far_corner(grid) -> np.ndarray:
    """Voxels (voxels,) low in the corner behind the screen and the prism, where few rays come."""
    within = np.zeros(grid.shape, dtype=bool)
    within[-4:, -4:, :3] = True
    return within.reshape(-1)


def trace(setting, **more):
    """The furnished room, without edges."""
    told = {"max_reflections": 2, "rays": 64, "seed": 1, "jobs": Jobs(workers=1), "edges": False, **more}
    return trace_volume(setting, TRANSMITTER, grid=make_grid(setting.scene, 0.5), **told)


def test_what_counts_is_the_error_in_decibels_of_voxels_that_must_reach_it():
    """By hand: one voxel nobody asks for, one without power, one without rays, one of the worst half."""
    power = np.array([1.0, 1.0, 0.0, 2.0, 4.0, 1.0])
    error = np.array([0.1, 0.1, 0.0, np.nan, 0.4, 0.5])
    until = Until(0.1, share=0.5, within=np.array([False, True, True, True, True, True]))
    np.testing.assert_allclose(relative_errors(until, power, error), [np.nan, 0.1, np.nan, 0.0, 0.1, 0.5])
    counts = worth(until, power, error)
    assert counts[[0, 2, 3, 5]] == pytest.approx(0.0)
    assert counts[1] / counts[4] == pytest.approx(((4.0 + DOUBT * 0.4) / (1.0 + DOUBT * 0.1)) ** 2)
    assert not worth(Until(0.1), power, np.full(6, np.nan)).any()


def test_rays_go_where_they_matter_and_never_much_fewer_elsewhere(monkeypatch):
    """All that matters from one block: rays move there, the shape of the pattern within blocks stays."""
    table = launch_table(make_antenna("a", pattern="dipole"))
    monkeypatch.setattr(launching, "SMOOTH_CELLS", 0.0)
    trials = np.zeros((4, BLOCKS))
    trials[:, 40] = 1.0
    guided = guided_table(table, trials)
    factor = guided.chance / table.chance
    assert guided.chance.sum() == pytest.approx(1.0)
    assert factor[BLOCK_OF_CELL != 40] == pytest.approx(KEPT_SHARE)
    assert np.ptp(factor[BLOCK_OF_CELL == 40]) < 1e-9
    assert guided.chance[BLOCK_OF_CELL == 40].sum() > 1.0 - KEPT_SHARE
    # What two blocks matter is shared out by the roots of what they matter and of what they are sent.
    trials[:, 100] = 9.0
    sent = np.bincount(BLOCK_OF_CELL, weights=table.chance)
    more = np.bincount(BLOCK_OF_CELL, weights=guided_table(table, trials).chance) - KEPT_SHARE * sent
    assert more[100] / more[40] == pytest.approx(np.sqrt(9.0 * sent[100] / sent[40]))
    # Smoothed, a step from cell to cell is a small part of all there is, round the seam of azimuth too.
    monkeypatch.undo()
    smooth = (guided_table(table, trials).chance / table.chance).reshape(launching.ROWS, launching.COLUMNS)
    around = np.concatenate([smooth, smooth[:, :1]], axis=1)
    for axis, values in ((0, smooth), (1, around)):
        assert np.abs(np.diff(values, axis=axis)).max() < 0.2 * np.ptp(smooth)


def test_what_the_halves_of_the_trials_do_not_agree_on_is_not_believed():
    """Chance alone tells of other blocks in each trial; nothing at all tells of none."""
    table = launch_table(make_antenna("a", pattern="isotropic"))
    trials = np.random.default_rng(1).exponential(size=(6, BLOCKS)) ** 6
    assert guided_table(table, trials) is table
    assert guided_table(table, np.zeros((6, BLOCKS))) is table


def test_where_rays_are_sent_does_not_change_the_answer(setting, small_rounds, monkeypatch):
    """Guided rays against many sent by the antenna alone: z-scores of the voxels asked for, and of all others."""
    monkeypatch.setattr(launching, "WORTHWHILE", np.inf)
    grid = make_grid(setting.scene, 0.5)
    within = far_corner(grid)
    guided = trace(setting, until=Until(0.25, within=within))
    plain = trace(setting, rays=400_000, seed=7)
    assert guided.batches > engine.FEWEST_BATCHES
    assert abs(guided.ledger.imbalance) < 1e-12
    for voxels in (within, ~within):
        error = np.hypot(guided.std_error_w, plain.std_error_w).reshape(-1)[voxels]
        z = (guided.mean_power_w - plain.mean_power_w).reshape(-1)[voxels] / error
        z = z[np.isfinite(z)]
        assert len(z) > 40
        # Neighbours share rays, so the means stray further than those of independent voxels.
        assert abs(z.mean()) < 0.25
        assert 0.8 < z.std() < 1.2


def test_guided_rays_reach_a_precision_with_fewer(setting, small_rounds, monkeypatch):
    """Half as many as without learning, or fewer, where few of the antenna's rays go."""
    until = Until(0.2, within=far_corner(make_grid(setting.scene, 0.5)))
    guided = trace(setting, until=until)
    monkeypatch.setattr(launching, "WORTHWHILE", -1.0)
    plain = trace(setting, until=until)
    assert (guided.stopped, plain.stopped) == ("", "")
    assert guided.rays < 0.5 * plain.rays


def test_the_same_bytes_for_any_number_of_workers(setting, small_rounds):
    """Guided, so past the batches after which is learned."""
    until = Until(0.5, within=far_corner(make_grid(setting.scene, 0.5)))
    one, *others = (trace(setting, until=until, jobs=Jobs(workers=workers)) for workers in (1, 2, 4))
    assert one.batches > engine.LEARNED_AFTER
    for other in others:
        assert other.mean_power_w.tobytes() == one.mean_power_w.tobytes()
        assert other.std_error_w.tobytes() == one.std_error_w.tobytes()
