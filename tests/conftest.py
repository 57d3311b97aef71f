"""What many tests need: data that lies beside the checkout, small scenes, and a small venue with its plan."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from rf3d.venue.scene import Scene
from tests.scenes import Piece, block, room, scene_of

SHARED = Path(__file__).resolve().parents[2] / "shared"

ROOM_M = (8.0, 6.0, 4.0)
PLAN = """\
schema = 1
title = "A room with a cupboard"

[venue]
mesh = "room.obj"
units = "m"
up = "z"
region = "US"

[[surface]]
object = "wall_z0"
material = "concrete"
half_space = true

[[surface]]
object = "wall_*"
material = "plaster"
thickness_m = 0.1

[[surface]]
object = "cupboard"
material = "wood"

[material.plaster]
permittivity = 2.7
conductivity_s_m = 0.01
scattering = 0.1
source = "assumed"

[radio.hopper]
first_channel_hz = 2402e6
last_channel_hz = 2480e6
channel_spacing_hz = 1e6
bandwidth_hz = 1e6
sensitivity_dbm = -90

[antenna.panel]
pattern = "panel"
gain_dbi = 9.0
beamwidth_deg = [60, 60]
polarisation = "vertical"
xpd_db = 20
efficiency = 0.9

[[transmitter]]
name = "on the wall"
position_m = [0.5, 3.0, 2.5]
aim_at_m = [6.0, 3.0, 1.0]
antenna = "panel"
power_dbm = 18
cable_loss_db = 1.0
radio = "hopper"

[[receiver]]
name = "lamp"
position_m = [6.0, 3.5, 1.0]
upright = true
antenna = "dipole"
radio = "hopper"

[study]
max_reflections = 2
voxel_m = 0.5
rays = 1000
seed = 1
"""


@pytest.fixture(scope="session")
def shared() -> Path:
    """Folder of venues and reference tables beside the checkout."""
    if not SHARED.is_dir():
        pytest.skip("the shared folder of venues and reference tables is not beside the checkout")
    return SHARED


def make_box_scene(size_m: Sequence[float] = ROOM_M) -> Scene:
    """An empty room of six sheets from the origin to ``size_m``."""
    return scene_of(room(size_m))


def write_obj(path: Path, pieces: Sequence[Piece]) -> Path:
    """Write pieces as an OBJ file, an object each."""
    lines, count = [], 1
    for name, points, triangles in pieces:
        lines.append(f"o {name}")
        lines += [f"v {x!r} {y!r} {z!r}" for x, y, z in points.tolist()]
        lines += [f"f {a} {b} {c}" for a, b, c in (triangles + count).tolist()]
        count += len(points)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture
def room_plan(tmp_path: Path) -> Path:
    """A plan file whose mesh, a room with a closed cupboard in it, stands beside it."""
    write_obj(tmp_path / "room.obj", [*room(ROOM_M), block("cupboard", (3.0, 5.0, 0.5), (4.0, 5.5, 2.5))])
    path = tmp_path / "room.toml"
    path.write_text(PLAN, encoding="utf-8")
    return path
