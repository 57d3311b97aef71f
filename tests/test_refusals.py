"""Every bad input: one clear sentence that says what is wrong, what is allowed and where; exit 2; nothing written."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from rf3d.cli import main
from tests.conftest import PLAN

RECEIVER = 'upright = true\nantenna = "dipole"'
AIM = "aim_at_m = [6.0, 3.0, 1.0]"
WALLS = 'object = "wall_*"\nmaterial = "plaster"\nthickness_m = 0.1'
FLOOR = 'object = "wall_z0"\nmaterial = "concrete"\nhalf_space = true'
CUPBOARD = 'object = "cupboard"\nmaterial = "wood"'
OWN = "permittivity = 2.7\nconductivity_s_m = 0.01"
RADIO = "first_channel_hz = 2402e6\nlast_channel_hz = 2480e6\nchannel_spacing_hz = 1e6"
PANEL = PLAN[PLAN.index('pattern = "panel"') : PLAN.index("\n\n[[transmitter]]")]
SEED_LINE = PLAN[: PLAN.index("seed = 1")].count("\n") + 1

PLANS: list[tuple[str, str, str, list[str]]] = [
    # what, text of the plan, what it is changed to, parts the message must have
    (
        "unknown key of a surface",
        "thickness_m = 0.1",
        "thicknes_m = 0.1",
        [
            'thicknes_m of surface "wall_*" is not a known key',
            'nearest known one is "thickness_m"',
            "room.toml, [[surface]] 2",
        ],
    ),
    ("unknown key of the file", "[study]", "[studdy]", ["studdy of room.toml is not a known table", '"study"']),
    (
        "unknown key of a transmitter",
        "power_dbm = 18",
        "power_dBm = 18",
        ['power_dBm of transmitter "on the wall"', '"power_dbm"', "[[transmitter]] 1"],
    ),
    ("unknown key of an antenna", "xpd_db = 20", "xpd = 20", ['xpd of antenna "panel"', '"xpd_db"', "[antenna.panel]"]),
    ("unknown key of the venue", 'units = "m"', 'unit = "m"', ["unit of [venue]", '"units"', "room.toml, [venue]"]),
    (
        "key like none",
        "seed = 1",
        "seed = 1\nzzz = 3",
        ["zzz of [study]", "known ones are max_reflections, most_wall_loss_db, rays, seed"],
    ),
    (
        "table where a list belongs",
        "[[transmitter]]",
        "[transmitter]",
        ["transmitter of room.toml is a table", "[[transmitter]]"],
    ),
    (
        "list where a table belongs",
        "[venue]",
        "[[venue]]",
        ["venue of room.toml is a list of tables", "headed [venue]"],
    ),
    (
        "value where a table belongs",
        "[radio.hopper]\n" + RADIO,
        "[radio]\nhopper = 3\n[radio.other]\n" + RADIO,
        ["radio of room.toml", "[radio.NAME]"],
    ),
    ("not TOML", "seed = 1", "seed = ", ["room.toml", "is not TOML", f"line {SEED_LINE}"]),
    ("a key twice", "seed = 1", "seed = 1\nseed = 2", ["is not TOML", f"line {SEED_LINE + 1}"]),
    ("no schema", "schema = 1\n", "", ["schema is missing", "it must be 1"]),
    ("schema of another time", "schema = 1", "schema = 2", ["schema of room.toml is 2", "it must be 1"]),
    ("no mesh", 'mesh = "room.obj"\n', "", ["mesh of [venue] is missing", "path of a mesh file"]),
    ("mesh that is not there", '"room.obj"', '"rooom.obj"', ["there is no mesh file", "rooom.obj"]),
    ("unit not told", 'units = "m"\n', "", ['units of "room.obj" is not given', "m, cm, mm, ft or in"]),
    ("axis not told", 'up = "z"\n', "", ['up of "room.obj" is not given', "y or z"]),
    ("unknown unit", 'units = "m"', 'units = "yd"', ['units of [venue] is "yd"', '"m", "cm", "mm", "ft", "in"']),
    ("unknown axis", 'up = "z"', 'up = "x"', ['up of [venue] is "x"', '"y" or "z"']),
    (
        "region in small letters",
        'region = "US"',
        'region = "us"',
        ['region of [venue] is "us"', "two capital letters"],
    ),
    (
        "surface without a name",
        'object = "cupboard"\n',
        "",
        ["room.toml, [[surface]] 3 says neither object nor mesh_material"],
    ),
    (
        "surface without a material",
        'material = "wood"\n',
        "",
        ['material of surface "cupboard" is missing', "catalogue", "add material in room.toml"],
    ),
    (
        "unknown material",
        '"wood"',
        '"wod"',
        ['material of surface "cupboard" is "wod"', 'nearest known one is "wood"', "[[surface]] 3"],
    ),
    (
        "thickness zero",
        "thickness_m = 0.1",
        "thickness_m = 0",
        ['thickness_m of surface "wall_*" is 0;', "positive", "[[surface]] 2"],
    ),
    (
        "thickness below zero",
        "thickness_m = 0.1",
        "thickness_m = -0.002",
        ["is -0.002", "positive", "room.toml, [[surface]] 2"],
    ),
    ("thickness not a number", "thickness_m = 0.1", "thickness_m = nan", ["thickness_m", "NaN", "positive"]),
    ("thickness in words", "thickness_m = 0.1", 'thickness_m = "10 cm"', ['is "10 cm"', "positive, in metres"]),
    (
        "sheet without thickness",
        "thickness_m = 0.1\n",
        "",
        ["thickness_m is missing on", '"wall_x0"', "half_space = true"],
    ),
    (
        "half-space on a solid",
        CUPBOARD,
        CUPBOARD + "\nhalf_space = true",
        ['half_space is true on "cupboard", which is a solid'],
    ),
    ("half-space with a thickness", FLOOR, FLOOR + "\nthickness_m = 0.2", ["both thickness_m and half_space"]),
    (
        "solid with a thickness",
        CUPBOARD,
        CUPBOARD + '\nbody = "solid"\nthickness_m = 0.2',
        ["both thickness_m and body"],
    ),
    (
        "solid that is open",
        WALLS,
        WALLS.replace("thickness_m = 0.1", 'body = "solid"'),
        ["body of", "its surface is open", "closed all round"],
    ),
    (
        "layers with a thickness",
        '"plaster"\nthickness',
        '"drape_dry"\nthickness',
        ["states its own layers", "0.005 m in all"],
    ),
    ("body of another kind", CUPBOARD, CUPBOARD + '\nbody = "slab"', ['is "slab"', '"auto", "sheet", "solid"']),
    (
        "permittivity below one",
        "permittivity = 2.7",
        "permittivity = 0.5",
        ['permittivity of material "plaster" is 0.5', "1 or more"],
    ),
    ("permittivity in words", "permittivity = 2.7", 'permittivity = "2,7"', ['is "2,7"', "relative permittivity"]),
    (
        "permittivity misspelt",
        "permittivity = 2.7",
        "permitivity = 2.7",
        ["permitivity", '"permittivity"', "[material.plaster]"],
    ),
    ("conductivity below zero", "conductivity_s_m = 0.01", "conductivity_s_m = -1", ["is -1", "0 or more"]),
    ("scattering above one", "scattering = 0.1", "scattering = 1.5", ["is 1.5", "from 0 to below 1"]),
    ("scattering of one", "scattering = 0.1", "scattering = 1.0", ["is 1.0", "from 0 to below 1"]),
    (
        "material of two kinds",
        "permittivity = 2.7",
        "permittivity = 2.7\ngrid = { pitch_m = 0.05, wire_m = 0.003 }",
        ['material "plaster" has both permittivity and grid', "it is one of", "[material.plaster]"],
    ),
    (
        "material of no kind",
        "permittivity = 2.7\nconductivity_s_m = 0.01\n",
        "",
        ['permittivity of material "plaster" is missing', "layers, or grid", "add permittivity"],
    ),
    (
        "layer without a thickness",
        OWN,
        'layers = [{ material = "brick", thickness_m = 0.1 }, { material = "air" }]',
        ['thickness_m of layer 2 of material "plaster" is missing', "positive, in metres", "[material.plaster]"],
    ),
    (
        "layer with a mistyped key",
        OWN,
        'layers = [{ material = "brick", thicknes_m = 0.1 }]',
        ['thicknes_m of layer 1 of material "plaster" is not a known key', '"thickness_m"'],
    ),
    (
        "layer of an unknown material",
        OWN,
        'layers = [{ material = "bric", thickness_m = 0.1 }]',
        ['material of layer 1 of material "plaster" is "bric"', '"brick"'],
    ),
    (
        "layer of a layered material",
        OWN,
        'layers = [{ material = "stud_wall", thickness_m = 0.1 }]',
        ['material of layer 1 of material "plaster" is "stud_wall"', "whole wall", "one by one"],
    ),
    (
        "layer of two kinds",
        OWN,
        'layers = [{ material = "brick", thickness_m = 0.1, sheet_resistance_ohm = 8 }]',
        ['layer 1 of material "plaster" has both material and sheet_resistance_ohm', "a layer is one of"],
    ),
    (
        "layer that is nothing",
        OWN,
        "layers = [{ thickness_m = 0.1 }]",
        ['material of layer 1 of material "plaster" is missing', "a layer is one of"],
    ),
    ("no layers", OWN, "layers = []", ['layers of material "plaster" is []', "front to back"]),
    ("layers of numbers", OWN, "layers = [3]", ['layers of material "plaster" is [3]', "front to back"]),
    (
        "film with a thickness",
        OWN,
        "layers = [{ sheet_resistance_ohm = 8, thickness_m = 0.001 }]",
        ['thickness_m of layer 1 of material "plaster" is 0.001', "no thickness of their own"],
    ),
    (
        "film without resistance",
        OWN,
        "layers = [{ sheet_resistance_ohm = 0 }]",
        ['sheet_resistance_ohm of layer 1 of material "plaster" is 0', "0.001 to 1e6"],
    ),
    (
        "layered wall with a thickness on the surface",
        OWN,
        'layers = [{ material = "brick", thickness_m = 0.2 }]',
        [
            'thickness_m of surface "wall_*" is 0.1, but "plaster" states its own layers',
            "0.2 m in all",
            "[[surface]] 2",
        ],
    ),
    (
        "half-space of layers",
        'material = "concrete"\nhalf_space = true',
        'material = "stud_wall"\nhalf_space = true',
        ['half_space is true on surface "wall_z0"', "whole wall: 12.5 mm plasterboard", "[[surface]] 1"],
    ),
    (
        "grid without openings",
        OWN,
        "grid = { pitch_m = 0.05, wire_m = 0.05 }",
        ['wire_m of grid of material "plaster" is 0.05', "less than pitch_m, 0.05"],
    ),
    (
        "round wires wider than their gaps",
        OWN,
        "layers = [{ grid = { pitch_m = 0.05, wire_m = 0.03, round = true } }]",
        ['wire_m of grid of layer 1 of material "plaster" is 0.03', "half of pitch_m, 0.05"],
    ),
    (
        "grid without a pitch",
        OWN,
        "grid = { wire_m = 0.05 }",
        ['pitch_m of grid of material "plaster" is missing', "from wire to wire"],
    ),
    (
        "grid with a thickness",
        OWN,
        "grid = { pitch_m = 0.05, wire_m = 0.003 }",
        ['thickness_m of surface "wall_*" is 0.1', "a film or a grid has no thickness", "delete thickness_m"],
    ),
    (
        "grid and openings",
        OWN,
        "grid = { pitch_m = 0.05, wire_m = 0.003 }\nopen_fraction = 0.5\nopening_m = 0.2",
        ['material "plaster" has both grid and open_fraction'],
    ),
    (
        "openings without a size",
        OWN,
        OWN + "\nopen_fraction = 0.5",
        ['opening_m of material "plaster" is missing', "smallest width of an opening"],
    ),
    (
        "openings below a wavelength",
        OWN,
        OWN + "\nopen_fraction = 0.5\nopening_m = 0.1",
        ['opening_m of material "plaster" is 0.1', 'wavelength of radio "hopper", 0.125 m', "write grid = {"],
    ),
    (
        "limit of wall loss",
        "seed = 1",
        "seed = 1\nmost_wall_loss_db = 10",
        ["most_wall_loss_db of [study] is 10", "20 to 200"],
    ),
    ("material without a source", 'source = "assumed"\n', "", ['source of material "plaster" is missing']),
    (
        "frequency zero",
        "first_channel_hz = 2402e6",
        "first_channel_hz = 0",
        ['first_channel_hz of radio "hopper" is 0', "from 30e6"],
    ),
    ("megahertz for hertz", "first_channel_hz = 2402e6", "first_channel_hz = 2402", ["is 2402", "in hertz"]),
    ("spacing below zero", "channel_spacing_hz = 1e6", "channel_spacing_hz = -1e6", ["is -1000000.0", "positive"]),
    ("spacing zero", "channel_spacing_hz = 1e6", "channel_spacing_hz = 0", ["channel_spacing_hz", "positive"]),
    (
        "spacing of one hertz",
        "channel_spacing_hz = 1e6",
        "channel_spacing_hz = 1",
        ["7.8e+07 channels", "at most 10000"],
    ),
    ("spacing off the grid", "channel_spacing_hz = 1e6", "channel_spacing_hz = 0.9e6", ["whole number"]),
    (
        "last channel first",
        "last_channel_hz = 2480e6",
        "last_channel_hz = 2400e6",
        ["last_channel_hz", "not lie below"],
    ),
    ("bandwidth misspelt", "bandwidth_hz = 1e6", "bandwith_hz = 1e6", ["bandwith_hz", '"bandwidth_hz"']),
    ("bandwidth above the channel", "bandwidth_hz = 1e6", "bandwidth_hz = 5e9", ["bandwidth_hz", "less than"]),
    ("sensitivity above zero", "sensitivity_dbm = -90", "sensitivity_dbm = 90", ["is 90", "from -200 to 0"]),
    ("no sensitivity", "sensitivity_dbm = -90\n", "", ['sensitivity_dbm of radio "hopper" is missing']),
    ("pattern that is none", 'pattern = "panel"', 'pattern = "dish"', ['is "dish"', '"isotropic"', "antenna file"]),
    (
        "antenna file that is not there",
        'pattern = "panel"',
        'pattern = "panel.csv"',
        ["panel.csv", "cannot be read", "relative to the plan", "room.toml, [antenna.panel]"],
    ),
    (
        "frequency of a pattern that has none",
        'pattern = "panel"',
        'pattern = "panel"\nfrequency_hz = 2.4e9',
        ["frequency_hz of antenna", "delete frequency_hz"],
    ),
    ("antenna of no size", 'pattern = "panel"', 'pattern = "panel"\nsize_m = 0', ["size_m of antenna", "positive"]),
    ("no pattern", 'pattern = "panel"\n', "", ['pattern of antenna "panel" is missing']),
    ("panel without a gain", "gain_dbi = 9.0\n", "", ["gain_dbi of antenna", 'a "panel" needs it']),
    ("panel without widths", "beamwidth_deg = [60, 60]\n", "", ["beamwidth_deg", 'a "panel" needs it']),
    ("panel without polarisation", 'polarisation = "vertical"\n', "", ["polarisation", 'a "panel" needs it']),
    ("panel without discrimination", "xpd_db = 20\n", "", ["xpd_db", 'a "panel" needs it']),
    ("panel without efficiency", "efficiency = 0.9\n", "", ["efficiency", 'a "panel" needs it']),
    ("one width of two", "[60, 60]", "[60]", ["beamwidth_deg", "is [60]", "two half-power widths"]),
    ("efficiency above one", "efficiency = 0.9", "efficiency = 90", ["is 90", "up to 1"]),
    ("unknown polarisation", '"vertical"', '"slant"', ['is "slant"', '"rhcp"']),
    (
        "horizontal dipole",
        PANEL,
        'pattern = "dipole"\npolarisation = "horizontal"\nefficiency = 1',
        ["polarisation", "[antenna.panel]"],
    ),
    (
        "unknown antenna",
        'antenna = "panel"',
        'antenna = "pannel"',
        ['antenna of transmitter "on the wall" is "pannel"', '"panel"'],
    ),
    (
        "unknown radio",
        'radio = "hopper"',
        'radio = "hoper"',
        ['is "hoper"', 'nearest known one is "hopper"', "[[transmitter]] 1"],
    ),
    ("no power", "power_dbm = 18\n", "", ['power_dbm of transmitter "on the wall" is missing', "in dBm"]),
    ("power in watts with a unit", "power_dbm = 18", 'power_dbm = "60 mW"', ['is "60 mW"', "in dBm"]),
    ("power true", "power_dbm = 18", "power_dbm = true", ["is true", "in dBm"]),
    ("no cable loss", "cable_loss_db = 1.0\n", "", ["cable_loss_db", "is missing", "0 for none"]),
    ("cable with gain", "cable_loss_db = 1.0", "cable_loss_db = -1", ["is -1", "loss of the cable"]),
    (
        "position of two numbers",
        "[6.0, 3.5, 1.0]",
        "[6.0, 3.5]",
        ['position_m of receiver "lamp" is [6.0, 3.5]', "three numbers"],
    ),
    ("position in words", "[6.0, 3.5, 1.0]", '[6.0, "3.5", 1.0]', ['is [6.0, "3.5", 1.0]', "three numbers"]),
    ("position infinite", "[6.0, 3.5, 1.0]", "[6.0, inf, 1.0]", ["position_m", "three numbers"]),
    (
        "no aim",
        AIM + "\n",
        "",
        ['transmitter "on the wall" has no aim', "aim_at_m, azimuth_deg with elevation_deg, or upright"],
    ),
    ("two aims", AIM, AIM + "\nupright = true", ["has aim_at_m and upright", "only one"]),
    ("azimuth alone", AIM, "azimuth_deg = 90", ["elevation_deg of transmitter", "go together"]),
    ("aim at itself", AIM, "aim_at_m = [0.5, 3.0, 2.5]", ["is its own position"]),
    ("upright rolled", RECEIVER, RECEIVER + "\nroll_deg = 10", ["both upright and roll_deg"]),
    ("not upright and nothing else", "upright = true", "upright = false", ['receiver "lamp" has no aim']),
    ("elevation beyond the zenith", AIM, "azimuth_deg = 0\nelevation_deg = 100", ["is 100", "from -90 to 90"]),
    (
        "a name twice",
        'name = "lamp"',
        'name = "on the wall"',
        ["name of [[receiver]] 1", "[[transmitter]] 1 has already", "unique"],
    ),
    ("no name", 'name = "lamp"\n', "", ["name of [[receiver]] 1 is missing"]),
    ("name of blanks", 'name = "lamp"', 'name = " "', ["name of receiver", "a name of its own"]),
    (
        "receiver on a transmitter",
        "[6.0, 3.5, 1.0]",
        "[0.5, 3.0, 2.5]",
        ['that of transmitter "on the wall"', "[[receiver]] 1"],
    ),
    ("voxel zero", "voxel_m = 0.5", "voxel_m = 0", ["voxel_m of [study] is 0", "positive"]),
    ("voxel below zero", "voxel_m = 0.5", "voxel_m = -0.5", ["is -0.5", "positive"]),
    ("seven reflections", "max_reflections = 2", "max_reflections = 7", ["is 7", "from 0 to 6"]),
    ("half a reflection", "max_reflections = 2", "max_reflections = 2.5", ["is 2.5", "whole number"]),
    ("no rays", "rays = 1000", "rays = 0", ["rays of [study] is 0", "64 or more"]),
    ("seed below zero", "seed = 1", "seed = -1", ["is -1", "0 or more"]),
    (
        "no study",
        "[study]\nmax_reflections = 2\nvoxel_m = 0.5\nrays = 1000\nseed = 1\n",
        "",
        ["[study] is missing", "add [study]"],
    ),
]


def run(*arguments: str | Path):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def assert_refused(result, parts: list[str]) -> None:
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    lines = [line for line in result.stderr.splitlines() if not line.startswith("reading ")]
    assert len(lines) == 1, result.stderr
    assert lines[0].startswith("error: ")
    assert "Traceback" not in result.stderr
    for part in parts:
        assert part in lines[0]


@pytest.mark.parametrize(("old", "new", "parts"), [row[1:] for row in PLANS], ids=[row[0] for row in PLANS])
def test_bad_plans(room_plan, old, new, parts):
    text = room_plan.read_text()
    assert old in text
    room_plan.write_text(text.replace(old, new, 1))
    before = sorted(room_plan.parent.iterdir())
    result = run("check", room_plan, "--json", room_plan.parent / "out.json")
    assert_refused(result, parts)
    assert sorted(room_plan.parent.iterdir()) == before


def test_no_transmitter(room_plan):
    text = room_plan.read_text()
    start, end = text.index("[[transmitter]]"), text.index("[[receiver]]")
    room_plan.write_text(text[:start] + text[end:])
    assert_refused(run("check", room_plan), ["[[transmitter]] is missing", "one table or more"])


@pytest.mark.parametrize(
    ("content", "parts"),
    [
        (None, ["cannot be read", "correct the path"]),
        (b"", ["schema is missing"]),
        (b"\xff\xfe\x00", ["is not TOML", "UTF-8"]),
        (b"a = " + b"[" * 5000, ["is not TOML"]),
        (b"[surface", ["is not TOML", "end of document"]),
        (b"surface = 3", ["surface of plan.toml is 3", "[[surface]]"]),
        (b"surface = [3]", ["surface of plan.toml is [3]", "[[surface]]"]),
        (b'schema = "1"', ['schema of plan.toml is "1"']),
    ],
)
def test_files_that_are_no_plan(tmp_path, content, parts):
    path = tmp_path / "plan.toml"
    if content is not None:
        path.write_bytes(content)
    assert_refused(run("check", path), parts)


def test_a_folder_is_no_plan(tmp_path):
    assert_refused(run("check", tmp_path), ["cannot be read"])


def test_plans_with_a_byte_order_mark_are_plans(room_plan):
    """Some editors put one at the start of every file."""
    room_plan.write_bytes(b"\xef\xbb\xbf" + room_plan.read_bytes().replace(b"\n", b"\r\n"))
    assert run("check", room_plan).exit_code == 0


def test_empty_and_broken_meshes(room_plan):
    mesh = room_plan.parent / "room.obj"
    for content, part in [("", "holds no geometry"), ("v 0 0 0\n", "points or lines"), ("f 1 2 3\n", "line 1")]:
        mesh.write_text(content)
        assert_refused(run("check", room_plan), [part])


# ---------------------------------------------------------------------------------------------- new and outputs
def test_new_needs_unit_and_axis(room_plan):
    mesh, out = room_plan.parent / "room.obj", room_plan.parent / "new.toml"
    assert_refused(run("new", mesh, "--out", out), ["units", "--units"])
    assert_refused(run("new", mesh, "--units", "m", "--out", out), ["up", "--up"])
    assert_refused(
        run("new", mesh, "--units", "furlong", "--up", "z", "--out", out), ['"furlong"', "m, cm, mm, ft or in"]
    )
    assert not out.exists()


def test_new_does_not_replace_a_plan(room_plan):
    before = room_plan.read_bytes()
    mesh = room_plan.parent / "room.obj"
    assert_refused(run("new", mesh, "--units", "m", "--up", "z"), ["is there already", "--force"])
    assert room_plan.read_bytes() == before


def test_new_does_not_replace_its_mesh(room_plan):
    mesh = room_plan.parent / "room.obj"
    before = mesh.read_bytes()
    result = run("new", mesh, "--units", "m", "--up", "z", "--out", mesh, "--force")
    assert_refused(result, ["--out names", "this command reads"])
    assert mesh.read_bytes() == before


def test_outputs_do_not_replace_inputs_or_each_other(room_plan):
    before = room_plan.read_bytes()
    other = room_plan.parent / "out.json"
    assert_refused(run("check", room_plan, "--json", room_plan), ["--json names", "this command reads"])
    assert_refused(run("check", room_plan, "--events", room_plan), ["--events names", "this command reads"])
    assert_refused(run("check", room_plan, "--json", other, "--events", other), ["both name"])
    assert_refused(run("check", room_plan, "--json", room_plan.parent / "no" / "out.json"), ["a folder that is there"])
    assert room_plan.read_bytes() == before
    assert not other.exists()


@pytest.mark.parametrize(
    "arguments",
    [["check"], ["chekc", "x"], ["check", "x", "--workers", "-1"], ["check", "x", "--seed", "one"], ["new"]],
)
def test_commands_that_are_mistyped(arguments):
    result = run(*arguments)
    assert result.exit_code == 2
    assert "Traceback" not in result.output
    assert "Usage:" in result.stderr
