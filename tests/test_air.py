"""Other radios against hand budgets in free space; worn packs, housings, answers; what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from rf3d.assessment.air import AirAt, busy_air
from rf3d.assessment.budget import budget, free_space_loss_db
from rf3d.assessment.moments import enumerate_moments
from rf3d.assessment.pages import page, summary
from rf3d.assessment.run import solve
from rf3d.errors import InputError
from rf3d.jobs import Jobs
from rf3d.plan import load_plan, load_scene
from rf3d.radio.air import CELL_SHARE, LEAST_M, Occupied, emitters, nearness
from rf3d.radio.antennas import aim_axes
from rf3d.radio.radios import Radio
from tests.conftest import write_obj
from tests.scenes import block, quad

PLAN = """\
schema = 1
title = "Two radios in the open"

[venue]
mesh = "open.obj"
units = "m"
up = "z"

[[surface]]
object = "*"
material = "wood"
thickness_m = 0.001

[radio.hopper]
first_channel_hz = 2402e6
last_channel_hz = 2480e6
channel_spacing_hz = 1e6
bandwidth_hz = 1e6
sensitivity_dbm = -90
carrier_to_interference_db = 14
{radio}

[[transmitter]]
name = "desk"
position_m = [-20.0, 0.0, 0.0]
upright = true
antenna = "dipole"
power_dbm = 10
cable_loss_db = 0.5
radio = "hopper"
{transmitter}

[[receiver]]
name = "lamp"
position_m = [0.0, 0.0, 0.0]
upright = true
antenna = "dipole"
cable_loss_db = 0.25
radio = "hopper"
{receiver}

{more}

[study]
max_reflections = 0
voxel_m = 1.0
rays = 64
seed = 1
"""
ACCESS_POINT = """
[[occupied]]
name = "access point"
position_m = [0.0, 10.0, 0.0]
power_dbm = 20
low_hz = 2402e6
high_hz = 2422e6
duty = 0.3
"""
PHONE = """
[[occupied]]
name = "phone"
position_m = [0.0, -2.0, 0.0]
power_dbm = 12
low_hz = 2427e6
high_hz = 2447e6
duty = 0.02
"""
DIPOLE_DBI = 2.1509
CENTRE_HZ = 2441e6


def written(folder, *, radio="", transmitter="", receiver="", more="", pieces=()):
    """The plan, its mesh a far scrap of thin wood and whatever else."""
    far = quad("scrap", (0, 900, 900), (0.01, 900, 900), (0.01, 900.01, 900), (0, 900.01, 900))
    write_obj(folder / "open.obj", [far, *pieces])
    text = PLAN.format(radio=radio, transmitter=transmitter, receiver=receiver, more=more)
    (folder / "open.toml").write_text(text, encoding="utf-8")
    return load_plan(folder / "open.toml")


def solved(folder, **parts):
    plan = written(folder, **parts)
    return solve(plan, load_scene(plan), jobs=Jobs(workers=1))


def hand_power_dbm(distance_m, power_dbm):
    """What the lamp's radio gets from an isotropic sender, 20 MHz wide, in one of its channels of 1 MHz."""
    return power_dbm - free_space_loss_db(distance_m, CENTRE_HZ) + DIPOLE_DBI - 0.25 - 10 * np.log10(20)


def test_an_access_point_and_a_phone_change_the_margin_as_a_hand_budget_says(tmp_path):
    """Need over both: sensitivity and interference plus 14 dB, added as powers; on the channels they fill alone."""
    (link,) = solved(tmp_path, more=ACCESS_POINT + PHONE).links
    (clean,) = solved(tmp_path).links
    assert link.margin_db == clean.margin_db
    channels = link.channels_hz
    need = np.full(79, 10 ** (-90 / 10))
    for low, distance, power in ((2402e6, 10.0, 20.0), (2427e6, 2.0, 12.0)):
        within = np.clip(np.minimum(channels + 0.5e6, low + 20e6) - np.maximum(channels - 0.5e6, low), 0, None) / 1e6
        need += within * 10 ** ((hand_power_dbm(distance, power) + 14) / 10)
    np.testing.assert_allclose(link.air.needed_dbm, 10 * np.log10(need), atol=0.02)
    assert link.busy_margin_db == pytest.approx(link.mean_power_dbm - 10 * np.log10(need.max()), abs=0.02)
    assert link.air.strongest == "phone"
    assert link.air.disturbed == np.count_nonzero(10 * np.log10(need) > -87.0)
    assert clean.air is None
    assert clean.busy_margin_db is None


