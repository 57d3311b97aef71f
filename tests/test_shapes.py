"""Results as GLB, plans unpacked, the words of a plan file: what a modelling program is given."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import pyvista
import trimesh
from click.testing import CliRunner

from rf3d.cli import main
from rf3d.plan import load_plan, load_scene
from rf3d.venue.readers.meshes import read_mesh
from rf3d.views.glb import Node, Piece, write_glb
from tests.test_plan import change


def run(*arguments: str | Path, code: int = 0) -> str:
    done = CliRunner().invoke(main, [str(a) for a in arguments])
    assert done.exit_code == code, done.output
    return done.output


def header(path: Path) -> dict:
    data = path.read_bytes()
    assert data[:4] == b"glTF"
    assert int.from_bytes(data[8:12], "little") == len(data)
    return json.loads(data[20 : 20 + int.from_bytes(data[12:16], "little")])


def shown(path: Path, kind: str) -> list[dict]:
    return [node for node in header(path)["nodes"] if node.get("extras", {}).get("shows") == kind]


def test_a_written_node_reads_back_where_it_stands(tmp_path):
    """A reader of its own, trimesh, sees the points in y up; rf3d's own reader turns them back."""
    points = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 2.0, 3.0]])
    piece = Piece(points, np.array([[0, 1, 2]]), "paint", (1, 0, 0, 1), values={"power_dbm": np.arange(3.0)})
    path = tmp_path / "one.glb"
    write_glb(path, [Node("thing", (10.0, 20.0, 30.0), [piece], {"a": 1})], extras={"b": 2}, option="--glb")
    loaded = trimesh.load_scene(path, process=False).to_geometry()
    y_up = np.stack([points[:, 0] + 10, points[:, 2] + 30, -(points[:, 1] + 20)], axis=1)
    np.testing.assert_allclose(np.sort(loaded.vertices, axis=0), np.sort(y_up, axis=0), atol=1e-6)
    scene = read_mesh(path)
    assert scene.parts == (("thing", "paint"),)
    np.testing.assert_allclose(scene.to_world(scene.corners_m)[0], points + np.array([10, 20, 30]), atol=1e-6)
    assert header(path)["nodes"][0]["extras"] == {"a": 1}


def test_unpacked_venue_is_the_venue(room_plan, tmp_path):
    run("unpack", room_plan, "--json", tmp_path / "u.json", "--mesh", tmp_path / "u.glb")
    told = json.loads((tmp_path / "u.json").read_text())
    plan = load_plan(room_plan)
    scene, copy = load_scene(plan), read_mesh(tmp_path / "u.glb")
    assert sorted(copy.parts) == sorted(scene.parts)
    sides = [
        np.sort(np.linalg.norm(np.diff(s.to_world(s.corners_m)[:, [0, 1, 2, 0]], axis=1), axis=2), axis=None)
        for s in (scene, copy)
    ]
    np.testing.assert_allclose(sides[0], sides[1], atol=1e-6)
    np.testing.assert_allclose(copy.to_world(copy.bounds_m), scene.to_world(scene.bounds_m), atol=1e-6)
    assert told["tables"]["transmitter"][0]["aim_at_m"] == [6.0, 3.0, 1.0]
    assert "roll_deg" not in told["tables"]["transmitter"][0]
    rows = {part["object"]: part["row"] for part in told["parts"]}
    assert (rows["wall_z0"], rows["wall_x0"], rows["cupboard"]) == (0, 1, 2)


def test_links_as_shapes(room_plan, tmp_path):
    run("links", room_plan, "--glb", tmp_path / "l.glb", "--json", tmp_path / "l.json")
    told = json.loads((tmp_path / "l.json").read_text())
    link = told["links"][0]
    (receiver,) = shown(tmp_path / "l.glb", "receiver")
    assert receiver["extras"]["verdict"] == link["verdict"]
    assert receiver["extras"]["margins"] == told["receivers"][0]["margins"]
    assert header(tmp_path / "l.glb")["scenes"][0]["extras"]["summary"] == told["summary"]
    assert receiver["extras"]["margin_db"] == link["margin_db"]
    assert receiver["translation"] == [6.0, 1.0, -3.5]
    paths = shown(tmp_path / "l.glb", "path")
    powers = 10 ** (np.array([p["power_dbm"] for p in link["paths"]]) / 10)
    shares = [node["extras"]["share"] for node in paths]
    np.testing.assert_allclose(shares, (powers / powers.sum())[: len(shares)], rtol=1e-9)
    content = header(tmp_path / "l.glb")
    for node, path in zip(paths, link["paths"], strict=False):
        turns = [i for i in path["interactions"] if i["kind"] != "transmission"]
        (primitive,) = content["meshes"][node["mesh"]]["primitives"]
        assert primitive["mode"] == 3
        assert content["accessors"][primitive["attributes"]["POSITION"]]["count"] == 2 + len(turns)
    surfaces = {i["surface"] for path in link["paths"] for i in path["interactions"]}
    blamed = shown(tmp_path / "l.glb", "culprit")
    assert blamed
    assert {node["extras"]["surface"] for node in blamed} <= surfaces


