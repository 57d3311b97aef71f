"""`rf3d volume` as a person and as another program meet it: tables, files, findings, progress, Ctrl-C."""

from __future__ import annotations

import itertools
import json
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import pyvista
from click.testing import CliRunner

from rf3d import __version__
from rf3d.cli import main
from rf3d.plan import load_plan, load_scene
from rf3d.propagation import volume as engine
from rf3d.terminal import Run, print_table
from tests.test_plan import change

ZONES = """[[zone]]
name = "stage"
low_m = [1.0, 1.0, 0.0]
high_m = [3.0, 4.0, 2.0]

[[zone]]
name = "seats"
low_m = [4.0, 1.0, 0.0]
high_m = [8.0, 6.0, 2.0]

[study]"""
ALWAYS = {
    "mean_power_dbm", "std_error_db", "direct_power_dbm", "direct_ratio_db", "direct_ratio_std_error_db",
    "rms_delay_spread_ns", "rms_delay_spread_std_error_ns",
}  # fmt: skip
DETAIL = {"arrival", "arrival_concentration", "arrival_std_error_deg", "own_power_dbm", "own_std_error_db"}


def run(*arguments: str | Path, columns: int = 100):
    return CliRunner(env={"COLUMNS": str(columns)}).invoke(main, [str(argument) for argument in arguments])


def stored(path: Path) -> dict[str, np.ndarray]:
    """Every array of an archive, which is closed again."""
    with np.load(path) as archive:
        return {name: archive[name] for name in archive.files}


@pytest.fixture
def zoned(room_plan, monkeypatch):
    """The room's plan with zones and two transmitters; rounds of --until are small."""
    monkeypatch.setattr(engine, "ROUND_RAYS", 128)
    change(room_plan, "rays = 1000", "rays = 10000")
    text = room_plan.read_text()
    sender = text[text.index("[[transmitter]]") : text.index("[[receiver]]")]
    second = sender.replace("on the wall", "in the corner").replace("[0.5, 3.0, 2.5]", "[7.5, 0.5, 3.0]")
    change(room_plan, "[[receiver]]", second + "[[receiver]]")
    return change(room_plan, "[study]", ZONES)


def test_a_sender_inside_a_solid_is_refused(room_plan, tmp_path):
    change(room_plan, "[0.5, 3.0, 2.5]", "[3.5, 5.25, 1.5]")
    result = run("volume", room_plan, "--out", tmp_path / "v.vti")
    assert result.exit_code == 2
    assert 'stands inside the solid "cupboard"' in result.stderr
    assert not (tmp_path / "v.vti").exists()


