"""Coverage: verdicts of voxels from the Rice law, zones summed up, findings; volumes made by hand and one traced."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from rf3d.assessment import coverage as covering
from rf3d.assessment.coverage import VERDICTS, coverage, coverage_findings, verdicts, zone_voxels
from rf3d.assessment.fading import fade_depth_db
from rf3d.assessment.links import ALLOWANCE_DB, VERDICT_CHANCES, VERDICT_DEFINITION
from rf3d.assessment.run import ready
from rf3d.jobs import Jobs
from rf3d.plan import load_plan, load_scene
from rf3d.propagation.grid import Grid, make_grid
from rf3d.propagation.volume import Detail, Ledger, TransmitterVolume, trace_volume
from rf3d.venue.zones import Zone
from tests.test_plan import change

SENSITIVITY_DBM = -90.0


@pytest.fixture
def plan(room_plan):
    """The room's plan."""
    return load_plan(room_plan)


@pytest.fixture
def setting(plan):
    """The room made ready; its cupboard is a solid from (3, 5, 0.5) to (4, 5.5, 2.5)."""
    return ready(plan, load_scene(plan))


def by_hand(setting, own_dbm, *, direct_share=0.5, error_share=0.0, name="on the wall", voxel=0.5) -> TransmitterVolume:
    """A volume whose receiving antenna gets the given power, of which a share is direct."""
    grid = make_grid(setting.scene, voxel)
    power = np.broadcast_to(10 ** (np.asarray(own_dbm) / 10) * 1e-3, grid.shape)
    none = np.zeros(grid.shape)
    detail = Detail(
        np.zeros((3, *grid.shape)), none, none, power, power * error_share, power * direct_share, (),
        np.zeros((0, *grid.shape)), np.zeros((0, *grid.shape)),
    )  # fmt: skip
    return TransmitterVolume(
        name, grid, 64, 1, 1, 64, power, none, none, none, none, None, None, detail, Ledger(1, 0, 1, 0, 0, 0), 1, ""
    )


def covered(plan, setting, volumes, zones=()):
    """Coverage of the room's radio at its receiver's dipole."""
    antenna = covering.listening_antenna(plan, "hopper")
    return coverage(plan, setting, radio="hopper", antenna=antenna, volumes=volumes, zones=zones)


# --- the law -------------------------------------------------------------------------------------------------------


def test_verdicts_change_where_the_links_words_do():
    """At 10 dB in hand and the depth for each chance: a hair more or less margin is another word, up to workable."""
    k = np.array([-30.0, 3.0, 12.0])
    best = VERDICTS.index("workable")
    for place, (name, chance) in enumerate(reversed(VERDICT_CHANCES), start=1):
        limit = ALLOWANCE_DB + fade_depth_db(k, chance)
        assert VERDICTS[place] == name
        np.testing.assert_array_equal(verdicts(limit + 1e-6, k), min(place, best))
        np.testing.assert_array_equal(verdicts(limit - 1e-6, k), place - 1)
    assert covering.COVERAGE_DEFINITION.startswith(VERDICT_DEFINITION)
    assert verdicts(np.array(-np.inf), np.array(40.0)) == VERDICTS.index("lost")


# --- voxels and zones ----------------------------------------------------------------------------------------------


def test_zones_take_the_voxels_whose_middle_they_hold(setting):
    grid = make_grid(setting.scene, 0.5)
    assert grid.shape == (16, 12, 8)
    centres = grid.centres_m(np.arange(grid.count)) + grid.origin_m
    for low, high in (((1, 1, 0), (3, 4, 2)), ((0.2, 0.3, 0.2), (0.8, 5.74, 3.76)), ((-5, -5, 3.1), (99, 0.3, 99))):
        zone = Zone("z", np.array(low, float), np.array(high, float))
        np.testing.assert_array_equal(zone_voxels(grid, zone), np.flatnonzero(zone.holds(centres)))
    thin = Zone("thin", np.array([1.0, 1.0, 1.3]), np.array([1.2, 1.2, 1.35]))
    assert zone_voxels(grid, thin).tolist() == [grid.number_at(np.array([1.1, 1.1, 1.32]) - grid.origin_m)]
    away = Zone("away", np.array([50.0, 1.0, 1.0]), np.array([52.0, 2.0, 2.0]))
    assert len(zone_voxels(grid, away)) == 0


