# SPDX-License-Identifier: GPL-3.0-or-later
"""The visible scene as a GLB file for rf3d, and a GLB file of rf3d as objects.

Exported is what the viewport shows of this view layer, as it shows it: modifiers applied, instances each in its
place, transforms of all parents and the scene's unit. Hidden objects and excluded collections are left out.
"""

import re
from array import array

import bpy
from mathutils import Matrix, Vector

from .glb import Reader, Writer

SURFACES = ("MESH", "CURVE", "SURFACE", "META", "FONT")
RESULT = "rf3d_result"
"""Custom property that marks what this add-on made of an answer, and by which work."""
ARRIVING = "arriving"
"""Its value while the work goes on: the volume of before is hidden meanwhile, and comes back where that is stopped."""
_INSTANCE = re.compile(r" @\d+$")


class Venue:
    """What was exported: the object behind every node, and how many instances each object has besides itself."""

    def __init__(self):
        self.nodes = {}
        self.instances = {}
        self.materials = {}

    def add(self, obj, is_instance, materials):
        """Take in an object or an instance of it; gives the name of its node."""
        name = obj.name
        self.materials.setdefault(name, set()).update(materials)
        if is_instance:
            number = self.instances[name] = self.instances.get(name, 0) + 1
            name = f"{name} @{number}"
        self.nodes[name] = obj.name
        return name


def object_of(node):
    """The object that a node of an export stands for; None where it is gone."""
    found = bpy.data.objects.get(node)
    return found if found is not None else bpy.data.objects.get(_INSTANCE.sub("", node))


def is_surface(obj):
    """Whether an object (not evaluated) may be part of the venue."""
    return obj.type in SURFACES and obj.rf3d.role not in ("LEFT_OUT", "ZONE", "HANG", "OCCUPIED") and RESULT not in obj


def export_steps(context, path, venue):
    """Write the visible scene to a GLB file, a step at a time.

    Plain objects are taken one a step; instances, which Blender shows only while it lists them, in one step, each
    shape once.
    """
    writer, scale_m = Writer(), context.scene.unit_settings.scale_length
    depsgraph = context.evaluated_depsgraph_get()
    plain = []
    shapes = {}
    for item in depsgraph.object_instances:
        shown = item.object
        original = shown.original
        if not is_surface(original):
            continue
        if not item.is_instance:
            if item.show_self:
                plain.append(original.name)
            continue
        key = shown.data.as_pointer() if shown.data is not None else shown.as_pointer()
        if key not in shapes:
            shapes[key] = _shape(shown, writer)
        if shapes[key] is not None:
            primitives, materials = shapes[key]
            writer.add_node(venue.add(original, True, materials), primitives, item.matrix_world, scale_m)
    yield
    for name in plain:
        obj = bpy.data.objects.get(name)
        if obj is not None:
            evaluated = obj.evaluated_get(context.evaluated_depsgraph_get())
            shape = _shape(evaluated, writer)
            if shape is not None:
                writer.add_node(venue.add(obj, False, shape[1]), shape[0], evaluated.matrix_world, scale_m)
        yield
    if writer.nodes:
        writer.save(path)


def _shape(evaluated, writer):
    """Primitives of an evaluated object and the names of their materials; None where it has no faces."""
    mesh = evaluated.to_mesh()
    if mesh is None:
        return None
    try:
        mesh.calc_loop_triangles()
        count = len(mesh.loop_triangles)
        if count == 0:
            return None
        points = array("f", bytes(12 * len(mesh.vertices)))
        mesh.vertices.foreach_get("co", points)
        triangles = array("i", bytes(12 * count))
        mesh.loop_triangles.foreach_get("vertices", triangles)
        indices = array("i", bytes(4 * count))
        mesh.loop_triangles.foreach_get("material_index", indices)
        slots = [slot.material for slot in evaluated.material_slots] or list(mesh.materials)
        names = [material.name if material is not None else "" for material in slots]
    finally:
        evaluated.to_mesh_clear()
    parts = {}
    if min(indices) == max(indices):
        parts[_named(names, indices[0])] = triangles
    else:
        for triangle, index in enumerate(indices):
            own = parts.setdefault(_named(names, index), array("i"))
            own.extend(triangles[3 * triangle : 3 * triangle + 3])
    return writer.add_shape(points, parts), list(parts)