def test_clean_air_is_never_better_than_workable(tmp_path):
    """Nothing fades in the open: the chance is whole either way, the word depends on what is known of the air."""
    (clean,) = solved(tmp_path).links
    assert (clean.chance, clean.verdict) == (1.0, "workable")
    far = PHONE.replace("-2.0", "-800.0")
    (listed,) = solved(tmp_path, more=far).links
    assert (listed.chance, listed.verdict) == (1.0, "solid")


def test_duty_and_repeats_make_the_chance(tmp_path):
    """A jammer over all channels at a duty of 0.3 stops 3 packets in 10; of three copies 1 − 0.3³ hold, of 5 more."""
    jammer = ACCESS_POINT.replace("low_hz = 2402e6\nhigh_hz = 2422e6", "low_hz = 2400e6\nhigh_hz = 2483e6")
    jammer = jammer.replace("power_dbm = 20", "power_dbm = 40")
    (once,) = solved(tmp_path, more=jammer).links
    (thrice,) = solved(tmp_path, more=jammer, radio="repeats = 3").links
    (many,) = solved(tmp_path, more=jammer, radio="repeats = 3\npackets_s = 20").links
    np.testing.assert_allclose(once.packet_success, 0.7, rtol=1e-12)
    assert once.chance == pytest.approx(0.7)
    assert thrice.chance == pytest.approx(1 - 0.3**3)
    assert many.chance == pytest.approx(1 - 0.3**5)
    assert once.clean_chance == thrice.clean_chance == 1.0


def test_each_packet_meets_its_own_moment_on_a_single_channel_too(tmp_path):
    """Of ten packets on the one channel of a jammer at a duty of 0.3, all are stopped once in 0.3⁻¹⁰ times."""
    plan = written(tmp_path, more=ACCESS_POINT.replace("power_dbm = 20", "power_dbm = 40"))
    one = replace(
        plan.transmitters[0].radio, last_channel_hz=2402e6, first_channel_hz=2402e6, packets_s=40.0, repeats=1
    )
    alone = replace(
        plan,
        transmitters=tuple(replace(t, radio=one) for t in plan.transmitters),
        receivers=tuple(replace(r, radio=one) for r in plan.receivers),
    )
    solution = solve(alone, load_scene(alone), jobs=Jobs(workers=1))
    (link,) = solution.links
    np.testing.assert_allclose(link.packet_success, 0.7, rtol=1e-12)
    assert link.chance == pytest.approx(1 - 0.3**10, abs=1e-12)
    assert solution.services["lamp"].stutter.mean_delay_s < 0.1


HOPPING = """
[radio.other]
first_channel_hz = 2402e6
last_channel_hz = 2480e6
channel_spacing_hz = 1e6
bandwidth_hz = 1e6
sensitivity_dbm = -90

[[transmitter]]
name = "next door"
position_m = [0.0, 0.7, 0.0]
upright = true
antenna = "dipole"
power_dbm = 10
cable_loss_db = 0
radio = "other"
"""


def test_another_hopper_is_on_one_of_its_channels_at_a_time(tmp_path):
    """79 channels in step with ours: whole power, in one packet of 79, whether it is the plan's own or listed so."""
    (own,) = solved(tmp_path, more=HOPPING).links
    np.testing.assert_allclose(own.packet_success, 1 - 1 / 79, rtol=1e-12)
    power = 10 + 2 * DIPOLE_DBI - 0.25 - free_space_loss_db(0.7, CENTRE_HZ)
    assert own.air.needed_dbm.max() == pytest.approx(power + 14, abs=0.05)
    assert not own.air.listed
    assert own.verdict != "solid"
    assert own.air_words == "noise and the plan's own radios only"
    listed = ACCESS_POINT.replace("low_hz = 2402e6\nhigh_hz = 2422e6", "low_hz = 2401.5e6\nhigh_hz = 2480.5e6")
    listed = listed.replace("duty = 0.3", "duty = 1.0\nbandwidth_hz = 1e6").replace("[0.0, 10.0", "[0.0, 0.7")
    (told,) = solved(tmp_path, more=listed).links
    np.testing.assert_allclose(told.packet_success, 1 - 1 / 79, rtol=1e-12)
    assert told.air.listed


