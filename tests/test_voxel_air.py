"""Voxels over the air listed: what disturbers bring, moments enumerated and drawn, verdicts against a simulation."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from rf3d.assessment.coverage import VERDICTS, verdicts, verdicts_over, zone_voxels
from rf3d.assessment.fading import fade_depth_db
from rf3d.assessment.links import ALLOWANCE_DB, VERDICT_CHANCES, packets_in_time
from rf3d.assessment.run import ready
from rf3d.assessment.volumes import Request, trace_all
from rf3d.assessment.voxel_air import VoxelAir, voxel_air
from rf3d.jobs import Jobs
from rf3d.plan import load_plan, load_scene
from rf3d.propagation.grid import make_grid
from rf3d.radio.radios import Radio
from rf3d.units import from_db
from rf3d.venue.zones import Zone
from rf3d.volume_answers import volumes_as_json
from tests.test_plan import change

RADIO = Radio("r", 2402e6, 2480e6, 1e6, 1e6, -90.0, carrier_to_interference_db=14.0, packets_s=40.0, repeats=2)
AIR = """
[[occupied]]
name = "access point"
position_m = [1.0, 1.0, 2.0]
power_dbm = -20
low_hz = 2402e6
high_hz = 2422e6
duty = 0.3

[[occupied]]
name = "phones"
low_m = [5.0, 1.0, 0.5]
high_m = [7.0, 2.0, 1.5]
count = 40
power_dbm = -30
low_hz = 2427e6
high_hz = 2447e6
duty = 0.02

[[occupied]]
name = "lamps"
low_m = [0.0, 5.0, 3.0]
high_m = [8.0, 6.0, 4.0]
noise_rise_db = 6
within_m = 0.5

[[occupied]]
name = "band"
level_dbm = -110
low_hz = 2470e6
high_hz = 2480e6
duty = 0.5

[study]"""


def air_by_hand(power_w, *, count=(1, 40), duty=(0.3, 0.02), rise=1.0) -> VoxelAir:
    """Two emitters of one power in every voxel, on channels of their own."""
    voxels = np.shape(power_w)[1]
    low, high = np.array([2402e6, 2427e6]), np.array([2422e6, 2447e6])
    return VoxelAir(
        np.array(power_w, dtype=float), np.arange(voxels), np.array(count),
        np.repeat(np.array(duty)[:, None], 79, axis=1), RADIO.overlap(low, high), np.full(voxels, rise),
    )  # fmt: skip


def test_moments_are_on_with_their_duty():
    """Enumerated for the single sender exactly, drawn for the crowd: count · duty · share counts on the mean."""
    air = air_by_hand(np.ones((2, 1)))
    counted, weight = air.moments(seed=1)
    assert weight.sum() == pytest.approx(1.0)
    mean = weight @ counted
    assert mean[0] == pytest.approx(0.3 * air.share[0].mean(), rel=1e-12)
    # 0.8 of 40 phones; 16 moments drawn for each kind of channel.
    assert mean[1] == pytest.approx(40 * 0.02 * air.share[1].mean(), rel=4 * np.sqrt(0.98 / 0.8 / 16))


@pytest.mark.parametrize("rate", [None, 40.0])
def test_verdicts_over_others_are_those_of_a_simulation(rate):
    """Moments, channels, fading and packets drawn one by one, with the definition's own words."""
    radio = RADIO if rate else replace(RADIO, packets_s=None, repeats=None)
    rng = np.random.default_rng(5)
    margin = np.repeat(np.array([12.0, 18.0, 22.0, 28.0, 34.0, 45.0]), 3)
    k_db = np.tile([-30.0, 3.0, 10.0], 6)
    power_w = from_db(-90.0 + margin - 30.0)
    others = np.stack([np.full(18, from_db(-85.0 - 30.0)), np.full(18, from_db(-99.0 - 30.0))])
    air = air_by_hand(others, rise=1.5)
    (word,) = verdicts_over(power_w, k_db, radio=radio, air=air, gain=1.0, seed=2, shift_db=np.zeros((1, 18)))
    spots, packets = 100_000, packets_in_time(radio)
    chance = np.empty(18)
    for v in range(18):
        k = from_db(k_db[v])
        field = np.sqrt(k / (1 + k)) + np.sqrt(0.5 / (1 + k)) * (rng.normal(size=spots) + 1j * rng.normal(size=spots))
        heard = power_w[v] * np.abs(field) ** 2
        channel = rng.integers(air.share.shape[1], size=(packets, spots))
        on = np.stack([rng.binomial(n, d, size=channel.shape) for n, d in zip(air.count, air.duty[:, 0], strict=True)])
        disturbance = (on * air.share[:, channel] * others[:, v, None, None]).sum(axis=0)
        needed = radio.needed_w(disturbance, hand_db=ALLOWANCE_DB, noise_rise=1.5)
        chance[v] = (heard >= needed).any(axis=0).mean()
    least = np.array([limit for _, limit in VERDICT_CHANCES])
    sure = np.array(
        [(np.abs(c - least) > 5 * np.sqrt(least * (1 - least) / spots) + 0.1 * (1 - least)).all() for c in chance]
    )
    assert sure.sum() >= 12
    expected = (chance[:, None] >= least).sum(axis=1)
    np.testing.assert_array_equal(word[sure], expected[sure])
    assert len(set(expected[sure])) >= 3


