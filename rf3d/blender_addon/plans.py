# SPDX-License-Identifier: GPL-3.0-or-later
"""A scene as the tables of a plan file."""

import json

import bpy
from mathutils import Vector

from . import vocabulary
from .numbers import angles, recall, scaled, single, typed
from .properties import DIRECTED, radio_objects
from .trouble import Trouble

MHZ = 1e6
TEXTBOOK = ("isotropic", "short_dipole", "dipole")
_KNOWN = {
    "transmitter": ("name", "position_m", "aim_at_m", "azimuth_deg", "elevation_deg", "roll_deg", "upright", "antenna",
                    "radio", "power_dbm", "cable_loss_db"),
    "receiver": ("name", "position_m", "aim_at_m", "azimuth_deg", "elevation_deg", "roll_deg", "upright", "antenna",
                 "radio", "cable_loss_db", "purpose"),
    "surface": ("object", "mesh_material", "material", "thickness_m", "half_space", "body"),
}  # fmt: skip
OWN_TABLES = (
    "schema",
    "title",
    "venue",
    "surface",
    "material",
    "radio",
    "antenna",
    "transmitter",
    "receiver",
    "study",
)


PLACES = {"zone": "ZONE", "hang": "HANG", "occupied": "OCCUPIED"}
"""Tables of places other than radios, and what their objects are."""


class Written:
    """Tables of a plan, the object behind each of their rows, and what was left out and why."""

    def __init__(self):
        self.tables = {}
        self.rows = {}
        self.left_out = []


def plan_name(obj):
    """What an object is called in the plan."""
    return obj.rf3d.plan_name or obj.name


def radio_object(scene, name):
    """The radio of a scene that a plan calls by a name; None where there is none."""
    return next((o for o in radio_objects(scene) if plan_name(o) == name), None)


def tables_of(scene, venue, mesh_name, *, only=None):
    """The plan of a scene.

    Parameters
    ----------
    venue : Venue
        As exported.
    mesh_name : str
        The mesh beside the plan file.
    only : set of str or None
        Names of the receivers to keep; None keeps all.

    Raises
    ------
    Trouble
        No transmitter; numbers that objects of one name do not share.
    """
    written = Written()
    settings = scene.rf3d
    kept = json.loads(settings.kept) if settings.kept else {}
    shown = [o for o in radio_objects(scene) if o.visible_get()]
    senders = [o for o in shown if o.rf3d.role == "TRANSMITTER"]
    listeners = [o for o in shown if o.rf3d.role == "RECEIVER"]
    if not senders:
        raise Trouble("there is no transmitter that can be seen", "add one: Radio, Add transmitter")
    tables = {"schema": 1, "title": settings.title or "Radio plan", "venue": _venue_table(settings, mesh_name, kept)}
    tables["surface"], tables["material"] = _surfaces(venue, written, kept)
    tables["radio"] = {o.rf3d.radio_name: _radio_row(o) for o in senders + listeners}
    tables["antenna"] = {o.rf3d.antenna_name: _antenna_row(o) for o in senders + listeners if not _textbook(o)}
    _check_shared(senders + listeners, tables)
    tables["transmitter"] = [_placed(scene, o, "transmitter") for o in senders]
    written.rows["transmitter"] = [o.name for o in senders]
    listeners = [o for o in listeners if only is None or plan_name(o) in only]
    tables["receiver"] = [_placed(scene, o, "receiver") for o in listeners]
    written.rows["receiver"] = [o.name for o in listeners]
    study = kept.get("study", {})
    tables["study"] = {
        **study, "max_reflections": settings.max_reflections, "voxel_m": recall(settings.voxel_m, study.get("voxel_m")),
        "rays": settings.rays, "seed": settings.seed,
    }  # fmt: skip
    for table, rows in kept.items():
        if table not in OWN_TABLES:
            tables[table] = rows
    _places(scene, tables, written)
    written.tables = {key: value for key, value in tables.items() if value or key in ("schema", "title")}
    return written


def _venue_table(settings, mesh_name, kept):
    old = kept.get("venue", {})
    row = {
        key: value for key, value in old.items() if key not in ("mesh", "units", "up", "region", "house_azimuth_deg")
    }
    row = {"mesh": mesh_name, **row}
    if settings.region:
        row["region"] = settings.region.upper()
    tolerance = scaled(settings.tolerance_mm, 1e-3, old.get("position_tolerance_m"))
    if tolerance != 0.02 or "position_tolerance_m" in old:
        row["position_tolerance_m"] = tolerance
    if settings.use_house:
        row["house_azimuth_deg"] = recall(settings.house_azimuth_deg, old.get("house_azimuth_deg"))
    return row


