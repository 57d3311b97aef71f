"""Blame and cure: harm is what absorbing a surface brings, and a cure promises what a fresh run of its plan gives."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from rf3d.assessment.changes import other_radios
from rf3d.assessment.cures import Cure
from rf3d.assessment.fading import draw_neighbourhood, power_samples
from rf3d.assessment.links import evaluate, turned
from rf3d.assessment.run import Solution, solve
from rf3d.assessment.waves import arrivals, waves
from rf3d.jobs import Jobs, batch_generator
from rf3d.plan import Plan, load_plan, load_scene
from rf3d.propagation.cache import PathCache
from rf3d.propagation.kernels.crossings import DIFFRACTION, REFLECTION
from rf3d.units import SPEED_OF_LIGHT_M_S, wavelength_m
from rf3d.venue.materials import catalogue, complex_permittivity
from tests.conftest import write_obj
from tests.scenes import Piece, block, quad, room
from tests.twins import slab

DEMO = Path(__file__).resolve().parents[1] / "meshes_demo"
HALL_M = (9.0, 7.0, 4.0)
HALL = """\
schema = 1
title = "A hall with a steel screen"

[venue]
mesh = "hall.obj"
units = "m"
up = "z"
house_azimuth_deg = -90

[[surface]]
object = "wall_z0"
material = "concrete"
half_space = true

[[surface]]
object = "wall_*"
material = "plaster"
thickness_m = 0.1

[[surface]]
object = "screen*"
material = "metal"
thickness_m = 0.002

[[surface]]
object = "cupboard"
material = "wood"

[material.plaster]
permittivity = 2.7
conductivity_s_m = 0.01
scattering = 0.2
source = "assumed"

[radio.hopper]
first_channel_hz = 2402e6
last_channel_hz = 2480e6
channel_spacing_hz = 2e6
bandwidth_hz = 1e6
sensitivity_dbm = -50
carrier_to_interference_db = 12

[radio.low]
first_channel_hz = 903e6
last_channel_hz = 927e6
channel_spacing_hz = 1e6
bandwidth_hz = 0.25e6
sensitivity_dbm = -56
carrier_to_interference_db = 12

[radio.spare]
first_channel_hz = 5735e6
last_channel_hz = 5845e6
channel_spacing_hz = 5e6
bandwidth_hz = 1e6
sensitivity_dbm = -62
carrier_to_interference_db = 12

[antenna.panel]
pattern = "panel"
gain_dbi = 9.0
beamwidth_deg = [60, 60]
polarisation = "vertical"
xpd_db = 20
efficiency = 0.9

[[transmitter]]
name = "gallery"
position_m = [0.5, 3.0, 3.0]
TX_AIM
antenna = "TX_ANTENNA"
power_dbm = 10
cable_loss_db = 1.0
radio = "hopper"

[[transmitter]]
name = "desk"
position_m = [1.0, 6.0, 1.2]
upright = true
antenna = "dipole"
power_dbm = 10
cable_loss_db = 0.0
radio = "low"

[[receiver]]
name = "lamp"
position_m = [7.0, 3.6, 1.0]
azimuth_deg = 20
elevation_deg = 0
roll_deg = 50
antenna = "dipole"
radio = "hopper"

[[receiver]]
name = "beam light"
position_m = [3.0, 1.0, 2.5]
upright = true
antenna = "dipole"
radio = "hopper"

[[hang]]
name = "front rail"
kind = "rail"
from_m = [2.0, 0.4, 3.2]
to_m = [8.0, 0.4, 3.2]

[[hang]]
name = "gallery rail"
kind = "rail"
from_m = [0.5, 1.0, 3.0]
to_m = [0.5, 6.0, 3.0]

