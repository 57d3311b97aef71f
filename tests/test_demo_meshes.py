"""The demo venues: made again byte for byte, sound as geometry, and covered by their plans."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from collections import Counter
from fnmatch import fnmatchcase
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import trimesh

from rf3d.venue.materials import catalogue
from rf3d.venue.surfaces import inside_closed

ROOT = Path(__file__).resolve().parent.parent
DEMO = ROOT / "meshes_demo"
NAMES = ("playhouse", "arena", "blackbox")
TRIANGLES = {"playhouse": (3_000, 8_000), "arena": (30_000, 60_000), "blackbox": (1, 999)}
SIZE_M = {"playhouse": (24.0, 38.0, 16.6), "arena": (90.0, 70.0, 23.83), "blackbox": (13.2, 8.0, 4.4)}
RADIOS = {"playhouse": (4, 19), "arena": (4, 17), "blackbox": (3, 10)}
STATES_ITS_LAYERS = {name for name, material in catalogue().items() if material.thickness_m is not None}
CLEAR_M = 0.05


@cache
def venue(name: str) -> dict[str, tuple[np.ndarray, str]]:
    """Corner points (M, 3, 3) in venue coordinates and mesh material of every object."""
    scene = trimesh.load(DEMO / f"{name}.glb", process=False)
    found = {}
    for node in scene.graph.nodes_geometry:
        transform, key = scene.graph[node]
        mesh = scene.geometry[key]
        x, y, z = trimesh.transform_points(mesh.vertices, transform).T
        found[node] = (np.stack([x, -z, y], axis=1)[mesh.faces], mesh.visual.material.name)
    return found


@cache
def plan(name: str) -> dict:
    return tomllib.loads((DEMO / f"{name}.toml").read_text(encoding="utf-8"))


def row_of(name: str, thing: str) -> dict | None:
    """First [[surface]] row of a plan that matches an object."""
    return next((row for row in plan(name)["surface"] if fnmatchcase(thing, row["object"])), None)


def is_solid(name: str, thing: str) -> bool:
    """Whether nothing but the geometry gives the object its thickness."""
    row = row_of(name, thing)
    assert row is not None, thing
    return not ({"thickness_m", "half_space"} & set(row) or row["material"] in STATES_ITS_LAYERS)


def radios(name: str) -> list[dict]:
    return plan(name)["transmitter"] + plan(name)["receiver"]


@cache
def everything(name: str) -> tuple[np.ndarray, np.ndarray]:
    """All corner points (M, 3, 3), and the number of the object of each triangle (M,)."""
    parts = [corners for corners, _ in venue(name).values()]
    return np.concatenate(parts), np.repeat(np.arange(len(parts)), [len(part) for part in parts])


def ray_mesh(name: str) -> trimesh.Trimesh:
    corners, _ = everything(name)
    return trimesh.Trimesh(corners.reshape(-1, 3), np.arange(3 * len(corners)).reshape(-1, 3), process=False)


def between(name: str, transmitter: str, receiver: str) -> set[str]:
    """Objects that the straight line from a transmitter to a receiver passes through."""
    place = {radio["name"]: np.array(radio["position_m"], dtype=float) for radio in radios(name)}
    start, end = place[transmitter], place[receiver]
    length = float(np.linalg.norm(end - start))
    points, _, triangles = ray_mesh(name).ray.intersects_location(
        start[None], (end - start)[None] / length, multiple_hits=True
    )
    objects = list(venue(name))
    owner = everything(name)[1]
    near = np.linalg.norm(points - start, axis=1) < length
    return {objects[owner[t]] for t in triangles[near]}


def test_the_script_writes_the_committed_bytes(tmp_path: Path) -> None:
    script = ROOT / "scripts" / "make_demo_meshes.py"
    subprocess.run([sys.executable, str(script), "--out", str(tmp_path)], check=True)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(f"{name}.glb" for name in NAMES)
    for name in NAMES:
        assert (tmp_path / f"{name}.glb").read_bytes() == (DEMO / f"{name}.glb").read_bytes(), name


def test_a_wall_keeps_its_area_around_its_openings(monkeypatch: pytest.MonkeyPatch) -> None:
    """12 m × 5 m with a door, a window and a window that touches the edge, every triangle facing one way."""
    monkeypatch.syspath_prepend(str(ROOT / "scripts"))
    from demo_meshes.model import Model, across

    m = Model()
    openings = [across((1, 2), 0, (0, 2)), across((3, 6), 0, (1, 3)), across((9, 12), 0, (4, 5))]
    m.wall("wall", "Concrete", across((0, 12), 0, (0, 5)), openings)
    m.sheet("floor", "Concrete_floor", (0, 0, 0), (12, 0, 0), (12, 4, 0), (0, 4, 0))
    corners = m.triangles()["wall"]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) / 2
    assert np.abs(normal.sum(axis=0)) == pytest.approx([0, 60 - 2 - 6 - 3, 0])
    assert np.linalg.norm(normal, axis=1).sum() == pytest.approx(60 - 2 - 6 - 3)


@pytest.mark.parametrize("name", NAMES)
def test_size_and_triangle_budget(name: str) -> None:
    corners, _ = everything(name)
    low, high = TRIANGLES[name]
    assert low <= len(corners) <= high
    assert np.ptp(corners.reshape(-1, 3), axis=0) == pytest.approx(SIZE_M[name], abs=1e-3)


@pytest.mark.parametrize("name", NAMES)
def test_everything_is_named_and_no_triangle_is_flat(name: str) -> None:
    for thing, (_, material) in venue(name).items():
        assert thing.replace("_", "").isalnum(), thing
        assert material, thing
    corners, _ = everything(name)
    sides = np.roll(corners, -1, axis=1) - corners
    longest = np.sqrt((sides**2).sum(axis=2).max(axis=1))
    height = np.linalg.norm(np.cross(sides[:, 0], sides[:, 1]), axis=1) / longest
    assert height.min() > 0.01


@pytest.mark.parametrize("name", NAMES)
def test_every_object_has_a_surface_and_every_surface_an_object(name: str) -> None:
    rows = [row_of(name, thing) for thing in venue(name)]
    assert [thing for thing, row in zip(venue(name), rows, strict=True) if row is None] == []
    used = [id(row) for row in rows]
    assert [row["object"] for row in plan(name)["surface"] if id(row) not in used] == []


@pytest.mark.parametrize("name", NAMES)
def test_solids_are_closed_and_face_outwards(name: str) -> None:
    """A surface without thickness must be a body that gives it: every edge twice, volume positive."""
    solids = 0
    for thing, (corners, _) in venue(name).items():
        if not is_solid(name, thing):
            continue
        body = trimesh.Trimesh(corners.reshape(-1, 3), np.arange(3 * len(corners)).reshape(-1, 3), process=True)
        assert body.is_watertight, thing
        assert body.is_winding_consistent, thing
        assert body.volume > 0, thing
        solids += 1
    assert solids >= 8


@pytest.mark.parametrize("name", NAMES)
def test_no_two_faces_coincide(name: str) -> None:
    corners, _ = everything(name)
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    middle = corners.mean(axis=1)
    points, ray, triangle = ray_mesh(name).ray.intersects_location(middle + 5e-4 * normal, -normal, multiple_hits=True)
    doubled = (np.linalg.norm(points - middle[ray], axis=1) < 1e-3) & (triangle != ray)
    objects, owner = list(venue(name)), everything(name)[1]
    assert {objects[owner[t]] for t in ray[doubled]} == set()


@pytest.mark.parametrize("name", NAMES)
def test_nothing_pierces_anything(name: str) -> None:
    """No edge passes through a face: solids stand clear of each other, sheets meet only along edges."""
    corners, owner = everything(name)
    start, end = corners.reshape(-1, 3), np.roll(corners, -1, axis=1).reshape(-1, 3)
    length = np.linalg.norm(end - start, axis=1)
    way = (end - start) / length[:, None]
    points, ray, triangle = ray_mesh(name).ray.intersects_location(start + 2e-3 * way, way, multiple_hits=True)
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    steep = np.abs((way[ray] * normal[triangle]).sum(axis=1)) > 0.02
    inside = ((points - start[ray]) * way[ray]).sum(axis=1) < length[ray] - 2e-3
    objects = list(venue(name))
    hits = np.flatnonzero(steep & inside)
    assert {(objects[owner[ray[h] // 3]], objects[owner[triangle[h]]]) for h in hits} == set()


@pytest.mark.parametrize("name", ["playhouse", "blackbox"])
def test_sheets_share_whole_edges(name: str) -> None:
    """No vertex of a sheet lies in the middle of another sheet's edge: no cracks, and contacts are known as such."""
    sheets = [corners for thing, (corners, _) in venue(name).items() if not is_solid(name, thing)]
    corners = np.concatenate(sheets)
    vertices = np.unique(np.round(corners.reshape(-1, 3), 4), axis=0)
    start, end = corners.reshape(-1, 3), np.roll(corners, -1, axis=1).reshape(-1, 3)
    for vertex in vertices:
        along = end - start
        share = ((vertex - start) * along).sum(axis=1) / (along**2).sum(axis=1)
        length = np.linalg.norm(along, axis=1)
        off = np.linalg.norm(start + share[:, None] * along - vertex, axis=1)
        middle = (share * length > 2e-3) & ((1 - share) * length > 2e-3)
        assert not (middle & (off < 1e-3)).any(), vertex


