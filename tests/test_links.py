"""What links say: powers, fading, delay spread, the surfaces to blame, and cures that keep their promise."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pytest

from rf3d.assessment.air import BusyAir
from rf3d.assessment.blame import culprits
from rf3d.assessment.links import evaluate, links_as_json, rice_k_db, rms_delay_spread_s
from rf3d.assessment.places import directions, height, spoken, towards, whereabouts
from rf3d.assessment.run import solve
from rf3d.assessment.spots import judged_by
from rf3d.jobs import Jobs
from rf3d.plan import load_plan, load_scene
from rf3d.propagation.diffuse import NO_DIFFUSE
from rf3d.propagation.kernels.crossings import DIFFRACTION
from rf3d.propagation.kernels.interfaces import opaque_parts
from rf3d.propagation.paths import Setting, find_paths, prepare
from rf3d.radio.antennas import aim_axes, make_antenna
from rf3d.radio.radios import Radio, Receiver, Transmitter
from rf3d.units import SPEED_OF_LIGHT_M_S, from_db
from rf3d.venue.facets import find_facets
from tests.conftest import write_obj
from tests.scenes import Piece, block, quad, room, scene_of, surface

KEYS = {
    "transmitter", "receiver", "arrangement", "centre_hz", "mean_power_dbm", "centre_power_dbm", "channels_hz",
    "channel_power_dbm", "margin_db", "fade_margin_db", "rice_k_db", "rms_delay_spread_ns",
    "rms_delay_spread_20db_ns", "coherence_bandwidth_hz", "diffuse", "paths",
}  # fmt: skip
PATH_KEYS = {"interactions", "length_m", "delay_ns", "power_dbm", "phase_deg", "departure", "arrival"}
INTERACTION_KEYS = {"kind", "surface", "facet", "point_m", "incidence_deg"}

WIDE = Radio("wide", 2.30e9, 2.70e9, 1e6, 1e6, -90.0)
WALL_M = 6.0
"""How far a steel wall stands behind the receiver of the two-path scene."""


# --- numbers of paths --------------------------------------------------------------------------------------------


def test_rice_factor_of_two_paths():
    """K/(1 + K) = √ΣP²/ΣP by hand: equal powers give 1/√2, a path of a tenth gives √1.01/1.1."""
    for powers, ratio in (([1.0, 1.0], np.sqrt(0.5)), ([1.0, 0.1], np.sqrt(1.01) / 1.1), ([3.0, 1.0], np.sqrt(10) / 4)):
        assert rice_k_db(np.array(powers)) == pytest.approx(10 * np.log10(ratio / (1 - ratio)), abs=1e-12)
    assert rice_k_db(np.array([1.0, 1.0])) == pytest.approx(3.82776, abs=1e-5)
    # Scale does not matter, and N equal paths have K/(1 + K) = 1/√N.
    assert rice_k_db(np.full(100, 7e-9)) == pytest.approx(10 * np.log10(1 / 9), abs=1e-12)
    assert rice_k_db(np.array([1.0])) is None
    assert rice_k_db(np.array([1.0, 0.0])) is None
    assert rice_k_db(np.zeros(0)) is None


def test_delay_spread_of_the_textbook_profile():
    """0, 1, 2, 5 µs at −20, −10, −10, 0 dB: σ = 1.37424 µs, coherence bandwidth 145.5 kHz.

    Source: Rappaport, Wireless Communications, 2nd ed., Example 5.5 (from memory); prints 1.37 µs and 146 kHz.
    """
    length = SPEED_OF_LIGHT_M_S * 1e-6 * np.array([0.0, 1.0, 2.0, 5.0])
    power = 1e-9 * from_db([-20.0, -10.0, -10.0, 0.0])
    sigma = rms_delay_spread_s(length, power)
    assert sigma == pytest.approx(1.37424e-6, abs=1e-11)
    assert rms_delay_spread_s(length + 1000.0, power) == pytest.approx(sigma, rel=1e-9)
    assert rms_delay_spread_s(length[:1], power[:1]) == 0.0
    assert rms_delay_spread_s(length, np.zeros(4)) == 0.0
    link = two_paths()[1]
    assert replace(link, rms_delay_spread_s=sigma).coherence_bandwidth_hz == pytest.approx(145.5e3, abs=50)
    assert replace(link, rms_delay_spread_s=0.0).coherence_bandwidth_hz == np.inf


# --- two paths, designed -----------------------------------------------------------------------------------------


def lone_wall() -> list[Piece]:
    """A steel wall at x = WALL_M, seen from the origin, and a plate far behind the transmitter."""
    return [
        quad("steel_wall", (WALL_M, -30, -30), (WALL_M, 30, -30), (WALL_M, 30, 30), (WALL_M, -30, 30)),
        quad("far_plate", (-60, 40, 0), (-60, 41, 0), (-60, 41, 1), (-60, 40, 1)),
    ]


class Ends(NamedTuple):
    """A transmitter and a receiver in their scene."""

    setting: Setting
    transmitter: Transmitter
    receiver: Receiver


def two_paths(*, power_dbm=0.0, swapped=False, sensitivity_dbm=-90.0, tolerance_m=0.0):
    """Ends and Link of a receiver at the origin, a transmitter 20 m off, a steel wall behind it."""
    scene = scene_of(lone_wall())
    surfaces = (surface("steel_wall", "metal", thickness_m=0.01), surface("far_plate", "metal", thickness_m=0.01))
    setting = prepare(scene, find_facets(scene), surfaces, opaque=opaque_parts(surfaces, np.array([WIDE.centre_hz])))
    radio = replace(WIDE, sensitivity_dbm=sensitivity_dbm)
    dipole = make_antenna("d", pattern="dipole")
    panel = make_antenna("p", pattern="panel", gain_dbi=8.0, beamwidth_deg=(65.0, 65.0), efficiency=0.9)
    ends = [
        (np.array([-20.0, 0.0, 0.0]), panel, aim_axes(np.array([1.0, 0.2, 0.1]), 0.3)),
        (np.zeros(3), dipole, np.eye(3)),
    ]
    if swapped:
        ends.reverse()
    tx = Transmitter("tx", *ends[0], power_dbm, 0.0, radio)
    rx = Receiver("rx", *ends[1], 0.0, radio)
    paths, _ = find_paths(
        setting, scene.to_local(tx.position_m[None]), scene.to_local(rx.position_m[None]),
        linked=np.ones((1, 1), dtype=bool), max_reflections=1, rays=64, seed=1, jobs=Jobs(workers=1),
    )  # fmt: skip
    link = evaluate(
        setting, paths, transmitter=tx, receiver=rx, diffuse=NO_DIFFUSE, seed=1, position_tolerance_m=tolerance_m
    )
    return Ends(setting, tx, rx), link


def test_channel_nulls_lie_c_over_the_detour_apart():
    """Direct 20 m and echo 32 m: power over frequency repeats every c/12 m = 24.98 MHz."""
    _, link = two_paths()
    assert link.paths.count == 2
    assert np.sort(link.paths.length_m).tolist() == pytest.approx([20.0, 20.0 + 2 * WALL_M], abs=1e-9)
    power = link.channel_power_dbm
    dips = np.flatnonzero((power[1:-1] < power[:-2]) & (power[1:-1] < power[2:])) + 1
    assert len(dips) == 16
    spacing = np.polyfit(np.arange(len(dips)), link.channels_hz[dips], 1)[0]
    # Dips are read off a grid of 1 MHz: the slope of 16 of them is good to 0.1 MHz.
    assert spacing == pytest.approx(SPEED_OF_LIGHT_M_S / (2 * WALL_M), abs=0.1e6)
    a, b = np.sqrt(from_db(link.path_power_dbm))
    assert power.max() <= 20 * np.log10(a + b) + 0.8  # antennas and λ² change by 1.4 dB over the band
    assert power.min() >= 20 * np.log10(a - b) - 0.8
    assert link.mean_power_dbm == pytest.approx(10 * np.log10(a * a + b * b), abs=1e-9)


def test_delay_and_rice_factor_of_the_two_paths():
    _, link = two_paths()
    p = from_db(link.path_power_dbm)
    detour_s = 2 * WALL_M / SPEED_OF_LIGHT_M_S
    assert link.rms_delay_spread_s == pytest.approx(np.sqrt(p[0] * p[1]) / p.sum() * detour_s, rel=1e-12)
    assert link.rice_k_db == pytest.approx(rice_k_db(p), abs=1e-12)


def test_the_wall_is_named():
    """Without its echo the straight path is left alone, which does not fade: that is its harm."""
    ends, link = two_paths()
    spots = judged_by(
        ends.setting, link, transmitter=ends.transmitter, receiver=ends.receiver, seed=1, position_tolerance_m=0.0
    )
    blamed = culprits(ends.setting, link, spots)
    assert [c.surface for c in blamed] == ["steel_wall"]
    assert blamed[0].echo_share == pytest.approx(1.0)
    # Over the band the antenna and λ² change by 1.4 dB; the 1 % point is that of its highest channels.
    assert blamed[0].harm_db == pytest.approx(link.path_power_dbm[0] - link.fade_power_dbm, abs=0.8)
    assert blamed[0].harm_db > 5.0
    assert ends.setting.scene.to_world(blamed[0].point_m).tolist() == pytest.approx([WALL_M, 0.0, 0.0], abs=1e-9)


def test_swapping_the_ends_keeps_the_powers():
    _, link = two_paths()
    _, back = two_paths(swapped=True)
    assert back.mean_power_dbm == pytest.approx(link.mean_power_dbm, abs=1e-9)
    assert back.channel_power_dbm.tolist() == pytest.approx(link.channel_power_dbm.tolist(), abs=1e-8)


def test_twice_the_power_is_three_decibels_more_of_everything():
    _, once = two_paths(tolerance_m=0.02)
    _, twice = two_paths(tolerance_m=0.02, power_dbm=10 * np.log10(2))
    for name in ("mean_power_dbm", "centre_power_dbm", "fade_power_dbm", "margin_db", "fade_margin_db"):
        assert getattr(twice, name) - getattr(once, name) == pytest.approx(3.0102999566, abs=1e-9)
    assert twice.rice_k_db == pytest.approx(once.rice_k_db, abs=1e-9)


def test_chance_is_the_share_of_samples_above_the_sensitivity_and_what_is_kept_in_hand():
    _, link = two_paths(tolerance_m=0.02)
    # Put the sensitivity 10 dB under the 1 % point: 99 % of the samples hold.
    _, edge = two_paths(tolerance_m=0.02, sensitivity_dbm=link.fade_power_dbm - 10.0)
    assert edge.chance == pytest.approx(0.99, abs=1e-4)
    assert edge.fade_margin_db == pytest.approx(10.0, abs=1e-9)
    _, higher = two_paths(tolerance_m=0.02, sensitivity_dbm=link.mean_power_dbm + 30.0)
    assert higher.chance == 0.0
    assert higher.verdict == "lost"
    busy = BusyAir(np.full(79, -90.0), 0, None, 0.0)
    for air, best in ((None, "workable"), (busy, "solid")):
        assert [replace(link, chance=c, air=air).verdict for c in (1.0, 0.9985, 0.95, 0.5)] == [
            best, "workable", "fragile", "lost",
        ]  # fmt: skip


# --- through a plan file -----------------------------------------------------------------------------------------

STAGE = """\
schema = 1
title = "A receiver before a steel wall"

