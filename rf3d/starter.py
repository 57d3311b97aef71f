"""The text of a first plan file for a mesh: every object and mesh material, with what is still to be decided.

A material read from a name is a suggestion and says so; a sheet's thickness cannot be read
from a mesh, so those rows stand commented out until someone who knows the wall fills it in.
"""

from __future__ import annotations

import json
import math
import os
from pathlib import Path

import numpy as np

from rf3d.units import FloatArray
from rf3d.venue.materials import catalogue, suggest
from rf3d.venue.scene import Scene
from rf3d.venue.surfaces import decide_bodies, inside_closed

CLEARANCE_M = 0.3
"""Distance the example radios keep from every surface, where the venue has room for it."""

_HEADER = """\
# Plan for {mesh}, {x:.4g} x {y:.4g} x {z:.4g} m, {objects}.
# What is still to be decided stands as a comment: fill it in, delete the # and run: rf3d check {name}

schema = 1
title = {title}

[venue]
mesh = {path}
{told}# region = "US"             # whose radio rules to hold the plan against
# house_azimuth_deg = -90   # direction from the stage to the house, degrees from +x

# Surfaces. The first row that matches counts; object and mesh_material take * and ? for any, so that one row
# can serve many: object = "wall_*". Materials are
#   {materials},
# or your own as [material.NAME] with permittivity, conductivity_s_m, scattering and source.
# A sheet is one layer of triangles for a whole wall: state its thickness_m, or half_space = true where nothing
# comes back from behind it, such as a floor on the ground. A solid is a closed body: the mesh gives its thickness.
"""

_RADIOS = """
# An example of each, to be replaced by what is planned.

[radio.example]             # put in the numbers of the data sheet
first_channel_hz = 2402e6
last_channel_hz = 2480e6
channel_spacing_hz = 1e6
bandwidth_hz = 1e6
sensitivity_dbm = -90

[antenna.example]           # isotropic, short_dipole, dipole, omni, panel or yagi
pattern = "dipole"
efficiency = 0.9

[[transmitter]]
name = "example transmitter"
position_m = {sender}
upright = true              # or aim_at_m = [x, y, z], or azimuth_deg and elevation_deg
antenna = "example"
power_dbm = 10              # at the radio's connector
cable_loss_db = 0.0
radio = "example"

[[receiver]]
name = "example receiver"
position_m = {listener}
upright = true
antenna = "example"
radio = "example"

[study]
max_reflections = 3
voxel_m = {voxel}
rays = 1000000
seed = 1
"""


def starter_plan(
    mesh_path: Path, scene: Scene, *, plan_path: Path, units: str | None = None, up: str | None = None
) -> str:
    """TOML text of a plan for a mesh, which loads and says what is still to be decided.

    Parameters
    ----------
    mesh_path : Path
    scene : Scene
        As read from the mesh.
    plan_path : Path
        Where the text will be written: the mesh is named relative to it.
    units, up : str or None
        As told to the reader.
    """
    sender, listener = example_places(scene)
    told = "".join(f"{key} = {_text(value)}\n" for key, value in (("units", units), ("up", up)) if value)
    objects = len(set(scene.objects))
    x, y, z = scene.size_m
    header = _HEADER.format(
        mesh=_text(mesh_path.name)[1:-1], x=x, y=y, z=z, objects=f"{objects} object{'s' if objects != 1 else ''}",
        name=_text(plan_path.name)[1:-1], title=_text(f"Plan for {mesh_path.stem}"),
        path=_text(_relative(mesh_path, plan_path)), told=told, materials=_wrapped(sorted(catalogue())),
    )  # fmt: skip
    decimals = max(2, 3 - math.floor(math.log10(scene.extent_m)))
    radios = _RADIOS.format(
        sender=_point(sender, decimals), listener=_point(listener, decimals), voxel=0.5 if scene.extent_m > 10 else 0.25
    )
    return header + _surface_rows(scene) + radios


def suggested(object_name: str, mesh_material: str) -> tuple[str | None, str]:
    """RF material read from the mesh material's name or else from the object's, and which of them it was."""
    for name, kind in ((mesh_material, "mesh material"), (object_name, "object")):
        material = suggest(name) if name else None
        if material is not None:
            return material, kind
    return None, ""


