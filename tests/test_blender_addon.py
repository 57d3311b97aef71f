"""The Blender add-on in real Blender: on and off, export, runs, errors, a window; the extension in Blender 4.2.

Skipped, with the reason, where there is no Blender; scripts/test.sh installs it where it can.
"""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import subprocess
import sys
import tomllib
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import get_args

import numpy as np
import pytest
from PIL import Image

from rf3d.assessment.pages import margin_words, summary
from rf3d.assessment.run import solve
from rf3d.jobs import Jobs
from rf3d.plan import load_plan, load_scene
from rf3d.plan_tables import ROWS, HangKind
from rf3d.venue.readers.meshes import read_mesh

ROOT = Path(__file__).resolve().parent.parent
ADDON = ROOT / "rf3d" / "blender_addon"
SESSION = ROOT / "tests" / "blender_session.py"
BLENDER = shutil.which("blender")
needs_blender = pytest.mark.skipif(
    BLENDER is None,
    reason="no Blender: apt-get install --no-install-recommends blender python3-numpy xvfb xauth",
)


def module(name: str, path: Path):
    """A file of the add-on that needs no Blender, or a script, as a module."""
    spec = importlib.util.spec_from_file_location(name, path)
    made = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made)
    return made


@pytest.fixture(scope="session")
def zips(tmp_path_factory) -> tuple[Path, Path]:
    return module("build_blender_addon", ROOT / "scripts" / "build_blender_addon.py").build(
        tmp_path_factory.mktemp("zips")
    )


@pytest.fixture(scope="session")
def python(tmp_path_factory) -> Path:
    """This Python as the add-on would find it: it has rf3d without help from PYTHONPATH, whatever runs the tests."""
    path = tmp_path_factory.mktemp("python") / "python"
    paths = os.pathsep.join([str(ROOT), *(p for p in sys.path if p.endswith("site-packages"))])
    path.write_text(f'#!/bin/sh\nPYTHONPATH="{paths}" exec "{sys.executable}" "$@"\n')
    path.chmod(0o755)
    return path