[venue]
mesh = "stage.obj"
units = "m"
up = "z"
position_tolerance_m = 0.02

[[surface]]
object = "*"
material = "metal"
thickness_m = 0.01

[radio.hopper]
first_channel_hz = 2402e6
last_channel_hz = 2480e6
channel_spacing_hz = 2e6
bandwidth_hz = 2e6
sensitivity_dbm = SENSITIVITY

[[transmitter]]
name = "desk"
position_m = [-20.0, 0.0, 0.0]
upright = true
antenna = "dipole"
power_dbm = 10
cable_loss_db = 0.0
radio = "hopper"

[[receiver]]
name = "lamp"
position_m = POSITION
upright = true
antenna = "dipole"
radio = "hopper"

[study]
max_reflections = 1
voxel_m = 1.0
rays = 64
seed = 1
"""


def solved(folder, pieces, *, position=(0.0, 0.0, 0.0), sensitivity=-58):
    """The plan above, solved for pieces of metal; equipment at the heights and places asked for."""
    write_obj(folder / "stage.obj", pieces)
    text = STAGE.replace("POSITION", str([float(x) for x in position])).replace("SENSITIVITY", str(sensitivity))
    (folder / "stage.toml").write_text(text, encoding="utf-8")
    plan = load_plan(folder / "stage.toml")
    return solve(plan, load_scene(plan), jobs=Jobs(workers=1))


def test_a_warning_names_the_wall_and_what_would_help(tmp_path):
    """Enough power, but the echo of the steel wall makes holes in it."""
    solution = solved(tmp_path, lone_wall(), sensitivity=-70)
    (found,) = [f for f in solution.findings if f.where == "lamp" and f.code != "near-antenna"]
    assert (found.code, found.severity) == ("multipath-fading", "caution")
    assert "steel wall" in found.message
    assert "far plate" not in found.message
    assert "Best of what was tried" in found.message
    assert found.value == solution.links[0].fade_margin_db
    assert solution.links[0].verdict == "fragile"


def test_json_has_the_promised_keys_and_only_finite_numbers(tmp_path):
    """The keys other programs rely on; interactions may carry more where they bend at an edge."""
    solution = solved(tmp_path, [*lone_wall(), block("case", (-3, 1, -1), (-2, 2, 1))])
    data = links_as_json(solution.setting, solution.links)
    text = json.dumps(data, allow_nan=False)
    assert json.loads(text) == data
    (link,) = data
    assert set(link) >= KEYS
    assert set(link) - KEYS <= {
        "sensitivity_dbm",
        "chance_of_holding",
        "verdict",
        "air",
        "busy_margin_db",
        "channel_needed_dbm",
        "completeness",
        "rice_k_reason",
    }
    for path in link["paths"]:
        assert set(path) == PATH_KEYS
        assert set(path["departure"]) == set(path["arrival"]) == {"azimuth_deg", "elevation_deg"}
        assert path["delay_ns"] == pytest.approx(path["length_m"] / 0.299792458, rel=1e-12)
        for met in path["interactions"]:
            assert set(met) == INTERACTION_KEYS | ({"edge"} if met["kind"] == "diffraction" else set())
            assert met["kind"] in ("reflection", "transmission", "diffraction")
    assert {m["kind"] for p in link["paths"] for m in p["interactions"]} == {"reflection", "diffraction"}
    straight = next(p for p in link["paths"] if not p["interactions"])
    assert straight["departure"] == pytest.approx({"azimuth_deg": 0.0, "elevation_deg": 0.0}, abs=1e-9)
    assert abs(straight["arrival"]["azimuth_deg"]) == pytest.approx(180.0, abs=1e-9)


def test_a_receiver_inside_a_steel_case_is_lost(tmp_path):
    """A room of steel round it: no path, so no number, and a finding that says fail."""
    case = [(f"case_{n}", p - 1.5, t) for n, p, t in room((3.0, 3.0, 3.0))]
    solution = solved(tmp_path, [*lone_wall(), *case])
    (link,) = solution.links
    assert link.verdict == "lost"
    assert link.chance == 0.0
    (data,) = json.loads(json.dumps(links_as_json(solution.setting, solution.links), allow_nan=False))
    for key in ("mean_power_dbm", "centre_power_dbm", "margin_db", "fade_margin_db", "rice_k_db"):
        assert data[key] is None
    assert set(data["channel_power_dbm"]) == {None}
    assert data["rice_k_reason"] == "fewer than two paths"
    assert data["paths"] == []
    found = next(f for f in solution.findings if f.code == "no-path")
    assert (found.severity, found.where, found.value) == ("fail", "lamp", None)
    assert "inf" not in found.message


def test_a_path_without_power_is_no_path(tmp_path):
    """Upright dipoles one above the other see only each other's nulls: said in words, never as −inf dB."""
    solution = solved(tmp_path, [lone_wall()[1]], position=(-20.0, 0.0, 9.0))
    assert solution.links[0].paths.count == 0
    found = next(f for f in solution.findings if f.where == "lamp" and f.code != "radio-outside")
    assert (found.code, found.severity, found.value) == ("no-path", "fail", None)
    assert "inf" not in found.message


