"""Fading: the Rice law against print and drawn waves, samples of paths against closed forms, a second antenna."""

from __future__ import annotations

import csv
import doctest
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import chndtr

from rf3d.assessment import fading
from rf3d.assessment.fading import (
    Neighbourhood,
    draw_neighbourhood,
    fade_depth_db,
    faded_channels,
    holding_share,
    percentile_depths_db,
    power_samples,
    rice_depths_db,
    second_antenna_gain_db,
)
from rf3d.assessment.links import VERDICT_CHANCES
from rf3d.jobs import batch_generator
from rf3d.propagation.kernels.crossings import REFLECTION
from rf3d.propagation.paths import Setting, prepare
from rf3d.propagation.pathset import PathSet
from rf3d.units import from_db, to_db, wavelength_m
from rf3d.venue.facets import find_facets
from rf3d.venue.outlines import group
from tests.scenes import quad, room, scene_of, surface

# --- the law -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("k_db", [-30.0, 0.0, 4.35, 9.0, 15.0])
def test_fade_depth_is_what_waves_of_random_phase_do(k_db):
    """Against 4 million draws of one steady wave and a complex Gaussian, at every chance that parts two verdicts."""
    k = 10 ** (k_db / 10)
    draws = np.random.default_rng(3).normal(size=(4_000_000, 2)).view(np.complex128)[:, 0] / np.sqrt(2)
    power = np.abs(np.sqrt(k / (1 + k)) + np.sqrt(1 / (1 + k)) * draws) ** 2
    for _, chance in VERDICT_CHANCES:
        hit = np.mean(power >= 10 ** (-fade_depth_db(np.array(k_db), chance) / 10))
        assert hit == pytest.approx(chance, abs=5 * np.sqrt(chance * (1 - chance) / len(power)))


def test_fade_depth_ends_in_rayleigh_and_in_no_fading():
    """Without a steady wave −ln(chance) of the mean, exponential law: 30.0, 20.0 and 9.8 dB."""
    for chance in (0.999, 0.99, 0.9):
        rayleigh = -10 * np.log10(-np.log(chance))
        assert fade_depth_db(np.array(-99.0), chance) == pytest.approx(rayleigh, abs=0.01)
    assert 0.0 < fade_depth_db(np.array(99.0), 0.999) < 0.4
    steps = fade_depth_db(np.linspace(-30, 40, 1000), 0.99)
    assert (np.diff(steps) <= 0.0).all()


def test_the_share_that_holds_is_the_inverse_of_the_depth():
    """Against the law itself at random places, and back from the depths of the verdicts."""
    rng = np.random.default_rng(2)
    depth, k_db = rng.uniform(-12, 50, 20_000), rng.uniform(-25, 30, 20_000)
    k = 10 ** (k_db / 10)
    misses = chndtr(2 * (1 + k) * 10 ** (-depth / 10), 2, 2 * k)
    found = holding_share(depth, k_db)
    assert np.abs(found - (1 - misses)).max() < 0.004
    rare = (misses < 0.01) & (misses > 1e-9)
    assert np.abs((1 - found[rare]) / misses[rare] - 1).max() < 0.1
    for chance in (0.9, 0.99, 0.999):
        at = np.array([-30.0, 0.0, 6.0, 15.0])
        assert (1 - holding_share(fade_depth_db(at, chance), at)) == pytest.approx(1 - chance, rel=0.05)