def in_blender(case: str, zips: tuple[Path, Path], python: Path, folder: Path, *more: str | Path) -> str:
    """Run one case of blender_session.py; exceptions there end Blender with 1."""
    assert BLENDER is not None
    for name in ("config", "scripts"):
        (folder / name).mkdir()
    done = subprocess.run(
        [BLENDER, "-b", "--factory-startup", "--python-exit-code", "1", "-P", SESSION, "--",
         case, zips[0], python, folder, *more],
        capture_output=True, text=True, timeout=900, env=blender_environment(folder),
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    return done.stdout


def blender_environment(folder: Path) -> dict[str, str]:
    return {
        **os.environ, "BLENDER_USER_CONFIG": str(folder / "config"), "BLENDER_USER_SCRIPTS": str(folder / "scripts"),
        "LIBGL_ALWAYS_SOFTWARE": "1",
    }  # fmt: skip


@needs_blender
def test_registers_twice_and_keeps_its_data(zips, python, tmp_path):
    in_blender("register_twice", zips, python, tmp_path)


@needs_blender
def test_places_and_antenna_axes(zips, python, tmp_path):
    in_blender("places", zips, python, tmp_path)


def write_boxes(path: Path, corners: dict[str, np.ndarray]) -> None:
    """Boxes, or rows of boxes, as an OBJ file, from the corners in the order of the session's ``box``."""
    faces = np.array([(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)])
    triangles = np.concatenate([faces[:, :3], faces[:, [0, 2, 3]]])
    lines, count = [], 1
    for name, points in corners.items():
        lines.append(f"o {name}")
        lines += [f"v {x!r} {y!r} {z!r}" for x, y, z in points.tolist()]
        for first in range(0, len(points), 8):
            lines += [f"f {a} {b} {c}" for a, b, c in (triangles + count + first).tolist()]
        count += len(points)
    path.write_text("\n".join(lines) + "\n")


@needs_blender
def test_export_is_the_scene_to_a_millionth_of_a_decibel(zips, python, tmp_path):
    """Rotated, scaled, mirrored and sheared parents, instances, a modifier, half a metre to the unit.

    The button gives what ``rf3d links`` gives by hand on the exported plan. The venue is also built without passing
    through the export: from corners that the matrices Blender holds give, which must agree to 1e-6 dB, and from corners
    computed by hand in double precision. Blender holds matrices in 32 bits, so that the latter agree to some 1e-5 dB
    only.
    """
    in_blender("transforms", zips, python, tmp_path)
    places = json.loads((tmp_path / "places.json").read_text())
    truth, held = ({k: np.array(v) for k, v in places[which].items()} for which in ("by hand", "as held"))
    carried = truth.pop("carried")[0]
    scene = read_mesh(tmp_path / "scene.glb")
    assert sorted(scene.objects) == sorted(truth) == sorted(held), "what is hidden, excluded or left out is not there"
    for name, points in truth.items():
        mine = np.array([o == name for o in scene.objects])[scene.triangle_part]
        found = scene.to_world(scene.corners_m[mine].reshape(-1, 3))
        apart = np.linalg.norm(found[:, None] - points[None], axis=2)
        assert max(apart.min(axis=0).max(), apart.min(axis=1).max()) < 2e-6, name
    tables = tomllib.loads((tmp_path / "scene.toml").read_text())
    rows = {row["name"]: row for row in tables["transmitter"] + tables["receiver"]}
    np.testing.assert_allclose(rows["carried"]["position_m"], carried, atol=1e-6)
    assert rows["far"]["position_m"] == [4.0, 4.5, 1.5]
    assert rows["far"]["upright"]
    assert rows["sender"]["power_dbm"] == 18.3
    np.testing.assert_allclose([rows["sender"][k] for k in ("azimuth_deg", "elevation_deg")], [40, -10], atol=1e-5)
    assert tables["material"]["own stone"]["permittivity"] == 5.25

    links = []
    for name, corners in (("scene", None), ("held", held), ("hand", truth)):
        if corners is not None:
            write_boxes(tmp_path / f"{name}.obj", corners)
            told = f'mesh = "{name}.obj"\nunits = "m"\nup = "z"'
            text = (tmp_path / "scene.toml").read_text().replace('mesh = "scene.glb"', told)
            (tmp_path / f"{name}.toml").write_text(text)
        plan = load_plan(tmp_path / f"{name}.toml")
        links.append(solve(plan, load_scene(plan), jobs=Jobs(workers=2)).links)
    assert len(links[0]) == 2
    for exported, by_held, by_hand in zip(*links, strict=True):
        assert exported.paths.count == by_held.paths.count == by_hand.paths.count > 5
        np.testing.assert_allclose(exported.path_power_dbm, by_held.path_power_dbm, atol=1e-6)
        for key in ("mean_power_dbm", "margin_db", "centre_power_dbm"):
            assert getattr(exported, key) == pytest.approx(getattr(by_held, key), abs=1e-6), key
        assert exported.mean_power_dbm == pytest.approx(by_hand.mean_power_dbm, abs=2e-5)

    run = [python, "-m", "rf3d.cli", "links", tmp_path / "scene.toml", "--json", tmp_path / "links.json"]
    done = subprocess.run(run, capture_output=True, text=True, timeout=300)
    assert done.returncode in (0, 4), done.stderr
    by_command = {link["receiver"]: link for link in json.loads((tmp_path / "links.json").read_text())["links"]}
    by_button = json.loads((tmp_path / "marks.json").read_text())
    assert set(by_button) == set(by_command) == {"carried", "far"}
    for name, numbers in by_button.items():
        assert {"mean_power_dbm", "margin_db"} <= set(numbers)
        for key, value in numbers.items():
            assert value == pytest.approx(by_command[name][key], abs=1e-6), (name, key)


ALL_TABLES = """
schema = 1
title = "Everything a plan can say"

[venue]
mesh = "boxes.obj"
units = "m"
up = "z"
region = "EU"
position_tolerance_m = 0.013

[study]
max_reflections = 2
voxel_m = 0.35
rays = 6000000000
seed = 9007199254740993
most_wall_loss_db = 90

[[surface]]
object = "floor"
material = "screed"
half_space = true

[[surface]]
object = "*"
material = "panelling"

[material.screed]
permittivity = 5.31
conductivity_s_m = 0.0326
scattering = 0.25
source = "assumed"

[material.board]
permittivity = 2.73
conductivity_s_m = 0.0085
scattering = 0.0
source = "assumed"

[material.panelling]
layers = [{ material = "board", thickness_m = 0.0125 }, { sheet_resistance_ohm = 40 },
  { permittivity = 1.0, conductivity_s_m = 0.0, thickness_m = 0.05 }, { grid = { pitch_m = 0.05, wire_m = 0.003 } }]
scattering = 0.1
source = "assumed"

[radio.full]
first_channel_hz = 2402.0125e6
last_channel_hz = 2480.0125e6
channel_spacing_hz = 1e6
bandwidth_hz = 1e6
sensitivity_dbm = -90.3
noise_figure_db = 9.7
carrier_to_interference_db = 11
greatest_input_dbm = -12
packets_s = 33.3
repeats = 2
coding_gain_db = 1.5
data_rate_bit_s = 12345.6789

[radio.spare]
first_channel_hz = 868.3e6
last_channel_hz = 868.3e6
channel_spacing_hz = 1e5
bandwidth_hz = 1e5
sensitivity_dbm = -101

[antenna.whip]
pattern = "dipole"
polarisation = "vertical"
efficiency = 0.87
size_m = 0.17

[antenna.flat]
pattern = "panel"
gain_dbi = 8.7
beamwidth_deg = [63, 58.5]
polarisation = "+45"
xpd_db = 17
efficiency = 0.83

[antenna.crossed]
pattern = "crossed.txt"
efficiency = 0.71

[antenna.unused]
pattern = "omni"
gain_dbi = 4
efficiency = 0.9

[[transmitter]]
name = "rail"
position_m = [-6.1, 0.3, 3.7]
aim_at_m = [4, 1, 1]
roll_deg = 3
antenna = "flat"
radio = "full"
connectors = 0
power_dbm = 18.7
cable_loss_db = 1.3
universes = 2
slots = 128
frames_s = 12.5

[[transmitter]]
name = "bar"
position_m = [6.3, 1.3, 2.7]
azimuth_deg = 33.3
elevation_deg = -10
antenna = "isotropic"
radio = "generic_hopper_900"
connectors = 3
power_dbm = 10
cable_loss_db = 0

[[receiver]]
name = "pack"
position_m = [1.1, 0.2, 1.3]
azimuth_deg = 90
elevation_deg = 0
antenna = "whip"
radio = "full"
worn = true
answers = true
answer_power_dbm = 9.5
on_loss = "off"
importance = 5
purpose = "a lantern that is carried"
connectors = 1
cable_loss_db = 0.4

[[receiver]]
name = "prop"
position_m = [3.1, -2.2, 0.7]
upright = true
antenna = "crossed"
radio = "full"
inside = "metal prop"
answers = false
worn = false
importance = 1

[[receiver]]
name = "far"
position_m = [-3.1, 2.9, 0.7]
upright = true
antenna = "short_dipole"
radio = "generic_hopper_900"

[[zone]]
name = "floor"
low_m = [-6.3, -2.7, 0.1]
high_m = [5.9, 3.3, 2.1]

[[occupied]]
name = "access point"
position_m = [7.1, -3.3, 2.9]
power_dbm = 19.5
low_hz = 2452.3e6
high_hz = 2472e6
duty = 0.15

[[occupied]]
name = "the whole band"
level_dbm = -83.3
low_hz = 2400e6
high_hz = 2483.5e6
bandwidth_hz = 1.5e6
duty = 0.07

[[occupied]]
name = "phones"
low_m = [-5.0, -3.1, 1.1]
high_m = [5.0, 3.1, 1.1]
count = 37
power_dbm = 13
low_hz = 2427e6
high_hz = 2447e6
duty = 0.011

[[occupied]]
name = "dimmer rack"
position_m = [-7.3, 3.9, 1.2]
noise_rise_db = 6.5
within_m = 2.5

[[occupied]]
name = "wall of screens"
low_m = [6.9, -4.0, 0.3]
high_m = [7.2, 4.0, 3.7]
noise_rise_db = 11
within_m = 3.3
"""


def corners(low: tuple[float, ...], high: tuple[float, ...]) -> np.ndarray:
    return np.array([(x, y, z) for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])])


