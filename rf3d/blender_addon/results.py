# SPDX-License-Identifier: GPL-3.0-or-later
"""Answers as content of the scene, all in one collection: running again replaces what the same work left before.

What rf3d wrote as GLB is turned into objects a piece at a time, so that Blender never waits long.
"""

import math
from array import array

import bpy

from . import select, words
from .glb import Reader
from .venue import ARRIVING, RESULT, bounds_m, mesh_object

COLLECTION = "Radio results"
FLAG = "rf3d_results"
MARK_SHARE, MARK_M = 0.009, (0.12, 0.5)
"""Size of a mark: this share of the venue's length, between these bounds: seen in a hall, at home in a room."""
THINNEST, THICKEST = 0.04, 0.56
"""Radius of a path against the size of a mark: of one that carries nothing, and all, of the power of its link."""


def collection_of(scene):
    """The collection of results of a scene, made where it is missing."""
    for child in scene.collection.children_recursive:
        if FLAG in child:
            return child
    made = bpy.data.collections.new(COLLECTION)
    made[FLAG] = True
    scene.collection.children.link(made)
    return made


def clear(scene, work, receivers=None):
    """Take away what a kind of work left: all of it, or what belongs to some receivers."""
    old = [
        o for o in select.results(scene)
        if o[RESULT] == work and (receivers is None or o.get("receiver") in receivers)
    ]  # fmt: skip
    data = [o.data for o in old if o.data is not None]
    bpy.data.batch_remove(old)
    bpy.data.batch_remove([item for item in data if item.users == 0])


def place_links_steps(scene_name, path, receivers=None):
    """Receivers with their verdicts, paths and surfaces to blame from a file of ``links --glb``.

    Parameters
    ----------
    receivers : set of str or None
        Replace what belongs to these alone; None replaces all.

    Returns
    -------
    list of str
        The plan in a few sentences.
    """
    reader = Reader(path)
    yield
    clear(bpy.data.scenes[scene_name], "links", receivers)
    yield
    size_m = mark_size_m(bpy.data.scenes[scene_name])
    materials, links = {}, {}
    for name, place, extras, primitives in reader.nodes():
        kind = extras.get("shows")
        scene = bpy.data.scenes[scene_name]
        if kind == "receiver":
            _add(scene, "links", _mark(scene, extras, place, size_m), extras)
        elif kind == "culprit":
            obj = mesh_object(name, reader, primitives, materials, plain=False)
            _add(scene, "links", _placed(scene, obj, place), extras)
        elif kind == "path":
            links.setdefault((extras["transmitter"], extras["receiver"]), []).append((place, extras, primitives))
        yield
    for (sender, receiver), paths in links.items():
        scene = bpy.data.scenes[scene_name]
        obj = _paths(f"paths {sender} to {receiver}", reader, paths, materials, size_m)
        extras = {key: paths[0][1][key] for key in ("transmitter", "receiver", "best", "shows")}
        _add(scene, "links", _placed(scene, obj, paths[0][0]), extras)
        yield
    scene = bpy.data.scenes[scene_name]
    if receivers is None:
        _links_legend(scene, reader.extras)
        yield
    _drop_unused_materials()
    select.apply_shown(bpy.data.scenes[scene_name])
    return reader.extras["summary"]


def place_power_steps(scene_name, path):
    """Slices and skins of power with their legends from a file of ``volume``, as what arrives: `settle` makes it stay.

    What shows comes first. Each thing that is made lets Blender draw the venue anew between two ticks.
    """
    reader = Reader(path)
    yield
    scene = bpy.data.scenes[scene_name]
    nodes = [
        (name, place, {**extras, "key": extras["transmitter"] or f"strongest:{extras['radio']}", "called": name}, parts)
        for name, place, extras, parts in reader.nodes()
    ]
    shown = scene.rf3d.shown_power
    nodes.sort(key=lambda node: (node[2]["key"] != shown, node[2]["shows"] != "slice"))
    clear(scene, ARRIVING)
    materials, skins = {}, {}
    for number, (name, place, extras, primitives) in enumerate(nodes):
        scene = bpy.data.scenes[scene_name]
        obj = mesh_object(name, reader, primitives, materials, plain=False)
        _colour(obj.data, reader, primitives)
        _add(scene, ARRIVING, _placed(scene, obj, place), extras)
        if extras["shows"] == "slice":
            for legend, about in _slice_legend(scene, extras):
                _add(scene, ARRIVING, legend, about)
        else:
            skins.setdefault(extras["key"], []).append(extras)
        if number == 0:
            _choose_power(scene)
        yield
    scene = bpy.data.scenes[scene_name]
    for key, levels in skins.items():
        for legend, about in _skin_legend(scene, key, levels):
            _add(scene, ARRIVING, legend, about)
    _choose_power(scene)


