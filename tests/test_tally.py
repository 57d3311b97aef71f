"""Parts of a batch of rays by themselves: what segments leave in voxels, and with which weights rays are sent."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from rf3d.jobs import batch_generator
from rf3d.propagation.kernels.tally import (
    LISTED,
    NS_PER_M,
    OWN,
    REACH,
    SEGMENT_COLUMNS,
    TRAVELLED,
    WEIGHT,
    Box,
    sample_segments,
    tally_segments,
)
from rf3d.propagation.launch import launch, launch_table
from rf3d.radio.antennas import aim_axes, make_antenna, response
from tests.test_volume import family_limit


def walk_twin(grid_low, edge, shape, origin, way, reach):
    """Length of a segment in every voxel: cut at every plane it crosses, each piece booked by its middle."""
    cuts = [0.0, reach]
    for axis in range(3):
        if way[axis] != 0.0:
            planes = grid_low[axis] + edge * np.arange(shape[axis] + 1)
            cuts.extend((planes - origin[axis]) / way[axis])
    cuts = np.unique(np.clip(cuts, 0.0, reach))
    lengths = np.zeros(shape)
    for a, b in itertools.pairwise(cuts):
        index = np.floor((origin + 0.5 * (a + b) * way - grid_low) / edge).astype(int)
        if (index >= 0).all() and (index < shape).all():
            lengths[tuple(index)] += b - a
    return lengths


def random_segments(low, edge, shape, source):
    """Random segments from inside and outside a grid, ones along axes and planes, and which lie within a plane."""
    generator = np.random.default_rng(8)
    ways = generator.normal(size=(200, 3))
    ways[:30, 0] = 0.0
    ways[30:40, :2] = 0.0
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    origins = low + generator.uniform(-0.5, 1.5, (200, 3)) * edge * np.array(shape)
    origins[::7] = low + edge * np.round((origins[::7] - low) / edge)  # on corners of voxels
    origins[3::7] = low + generator.random((len(origins[3::7]), 3)) * edge * np.array(shape)
    segments = np.zeros((200, SEGMENT_COLUMNS))
    segments[:, :3], segments[:, 3:6] = origins, ways
    segments[:, REACH], segments[:, WEIGHT], segments[:, TRAVELLED] = generator.choice([0.05, 0.9, 50.0], 200), 2.0, 3.0
    segments[:, OWN], segments[:, LISTED] = -1.0, 4.0
    return segments, (np.isclose((origins - low) / edge, np.round((origins - low) / edge)) & (ways == 0.0)).any(axis=1)


def test_segments_leave_their_exact_length_in_every_voxel():
    """Against the plain twin."""
    low, edge, shape = np.array([-1.0, -2.0, 0.5]), 0.3, (7, 11, 5)
    source = np.array([0.3, -0.4, 1.1])
    segments, in_plane = random_segments(low, edge, shape, source)
    inside = 0
    for segment, within_plane in zip(segments, in_plane, strict=True):
        origin, way, far = segment[:3], segment[3:6], segment[REACH]
        tally = np.zeros((np.prod(shape), 5), dtype=np.float32)
        tally_segments(Box(low, edge, *shape, 0, 0, 0), segment[None], source, 0, False, tally)
        expected = 2.0 * walk_twin(low, edge, shape, origin, way, far).reshape(-1)
        if within_plane:  # a segment within a plane belongs to either side
            assert tally[:, 0].sum() == pytest.approx(expected.sum(), abs=1e-5) or not expected.any()
            continue
        np.testing.assert_allclose(tally[:, 0], expected, atol=2e-6)
        np.testing.assert_array_equal(tally[:, 4], tally[:, 0])
        assert not tally[:, 3].any()
        inside += expected.any()
        if far == 0.05 and expected.any():
            middle = origin + 0.5 * far * way
            excess = (3.0 + 0.5 * far - np.linalg.norm(middle - source)) * NS_PER_M
            assert tally[:, 1].sum() / tally[:, 0].sum() == pytest.approx(excess, abs=0.06)
    assert inside > 60


@pytest.mark.parametrize("count", [5, 31, 32, 33, 200])
def test_segments_side_by_side_leave_what_each_leaves_alone(count):
    """In every column, whatever number is walked: none is lost, and none takes over what belongs to another."""
    low, edge, shape = np.array([-1.0, -2.0, 0.5]), 0.3, (7, 11, 5)
    source, columns = np.array([0.3, -0.4, 1.1]), 9
    segments = random_segments(low, edge, shape, source)[0][:count]
    drawn = np.random.default_rng(9).random((3, count))
    segments[:, WEIGHT], segments[:, TRAVELLED], segments[:, OWN] = drawn[0], 9.0 * drawn[1], drawn[2]
    segments[:, LISTED] = np.arange(count) % 2 + 7  # after the own column, which is 6
    segments[::5, LISTED], segments[::7, OWN] = -1.0, -1.0
    box = Box(low, edge, *shape, 0, 0, 0)
    together = np.zeros((np.prod(shape), columns), dtype=np.float32)
    tally_segments(box, segments, source, 0, True, together)
    alone = np.zeros((np.prod(shape), columns))
    for segment in segments:
        one = np.zeros((np.prod(shape), columns), dtype=np.float32)
        tally_segments(box, segment[None], source, 0, True, one)
        alone += one
    assert alone[:, 0].any()
    assert (np.abs(together - alone) <= 1e-6 * np.abs(alone).max(axis=0)).all()


@pytest.mark.parametrize("brick", [0, 1, 2, 4, 8])
def test_bricks_and_parts_of_a_grid_get_what_the_whole_gets(brick):
    """But for the order in which float32 numbers add up: segments are walked side by side, and end sooner in a part.

    Segments that begin on planes, run within them and through corners of voxels are among them.
    """
    low, edge, shape = np.array([-1.0, -2.0, 0.5]), 0.3, (7, 11, 5)
    source = np.array([0.3, -0.4, 1.1])
    segments, _ = random_segments(low, edge, shape, source)
    whole = np.zeros((np.prod(shape), 5), dtype=np.float32)
    tally_segments(Box(low, edge, *shape, 0, 0, 0), segments, source, 0, False, whole)
    for first, size in (((0, 0, 0), shape), ((2, 3, 1), (3, 7, 2)), ((6, 0, 0), (1, 11, 4))):
        part = np.zeros((np.prod(size), 5), dtype=np.float32)
        tally_segments(Box(low, edge, *size, *first), segments, source, brick, False, part)
        index = tuple(slice(a, a + n) for a, n in zip(first, size, strict=True))
        theirs = whole.reshape(*shape, 5)[index]
        np.testing.assert_allclose(part.reshape(*size, 5), theirs, rtol=1e-6, atol=1e-7 * np.abs(theirs).max())


def test_points_drawn_along_segments_leave_their_length_in_the_mean():
    """Student-t over 64 sets of random numbers, voxel by voxel; what a segment leaves in all is always its length."""
    low, edge, shape = np.array([-1.0, -2.0, 0.5]), 0.3, (7, 11, 5)
    source = np.array([0.3, -0.4, 1.1])
    segments, in_plane = random_segments(low, edge, shape, source)
    segments = np.tile(segments[~in_plane], (60, 1))
    box = Box(low, edge, *shape, 0, 0, 0)
    exact = np.zeros((np.prod(shape), 5), dtype=np.float32)
    tally_segments(box, segments, source, 0, False, exact)
    drawn = []
    for seed in range(64):
        tally = np.zeros((np.prod(shape), 5), dtype=np.float32)
        sample_segments(box, segments, source, np.random.default_rng(seed).random(len(segments)), 3, False, tally)
        drawn.append(tally)
        assert tally[:, 0].sum(dtype=float) == pytest.approx(exact[:, 0].sum(dtype=float), rel=1e-5)
    error = (np.std(drawn, axis=0, ddof=1) / 8)[:, :2]
    known = error > 1e-3 * exact[:, :2].max(axis=0)  # elsewhere every drawing falls into the same voxel
    score = (np.mean(drawn, axis=0, dtype=float) - exact)[:, :2][known] / error[known]
    assert len(score) > 200
    assert np.abs(score).max() < family_limit(len(score), 63)
    assert np.std(score) == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize("pattern", ["isotropic", "dipole", "panel"])
def test_launched_weights_are_unbiased(pattern):
    """Mean of weight, and of weight × squared direction, over batches against the pattern integrated directly."""
    more = {"gain_dbi": 12.0, "beamwidth_deg": (40.0, 40.0)} if pattern == "panel" else {}
    antenna = make_antenna("a", pattern=pattern, **more)
    table = launch_table(antenna)
    axes = aim_axes(boresight=np.array([0.6, -0.64, 0.48]), roll_rad=0.3)
    sums = []
    for batch in range(64):
        way, field, weight, _ = launch(table, antenna, axes, rays=2000, generator=batch_generator(1, batch))
        assert np.abs(np.einsum("ni,ni->n", way, field)).max() < 1e-12
        np.testing.assert_allclose((np.abs(field) ** 2).sum(axis=1)[weight > 0], 1.0, rtol=1e-12)
        sums.append([weight.sum(), *(weight[:, None] * (way @ axes.T) ** 2).sum(axis=0)])
    z, azimuth = np.meshgrid(*np.polynomial.legendre.leggauss(400)[:1], np.arange(720) * np.pi / 360, indexing="ij")
    quadrature = np.polynomial.legendre.leggauss(400)[1][:, None] / 2 / 720
    ring = np.sqrt(1 - z**2)
    ways = np.stack([ring * np.cos(azimuth), ring * np.sin(azimuth), z], axis=-1)
    gain = (np.abs(response(antenna, ways.reshape(-1, 3))) ** 2).sum(axis=1).reshape(z.shape) * quadrature
    expected = np.array([gain.sum(), *(gain[..., None] * ways**2).sum(axis=(0, 1))])
    error = np.std(sums, axis=0, ddof=1) / 8
    assert (error < 0.002).all()
    assert (np.abs(np.mean(sums, axis=0) - expected) < family_limit(4, 63) * error + 1e-4).all()
