"""What people who rig radios know, asked of the engine: paths and fields, not formulas.

Every check here is common practice, no source: the direction is what the trade says, the size is a bound that
leaves room for the venue.
"""

from __future__ import annotations

import numpy as np
import pytest

from rf3d.jobs import Jobs
from rf3d.propagation.fields import fields
from rf3d.propagation.kernels.interfaces import opaque_parts
from rf3d.propagation.paths import find_paths, prepare
from rf3d.radio.antennas import aim_axes, make_antenna
from rf3d.radio.radios import Radio, Receiver, Transmitter
from rf3d.units import from_db, to_db
from rf3d.venue.facets import find_facets
from tests.scenes import block, quad, scene_of, surface

BANDS_HZ = (915e6, 2.45e9, 5.8e9)
UPRIGHT = np.eye(3)
DIPOLE = make_antenna("dipole", pattern="dipole")
OMNI = make_antenna("omni", pattern="omni", gain_dbi=5.0, efficiency=0.9)
PANEL = make_antenna(
    "panel",
    pattern="panel",
    gain_dbi=9.0,
    beamwidth_deg=(60.0, 60.0),
    polarisation="vertical",
    xpd_db=20.0,
    efficiency=0.9,
)


def received_db(
    pieces, surfaces, tx, rx, *, frequency_hz=2.45e9, antennas=(DIPOLE, DIPOLE), axes=(UPRIGHT, UPRIGHT), order=1
):
    """Mean received power over power sent, dB: paths with up to ``order`` reflections and over edges, powers added."""
    scene = scene_of(pieces)
    facets = find_facets(scene)
    radio = Radio("probe", frequency_hz, frequency_hz, 1e6, 1e6, -90.0)
    setting = prepare(scene, facets, surfaces, opaque=opaque_parts(surfaces, np.array([frequency_hz])))
    transmitter = Transmitter("tx", np.array(tx, float), antennas[0], axes[0], 0.0, 0.0, radio)
    receiver = Receiver("rx", np.array(rx, float), antennas[1], axes[1], 0.0, radio)
    paths, _ = find_paths(
        setting, scene.to_local(transmitter.position_m[None]), scene.to_local(receiver.position_m[None]),
        linked=np.ones((1, 1), dtype=bool), max_reflections=order, rays=640, seed=1, jobs=Jobs(workers=1),
        edges_at_hz=frequency_hz if order else None,
    )  # fmt: skip
    answer = fields(
        paths, facets, surfaces=surfaces, transmitters=(transmitter,), receivers=(receiver,),
        frequencies_hz=np.array([frequency_hz]), wedges=setting.wedges,
    )  # fmt: skip
    return float(to_db((np.abs(answer.amplitude[:, 0]) ** 2).sum()))


def wall(name: str):
    """A wall of 60 × 60 m at x = 5, so large that nothing goes round it."""
    return [quad(name, (5, -30, -30), (5, 30, -30), (5, 30, 30), (5, -30, 30))]


def far_plate():
    """Something that makes a venue and stands in nobody's way."""
    return [quad("plate", (0, 0, 60), (1, 0, 60), (1, 1, 60), (0, 1, 60))], (
        surface("plate", "wood", thickness_m=0.01),
    )


def loss_db(material: str, thickness_m: float | None, frequency_hz: float) -> float:
    """What a wall takes away from a straight shot of 10 m that meets it at 11°."""
    ends = ((0.0, 0.0, 0.0), (9.8, 2.0, 0.0))
    behind = (surface("wall", material, thickness_m=thickness_m),)
    clear = received_db(*far_plate(), *ends, frequency_hz=frequency_hz, order=0)
    return clear - received_db(wall("wall"), behind, *ends, frequency_hz=frequency_hz, order=0)


@pytest.mark.parametrize(
    ("material", "thickness_m"),
    [("plasterboard", 0.013), ("plasterboard", 0.026), ("drape_dry", None), ("drape_wet", None), ("block_wall", 0.2),
     ("concrete", 0.2), ("wood", 0.02), ("audience", 0.3)],
)  # fmt: skip
def test_the_lowest_band_passes_walls_and_drapes_best(material, thickness_m):
    """Common practice, no source: 900 MHz goes through what 2.4 and 5.8 GHz do not."""
    loss = [loss_db(material, thickness_m, band) for band in BANDS_HZ]
    # A board thinner than a wavelength resonates, so 5.8 GHz is compared with the lowest band only.
    assert loss[0] < loss[1] + 0.01
    assert loss[0] < loss[2]
    assert min(loss) > -0.5


def test_the_highest_band_nearly_needs_line_of_sight():
    """Common practice, no source: a block wall that leaves 900 MHz usable takes 5.8 GHz away."""
    low, middle, high = (loss_db("block_wall", 0.2, band) for band in BANDS_HZ)
    assert low < 12.0
    assert high > 15.0
    assert high - low > 8.0
    assert low < middle < high