@pytest.mark.parametrize("name", NAMES)
def test_radios_stand_clear_inside_the_venue(name: str) -> None:
    corners, _ = everything(name)
    low, high = corners.min(axis=(0, 1)), corners.max(axis=(0, 1))
    for radio in radios(name):
        place = np.array(radio["position_m"], dtype=float)
        assert ((place > low) & (place < high)).all(), radio["name"]
        nearest = trimesh.triangles.closest_point(corners, np.broadcast_to(place, (len(corners), 3)))
        assert np.linalg.norm(nearest - place, axis=1).min() >= CLEAR_M, radio["name"]
        for thing, (body, _) in venue(name).items():
            if is_solid(name, thing):
                assert not inside_closed(body, place[None])[0], (radio["name"], thing)


@pytest.mark.parametrize("name", NAMES)
def test_plan_holds_together(name: str) -> None:
    tables = plan(name)
    assert tables["schema"] == 1
    assert (DEMO / tables["venue"]["mesh"]).is_file()
    assert (len(tables["transmitter"]), len(tables["receiver"])) == RADIOS[name]
    assert max(Counter(radio["name"] for radio in radios(name)).values()) == 1
    for radio in radios(name):
        assert radio["radio"] in tables["radio"], radio["name"]
        assert radio["antenna"] in tables["antenna"], radio["name"]
    talking = {transmitter["radio"] for transmitter in tables["transmitter"]}
    assert {receiver["radio"] for receiver in tables["receiver"]} == talking