def _surface_rows(scene: Scene) -> str:
    counts = np.bincount(scene.triangle_part, minlength=len(scene.parts))
    rows = []
    for (name, mesh_material), (body, reason), count in zip(scene.parts, decide_bodies(scene), counts, strict=True):
        material, kind = suggested(name, mesh_material)
        stack = material is not None and catalogue()[material].thickness_m is not None
        complete = material is not None and (body == "solid" or stack)
        mark = "" if complete else "# "
        lines = [f"\n# {count} triangle{'s' if count != 1 else ''}; {body}: {reason}", f"{mark}[[surface]]"]
        lines.append(f"{mark}object = {_text(_literal(name))}")
        if mesh_material:
            lines.append(f"{mark}mesh_material = {_text(_literal(mesh_material))}")
        note = f"suggested from the name of the {kind}: check" if material else "to be decided"
        lines.append(f"{mark}material = {_text(material or ''):<18} # {note}")
        if body == "sheet" and not stack:
            lines.append(f"{mark}thickness_m =                 # metres, to be filled in; or half_space = true")
        rows.append("\n".join(lines) + "\n")
    return "".join(rows)


def example_places(scene: Scene) -> tuple[FloatArray, FloatArray]:
    """Two places in the air of the venue, world coordinates (3,), metres: towards either end of its longer side.

    Of a grid of candidates, those that lie in no closed body and keep their distance from every surface; where
    none does, the one farthest from all surfaces.
    """
    low, high = scene.bounds_m
    parts = np.array([body == "solid" for body, _ in decide_bodies(scene)], dtype=bool)
    solid = scene.corners_m[parts[scene.triangle_part]]
    along = int(np.argmax(scene.size_m[:2]))
    places = []
    for share, height in ((0.29, 0.47), (0.73, 0.31)):
        shares = np.array([(share + a, 0.43 + b, height + c) for c in _STEPS for b in _STEPS for a in _STEPS])
        if along == 1:
            shares = shares[:, [1, 0, 2]]
        candidates = low + shares * (high - low)
        if len(solid):
            free = candidates[~inside_closed(solid, candidates)]
            candidates = free if len(free) else candidates
        places.append(_clearest(scene.corners_m, candidates))
    return scene.to_world(places[0]), scene.to_world(places[1])


def _clearest(corners: FloatArray, candidates: FloatArray) -> FloatArray:
    """The first candidate (N, 3) with clearance, else the one with most."""
    best, most = candidates[0], -1.0
    for point in candidates:
        distance = _distance(corners, point)
        if distance > most:
            best, most = point, distance
        if most >= CLEARANCE_M:
            break
    return best


_STEPS = (0.0, 0.09, -0.13)
"""Parts of the venue's size by which a candidate place is shifted."""


def _distance(corners: FloatArray, point: FloatArray) -> float:
    """Shortest distance from a point (3,) to triangles (M, 3, 3): to the plane, or to a side where the foot is outside.

    Source: C. Ericson, Real-Time Collision Detection (2005), section 5.1.5; from memory.
    """
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    normal = np.cross(b - a, c - a)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    offset = point - corners
    height = np.abs(np.einsum("mi,mi->m", offset[:, 0], normal))
    inside = np.ones(len(corners), dtype=bool)
    least = np.full(len(corners), np.inf)
    for k, (start, end) in enumerate(((a, b), (b, c), (c, a))):
        way = end - start
        inside &= np.einsum("mi,mi->m", np.cross(way, offset[:, k]), normal) >= 0
        share = np.clip(np.einsum("mi,mi->m", offset[:, k], way) / np.einsum("mi,mi->m", way, way), 0.0, 1.0)
        least = np.minimum(least, np.linalg.norm(offset[:, k] - share[:, None] * way, axis=1))
    return float(np.where(inside, height, least).min())


def _relative(mesh_path: Path, plan_path: Path) -> str:
    try:
        return Path(os.path.relpath(mesh_path.resolve(), plan_path.resolve().parent)).as_posix()
    except ValueError:  # another drive
        return mesh_path.resolve().as_posix()


def _literal(name: str) -> str:
    """A name as a glob that matches it alone."""
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in name)


def _text(value: str) -> str:
    """A TOML string: JSON's escapes are TOML's, but for DEL."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _point(place: FloatArray, decimals: int) -> str:
    return "[" + ", ".join(f"{value:.{decimals}f}" for value in place) + "]"


def _wrapped(words: list[str], width: int = 100) -> str:
    """Words in comment lines."""
    lines = [""]
    for word in words:
        if len(lines[-1]) + len(word) > width:
            lines.append("")
        lines[-1] += ("" if not lines[-1] else " ") + word + ","
    return "\n#   ".join(lines).rstrip(",")