def test_zones_are_summed_up_and_files_say_what_they_hold(zoned, tmp_path):
    vti, npz, out = tmp_path / "v.vti", tmp_path / "v.npz", tmp_path / "v.json"
    result = run("volume", zoned, "--detail", "--out", vti, "--json", out, "--quiet")
    assert result.exit_code == 0, result.output
    assert "Coverage of hopper, heard by dipole upright, on clean air only" in result.stdout
    assert "chance of holding" in result.stdout
    assert "Who reflected it last" in result.stdout
    assert run("volume", zoned, "--detail", "--out", npz, "--quiet").exit_code == 0
    data = json.loads(out.read_text())
    (told,) = data["coverage"]
    assert [zone["zone"] for zone in told["zones"]] == ["stage", "seats"]
    for zone in told["zones"]:
        assert sum(zone["shares"].values()) == pytest.approx(1.0)
        assert zone["worst_1_percent_low_db"] <= zone["worst_1_percent_db"] <= zone["worst_1_percent_high_db"]
    assert {s["surface"] for v in data["volumes"] for s in v["surfaces"]} >= {"wall_x1", "wall_y0"}

    image, archive = pyvista.read(vti), stored(npz)
    names = {n for n in image.cell_data if "share" not in n}
    senders = ("on the wall", "in the corner")
    radio = {"strongest", "margin_db", "margin_std_error_db", "verdict", "served_by"}
    radio |= {f"strongest_{name.removeprefix('mean_')}" for name in ALWAYS | DETAIL}
    assert names == {f"{n}@{s}" for n in ALWAYS | DETAIL for s in senders} | {f"{n}@hopper" for n in radio}
    shares = set(image.cell_data.keys()) - names
    assert "share@on the wall@wall_x1" in shares
    assert "share_std_error@on the wall@wall_x1" in shares
    assert set(archive) == names | shares | {"low_m", "voxel_m", "provenance"}
    shape = archive["mean_power_dbm@on the wall"].shape
    assert shape == tuple(n - 1 for n in image.dimensions)
    for name in names | shares:
        flat = image.cell_data[name]
        if "arrival@" in name:
            np.testing.assert_array_equal(np.moveaxis(archive[name], 0, -1).reshape(-1, 3, order="F"), flat)
        else:
            np.testing.assert_array_equal(archive[name].ravel(order="F"), flat)
        assert archive[name].dtype == np.float32 or archive[name].dtype.kind == "i"
    both = [archive[f"mean_power_dbm@{s}"] for s in senders]
    np.testing.assert_array_equal(archive["strongest_power_dbm@hopper"], np.fmax(*both))
    place = archive["strongest@hopper"]
    assert set(np.unique(place)) <= {-1, 0, 1}
    assert (both[1][place == 1] > np.nan_to_num(both[0], nan=-np.inf)[place == 1]).all()
    for name in (*(n.removeprefix("mean_") for n in ALWAYS | DETAIL - {"arrival"}), "share", "share_std_error"):
        surface = "@wall_x1" if "share" in name else ""
        alone = [archive[f"{'mean_' * (name == 'power_dbm')}{name}@{s}{surface}"] for s in senders]
        np.testing.assert_array_equal(
            archive[f"strongest_{name}@hopper{surface}"],
            np.where(place == 0, alone[0], np.where(place == 1, alone[1], np.nan)),
        )
    chosen = np.where(place == 0, *(archive[f"arrival@{s}"] for s in senders))
    np.testing.assert_array_equal(archive["strongest_arrival@hopper"][:, place >= 0], chosen[:, place >= 0])
    np.testing.assert_allclose(
        archive["margin_db@hopper"][archive["verdict@hopper"] >= 0],
        np.fmax(*(archive[f"own_power_dbm@{s}"] for s in senders))[archive["verdict@hopper"] >= 0] + 90.0, atol=1e-4,
    )  # fmt: skip

    about = json.loads(str(archive["provenance"]))
    plan = load_plan(zoned)
    assert about["rf3d"] == __version__
    assert about["plan_digest"] == plan.digest
    assert about["scene_digest"] == load_scene(plan).digest
    assert about["transmitters"] == list(senders)
    assert (about["seed"], about["stopped"]) == ([1, 1], ["", ""])
    assert about["antenna@hopper"] == "dipole"
    for name, value in about.items():
        entries = value if isinstance(value, list) else [value]
        assert [type(entry)(e) for entry, e in zip(entries, image.field_data[name], strict=True)] == entries, name


@pytest.mark.parametrize("width", [200, 100, 88, 80, 72, 66, 40])
def test_tables_lose_nothing_where_the_terminal_is_narrow(width, monkeypatch, capsys):
    """Headings break between words, then names; where numbers would have to be cut the table turns into a list.

    Once 100 % was printed as 10 in the usual 80 columns.
    """
    monkeypatch.setenv("COLUMNS", str(width))
    columns = ("zone", "solid", "workable", "fragile", "lost", "worst 1 %", "busiest air", "in doubt")
    rows = [
        ("stalls under the balcony", "100 %", "48 %", "7 %", "< 1 %", "14 (12 to 15)", "-35", "12 %"),
        ("stage", "91 %", "9 %", "0 %", "> 99 %", "40", "-14", "< 1 %"),
    ]
    print_table("Coverage", columns, rows)
    told = capsys.readouterr().out
    assert max(map(len, told.splitlines())) <= width
    words = re.sub(r"\s+", " ", told)
    for row in rows:
        assert all(cell in told for cell in row[1:])
        assert all(word in told for word in row[0].split())
    assert all(word in words for column in columns[1:] for word in column.split())
    assert ("worst 1 %: 14" in told) == (width < 80)


