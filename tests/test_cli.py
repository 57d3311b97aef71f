"""The commands as a person and as another program meet them: output, events, files, exit codes."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from rf3d import __version__, cli
from rf3d.cli import main
from rf3d.errors import CancelledError, Finding, InputError, MissingPartError
from rf3d.terminal import Run, plain, write_whole
from tests.conftest import write_obj
from tests.scenes import block, room

DEMO = Path(__file__).resolve().parent.parent / "meshes_demo"


def run(*arguments: str | Path, **environment: str):
    return CliRunner(env=environment).invoke(main, [str(argument) for argument in arguments])


def events_of(path: Path) -> list[dict]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


# ---------------------------------------------------------------------------------------------- check
def test_check_of_a_sound_plan(room_plan):
    folder = room_plan.parent
    result = run("check", room_plan, "--json", folder / "o.json", "--events", folder / "e.jsonl", COLUMNS="100")
    assert result.exit_code == 0
    assert result.stderr == "reading room.obj\n"
    lines = result.stdout.splitlines()
    assert lines[:5] == [
        "A room with a cupboard",
        "venue: 8.00 x 6.00 x 4.00 m, room.obj",
        "24 triangles, 12 facets, 7 surfaces, 1 link",
        "surfaces are taken to stand within 2 cm of where they are drawn",
        "links leave out paths whose walls take more than 120 dB altogether",
    ]
    for row in (
        ("wall_x0", "plaster, 100 mm", "sheet: open surface"),
        ("wall_z0", "concrete, half-space", "sheet: open surface"),
        ("cupboard", "wood, thickness from the mesh", "solid: closed body"),
        ("plaster", "assumed", "any frequency"),
        ("concrete", "published", "ITU-R P.2040-3", "1 to 100 GHz"),
        ("on the wall", "2402 to 2480 MHz", "18 dBm, 1 dB"),
        ("lamp", "6.00, 3.50, 1.00", "-90 dBm, 0 dB"),
    ):
        assert any(all(cell in line for cell in row) for line in lines), row
    data = json.loads((folder / "o.json").read_text())
    assert (data["rf3d"], data["schema"], data["size_m"]) == (__version__, 1, [8.0, 6.0, 4.0])
    assert (data["triangles"], data["dropped_triangles"], data["facets"], data["links"]) == (24, 0, 12, 1)
    assert data["unassigned"] == []
    assert data["findings"] == []
    by_name = {row["object"]: row for row in data["surfaces"]}
    assert by_name["wall_y1"] | {"source": "", "decision": ""} == {
        "object": "wall_y1", "mesh_material": "", "material": "plaster", "thickness_m": 0.1, "half_space": False,
        "body": "sheet", "decision": "", "basis": "A", "source": "", "made_of": "",
    }  # fmt: skip
    assert by_name["cupboard"]["thickness_m"] is None
    assert by_name["cupboard"]["body"] == "solid"
    assert events_of(folder / "e.jsonl") == [
        {"event": "start", "command": "check", "rf3d": __version__},
        {"event": "done", "exit_code": 0},
    ]


def test_check_lists_what_has_no_material_and_fails(room_plan):
    room_plan.write_text(room_plan.read_text().replace('object = "wall_*"', 'object = "wall_x*"'))
    folder = room_plan.parent
    result = run("check", room_plan, "--json", folder / "o.json", "--events", folder / "e.jsonl")
    assert result.exit_code == 4
    data = json.loads((folder / "o.json").read_text())
    assert data["unassigned"] == ["wall_y0", "wall_y1", "wall_z1"]
    (finding,) = data["findings"]
    assert (finding["code"], finding["severity"], finding["value"]) == ("surface-unassigned", "fail", 3.0)
    for name in data["unassigned"]:
        assert name in result.stdout
        assert name in finding["message"]
    assert events_of(folder / "e.jsonl")[1:] == [{"event": "finding", **finding}, {"event": "done", "exit_code": 4}]


def change(path: Path, *pairs: tuple[str, str]) -> Path:
    text = path.read_text()
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    path.write_text(text)
    return path


CASES = [
    ("a room of 8 mm", [('units = "m"', 'units = "mm"')], "venue-size", "caution", "[venue]", 0.008, 2.0),
    ("outside", [("[6.0, 3.5, 1.0]", "[6.0, 9.0, 1.0]")], "radio-outside", "caution", "lamp", 3.0, 0.0),
    ("in the cupboard", [("[6.0, 3.5, 1.0]", "[3.5, 5.25, 1.5]")], "radio-in-solid", "fail", "lamp", None, None),
    ("too near", [("[6.0, 3.5, 1.0]", "[0.5, 3.1, 2.5]")], "near-antenna", "caution", "on the wall to lamp", 0.1, None),
    (
        "below the range of concrete and wood",
        [("= 2402e6", "= 902e6"), ("= 2480e6", "= 928e6")],
        "material-range", "caution", "concrete", 902e6, 1e9,
    ),
    (
        "gain that its beamwidths cannot give",
        [("gain_dbi = 9.0", "gain_dbi = 19.0")], "antenna-gain-disagrees", "caution", "panel", 19.0, None,
    ),
    ("idle row", [('object = "cupboard"', 'object = "*oard"\nmaterial = "wood"\n\n[[surface]]\nobject = "cupboard"')],
     "surface-row-idle", "caution", "[[surface]] 4", None, None),
    ("another radio", [("[study]", '[radio.other]\nfirst_channel_hz = 2402e6\nlast_channel_hz = 2480e6\n'
     'channel_spacing_hz = 1e6\nbandwidth_hz = 1e6\nsensitivity_dbm = -90\n\n[study]'),
     ('antenna = "dipole"\nradio = "hopper"', 'antenna = "dipole"\nradio = "other"')],
     "no-transmitter", "caution", "lamp", None, None),
    ("flame", [('name = "lamp"', 'name = "lamp"\npurpose = "Flames"')], "safety-purpose", "fail", "lamp", None, None),
]  # fmt: skip


@pytest.mark.parametrize(
    ("purpose", "fails"),
    [(purpose, True) for purpose in
     ("Pyrotechnics cue 12", "pyro", "flames, upstage", "flame_projector", "flamebar", "motion of the truss", "winch 3",
      "winch2", "winches", "scenery lift", "stage_lift", "stageLift", "LEDFlame", "chain hoists", "emergency lighting",
      "emergency_light", "exit light", "exit_light", "exitLight", "EXIT-2")]
    + [(purpose, False) for purpose in
       ("emotion light", "emotional scene", "uplighter", "Winchester statue", "flamenco dress", "practical lamp")],
)  # fmt: skip
def test_a_purpose_with_danger_in_it_fails(room_plan, purpose, fails):
    path = change(room_plan, ('name = "lamp"', f'name = "lamp"\npurpose = "{purpose}"'))
    assert run("check", path).exit_code == (4 if fails else 0)


@pytest.mark.parametrize(
    ("changes", "code", "severity", "where", "value", "limit"), [c[1:] for c in CASES], ids=[c[0] for c in CASES]
)
def test_check_finds(room_plan, changes, code, severity, where, value, limit):
    path = change(room_plan, *changes)
    out = room_plan.parent / "o.json"
    result = run("check", path, "--json", out)
    assert result.exit_code == (4 if severity == "fail" else 0)
    findings = [f for f in json.loads(out.read_text())["findings"] if (f["code"], f["where"]) == (code, where)]
    assert len(findings) == 1
    assert findings[0]["severity"] == severity
    assert findings[0]["value"] == pytest.approx(value)
    if limit is not None:
        assert findings[0]["limit"] == pytest.approx(limit)
    assert severity in result.stdout


def test_check_fails_what_links_refuse(room_plan):
    """A lamp in the cupboard: the same solid and the same cure, before anything is traced and instead of it."""
    path = change(room_plan, ("[6.0, 3.5, 1.0]", "[3.5, 5.25, 1.5]"))
    checked, refused = run("check", path, COLUMNS="200"), run("links", path)
    assert (checked.exit_code, refused.exit_code) == (4, 2)
    for said in (checked.stdout, refused.stderr):
        assert 'stands inside the solid "cupboard"' in said
        assert 'make that surface body = "sheet" if it is hollow' in said


def test_each_material_is_said_once(room_plan):
    """Six walls of plaster are one caution, and materials within their range none."""
    change(
        room_plan,
        ('"plaster"', '"concrete"'),
        ("first_channel_hz = 2402e6", "first_channel_hz = 902e6"),
        ("last_channel_hz = 2480e6", "last_channel_hz = 928e6"),
    )
    out = room_plan.parent / "o.json"
    run("check", room_plan, "--json", out)
    ranges = [f["where"] for f in json.loads(out.read_text())["findings"] if f["code"] == "material-range"]
    assert ranges == ["concrete"]


def test_narrow_terminals_get_lists(room_plan):
    """No line may run over, and no name may be cut."""
    wide, narrow = run("check", room_plan, COLUMNS="120"), run("check", room_plan, COLUMNS="40")
    tables = narrow.stdout[narrow.stdout.index("Surfaces") :]
    assert max(map(len, tables.splitlines())) <= 40
    assert "cupboard\n  radio material: wood, thickness from\n    the mesh\n  taken as: solid" in tables
    assert "─" in wide.stdout
    assert "─" not in narrow.stdout


def test_quiet_leaves_only_the_result(room_plan):
    loud, quiet = run("check", room_plan), run("check", room_plan, "--quiet")
    assert quiet.stdout == loud.stdout
    assert (loud.stderr, quiet.stderr) == ("reading room.obj\n", "")


@pytest.mark.parametrize("name", ["playhouse", "arena", "blackbox"])
def test_demo_plans_pass(name):
    assert run("check", DEMO / f"{name}.toml").exit_code == 0


def test_hall_of_others_from_mesh_to_check(shared, tmp_path):
    """A y-up hall: a starter plan, filled in with one row, checks without a failure."""
    mesh = shared / "venues" / "assembly_hall" / "assembly_hall_yup.obj"
    plan = tmp_path / "hall.toml"
    assert run("new", mesh, "--units", "m", "--up", "y", "--out", plan).exit_code == 0
    assert run("check", plan).exit_code == 4
    row = '[[surface]]\nobject = "*"\nmaterial = "concrete"\nthickness_m = 0.2\nbody = "sheet"\n\n'
    change(plan, ("[radio.example]", row + "[radio.example]"))
    result = run("check", plan)
    assert result.exit_code == 0
    assert "venue: 74.52 x 38.37 x 7.14 m" in result.stdout


# ---------------------------------------------------------------------------------------------- new
def test_new_writes_a_plan_that_checks(tmp_path):
    mesh = write_obj(tmp_path / "hall.obj", [*room((8, 6, 4)), block("steel_post", (3, 3, 0.1), (3.2, 3.2, 3))])
    out = tmp_path / "o.json"
    result = run("new", mesh, "--units", "m", "--up", "z", "--json", out)
    assert result.exit_code == 0
    assert result.stdout.splitlines()[:2] == [
        f"wrote {tmp_path / 'hall.toml'}",
        "7 surfaces, a radio material suggested for 1",
    ]
    data = json.loads(out.read_text())
    assert [row["suggested"] for row in data["surfaces"] if row["object"] == "steel_post"] == ["metal"]
    checked = run("check", tmp_path / "hall.toml")
    assert checked.exit_code == 4
    assert '"wall_x0"' in checked.stdout


def test_new_replaces_a_plan_when_forced(room_plan):
    mesh = room_plan.parent / "room.obj"
    assert run("new", mesh, "--units", "m", "--up", "z", "--force").exit_code == 0
    assert "example transmitter" in room_plan.read_text()


# ---------------------------------------------------------------------------------------------- the frame
@pytest.fixture
def command(monkeypatch):
    """A way to add a command of the test's own for the time of the test."""
    monkeypatch.setattr(main, "commands", dict(main.commands))
    return cli.command


