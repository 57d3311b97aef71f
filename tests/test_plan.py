"""A plan file becomes radios in a venue and materials on its surfaces, with nothing filled in unasked."""

from __future__ import annotations

import hashlib
import math
import tomllib
from pathlib import Path

import numpy as np
import pytest

from rf3d.assessment.check import plan_findings
from rf3d.errors import InputError
from rf3d.plan import load_plan, load_scene
from rf3d.plan_radios import TEXTBOOK_ANTENNAS
from rf3d.plan_surfaces import assign_surfaces, match_surfaces
from rf3d.plan_tables import (
    AntennaRow,
    HangRow,
    MaterialRow,
    PlanTables,
    RadioRow,
    ReceiverRow,
    Study,
    SurfaceRow,
    TransmitterRow,
    VenueTable,
    ZoneRow,
)
from rf3d.propagation.tracer import tracer_for
from rf3d.starter import example_places, starter_plan
from rf3d.venue.materials import catalogue, complex_permittivity
from rf3d.venue.readers.meshes import read_mesh
from rf3d.venue.surfaces import enclosing_solids
from tests.conftest import PLAN, ROOM_M, make_box_scene, write_obj
from tests.scenes import block, room, scene_of

DEMO = Path(__file__).resolve().parent.parent / "meshes_demo"


def change(path: Path, old: str, new: str) -> Path:
    text = path.read_text()
    assert text.count(old) >= 1, old
    path.write_text(text.replace(old, new, 1))
    return path


def test_a_plan_is_what_its_file_says(room_plan):
    plan = load_plan(room_plan)
    assert plan.digest == hashlib.sha256(room_plan.read_bytes()).hexdigest()
    assert (plan.title, plan.mesh_path, plan.units, plan.up) == (
        "A room with a cupboard", room_plan.parent / "room.obj", "m", "z",
    )  # fmt: skip
    assert (plan.study.max_reflections, plan.study.voxel_m, plan.study.rays, plan.study.seed) == (2, 0.5, 1000, 1)
    (sender,), (listener,) = plan.transmitters, plan.receivers
    assert (sender.name, sender.power_dbm, sender.cable_loss_db) == ("on the wall", 18.0, 1.0)
    assert (sender.antenna.pattern, sender.antenna.gain_dbi, sender.antenna.xpd_db) == ("panel", 9.0, 20.0)
    assert sender.antenna.beamwidth_deg == (60.0, 60.0)
    assert sender.radio is listener.radio
    assert (sender.radio.channels_hz.size, sender.radio.centre_hz) == (79, 2441e6)
    assert (listener.name, listener.antenna.pattern, listener.antenna.efficiency) == ("lamp", "dipole", 1.0)
    assert listener.cable_loss_db == 0.0
    np.testing.assert_array_equal(listener.position_m, [6.0, 3.5, 1.0])


def test_ways_of_aiming(room_plan):
    """Boresight is the first row: along the line to the place, or azimuth and elevation; upright is no turn at all."""
    plan = load_plan(room_plan)
    boresight = np.array([5.5, 0.0, -1.5])
    np.testing.assert_allclose(plan.transmitters[0].axes[0], boresight / np.linalg.norm(boresight), atol=1e-15)
    np.testing.assert_array_equal(plan.receivers[0].axes, np.eye(3))
    change(room_plan, "aim_at_m = [6.0, 3.0, 1.0]", "azimuth_deg = 90\nelevation_deg = 30\nroll_deg = 90")
    axes = load_plan(room_plan).transmitters[0].axes
    np.testing.assert_allclose(axes[0], [0.0, math.cos(math.pi / 6), 0.5], atol=1e-15)
    # Rolled clockwise seen from behind, its up comes to lie on the right hand of one who looks along +y: +x.
    np.testing.assert_allclose(axes[2], [1.0, 0.0, 0.0], atol=1e-15)