def test_the_archive_is_read_in_three_lines(zoned, tmp_path):
    """As the documentation says it; and the same bytes each time."""
    one, other = tmp_path / "one.npz", tmp_path / "other.npz"
    for path in (one, other):
        assert run("volume", zoned, "--zone", "stage", "--transmitter", "on the wall", "--out", path).exit_code == 0
    data = stored(one)
    power = data["mean_power_dbm@on the wall"]
    corner = data["low_m"] + (np.array([0, 0, 0]) + 0.5) * data["voxel_m"]
    np.testing.assert_allclose(corner, [1.25, 1.25, 0.25])
    assert power.shape == (4, 6, 4)
    assert one.read_bytes() == other.read_bytes()
    assert not any(name.startswith(tuple(DETAIL)) for name in data)
    assert sorted(p.name for p in tmp_path.glob("*.npz")) == ["one.npz", "other.npz"]


def test_weak_zones_are_findings(zoned, tmp_path):
    change(zoned, "sensitivity_dbm = -90", "sensitivity_dbm = -30")
    result = run("volume", zoned, "--json", tmp_path / "v.json", "--quiet")
    assert result.exit_code == 0, result.output
    weak = [f for f in json.loads((tmp_path / "v.json").read_text())["findings"] if f["code"] == "zone-weak"]
    assert [f["where"] for f in weak] == ["stage", "seats"]
    assert all(f["severity"] == "caution" and f["value"] > 0.9 for f in weak)
    assert "% lost" in result.stdout


def test_backwards_arrays_are_gains(zoned, tmp_path):
    out = tmp_path / "v.npz"
    result = run("volume", zoned, "--receiver", "lamp", "--detail", "--out", out, "--quiet")
    assert result.exit_code == 0, result.output
    assert "Gain from a unit-gain transmitter" in result.stdout
    data = stored(out)
    assert {"gain_db@lamp", "direct_gain_db@lamp", "aim@lamp", "std_error_db@lamp"} <= set(data)
    assert not any("power" in name or "hopper" in name for name in data)
    assert json.loads(str(data["provenance"]))["receivers"] == ["lamp"]
    assert np.nanmax(data["gain_db@lamp"]) < 0.0


def test_until_tells_how_far_it_is_without_a_flood(zoned, tmp_path):
    events = tmp_path / "e.jsonl"
    begun = time.monotonic()
    result = run("volume", zoned, "--transmitter", "on the wall", "--until", "0.7dB", "--events", events,
                 "--json", tmp_path / "v.json")  # fmt: skip
    assert result.exit_code == 0, result.output
    lasted = time.monotonic() - begun
    told = [json.loads(line) for line in events.read_text().splitlines()]
    news = [e for e in told if e["event"] == "progress" and e["stage"] == "rays"]
    assert news
    assert all("dB now, about" in e["news"] for e in news)
    assert len(news) <= lasted + 2
    volume = json.loads((tmp_path / "v.json").read_text())["volumes"][0]
    assert volume["stopped"] == ""
    assert volume["median_std_error_db"] < 0.7