def test_progress_findings_and_exit_code(command, tmp_path):
    @command
    @click.argument("plan", type=click.Path(path_type=Path))
    def march(run: Run, plan: Path) -> None:
        """March."""
        for done in range(1, 1001):
            run.jobs.progress("rays", done, 1000)
        run.add_findings([Finding("echo", "info", "lamp", "fine"), Finding("lost", "fail", "lamp", "no path", 1.0)])
        run.show_findings()
        run.write_json({"seed": run.seed, "workers": run.jobs.workers, "power_dbm": float("-inf")})

    options = ["--json", tmp_path / "o.json", "--events", tmp_path / "e.jsonl", "--seed", "7", "--workers", "2"]
    result = run("march", "x", *options)
    assert result.exit_code == 4
    assert result.stderr == "rays: done\n"
    assert result.stdout.index("fail") < result.stdout.index("info")
    data = json.loads((tmp_path / "o.json").read_text())
    assert (data["seed"], data["workers"], data["power_dbm"]) == (7, 2, None)
    assert [f["code"] for f in data["findings"]] == ["echo", "lost"]
    events = events_of(tmp_path / "e.jsonl")
    assert [e["event"] for e in events if e["event"] != "progress"] == ["start", "finding", "finding", "done"]
    shares = [e["done"] / e["total"] for e in events if e["event"] == "progress"]
    assert shares[-1] == 1.0
    assert 50 <= len(shares) <= 52


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (InputError("this", "that", "do"), 2),
        (MissingPartError("pip install part"), 3),
        (CancelledError("stopped"), 130),
        (KeyboardInterrupt(), 130),
    ],
)
def test_errors_end_with_their_code_in_one_line(command, tmp_path, error, code):
    @command
    def march(run: Run) -> None:
        """March."""
        raise error

    result = run("march", "--json", tmp_path / "o.json", "--events", tmp_path / "e.jsonl")
    assert result.exit_code == code
    assert result.stdout == ""
    assert result.stderr == f"error: {str(error) or 'stopped'}\n"
    assert not (tmp_path / "o.json").exists()
    (last,) = events_of(tmp_path / "e.jsonl")[1:]
    assert (last["event"], last["exit_code"]) == ("error", code)


