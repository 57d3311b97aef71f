"""Files of the Blender add-on that need no Blender: lobes, numbers, angles, words, plans and meshes written."""

from __future__ import annotations

import importlib
import sys
import tomllib
import types

import numpy as np
import pytest
import trimesh

from rf3d.plan_air import _FORMS
from rf3d.plan_tables import ROWS
from rf3d.radio.antennas import aim_axes, make_antenna, response
from rf3d.units import direction
from tests.test_blender_addon import ADDON, module


@pytest.mark.parametrize(
    ("pattern", "gain_dbi", "beamwidth_deg", "efficiency"),
    [
        ("short_dipole", None, None, 0.4), ("dipole", None, None, 0.9), ("omni", 2.0, None, 0.95),
        ("omni", 5.0, None, 0.9), ("omni", 9.0, None, 0.9),
        ("panel", 9.0, (60.0, 60.0), 0.9), ("panel", 14.0, (35.0, 30.0), 0.9),
        ("yagi", 11.0, (45.0, 50.0), 0.9),
    ],
)  # fmt: skip
def test_the_lobe_drawn_is_the_lobe_computed(pattern, gain_dbi, beamwidth_deg, efficiency):
    """Over the 25 dB that a lobe shows, to a tenth of a decibel."""
    lobes = module("lobes", ADDON / "lobes.py")
    antenna = make_antenna("a", pattern=pattern, gain_dbi=gain_dbi, beamwidth_deg=beamwidth_deg, efficiency=efficiency)
    generator = np.random.default_rng(1)
    ways = generator.normal(size=(400, 3))
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    peak = [[1.0, 0.0, 0.0]]
    power = (np.abs(response(antenna, np.concatenate([peak, ways]))) ** 2).sum(axis=1)
    wanted = 10 * np.log10(power[1:] / power[0])
    drawn = np.array([lobes.relative_db(pattern, gain_dbi, beamwidth_deg, efficiency, way) for way in ways.tolist()])
    shown = wanted > -lobes.RANGE_DB
    assert shown.sum() > 100
    np.testing.assert_allclose(drawn[shown], wanted[shown], atol=0.1)


def test_objects_have_a_property_for_every_key(monkeypatch):
    """Of every table that objects say, and of every form of occupied air: a key that rf3d learns is missed here."""
    package = types.ModuleType("addon")
    package.__path__ = [str(ADDON)]
    monkeypatch.setitem(sys.modules, "addon", package)
    keys = importlib.import_module("addon.keys")
    for table, held in keys.HELD.items():
        assert set(held) == set(ROWS[table].model_fields), table
    forms = {
        frozenset(
            ({*map(keys.key_of, names), *(("position_m",) if form in keys.SPOTS else ())} - {"bandwidth_hz"})
            | ({"low_m", "high_m"} if form in keys.BOXES else set())
        )
        for form, names in keys.FORMS.items()
    }
    assert forms == {frozenset(names) for _, names in _FORMS}


def test_numbers_survive_32_bits():
    numbers = module("numbers_", ADDON / "numbers.py")
    for value in (9.7, -13.7, 868.3, 902.75, 0.25, 1e-7, 123456.7):
        assert numbers.typed(numbers.single(value)) == value
    assert numbers.scaled(numbers.single(868.3), 1e6) == 868300000.0
    assert numbers.recall(numbers.single(24125.06251), 24125.06251) == 24125.06251
    assert numbers.recall(2.0, 24125.06251) == 2.0


def test_angles_are_those_of_the_plan():
    """Through rf3d's own axes and back, at random and straight up and down."""
    numbers = module("numbers_", ADDON / "numbers.py")
    generator = np.random.default_rng(2)
    ways = [*generator.normal(size=(50, 3)), [0, 0, 1.0], [0, 0, -2.0]]
    for way in ways:
        roll = generator.uniform(-170, 170)
        axes = aim_axes(way, np.radians(roll))
        np.testing.assert_allclose(numbers.axes(list(way), roll), axes, atol=1e-12)
        azimuth, elevation, found = numbers.angles(axes[0].tolist(), axes[2].tolist())
        again = aim_axes(direction(np.radians(azimuth), np.radians(elevation)), np.radians(found))
        np.testing.assert_allclose(again, axes, atol=1e-8)


def test_toml_reads_back():
    toml = module("toml_", ADDON / "toml.py")
    tables = {
        "schema": 1, "title": 'a "quoted" — title\\', "venue": {"mesh": "a b.glb", "flag": True},
        "radio": {"two words": {"x": 2.402e9}, "plain": {"x": 1}}, "surface": [{"object": "a[*]"}, {"object": "ß"}],
        "transmitter": [{"position_m": [1.0, -2.5, 1e-7]}],
    }  # fmt: skip
    assert tomllib.loads(toml.dumps(tables)) == tables


def test_words_for_somebody_in_blender():
    words = module("words", ADDON / "words.py")
    text = 'thickness_m of surface "drape" is -0.002; it must be positive; change it in plan.toml, [[surface]] 3'
    assert words.rows_meant(text) == [("surface", 2)]
    assert words.in_blender(text).endswith("; change it")
    assert words.quoted(text) == ["drape"]
    assert words.in_blender("add 14 as common practice, in plan.toml, [radio.hop]") == "add 14 as common practice"
    label = words.label("ein sehr langer Name für eine Stehlampe auf der Drehbühne", "solid, 43 dB over")
    assert len(label.encode()) <= 63
    assert label.endswith("…: solid, 43 dB over")


def test_trimesh_reads_what_the_add_on_writes(tmp_path):
    """The writer of the add-on by itself, read by another program."""
    from array import array

    glb = module("glb_", ADDON / "glb.py")
    writer = glb.Writer()
    shape = writer.add_shape(array("f", [0, 0, 0, 1, 0, 0, 0, 1, 0]), {"paint": array("i", [0, 1, 2])})
    writer.add_node("one", shape, [[1, 0, 0, 5], [0, 1, 0, 6], [0, 0, 1, 7]], 2.0)
    writer.save(tmp_path / "one.glb")
    corners = trimesh.load_scene(tmp_path / "one.glb", process=False).to_geometry().vertices
    np.testing.assert_allclose(corners, [[10, 14, -12], [12, 14, -12], [10, 14, -14]])
