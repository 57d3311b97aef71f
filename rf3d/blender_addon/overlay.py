# SPDX-License-Identifier: GPL-3.0-or-later
"""Antenna lobes, drawn over the 3D view at every radio and turned with it; nothing of them lies in the scene."""

import bpy
import gpu
from gpu_extras.batch import batch_for_shader
from mathutils import Matrix

from .lobes import surface
from .properties import radio_objects

COLOURS = {"TRANSMITTER": (0.84, 0.37, 0.0), "RECEIVER": (0.0, 0.45, 0.70)}
"""Vermilion and blue: told apart by colour-blind eyes (Okabe and Ito; from memory)."""
_handle = None
_batches = {}


def shape_of(radio):
    """The lobe of a radio's antenna: points, triangles, lines."""
    widths = tuple(radio.beamwidth_deg)
    return surface(radio.pattern, round(radio.gain_dbi, 3), widths, round(radio.efficiency, 4))


def lobe_matrix(obj, size):
    """Where a lobe is drawn: at the object, along its axes whatever their scale, ``size`` in scene units."""
    matrix = obj.matrix_world
    x = matrix.col[0].to_3d().normalized()
    z = matrix.col[2].to_3d()
    z = (z - z.dot(x) * x).normalized()
    turn = Matrix((x, z.cross(x), z)).transposed().to_4x4()
    return Matrix.Translation(matrix.translation) @ turn @ Matrix.Scale(size, 4)


def _draw():
    scene = bpy.context.scene
    space = bpy.context.space_data
    if not scene.rf3d.show_lobes or (space is not None and not space.overlay.show_overlays):
        return
    shader = gpu.shader.from_builtin("UNIFORM_COLOR" if bpy.app.version >= (3, 4, 0) else "3D_UNIFORM_COLOR")
    size = scene.rf3d.lobe_m / scene.unit_settings.scale_length
    gpu.state.blend_set("ALPHA")
    gpu.state.depth_test_set("NONE" if scene.rf3d.through_walls else "LESS_EQUAL")
    try:
        for obj in radio_objects(scene):
            radio = obj.rf3d
            # What a file holds is read by rf3d alone: its lobe is not known here.
            if radio.pattern == "file" or not obj.visible_get():
                continue
            key = (radio.pattern, round(radio.gain_dbi, 3), tuple(radio.beamwidth_deg), round(radio.efficiency, 4))
            if key not in _batches:
                points, triangles, lines = shape_of(radio)
                _batches[key] = (
                    batch_for_shader(shader, "TRIS", {"pos": points}, indices=triangles),
                    batch_for_shader(shader, "LINES", {"pos": points}, indices=lines),
                )
            colour = COLOURS[radio.role]
            # A receiver's lobe is drawn smaller: there are many of them, and they crowd the stage.
            own = size if radio.role == "TRANSMITTER" else 0.4 * size
            with gpu.matrix.push_pop():
                gpu.matrix.multiply_matrix(lobe_matrix(obj, own))
                shader.bind()
                shader.uniform_float("color", (*colour, 0.10))
                _batches[key][0].draw(shader)
                shader.uniform_float("color", (*colour, 0.75 if obj.select_get() else 0.35))
                _batches[key][1].draw(shader)
    finally:
        gpu.state.blend_set("NONE")
        gpu.state.depth_test_set("NONE")


def register():
    """Draw in every 3D view; without a window there is none."""
    global _handle
    if not bpy.app.background:
        _handle = bpy.types.SpaceView3D.draw_handler_add(_draw, (), "WINDOW", "POST_VIEW")


def unregister():
    """Draw no more."""
    global _handle
    if _handle is not None:
        bpy.types.SpaceView3D.draw_handler_remove(_handle, "WINDOW")
        _handle = None
    _batches.clear()
