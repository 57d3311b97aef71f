"""How much of the power rays missed: the estimate against whole trees of images."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rf3d.assessment.links import links_as_json, missing_share
from rf3d.assessment.multipath import missing_finding
from rf3d.assessment.run import solve
from rf3d.jobs import Jobs
from rf3d.plan import load_plan, load_scene
from rf3d.propagation.diffraction import facet_widths
from rf3d.propagation.fields import fields
from rf3d.propagation.kernels.interfaces import opaque_parts
from rf3d.propagation.paths import NARROW_M, Setting, find_paths, find_sequences, prepare
from rf3d.radio.antennas import make_antenna
from rf3d.radio.radios import Radio, Receiver, Transmitter
from rf3d.venue.facets import find_facets
from tests.conftest import make_box_scene
from tests.scenes import quad, scene_of, surface

FREQUENCY_HZ = 2.45e9
RADIO = Radio("probe", FREQUENCY_HZ, FREQUENCY_HZ, 1e6, 1e6, -90.0)
ORDER = 2
RECEIVERS = 40
SEEDS = 24


def hall_of_mirrors() -> tuple[Setting, np.ndarray, np.ndarray]:
    """250 metal plates of 0.1 to 1.2 m that touch an ellipsoid, a transmitter at one focus, receivers near the other.

    A plate that touches an ellipsoid sends a ray from one focus to the other, so that every link has many echoes,
    off plates that a ray in a few hundred meets or only one in ten thousand.
    """
    generator = np.random.default_rng(12)
    semi_axes = np.array([8.0, 6.0, 6.0])
    focus = np.array([np.sqrt(8.0**2 - 6.0**2), 0.0, 0.0])
    pieces = []
    for i in range(250):
        way = generator.normal(size=3)
        middle = semi_axes * way / np.linalg.norm(way)
        normal = middle / semi_axes**2
        a = np.cross(normal, generator.normal(size=3))
        b = np.cross(normal, a)
        a, b = (v / np.linalg.norm(v) * np.exp(generator.uniform(np.log(0.05), np.log(0.6))) for v in (a, b))
        pieces.append(quad(f"plate_{i}", middle - a - b, middle + a - b, middle + a + b, middle - a + b))
    scene = scene_of(pieces)
    surfaces = tuple(surface(name, "metal", thickness_m=0.002) for name, _, _ in pieces)
    setting = prepare(scene, find_facets(scene), surfaces, opaque=opaque_parts(surfaces, np.array([FREQUENCY_HZ])))
    return setting, focus[None], generator.uniform(-0.3, 0.3, (RECEIVERS, 3)) - focus


def traced(scene, rays: int, seed: int):
    """Paths up to order 2 and their powers without the direct one, which no ray has to find."""
    setting, tx, rx = scene
    antenna = make_antenna("a", pattern="isotropic")
    paths, _ = find_paths(
        setting, setting.scene.to_local(tx), setting.scene.to_local(rx), linked=np.ones((1, len(rx)), dtype=bool),
        max_reflections=ORDER, rays=rays, seed=seed, jobs=Jobs(workers=1),
    )  # fmt: skip
    answer = fields(
        paths, setting.facets, surfaces=setting.surfaces, frequencies_hz=np.array([FREQUENCY_HZ]),
        transmitters=(Transmitter("t", tx[0], antenna, np.eye(3), 0.0, 0.0, RADIO),),
        receivers=tuple(Receiver(str(i), r, antenna, np.eye(3), 0.0, RADIO) for i, r in enumerate(rx)),
    )  # fmt: skip
    mirrored = np.flatnonzero(paths.reflections > 0)
    return paths.take(mirrored), np.abs(answer.amplitude[mirrored, 0]) ** 2


def test_every_ray_in_a_closed_room_is_counted_once_an_order(monkeypatch):
    """Counts of batches add up: opaque walls all round give every ray a sequence of each number of reflections."""
    monkeypatch.setattr("rf3d.propagation.paths.TREE_LIMIT", 0)
    scene = make_box_scene()
    surfaces = tuple(surface(name, "metal", thickness_m=0.01) for name in scene.objects)
    setting = prepare(scene, find_facets(scene), surfaces, opaque=np.ones(6, dtype=bool))
    rays = 6400
    rows, found_by = find_sequences(
        setting, np.full(3, 0.4), max_reflections=3, rays=rays, seed=4, jobs=Jobs(workers=2)
    )
    assert len(np.unique(rows, axis=0)) == len(rows)
    assert found_by[0] == 0  # the direct path owes nothing to chance
    order = (rows >= 0).sum(axis=1)
    assert [int(found_by[order == n].sum()) for n in (1, 2, 3)] == [rays] * 3
    assert (found_by[1:] > 0).all()


@pytest.fixture(scope="module")
def hall():
    return hall_of_mirrors()


@pytest.fixture(scope="module")
def whole(hall):
    """Every path of the hall and its power, from the whole tree of images."""
    paths, power = traced(hall, 0, 1)
    assert paths.exhaustive_order == ORDER
    assert (paths.found_by == 0).all()
    assert (np.bincount(paths.receiver, minlength=RECEIVERS) > 50).all()
    return paths, power


def shares(hall, whole, rays: int) -> tuple[np.ndarray, np.ndarray]:
    """Estimated and true missing shares, (SEEDS, RECEIVERS) each."""
    total = np.bincount(whole[0].receiver, whole[1], RECEIVERS)
    estimate, truth = np.empty((2, SEEDS, RECEIVERS))
    for seed in range(SEEDS):
        paths, power = traced(hall, rays, seed)
        truth[seed] = 1.0 - np.bincount(paths.receiver, power, RECEIVERS) / total
        for r in range(RECEIVERS):
            mine = paths.receiver == r
            estimate[seed, r] = missing_share(power[mine], paths.found_by[mine])
    return estimate, truth


def test_the_estimate_follows_the_true_missing_share(hall, whole, monkeypatch):
    """From a third of the power missing down to 2 %: the mean within −25 and +60 %, links apart within a factor 2.

    Where little is missing the estimate errs on the careful side. Both fall as rays grow.
    """
    monkeypatch.setattr("rf3d.propagation.paths.TREE_LIMIT", 0)
    means = []
    for rays in (1280, 5120, 20480):
        estimate, truth = shares(hall, whole, rays)
        means.append((estimate.mean(), truth.mean()))
        assert 0.75 < means[-1][0] / means[-1][1] < 1.6
        by_link = estimate.mean(axis=0) / truth.mean(axis=0)
        assert np.mean((by_link > 0.5) & (by_link < 2.0)) >= 0.95
        assert np.corrcoef(estimate.mean(axis=0), truth.mean(axis=0))[0, 1] > 0.7
    estimated, true = np.array(means).T
    assert (true[:-1] > 2 * true[1:]).all()
    assert (estimated[:-1] > 1.5 * estimated[1:]).all()
    assert 0.25 < true[0] < 0.4
    assert 0.015 < true[-1] < 0.03


def test_chances_of_being_missed_are_those_of_independent_rays(hall, whole, monkeypatch):
    """Missing power ΣP·e^−λ and power met once ΣP·λe^−λ, with λ of every sequence from 64 times as many rays.

    Limits: four standard errors of the mean over seeds, and 2 % for the error of λ.
    """
    monkeypatch.setattr("rf3d.propagation.paths.TREE_LIMIT", 0)
    rays, more = 5120, 64
    paths, power = traced(hall, more * rays, 100)
    assert power.sum() > 0.999 * whole[1].sum()
    chance = paths.found_by / more
    expected = np.array([whole[1].sum() - power @ -np.expm1(-chance), power @ (chance * np.exp(-chance))])
    found = np.empty((SEEDS, 2))
    for seed in range(SEEDS):
        few, few_power = traced(hall, rays, seed)
        found[seed] = whole[1].sum() - few_power.sum(), few_power[few.found_by == 1].sum()
    error = found.std(axis=0, ddof=1) / np.sqrt(SEEDS)
    assert (np.abs(found.mean(axis=0) - expected) < 4 * error + 0.02 * expected).all()


def test_completeness_is_reported_link_by_link(room_plan, monkeypatch):
    """1 where every image was tried; else less, in the JSON, with a caution below the limit."""
    plan = load_plan(room_plan)
    scene = load_scene(plan)
    sure = solve(plan, scene, jobs=Jobs(workers=1))
    assert [link.completeness for link in sure.links] == [1.0]
    assert links_as_json(sure.setting, sure.links)[0]["completeness"] == 1.0
    assert "paths-missing" not in {finding.code for finding in sure.findings}

    monkeypatch.setattr("rf3d.propagation.paths.TREE_LIMIT", 0)
    monkeypatch.setattr("rf3d.assessment.multipath.LEAST_COMPLETENESS", 0.995)
    few = solve(replace(plan, study=plan.study.model_copy(update={"rays": 64})), scene, jobs=Jobs(workers=1))
    link = few.links[0]
    power = 10 ** (link.path_power_dbm / 10)
    assert 0.0 < link.completeness < 0.995
    assert link.completeness == pytest.approx(1 - power[link.paths.found_by == 1].sum() / power.sum())
    assert links_as_json(few.setting, few.links)[0]["completeness"] == link.completeness
    finding = next(finding for finding in few.findings if finding.code == "paths-missing")
    assert (finding.severity, finding.where, finding.unit) == ("caution", "lamp", "%")
    assert finding.value == pytest.approx(100 * link.completeness)
    assert f"{int(100 * link.completeness)} %" in finding.message
    assert missing_finding(sure.links[0], 64) is None


def test_only_sequences_with_two_narrow_planes_are_left_to_the_rays(hall, whole, monkeypatch):
    """A tree cut for size holds every path with at most one narrow plate; what rays add is in the whole tree too."""
    monkeypatch.setattr("rf3d.propagation.paths.TREE_LIMIT", 10_000)
    setting = hall[0]
    narrow = np.zeros(setting.facets.plane_count, dtype=bool)
    narrow[setting.facets.plane[facet_widths(setting.facets) < NARROW_M]] = True
    assert 10 < narrow.sum() < len(narrow) - 10
    paths, _ = traced(hall, 6400, 1)
    assert paths.exhaustive_order == 1

    def chains(found) -> list[tuple[int, tuple[int, ...]]]:
        mirrored = [
            tuple(int(p) for p in setting.facets.plane[found.facet[found.start[i] : found.start[i + 1]]])
            for i in range(found.count)
        ]
        return list(zip(found.receiver.tolist(), mirrored, strict=True))

    everything, got = set(chains(whole[0])), chains(paths)
    assert set(got) <= everything
    slim = [narrow[list(planes)].sum() > 1 for _, planes in got]
    np.testing.assert_array_equal(np.array(slim), paths.found_by > 0)
    assert {c for c in everything if narrow[list(c[1])].sum() < 2} <= set(got)