@needs_blender
def test_a_plan_of_every_table_comes_back_as_it_was(zips, python, tmp_path):
    """All forms of every table; numbers that 32 bits do not hold; what has no property; one centimetre to the unit.

    Surfaces come back a row an object, the venue as GLB; all else must be equal, file names aside.
    """
    write_boxes(
        tmp_path / "boxes.obj",
        {"floor": corners((-8, -5, -1), (8, 5, 0)), "block": corners((4.5, 2, 0), (5.5, 3, 2))},
    )
    shutil.copy(ROOT / "tests" / "data" / "nec2c_crossed_dipoles.txt", tmp_path / "crossed.txt")
    # Lines along every axis and across, of every kind.
    ways = np.random.default_rng(3).normal(size=(len(get_args(HangKind)), 3)).round(3)
    ways[:3] = [[0, 0, -3.3], [7.1, 0, 0], [0, 0, 2.9]]
    hangs = [
        f'[[hang]]\nname = "{kind} of antennas"\nkind = "{kind}"\nfrom_m = [-3.3, 2.7, 4.1]\n'
        f"to_m = {(np.array([-3.3, 2.7, 4.1]) + way).round(3).tolist()}\n"
        for kind, way in zip(get_args(HangKind), ways, strict=True)
    ]
    plan = tmp_path / "all.toml"
    plan.write_text(ALL_TABLES + "\n".join(hangs))
    own = tomllib.loads(plan.read_text())
    assert set(own) - {"schema", "title"} == set(ROWS), "no table is left out"
    load_plan(plan)
    in_blender("round_trip", zips, python, tmp_path, plan)
    for name in ("metres", "metres again", "centimetres", "centimetres again"):
        again = tomllib.loads((tmp_path / f"{name}.toml").read_text())
        assert again.pop("venue") == {"mesh": f"{name}.glb", "region": "EU", "position_tolerance_m": 0.013}
        made_of = {row["object"]: (row["material"], row.get("half_space", False)) for row in again.pop("surface")}
        assert made_of == {"floor": ("screed", True), "block": ("panelling", False)}
        for table, rows in again.items():
            assert rows == own[table], (name, table)
        assert set(again) == set(own) - {"venue", "surface"}
        load_plan(tmp_path / f"{name}.toml")