@pytest.mark.parametrize(
    "angles_deg",
    [(0, 0, 0), (90, 0, 0), (-35, 20, 0), (200, -65, 30), (10, 0, -120), (0, 90, 0), (70, 90, 0), (70, -90, 0)],
)
def test_angles_turn_an_antenna_by_the_stated_conventions(room_plan, angles_deg):
    """Azimuth about z counter-clockwise from above, elevation up, roll clockwise from behind, as three rotations.

    Aimed straight up or down, the venue's +y is up, whatever the azimuth.
    """
    azimuth, elevation, roll = np.radians(angles_deg)
    turns = "azimuth_deg = {}\nelevation_deg = {}\nroll_deg = {}".format(*angles_deg)
    axes = load_plan(change(room_plan, "aim_at_m = [6.0, 3.0, 1.0]", turns)).transmitters[0].axes
    if abs(angles_deg[1]) == 90:
        np.testing.assert_allclose(axes[0], [0, 0, np.sign(elevation)], atol=1e-12)
        np.testing.assert_allclose(axes[2], [0, 1, 0], atol=1e-12)
        return
    c, s = np.cos, np.sin
    about_z = np.array([[c(azimuth), -s(azimuth), 0], [s(azimuth), c(azimuth), 0], [0, 0, 1]])
    nose_up = np.array([[c(elevation), 0, -s(elevation)], [0, 1, 0], [s(elevation), 0, c(elevation)]])
    about_x = np.array([[1, 0, 0], [0, c(roll), -s(roll)], [0, s(roll), c(roll)]])
    np.testing.assert_allclose(axes, (about_z @ nose_up @ about_x).T, atol=1e-12)


@pytest.mark.parametrize("name", TEXTBOOK_ANTENNAS)
def test_textbook_antennas_need_no_table(room_plan, name):
    change(room_plan, 'antenna = "dipole"', f'antenna = "{name}"')
    antenna = load_plan(room_plan).receivers[0].antenna
    assert (antenna.pattern, antenna.efficiency, antenna.gain_dbi) == (name, 1.0, None)


def test_a_table_of_the_plan_comes_before_a_textbook_antenna(room_plan):
    change(room_plan, "[study]", '[antenna.dipole]\npattern = "dipole"\nefficiency = 0.5\n\n[study]')
    assert load_plan(room_plan).receivers[0].antenna.efficiency == 0.5


def test_materials_of_the_plan_come_before_the_catalogue(room_plan):
    own = load_plan(room_plan).materials["plaster"]
    assert (own.basis, own.scattering, own.thickness_m) == ("A", 0.1, None)
    # ε″ = σ / (2π f ε₀): 17.9751 σ / f in GHz, at every frequency with the same ε′ and σ.
    eps = complex_permittivity(own.layers, np.array([1e9, 5e9]))[0]
    np.testing.assert_allclose(eps, [2.7 - 0.179751j, 2.7 - 0.0359502j], rtol=1e-5)
    change(room_plan, "[material.plaster]", "[material.wood]")
    change(room_plan, '"plaster"', '"brick"')
    plan = load_plan(room_plan)
    assert plan.materials["wood"].source == "assumed"
    assert plan.materials["brick"] == catalogue()["brick"]


@pytest.mark.parametrize(
    ("source", "basis"),
    [
        ("assumed from a photograph", "A"),
        ("common practice", "CP"),
        ("from memory", "M"),
        ("J. Smith, 2019, table 2", "P"),
    ],
)
def test_the_basis_of_a_material_is_read_from_its_source(room_plan, source, basis):
    change(room_plan, 'source = "assumed"', f'source = "{source}"')
    assert load_plan(room_plan).materials["plaster"].basis == basis


# ---------------------------------------------------------------------------------------------- surfaces
def test_first_matching_row_gives_the_material(room_plan):
    plan = load_plan(room_plan)
    scene = load_scene(plan)
    surfaces, unassigned = assign_surfaces(plan, scene)
    assert unassigned == []
    found = {s.object: (s.material.name, s.thickness_m, s.half_space, s.body) for s in surfaces}
    assert [s.object for s in surfaces] == list(scene.objects)
    assert found.pop("cupboard") == ("wood", None, False, "solid")
    assert found.pop("wall_z0") == ("concrete", None, True, "sheet")
    assert set(found) == {"wall_x0", "wall_x1", "wall_y0", "wall_y1", "wall_z1"}
    assert set(found.values()) == {("plaster", 0.1, False, "sheet")}


