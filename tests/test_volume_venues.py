"""The received-power volume in a furnished venue against exact paths, and in leaky rooms against room theory.

Limits are those of ``test_volume``: Student-t, all values of a comparison together failing by chance once in
``1 / FAMILY`` seeds.
"""

from __future__ import annotations

import csv
import dataclasses
import itertools
from pathlib import Path

import numpy as np
import pytest

from rf3d.jobs import Jobs
from rf3d.plan import load_plan, load_scene
from rf3d.plan_surfaces import assign_surfaces
from rf3d.propagation import lobes as small_facets
from rf3d.propagation import rays as engine
from rf3d.propagation.fields import fields
from rf3d.propagation.grid import make_grid
from rf3d.propagation.kernels.interfaces import opaque_parts
from rf3d.propagation.kernels.tally import REACH, TRAVELLED, WEIGHT
from rf3d.propagation.paths import find_paths, prepare
from rf3d.propagation.pathset import join
from rf3d.propagation.volume import trace_volume
from rf3d.radio.antennas import make_antenna
from rf3d.radio.radios import Receiver
from rf3d.units import dbm_to_watts
from rf3d.venue.facets import find_facets
from rf3d.venue.materials import Layer, Material
from rf3d.venue.surfaces import enclosing_solids
from tests.scenes import room, surface
from tests.test_volume import UPRIGHT, WAVELENGTH, family_limit, stratified_points, transmitter_at, volume_of
from tests.twins import C

PLAYHOUSE = Path(__file__).parents[1] / "meshes_demo" / "playhouse.toml"


def test_the_playhouse_is_its_exact_paths_at_200_points():
    """Straight to the last digits, after one and two reflections in Student-t limits, in 200 voxels that no face cuts.

    Paths end at 27 stratified points of each voxel; only voxels whose rays are good to 10 % are drawn. Small facets
    and rough surfaces, which paths and rays treat on their own, are made large and smooth.
    """
    plan = load_plan(PLAYHOUSE)
    scene, transmitter = load_scene(plan), plan.transmitters[0]
    surfaces = tuple(
        dataclasses.replace(s, material=dataclasses.replace(s.material, scattering=0.0))
        for s in assign_surfaces(plan, scene)[0]
    )
    frequency = np.array([transmitter.radio.centre_hz])
    facets = find_facets(scene)
    setting = prepare(scene, facets, surfaces, opaque=opaque_parts(surfaces, frequency))
    grid = make_grid(scene, 0.5)
    answer = trace_volume(
        setting, transmitter, grid=grid, max_reflections=2, rays=1_280_000, seed=3, jobs=Jobs(), by_order=True,
        edges=False, lobes=False,
    )  # fmt: skip
    got, error = (a.reshape(3, -1)[1:] for a in (answer.order_power_w, answer.order_std_error_w))
    drawn = np.random.default_rng(4).permutation(np.flatnonzero((error < 0.1 * got).all(axis=0)))[:600]
    centres = grid.centres_m(drawn)
    low, high = scene.corners_m.min(axis=1), scene.corners_m.max(axis=1)
    free = np.array([not ((low < c + 0.251) & (high > c - 0.251)).all(axis=1).any() for c in centres])
    free &= np.abs(centres - scene.to_local(transmitter.position_m)).max(axis=1) > 1.5
    free &= np.array([name is None for name in enclosing_solids(scene, centres, surfaces)])
    numbers, centres = drawn[free][:200], scene.to_world(centres[free][:200])
    assert len(numbers) == 200
    points = stratified_points(answer, numbers, 3, np.random.default_rng(5))
    points = np.concatenate([points, centres[:, None]], axis=1)
    probe = make_antenna("probe", pattern="isotropic")
    receivers = tuple(
        Receiver(str(i), p, probe, UPRIGHT, 0.0, transmitter.radio) for i, p in enumerate(points.reshape(-1, 3))
    )
    paths, _ = find_paths(
        setting, scene.to_local(transmitter.position_m[None]), scene.to_local(points.reshape(-1, 3)),
        linked=np.ones((1, len(receivers)), dtype=bool), max_reflections=2, rays=0, seed=1, jobs=Jobs(),
    )  # fmt: skip
    assert paths.exhaustive_order == 2
    large = dataclasses.replace(facets, edge_start=0 * facets.edge_start, expanse_start=0 * facets.expanse_start)
    carried = fields(
        paths, large, surfaces=surfaces, transmitters=(transmitter,), receivers=receivers, frequencies_hz=frequency
    )
    sent = dbm_to_watts(transmitter.power_dbm - transmitter.cable_loss_db)
    at_point = np.zeros((3, len(receivers)))
    np.add.at(at_point, (paths.reflections, paths.receiver), sent * (np.abs(carried.arriving[:, 0]) ** 2).sum(axis=1))
    at_point = at_point.reshape(3, 200, -1)
    # 1/r² is averaged over the voxel, which is h²/12r² more than in its middle.
    square = ((centres - transmitter.position_m) ** 2).sum(axis=1)
    direct = at_point[0, :, -1] * (1 + 0.5**2 / (12 * square))
    np.testing.assert_allclose(answer.direct_power_w.flat[numbers], direct, rtol=1e-6, atol=0)
    bounced = at_point[1:, :, :-1]
    expected, spread = bounced.mean(axis=2), bounced.std(axis=2, ddof=1) / np.sqrt(27)
    score = (got[:, numbers] - expected) / np.hypot(error[:, numbers], spread)
    # The fewer of the two freedoms, of 27 points and 64 batches.
    assert np.abs(score).max() < family_limit(score.size, 26)
    np.testing.assert_allclose(score.std(axis=1), 1.0, atol=0.2)
    np.testing.assert_allclose(score.mean(axis=1), 0.0, atol=0.3)


