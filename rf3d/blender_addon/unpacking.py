# SPDX-License-Identifier: GPL-3.0-or-later
"""The tables of a plan file as settings of a scene."""

import json
from pathlib import Path

import bpy
from mathutils import Matrix

from . import keys, places, properties, vocabulary
from .numbers import axes, direction, single
from .plans import OWN_TABLES, is_build_up, radio_object


def apply_steps(scene, told, made, collection):
    """Put an unpacked plan into a scene, a step at a time: radios as empties, materials on objects.

    Parameters
    ----------
    told : dict
        What ``rf3d unpack`` wrote.
    made : dict
        Object names by node name; empty where the venue was left where it is: objects then go by their own names.
    collection : Collection
        Where the empties go.
    """
    tables, settings, scale_m = told["tables"], scene.rf3d, scene.unit_settings.scale_length
    venue, study = tables.get("venue", {}), tables["study"]
    settings.title = tables["title"]
    settings.region = venue.get("region", "")
    settings.use_house = "house_azimuth_deg" in venue
    settings.house_azimuth_deg = venue.get("house_azimuth_deg", settings.house_azimuth_deg)
    settings.tolerance_mm = 1e3 * venue.get("position_tolerance_m", 0.02)
    for key in ("max_reflections", "voxel_m"):
        setattr(settings, key, study[key])
    for key in ("rays", "seed"):
        setattr(settings, key, min(study[key], 2**31 - 1))
    kept = {
        key: value for key, value in tables.items() if key not in OWN_TABLES or key in ("venue", "study", "material")
    }
    _whole_paths(tables, Path(told["plan"]).parent)
    placed = tables["transmitter"] + tables.get("receiver", [])
    for what in ("radio", "antenna"):
        used = {row[what] for row in placed}
        kept[what] = {name: row for name, row in tables.get(what, {}).items() if name not in used}
    settings.kept = json.dumps(kept)
    for table in places.TABLES:
        for row in tables.get(table, []):
            places.make(row, table, collection, scene)
            yield
    for table, role in (("transmitter", "TRANSMITTER"), ("receiver", "RECEIVER")):
        for row in tables.get(table, []):
            with properties.alone():
                _make_radio(scene, tables, row, role, collection, scale_m)
            yield
    yield from _surface_steps(tables, told["parts"], made)


def _whole_paths(tables, folder):
    """Antenna files by their whole path: the scene goes elsewhere than the plan."""
    for row in tables.get("antenna", {}).values():
        if row["pattern"] not in keys.NEEDED:
            row["pattern"] = str((folder / row["pattern"]).resolve())


def _make_radio(scene, tables, row, role, collection, scale_m):
    obj = radio_object(scene, row["name"])
    if obj is None:
        obj = bpy.data.objects.new(row["name"], None)
        collection.objects.link(obj)
    obj.empty_display_size = 0.15 / scale_m
    r = obj.rf3d
    r.role = role
    r.plan_name = "" if obj.name == row["name"] else row["name"]
    position = row["position_m"]
    if "aim_at_m" in row:
        way = [b - a for a, b in zip(position, row["aim_at_m"])]
    else:
        way = direction(row.get("azimuth_deg", 0.0), row.get("elevation_deg", 0.0))
    x, y, z = axes(way, row.get("roll_deg", 0.0))
    turn = Matrix((x, y, z)).transposed().to_4x4()
    obj.matrix_world = Matrix.Translation([value / scale_m for value in position]) @ turn
    r.radio_name, r.antenna_name = row["radio"], row["antenna"]
    radio, antenna = tables.get("radio", {}).get(row["radio"]), tables.get("antenna", {}).get(row["antenna"])
    # A plan that says nothing of them names what rf3d knows.
    r.own_radio = radio is not None
    properties.give_radio(r, radio or vocabulary.generic_radio(row["radio"]) or {})
    _give_antenna(r, antenna or {"pattern": row["antenna"]})
    for name, usual in _USUAL.items():
        setattr(r, name, usual)
    keys.give(r, ("power_dbm", *_USUAL, *keys.CARRIED, "answer_power_dbm"), row)
    r.carries = "universes" in row
    told = [single(value) for line in turn.to_3x3() for value in line]
    both = {"radio_row": radio, "antenna_row": antenna}
    r.kept = json.dumps({**row, "matrix": told, **{key: value for key, value in both.items() if value is not None}})


_USUAL = {
    "cable_loss_db": 0.0, "connectors": 0, "purpose": "", "answers": False, "worn": False, "inside": "",
    "on_loss": "NONE", "importance": 1,
}  # fmt: skip


def _give_antenna(settings, row):
    """Set the numbers of an antenna from its row, and which of them it tells though it need not."""
    told = [name for name in ("gain_dbi", "beamwidth_deg", *keys.STATED) if row.get(keys.key_of(name)) is not None]
    settings.pattern = row["pattern"] if row["pattern"] in keys.NEEDED else "file"
    settings.antenna_file = row["pattern"] if settings.pattern == "file" else ""
    settings.efficiency = 1.0
    keys.give(settings, told, row)
    settings.stated = {name for name in told if name in keys.STATED and name not in keys.NEEDED[settings.pattern]}


def _surface_steps(tables, parts, made):
    """RF materials: on the object where all its parts have one row, else on its Blender materials."""
    rows = tables.get("surface", [])
    by_object = {}
    for part in parts:
        by_object.setdefault(part["object"], []).append((part["mesh_material"], part["row"]))
    for name, own in by_object.items():
        yield
        obj = bpy.data.objects.get(made.get(name, name))
        if obj is None:
            continue
        numbers = {row for _, row in own}
        if len(numbers) == 1:
            if own[0][1] is not None:
                _apply_surface(obj.rf3d_surface, rows[own[0][1]], tables)
            continue
        for material_name, number in own:
            if number is None:
                continue
            slot = next((s for s in obj.material_slots if s.material and s.material.name == material_name), None)
            if slot is None:
                continue
            settings = slot.material.rf3d_surface
            if settings.material and settings.kept != json.dumps(rows[number]):
                # The same look, but another wall: it needs a Blender material of its own.
                slot.material = slot.material.copy()
                settings = slot.material.rf3d_surface
            _apply_surface(settings, rows[number], tables)


def _apply_surface(settings, row, tables):
    settings.material = row["material"]
    settings.thickness_mm = 1e3 * row.get("thickness_m", 0.0)
    settings.half_space = row.get("half_space", False)
    settings.body = row.get("body", "auto")
    settings.kept = json.dumps(row)
    own = tables.get("material", {}).get(row["material"])
    settings.own = own is not None
    if own is not None and not is_build_up(own):
        for key in ("permittivity", "conductivity_s_m", "scattering", "source"):
            setattr(settings, key, own[key])