def settle(scene):
    """What arrived takes the place of the volume of before, under its names."""
    arrived = [o for o in select.results(scene) if o[RESULT] == ARRIVING]
    if arrived:
        clear(scene, "volume")
    for obj in arrived:
        obj[RESULT] = "volume"
        obj.name = obj.data.name = obj["called"]
    _choose_power(scene)


def withdraw(scene):
    """Take away what arrived: the volume of before shows again."""
    if any(o[RESULT] == ARRIVING for o in select.results(scene)):
        clear(scene, ARRIVING)
        _choose_power(scene)


def _choose_power(scene):
    """Show the power that was chosen, where it is still there."""
    _drop_unused_materials()
    choices = [key for key, _, _ in select.power_choices(scene.rf3d, None)]
    if scene.rf3d.shown_power not in choices:
        scene.rf3d.shown_power = choices[0]
    select.apply_shown(scene)


def _add(scene, work, obj, extras):
    """Into the collection, marked, with its data as custom properties."""
    obj[RESULT] = work
    for key, value in extras.items():
        if value is not None:
            obj[key] = value
    if extras.get("shows") not in ("receiver", "legend"):
        obj.hide_viewport = obj.hide_render = True
    obj.hide_select = extras.get("shows") in ("slice", "skin", "culprit")
    collection_of(scene).objects.link(obj)


def _placed(scene, obj, place_m):
    """Metres of the venue into units of the scene."""
    scale_m = scene.unit_settings.scale_length
    obj.location = [value / scale_m for value in place_m]
    obj.scale = (1.0 / scale_m,) * 3
    return obj