def _surfaces(venue, written, kept):
    """[[surface]] rows, objects before materials, and the tables of own materials."""
    rows, owners, own = [], [], {}

    def add(keys, settings, owner):
        row = {**keys, "material": settings.material}
        old = json.loads(settings.kept) if settings.kept else {}
        row.update({key: value for key, value in old.items() if key not in _KNOWN["surface"]})
        if settings.half_space:
            row["half_space"] = True
        elif settings.thickness_mm > 0:
            row["thickness_m"] = scaled(settings.thickness_mm, 1e-3, old.get("thickness_m"))
        if settings.body != "auto":
            row["body"] = settings.body
        rows.append(row)
        owners.append(owner)
        if settings.own:
            imported = kept.get("material", {}).get(settings.material, {})
            own[settings.material] = {
                **imported,
                **{key: recall(getattr(settings, key), imported.get(key))
                   for key in ("permittivity", "conductivity_s_m", "scattering")},
                "source": settings.source or "assumed",
            }  # fmt: skip

    for name in dict.fromkeys(venue.nodes.values()):
        settings = bpy.data.objects[name].rf3d_surface
        if settings.material:
            if name in venue.nodes:
                add({"object": literal(name)}, settings, name)
            if name in venue.instances:
                add({"object": f"{literal(name)} @*"}, settings, name)
    used = {material: name for name, materials in venue.materials.items() for material in materials}
    for material_name, owner in used.items():
        material = bpy.data.materials.get(material_name) if material_name else None
        if material is not None and material.rf3d_surface.material:
            add({"mesh_material": literal(material_name)}, material.rf3d_surface, owner)
    written.rows["surface"] = owners
    return rows, own


def literal(name):
    """A name as a pattern that matches it alone."""
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in name)


def _kept_row(obj):
    return json.loads(obj.rf3d.kept) if obj.rf3d.kept else {}


def _radio_row(obj):
    r, old = obj.rf3d, _kept_row(obj).get("radio_row", {})
    row = {
        key.replace("_mhz", "_hz"): scaled(getattr(r, key), MHZ, old.get(key.replace("_mhz", "_hz")))
        for key in ("first_channel_mhz", "last_channel_mhz", "channel_spacing_mhz", "bandwidth_mhz")
    }
    return {**old, **row, "sensitivity_dbm": recall(r.sensitivity_dbm, old.get("sensitivity_dbm"))}


def _textbook(obj):
    """Whether the antenna is one of rf3d's own names, without a table."""
    r = obj.rf3d
    return r.antenna_name in TEXTBOOK and r.pattern == r.antenna_name and r.efficiency == 1.0


def _antenna_row(obj):
    r, old = obj.rf3d, _kept_row(obj).get("antenna_row", {})
    row = {"pattern": r.pattern}
    if r.pattern in ("omni", *DIRECTED):
        row["gain_dbi"] = recall(r.gain_dbi, old.get("gain_dbi"))
        row["polarisation"] = r.polarisation
    if r.pattern in DIRECTED:
        widths = old.get("beamwidth_deg", (None, None))
        row["beamwidth_deg"] = [recall(v, w) for v, w in zip(r.beamwidth_deg, widths)]
    if r.pattern in DIRECTED or "xpd_db" in old:
        row["xpd_db"] = recall(r.xpd_db, old.get("xpd_db"))
    if r.pattern != "isotropic" or r.efficiency != 1.0:
        row["efficiency"] = recall(r.efficiency, old.get("efficiency"))
    # Another pattern has no use for what the old one needed.
    return {**old, **row} if old.get("pattern") == r.pattern else row


def _check_shared(objects, tables):
    """Refuse two objects that give one name different numbers, which appending from another file can bring about."""
    for obj in objects:
        for what, name, row in (
            ("radio", obj.rf3d.radio_name, _radio_row(obj)),
            ("antenna", obj.rf3d.antenna_name, _antenna_row(obj)),
        ):
            other = tables[what].get(name, row)
            if {k: single(v) if isinstance(v, float) else v for k, v in other.items()} != {
                k: single(v) if isinstance(v, float) else v for k, v in row.items()
            }:
                raise Trouble(
                    f'{what} "{name}" of "{plan_name(obj)}" has other numbers than the same {what} elsewhere',
                    f"give it another {what} name, or the same numbers", [obj],
                )  # fmt: skip


