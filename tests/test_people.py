"""Somebody in the line of a link: where one can stand, what they take, and when it is worth a word."""

from __future__ import annotations

import numpy as np
import pytest

from rf3d.assessment.fading import power_samples
from rf3d.assessment.pages import page
from rf3d.assessment.run import Solution, solve
from rf3d.assessment.spots import judged_by
from rf3d.jobs import Jobs
from rf3d.plan import load_plan, load_scene
from rf3d.units import from_db
from tests.conftest import write_obj
from tests.scenes import Piece, quad

PLAN = """\
schema = 1
title = "A yard"

[venue]
mesh = "yard.obj"
units = "m"
up = "z"
region = "US"

[[surface]]
object = "*"
material = "earth"
half_space = true

[material.earth]
permittivity = 4.0
conductivity_s_m = 0.05
scattering = 0.0
source = "assumed"

[radio.hopper]
first_channel_hz = 2402e6
last_channel_hz = 2480e6
channel_spacing_hz = 1e6
bandwidth_hz = 1e6
sensitivity_dbm = SENSITIVITY

[[transmitter]]
name = "mast"
position_m = [0.0, 0.0, MAST]
upright = true
antenna = "dipole"
power_dbm = 10
cable_loss_db = 0
radio = "hopper"

[[receiver]]
name = "lamp"
position_m = [10.0, 0.0, LAMP]
upright = true
antenna = "dipole"
radio = "hopper"
cable_loss_db = 0

[study]
max_reflections = 1
voxel_m = 1.0
rays = 1000
seed = 3
"""


def yard(folder, *more: Piece, mast_m: float, lamp_m: float, sensitivity_dbm: float = -90.0) -> Solution:
    far = 2000.0  # so that nothing is bent at its rim
    ground = quad("ground", (-far, -far, 0.0), (far, -far, 0.0), (far, far, 0.0), (-far, far, 0.0))
    write_obj(folder / "yard.obj", [ground, *more])
    text = PLAN.replace("SENSITIVITY", f"{sensitivity_dbm}").replace("MAST", f"{mast_m}").replace("LAMP", f"{lamp_m}")
    (folder / "yard.toml").write_text(text, encoding="utf-8")
    plan = load_plan(folder / "yard.toml")
    return solve(plan, load_scene(plan), jobs=Jobs(workers=1))


def names(solution: Solution, p: int) -> set[str]:
    """Objects that path p meets."""
    paths = solution.links[0].paths
    return {solution.setting.scene.objects[part] for part in paths.part[paths.start[p] : paths.start[p + 1]]}


def test_a_person_takes_what_the_trade_says_of_every_path_that_goes_through_them(tmp_path):
    """The straight path and the one off the ground both do: all there is falls by 6 to 12 dB at 2.44 GHz."""
    solution = yard(tmp_path, mast_m=1.6, lamp_m=1.2)
    (link,), found = solution.links, solution.people["lamp"]
    assert found.loss_db == pytest.approx((6.0, 12.0), abs=0.05)
    fallen = link.fade_power_dbm - np.array(found.fade_power_dbm)
    assert fallen.tolist() == pytest.approx(found.loss_db, abs=0.02)
    place = solution.setting.scene.to_world(found.point_m)
    assert place.tolist() == pytest.approx([9.0, 0.0, 1.24], abs=0.01)
    told = page(solution, "lamp")["person_in_line"]
    assert told["loss_db"] == list(found.loss_db)
    assert told["point_m"] == pytest.approx(place.tolist())


def test_nobody_is_taller_than_a_person(tmp_path):
    """From 12 m up the straight path is over their head a metre away from the lamp; nearer nobody is taken to stand."""
    solution = yard(tmp_path, mast_m=12.0, lamp_m=1.2)
    assert solution.people["lamp"] is None
    assert page(solution, "lamp")["person_in_line"] is None


def test_only_what_goes_through_them_is_lost(tmp_path):
    """What a wall 3 m beside the line throws back comes to the lamp half a metre beside them."""
    wall = quad("wall", (-20.0, 3.0, 0.0), (30.0, 3.0, 0.0), (30.0, 3.0, 20.0), (-20.0, 3.0, 20.0))
    solution = yard(tmp_path, wall, mast_m=1.6, lamp_m=1.2)
    (link,), found = solution.links, solution.people["lamp"]
    spots = judged_by(
        solution.setting, link, transmitter=solution.plan.transmitters[0], receiver=solution.plan.receivers[0], seed=3,
        position_tolerance_m=solution.plan.position_tolerance_m,
    )  # fmt: skip
    off_wall = np.array([names(solution, p) & {"wall"} != set() for p in range(link.paths.count)])
    amplitude = spots.wave.amplitude[:, :-1] * np.where(off_wall, 1.0, np.sqrt(from_db(-found.loss_db[1])))[:, None]
    samples = power_samples(spots.near, amplitude)
    assert found.fade_power_dbm[1] == pytest.approx(10 * np.log10(np.percentile(samples, 1)) + 10.0, abs=0.01)
    assert link.fade_power_dbm - found.fade_power_dbm[1] < found.loss_db[1] - 1.0


@pytest.mark.parametrize("wide_m", [0.1, 1.0])
def test_people_stand_on_level_ground_and_not_in_the_air_or_on_a_ledge(tmp_path, wide_m):
    """A gallery 1 m wide carries somebody; a ledge of 10 cm does not."""
    y = 0.5 * wide_m
    shelf = quad("shelf", (-1.0, -y, 4.0), (11.0, -y, 4.0), (11.0, y, 4.0), (-1.0, y, 4.0))
    assert yard(tmp_path, mast_m=5.0, lamp_m=5.2).people["lamp"] is None
    found = yard(tmp_path, shelf, mast_m=5.0, lamp_m=5.2).people["lamp"]
    assert (found is not None) == (wide_m > 0.4)


def test_a_link_that_holds_only_without_people_is_told(tmp_path):
    """The threshold is set so that 10 dB in hand are there without a person, and 6 to 12 dB less are too few."""
    kept = yard(tmp_path, mast_m=1.6, lamp_m=1.2)
    assert not [f for f in kept.findings if f.code == "person-in-line"]
    least = kept.links[0].fade_power_dbm
    solution = yard(tmp_path, mast_m=1.6, lamp_m=1.2, sensitivity_dbm=least - 12.0)
    assert solution.links[0].verdict in ("solid", "workable")
    (said,) = [f for f in solution.findings if f.code == "person-in-line"]
    assert said.severity == "caution"
    assert said.where == "lamp"
    assert "6 to 12 dB" in said.message
    assert said.place_m == pytest.approx((9.0, 0.0, 1.24), abs=0.01)
    assert said.value == pytest.approx(0.0, abs=0.05)  # 12 dB over the threshold without them