def test_without_anybody_on_the_air_the_words_are_those_of_clean_air_but_may_be_solid():
    margin = ALLOWANCE_DB + np.array([float(fade_depth_db(np.array(3.0), c)) for c in (0.9, 0.99, 0.999)])
    quiet = air_by_hand(np.zeros((2, 6)))
    at = np.concatenate([margin + 0.2, margin - 0.2])
    k = np.full(6, 3.0)
    (word,) = verdicts_over(
        from_db(-90.0 + at - 30.0), k, radio=RADIO, air=quiet, gain=1.0, seed=1, shift_db=np.zeros((1, 6))
    )
    assert [VERDICTS[w] for w in word] == ["fragile", "workable", "solid", "lost", "fragile", "workable"]
    assert [VERDICTS[w] for w in verdicts(at, k)] == ["fragile", "workable", "workable", "lost", "fragile", "workable"]


@pytest.fixture
def busy(room_plan):
    """The room with the air listed."""
    change(room_plan, "[study]", AIR)
    change(room_plan, "sensitivity_dbm = -90", "sensitivity_dbm = -90\ncarrier_to_interference_db = 14")
    return load_plan(room_plan)


def test_disturbers_bring_what_free_space_says_near_them(busy):
    """An access point at 1.5 to 3 m: EIRP less free space, and the room's echoes on top; levels and noise as listed."""
    setting = ready(busy, load_scene(busy))
    grid = make_grid(setting.scene, 0.5)
    radio = busy.transmitters[0].radio
    air = voxel_air(busy, setting, grid, [radio], seed=1, jobs=Jobs(workers=1))["hopper"]
    names = ["access point", *["phones"] * 4, "band", busy.transmitters[0].name]
    assert air.power_w.shape[0] == len(names)
    centre = grid.centres_m(np.arange(grid.count)) + grid.origin_m
    coarse = setting.scene.to_world(setting.scene.bounds_m)[0] + np.floor(centre - centre.min(axis=0) + 0.25) + 0.5
    away = np.linalg.norm(coarse - [1.0, 1.0, 2.0], axis=1)
    near = np.flatnonzero((away > 1.4) & (away < 3.0))
    free = -20.0 - 30.0 - 20 * np.log10(4 * np.pi * away[near] * 2412e6 / 299792458.0)
    over = 10 * np.log10(air.power_w[0, air.coarse_of[near]]) - free
    assert over.min() > -1.0
    assert over.mean() < 6.0
    assert air.count.tolist() == [1, 10, 10, 10, 10, 1, 1]
    assert (air.share[-1] == 0.0).all()  # its own transmitter disturbs nobody of its radio
    np.testing.assert_allclose(air.power_w[5], from_db(-110.0 - 30.0))
    lit = (centre[:, 1] > 4.5) & (centre[:, 2] > 2.5)
    np.testing.assert_allclose(air.noise_rise[lit], from_db(6.0))
    assert (air.noise_rise[(centre[:, 1] < 4.4)] == 1.0).all()


def test_a_plan_with_its_air_listed_is_judged_over_it(busy):
    """Near the access point fewer voxels hold than on clean air; far from everything they may be solid."""
    setting = ready(busy, load_scene(busy))
    quiet = replace(busy, occupied=())
    told = {}
    for name, plan in (("busy", busy), ("clean", quiet)):
        found = trace_all(plan, setting, Request(judge=True, detail=True), jobs=Jobs(workers=1))
        (told[name],) = found.coverages
        data = volumes_as_json(plan, setting, found)["coverage"][0]
        json.dumps(data, allow_nan=False)
        assert data["air"] == ("the air listed" if name == "busy" else "clean air only")
        worst = data["zones"][0]["worst_1_percent_busy_db"]
        assert (worst is None) == (name == "clean")
    over, clean = told["busy"], told["clean"]
    np.testing.assert_array_equal(over.margin_db, clean.margin_db)
    assert clean.busy_margin_db is None
    heard = np.isfinite(over.margin_db)
    assert (over.busy_margin_db[heard] <= over.margin_db[heard] + 1e-4).all()
    assert clean.verdict.max() == VERDICTS.index("workable")
    assert over.verdict.max() == VERDICTS.index("solid")


def test_zones_judged_alone_get_the_verdicts_that_they_get_among_all_voxels(busy):
    setting = ready(busy, load_scene(busy))
    zone = Zone("by the cupboard", np.array([2.0, 4.0, 0.5]), np.array([5.0, 5.5, 2.5]))
    for occupied in (busy.occupied, ()):
        plan = replace(busy, occupied=occupied, zones=(zone,))
        (every,), (alone,) = (
            trace_all(plan, setting, Request(judge=True, every_voxel=every), jobs=Jobs(workers=1)).coverages
            for every in (True, False)
        )
        assert alone.zones == every.zones
        within = np.zeros(every.grid.count, dtype=bool)
        within[zone_voxels(every.grid, zone)] = True
        within = within.reshape(every.grid.shape)
        np.testing.assert_array_equal(alone.verdict, np.where(within, every.verdict, -1))
        np.testing.assert_array_equal(alone.margin_db, every.margin_db)
        assert (every.verdict[within] == -1).any()  # the cupboard
        assert (every.verdict[within] >= 0).any()
        assert (every.verdict[~within] >= 0).any()
        if occupied:
            np.testing.assert_array_equal(alone.busy_margin_db, np.where(within, every.busy_margin_db, np.nan))


def test_workers_change_nothing(busy):
    setting = ready(busy, load_scene(busy))
    grid = make_grid(setting.scene, 1.0)
    radio = busy.transmitters[0].radio
    one, two = (voxel_air(busy, setting, grid, [radio], seed=1, jobs=Jobs(workers=n))["hopper"].power_w for n in (1, 2))
    assert one.tobytes() == two.tobytes()