def test_power_as_shapes(room_plan, tmp_path):
    run("volume", room_plan, "--glb", tmp_path / "v.glb", "--height", "1.25", "--out", tmp_path / "v.vti")
    content = header(tmp_path / "v.glb")
    (slice_,) = shown(tmp_path / "v.glb", "slice")
    assert slice_["extras"]["height_m"] == 1.25
    assert slice_["extras"]["unit"] == "dBm"
    bands = slice_["extras"]["bands_dbm"]
    assert len(slice_["extras"]["colours"]) == len(bands) - 1
    primitives = content["meshes"][slice_["mesh"]]["primitives"]
    squares = sum(content["accessors"][p["attributes"]["POSITION"]]["count"] for p in primitives) / 4
    power = pyvista.read(tmp_path / "v.vti").cell_data["mean_power_dbm@on the wall"].reshape(8, 12, 16)
    assert squares == np.isfinite(power[2]).sum() > 180
    for primitive in primitives:
        box = content["accessors"][primitive["attributes"]["POSITION"]]
        assert box["min"][1] == box["max"][1] == pytest.approx(1.25 - 2.0)
        assert "_POWER_DBM" in primitive["attributes"]
    skins = shown(tmp_path / "v.glb", "skin")
    assert len(skins) >= 2
    assert [s["extras"]["level_dbm"] for s in skins] == sorted(s["extras"]["level_dbm"] for s in skins)


def test_shapes_come_early_and_then_whole(room_plan, tmp_path):
    """Wider voxels from fewer rays come first; what comes then is, to the byte, what comes without them."""
    early, whole, alone = (tmp_path / f"{name}.glb" for name in ("early", "whole", "alone"))
    out, events = tmp_path / "v.json", tmp_path / "e.jsonl"
    run("volume", room_plan, "--glb", whole, "--early", early, "--json", out, "--events", events)
    run("volume", room_plan, "--glb", alone, "--json", tmp_path / "alone.json")
    assert whole.read_bytes() == alone.read_bytes()
    assert out.read_text() == (tmp_path / "alone.json").read_text()
    told = [json.loads(line) for line in events.read_text().splitlines()]
    first, last = [e for e in told if e["event"] == "shapes"]
    (summed,) = json.loads(out.read_text())["volumes"]
    known = {key: summed[key] for key in ("voxel_m", "rays", "median_std_error_db")}
    assert last == {
        "event": "shapes", "file": str(whole), "early": False, "transmitters": ["on the wall"], **known
    }  # fmt: skip
    assert (first["file"], first["early"], first["voxel_m"]) == (str(early), True, 2 * summed["voxel_m"])
    assert first["rays"] < summed["rays"] / 3
    stages = [e.get("stage", e["event"]) for e in told]
    assert stages.index("early volumes") < stages.index("shapes") < stages.index("rays")
    for path, is_early, voxel_m in ((early, True, first["voxel_m"]), (whole, False, summed["voxel_m"])):
        (slice_,) = shown(path, "slice")
        assert (slice_["extras"]["early"], slice_["extras"]["voxel_m"]) == (is_early, voxel_m)
        assert slice_["extras"]["median_std_error_db"] > 0.0
    # Wider voxels are known about as well from fewer rays: as many meet each of them, or more.
    assert first["median_std_error_db"] < 2 * summed["median_std_error_db"]


def test_shapes_do_not_wait_for_zones_to_be_judged(room_plan, tmp_path):
    room_plan.write_text(
        room_plan.read_text() + '\n[[zone]]\nname = "stage"\nlow_m = [1.0, 1.0, 0.0]\nhigh_m = [3.0, 4.0, 2.0]\n'
        '\n[[occupied]]\nname = "others"\nposition_m = [6.0, 3.0, 2.0]\npower_dbm = 20\nlow_hz = 2402e6\n'
        "high_hz = 2480e6\nduty = 0.5\n"
    )
    change(room_plan, "sensitivity_dbm", "carrier_to_interference_db = 10\nsensitivity_dbm")
    events = tmp_path / "e.jsonl"
    run("volume", room_plan, "--glb", tmp_path / "v.glb", "--events", events)
    told = [json.loads(line) for line in events.read_text().splitlines()]
    names = [e.get("stage", e["event"]) for e in told]
    assert names.index("rays") < names.index("shapes") < names.index("other air")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("volume", "PLAN", "--early", "x.obj"), "written as .glb"),
        (("volume", "PLAN", "--early", "x.glb", "--glb", "x.glb"), "a file each"),
        (("volume", "PLAN", "--early", "x.glb", "--receiver", "lamp"), "--early with --receiver"),
        (("links", "PLAN", "--glb", "x.obj"), "written as .glb"),
        (("volume", "PLAN", "--glb", "nowhere/x.glb"), "folder that is there"),
        (("volume", "PLAN", "--glb", "x.glb", "--height", "99"), "choose one between"),
        (("unpack", "PLAN", "--mesh", "x.stl"), "ending in .glb"),
    ],
)
def test_files_that_cannot_be(room_plan, tmp_path, monkeypatch, arguments, says):
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.iterdir())
    output = run(*(room_plan if a == "PLAN" else a for a in arguments), code=2)
    assert says in output
    assert sorted(tmp_path.iterdir()) == before


def test_vocabulary_lists_what_the_plan_reader_takes(tmp_path):
    output = run("vocabulary", "--json", tmp_path / "w.json")
    words = json.loads((tmp_path / "w.json").read_text())
    assert "concrete" in output
    assert {"permittivity", "source"} <= set(words["tables"]["material"])
    assert words["tables"]["transmitter"]["power_dbm"]["needed"]
    assert not words["tables"]["transmitter"]["roll_deg"]["needed"]
    thickness = {m["name"]: m["thickness_m"] for m in words["materials"]}
    assert thickness["concrete"] is None
    assert thickness["drape_dry"] == pytest.approx(0.005)


def test_errors_come_in_parts(room_plan, tmp_path):
    room_plan.write_text(room_plan.read_text().replace("power_dbm = 18", "power_dbm = 180"))
    run("check", room_plan, "--events", tmp_path / "e.jsonl", code=2)
    last = json.loads((tmp_path / "e.jsonl").read_text().splitlines()[-1])
    assert last["event"] == "error"
    assert last["message"] == f"{last['given']}; {last['allowed']}; {last['cure']}"
