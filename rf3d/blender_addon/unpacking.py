# SPDX-License-Identifier: GPL-3.0-or-later
"""The tables of a plan file as settings of a scene."""

import json

import bpy
from mathutils import Matrix

from .numbers import axes, direction, single
from .plans import MHZ, OWN_TABLES, PLACES, radio_object


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
    for key in ("max_reflections", "voxel_m", "seed"):
        setattr(settings, key, study[key])
    settings.rays = min(study["rays"], 2**31 - 1)
    kept = {
        key: value for key, value in tables.items() if key not in OWN_TABLES or key in ("venue", "study", "material")
    }
    for table, role in PLACES.items():
        rows = kept.pop(table, [])
        apart = [row for row in rows if not _make_place(row, role, collection, scale_m)]
        if apart:
            kept[table] = apart
        yield
    settings.kept = json.dumps(kept)
    for table, role in (("transmitter", "TRANSMITTER"), ("receiver", "RECEIVER")):
        for row in tables.get(table, []):
            _make_radio(scene, tables, row, role, collection, scale_m)
            yield
    yield from _surface_steps(tables, told["parts"], made)


def _make_place(row, role, collection, scale_m):
    """An empty for a zone, hang point or occupied source; False where the row says no place."""
    box, spot = "low_m" in row and "high_m" in row, row.get("position_m")
    if "name" not in row or not (box or spot):
        return False
    obj = bpy.data.objects.new(row["name"], None)
    collection.objects.link(obj)
    obj.rf3d.role = role
    obj.rf3d.plan_name = "" if obj.name == row["name"] else row["name"]
    obj.rf3d.kept = json.dumps(row)
    obj.empty_display_size = 1.0 if box else 0.15 / scale_m
    if box:
        spot = [0.5 * (a + b) for a, b in zip(row["low_m"], row["high_m"])]
        obj.scale = [0.5 * (b - a) / scale_m for a, b in zip(row["low_m"], row["high_m"])]
    obj.location = [value / scale_m for value in spot]
    return True


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
    radio, antenna = tables["radio"][row["radio"]], tables.get("antenna", {}).get(row["antenna"])
    textbook = antenna is None
    antenna = {"pattern": row["antenna"], "efficiency": 1.0} if textbook else antenna
    # Numbers before names: a name that others use already would bring theirs.
    values = {key: radio[key.replace("_mhz", "_hz")] / MHZ for key in
              ("first_channel_mhz", "last_channel_mhz", "channel_spacing_mhz", "bandwidth_mhz")}  # fmt: skip
    values["sensitivity_dbm"] = radio["sensitivity_dbm"]
    values.update({key: antenna[key] for key in ("pattern", "gain_dbi", "beamwidth_deg", "polarisation", "xpd_db",
                                                 "efficiency") if antenna.get(key) is not None})  # fmt: skip
    values.setdefault("efficiency", 1.0)
    r["radio_name"], r["antenna_name"] = row["radio"], row["antenna"]
    for key, value in values.items():
        setattr(r, key, value)
    r.power_dbm = row.get("power_dbm", r.power_dbm)
    r.cable_loss_db = row.get("cable_loss_db", 0.0)
    r.purpose = row.get("purpose", "")
    told = [single(value) for line in turn.to_3x3() for value in line]
    r.kept = json.dumps(
        {**row, "matrix": told, "radio_row": radio, **({} if textbook else {"antenna_row": antenna})}
    )  # fmt: skip


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
    if own is not None:
        for key in ("permittivity", "conductivity_s_m", "scattering", "source"):
            setattr(settings, key, own[key])