LIT_BY_STEEL_M = [(-3.5, 2.5, 13.5), (-0.5, -4.5, 14.5), (-2.5, 6.5, 13.5), (-8.5, -4.5, 12.5),
                  (-4.5, -4.5, 13.5), (6.5, -4.5, 15.5), (18.5, 8.5, 19.5)]  # fmt: skip
"""Places of the arena where half of what one reflection brings comes off members beside their mirror direction."""


def test_the_steel_of_the_arena_sends_lobes_as_its_exact_paths_do(monkeypatch):
    """One reflection, all lobes of the links, down to 75 dB below free space, at 27 stratified points of each voxel.

    Rays draw from the pattern of a rectangle far away and all of it goes into the half-space in front; links integrate
    each facet's open borders and lose what lies beyond the horizon, which thin tubes do not (``test_strips``). With
    millions of rays they are 0.5 dB over in the median of these places; as mirrors members bring 5 dB too much.
    """
    monkeypatch.setattr(small_facets, "MOST_LOBES", 5_000)
    monkeypatch.setattr(small_facets, "MOST_TRIED", 20_000)
    monkeypatch.setattr(small_facets, "LEAST_BELOW_FREE_DB", 75.0)
    plan = load_plan(PLAYHOUSE.with_name("arena.toml"))
    scene, transmitter = load_scene(plan), plan.transmitters[0]
    surfaces = tuple(
        dataclasses.replace(s, material=dataclasses.replace(s.material, scattering=0.0))
        for s in assign_surfaces(plan, scene)[0]
    )
    frequency = np.array([transmitter.radio.centre_hz])
    facets = find_facets(scene)
    setting = prepare(scene, facets, surfaces, opaque=opaque_parts(surfaces, frequency))
    grid = make_grid(scene, 1.0)
    power = {}
    for lobes, rays in ((True, 640_000), (False, 160_000)):
        answer = trace_volume(
            setting, transmitter, grid=grid, max_reflections=1, rays=rays, seed=6, jobs=Jobs(), by_order=True,
            edges=False, lobes=lobes,
        )  # fmt: skip
        power[lobes] = [a.reshape(2, -1)[1] for a in (answer.order_power_w, answer.order_std_error_w)]
    numbers = [grid.number_at(scene.to_local(np.array(place))) for place in LIT_BY_STEEL_M]
    points = stratified_points(answer, numbers, 3, np.random.default_rng(5)).reshape(-1, 3)
    probe = make_antenna("probe", pattern="isotropic")
    receivers = tuple(Receiver(str(i), p, probe, UPRIGHT, 0.0, transmitter.radio) for i, p in enumerate(points))
    source, spots = scene.to_local(transmitter.position_m), scene.to_local(points)
    mirrored, _ = find_paths(
        setting, source[None], spots, linked=np.ones((1, len(spots)), dtype=bool), max_reflections=1, rays=0, seed=1,
        jobs=Jobs(),
    )  # fmt: skip
    beside = small_facets.lobe_paths(
        setting, source, spots, frequency_hz=float(frequency[0]), jobs=Jobs(), labels=(0, np.arange(len(spots)))
    )
    paths = join([mirrored, beside], 0)
    arriving = fields(
        paths, facets, surfaces=surfaces, transmitters=(transmitter,), receivers=receivers, frequencies_hz=frequency,
        wedges=setting.wedges,
    ).arriving[:, 0]  # fmt: skip
    once = np.where(np.arange(paths.count) < mirrored.count, paths.reflections == 1, True)
    sent = dbm_to_watts(transmitter.power_dbm - transmitter.feed_loss_db)
    brought = sent * np.bincount(paths.receiver, once * (np.abs(arriving) ** 2).sum(axis=1), minlength=len(spots))
    brought = brought.reshape(len(numbers), -1)
    expected, spread = brought.mean(axis=1), brought.std(axis=1, ddof=1) / np.sqrt(brought.shape[1])
    found, error = (a[numbers] for a in power[True])
    over_db = 10 * np.log10(found / expected)
    doubt_db = 10 / np.log(10) * np.hypot(error / found, spread / expected)
    assert (np.abs(over_db) < 1.0 + family_limit(len(numbers), 63) * doubt_db).all()
    assert abs(over_db.mean()) < 1.0
    assert (10 * np.log10(power[False][0][numbers] / expected)).mean() > 3.0