def test_fade_depths_are_those_of_the_table(shared):
    """Percentiles of the non-central χ² relative to the mean, worked out independently; Rayleigh and K 0 to 20 dB."""
    with (shared / "checks" / "fading_percentiles.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 9
    for row in rows:
        k_db = np.array(-99.0 if row["K_dB"] == "Rayleigh" else float(row["K_dB"]))
        for percent in ("50", "10", "5", "1", "0.1", "0.01"):
            depth = fade_depth_db(k_db, 1.0 - float(percent) / 100.0)
            assert depth == pytest.approx(-float(row[f"p{percent}_rel_mean"]), abs=0.01), (row["K_dB"], percent)


def test_depths_by_the_law_for_a_link():
    """Rayleigh 20.0 and 30.0 dB, 6 dB factor 11.5 and 20.0 dB (the same percentiles); one wave does not fade."""
    assert rice_depths_db(-99.0) == pytest.approx((19.978, 29.998), abs=0.01)
    assert rice_depths_db(6.0) == pytest.approx((11.546, 19.997), abs=0.01)
    assert rice_depths_db(None) == (0.0, 0.0)


# --- samples of paths ----------------------------------------------------------------------------------------------


def neighbourhood(setting: Setting, paths: PathSet, *, key: int = 0, frequency_hz: float = 2.45e9) -> Neighbourhood:
    """Spots round the origin; the drawing is 2 cm off."""
    return draw_neighbourhood(
        setting, paths, receiver_m=np.zeros(3), centre_hz=frequency_hz, incidence_cos=np.zeros(0),
        position_tolerance_m=0.02, generator=batch_generator(key, 2),
    )  # fmt: skip


def plane_waves(arrival: np.ndarray) -> PathSet:
    """P straight paths from directions (P, 3)."""
    count = len(arrival)
    none, floats, vectors = np.zeros(0, np.int32), np.zeros(0), np.zeros((0, 3))
    zeros = np.zeros(count, np.int32)
    return PathSet(
        transmitter=zeros, receiver=zeros, length_m=np.ones(count), departure=-arrival, arrival=arrival,
        start=np.zeros(count + 1, np.int32), kind=none, facet=none, part=none, edge=none, depth_m=floats,
        distance_m=floats, point_m=vectors, leaving=vectors, spreading_m=np.ones(count), found_by=zeros,
        exhaustive_order=0,
    )  # fmt: skip


def fade_points_db(specular: float, seed: int) -> np.ndarray:
    """1, 10 and 50 % points relative to the mean of many waves, a share ``specular`` of the power in one of them.

    One frequency and 40 neighbourhoods with phases of their own stand for one long walk.
    """
    generator = np.random.default_rng(seed)
    setting = prepare(*open_air(), opaque=np.array([True]))
    samples = []
    for number in range(40):
        way = generator.normal(size=(401, 3))
        way /= np.linalg.norm(way, axis=1)[:, None]
        power = np.append(specular, np.full(400, (1.0 - specular) / 400))
        amplitude = np.sqrt(power) * np.exp(2j * np.pi * generator.random(401))
        samples.append(power_samples(neighbourhood(setting, plane_waves(way), key=number), amplitude[:, None]))
    return to_db(np.percentile(np.concatenate(samples), [1.0, 10.0, 50.0]))


def open_air():
    """Scene, facets and surfaces of two plates out of reach."""
    pieces = [
        quad("plate", (50, 50, 0), (51, 50, 0), (51, 51, 0), (50, 51, 0)),
        quad("plate", (-50, -50, 0), (-51, -50, 0), (-51, -51, 0), (-50, -51, 0)),
    ]
    scene = scene_of([(pieces[0][0], np.vstack([p[1] for p in pieces]), np.vstack([pieces[0][2], pieces[1][2] + 4]))])
    return scene, find_facets(scene), (surface("plate", "metal", thickness_m=0.01),)


@pytest.mark.parametrize(
    ("k_db", "expected_db"),
    [
        # Exact non-central χ² percentiles relative to the mean, computed independently.
        (None, (-19.9782, -9.7732, -1.5917)),
        (6.0, (-11.5464, -5.0205, -0.4491)),
        (10.0, (-6.1836, -2.9978, -0.2003)),
    ],
)
def test_fading_of_many_waves_is_rayleigh_or_rice(k_db, expected_db):
    """Tolerances of 1.2, 0.4 and 0.15 dB.

    A ball two wavelengths across holds about 33 independent spots, so that 40 balls have some 1300 and 13 of them lie
    below the 1 % point: a share of 1/√13 of that probability is 1.2 dB where power is proportional to it (Rayleigh).
    """
    specular = 0.0 if k_db is None else float(from_db(k_db) / (1 + from_db(k_db)))
    got = fade_points_db(specular, seed=5)
    assert np.all(np.abs(got - expected_db) < (1.2, 0.4, 0.15)), got


def test_two_paths_whose_phase_takes_every_value():
    """Amplitudes a and b at phase φ: power a² + b² + 2ab cos φ, so that a share s lies below φ = π(1 − s).

    The channels take φ through a whole turn in even steps, which no shift of the receiver changes.
    """
    a, b, steps = 1.0, 0.7, 4000
    setting = prepare(*open_air(), opaque=np.array([True]))
    near = neighbourhood(setting, plane_waves(np.array([[1.0, 0.0, 0.0], [-0.6, 0.8, 0.0]])))
    turn = np.exp(2j * np.pi * np.arange(steps) / steps)
    samples = power_samples(near, np.stack([np.full(steps, a, complex), b * turn]))
    mean = a * a + b * b
    assert samples.mean() == pytest.approx(mean, rel=1e-12)
    for depth, share in zip(percentile_depths_db(samples, mean), (0.01, 0.001), strict=True):
        assert depth == pytest.approx(to_db(mean / (mean - 2 * a * b * np.cos(np.pi * share))), abs=1e-3)
    assert percentile_depths_db(np.zeros((3, 2)), 1.0) == (np.inf, np.inf)
    assert np.isnan(percentile_depths_db(np.zeros((3, 2)), 0.0)).all()


@pytest.mark.parametrize("backwards", [False, True])
def test_spots_and_displaced_walls_turn_phases_path_by_path(backwards):
    """The sum over paths written out: k·Δr for the spot, 2δ cosθ for each bounce, one δ for both bounces on a plane.

    However planes are numbered: two of the playhouse that are nearly one changed places when corners moved by half a
    micrometre, and with them their draws, which made 0.02 dB.
    """
    scene = scene_of(room((40.0, 30.0, 20.0)))
    facets = find_facets(scene)
    surfaces = tuple(surface(name, "metal", thickness_m=0.01) for name in scene.objects)
    setting = prepare(scene, facets, surfaces, opaque=np.ones(len(surfaces), dtype=bool))
    plane = np.unique(facets.plane)
    first, other = sorted(int(np.flatnonzero(facets.plane == number)[0]) for number in plane[:2])
    if backwards:
        number = (len(plane) - 1 - facets.plane).astype(np.int32)
        start, members = group(number, len(plane))
        setting = setting._replace(facets=replace(facets, plane=number, plane_start=start, plane_facets=members))
    straight = plane_waves(np.array([[1.0, 0.0, 0.0], [0.0, 0.6, 0.8], [0.0, 1.0, 0.0]]))
    fields = straight.__dict__ | {
        "start": np.array([0, 0, 2, 3], np.int32),
        "kind": np.full(3, REFLECTION, np.int32),
        "facet": np.array([first, other, first], np.int32),
        **{name: np.zeros(3, np.int32) for name in ("part", "edge")},
        **{name: np.zeros(3) for name in ("depth_m", "distance_m")},
        **{name: np.zeros((3, 3)) for name in ("point_m", "leaving")},
    }
    paths, cosine = PathSet(**fields), np.array([0.5, 0.9, 0.3])
    frequency_hz, tolerance_m = 915e6, 0.05
    near = draw_neighbourhood(
        setting, paths, receiver_m=np.zeros(3), centre_hz=frequency_hz, incidence_cos=cosine,
        position_tolerance_m=tolerance_m, generator=batch_generator(3, 2),
    )  # fmt: skip
    assert near.turn.shape == (fading.NEIGHBOURHOOD_SAMPLES + 1, 3)
    np.testing.assert_allclose(np.abs(near.turn), 1.0, rtol=1e-12)
    # The draws, in their order: ways, reaches, displacements.
    draws = batch_generator(3, 2)
    way = draws.normal(size=(fading.NEIGHBOURHOOD_SAMPLES, 3))
    reach = wavelength_m(frequency_hz) * draws.random(fading.NEIGHBOURHOOD_SAMPLES) ** (1 / 3)
    shift = np.vstack([np.zeros(3), way / np.linalg.norm(way, axis=1, keepdims=True) * reach[:, None]])
    delta = tolerance_m * draws.normal(size=(len(shift), 2))
    k = 2 * np.pi / wavelength_m(frequency_hz)
    expected = np.stack(
        [
            np.exp(1j * k * shift[:, 0]),
            np.exp(1j * k * (shift @ [0.0, 0.6, 0.8] - 2 * (0.5 * delta[:, 0] + 0.9 * delta[:, 1]))),
            np.exp(1j * k * (shift[:, 1] - 2 * 0.3 * delta[:, 0])),
        ],
        axis=1,
    )
    np.testing.assert_allclose(near.turn, expected, atol=1e-9)
    amplitude = np.array([[1.0, 0.5], [0.3j, 0.2], [0.1, -0.4j]])
    np.testing.assert_allclose(power_samples(near, amplitude), np.abs(expected @ amplitude) ** 2, atol=1e-9)


def test_sets_of_amplitudes_share_their_spots_and_deviates():
    """Asked twice the answer is the same to the bit; a path taken away is the answer without it."""
    setting = prepare(*open_air(), opaque=np.array([True]))
    near = neighbourhood(setting, plane_waves(np.array([[1.0, 0.0, 0.0], [-0.6, 0.8, 0.0]])))
    amplitude = np.array([[1.0 + 0j, 1j], [0.5, 0.4]])
    both = power_samples(near, amplitude, diffuse_power=0.1)
    np.testing.assert_array_equal(both, power_samples(near, amplitude, diffuse_power=0.1))
    alone = amplitude * [[1.0], [0.0]]
    np.testing.assert_allclose(power_samples(near, alone), np.ones((len(near.turn), 2)), rtol=1e-12)
    # With what is scattered √power and deviates alone grow: field = path + √power · deviate, the deviates the same.
    draws = batch_generator(0, 2)
    draws.normal(size=(fading.NEIGHBOURHOOD_SAMPLES, 3))
    draws.random(fading.NEIGHBOURHOOD_SAMPLES)
    real, imaginary = draws.normal(size=(2, len(near.turn), 2))
    for power in (0.1, 0.4):
        field = near.turn @ alone + np.sqrt(power / 2) * (real + 1j * imaginary)
        np.testing.assert_allclose(power_samples(near, alone, diffuse_power=power), np.abs(field) ** 2, rtol=1e-9)


def test_faded_channels_are_counted_spot_by_spot():
    """Ten spots of ten channels; spot n has n faded ones, so that a tenth have none and nine tenths no more than 8."""
    samples = np.where(np.arange(10) < np.arange(10)[:, None], 0.5, 2.0)
    assert faded_channels(samples, 1.0) == (0, 8)
    assert faded_channels(samples, 0.5) == (0, 0)
    assert faded_channels(samples, 3.0) == (10, 10)


# --- a second antenna ----------------------------------------------------------------------------------------------


def many_waves(setting: Setting, key: int, *, frequency_hz: float, channels: int) -> tuple[Neighbourhood, np.ndarray]:
    """A neighbourhood of 400 equal waves from all around, phases their own on each channel."""
    generator = np.random.default_rng(key)
    way = generator.normal(size=(400, 3))
    way /= np.linalg.norm(way, axis=1)[:, None]
    amplitude = np.exp(2j * np.pi * generator.random((400, channels))) / 20.0
    return neighbourhood(setting, plane_waves(way), key=key, frequency_hz=frequency_hz), amplitude


def test_the_stronger_of_two_apart_is_the_square_of_a_chance():
    """At 2.45 GHz 10 to 20 cm are a wavelength and more: both fade alone, (1 − e^−x)² = 0.01 at −9.77 dB.

    One antenna has its 1 % point at −19.98 dB, so that the second wins 10.2 dB. A correlation of the fields of up to
    0.2 takes off 0.1 dB; 60 channels of some 33 independent spots leave about 20 below the point, 1 dB (a share of
    1/√20 of it).
    """
    setting = prepare(*open_air(), opaque=np.array([True]))
    expected = to_db(-np.log(1.0 - np.sqrt(0.01)) / -np.log(0.99))
    near, amplitude = many_waves(setting, 1, frequency_hz=2.45e9, channels=60)
    waves = second_antenna_gain_db(near, amplitude, generator=batch_generator(1, 3))
    assert waves == pytest.approx(expected - 0.1, abs=1.0)
    none = neighbourhood(setting, plane_waves(np.zeros((0, 3))))
    nothing = np.zeros((0, 60), dtype=complex)
    scattered = second_antenna_gain_db(none, nothing, generator=batch_generator(1, 3), diffuse_power=3.0)
    # 30 000 deviates, 300 of them below: 0.25 dB, and half of that for the better of two.
    assert scattered == pytest.approx(expected - 0.1, abs=0.6)
    assert second_antenna_gain_db(none, nothing, generator=batch_generator(1, 3)) == 0.0


def test_what_is_scattered_is_correlated_like_many_waves():
    """At 300 MHz 10 to 20 cm are a tenth to a fifth of a wavelength: sin(kd)/kd against waves that are summed.

    1200 channels of some 33 independent spots leave 400 below the 1 % point: 0.2 dB for each antenna and, drawn with
    other numbers, as much for what is scattered; 0.6 dB allow for three standard errors.
    """
    setting = prepare(*open_air(), opaque=np.array([True]))
    near, amplitude = many_waves(setting, 1, frequency_hz=300e6, channels=1200)
    waves = second_antenna_gain_db(near, amplitude, generator=batch_generator(1, 3))
    none = neighbourhood(setting, plane_waves(np.zeros((0, 3))), frequency_hz=300e6)
    nothing = np.zeros((0, 1200), dtype=complex)
    scattered = second_antenna_gain_db(none, nothing, generator=batch_generator(1, 3), diffuse_power=1.0)
    assert waves == pytest.approx(scattered, abs=0.6)
    assert 6.0 < scattered < 9.0
    # At 3 MHz the two are in one place.
    same = neighbourhood(setting, plane_waves(np.zeros((0, 3))), frequency_hz=3e6)
    assert 0.0 <= second_antenna_gain_db(same, nothing, generator=batch_generator(1, 3), diffuse_power=1.0) < 0.3


def test_a_lone_wave_gains_nothing_from_a_second_antenna():
    setting = prepare(*open_air(), opaque=np.array([True]))
    near = neighbourhood(setting, plane_waves(np.array([[0.6, 0.0, 0.8]])))
    gain = second_antenna_gain_db(near, np.ones((1, 5), dtype=complex), generator=batch_generator(1, 3))
    assert gain == pytest.approx(0.0, abs=1e-9)


def test_the_examples_run():
    done = doctest.testmod(fading)
    assert done.attempted > 0
    assert done.failed == 0