def test_what_is_listed_on_another_band_says_nothing_of_this_one(tmp_path):
    far = PHONE.replace("2427e6", "5727e6").replace("2447e6", "5747e6")
    (link,) = solved(tmp_path, more=far).links
    assert link.air is None
    assert (link.verdict, link.air_words) == ("workable", "clean air only")


def test_levels_and_noise_need_no_tracing(tmp_path):
    """A level is what the antenna gets; noise reaches as far as it is said to and lifts the threshold as it is."""
    level = '\n[[occupied]]\nname = "band"\nlevel_dbm = -60\nlow_hz = 2400e6\nhigh_hz = 2500e6\nduty = 1.0\n'
    (link,) = solved(tmp_path, more=level).links
    per_channel = -60 - 0.25 - 20.0
    expected = 10 * np.log10(10**-9.0 + 10 ** ((per_channel + 14) / 10))
    np.testing.assert_allclose(link.air.needed_dbm, expected, atol=1e-9)
    noise = '\n[[occupied]]\nname = "wall of lamps"\nlow_m = [-3.0, 1.0, 0.0]\nhigh_m = [3.0, 1.0, 4.0]\n'
    noise += "noise_rise_db = 6\nwithin_m = {}\n"
    (near,) = solved(tmp_path, more=noise.format(1.01)).links
    (beyond,) = solved(tmp_path, more=noise.format(0.99)).links
    np.testing.assert_allclose(near.air.needed_dbm, -84.0, atol=1e-9)
    assert not near.air.listed
    assert beyond.air is None


def test_of_a_crowd_as_many_count_as_are_on_in_one_moment_of_a_hundred():
    """500 phones in four places; busiest is the 99 % point of each place's binomial law, moments are drawn from it."""
    radio = Radio("r", 2402e6, 2480e6, 1e6, 1e6, -90.0, carrier_to_interference_db=14.0)
    share = radio.overlap(np.array([2402e6] * 4), np.array([2422e6] * 4))
    duty = np.full(share.shape, 0.02)
    air = AirAt(("crowd",) * 4, np.full(4, 1e-9), np.array([125] * 4), duty, share, 1.0)
    most = stats.binom.ppf(0.99, 125, 0.02)
    np.testing.assert_allclose(air.busiest_w()[5], 4 * most * 1e-9 / 20)
    found = enumerate_moments(air.count, duty, share, drawn=4000, generator=np.random.default_rng(1))
    others = [counted @ air.power_w for counted in found.counted]
    assert others[found.kind[5]].mean() == pytest.approx(4 * 125 * 0.02 * 1e-9 / 20, rel=0.02)
    assert all((others[kind] == 0.0).all() for kind in found.kind[40:])
    # On a channel of theirs, over as many as the binomial law of all 500 has on in half the moments; and on a free one.
    half = stats.binom.ppf(0.5, 500, 0.02)
    arriving = np.full((1, 79), 1.001 * radio.needed_w(np.array(half * 1e-9 / 20)))
    held = air.holding(arriving, radio, hand_db=0.0, seed=3)[0]
    assert held[5] == pytest.approx(stats.binom.cdf(half, 500, 0.02), abs=0.1)
    assert (held[40:] == 1.0).all()
    assert busy_air(air, radio).strongest == "crowd"


def test_another_radio_of_the_plan_on_the_same_channels_disturbs(tmp_path):
    """A second system 10 m off with a dipole, 4 MHz wide; it counts where the air is listed."""
    other = """
[radio.other]
first_channel_hz = 2440e6
last_channel_hz = 2440e6
channel_spacing_hz = 1e6
bandwidth_hz = 4e6
sensitivity_dbm = -90

[[transmitter]]
name = "next door"
position_m = [0.0, 10.0, 0.0]
upright = true
antenna = "dipole"
power_dbm = 10
cable_loss_db = 0
radio = "other"
"""
    (link,) = solved(tmp_path, more=other + PHONE.replace("-2.0", "-800.0")).links
    power = 10 + 2 * DIPOLE_DBI - 0.25 - free_space_loss_db(10.0, CENTRE_HZ) - 10 * np.log10(4)
    assert link.air.needed_dbm[38] == pytest.approx(10 * np.log10(10**-9.0 + 10 ** ((power + 14) / 10)), abs=0.02)
    assert link.air.needed_dbm[60] == pytest.approx(-90.0, abs=0.01)
    assert link.air.strongest == "next door"