def test_shares_and_the_worst_hundredth_are_counted(plan, setting):
    """Half direct, K is 1: 16 layers along x with margins of 10 to 70 dB; the zone holds layers 2 to 9."""
    margins = np.linspace(10.0, 70.0, 16)
    volume = by_hand(setting, SENSITIVITY_DBM + margins[:, None, None])
    zone = Zone("some", np.array([1.0, 0.5, 0.5]), np.array([5.0, 4.5, 3.5]))
    found = covered(plan, setting, [volume], (zone,))
    np.testing.assert_allclose(found.margin_db[:, 0, 0], margins, rtol=1e-6)
    (told,) = found.zones
    assert (told.zone, told.voxels) == ("some", 8 * 8 * 6)
    mine = verdicts(margins[2:10], np.zeros(8))
    for place, word in enumerate(VERDICTS):
        assert told.shares[word] == pytest.approx(np.mean(mine == place))
    assert sum(told.shares.values()) == pytest.approx(1.0)
    assert {v for v, s in told.shares.items() if s > 0} == {"lost", "fragile", "workable"}
    assert told.worst_db == told.worst_low_db == told.worst_high_db == pytest.approx(margins[2])
    assert told.doubtful == 0.0
    assert told.weakest_m[0] == pytest.approx(1.25)


def test_the_standard_error_puts_voxels_in_doubt(plan, setting):
    """An error of 10 % is 0.43 dB; two of them move the words of voxels within 0.87 dB of a limit."""
    limit = ALLOWANCE_DB + float(fade_depth_db(np.array(0.0), 0.99))
    steps = np.linspace(-1.6, 1.6, 16)
    volume = by_hand(setting, SENSITIVITY_DBM + limit + steps[:, None, None], error_share=0.1)
    zone = Zone("some", np.array([0.0, 0.0, 0.0]), np.array([8.0, 4.5, 4.0]))
    (told,) = covered(plan, setting, [volume], (zone,)).zones
    two = 2 * 10 / np.log(10) * 0.1
    assert told.doubtful == pytest.approx(np.mean(np.abs(steps) < two))
    assert 0.2 < told.doubtful < 0.8
    assert told.worst_low_db == pytest.approx(limit - 1.6 - two)
    assert told.worst_high_db == pytest.approx(limit - 1.6 + two)


def test_the_strongest_transmitter_decides_voxel_by_voxel(plan, setting):
    """Two that are strong at either end; NaN errors of voxels that no ray came by count as none."""
    layers = np.arange(16.0)
    one = by_hand(setting, (-60 - 2 * layers)[:, None, None], name="one", direct_share=0.9)
    other = by_hand(setting, (-90 + 2 * layers)[:, None, None] + np.zeros((1, 12, 8)), name="two", direct_share=0.0)
    nan = dataclasses.replace(other.detail, own_std_error_w=np.full(other.grid.shape, np.nan))
    found = covered(plan, setting, [one, dataclasses.replace(other, detail=nan)])
    np.testing.assert_array_equal(found.strongest[:, 0, 0], [0] * 8 + [1] * 8)
    np.testing.assert_allclose(found.margin_db[:, 0, 0], np.maximum(30 - 2 * layers, 2 * layers), atol=1e-4)
    np.testing.assert_allclose(found.direct_ratio_db[:8, 0, 0], 10 * np.log10(9), rtol=1e-5)
    assert np.isnan(found.direct_ratio_db[8:, 0, 0]).all()
    assert found.transmitters == ("one", "two")
    assert [zone.zone for zone in found.zones] == [covering.WHOLE_VENUE]