def test_both_names_must_match_where_both_stand(room_plan):
    """Two objects with two mesh materials each: a row with both keys takes one part of four."""
    face = "v 0 0 {0}\nv 1 0 {0}\nv 0 1 {0}\nusemtl {1}\nf -3 -2 -1\n"
    text = "".join(f"o {o}\n" + face.format(z, m) for z, (o, m) in enumerate((o, m) for o in "ab" for m in "pq"))
    (room_plan.parent / "room.obj").write_text(text)
    rows = '[[surface]]\nobject = "a"\nmesh_material = "q"\nmaterial = "brick"\nthickness_m = 0.1\n'
    text = room_plan.read_text()
    room_plan.write_text(text[: text.index("[[surface]]")] + rows + text[text.index("[material.plaster]") :])
    plan = load_plan(room_plan)
    surfaces, unassigned = assign_surfaces(plan, load_scene(plan))
    assert [(s.object, s.mesh_material) for s in surfaces] == [("a", "q")]
    assert unassigned == ["a (p)", "b (p)", "b (q)"]


@pytest.mark.parametrize("name", ["bar [1]", "wall*", "what?", "a]b[c"])
def test_a_row_written_with_the_very_name_matches(room_plan, name):
    """Names may hold characters that a glob gives a meaning to; a starter plan must still find them."""
    write_obj(room_plan.parent / "room.obj", [block(name, (0, 0, 0), (3, 0.2, 3)), *room(ROOM_M)])
    scene = read_mesh(room_plan.parent / "room.obj", units="m", up="z")
    text = starter_plan(room_plan.parent / "room.obj", scene, plan_path=room_plan, units="m", up="z")
    lines = [line.removeprefix("# ") for line in text.splitlines()]
    index = lines.index(next(line for line in lines if line.startswith("object = ") and "wall_" not in line))
    row = "[[surface]]\n" + lines[index] + '\nmaterial = "wood"\n'
    plain = PLAN[: PLAN.index("[[surface]]")] + row + PLAN[PLAN.index("[material.plaster]") :]
    room_plan.write_text(plain)
    plan = load_plan(room_plan)
    assert [o for o, i in zip(scene.objects, match_surfaces(plan, scene), strict=True) if i == 0] == [name]


def test_body_of_the_plan_overrides_geometry(room_plan):
    change(
        room_plan, 'object = "cupboard"\nmaterial = "wood"', 'object = "cupboard"\nmaterial = "wood"\nbody = "sheet"'
    )
    plan = load_plan(room_plan)
    with pytest.raises(InputError, match='thickness_m is missing on "cupboard"'):
        assign_surfaces(plan, load_scene(plan))
    change(room_plan, 'body = "sheet"', 'body = "sheet"\nthickness_m = 0.02')
    plan = load_plan(room_plan)
    surfaces, _ = assign_surfaces(plan, load_scene(plan))
    cupboard = next(s for s in surfaces if s.object == "cupboard")
    assert (cupboard.body, cupboard.thickness_m, cupboard.decision) == ("sheet", 0.02, "as the plan says")


def test_thickness_on_a_solid_by_geometry_is_said_not_to_be_used(room_plan):
    change(room_plan, 'material = "wood"', 'material = "wood"\nthickness_m = 0.02')
    plan = load_plan(room_plan)
    surfaces, _ = assign_surfaces(plan, load_scene(plan))
    cupboard = next(s for s in surfaces if s.object == "cupboard")
    assert cupboard.thickness_m is None
    assert cupboard.decision.endswith("thickness_m not used")


def test_a_material_that_states_its_layers_needs_no_thickness(room_plan):
    change(room_plan, 'material = "plaster"\nthickness_m = 0.1', 'material = "drape_dry"')
    plan = load_plan(room_plan)
    surfaces, unassigned = assign_surfaces(plan, load_scene(plan))
    assert unassigned == []
    assert {s.thickness_m for s in surfaces} == {None}


def test_every_sheet_without_thickness_is_named_at_once(room_plan):
    change(room_plan, "thickness_m = 0.1\n", "")
    plan = load_plan(room_plan)
    with pytest.raises(InputError) as refused:
        assign_surfaces(plan, load_scene(plan))
    for name in ("wall_x0", "wall_x1", "wall_y0", "wall_y1", "wall_z1"):
        assert f'"{name}"' in str(refused.value)
    assert "room.toml, [[surface]] 2" in str(refused.value)