def test_a_worn_pack_is_judged_at_its_worst_heading(tmp_path):
    """Aimed at the transmitter nothing is lost; turned away 15 dB at 2.45 GHz: the numbers are of that heading."""
    (open_link,) = solved(tmp_path).links
    (worn,) = solved(tmp_path, receiver="worn = true").links
    assert len(worn.headings) == 8
    lost = [open_link.mean_power_dbm - heading.mean_power_dbm for heading in worn.headings]
    # The pack looks along +x, the transmitter is along −x: as the plan aims it, it is turned away.
    away = np.interp(np.log(CENTRE_HZ), np.log([915e6, 2450e6]), [10.0, 15.0])
    turned = np.cos(np.radians(45.0 * np.arange(8)))
    np.testing.assert_allclose(lost, away * 0.5 * (1 + turned), atol=1e-6)
    assert worn.mean_power_dbm == pytest.approx(open_link.mean_power_dbm - away, abs=1e-6)
    assert worn.turned_rad == 0.0


def test_housings_and_connectors_take_what_they_are_said_to(tmp_path):
    (open_link,) = solved(tmp_path).links
    (cased,) = solved(tmp_path, receiver='inside = "metal lantern"\nconnectors = 2', transmitter="connectors = 1").links
    assert open_link.mean_power_dbm - cased.mean_power_dbm == pytest.approx(4.0 + 0.6, abs=1e-9)


def test_a_receiver_in_something_metal_is_judged_at_its_worst_too(tmp_path):
    """A metal prop takes 14 dB, and 38 at worst; where 24 dB more are too many a caution says so."""
    inside = 'inside = "metal prop"'
    easy = solved(tmp_path, receiver=inside)
    (link,), worst = easy.links, easy.worst["lamp"]
    assert worst.more_db == pytest.approx(24.0)
    assert worst.fade_power_dbm == pytest.approx(link.fade_power_dbm - 24.0, abs=1e-9)
    assert page(easy, "lamp")["at_worst"]["chance_of_holding"] == worst.chance
    assert (worst.chance > 0.99) == (link.fade_margin_db - 24.0 > 10.0)
    plan = written(tmp_path, receiver=inside)
    weak = replace(plan, transmitters=(replace(plan.transmitters[0], power_dbm=-link.fade_margin_db + 10 + 12),))
    hard = solve(weak, load_scene(weak), jobs=Jobs(workers=1))
    assert hard.links[0].verdict == "workable"
    (said,) = [f for f in hard.findings if f.code == "at-worst"]
    assert "at worst it takes 24 dB more: lost then" in said.message
    assert solved(tmp_path).worst["lamp"] is None


def test_a_worn_pack_at_its_worst_loses_what_a_body_takes_at_worst(tmp_path):
    solution = solved(tmp_path, receiver="worn = true")
    (link,), worst = solution.links, solution.worst["lamp"]
    assert worst.more_db == pytest.approx(10.0, abs=0.05)  # 25 dB facing away at 2.45 GHz, 15 typical
    assert worst.fade_power_dbm == pytest.approx(link.fade_power_dbm - worst.more_db, abs=1e-6)


def test_a_budget_adds_up_to_the_mean_power_and_to_a_hand_budget(tmp_path):
    """Free space has no walls: their line is nothing, and every other is what a hand writes down."""
    solution = solved(tmp_path, receiver="worn = true", more=PHONE)
    (link,) = solution.links
    plan = solution.plan
    lines = budget(solution.setting, link, transmitter=plan.transmitters[0], receiver=plan.receivers[0])
    told = {line.item: line.value for line in lines}
    end = [line.item for line in lines].index("mean power")
    assert sum(line.value for line in lines[:end]) == pytest.approx(link.mean_power_dbm, abs=1e-9)
    assert told["sent by the radio"] == 10.0
    assert told["free space"] == pytest.approx(-free_space_loss_db(20.0, CENTRE_HZ), abs=1e-9)
    assert told["walls, bounces, other paths"] == pytest.approx(0.0, abs=1e-9)
    assert told["transmitting antenna"] == told["receiving antenna"] == pytest.approx(DIPOLE_DBI, abs=1e-3)
    assert told["off its peak"] == pytest.approx(0.0, abs=1e-9)
    assert told["polarisation"] == pytest.approx(0.0, abs=1e-9)
    assert told["margin on clean air"] == pytest.approx(link.mean_power_dbm + 90.0, abs=1e-9)
    assert told["margin over the busiest air"] == pytest.approx(link.busy_margin_db, abs=1e-9)