def test_the_lowest_band_reaches_farthest():
    """Common practice, no source: same radiated power, dipoles at both ends; the range goes with the wavelength."""
    pieces, surfaces = far_plate()
    near = [received_db(pieces, surfaces, (0, 0, 0), (10, 0, 0), frequency_hz=band, order=0) for band in BANDS_HZ]
    assert near[0] > near[1] > near[2]
    assert near[0] - near[1] == pytest.approx(20 * np.log10(BANDS_HZ[1] / BANDS_HZ[0]), abs=1e-9)
    # The distance at which the low band is as weak as the middle one at 10 m.
    farther = 10.0 * BANDS_HZ[1] / BANDS_HZ[0]
    there = received_db(pieces, surfaces, (0, 0, 0), (farther, 0, 0), frequency_hz=BANDS_HZ[0], order=0)
    assert there == pytest.approx(near[1], abs=1e-9)


def test_higher_is_better_over_an_audience():
    """Common practice, no source: at seat height a transmitter must go through the crowd, from a rail over it."""
    pieces = [
        quad("floor", (0, -15, 0), (40, -15, 0), (40, 15, 0), (0, 15, 0)),
        block("crowd", (6.0, -10.0, 0.02), (30.0, 10.0, 1.2)),
    ]
    surfaces = (surface("floor", "concrete", half_space=True), surface("crowd", "audience", body="solid"))
    stage = (36.0, 0.4, 1.0)
    heights = (1.0, 2.5, 5.0)
    level = [received_db(pieces, surfaces, (2.0, 0.0, height), stage) for height in heights]
    assert level[1] > level[0] + 10.0
    assert level[2] > level[0] + 10.0
    # Without the crowd, height does not matter much: it is the bodies that height avoids.
    empty = [received_db(pieces[:1], surfaces[:1], (2.0, 0.0, height), stage) for height in heights]
    assert abs(empty[2] - empty[0]) < 6.0
    assert empty[0] > level[0] + 10.0


def test_two_omnis_want_to_be_upright_and_parallel():
    """Common practice, no source: one laid on its side is lost to the other in free space, both laid alike are not."""
    pieces, surfaces = far_plate()
    ends = ((0.0, 0.0, 0.0), (12.0, 0.0, 0.0))
    # Laid across the shot: its own axis along y, so that it still sends broadside towards the other.
    lying = aim_axes(np.array([1.0, 0.0, 0.0]), np.pi / 2)
    for antenna in (OMNI, DIPOLE):
        pair = (antenna, antenna)
        upright = received_db(pieces, surfaces, *ends, antennas=pair, order=0)
        crossed = received_db(pieces, surfaces, *ends, antennas=pair, axes=(UPRIGHT, lying), order=0)
        both = received_db(pieces, surfaces, *ends, antennas=pair, axes=(lying, lying), order=0)
        assert upright - crossed > 15.0
        assert both == pytest.approx(upright, abs=1e-9)
    # Pointed at the other it is no better: the end of an omni is its null.
    pointed = np.array([[0.0, 0.0, -1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0]])
    ended = received_db(pieces, surfaces, *ends, antennas=(OMNI, OMNI), axes=(UPRIGHT, pointed), order=0)
    assert upright - ended > 15.0


def test_a_panel_on_the_balcony_rail_keeps_its_power_on_the_stage():
    """Common practice, no source: an omni there sends most of its power into the house.

    Receivers on a stage of 12 × 8 m, 20 m off, hear more from the panel; receivers in the house hear less.
    """
    pieces, surfaces = far_plate()
    rail, aim = (0.0, 0.0, 5.0), np.array([24.0, 0.0, -3.5])
    stage = [(20.0 + x, y, 1.5) for x in (1.0, 4.0, 7.0) for y in (-5.0, 0.0, 5.0)]
    house = [(-x, y, 7.0) for x in (5.0, 12.0, 20.0) for y in (-8.0, 1.0, 8.0)]

    def mean_db(antenna, axes, places):
        got = [
            received_db(pieces, surfaces, rail, place, antennas=(antenna, DIPOLE), axes=(axes, UPRIGHT), order=0)
            for place in places
        ]
        return float(to_db(from_db(got).mean()))

    panel_stage, omni_stage = mean_db(PANEL, aim_axes(aim), stage), mean_db(OMNI, UPRIGHT, stage)
    panel_house, omni_house = mean_db(PANEL, aim_axes(aim), house), mean_db(OMNI, UPRIGHT, house)
    assert panel_stage > omni_stage + 3.0
    assert panel_house < omni_house - 8.0