def _named(names, index):
    """Blender draws a face whose slot is missing with the last one."""
    return names[min(index, len(names) - 1)] if names else ""


def build_steps(path, collection_name, made, scale_m):
    """Make an object for every node of a venue that rf3d wrote, a step each.

    Parameters
    ----------
    made : dict
        Filled with node name to object name.
    """
    reader = Reader(path)
    materials = {}
    for name, place, _, primitives in reader.nodes():
        obj = mesh_object(name, reader, primitives, materials)
        obj.location = [value / scale_m for value in place]
        if scale_m != 1.0:
            obj.data.transform(Matrix.Scale(1.0 / scale_m, 4))
        bpy.data.collections[collection_name].objects.link(obj)
        made[name] = obj.name
        yield


def mesh_object(name, reader, primitives, materials, plain=True):
    """A mesh object of the primitives of a node, z up, a material slot a primitive.

    Parameters
    ----------
    materials : dict
        Blender materials by name, filled as they are met.
    plain : bool
        Whether a material of that name which the file has already may serve.
    """
    points, corners, slots = array("f"), array("i"), array("i")
    mesh = bpy.data.meshes.new(name)
    for primitive in primitives:
        first = len(points) // 3
        points.extend(reader.numbers(primitive["attributes"]["POSITION"]))
        own = reader.numbers(primitive["indices"])
        corners.extend(own if first == 0 else array("i", [index + first for index in own]))
        material = reader.material(primitive)
        if material is not None:
            mesh.materials.append(_material(*material, materials, plain))
        elif len(primitives) > 1:
            mesh.materials.append(None)
        slot = max(0, len(mesh.materials) - 1)
        slots.extend(array("i", [slot]) * (len(own) // 3))
    fill_mesh(mesh, points, corners, slots)
    return bpy.data.objects.new(name, mesh)


def fill_mesh(mesh, points, corners, slots):
    """Triangles from flat arrays, y up, into an empty mesh, z up."""
    count = len(corners) // 3
    mesh.vertices.add(len(points) // 3)
    mesh.vertices.foreach_set("co", points)
    mesh.loops.add(len(corners))
    mesh.loops.foreach_set("vertex_index", corners)
    mesh.polygons.add(count)
    mesh.polygons.foreach_set("loop_start", array("i", range(0, 3 * count, 3)))
    if bpy.app.version < (4, 0, 0):
        mesh.polygons.foreach_set("loop_total", array("i", [3]) * count)
    mesh.polygons.foreach_set("material_index", slots)
    mesh.transform(Matrix(((1, 0, 0, 0), (0, 0, -1, 0), (0, 1, 0, 0), (0, 0, 0, 1))))
    mesh.update(calc_edges=True)


def _material(name, colour, materials, plain):
    if name not in materials:
        found = bpy.data.materials.get(name) if plain else None
        if found is None:
            found = bpy.data.materials.new(name)
            found.diffuse_color = colour
        materials[name] = found
    return materials[name]


def bounds_m(scene):
    """Lowest and highest corner of the venue as it is shown, metres; None where there is none."""
    scale_m = scene.unit_settings.scale_length
    corners = [
        obj.matrix_world @ Vector(corner) * scale_m
        for obj in scene.objects
        if is_surface(obj) and obj.visible_get()
        for corner in obj.bound_box
    ]
    if not corners:
        return None
    return [min(c[k] for c in corners) for k in range(3)], [max(c[k] for c in corners) for k in range(3)]