def leaky(absorption: float) -> Material:
    """A perfect mirror with holes and a wholly diffuse lobe: it loses one share of the power at every angle."""
    return Material(
        name="leaky", layers=(Layer(1.0, 0.0, 1e13, 0.0),), scattering=1.0, valid_hz=(0.0, np.inf), basis="A",
        source="test", title="leaky", open_fraction=absorption,
    )  # fmt: skip


def diffuse_ways(size: np.ndarray, source: np.ndarray, absorption: float, edges_m: np.ndarray, count: int = 200_000):
    """A box of Lambert walls in plain numpy: delay profile after the first wall, relative variance of the way between.

    Nothing of the engine is in it: particles go from wall to wall, leave by the cosine law and keep 1 − α of their
    weight; the profile is weight times way between consecutive ``edges_m`` of what they have travelled.
    """
    generator = np.random.default_rng(1)
    way = generator.normal(size=(count, 3))
    way /= np.linalg.norm(way, axis=1)[:, None]
    at, travelled, weight = np.tile(source, (count, 1)), np.zeros(count), 1.0
    profile, spread = np.zeros(len(edges_m) - 1), 0.0
    for bounce in range(60):
        with np.errstate(divide="ignore"):
            reach = np.where(way > 0, (size - at) / way, -at / way)
        axis = reach.argmin(axis=1)
        length = reach.min(axis=1)
        if bounce:
            past = np.sort(np.minimum(travelled + length, edges_m[-1])), np.sort(np.minimum(travelled, edges_m[-1]))
            # Way below an edge, over all particles: to their ends less to their starts.
            below = [[np.minimum(ends, edge).sum() for edge in edges_m] for ends in past]
            profile += weight * np.diff(np.subtract(*below))
            spread = length.var() / length.mean() ** 2 if bounce == 20 else spread
        every = np.arange(count)
        high = way[every, axis] > 0
        at = at + length[:, None] * way
        at[every, axis] = np.where(high, size[axis], 0.0)
        travelled, weight = travelled + length, weight * (1.0 - absorption)
        cosine, turn = np.sqrt(generator.random(count)), 2 * np.pi * generator.random(count)
        ring = np.sqrt(1 - cosine**2)
        for offset, part in enumerate((np.where(high, -cosine, cosine), ring * np.cos(turn), ring * np.sin(turn))):
            way[every, (axis + offset) % 3] = part
    return profile, float(spread)


