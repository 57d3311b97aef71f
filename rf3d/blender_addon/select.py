# SPDX-License-Identifier: GPL-3.0-or-later
"""What a finding or an error is about: found among the objects, selected, brought into view; which results show."""

import bpy
from mathutils import Vector

from . import words

NOTHING = [("NONE", "nothing yet", "")]
_choices = []


def _tools():
    """Modules that import this one."""
    from . import plans, venue

    return plans, venue


def meant(text, written=None):
    """Objects that a sentence of rf3d is about: rows of the plan first, then names in quotation marks."""
    plans, venue = _tools()
    scene, found = bpy.context.scene, []
    if written is not None:
        for table, row in words.rows_meant(text):
            owners = written.rows.get(table, [])
            if 0 <= row < len(owners):
                found.append(bpy.data.objects.get(owners[row]))
    for name in words.quoted(text):
        obj = plans.plan_object(scene, name) or venue.object_of(name) or venue.object_of(name.split(" (")[0])
        found += _users(scene, name) if obj is None else [obj]
    return [obj for obj in dict.fromkeys(found) if obj is not None]


def _users(scene, name):
    """Transmitters and receivers of a radio or an antenna."""
    plans, _ = _tools()
    return [o for o in plans.radio_objects(scene) if name and name in (o.rf3d.antenna_name, o.rf3d.radio_name)]


def finding_objects(scene, finding):
    """Objects that a finding is about, by its place in the plan, else by the names in its words."""
    plans, venue = _tools()
    where = finding.where
    names = [where, *where.split(" to "), *where.split(", ")]
    found = [plans.plan_object(scene, name) or venue.object_of(name) for name in names]
    if not any(found):
        found = _users(scene, where)
    if not any(found):
        found = meant(finding.message)
    return [obj for obj in dict.fromkeys(found) if obj is not None]


def select_objects(objects):
    """Make these the selection, as far as they can be seen."""
    layer = bpy.context.view_layer
    shown = [o for o in objects if o is not None and o.name in layer.objects and o.visible_get()]
    if not shown:
        return
    for obj in layer.objects:
        if obj.select_get():
            obj.select_set(False)
    for obj in shown:
        obj.select_set(True)
    layer.objects.active = shown[0]


def frame(points, least, *, apart=1.3):
    """Bring points (world, scene units) into the middle of every 3D view, at least ``least`` wide.

    Parameters
    ----------
    apart : float
        Distance of the eye against the diagonal of the points.
    """
    if not points:
        return
    low = Vector([min(p[k] for p in points) for k in range(3)])
    high = Vector([max(p[k] for p in points) for k in range(3)])
    for window in bpy.context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "VIEW_3D":
                view = area.spaces.active.region_3d
                view.view_location = (low + high) / 2
                view.view_distance = max(apart * (high - low).length, least)
                if view.view_perspective == "CAMERA":
                    view.view_perspective = "PERSP"


def finding_chosen(settings, context):
    """A finding was clicked: select and frame what it is about, and show the paths of its receiver."""
    scene = settings.id_data
    if not 0 <= settings.finding_index < len(settings.findings):
        return
    finding = settings.findings[settings.finding_index]
    objects = finding_objects(scene, finding)
    select_objects(objects)
    apply_shown(scene)
    scale_m = scene.unit_settings.scale_length
    points = [o.matrix_world @ Vector(c) for o in objects if o.type != "EMPTY" for c in o.bound_box]
    points += [o.matrix_world.translation.copy() for o in objects if o.type == "EMPTY"]
    if finding.has_place:
        points.append(Vector(finding.place) / scale_m)
    frame(points, 6.0 / scale_m)


def results(scene):
    """Objects that were made of answers, in this scene."""
    from .venue import RESULT

    return [o for o in scene.objects if RESULT in o]


def mark_of(scene, receiver):
    """The mark of a receiver by its name in the plan; None where there is none."""
    return next((o for o in results(scene) if o.get("shows") == "receiver" and o["receiver"] == receiver), None)


def chosen_receiver(scene):
    """Name of the receiver whose paths show: of the chosen finding, of the active object, else the worst off."""
    plans, _ = _tools()
    settings = scene.rf3d
    active = bpy.context.view_layer.objects.active if bpy.context.scene == scene else None
    if active is not None and active.name in scene.objects and active.rf3d.role == "RECEIVER":
        return plans.plan_name(active)
    if 0 <= settings.finding_index < len(settings.findings):
        return settings.findings[settings.finding_index].where
    marks = [o for o in results(scene) if o.get("shows") == "receiver" and "chance_of_holding" in o]
    return min(marks, key=lambda o: o["chance_of_holding"])["receiver"] if marks else ""


def power_choices(settings, context):
    """Whose power can be shown, from what is there."""
    from .venue import ARRIVING, RESULT

    global _choices
    found = {}
    if settings is not None:
        made = results(settings.id_data)
        arriving = any(o[RESULT] == ARRIVING for o in made)
        for obj in made:
            if obj.get("shows") == "slice" and arriving == (obj[RESULT] == ARRIVING):
                who = obj.get("transmitter")
                found[obj["key"]] = who if who else f"strongest on {obj['radio']}"
    # Blender keeps no reference to these texts: they must live on here.
    _choices = [(key, text, "") for key, text in found.items()] or NOTHING
    return _choices


def show_changed(settings, context):
    """A choice of what shows was changed."""
    apply_shown(settings.id_data)


def apply_shown(scene):
    """Show and hide results as chosen on the panel; of an earlier volume nothing while a new one arrives."""
    from .venue import ARRIVING, RESULT

    settings = scene.rf3d
    arriving = any(o[RESULT] == ARRIVING for o in results(scene))
    receiver, power = chosen_receiver(scene), settings.shown_power
    for obj in results(scene):
        kind = obj.get("shows")
        if kind in ("path", "culprit", "receiver", "slice", "skin"):
            obj.show_in_front = settings.through_walls
        if kind == "receiver":
            obj.show_name = settings.show_labels
        if kind in ("path", "culprit"):
            mine = obj["receiver"] == receiver
            shown = {"NONE": False, "ALL": kind == "path", "BEST": bool(obj["best"]) and kind == "path",
                     "CHOSEN": mine and bool(obj["best"])}[settings.shown_paths]  # fmt: skip
        elif kind in ("slice", "slice legend"):
            shown = settings.show_slice and obj["key"] == power
            shown = shown and arriving == (obj[RESULT] == ARRIVING)
        elif kind in ("skin", "skin legend"):
            shown = settings.show_skins and obj["key"] == power
            shown = shown and arriving == (obj[RESULT] == ARRIVING)
        else:
            continue
        if obj.hide_viewport == shown:
            obj.hide_viewport = not shown
            obj.hide_render = not shown