[study]
max_reflections = 2
voxel_m = 1.0
rays = 2000
seed = 3
"""


def hall() -> list[Piece]:
    """A room with a steel screen beside the lamp, one between it and the gallery, and a cupboard."""
    return [
        *room(HALL_M),
        quad("screen", (6.2, 4.6, 0.0), (8.6, 4.8, 0.0), (8.6, 4.8, 2.8), (6.2, 4.6, 2.8)),
        quad("screen_front", (5.6, 3.0, 0.2), (5.6, 3.9, 0.2), (5.6, 3.9, 2.2), (5.6, 3.0, 2.2)),
        block("cupboard", (3.0, 6.3, 0.1), (4.0, 6.8, 2.2)),
    ]


def hall_plan(folder, *, aimed: bool = True, extra: str = "") -> Plan:
    write_obj(folder / "hall.obj", hall())
    text = HALL.replace("TX_AIM", "aim_at_m = [3.0, 1.0, 2.5]" if aimed else "upright = true")
    text = text.replace("TX_ANTENNA", "panel" if aimed else "dipole").replace("[study]", f"{extra}[study]")
    (folder / "hall.toml").write_text(text, encoding="utf-8")
    return load_plan(folder / "hall.toml")


def run(plan: Plan, *, cache: PathCache | None = None) -> Solution:
    return solve(plan, load_scene(plan), jobs=Jobs(workers=2), cache=cache)


def by_kind(solution: Solution, receiver: str) -> dict[str, Cure]:
    return {cure.kind: cure for cure in solution.cures[receiver]}


# --- a promise is kept -------------------------------------------------------------------------------------------

OCCUPIED = """[[occupied]]
name = "access point"
position_m = [8.0, 1.0, 2.5]
power_dbm = 0
low_hz = 2401e6
high_hz = 2423e6
duty = 0.3