def profile_of(begin_m: np.ndarray, reach_m: np.ndarray, weight: np.ndarray, edges_m: np.ndarray) -> np.ndarray:
    """Weight times way between consecutive edges, of segments (N,) that begin after so far a way."""
    some = np.isfinite(reach_m)
    begin, end, weight = begin_m[some], (begin_m + reach_m)[some], weight[some]
    return np.array(
        [
            (weight * np.maximum(np.minimum(end, b) - np.maximum(begin, a), 0)).sum()
            for a, b in itertools.pairwise(edges_m)
        ]
    )


@pytest.mark.parametrize(
    ("hall", "voxel_m", "absorption", "eyring_within"),
    [("black box", 1.0, 0.2, 0.1), ("theatre", 2.0, 0.2, 0.1), ("arena", 5.0, 0.2, 0.1), ("black box", 1.0, 0.4, 0.12)],
)
def test_a_leaky_box_rings_as_room_theory_says(shared, monkeypatch, hall, voxel_m, absorption, eyring_within):
    """Steady power λ²/πA over the whole room, and the exponential tail of the delay profile.

    The profile is that of the room's mean power: the segments of all rays, cut by how far they had come, from two to
    five times the decay. Its tail is that of Eyring within 10 % at α = 0.2. Eyring takes all ways from wall to wall as
    equally long, which is 10 % off at α = 0.4 whoever counts: particles in plain numpy ring as the engine does, in
    Student-t limits, and so does Kuttruff's correction for the spread γ² of the ways, −ln(1 − α)·(1 + ½γ² ln(1 − α)).

    Source: table of room electromagnetics beside the checkout (Andersen et al., IEEE AP Mag. 49(2), 2007; Eyring's
    slope after Steinböck et al., IEEE TAP 2015); Kuttruff, Room Acoustics (from memory).
    """
    with (shared / "checks" / "room_reverb_reference.csv").open() as file:
        row = next(r for r in csv.DictReader(file) if r["room"] == hall and float(r["alpha"]) == absorption)
    size = np.array([float(row[name]) for name in ("a", "b", "h")])
    source = size * [0.59, 0.37, 0.44]
    kept, tally = [], engine.tally_segments

    def keep(box, segments, *more):
        kept.append(segments[:, [TRAVELLED, REACH, WEIGHT]])
        tally(box, segments, *more)

    monkeypatch.setattr(engine, "tally_segments", keep)
    walls = tuple(surface(name, leaky(absorption), thickness_m=0.002) for name, _, _ in room(size))
    answer = volume_of(room(size), walls, transmitter_at(source), order=40, rays=192_000, voxel=voxel_m, workers=1)
    steady_db = 10 * np.log10(answer.mean_power_w.mean() / 1e-3)
    reference_db = float(row["mean_gain_scalar_2450MHz_dB"])
    area = absorption * float(row["S_m2"])
    assert reference_db == pytest.approx(10 * np.log10(WAVELENGTH**2 / (np.pi * area)), abs=0.001)
    assert steady_db == pytest.approx(reference_db, abs=0.1)
    eyring_ns = float(row["tau_energy_Eyring_ns"])
    edges_m = np.arange(2.0, 5.01, 0.25) * eyring_ns * 1e-9 * C

    def tail_of(profile: np.ndarray) -> float:
        return float(-1.0 / np.polyfit(0.5 * (edges_m[:-1] + edges_m[1:]) / C * 1e9, np.log(profile), 1)[0])

    profiles = np.array([profile_of(*segments.T, edges_m) for segments in kept])
    tail_ns = tail_of(profiles.sum(axis=0))
    others = np.array([tail_of(profiles.sum(axis=0) - one) for one in profiles])
    error_ns = np.sqrt((len(kept) - 1) * others.var())  # jackknife over the batches
    twin, variance = diffuse_ways(size, source, absorption, edges_m)
    assert abs(tail_ns - tail_of(twin)) < family_limit(4, len(kept) - 1) * error_ns + 0.005 * eyring_ns
    assert error_ns < 0.015 * eyring_ns
    assert tail_ns == pytest.approx(eyring_ns, rel=eyring_within)
    corrected_ns = eyring_ns / (1 + 0.5 * variance * np.log(1 - absorption))
    assert tail_ns == pytest.approx(corrected_ns, rel=0.03)