def test_polarisation_of_a_tilted_antenna_is_its_own_line(tmp_path):
    """A dipole tilted by 60° across the line loses 6.0206 dB."""
    solution = solved(tmp_path, receiver="")
    plan = solution.plan
    tilt = np.radians(60.0)
    leaning = replace(plan.receivers[0], axes=aim_axes(np.array([-1.0, 0.0, 0.0]), tilt))
    there = replace(plan, receivers=(leaning,))
    found = solve(there, solution.setting.scene, jobs=Jobs(workers=1))
    lines = budget(found.setting, found.links[0], transmitter=plan.transmitters[0], receiver=leaning)
    assert {line.item: line.value for line in lines}["polarisation"] == pytest.approx(-6.0206, abs=1e-3)


def test_answers_come_back_with_their_own_power(tmp_path):
    """10 dBm one way, −5 dBm the other: 15 dB less; a phone beside the desk disturbs the answers alone."""
    phone = PHONE.replace("[0.0, -2.0, 0.0]", "[-20.0, -2.0, 0.0]")
    solution = solved(tmp_path, receiver="answers = true\nanswer_power_dbm = -5", more=phone)
    (link,), answer = solution.links, solution.services["lamp"].answer
    assert answer.margin_db == pytest.approx(link.margin_db - 15.0, abs=1e-9)
    power = 12 - free_space_loss_db(2.0, CENTRE_HZ) + DIPOLE_DBI - 0.5 - 10 * np.log10(20)
    need = 10 * np.log10(10**-9.0 + 10 ** ((power + 14) / 10))
    assert answer.busy_margin_db == pytest.approx(link.mean_power_dbm - 15.0 - need, abs=0.02)
    assert answer.busy_margin_db < link.busy_margin_db - 15.0
    # Nearly every answer finds a free channel; with all channels taken for most of the time few do.
    assert answer.chance > 0.99
    assert not [f for f in solution.findings if f.code == "answer-weak"]
    taken = phone.replace(
        "low_hz = 2427e6\nhigh_hz = 2447e6\nduty = 0.02", "low_hz = 2400e6\nhigh_hz = 2483e6\nduty = 0.8"
    )
    solution = solved(tmp_path, receiver="answers = true\nanswer_power_dbm = -5", more=taken)
    assert solution.services["lamp"].answer.chance == pytest.approx(0.2)
    assert solution.links[0].verdict == "solid"
    (finding,) = [f for f in solution.findings if f.code == "answer-weak"]
    assert "its answers may not reach desk: they hold with a chance of 20 %" in finding.message


def test_a_panel_a_metre_away_overloads(tmp_path):
    solution = solved(tmp_path, radio="greatest_input_dbm = -10")
    assert not [f for f in solution.findings if f.code == "overload"]
    solution = solved(tmp_path, radio="greatest_input_dbm = -56")
    assert summary(solution)[0].startswith("It does not hold everywhere: 0 of 1")
    (finding,) = [f for f in solution.findings if f.code == "overload"]
    assert finding.value == pytest.approx(solution.links[0].mean_power_dbm)


def test_a_radio_that_hears_below_its_own_noise_is_told(tmp_path):
    """1 MHz at 290 K is −113.975 dBm: with a noise figure of 10 dB −90 dBm is above it, with 30 dB below."""
    for figure, told in ((10, False), (30, True)):
        found = [f for f in solved(tmp_path, radio=f"noise_figure_db = {figure}").findings if f.code == "below-noise"]
        assert bool(found) is told
    assert found[0].limit == pytest.approx(-83.975, abs=1e-3)


def test_universes_that_do_not_fit_are_told(tmp_path):
    """512 slots at 44 a second are 180 224 bit/s: in 150 kbit/s a fail, in 200 a caution, in 250 nothing."""
    load = "universes = 1\nslots = 512\nframes_s = 44"
    for rate, severity in ((150e3, "fail"), (200e3, "caution"), (250e3, None)):
        solution = solved(tmp_path, radio=f"data_rate_bit_s = {rate:.0f}", transmitter=load)
        found = [f.severity for f in solution.findings if f.code == "air-time"]
        assert found == ([severity] if severity else [])