@needs_blender
def test_a_whole_run_on_the_playhouse(zips, python, tmp_path):
    """Bring in, write out, check, links, volume, all again, move a radio, save and load."""
    plan = ROOT / "meshes_demo" / "playhouse.toml"
    in_blender("whole_run", zips, python, tmp_path, plan)
    report = json.loads((tmp_path / "report.json").read_text())
    own, again = (tomllib.loads(path.read_text()) for path in (plan, tmp_path / "again.toml"))
    for table in set(own) - {"venue", "surface"}:
        assert again[table] == own[table], f"[{table}] comes back as it was"
    # Fewer reflections, for time, as in Blender.
    solved = []
    for path in (plan, tmp_path / "again.toml"):
        loaded = load_plan(path)
        loaded = replace(loaded, study=loaded.study.model_copy(update={"max_reflections": 1, "rays": 20000}))
        solved.append(solve(loaded, load_scene(loaded), jobs=Jobs(workers=2)))
    for name, power_dbm in report["mean_power_dbm"].items():
        assert power_dbm == pytest.approx(solved[1].best_link(name).mean_power_dbm, abs=1e-6), "as by hand"
    # Through Blender corners are 32-bit numbers from the middle of their object: half a micrometre, and its phase.
    for mine, theirs in zip(*(solution.links for solution in solved), strict=True):
        assert (mine.transmitter, mine.receiver, mine.verdict) == (theirs.transmitter, theirs.receiver, theirs.verdict)
        np.testing.assert_allclose(mine.path_power_dbm, theirs.path_power_dbm, atol=1e-3)
        for key, within_db in (("mean_power_dbm", 5e-6), ("busy_margin_db", 5e-6), ("fade_power_dbm", 1e-3)):
            assert getattr(mine, key) == pytest.approx(getattr(theirs, key), abs=within_db), key
    assert report["findings"] == [[f.code, f.where, f.message] for f in solved[1].findings], "in the order of the JSON"
    assert report["summary"] == summary(solved[1])
    for name, margins in report["margins"].items():
        assert margins == margin_words(solved[1].best_link(name))
    names = [row["name"] for row in own["receiver"]]
    assert set(report["marks"]) == set(names)
    for row in own["receiver"]:
        verdict, label, place = report["marks"][row["name"]]
        assert place == pytest.approx(row["position_m"], abs=1e-5)
        assert verdict in label
        assert " dB over" in label
        assert "when busy" in label
    assert report["shows"]["path"] > 19
    assert report["shows"]["culprit"] > 0
    assert report["shows"]["skin"] >= 12
    radii = [radius for own_radii in report["radii"].values() for radius in own_radii]
    assert all(0 < radius < 0.3 for radius in radii)
    assert len(set(radii)) > 20, "the width is the share of the power"
    points, values, vertices, size = report["slice"]
    assert points == values == vertices > 4 * 1000
    assert size[0] > 20
    assert all("dBm" in name for name in report["slots"])
    assert "dBm" in report["legend"][0]
    assert all(seconds < 0.5 for seconds in report["steps_s"].values()), report["steps_s"]