def test_a_way_round_an_edge_is_not_the_straight_way(tmp_path):
    """An echo that bends at an edge belongs to the surface with that edge and is no straight way through it."""
    solution = solved(tmp_path, [*lone_wall(), block("case", (-3, 1, -1), (-2, 2, 1))])
    (link,) = solution.links
    assert (link.paths.kind == DIFFRACTION).any()
    assert {"case", "steel_wall"} <= {c.surface for c in solution.culprits(link)}
    assert solution.obstacles["lamp"] == ()


# --- words for places --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("azimuth_deg", [0.0, 90.0, -90.0, 217.0])
def test_stage_left_is_the_performers_left_facing_the_house(azimuth_deg):
    """Turn to the house and hold out the left arm: a quarter turn anticlockwise seen from above."""
    azimuth = np.radians(azimuth_deg)
    ways = directions(azimuth)
    assert ways["downstage"].tolist() == pytest.approx([np.cos(azimuth), np.sin(azimuth), 0.0])
    left = [np.cos(azimuth + np.pi / 2), np.sin(azimuth + np.pi / 2), 0.0]
    assert ways["stage left"].tolist() == pytest.approx(left, abs=1e-12)
    assert ways["stage right"].tolist() == pytest.approx([-x for x in left], abs=1e-12)
    assert ways["upstage"].tolist() == pytest.approx((-ways["downstage"]).tolist())
    assert ways["up"].tolist() == [0.0, 0.0, 1.0]
    offset = 4.0 * ways["stage left"] + 2.0 * ways["upstage"] + 9.0 * ways["up"]
    assert whereabouts(offset, 9.0, azimuth) == "4 m to stage left and 2 m upstage, 9 m up"


