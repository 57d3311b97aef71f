"""Pieces that the volume is put together from, each against a plain numpy twin."""

from __future__ import annotations

import numpy as np
import pytest

from rf3d.propagation.grid import BLOCK, Grid
from rf3d.propagation.kernels.pierce import in_order
from rf3d.propagation.kernels.tally import delay_spreads, fold


@pytest.mark.parametrize("shape", [(7, 5, 3), (40, 3, 2), (2, 90, 31), (9, 9, 9)])
@pytest.mark.parametrize("about", [1, 100, 10_000])
def test_tiles_hold_every_voxel_once_and_cut_no_block(shape, about):
    grid = Grid(np.zeros(3), np.zeros(3), 0.5, shape, (4, 2, 0))
    tiles = grid.tiles(about)
    assert sorted(np.concatenate(tiles).tolist()) == list(range(grid.count))
    owner = {}
    for number, tile in enumerate(tiles):
        assert (np.diff(tile) > 0).all()
        for block in {tuple(b) for b in (grid.venue_index(tile) // BLOCK).tolist()}:
            assert owner.setdefault(block, number) == number


@pytest.mark.parametrize("count", [1, 3, 4])
def test_batches_folded_together_are_the_batches_one_by_one(count):
    """To the last bit: so it does not matter how many happen to wait."""
    generator = np.random.default_rng(3)
    tallies = tuple(generator.random((50, 4), dtype=np.float32) for _ in range(4))
    for tally in tallies:
        tally[generator.random(50) < 0.3] = 0.0
    sums = np.zeros((50, 11))
    expected = np.zeros((50, 11))
    before = [tally.copy() for tally in tallies]
    fold(*tallies, count, sums)
    for tally in before[:count]:
        value = tally.astype(np.float64)
        products = (value[:, 0] * value[:, 1], value[:, 0] * value[:, 2], value[:, 1] * value[:, 2])
        expected += np.concatenate([value, value**2, np.stack(products, axis=1)], axis=1)
    assert (sums == expected).all()
    assert not any(tally.any() for tally in tallies[:count])
    assert all((tally == kept).all() for tally, kept in zip(tallies[count:], before[count:], strict=True))


def test_delay_spread_and_its_error_follow_from_the_sums():
    """Against the matrix form of the propagation of errors, with the covariance of the batches themselves."""
    generator = np.random.default_rng(8)
    batches, voxels, scale, watts = 70, 40, 3e-4, 0.1
    tallies = generator.random((batches, voxels, 3)) * [1.0, 20.0, 900.0]
    tallies[:, 3] = 0.0
    products = [tallies[..., i] * tallies[..., j] for i, j in ((0, 1), (0, 2), (1, 2))]
    sums = np.concatenate([tallies, tallies**2, np.stack(products, axis=-1)], axis=-1).sum(axis=0)
    direct = generator.random((3, voxels)) * np.array([[1e-3], [0.0], [0.0]])
    direct[:, 3] = 0.0
    spread, error = delay_spreads(sums, 3, batches, scale, watts, *direct)
    assert np.isnan([spread[3], error[3]]).all()
    for v in (v for v in range(voxels) if v != 3):
        p, d, s = watts * direct[:, v] + scale * tallies[:, v].mean(axis=0)
        gradient = np.array([2 * d**2 / p**3 - s / p**2, -2 * d / p**2, 1 / p])
        covariance = scale**2 * np.cov(tallies[:, v].T) / batches
        assert spread[v] == pytest.approx(np.sqrt(s / p - (d / p) ** 2), rel=1e-12)
        assert error[v] == pytest.approx(np.sqrt(gradient @ covariance @ gradient) / (2 * spread[v]), rel=1e-9)


def test_what_was_met_is_sorted_by_segment_then_distance():
    """What lies equally far keeps its order, so that the answer does not depend on the sorting."""
    generator = np.random.default_rng(4)
    segment = generator.integers(0, 40, 500).astype(np.int32)
    triangle = np.arange(500, dtype=np.int32)
    distance = np.round(generator.random(500), 1)
    first, *found = in_order(45, segment, triangle, distance)
    order = np.lexsort((distance, segment))
    for got, given in zip(found, (segment, triangle, distance), strict=True):
        assert (got == given[order]).all()
    assert (first == np.searchsorted(segment[order], np.arange(46))).all()