def display() -> tuple[str, subprocess.Popen[bytes]]:
    """A screen that nobody sees, and the process that keeps it."""
    read, write = os.pipe()
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", str(write), "-screen", "0", "1600x1000x24", "-nolisten", "tcp"],
        pass_fds=[write], stderr=subprocess.DEVNULL,
    )  # fmt: skip
    os.close(write)
    with os.fdopen(read) as told:
        return f":{told.readline().strip()}", server


@needs_blender
@pytest.mark.skipif(shutil.which("Xvfb") is None, reason="no Xvfb: apt-get install xvfb")
def test_buttons_pressed_in_a_window(zips, python, tmp_path):
    """Check, links stopped midway, volume, links, a finding, a radio moved, undo, the file closed: all by the timer.

    Buttons are pressed with simulated clicks. The pictures it leaves are the ones to look at.
    """
    for name in ("config", "scripts"):
        (tmp_path / name).mkdir()
    screen, server = display()
    try:
        done = subprocess.run(
            [BLENDER, "--factory-startup", "--enable-event-simulate", "--window-geometry", "0", "0", "1600", "1000",
             "-P", SESSION.with_name("blender_window.py"), "--", zips[0], python, tmp_path,
             ROOT / "meshes_demo" / "blackbox.toml"],
            capture_output=True, text=True, timeout=1500, env={**blender_environment(tmp_path), "DISPLAY": screen},
        )  # fmt: skip
    finally:
        server.kill()
        server.wait()
    assert (tmp_path / "report.json").exists(), done.stdout[-3000:] + done.stderr[-3000:]
    report = json.loads((tmp_path / "report.json").read_text())
    assert report.get("done"), report.get("error")
    said = done.stdout + done.stderr
    assert "Traceback" not in said, said[-3000:]
    assert "rna_ui" not in said, "the panel asks for nothing that is not there"
    with pytest.raises(ProcessLookupError):
        os.kill(report["closing"], 0)
    for name in ("panel", "progress", "cancelled", "volume", "links"):
        picture = np.asarray(Image.open(tmp_path / f"{name}.png").convert("RGB"))
        assert picture.shape == (1000, 1600, 3)
        assert len(np.unique(picture.reshape(-1, 3), axis=0)) > 100, f"{name} is empty"


BPY_VERSION = "4.2"