@pytest.mark.parametrize("name", ["playhouse", "arena", "blackbox"])
def test_demo_plans_load_and_cover_their_venues(name):
    plan = load_plan(DEMO / f"{name}.toml")
    scene = load_scene(plan)
    surfaces, unassigned = assign_surfaces(plan, scene)
    assert unassigned == []
    assert len(surfaces) == len(scene.parts)
    assert set(match_surfaces(plan, scene)) == set(range(len(plan.surfaces)))


# ---------------------------------------------------------------------------------------------- zones
ZONE = """[[zone]]
name = "stage"
low_m = [1.0, 1.0, 0.0]
high_m = [3.0, 4.0, 2.0]

[study]"""


def test_a_zone_is_its_box(room_plan):
    (zone,) = load_plan(change(room_plan, "[study]", ZONE)).zones
    assert zone.name == "stage"
    np.testing.assert_array_equal(zone.box_m, [[1, 1, 0], [3, 4, 2]])
    points = np.array([[1.0, 1.0, 0.0], [2, 3, 1], [3.0, 3, 1], [2, 3, 2.5], [0.9, 2, 1]])
    np.testing.assert_array_equal(zone.holds(points), [True, True, False, False, False])


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("[3.0, 4.0, 2.0]", "[3.0, 1.0, 2.0]", r"low_m must lie below high_m .* along y.*\[\[zone\]\] 1"),
        ("[3.0, 4.0, 2.0]", "[3.0, 4.0]", 'high_m of zone "stage" is .* the high corner, three numbers'),
        ("low_m", "lowest_m", 'lowest_m of zone "stage" is not a known key.*low_m'),
        ('"stage"', '"lamp"', r'name of \[\[zone\]\] 1 is "lamp", which \[\[receiver\]\] 1 has already'),
        ('name = "stage"\n', "", "name of .*zone.* is missing"),
    ],
)
def test_a_zone_that_cannot_be_is_refused(room_plan, old, new, says):
    change(room_plan, "[study]", ZONE)
    text = room_plan.read_text()
    head, tail = text.split("[[zone]]")
    room_plan.write_text(head + "[[zone]]" + tail.replace(old, new, 1))
    with pytest.raises(InputError, match=says):
        load_plan(room_plan)


def test_a_zone_out_of_the_venue_is_a_finding(room_plan):
    plan = load_plan(change(room_plan, "[study]", ZONE.replace("[3.0, 4.0, 2.0]", "[3.0, 40.0, 2.0]")))
    scene = load_scene(plan)
    surfaces, _ = assign_surfaces(plan, scene)
    (finding,) = [f for f in plan_findings(plan, scene, surfaces) if f.code == "zone-outside"]
    assert (finding.where, finding.severity) == ("stage", "caution")
    assert finding.value == pytest.approx(34.0)


# ---------------------------------------------------------------------------------------------- hangs
HANG = """[[hang]]
name = "rail"
kind = "rail"
from_m = [1.0, 1.0, 3.5]
to_m = [7.0, 1.0, 3.5]

[study]"""