"""
WORDS = ("solid", "workable", "fragile", "lost")
AIMED = {
    "move receiver", "turn receiver", "panel at receiver", "other radio", "another band", "aim transmitter",
    "move transmitter", "second transmitter", "absorber", "cable",
}  # fmt: skip


@pytest.mark.parametrize(("aimed", "air"), [(True, OCCUPIED), (False, "")])
def test_every_kind_of_cure_gains_what_a_fresh_run_of_its_plan_gives(tmp_path, monkeypatch, aimed, air):
    """Whatever it is worth, so that every kind is there; the fresh run knows nothing of the first."""
    monkeypatch.setattr("rf3d.assessment.cures.WORTH_DB", -np.inf)
    monkeypatch.setattr("rf3d.assessment.cures.HOLDING", ())
    solution = run(hall_plan(tmp_path, aimed=aimed, extra=air))
    monkeypatch.setattr("rf3d.assessment.run.cures", lambda *_, **__: [])  # the fresh runs need none
    kinds = set()
    for receiver, found in solution.cures.items():
        before = solution.best_link(receiver)
        for cure in found[:-1]:
            kinds.add(cure.kind)
            after = run(cure.plan).best_link(receiver)
            assert after.fade_margin_db - before.fade_margin_db == pytest.approx(cure.gain_db, abs=0.1), cure.action
            assert after.fade_margin_db == pytest.approx(cure.fade_margin_db, abs=0.1)
            assert after.verdict == cure.verdict
        assert found[-1].kind == "cable"
        order = [(WORDS.index(cure.verdict), -cure.gain_db) for cure in found[:-1]]
        assert order == sorted(order)
        assert len({cure.kind for cure in found}) == len(found)
    assert kinds | {"cable"} == (AIMED if aimed else AIMED - {"aim transmitter"} | {"panel at transmitter"})


def test_a_cure_that_harms_another_receiver_says_so(tmp_path, monkeypatch):
    """The gallery looks at the beam light; aimed at the lamp instead, the beam light falls."""
    monkeypatch.setattr("rf3d.assessment.cures.WORTH_DB", -np.inf)
    monkeypatch.setattr("rf3d.assessment.cures.HOLDING", ())
    plan = hall_plan(tmp_path)
    weaker = [replace(t, power_dbm=t.power_dbm - 3.0) for t in plan.transmitters]
    solution = run(replace(plan, transmitters=tuple(weaker)))
    cure = by_kind(solution, "lamp")["aim transmitter"]

    monkeypatch.setattr("rf3d.assessment.run.cures", lambda *_, **__: [])
    now, then = solution.best_link("beam light"), run(cure.plan).best_link("beam light")
    assert WORDS.index(then.verdict) > WORDS.index(now.verdict)
    assert cure.worsens == ("beam light",)
    assert cure.others_checked
    assert by_kind(solution, "lamp")["panel at receiver"].worsens == ()
    assert not by_kind(solution, "lamp")["move transmitter"].others_checked


@pytest.mark.parametrize(
    ("region", "kinds"),
    [(None, {"other radio", "another band"}), ("US", {"other radio", "another band"}), ("EU", set())],
)
def test_another_band_is_tried_where_the_rules_held_of_the_region_let_it_be_used(tmp_path, region, kinds):
    """902 to 928 and 5725 to 5850 MHz are open in the United States; neither is in the European Union."""
    plan = replace(hall_plan(tmp_path), region=region)
    lamp = [receiver.name for receiver in plan.receivers].index("lamp")
    changes = other_radios(plan, lamp)
    assert {change.kind for change in changes} == kinds
    held = "no rules of its region are held here" if region is None else "within the rules held here (47 CFR 15.247"
    assert all(change.note.startswith(held) for change in changes)
    loud = replace(plan, transmitters=tuple(replace(t, power_dbm=29.0) for t in plan.transmitters))
    louder = {change.kind for change in other_radios(loud, lamp)}
    assert louder == (kinds if region is None else set())  # 25 channels: 24 dBm; 23 channels of 1 MHz: 30 dBm less 3


def test_another_band_moves_the_whole_system_and_leaves_other_radios_alone(tmp_path):
    plan = hall_plan(tmp_path)
    (change,) = [c for c in other_radios(plan, 0) if c.kind == "another band"]
    for before, after in zip(
        (*plan.transmitters, *plan.receivers), (*change.plan.transmitters, *change.plan.receivers), strict=True
    ):
        assert after.radio.name == ("spare" if before.radio.name == "hopper" else before.radio.name)


def test_only_receivers_that_need_it_get_cures(tmp_path):
    """A strong gallery: nothing to cure. As it is: the lamp is lost, and data and words agree."""
    plan = hall_plan(tmp_path)
    loud = [replace(t, power_dbm=t.power_dbm + 60.0) for t in plan.transmitters]
    assert run(replace(plan, transmitters=tuple(loud))).cures == {}
    solution = run(plan)
    found = solution.cures["lamp"]
    assert all(cure.gain_db >= 3.0 for cure in found[:-1])
    (said,) = [f for f in solution.findings if f.where == "lamp" and f.code in ("too-weak", "multipath-fading")]
    assert (
        f"Best of what was tried: {found[0].action} (+{found[0].gain_db:.0f} dB at the 1 % point; then " in said.message
    )
    assert said.message.endswith("run a cable.")
    told = json.loads(json.dumps([cure.as_json() for cure in found], allow_nan=False))
    assert told[0]["action"] == found[0].action
    assert told[-1]["kind"] == "cable"
    assert told[-1]["gain_db"] is None
    assert set(told[0]) == {
        "kind", "action", "gain_db", "fade_margin_db", "verdict", "worsens", "others_checked", "note", "place_m",
    }  # fmt: skip


def test_cures_that_leave_a_receiver_weak_are_left_out_where_one_makes_it_hold(tmp_path, monkeypatch):
    """8 dB up the low radio makes the lamp hold, and nothing else does; where nothing makes it hold, all are told."""
    plan = hall_plan(tmp_path)

    def told(more_db: float) -> list[Cure]:
        louder = tuple(replace(t, power_dbm=t.power_dbm + more_db) for t in plan.transmitters)
        return run(replace(plan, transmitters=louder)).cures["lamp"]

    holding, weak = told(8.0), told(-40.0)
    assert {cure.verdict for cure in weak[:-1]} == {"lost"}
    monkeypatch.setattr("rf3d.assessment.cures.HOLDING", ())
    every = told(8.0)
    assert [cure.verdict for cure in every[:2]] == ["workable", "fragile"]
    assert [cure.action for cure in holding] == [every[0].action, "run a cable"]


@pytest.mark.parametrize(
    ("what", "never"),
    [
        ({"worn": True}, {"move receiver", "turn receiver", "panel at receiver"}),
        ({"inside": "metal lantern"}, {"turn receiver", "panel at receiver"}),
    ],
)
def test_nobody_is_told_to_turn_what_is_worn_or_shut_in(tmp_path, monkeypatch, what, never):
    """As a bare lamp it is told all three, and to try the spots beside it."""
    monkeypatch.setattr("rf3d.assessment.cures.WORTH_DB", -np.inf)
    monkeypatch.setattr("rf3d.assessment.cures.HOLDING", ())
    monkeypatch.setattr("rf3d.assessment.multipath.reason", lambda link: ("multipath-fading", "echoes"))
    plan = hall_plan(tmp_path)
    bare = {"move receiver", "turn receiver", "panel at receiver"}
    for changed, left in (({}, bare), (what, bare - never)):
        solution = run(replace(plan, receivers=(replace(plan.receivers[0], **changed), *plan.receivers[1:])))
        assert {cure.kind for cure in solution.cures["lamp"]} & bare == left
        (said,) = [f for f in solution.findings if f.where == "lamp" and f.code == "multipath-fading"]
        assert ("Try ±" in said.message) == (not changed)


def test_cures_are_the_same_with_and_without_a_cache(tmp_path):
    plan = hall_plan(tmp_path)
    told = [
        {name: [cure.as_json() for cure in found] for name, found in run(plan, cache=cache).cures.items()}
        for cache in (None, PathCache())
    ]
    assert told[0] == told[1]
    assert "lamp" in told[0]


# --- blame -------------------------------------------------------------------------------------------------------


def test_harm_is_what_the_link_gains_without_what_a_surface_throws(tmp_path):
    """Paths off the surface taken out and the link judged anew; displacements are off, since they go by surface."""
    plan = replace(hall_plan(tmp_path), position_tolerance_m=0.0)
    solution = run(plan)
    link, setting = solution.best_link("lamp"), solution.setting
    ends = plan.transmitters[0], plan.receivers[0]
    names = np.array(setting.scene.objects)
    tried = solution.blame["lamp"]
    assert len(tried) >= 4
    assert [c.harm_db for c in tried] == sorted((c.harm_db for c in tried), reverse=True)
    for culprit in tried:
        paths = link.paths
        thrown = (names[paths.part] == culprit.surface) & np.isin(paths.kind, (REFLECTION, DIFFRACTION))
        left = np.setdiff1d(np.arange(paths.count), paths.path_of_interaction[thrown])
        smooth = np.array([name != culprit.surface for name in link.diffuse.surfaces])
        diffuse = link.diffuse._replace(
            surfaces=tuple(np.array(link.diffuse.surfaces)[smooth]), power=link.diffuse.power[smooth],
            length_m=link.diffuse.length_m[smooth], length_variance_m2=link.diffuse.length_variance_m2[smooth],
        )  # fmt: skip
        without = evaluate(
            setting, paths.take(left), transmitter=ends[0], receiver=ends[1], diffuse=diffuse, seed=solution.seed,
            position_tolerance_m=0.0,
        )  # fmt: skip
        assert without.fade_power_dbm - link.fade_power_dbm == pytest.approx(culprit.harm_db, abs=1e-9)
    told = [culprit.as_json(setting.scene) for culprit in tried]
    assert json.loads(json.dumps(told, allow_nan=False)) == told


def test_a_worn_receiver_is_blamed_at_the_heading_it_is_judged_by(tmp_path):
    """Harm is against the heading whose numbers the link has: judged there by hand it comes out the same."""
    plan = replace(hall_plan(tmp_path), position_tolerance_m=0.0)
    worn = replace(plan.receivers[1], worn=True)
    solution = run(replace(plan, receivers=(plan.receivers[0], worn)))
    link = solution.best_link("beam light")
    culprit = solution.blame["beam light"][0]
    paths, names = link.paths, np.array(solution.setting.scene.objects)
    thrown = (names[paths.part] == culprit.surface) & np.isin(paths.kind, (REFLECTION, DIFFRACTION))
    left = np.setdiff1d(np.arange(paths.count), paths.path_of_interaction[thrown])
    facing = min(link.headings, key=lambda heading: heading.fade_power_dbm)
    assert facing.turned_rad != 0.0
    kept = np.array([name != culprit.surface for name in link.diffuse.surfaces])
    ends = {"transmitter": plan.transmitters[0], "receiver": turned(worn, facing.turned_rad)}
    told = waves(solution.setting, arrivals(solution.setting, paths.take(left), **ends), diffuse=link.diffuse, **ends)
    near = draw_neighbourhood(
        solution.setting, told.paths, receiver_m=solution.setting.scene.to_local(worn.position_m),
        centre_hz=link.centre_hz, incidence_cos=told.incidence_cos, position_tolerance_m=0.0,
        generator=batch_generator(solution.seed, 2),
    )  # fmt: skip
    samples = power_samples(near, told.amplitude[:, :-1], diffuse_power=float(told.scattering[kept].sum()))
    sent = plan.transmitters[0].power_dbm - plan.transmitters[0].feed_loss_db
    without_dbm = 10 * np.log10(np.percentile(samples, 1.0)) + sent
    assert without_dbm - link.fade_power_dbm == pytest.approx(culprit.harm_db, abs=1e-9)


def test_what_stands_in_the_straight_way_is_named(tmp_path):
    """The screen shuts the way to the lamp and bends it; to a lamp behind the cupboard the wood takes its slab loss."""
    plan = hall_plan(tmp_path)
    shut = run(plan).obstacles["lamp"]
    assert [(o.surface, o.kind) for o in shut] == [("screen_front", "blocking"), ("screen_front", "rounded")]
    assert shut[0].point_m is not None
    # Straight through the cupboard, 0.5 m of wood, square to it.
    through = replace(plan.receivers[0], position_m=np.array([3.5, 6.95, 1.0]))
    sender = replace(plan.transmitters[0], position_m=np.array([3.5, 2.0, 1.0]))
    moved = run(replace(plan, receivers=(through,), transmitters=(sender, plan.transmitters[1])))
    (wood,) = moved.obstacles["lamp"]
    eps = complex(complex_permittivity(catalogue()["wood"].layers, plan.transmitters[0].radio.centre_hz)[0, 0])
    passed = [abs(t) for t in slab(eps, 0.5, plan.transmitters[0].radio.centre_hz, 1.0)[2:]]
    assert (wood.surface, wood.kind) == ("cupboard", "passed")
    assert wood.loss_db == pytest.approx(-20 * np.log10(passed[0]), abs=1e-6)
    assert run(plan).obstacles["beam light"] == ()


def test_the_absorber_absorbs():
    """Metal behind it reflects 13 dB less, square to it, from 0.85 to 6 GHz; by the impedance of the stack, layer by
    layer from the back (Balanis, Advanced Engineering Electromagnetics, wave impedance of layers, from memory)."""
    frequency = np.linspace(0.85e9, 6e9, 300)
    z = np.zeros(300, dtype=complex)
    layers = catalogue()["absorber"].layers
    for layer, eps in reversed(list(zip(layers, complex_permittivity(layers, frequency), strict=True))):
        own = 1.0 / np.sqrt(eps)
        t = 1j * np.tan(2 * np.pi * frequency / SPEED_OF_LIGHT_M_S * np.sqrt(eps) * layer.thickness_m)
        z = own * (z + own * t) / (own + z * t)
    assert np.abs((z - 1) / (z + 1)).max() < 10 ** (-13 / 20)


# --- out of the null ---------------------------------------------------------------------------------------------

SPAN_M, OFF_WALL_M = 20.0, 1.0
NULL = """\
schema = 1
title = "Along a steel wall"