def test_places_in_words():
    """The house to −y: its people see stage left on their right, at +x."""
    assert directions(-np.pi / 2)["stage left"].tolist() == pytest.approx([1.0, 0.0, 0.0], abs=1e-12)
    left, above, below, beside, at = np.array([[3, 0.2, 5], [0.2, -0.3, 5], [0, 0, -1], [-2, 5, 0], [0.5, 0.5, 0.5]])
    house = -np.pi / 2
    assert whereabouts(left, 2.0, house) == "3 m to stage left, 2 m up"
    assert whereabouts(left, 2.0, house, of_it=True) == "3 m to stage left of it, 2 m up"
    assert whereabouts(beside, 0.0, None) == "5 m along +y and 2 m along −x, at floor level"
    assert whereabouts(beside, 0.0, None, of_it=True) == "5 m along +y and 2 m along −x from it, at floor level"
    for offset, words in ((above, "right above"), (below, "right below")):
        assert whereabouts(offset, 2.0, house) == f"{words}, 2 m up"
        assert whereabouts(offset, 2.0, None, of_it=True) == f"{words} it, 2 m up"
    assert whereabouts(at, 1.0, house) == "right there, 1 m up"
    assert whereabouts(at, 1.0, house, of_it=True) == "right at it, 1 m up"
    assert [height(z) for z in (2.6, 0.1, -1.2)] == ["3 m up", "at floor level", "1 m below stage level"]
    assert spoken("metal_wall.001") == "metal wall 001"
    assert [towards(name) for name in ("stage left", "upstage", "+x")] == ["to stage left", "upstage", "along +x"]