def test_a_hang_is_a_line(room_plan):
    """3-4-5: the point 3 m beside and 4 m over the line is 5 m from it; beyond an end the end counts."""
    (hang,) = load_plan(change(room_plan, "[study]", HANG)).hangs
    assert (hang.name, hang.kind) == ("rail", "rail")
    np.testing.assert_allclose(hang.at(np.array([0.0, 0.5, 1.0])), [[1, 1, 3.5], [4, 1, 3.5], [7, 1, 3.5]])
    assert hang.distance_m(np.array([4.0, 4.0, 7.5])) == pytest.approx(5.0)
    assert hang.distance_m(np.array([10.0, 5.0, 3.5])) == pytest.approx(5.0)
    assert hang.share_of(np.array([10.0, 5.0, 3.5])) == 1.0
    assert hang.share_of(np.array([2.5, 5.0, 0.0])) == pytest.approx(0.25)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("[7.0, 1.0, 3.5]", "[1.0, 1.0, 3.5]", r"from_m and to_m .* same place; .*two ends.*\[\[hang\]\] 1"),
        ('kind = "rail"', 'kind = "balloon"', 'kind of hang "rail" is "balloon"; it must be one of "rail", "truss"'),
        ("from_m", "form_m", 'form_m of hang "rail" is not a known key.*from_m'),
        ('name = "rail"', 'name = "lamp"', r'name of \[\[hang\]\] 1 is "lamp", which \[\[receiver\]\] 1 has already'),
        ("from_m = [1.0, 1.0, 3.5]\n", "", 'from_m of hang "rail" is missing; it must be one end'),
    ],
)
def test_a_hang_that_cannot_be_is_refused(room_plan, old, new, says):
    change(room_plan, "[study]", HANG.replace(old, new))
    with pytest.raises(InputError, match=says):
        load_plan(room_plan)


def test_a_hang_out_of_the_venue_is_a_finding(room_plan):
    plan = load_plan(change(room_plan, "[study]", HANG.replace("[7.0, 1.0, 3.5]", "[7.0, 1.0, 35.0]")))
    scene = load_scene(plan)
    surfaces, _ = assign_surfaces(plan, scene)
    (finding,) = [f for f in plan_findings(plan, scene, surfaces) if f.code == "hang-outside"]
    assert (finding.where, finding.severity) == ("rail", "caution")
    assert finding.value == pytest.approx(31.0)


@pytest.mark.parametrize("name", ["arena", "blackbox", "playhouse"])
def test_hangs_of_the_demo_plans_are_clear_of_everything_drawn(name):
    """An antenna a hand's width across fits at every place; each transmitter of a rail or catwalk is on its line."""
    plan = load_plan(DEMO / f"{name}.toml")
    scene = load_scene(plan)
    points = scene.to_local(np.concatenate([hang.at(np.array([1 / 6, 1 / 2, 5 / 6])) for hang in plan.hangs]))
    ways = np.concatenate([np.eye(3), -np.eye(3)])
    starts, ways = np.repeat(points, 6, axis=0), np.tile(ways, (len(points), 1))
    assert not tracer_for(scene).blocked(starts, ways, np.full(len(starts), 0.1)).any()
    for transmitter in plan.transmitters:
        if any(word in transmitter.name for word in ("gallery", "balcony", "catwalk")):
            assert min(hang.distance_m(transmitter.position_m) for hang in plan.hangs) < 1e-9


# ---------------------------------------------------------------------------------------------- starter plan
def starter(folder: Path, pieces, **told) -> tuple[Path, str]:
    mesh = write_obj(folder / "hall.obj", pieces)
    path = folder / "hall.toml"
    scene = read_mesh(mesh, units="m", up="z")
    path.write_text(starter_plan(mesh, scene, plan_path=path, units="m", up="z"), encoding="utf-8")
    return path, path.read_text(encoding="utf-8")


def test_starter_plan_loads_and_leaves_open_what_nobody_said(tmp_path):
    """A wall's thickness is not in a mesh, so its row waits; a steel block is complete, and marked as a guess."""
    pieces = [*room(ROOM_M), block("steel_block", (3, 3, 1), (3.3, 3.3, 2)), block("thing", (5, 3, 1), (5.3, 3.3, 2))]
    path, text = starter(tmp_path, pieces)
    plan = load_plan(path)
    scene = load_scene(plan)
    surfaces, unassigned = assign_surfaces(plan, scene)
    assert [(s.object, s.material.name) for s in surfaces] == [("steel_block", "metal")]
    assert sorted(unassigned) == ["thing", *sorted(p[0] for p in room(ROOM_M))]
    assert 'material = "metal"            # suggested from the name of the object: check' in text
    # Taking the marks off the rows gives a plan that asks only for what was left open.
    assert text.count("# thickness_m = ") == 6
    for name in scene.objects:
        assert f'object = "{name}"' in text


