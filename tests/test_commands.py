"""The commands that trace: links, volume, view and demo, as a person and as another program meet them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import pyvista
from click.testing import CliRunner

from rf3d.cli import main

LINK_KEYS = {
    "transmitter", "receiver", "arrangement", "centre_hz", "mean_power_dbm", "centre_power_dbm", "channels_hz",
    "channel_power_dbm", "margin_db", "fade_margin_db", "rice_k_db", "rms_delay_spread_ns",
    "rms_delay_spread_20db_ns", "coherence_bandwidth_hz", "diffuse", "paths",
}  # fmt: skip
PATH_KEYS = {"interactions", "length_m", "delay_ns", "power_dbm", "phase_deg", "departure", "arrival"}


def run(*arguments: str | Path, columns: int = 90):
    return CliRunner(env={"COLUMNS": str(columns)}).invoke(main, [str(argument) for argument in arguments])


@pytest.fixture
def quick_plan(room_plan):
    """The room's plan with few rays and large voxels."""
    text = room_plan.read_text(encoding="utf-8")
    lines = []
    for line in text.splitlines():
        key = line.split("=")[0].strip()
        lines.append(
            {"rays": "rays = 20000", "voxel_m": "voxel_m = 0.5", "max_reflections": "max_reflections = 2"}.get(
                key, line
            )
        )
    room_plan.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return room_plan


def test_links_prints_a_table_and_writes_what_other_programs_rely_on(quick_plan, tmp_path):
    out, events = tmp_path / "links.json", tmp_path / "events.jsonl"
    result = run("links", quick_plan, "--json", out, "--events", events)
    assert result.exit_code == 0, result.output
    assert "from on the wall *" in result.stdout
    assert "chance of holding" in result.stdout
    assert "Clean air only" in result.stdout
    data = json.loads(out.read_text())
    assert {"rf3d", "schema", "plan", "scene_digest", "seed", "links", "findings"} <= set(data)
    (link,) = data["links"]
    assert set(link) >= LINK_KEYS
    assert len(link["channels_hz"]) == len(link["channel_power_dbm"]) == 79
    assert all(set(path) == PATH_KEYS for path in link["paths"])
    assert sum(10 ** (p["power_dbm"] / 10) for p in link["paths"]) > 0
    kinds = {step["kind"] for path in link["paths"] for step in path["interactions"]}
    assert kinds <= {"reflection", "transmission", "diffraction"}
    assert "reflection" in kinds
    told = [json.loads(line) for line in events.read_text().splitlines()]
    assert told[0]["event"] == "start"
    assert told[-1] == {"event": "done", "exit_code": 0}
    assert {"progress", "finding"} <= {event["event"] for event in told}


def test_explained_path_adds_up(quick_plan):
    """Each story ends where the path ends, and the direct path's only cost is distance."""
    result = run("links", quick_plan, "--explain", "--from", "on the wall", "--to", "lamp", "--quiet")
    assert result.exit_code == 0, result.output
    stories = result.stdout.split("\n1. ")[1]
    assert "leaves on the wall at azimuth" in stories
    assert "arrives at azimuth" in stories
    assert " off wall" in stories


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("links", "--from", "on the wall"), "add one of these"),
        (("links", "--explain", "--from", "nobody"), 'no link from "nobody"'),
        (("volume", "--out", "x.png"), "give the file one of these endings"),
        (("volume", "--transmitter", "nobody"), 'no transmitter is called "nobody"'),
        (("view", "--out", "pictures", "--height", "99"), "99"),
    ],
)
def test_refusals_write_nothing(quick_plan, tmp_path, monkeypatch, arguments, said):
    folder = tmp_path / "empty"
    folder.mkdir()
    monkeypatch.chdir(folder)
    result = run(arguments[0], quick_plan, *arguments[1:], "--quiet")
    assert result.exit_code == 2, result.output
    assert said in result.stderr
    assert not [path for path in folder.rglob("*") if path.is_file()]


def test_volume_writes_an_image_in_world_coordinates(quick_plan, tmp_path):
    out = tmp_path / "volume.vti"
    result = run("volume", quick_plan, "--out", out, "--quiet", "--json", tmp_path / "v.json")
    assert result.exit_code == 0, result.output
    image = pyvista.read(out)
    for name in ("mean_power_dbm", "std_error_db", "direct_power_dbm", "direct_ratio_db", "rms_delay_spread_ns"):
        assert f"{name}@on the wall" in image.cell_data
    assert np.isfinite(image.cell_data["mean_power_dbm@on the wall"]).mean() > 0.9
    summary = json.loads((tmp_path / "v.json").read_text())["volumes"][0]
    assert abs(summary["power_not_accounted_for"]) < 1e-12
    assert summary["reached"] > 0.9


def test_view_draws_four_pictures(quick_plan, tmp_path):
    result = run("view", quick_plan, "--out", tmp_path / "pictures", "--quiet")
    assert result.exit_code == 0, result.output
    names = sorted(path.name for path in (tmp_path / "pictures").iterdir())
    assert names == ["paths.png", "power_slice.png", "power_volume.png", "receivers.png"]


def test_demo_of_the_black_box(tmp_path):
    result = run("demo", "--venue", "blackbox", "--out", tmp_path / "demo", "--quiet")
    assert result.exit_code == 0, result.output
    assert {path.name for path in (tmp_path / "demo" / "blackbox").iterdir()} == {
        "paths.png", "power_slice.png", "power_volume.png", "receivers.png", "volume.vti",
    }  # fmt: skip
    assert "A prediction is not a measurement" in result.stdout
    assert run("demo", "--venue", "opera").exit_code == 2
