# SPDX-License-Identifier: GPL-3.0-or-later
"""rf3d in Blender: plan lighting control by radio inside the scene. Runs rf3d, installed elsewhere, as a process."""

bl_info = {
    "name": "rf3d: radio planning",
    "author": "the rf3d authors",
    "version": (0, 1, 0),
    "blender": (3, 3, 0),
    "location": "3D View > Sidebar > Radio",
    "description": "Plan lighting control by radio from the geometry of the scene",
    "category": "3D View",
}

import atexit  # noqa: E402

import bpy  # noqa: E402
from bpy.app.handlers import persistent  # noqa: E402

from . import follow, operators, overlay, panels, preferences, properties, results, work  # noqa: E402

_PARTS = (properties, preferences, operators, panels, overlay, follow)


@persistent
def _file_closes(*_):
    """Whatever is at work belongs to the file that is being closed."""
    work.drop()


@persistent
def _file_opened(*_):
    """A file that was saved during the work has what had arrived by then; nothing will come after it."""
    for scene in bpy.data.scenes:
        results.withdraw(scene)


def register():
    """Switch the add-on on."""
    for part in _PARTS:
        part.register()
    bpy.app.handlers.load_pre.append(_file_closes)
    bpy.app.handlers.load_post.append(_file_opened)
    atexit.register(work.drop)


def unregister():
    """Switch it off; a child that runs is ended, and what it brought so far taken away."""
    if work.busy():
        work.drop()
        for scene in bpy.data.scenes:
            results.withdraw(scene)
    atexit.unregister(work.drop)
    bpy.app.handlers.load_pre.remove(_file_closes)
    bpy.app.handlers.load_post.remove(_file_opened)
    for part in reversed(_PARTS):
        part.unregister()