def test_starter_rows_are_complete_once_filled_in(tmp_path):
    """Uncommenting and filling in must be all there is to do."""
    path, text = starter(tmp_path, [*room(ROOM_M), block("steel_block", (3, 3, 1), (3.3, 3.3, 2))])
    keys = ("[[surface]]", "object = ", "mesh_material = ", "material = ", "thickness_m = ")
    lines = [line[2:] if line.startswith("# ") and line[2:].startswith(keys) else line for line in text.splitlines()]
    filled = (
        "\n".join(lines)
        .replace('material = ""', 'material = "brick"')
        .replace("thickness_m =  ", "thickness_m = 0.2  ")
    )
    path.write_text(filled, encoding="utf-8")
    plan = load_plan(path)
    surfaces, unassigned = assign_surfaces(plan, load_scene(plan))
    assert unassigned == []
    assert {s.object: s.thickness_m for s in surfaces if s.body == "sheet"} == {p[0]: 0.2 for p in room(ROOM_M)}


def test_starter_survives_awkward_names(tmp_path):
    pieces = [
        block(name, (i, 0, 0), (i + 0.5, 1, 3)) for i, name in enumerate(['a "b"', "back\\slash", "naïve 壁", "#1 = x"])
    ]
    path, _ = starter(tmp_path, pieces)
    scene = load_scene(load_plan(path))
    assert set(scene.objects) == {'a "b"', "back\\slash", "naïve 壁", "#1 = x"}


def test_starter_names_the_mesh_relative_to_the_plan(tmp_path):
    mesh = write_obj(tmp_path / "room.obj", room(ROOM_M))
    (tmp_path / "plans").mkdir()
    path = tmp_path / "plans" / "p.toml"
    scene = read_mesh(mesh, units="m", up="z")
    path.write_text(starter_plan(mesh, scene, plan_path=path, units="m", up="z"))
    assert tomllib.loads(path.read_text())["venue"]["mesh"] == "../room.obj"
    assert load_scene(load_plan(path)).digest == scene.digest


@pytest.mark.parametrize("name", ["playhouse", "arena", "blackbox"])
def test_example_radios_stand_in_the_air_of_the_venue(name):
    plan = load_plan(DEMO / f"{name}.toml")
    scene = load_scene(plan)
    surfaces, _ = assign_surfaces(plan, scene)
    places = np.array(example_places(scene))
    local = scene.to_local(places)
    assert (local > scene.bounds_m[0]).all()
    assert (local < scene.bounds_m[1]).all()
    assert enclosing_solids(scene, local, surfaces) == [None, None]
    assert np.linalg.norm(places[0] - places[1]) > 0.2 * scene.extent_m


def test_example_radios_avoid_a_solid_where_they_would_stand():
    """Blocks about the two first choices, less than a metre across on average, push the radios into the air."""
    empty = make_box_scene(ROOM_M)
    blocks = [
        block(f"block {i}", place - np.array([0.3, 0.3, 0.3]), place + np.array([0.3, 0.3, 0.3]))
        for i, place in enumerate(example_places(empty))
    ]
    moved = example_places(scene_of([*room(ROOM_M), *blocks]))
    for (_, corners, _), place, old in zip(blocks, moved, example_places(empty), strict=True):
        assert ((place < corners.min(axis=0) - 0.2) | (place > corners.max(axis=0) + 0.2)).any()
        assert not np.allclose(place, old)


def test_a_plan_of_generic_radios_needs_no_table_of_radios(room_plan):
    text = room_plan.read_text().replace('radio = "hopper"', 'radio = "generic_hopper_2g4"')
    start = text.index("[radio.hopper]")
    room_plan.write_text(text[:start] + text[text.index("[antenna.panel]") :])
    plan = load_plan(room_plan)
    assert {radio.name for radio in (plan.transmitters[0].radio, plan.receivers[0].radio)} == {"generic_hopper_2g4"}


def test_every_key_says_what_it_may_hold():
    """A refusal quotes it, so no key may be without."""
    tables = [
        PlanTables,
        VenueTable,
        SurfaceRow,
        MaterialRow,
        RadioRow,
        AntennaRow,
        TransmitterRow,
        ReceiverRow,
        ZoneRow,
        HangRow,
        Study,
    ]
    for table in tables:
        for name, field in table.model_fields.items():
            assert field.description, f"{table.__name__}.{name}"