def test_news_of_a_stage_is_told_once_a_second_and_wiped_on_a_terminal(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    now = [100.0]
    monkeypatch.setattr("rf3d.terminal.time.monotonic", lambda: now[0])
    options = {"json_path": None, "events_path": tmp_path / "e", "quiet": False, "seed": None, "workers": 1}
    told = Run("volume", options, [])
    for step in range(40):
        now[0] += 0.25
        told.progress(f"rays, {40 - step} dB now, about {1000 if step < 20 else 1} s left", step, 50)
    told.close(0)
    news = [json.loads(line) for line in (tmp_path / "e").read_text().splitlines()]
    progress = [e for e in news if e["event"] == "progress"]
    assert len(progress) == 10
    assert progress[0] == {"event": "progress", "stage": "rays", "done": 0, "total": 50,
                           "news": "40 dB now, about 1000 s left"}  # fmt: skip
    lines = capsys.readouterr().err.rstrip("\n").split("\r")[1:]
    assert len(lines) == 10
    assert all(len(after) >= len(before.rstrip()) for before, after in itertools.pairwise(lines))


def test_the_time_limit_is_a_caution(zoned, tmp_path):
    result = run("volume", zoned, "--until", "0.001", "--time-limit", "0.01", "--out", tmp_path / "v.vti",
                 "--json", tmp_path / "v.json", "--quiet")  # fmt: skip
    assert result.exit_code == 0, result.output
    data = json.loads((tmp_path / "v.json").read_text())
    said = [f for f in data["findings"] if f["code"] == "volume-stopped"]
    assert [f["where"] for f in said] == ["on the wall", "in the corner"]
    assert all(f["severity"] == "caution" and f["limit"] == 0.001 and f["value"] > 0.001 for f in said)
    assert list(pyvista.read(tmp_path / "v.vti").field_data["stopped"]) == ["time limit"] * 2


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--zone", "nowhere"), 'no zone is called "nowhere"; there are "stage", "seats"'),
        (("--receiver", "nobody"), 'no receiver is called "nobody"'),
        (("--antenna", "trumpet"), 'no receiver has the antenna "trumpet"; there are "dipole"'),
        (("--memory", "100kB"), "too little for any voxels"),
        (("--receiver", "lamp", "--glb", "x.glb"), "leave one of them out"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_written(zoned, tmp_path, monkeypatch, options, says):
    folder = tmp_path / "empty"
    folder.mkdir()
    monkeypatch.chdir(folder)
    result = run("volume", zoned, *options, "--out", "v.vti", "--json", "v.json")
    assert result.exit_code == 2, result.output
    assert says in result.stderr
    assert not list(folder.iterdir())


def test_ctrl_c_with_until_keeps_what_is_done(zoned, tmp_path):
    """The real signal to the real program: exit code 130, a whole file, and findings that say so."""
    out, told, events = tmp_path / "v.npz", tmp_path / "v.json", tmp_path / "e.jsonl"
    script = (
        "import rf3d.propagation.volume as v, rf3d.cli\nv.ROUND_RAYS = 128\nv.MOST_ROUNDS = 10**6\nrf3d.cli.main()\n"
    )
    program = subprocess.Popen(
        [sys.executable, "-c", script, "volume", str(zoned), "--until", "0.0001dB", "--out", str(out), "--json",
         str(told), "--events", str(events), "--workers", "1"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    try:
        deadline = time.monotonic() + 400
        while not (events.exists() and '"stage": "rays"' in events.read_text()) and time.monotonic() < deadline:
            assert program.poll() is None, program.communicate()
            time.sleep(0.1)
        program.send_signal(signal.SIGINT)
        stdout, stderr = program.communicate(timeout=120)
    finally:
        program.kill()
    assert program.returncode == 130, stderr
    assert "Traceback" not in stderr
    assert "stopped by hand" in " ".join(stdout.split())
    data = json.loads(told.read_text())
    assert data["interrupted"] is True
    assert [v["transmitter"] for v in data["volumes"]] == ["on the wall"]
    assert {f["code"] for f in data["findings"]} >= {"volume-stopped", "volume-missing"}
    archive = stored(out)
    assert json.loads(str(archive["provenance"]))["stopped"] == ["interrupted"]
    assert np.isfinite(archive["mean_power_dbm@on the wall"]).mean() > 0.9
    assert json.loads(events.read_text().splitlines()[-1]) == {"event": "done", "exit_code": 130}
