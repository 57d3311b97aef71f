# SPDX-License-Identifier: GPL-3.0-or-later
"""Zones, hangs and what else is on the air: objects as rows of a plan, and rows as objects."""

import json

import bpy
from mathutils import Matrix, Vector

from . import keys
from .rows import kept_row, plan_name, position
from .trouble import Trouble

TABLES = {"zone": "ZONE", "hang": "HANG", "occupied": "OCCUPIED"}
"""Tables of places other than radios, and what their objects are."""
_SHAPES = {"ZONE": "CUBE", "HANG": "SINGLE_ARROW", "CROWD": "CUBE", "NOISE_BOX": "CUBE"}
SPOT_M = 0.15
"""Size of an empty that stands for a mere place."""


def rows_of(scene):
    """Rows of every table of places and the names of the objects behind them, of what can be seen."""
    rows, owners = {}, {}
    for table, role in TABLES.items():
        mine = [o for o in scene.objects if o.rf3d.role == role and o.visible_get()]
        if mine:
            rows[table] = [row_of(o, table, scene.unit_settings.scale_length) for o in mine]
            owners[table] = [o.name for o in mine]
    return rows, owners


def row_of(obj, table, scale_m):
    """The row of a zone, hang or occupied source.

    Raises
    ------
    Trouble
        A hang that is no straight line.
    """
    r, old = obj.rf3d, kept_row(obj)
    row = {"name": plan_name(obj)}
    if table == "zone":
        row.update(_box(obj, old, scale_m))
    elif table == "hang":
        row["kind"] = r.hang_kind
        ends = hang_ends(obj)
        size = (ends[1] - ends[0]).length
        for key, end in zip(("from_m", "to_m"), ends):
            row[key] = position(end, scale_m, old.get(key), size)
    else:
        if r.form in keys.SPOTS:
            row["position_m"] = position(obj.matrix_world.translation, scale_m, old.get("position_m"))
        elif r.form in keys.BOXES:
            row.update(_box(obj, old, scale_m))
        row.update(keys.values_of(r, keys.FORMS[r.form], old))
        if not row.get("bandwidth_hz", True):
            del row["bandwidth_hz"]
    return {**keys.beyond(old, table), **row}


def _box(obj, old, scale_m):
    """The upright box round an empty's cube, or round a mesh."""
    size = obj.empty_display_size if obj.type == "EMPTY" else 1.0
    local = [(a * size, b * size, c * size) for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)]
    corners = [obj.matrix_world @ Vector(corner) for corner in (local if obj.type == "EMPTY" else obj.bound_box)]
    low, high = (Vector([choose(c[k] for c in corners) for k in range(3)]) for choose in (min, max))
    extent = (high - low).length
    return {key: position(p, scale_m, old.get(key), extent) for key, p in (("low_m", low), ("high_m", high))}


def hang_ends(obj):
    """Both ends of a hang in the scene: an empty's arrow from its foot to its tip, or the two vertices of a mesh.

    Raises
    ------
    Trouble
        Anything else.
    """
    if obj.type == "EMPTY":
        ends = [Vector((0.0, 0.0, 0.0)), Vector((0.0, 0.0, obj.empty_display_size))]
    elif obj.type == "MESH" and len(obj.data.vertices) == 2:
        ends = [vertex.co for vertex in obj.data.vertices]
    else:
        raise Trouble(
            f'hang "{plan_name(obj)}" is no straight line',
            "use an empty, whose arrow is the line, or a mesh of two vertices", [obj],
        )  # fmt: skip
    return [obj.matrix_world @ end for end in ends]


def shape(obj, scale_m):
    """Draw an empty as what it is: a box, an arrow, a sphere as far as noise reaches, axes."""
    r = obj.rf3d
    if obj.type != "EMPTY" or r.role in ("NONE", "LEFT_OUT"):
        return
    kind = r.form if r.role == "OCCUPIED" else r.role
    obj.empty_display_type = _SHAPES.get(kind, "SPHERE" if r.role == "OCCUPIED" else "PLAIN_AXES")
    if kind == "NOISE":
        obj.empty_display_size = min(1000.0, r.within_m / scale_m)


def make(row, table, collection, scene):
    """An empty for a zone, hang or occupied source, or the one of that name and kind that is there already."""
    scale_m, role = scene.unit_settings.scale_length, TABLES[table]
    obj = next((o for o in scene.objects if o.rf3d.role == role and plan_name(o) == row["name"]), None)
    if obj is None:
        obj = bpy.data.objects.new(row["name"], None)
        collection.objects.link(obj)
        obj.rf3d.plan_name = "" if obj.name == row["name"] else row["name"]
        obj.empty_display_size = SPOT_M / scale_m
    r = obj.rf3d
    r.form = _form(row) if role == "OCCUPIED" else r.form
    r.role, r.hop_mhz = role, 0.0
    keys.give(r, {"HANG": ("hang_kind",), "OCCUPIED": keys.FORMS[r.form]}.get(role, ()), row)
    r.kept = json.dumps(row)
    place = _placing(obj, row, scale_m)
    if place is not None:
        obj.matrix_world = place


def _form(row):
    """Which of the forms of occupied air a row is."""
    if "level_dbm" in row:
        return "LEVEL"
    if "noise_rise_db" in row:
        return "NOISE_BOX" if "low_m" in row else "NOISE"
    return "CROWD" if "low_m" in row else "TRANSMITTER"


def _placing(obj, row, scale_m):
    """Where a row puts its empty; None where it has no place, or where it is another kind of object."""
    if obj.type != "EMPTY":
        return None
    if "low_m" in row:
        obj.empty_display_size = 1.0
        low, high = Vector(row["low_m"]) / scale_m, Vector(row["high_m"]) / scale_m
        # A box may be flat; a matrix that is would lose its axes.
        half = [max(0.5 * side, 1e-9) for side in high - low]
        return Matrix.Translation((low + high) / 2) @ Matrix.Diagonal((*half, 1.0))
    if "from_m" in row:
        obj.empty_display_size = 1.0
        start, end = Vector(row["from_m"]) / scale_m, Vector(row["to_m"]) / scale_m
        turn = (end - start).to_track_quat("Z", "Y").to_matrix().to_4x4()
        return Matrix.Translation(start) @ turn @ Matrix.Scale((end - start).length, 4)
    return Matrix.Translation(Vector(row["position_m"]) / scale_m) if "position_m" in row else None