def test_a_defect_of_the_program_is_not_hidden(command, tmp_path):
    @command
    def march(run: Run) -> None:
        """March."""
        raise ZeroDivisionError("a defect")

    result = run("march", "--events", tmp_path / "e.jsonl")
    assert isinstance(result.exception, ZeroDivisionError)
    assert events_of(tmp_path / "e.jsonl")[-1]["event"] == "error"


def test_interrupt_from_the_keyboard(room_plan):
    """The real signal to the real program: exit code 130, no traceback, no file."""
    out = room_plan.parent / "o.json"
    script = (
        "import rf3d.plan, rf3d.cli, time\n"
        "rf3d.plan.load_scene = lambda plan: (print('ready', flush=True), time.sleep(60))\n"
        "rf3d.cli.main()\n"
    )
    program = subprocess.Popen(
        [sys.executable, "-c", script, "check", str(room_plan), "--json", str(out)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        # A shell that runs the tests in the background has children ignore the signal.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    with program:
        assert program.stdout is not None
        assert program.stdout.readline() == "ready\n"
        program.send_signal(signal.SIGINT)
        try:
            _, stderr = program.communicate(timeout=30)
        finally:
            program.kill()
    assert program.returncode == 130
    assert stderr.splitlines()[-1] == "error: stopped"
    assert "Traceback" not in stderr
    assert not out.exists()


def test_files_are_whole_or_not_there(tmp_path, monkeypatch):
    """Written beside the target and renamed: where that fails the old file stays and no scrap is left."""
    target = tmp_path / "o.json"
    write_whole(target, "old", option="--json")

    def broken(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", broken)
    with pytest.raises(InputError, match="No space left on device"):
        write_whole(target, "new", option="--json")
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_plain_data_for_json():
    import numpy as np

    data = {"a": np.array([1.0, np.nan]), "b": (np.float64("inf"), np.int64(3)), "c": Path("x"), 4: [True, None, "ü"]}
    assert plain(data) == {"a": [1.0, None], "b": [None, 3], "c": "x", "4": [True, None, "ü"]}


def test_help_comes_at_once_and_loads_nothing_heavy():
    """Half a second for a person at a keyboard; the best of three, since other work may run beside."""
    code = (
        "import sys; from rf3d.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'numba', 'pyvista', 'trimesh', 'pydantic', 'rich'}\n"
        "print(sorted({m.split('.')[0] for m in sys.modules} & heavy))"
    )
    best = 10.0
    for _ in range(3):
        start = time.perf_counter()
        output = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
        best = min(best, time.perf_counter() - start)
    assert output.splitlines()[-1] == "[]"
    assert best < 0.5
    for name in ("new", "check"):
        assert name in output


def test_every_command_has_the_shared_options():
    for name, item in main.commands.items():
        options = {option for parameter in item.params for option in parameter.opts}
        assert {"--json", "--quiet", "--seed", "--workers", "--events"} <= options, name
        assert item.help, name


def test_python_runs_the_package_as_the_command():
    """Where the environment's commands are not on the path."""
    done = subprocess.run([sys.executable, "-m", "rf3d", "--version"], capture_output=True, text=True, check=False)
    assert (done.returncode, __version__ in done.stdout) == (0, True)
