# SPDX-License-Identifier: GPL-3.0-or-later
"""Recompute while moving: notices which radios were moved or changed, and computes their links once they rest."""

import time

import bpy
from bpy.app.handlers import persistent

REST_S = 0.4
"""A radio that has not changed for so long is taken to be where it shall be."""
_moved = {}
_seen = {}


def touched(item):
    """A radio's settings were changed."""
    if isinstance(item, bpy.types.Object) and item.rf3d.role in ("TRANSMITTER", "RECEIVER"):
        _moved[item.name] = time.monotonic()


@persistent
def _updated(scene, depsgraph):
    if not scene.rf3d.following:
        return
    for update in depsgraph.updates:
        item = update.id
        if isinstance(item, bpy.types.Object) and update.is_updated_transform:
            obj = item.original
            if obj.rf3d.role in ("TRANSMITTER", "RECEIVER"):
                place = tuple(value for row in obj.matrix_world for value in row)
                if _seen.get(obj.name) != place:
                    if obj.name in _seen:
                        _moved[obj.name] = time.monotonic()
                    _seen[obj.name] = place


def remember(scene):
    """Take where the radios are now as known."""
    for obj in scene.objects:
        if obj.rf3d.role in ("TRANSMITTER", "RECEIVER"):
            _seen[obj.name] = tuple(value for row in obj.matrix_world for value in row)
    _moved.clear()


def _look():
    from . import operators, work

    scene = bpy.context.scene
    if scene is None or not scene.rf3d.following:
        _moved.clear()
        return 0.5
    resting = [name for name, since in _moved.items() if time.monotonic() - since > REST_S]
    if resting and len(resting) == len(_moved) and not work.busy():
        _moved.clear()
        operators.recompute(bpy.context, resting)
    return 0.2


def register():
    """Listen to the scene."""
    bpy.app.handlers.depsgraph_update_post.append(_updated)
    if not bpy.app.background:
        bpy.app.timers.register(_look, first_interval=0.5, persistent=True)


def unregister():
    """Stop listening."""
    bpy.app.handlers.depsgraph_update_post.remove(_updated)
    if bpy.app.timers.is_registered(_look):
        bpy.app.timers.unregister(_look)
    _moved.clear()
    _seen.clear()