def _placed(scene, obj, table):
    """The row of a transmitter or receiver."""
    r, old, scale_m = obj.rf3d, _kept_row(obj), scene.unit_settings.scale_length
    matrix = obj.matrix_world
    try:
        azimuth, elevation, roll = angles(matrix.col[0][:3], matrix.col[2][:3])
    except ValueError as error:
        raise Trouble(f'"{plan_name(obj)}": {error}', "give it a scale", [obj]) from None
    row = {"name": plan_name(obj), "position_m": _position(matrix.translation, scale_m, old.get("position_m"))}
    told = old.get("matrix")
    if told is not None and _alike(told, matrix):
        row.update({key: old[key] for key in ("aim_at_m", "azimuth_deg", "elevation_deg", "roll_deg", "upright")
                    if key in old})  # fmt: skip
    elif max(abs(azimuth), abs(elevation), abs(roll)) < 2e-5:
        row["upright"] = True
    else:
        row.update({"azimuth_deg": azimuth, "elevation_deg": elevation, "roll_deg": roll})
    row["antenna"] = r.antenna_name
    if table == "transmitter":
        row["power_dbm"] = recall(r.power_dbm, old.get("power_dbm"))
        row["cable_loss_db"] = recall(r.cable_loss_db, old.get("cable_loss_db"))
    elif r.cable_loss_db:
        row["cable_loss_db"] = recall(r.cable_loss_db, old.get("cable_loss_db"))
    row["radio"] = r.radio_name
    if table == "receiver" and r.purpose:
        row["purpose"] = r.purpose
    extras = {k: v for k, v in old.items() if k not in (*_KNOWN[table], "matrix", "radio_row", "antenna_row")}
    return {**extras, **row}


def _position(place, scale_m, told):
    """World metres; what the plan file said, as long as the object has not been moved."""
    if told is not None and all(abs(single(t / scale_m) - v) <= 4e-7 * max(1.0, abs(v)) for t, v in zip(told, place)):
        return list(told)
    return [scaled(value, scale_m) if scale_m != 1.0 else typed(value) for value in place]


def _alike(told, matrix):
    flat = [value for row in matrix.to_3x3() for value in row]
    return all(abs(a - b) < 1e-6 for a, b in zip(told, flat)) and len(told) == len(flat)


def _places(scene, tables, written):
    """Zones, hang points and occupied sources, as far as the installed rf3d takes them."""
    scale_m = scene.unit_settings.scale_length
    for table, role in PLACES.items():
        mine = [o for o in scene.objects if o.rf3d.role == role and o.visible_get()]
        if not mine:
            continue
        rows = [place_row(o, table, scale_m) for o in mine]
        lacking = [key for key in vocabulary.needed_keys(table) if any(key not in row for row in rows)]
        if not vocabulary.takes(table):
            written.left_out.append(f"{len(mine)} × {role.lower()}: this rf3d has no [[{table}]]; kept in the scene")
        elif lacking:
            written.left_out.append(f"{len(mine)} × {role.lower()}: [[{table}]] also needs {', '.join(lacking)}")
        else:
            tables[table] = [*tables.get(table, []), *rows]
            written.rows[table] = [o.name for o in mine]


def place_row(obj, table, scale_m):
    """The row of a zone, hang point or occupied source: the keys that the installed rf3d takes."""
    matrix, old = obj.matrix_world, _kept_row(obj)
    size = obj.empty_display_size if obj.type == "EMPTY" else 1.0
    corners = [matrix @ Vector((a * size, b * size, c * size)) for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)]
    if obj.type != "EMPTY":
        corners = [matrix @ Vector(corner) for corner in obj.bound_box]
    low, high = (
        _position([f(c[k] for c in corners) for k in range(3)], scale_m, old.get(key))
        for f, key in ((min, "low_m"), (max, "high_m"))
    )
    r = obj.rf3d
    values = {
        "name": plan_name(obj), "position_m": _position(matrix.translation, scale_m, old.get("position_m")),
        "low_m": low, "high_m": high,
        "power_dbm": typed(r.power_dbm),
        "low_hz": scaled(r.first_channel_mhz, MHZ), "high_hz": scaled(r.last_channel_mhz, MHZ),
    }  # fmt: skip
    keys = vocabulary.known["tables"].get(table, {})
    own = {key: value for key, value in obj.items() if key in keys and isinstance(value, str | int | float)}
    old = {key: value for key, value in old.items() if key in keys}
    # A source was brought in as one of several forms, and keeps to it; a new one is a single transmitter.
    takes = set(old) if old else set(keys) - ({"low_m", "high_m"} if table == "occupied" else set())
    return {**old, **{key: value for key, value in values.items() if key in takes}, **own}