def test_freezes_are_told_where_packets_are_known(tmp_path):
    """A jammer that stops 6 packets in 10, one packet an update, 40 a second: freezes within two hours for certain."""
    jammer = ACCESS_POINT.replace("low_hz = 2402e6\nhigh_hz = 2422e6", "low_hz = 2400e6\nhigh_hz = 2483e6")
    jammer = jammer.replace("power_dbm = 20", "power_dbm = 40").replace("0.3", "0.6")
    told = "repeats = 1\npackets_s = 40"
    solution = solved(tmp_path, more=jammer, radio=told, receiver='on_loss = "off"\nimportance = 3')
    service = solution.services["lamp"]
    assert service.stutter.freeze_chance > 0.95
    assert service.harm == pytest.approx(9.0 * service.stutter.freeze_chance)
    (finding,) = [f for f in solution.findings if f.code == "stutter"]
    assert (finding.severity, finding.where) == ("fail", "lamp")
    assert "nothing kept in hand: almost certain, provided the air matches the list; on loss" in finding.message
    # Power alone would hold: ten packets in a quarter of a second. Nothing is called well beside the freezes.
    assert solution.links[0].verdict == "workable" or solution.links[0].verdict == "solid"
    (holds,) = [f for f in solution.findings if f.code == "holds"]
    assert holds.message.endswith("But see what is said of its freezes.")
    assert not [f for f in solution.findings if "nothing to do" in f.message]
    lines = summary(solution)
    assert lines[0] == "It does not hold everywhere: 0 of 1 receivers hold, over the air listed."
    assert lines[-1].startswith("First thing to do: lamp: chance of a visible freeze")
    quiet = solved(tmp_path, radio=told)
    assert quiet.services["lamp"].stutter.freeze_chance == 0.0
    assert not [f for f in quiet.findings if f.code == "stutter"]
    (missing,) = [f for f in solved(tmp_path).findings if f.code == "radio-data"]
    assert "packets_s (chance of a freeze)" in missing.message


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ({"more": ACCESS_POINT + "count = 3\n"}, ["it is one of", "delete count"]),
        ({"more": ACCESS_POINT.replace("duty = 0.3", "")}, ["add duty"]),
        ({"more": ACCESS_POINT.replace("2422e6", "2402e6")}, ["low_hz must lie below high_hz"]),
        ({"more": ACCESS_POINT.replace('"access point"', '"lamp"')}, ["names must be unique"]),
        ({"receiver": "answers = true"}, ["answer_power_dbm", "is missing"]),
        ({"receiver": "answer_power_dbm = 3"}, ["without answers = true"]),
        ({"receiver": 'inside = "metal lantrn"'}, ['"metal lantern"']),
        ({"receiver": "importance = 9"}, ["1 to 5"]),
        ({"transmitter": "universes = 1"}, ["go together"]),
        ({"transmitter": "universes = 1\nslots = 512\nframes_s = 60"}, ["at most 44.1 frames"]),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(tmp_path, parts, words):
    with pytest.raises(InputError) as caught:
        written(tmp_path, **parts)
    for word in words:
        assert word in str(caught.value)


def test_a_radio_without_carrier_to_interference_is_refused_where_others_are_on_its_channels(tmp_path):
    path = tmp_path / "open.toml"
    written(tmp_path, more=ACCESS_POINT)
    path.write_text(path.read_text().replace("carrier_to_interference_db = 14\n", ""))
    with pytest.raises(InputError, match='"access point" is on its channels'):
        load_plan(path)


def test_who_stands_for_a_crowd_steps_aside(tmp_path):
    """The lamp on the spot of one of the four: no phone need be there. A single sender on it is refused."""
    crowd = '\n[[occupied]]\nname = "crowd"\nlow_m = [-4.0, -4.0, 0.0]\nhigh_m = [12.0, 12.0, 0.0]\ncount = 400\n'
    crowd += "power_dbm = 12\nlow_hz = 2427e6\nhigh_hz = 2447e6\nduty = 0.02\n"
    (link,) = solved(tmp_path, more=crowd).links
    assert np.isfinite(link.busy_margin_db)
    with pytest.raises(InputError, match='"phone" stands where "lamp" stands'):
        solved(tmp_path, more=PHONE.replace("[0.0, -2.0, 0.0]", "[0.0, 0.0, 0.0]"))