@pytest.mark.parametrize(
    ("name", "transmitter", "receiver", "blockers"),
    [
        ("playhouse", "balcony rail", "lamp post on the revolve", set()),
        ("playhouse", "gallery stage left", "lamp post on the revolve", set()),
        ("playhouse", "balcony rail", "chandelier", set()),
        ("playhouse", "gallery stage right", "practical behind the metal wall", {"metal_clad_wall_stage_left"}),
        ("playhouse", "balcony rail", "LED wall sender, upstage", {"led_wall"}),
        ("playhouse", "balcony rail", "footlight dimmer under the lip", {"pit_lip"}),
        ("playhouse", "gallery stage left", "cue light in the trap room", {"revolve_top", "trap_deck"}),
        ("arena", "mixing place", "microphone stand light", set()),
        ("arena", "mixing place", "light behind the LED screen", {"led_screen_upstage"}),
        ("arena", "mixing place", "suite light, behind coated glass", {"suite_glass_stage_left"}),
        ("blackbox", "grid centre", "table lamp", set()),
        ("blackbox", "grid centre", "cue light by the mirror", {"drape_stage_left", "block_wall_stage_left"}),
    ],
)  # fmt: skip
def test_what_stands_between(name: str, transmitter: str, receiver: str, blockers: set[str]) -> None:
    """The stories the plans tell: what is in sight, and what is in the way."""
    assert between(name, transmitter, receiver) == blockers
