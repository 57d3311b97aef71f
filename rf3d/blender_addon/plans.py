# SPDX-License-Identifier: GPL-3.0-or-later
"""A scene as the tables of a plan file."""

import json

import bpy

from . import keys, places
from .numbers import recall, scaled
from .properties import radio_objects
from .rows import placed_row, plan_name, shared_tables
from .trouble import Trouble

OWN_TABLES = ("schema", "title", "venue", "surface", "material", "radio", "antenna", "transmitter", "receiver", "study",
              *places.TABLES)  # fmt: skip
"""Tables that objects and settings say; any other is kept with the scene."""


class Written:
    """Tables of a plan, and the object behind each of their rows."""

    def __init__(self):
        self.tables = {}
        self.rows = {}


def named_objects(scene):
    """Objects of a scene that have a name in its plan."""
    return [o for o in scene.objects if o.rf3d.role not in ("NONE", "LEFT_OUT")]


def plan_object(scene, name):
    """The radio, zone, hang or occupied source that a plan calls by a name; None where there is none."""
    return next((o for o in named_objects(scene) if plan_name(o) == name), None)


def radio_object(scene, name):
    """The radio of a scene that a plan calls by a name; None where there is none."""
    return next((o for o in radio_objects(scene) if plan_name(o) == name), None)


def tables_of(scene, venue, mesh_name, *, only=None, folder=None):
    """The plan of a scene.

    Parameters
    ----------
    venue : Venue
        As exported.
    mesh_name : str
        The mesh beside the plan file.
    only : set of str or None
        Names of the receivers to keep; None keeps all.
    folder : Path or None
        What the paths of antenna files are written relative to; None for whole paths.

    Raises
    ------
    Trouble
        No transmitter; one name for two; numbers that objects of one name do not share; a hang that is no line.
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
    _check_names(scene)
    tables.update(shared_tables(senders + listeners, kept, folder))
    scale_m = scene.unit_settings.scale_length
    tables["transmitter"] = [placed_row(o, "transmitter", scale_m) for o in senders]
    written.rows["transmitter"] = [o.name for o in senders]
    listeners = [o for o in listeners if only is None or plan_name(o) in only]
    tables["receiver"] = [placed_row(o, "receiver", scale_m) for o in listeners]
    written.rows["receiver"] = [o.name for o in listeners]
    rows, owners = places.rows_of(scene)
    tables.update(rows)
    written.rows.update(owners)
    study = kept.get("study", {})
    tables["study"] = {
        **study, "max_reflections": settings.max_reflections, "voxel_m": recall(settings.voxel_m, study.get("voxel_m")),
        **{key: _whole(getattr(settings, key), study.get(key)) for key in ("rays", "seed")},
    }  # fmt: skip
    tables.update({table: rows for table, rows in kept.items() if table not in OWN_TABLES})
    written.tables = {key: value for key, value in tables.items() if value or key in ("schema", "title")}
    return written


def _whole(value, told):
    """A whole number; what stood in the plan file, where that is more than the 31 bits of Blender's property hold."""
    return told if told is not None and min(told, 2**31 - 1) == value else value


def _check_names(scene):
    """Refuse two objects of one name in the plan: findings, pictures and results go by names."""
    first = {}
    for obj in (o for o in named_objects(scene) if o.visible_get()):
        other = first.setdefault(plan_name(obj), obj)
        if other != obj:
            raise Trouble(
                f'"{plan_name(obj)}" is the name in the plan of both "{other.name}" and "{obj.name}"',
                "give one of them another name, in the panel Radio", [other, obj],
            )  # fmt: skip


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

    def add(match, settings, owner):
        row = {**match, "material": settings.material}
        old = json.loads(settings.kept) if settings.kept else {}
        row.update({key: value for key, value in old.items() if key not in keys.HELD["surface"]})
        if settings.half_space:
            row["half_space"] = True
        elif settings.thickness_mm > 0:
            row["thickness_m"] = scaled(settings.thickness_mm, 1e-3, old.get("thickness_m"))
        if settings.body != "auto":
            row["body"] = settings.body
        rows.append(row)
        owners.append(owner)
        imported = kept.get("material", {}).get(settings.material, {})
        if settings.own and not is_build_up(imported):
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
    # Build-ups, and what their layers are made of, as they were read.
    return rows, {**kept.get("material", {}), **own}


def kept_material(scene, name):
    """The table of a material as it was imported, empty where it was not."""
    kept = json.loads(scene.rf3d.kept) if scene.rf3d.kept else {}
    return kept.get("material", {}).get(name, {})


def is_build_up(material):
    """Whether the table of a material says layers or a grid, which have no numbers of their own here."""
    return "layers" in material or "grid" in material


def literal(name):
    """A name as a pattern that matches it alone."""
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in name)