[venue]
mesh = "wall.obj"
units = "m"
up = "z"

[[surface]]
object = "steel_wall"
material = "metal"
thickness_m = 0.01

[radio.hopper]
first_channel_hz = 2402e6
last_channel_hz = 2480e6
channel_spacing_hz = 2e6
bandwidth_hz = 1e6
sensitivity_dbm = -62

[[transmitter]]
name = "desk"
position_m = [0.0, 1.0, 0.0]
upright = true
antenna = "dipole"
power_dbm = 10
cable_loss_db = 0.0
radio = "hopper"

[[receiver]]
name = "lamp"
position_m = [20.0, PLACE, 0.0]
upright = true
antenna = "dipole"
radio = "hopper"

[study]
max_reflections = 1
voxel_m = 1.0
rays = 64
seed = 1
"""


def along_a_wall(folder, place_m: float) -> Plan:
    """Direct way and one echo off a steel wall at y = 0, whose edges are far away."""
    write_obj(folder / "wall.obj", [quad("steel_wall", (-80, 0, -80), (100, 0, -80), (100, 0, 80), (-80, 0, 80))])
    (folder / "wall.toml").write_text(NULL.replace("PLACE", repr(place_m)), encoding="utf-8")
    return load_plan(folder / "wall.toml")


def null_m(number: int, frequency_hz: float) -> float:
    """Distance from the wall at which echo − direct is a whole number of wavelengths; the wall turns the phase by π.

    √(d² + (y + h)²) − √(d² + (y − h)²) = nλ, solved for y.
    """

    def beyond(y: float) -> float:
        return np.hypot(SPAN_M, y + OFF_WALL_M) - np.hypot(SPAN_M, y - OFF_WALL_M) - number * wavelength_m(frequency_hz)

    return brentq(beyond, 1e-3, 30.0)


def test_nulls_lie_where_the_path_difference_says(tmp_path, monkeypatch):
    """In space: dips of one channel across the wall; in frequency: c over the difference, at one place."""
    monkeypatch.setattr("rf3d.assessment.run.cures", lambda *_, **__: [])
    plan = along_a_wall(tmp_path, 2.0)
    centre = plan.transmitters[0].radio.centre_hz
    step = 0.02
    y = np.arange(0.2, 4.6, step)
    row = [replace(plan.receivers[0], name=f"at {v:.2f}", position_m=np.array([SPAN_M, v, 0.0])) for v in y]
    roles = {receiver.name: plan.roles["lamp"] for receiver in row}
    power = np.array([link.centre_power_dbm for link in run(replace(plan, receivers=tuple(row), roles=roles)).links])
    dips = np.flatnonzero((power[1:-1] < power[:-2]) & (power[1:-1] < power[2:])) + 1
    assert y[dips] == pytest.approx([null_m(n, centre) for n in (1, 2, 3)], abs=step)
    # Far beside the wall the difference is long enough for several nulls in the band.
    long = replace(plan.receivers[0], position_m=np.array([0.5, 6.0, 0.0]))
    wide = replace(plan.transmitters[0].radio, first_channel_hz=2.0e9, last_channel_hz=3.0e9, channel_spacing_hz=1e6)
    pair = replace(plan.transmitters[0], radio=wide, position_m=np.array([0.0, 5.0, 0.0])), replace(long, radio=wide)
    (link,) = run(replace(plan, transmitters=pair[:1], receivers=pair[1:])).links
    channel = link.channel_power_dbm
    dips = np.flatnonzero((channel[1:-1] < channel[:-2]) & (channel[1:-1] < channel[2:])) + 1
    difference = np.hypot(0.5, 11.0) - np.hypot(0.5, 1.0)
    assert len(dips) > 20
    slope = np.polyfit(np.arange(len(dips)), link.channels_hz[dips], 1)[0]
    assert slope == pytest.approx(SPEED_OF_LIGHT_M_S / difference, abs=0.1e6)


def test_the_advice_moves_the_receiver_out_of_the_null(tmp_path):
    """Put into the first null, told to move, moved, and judged again: the gain is there and the null is not."""
    plan = along_a_wall(tmp_path, null_m(1, 2.441e9))
    solution = run(plan)
    before = solution.best_link("lamp")
    assert before.verdict in ("fragile", "lost")
    assert before.fade_depth_db > 15.0
    assert solution.blame["lamp"][0].surface == "steel_wall"
    assert solution.blame["lamp"][0].harm_db > 10.0
    cure = by_kind(solution, "lamp")["move receiver"]
    assert "move the receiver 0.5 m" in cure.action
    after = run(along_a_wall(tmp_path, float(cure.place_m[1]))).best_link("lamp")
    assert after.fade_margin_db - before.fade_margin_db == pytest.approx(cure.gain_db, abs=0.1)
    assert cure.gain_db > 10.0
    assert after.fade_depth_db < 5.0
    assert after.verdict == cure.verdict == "workable"
    (said,) = [f.message for f in solution.findings if f.code == "multipath-fading"]
    assert "Try ±15 cm and keep the best" in said
    assert "steel wall" in said


def test_a_receiver_of_the_playhouse_gets_what_it_is_promised(monkeypatch):
    """Behind the LED wall, with weak transmitters: the best that was tried, against fresh runs of the changed plans."""
    plan = load_plan(DEMO / "playhouse.toml")
    near = [t for t in plan.transmitters if t.name in ("gallery stage right", "balcony rail")]
    plan = replace(
        plan, receivers=tuple(r for r in plan.receivers if r.name == "LED wall sender, upstage"),
        transmitters=tuple(replace(t, power_dbm=t.power_dbm - 25.0) for t in near),
        occupied=(), study=plan.study.model_copy(update={"rays": 20_000, "max_reflections": 2}),
    )  # fmt: skip
    solution = run(plan)
    (found,) = solution.cures.values()
    before = solution.best_link("LED wall sender, upstage")
    assert {cure.kind for cure in found} >= {"move transmitter", "second transmitter", "cable"}
    assert len(found) >= 4
    assert solution.obstacles["LED wall sender, upstage"][0].surface == "led_wall"
    monkeypatch.setattr("rf3d.assessment.run.cures", lambda *_, **__: [])
    for cure in found[:2]:
        after = run(cure.plan).best_link("LED wall sender, upstage")
        assert after.fade_margin_db - before.fade_margin_db == pytest.approx(cure.gain_db, abs=0.1), cure.action