def test_disturbers_stand_in_the_air(tmp_path):
    """Phones in a solid crowd come to the top of their box; a box inside the solid altogether is refused."""
    people = block("people", (4, -0.4, -1), (6, 0.4, 0.2))
    crowd = '\n[[occupied]]\nname = "crowd"\nlow_m = [4.5, -0.3, -0.5]\nhigh_m = [5.5, 0.3, {}]\ncount = 40\n'
    crowd += "power_dbm = 12\nlow_hz = 2427e6\nhigh_hz = 2447e6\nduty = 0.02\n"
    (link,) = solved(tmp_path, more=crowd.format(0.3), pieces=(people,)).links
    assert link.air.strongest == "crowd"
    with pytest.raises(InputError, match='"crowd" stands inside the solid "people"'):
        solved(tmp_path, more=crowd.format(0.1), pieces=(people,))


CROWD = Occupied(
    "crowd", np.array([[0.0, 0.0, 0.9], [16.0, 8.0, 1.5]]), 450, 12.0, None, 2427e6, 2447e6, 0.01, 0.0, 0.0
)


@pytest.mark.parametrize(
    ("place", "wrong"),
    [((4.001, 2.0, 1.2), 30.0), ((4.0, 2.5, 1.2), 4.0), ((8.0, 4.0, 1.2), -3.0), ((8.0, 4.0, 3.0), None),
     ((0.2, 4.2, 1.0), None), ((8.0, -3.0, 1.2), None), ((19.0, 4.0, 1.2), None), ((-15.0, 4.0, 5.0), 0.0)],
)  # fmt: skip
def test_emitters_of_a_crowd_bring_what_a_drawn_crowd_brings(place, wrong):
    """The mean of 400 crowds of 450, each phone at random in the box, 1/d² each; without the factor it is off."""
    place = np.array(place)
    senders, counts = emitters(CROWD)
    spots = np.array([sender.position_m for sender in senders])
    from_spots = np.array(counts) / ((spots - place) ** 2).sum(axis=1)
    phones = np.random.default_rng(5).uniform(*CROWD.box_m, size=(400, 450, 3))
    drawn = (1.0 / np.maximum(((phones - place) ** 2).sum(axis=-1), LEAST_M**2)).sum(axis=1).mean()
    corrected = (from_spots * nearness(CROWD, spots, place)).sum()
    assert 10 * np.log10(corrected / drawn) == pytest.approx(0.0, abs=0.3)
    if wrong is not None:
        before = 10 * np.log10(from_spots.sum() / drawn)
        assert before == pytest.approx(0.0, abs=0.3) if wrong == 0.0 else before * np.sign(wrong) > abs(wrong)


def test_nearness_in_cells_is_that_averaged_over_them():
    """Cells of 1 m: the emitters' 1/d² averaged over a cell, times the factor of its middle, is what the crowd brings.

    The mean of 1/d² over a cube of side a round its middle is 7.6/a² to 7.7/a² (numerically), 1/(0.36 a)² within 2 %.
    """
    steps = (np.arange(100) + 0.5) / 100 - 0.5
    square = sum(axis**2 for axis in np.meshgrid(steps, steps, steps))
    assert (1.0 / square).mean() == pytest.approx(1.0 / CELL_SHARE**2, rel=0.02)
    middles = np.array([[[4.0, 2.0, 1.2], [5.0, 2.0, 1.2]], [[8.0, 4.0, 1.2], [30.0, 4.0, 1.2]]])
    spots = np.array([sender.position_m for sender in emitters(CROWD)[0]])
    factor = nearness(CROWD, spots, middles, cell_m=1.0)
    assert factor.shape == (4, 2, 2)
    at_places = nearness(CROWD, spots, middles)
    np.testing.assert_array_equal(factor[:, 1], at_places[:, 1])
    phones = np.random.default_rng(5).uniform(*CROWD.box_m, size=(50_000, 3))[:12_500] * [0.5, 0.5, 1.0]
    mean = (1.0 / np.maximum(((phones - middles[0, 0]) ** 2).sum(axis=-1), LEAST_M**2)).mean()
    assert factor[0, 0, 0] == pytest.approx(CELL_SHARE**2 * mean, rel=0.05)


def test_a_single_place_needs_no_correction():
    single = replace(CROWD, box_m=np.array([[1.0, 2.0, 3.0]] * 2), count=1)
    np.testing.assert_array_equal(nearness(single, np.array([[1.0, 2.0, 3.0]]), np.zeros((5, 3))), np.ones((1, 5)))