def _colour(mesh, reader, primitives):
    """The colour attribute and the power in dBm at every vertex, and a material that shows the colour when rendered."""
    colours, power = array("f"), array("f")
    for primitive in primitives:
        attributes = primitive["attributes"]
        raw = reader.numbers(attributes["COLOR_0"])
        # All points of a piece are of one colour.
        colours.extend(array("f", [value / 255.0 for value in raw[:4]]) * (len(raw) // 4))
        power.extend(reader.numbers(attributes["_POWER_DBM"]))
    mesh.color_attributes.new("power colour", "FLOAT_COLOR", "POINT").data.foreach_set("color", colours)
    mesh.attributes.new("power_dbm", "FLOAT", "POINT").data.foreach_set("value", power)
    for material in mesh.materials:
        if not material.use_nodes:
            _glow(material)


def _glow(material):
    """Shine in the colour of the mesh, unlit, so that it reads the same in any light."""
    material.use_nodes = True
    nodes, links = material.node_tree.nodes, material.node_tree.links
    nodes.clear()
    out = nodes.new("ShaderNodeOutputMaterial")
    shine, colour = nodes.new("ShaderNodeEmission"), nodes.new("ShaderNodeVertexColor")
    colour.layer_name = "power colour"
    links.new(colour.outputs["Color"], shine.inputs["Color"])
    opacity = material.diffuse_color[3]
    if opacity < 1.0:
        clear_, mix = nodes.new("ShaderNodeBsdfTransparent"), nodes.new("ShaderNodeMixShader")
        mix.inputs["Fac"].default_value = opacity
        links.new(clear_.outputs[0], mix.inputs[1])
        links.new(shine.outputs[0], mix.inputs[2])
        links.new(mix.outputs[0], out.inputs["Surface"])
        if hasattr(material, "blend_method"):
            material.blend_method = "BLEND"
    else:
        links.new(shine.outputs[0], out.inputs["Surface"])


def _paths(name, reader, paths, materials, size_m):
    """One curve object of the paths of a link, each as wide as its share of the power."""
    curve = bpy.data.curves.new(name, "CURVE")
    curve.dimensions = "3D"
    curve.bevel_depth = 1.0
    curve.bevel_resolution = 2
    slots = {}
    for _, extras, primitives in paths:
        points = reader.numbers(primitives[0]["attributes"]["POSITION"])
        title, colour = reader.material(primitives[0])
        if title not in slots:
            slots[title] = len(curve.materials)
            curve.materials.append(plain_material(title, colour, materials))
        count = len(points) // 3
        spline = curve.splines.new("POLY")
        spline.points.add(count - 1)
        flat = array("f", bytes(16 * count))
        flat[0::4], flat[1::4] = points[0::3], array("f", [-z for z in points[2::3]])
        flat[2::4], flat[3::4] = points[1::3], array("f", [1.0]) * count
        spline.points.foreach_set("co", flat)
        radius = size_m * (THINNEST + (THICKEST - THINNEST) * extras["share"])
        spline.points.foreach_set("radius", array("f", [radius]) * count)
        spline.material_index = slots[title]
    return bpy.data.objects.new(name, curve)


def mark_size_m(scene):
    """Size of a receiver's mark, metres."""
    low, high = bounds_m(scene) or ((0.0,) * 3, (10.0,) * 3)
    return min(MARK_M[1], max(MARK_M[0], MARK_SHARE * max(b - a for a, b in zip(low, high))))


def plain_material(name, colour, materials):
    """A material of one colour, shared by all pieces of that name."""
    if name not in materials:
        made = bpy.data.materials.new(name)
        made.diffuse_color = colour
        made.use_nodes = True
        shader = next(n for n in made.node_tree.nodes if n.type == "BSDF_PRINCIPLED")
        shader.inputs["Base Color"].default_value = (*colour[:3], 1.0)
        materials[name] = made
    return materials[name]


def _mark(scene, extras, place_m, size_m):
    """A body at a receiver: its shape and colour are the verdict, its name the label."""
    verdict = extras["verdict"] or "unheard"
    margin = extras.get("margin_db")
    tail = extras["verdict"] or "no transmitter on its radio"
    if margin is not None:
        tail += f", {abs(round(margin))} dB {'under' if margin < 0 else 'over'}"
    busy = extras.get("busy_margin_db")
    if busy is not None:
        tail += f", {abs(round(busy))} {'under ' if busy < 0 else ''}when busy"
    name = words.label(extras["receiver"], tail)
    mesh = bpy.data.meshes.get(f"mark {verdict}")
    if mesh is None or mesh.library is not None:
        mesh = bpy.data.meshes.new(f"mark {verdict}")
        mesh.from_pydata(*_mark_shape(verdict))
        mesh.update()
        mesh.materials.append(plain_material(f"verdict {verdict}", (*_linear(extras["colour"]), 1.0), {}))
    obj = bpy.data.objects.new(name, mesh)
    _placed(scene, obj, place_m)
    obj.scale = obj.scale * size_m
    return obj


def _mark_shape(verdict):
    """Vertices, edges and faces of a mark of size 1: a ball, a cube, a pyramid, crossed bars, a ring of a plate."""
    if verdict == "solid":
        rings, spokes = 6, 10
        points = [
            (math.sin(math.pi * r / rings) * math.cos(2 * math.pi * s / spokes),
             math.sin(math.pi * r / rings) * math.sin(2 * math.pi * s / spokes), math.cos(math.pi * r / rings))
            for r in range(rings + 1) for s in range(spokes)
        ]  # fmt: skip
        faces = [
            (r * spokes + s, (r + 1) * spokes + s, (r + 1) * spokes + (s + 1) % spokes, r * spokes + (s + 1) % spokes)
            for r in range(rings) for s in range(spokes)
        ]  # fmt: skip
        return points, [], faces
    if verdict == "fragile":
        turn = [2 * math.pi * k / 3 for k in range(3)]
        points = [(1.2 * math.cos(a), 1.2 * math.sin(a), -0.7) for a in turn] + [(0.0, 0.0, 1.3)]
        return points, [], [(0, 2, 1), (0, 1, 3), (1, 2, 3), (2, 0, 3)]
    if verdict in ("workable", "unheard"):
        size = (0.85, 0.85, 0.85) if verdict == "workable" else (1.0, 1.0, 0.15)
        return _box(size, 0.0)
    points, faces = [], []
    for angle in (math.pi / 4, -math.pi / 4):
        own, _, sides = _box((1.4, 0.3, 0.3), angle)
        faces += [tuple(i + len(points) for i in side) for side in sides]
        points += own
    return points, [], faces


def _box(size, angle):
    """A box turned about y."""
    c, s = math.cos(angle), math.sin(angle)
    corners = [(x, y, z) for x in (-size[0], size[0]) for y in (-size[1], size[1]) for z in (-size[2], size[2])]
    points = [(c * x + s * z, y, c * z - s * x) for x, y, z in corners]
    return points, [], [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]


def _linear(colour):
    """ "#rrggbb" as linear red, green, blue: IEC 61966-2-1, from memory."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    return [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]


def _slice_legend(scene, extras):
    """Swatches and words beside a slice."""
    bands, colours = list(extras["bands_dbm"]), extras["colours"]
    rows = [(f"{_minus(low)} to {_minus(high)} dBm", c) for low, high, c in zip(bands, bands[1:], colours)]
    who = extras["transmitter"] or f"strongest on {extras['radio']}"
    title = f"Mean power at {extras['height_m']:g} m height, dBm\nat a probe of unit gain\n{who}\n{_known(extras)}"
    return _legend(scene, f"legend slice {who}", title, rows[::-1], {"shows": "slice legend", "key": extras["key"]})


def _skin_legend(scene, key, levels):
    rows = [(f"{_minus(item['level_dbm'])} dBm or more inside", item["colour"]) for item in levels][::-1]
    title = f"Mean power in space, dBm\nat a probe of unit gain\n{levels[0]['transmitter']}\n{_known(levels[0])}"
    return _legend(scene, f"legend skins {key}", title, rows, {"shows": "skin legend", "key": key}, row=1)


def _known(extras):
    """How well the voxels of a volume are known, in words."""
    error = extras.get("median_std_error_db")
    words_ = f"voxels of {extras['voxel_m']:g} m, " + ("exact" if error is None else f"error {error:.1f} dB (median)")
    return f"early: {words_}" if extras["early"] else words_


def _links_legend(scene, about):
    rows = [(f"receiver: {word}", colour) for word, colour in about["verdict_colours"].items()]
    rows += [(f"path: {item['kind']}", item["colour"]) for item in about["path_kinds"]]
    rows.append(("surface to blame", about["culprit_colour"]))
    title = f"Links, {about['air']}\nwidth of a path: share of power\nover, under: dB to the threshold, mean"
    if about["air"] != "clean air only":
        title += "\nwhen busy: over the busiest air listed"
    for obj, extras in _legend(scene, "legend links", title, rows, {"shows": "legend"}, column=1):
        _add(scene, "links", obj, extras)


def _minus(value):
    return f"{value:g}".replace("-", "−")


def _legend(scene, name, title, rows, extras, *, column=0, row=0):
    """A text and a strip of swatches, flat beside the venue, readable from above and from the front; not yet added.

    Flat as a slice is, and so lit as it is: the colours are alike on screen.
    """
    low, high = bounds_m(scene) or ((0.0, 0.0, 0.0), (10.0, 10.0, 3.0))
    size = max(0.2, 0.02 * max(high[0] - low[0], high[1] - low[1]))
    left = high[0] + 2 * size + column * 23 * size
    line = 1.35 * size
    head = title.count("\n") + 2
    text = bpy.data.curves.new(name, "FONT")
    text.body = title + "\n\n" + "\n".join(words_ for words_, _ in rows)
    text.size = size
    text.space_line = line / size
    words_obj = bpy.data.objects.new(name, text)
    text.materials.append(plain_material("legend ink", (0.0, 0.0, 0.0, 1.0), _existing("legend ink")))
    top = min(high[1], low[1] + line * (len(rows) + head + 1)) + 19 * line * row
    _placed(scene, words_obj, (left + 2.2 * size, top, low[2] + 0.03 * size))
    mesh = bpy.data.meshes.new(f"{name} swatches")
    points, faces = [], []
    longest = max(len(line_) for line_ in text.body.split("\n"))
    card = (-0.4 * size, -line * (head + len(rows)), (0.5 * longest + 2.6) * size, 1.4 * size)
    for number in range(len(rows)):
        y = -line * (head + number) - 0.15 * size
        faces.append(tuple(range(len(points), len(points) + 4)))
        points += [(0.0, y, 0.0), (1.7 * size, y, 0.0), (1.7 * size, y + line, 0.0), (0.0, y + line, 0.0)]
    faces.append(tuple(range(len(points), len(points) + 4)))
    points += [(card[x], card[y], -0.05 * size) for x, y in ((0, 1), (2, 1), (2, 3), (0, 3))]
    mesh.from_pydata(points, [], faces)
    for number, (_, colour) in enumerate([*rows, ("", "#f4f4f4")]):
        ink = f"swatch {colour}"
        mesh.materials.append(_flat(ink, (*_linear(colour), 1.0)))
        mesh.polygons[number].material_index = number
    mesh.update()
    swatches = bpy.data.objects.new(f"{name} swatches", mesh)
    _placed(scene, swatches, (left, top, low[2]))
    return [(words_obj, {**extras, "called": name}), (swatches, {**extras, "called": f"{name} swatches"})]


def _existing(name):
    found = bpy.data.materials.get(name)
    return {name: found} if found is not None else {}


def _flat(name, colour):
    """An unlit material of one colour."""
    found = bpy.data.materials.get(name)
    if found is None:
        found = bpy.data.materials.new(name)
        found.diffuse_color = colour
        found.use_nodes = True
        tree = found.node_tree
        tree.nodes.clear()
        shine, out = tree.nodes.new("ShaderNodeEmission"), tree.nodes.new("ShaderNodeOutputMaterial")
        shine.inputs["Color"].default_value = colour
        tree.links.new(shine.outputs[0], out.inputs["Surface"])
    return found


_OURS = ("power ", "skin ", "path ", "surface to blame", "verdict ", "legend ink", "swatch #")


def _drop_unused_materials():
    """Materials that an earlier answer used and this one does not."""
    bpy.data.batch_remove([m for m in bpy.data.materials if m.users == 0 and m.name.startswith(_OURS)])