@pytest.fixture(scope="session")
def blender_module() -> Path:
    """A Python with Blender 4.2 as a module, made once beside the checkout's own environment."""
    if sys.version_info[:2] != (3, 11):
        pytest.skip(f"Blender {BPY_VERSION} as a module needs Python 3.11")
    folder = ROOT / ".venv-bpy"
    python = folder / "bin" / "python"
    probe = [python, "-c", "import bpy"]
    if not python.exists() or subprocess.run(probe, capture_output=True, timeout=120).returncode != 0:
        subprocess.run([sys.executable, "-m", "venv", folder], check=True, timeout=120)
        install = [python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", f"bpy=={BPY_VERSION}.*"]
        made = subprocess.run(install, capture_output=True, text=True, timeout=900)
        started = subprocess.run(probe, capture_output=True, text=True, timeout=120)
        if made.returncode or started.returncode:
            shutil.rmtree(folder)
            pytest.skip(f"Blender as a module cannot be had here: {(made.stderr or started.stderr)[-200:]}")
    return python


def test_the_extension_is_valid_and_installs_in_blender_4_2(zips, blender_module, python, tmp_path):
    """Blender's own check of the package, its own installation, and a run of the add-on in it."""
    probe = "import bpy, pathlib; print(pathlib.Path(bpy.__file__).parents[2])"
    found = subprocess.run([blender_module, "-c", probe], capture_output=True, text=True, timeout=120, check=True)
    checker = Path(found.stdout.strip().splitlines()[-1]) / "addons_core" / "bl_pkg" / "cli" / "blender_ext.py"
    said = subprocess.run([blender_module, checker, "validate", zips[1]], capture_output=True, text=True, timeout=120)
    assert said.returncode == 0, said.stdout + said.stderr
    said = subprocess.run([blender_module, checker, "validate", zips[0]], capture_output=True, text=True, timeout=120)
    assert said.returncode != 0, "the check can fail"
    done = subprocess.run(
        [blender_module, SESSION.with_name("blender_extension.py"), zips[1], python, tmp_path,
         ROOT / "meshes_demo" / "playhouse.toml"],
        capture_output=True, text=True, timeout=900, env={**os.environ, "BLENDER_USER_RESOURCES": str(tmp_path)},
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    assert "extension works" in done.stdout
    before, after = (load_plan(path) for path in (ROOT / "meshes_demo" / "playhouse.toml", tmp_path / "again.toml"))
    for what in ("transmitters", "receivers", "zones"):
        assert [item.name for item in getattr(after, what)] == [item.name for item in getattr(before, what)]
    assert len(load_scene(after).triangles) == len(load_scene(before).triangles)


@needs_blender
def test_every_trouble_has_its_message(zips, python, tmp_path):
    """No rf3d, another Python, an old one, a crash, bad input, stopped; objects are untouched and no child is left."""
    scripts = {
        "without": 'echo "/usr/bin/python: No module named rf3d" >&2; exit 1',
        "old": "echo \"Error: No such command 'vocabulary'.\" >&2; exit 2",
        "too old": f'"{python}" "$@" && sed -i \'s/"rf3d": "[^"]*"/"rf3d": "0.0.9"/\' words.json',
        "crash": "kill -SEGV $$",
        "silent": "exit 7",
    }
    for name, script in scripts.items():
        path = tmp_path / f"python {name}"
        path.write_text(f"#!/bin/sh\n{script}\n")
        path.chmod(0o755)
    in_blender("troubles", zips, python, tmp_path)
    said = {name: " / ".join(parts) for name, parts in json.loads((tmp_path / "said.json").read_text()).items()}
    wanted = {
        "no transmitter": "add one", "no material": "no radio material: Cube",
        "no thickness": 'thickness_m is missing on "Cube"',
        "mistyped": 'the nearest known one is "wood"', "channels": "channel_spacing_hz",
        "interference": "carrier_to_interference_db", "flat": "its scale",
        "no plan": "cannot be read", "without": "No module named rf3d", "old": "older than the add-on",
        "too old": "rf3d 0.0.9 is older", "crash": "broke down", "silent": "ended with code 7",
        "missing": "did not start", "cancelled": "Nothing in the scene was changed",
    }  # fmt: skip
    for name, words in wanted.items():
        assert words in said[name], (name, said[name])
    assert "Traceback" not in " ".join(said.values())
    assert ".toml" not in said["no thickness"], "a file that the person never saw is not named"


def test_the_two_zips(zips):
    """A legacy add-on lies in one folder, an extension flat with its manifest; each carries its licence."""
    legacy, extension = (set(zipfile.ZipFile(path).namelist()) for path in zips)
    assert {name.split("/")[0] for name in legacy} == {"rf3d_blender"}
    assert {"rf3d_blender/__init__.py", "rf3d_blender/LICENSE"} <= legacy
    assert not any("/" in name for name in extension)
    assert {"blender_manifest.toml", "__init__.py", "LICENSE"} <= extension
    assert "GNU GENERAL PUBLIC LICENSE" in zipfile.ZipFile(zips[1]).read("LICENSE").decode()
    manifest = tomllib.loads(zipfile.ZipFile(zips[1]).read("blender_manifest.toml").decode())
    assert all(len(reason) <= 64 and not reason.endswith(".") for reason in manifest["permissions"].values())