def test_solids_do_not_count_and_silence_is_lost(plan, setting):
    """The cupboard's voxels have no margin; where nothing arrives the verdict is lost and the margin minus infinity."""
    heard = np.where(np.arange(8) < 6, -30.0, -np.inf)
    found = covered(plan, setting, [by_hand(setting, heard, direct_share=1.0)])
    inside = np.zeros(found.grid.shape, dtype=bool)
    inside[6:8, 10:11, 1:5] = True
    np.testing.assert_array_equal(np.isnan(found.margin_db), inside)
    np.testing.assert_array_equal(found.verdict == -1, inside)
    assert (found.margin_db[:, :, 6:] == -np.inf).all()
    assert (found.strongest[:, :, 6:] == -1).all()
    (told,) = found.zones
    assert told.voxels == 16 * 12 * 8 - inside.sum()
    assert told.shares["lost"] == pytest.approx(16 * 12 * 2 / told.voxels)
    assert told.shares["workable"] == pytest.approx(1 - told.shares["lost"])
    assert told.worst_db == -np.inf
    (finding,) = coverage_findings(found)
    assert (finding.code, finding.severity, finding.where) == ("zone-weak", "caution", covering.WHOLE_VENUE)
    assert "25 % lost for hopper at dipole upright, on clean air only;" in finding.message
    assert "nothing above the threshold" in finding.message
    assert covering.coverage_as_json(found)["zones"][0]["worst_1_percent_db"] is None


def test_a_zone_that_holds_has_no_finding(plan, setting):
    assert coverage_findings(covered(plan, setting, [by_hand(setting, -30.0, direct_share=1.0)])) == []


def test_the_antenna_that_most_receivers_have_listens(room_plan):
    text = room_plan.read_text()
    receiver = text[text.index("[[receiver]]") : text.index("[study]")]
    more = [
        receiver.replace('"lamp"', f'"lamp {i}"').replace("6.0,", f"{3 + i}.0,").replace('"dipole"', '"isotropic"')
        for i in range(2)
    ]
    change(room_plan, "[study]", "".join(more) + "[study]")
    plan = load_plan(room_plan)
    assert covering.listening_antenna(plan, "hopper").name == "isotropic"
    assert covering.listening_antenna(plan, "nobody's") is None


# --- traced --------------------------------------------------------------------------------------------------------


def test_a_traced_room_is_judged_by_what_its_dipole_gets(plan, setting):
    """The receiver's voxel: margin of the volume and of its own power; a weak radio loses what a strong one holds."""
    antenna = covering.listening_antenna(plan, "hopper")
    grid = make_grid(setting.scene, 0.5)
    volume = trace_volume(
        setting, plan.transmitters[0], grid=grid, max_reflections=2, rays=20_000, seed=1, jobs=Jobs(workers=1),
        detail=True, receiving=antenna,
    )  # fmt: skip
    stage = Zone("stage", np.array([2.0, 1.0, 0.0]), np.array([7.0, 5.0, 2.0]))
    found = covered(plan, setting, [volume], (stage,))
    here = grid.number_at(plan.receivers[0].position_m - grid.origin_m)
    power_dbm = 10 * np.log10(volume.detail.own_power_w.flat[here] * 1e3)
    assert found.margin_db.flat[here] == pytest.approx(power_dbm + 90.0, abs=1e-4)
    rest = volume.detail.own_power_w.flat[here] - volume.detail.own_direct_power_w.flat[here]
    ratio = volume.detail.own_direct_power_w.flat[here] / rest
    assert found.direct_ratio_db.flat[here] == pytest.approx(10 * np.log10(ratio), abs=1e-4)
    assert found.zones[0].shares["workable"] == 1.0
    assert coverage_findings(found) == []
    weak = dataclasses.replace(plan.transmitters[0].radio, sensitivity_dbm=-20.0)
    deaf = dataclasses.replace(plan, transmitters=(dataclasses.replace(plan.transmitters[0], radio=weak),))
    (finding,) = coverage_findings(covered(deaf, setting, [volume], (stage,)))
    assert finding.where == "stage"
    assert finding.value == pytest.approx(1.0, abs=0.1)
    assert stage.holds(np.array([finding.place_m])).all()


def test_a_grid_keeps_its_place_in_the_venue():
    """A region's zones are found by world coordinates."""
    grid = Grid(np.array([0.0, 0.0, 0.0]), np.array([100.0, 0.0, 0.0]), 0.5, (4, 4, 4), (2, 2, 0))
    zone = Zone("z", np.array([101.4, 1.0, 0.0]), np.array([102.1, 1.5, 0.5]))
    centres = grid.centres_m(zone_voxels(grid, zone)) + grid.origin_m
    np.testing.assert_allclose(centres, [[101.75, 1.25, 0.25]])
