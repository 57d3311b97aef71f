"""Runs inside Blender, started by test_blender_addon.py: installs the add-on and does what one case asks.

Usage: blender -b --factory-startup --python-exit-code 1 -P blender_session.py -- CASE ZIP PYTHON FOLDER [PLAN]
"""

import contextlib
import json
import math
import sys
import time
from pathlib import Path

import bpy
from mathutils import Euler, Matrix

CASE, ZIP, PYTHON, FOLDER, *REST = sys.argv[sys.argv.index("--") + 1 :]
FOLDER = Path(FOLDER)
NAME = "rf3d_blender"


def install():
    bpy.ops.preferences.addon_install(filepath=ZIP, overwrite=True)


def enable():
    install()
    bpy.ops.preferences.addon_enable(module=NAME)
    bpy.context.preferences.addons[NAME].preferences.python = PYTHON
    import rf3d_blender.work as work

    return work.state


def empty():
    for item in list(bpy.data.objects):
        bpy.data.objects.remove(item)


def counts():
    kinds = ("objects", "meshes", "curves", "materials", "collections")
    return {kind: len(getattr(bpy.data, kind)) for kind in kinds}


def box(name, low, high, *, parent=None, material=None):
    """A closed box as a mesh object."""
    points = [(x, y, z) for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])]
    faces = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata(points, [], faces)
    made = bpy.data.objects.new(name, mesh)
    if material:
        mesh.materials.append(bpy.data.materials.get(material) or bpy.data.materials.new(material))
    bpy.context.scene.collection.objects.link(made)
    made.parent = parent
    return made


def radio(name, role, place, turn=(0, 0, 0), parent=None):
    made = bpy.data.objects.new(name, None)
    bpy.context.scene.collection.objects.link(made)
    made.location, made.rotation_euler, made.parent = place, turn, parent
    made.rf3d.role = role
    return made


def register_twice():
    """On and off and on again; what was set survives saving and loading, and comes with an appended object."""
    install()
    for _ in range(2):
        bpy.ops.preferences.addon_enable(module=NAME)
        assert hasattr(bpy.types.Object, "rf3d")
        bpy.ops.preferences.addon_disable(module=NAME)
        assert not hasattr(bpy.types.Object, "rf3d")
        assert not hasattr(bpy.types, "RF3D_PT_work")
    enable()
    sender = radio("mast", "TRANSMITTER", (0, 0, 2))
    other = radio("second mast", "TRANSMITTER", (1, 0, 2))
    sender.rf3d.radio_name = other.rf3d.radio_name = "hopper"
    sender.rf3d.first_channel_mhz = 868.3
    assert abs(other.rf3d.first_channel_mhz - 868.3) < 1e-4, "radios of one name share their numbers"
    other.rf3d.radio_name = "its own"
    other.rf3d.first_channel_mhz = 915.0
    assert abs(sender.rf3d.first_channel_mhz - 868.3) < 1e-4
    other.rf3d.radio_name = "hopper"
    assert abs(other.rf3d.first_channel_mhz - 868.3) < 1e-4, "who takes a name takes its numbers"
    wall = bpy.data.objects["Cube"]
    wall.rf3d_surface.material, wall.rf3d_surface.thickness_mm = "brick", 120.0
    path = str(FOLDER / "kept.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.read_homefile(use_factory_startup=False)
    bpy.ops.wm.open_mainfile(filepath=path)
    assert bpy.data.objects["mast"].rf3d.role == "TRANSMITTER"
    assert bpy.data.objects["Cube"].rf3d_surface.material == "brick"
    bpy.ops.wm.read_homefile(use_factory_startup=False)
    bpy.ops.wm.append(directory=f"{path}/Object/", filename="mast")
    assert abs(bpy.data.objects["mast"].rf3d.first_channel_mhz - 868.3) < 1e-4
    bpy.ops.preferences.addon_disable(module=NAME)


def transforms():
    """Writes scene.toml and scene.glb, and places.json: every world corner in double precision, by hand.

    Numbers of the transforms are such that 32 bits hold them; the rotations are the one thing Blender rounds. Then it
    presses the button, and marks.json has what that placed at the receivers.
    """
    state = enable()
    empty()
    scene = bpy.context.scene
    scene.unit_settings.scale_length = 0.5
    truth = {}

    def matrix(place, turn_z_deg, scale):
        c, s = math.cos(math.radians(turn_z_deg)), math.sin(math.radians(turn_z_deg))
        return [[c * scale[0], -s * scale[1], 0, place[0]], [s * scale[0], c * scale[1], 0, place[1]],
                [0, 0, scale[2], place[2]]]  # fmt: skip

    def times(m, p):
        return [sum(row[k] * p[k] for k in range(3)) + row[3] for row in m]

    def holder(name, place, turn_deg, scale):
        made = bpy.data.objects.new(name, None)
        scene.collection.objects.link(made)
        made.location, made.rotation_euler, made.scale = place, (0, 0, math.radians(turn_deg)), scale
        return made, matrix(place, turn_deg, scale)

    def corners(obj, *chain):
        found = []
        for vertex in obj.data.vertices:
            point = list(vertex.co)
            for step in reversed(chain):
                point = times(step, point)
            found.append([0.5 * value for value in point])
        return found

    floor = box("floor", (-20, -20, -1), (20, 20, 0))
    truth["floor"] = corners(floor)
    turned, m1 = holder("turned", (1, 2, 0), 30.0, (1.5, 1.5, 1.5))
    truth["block"] = corners(box("block", (-2, -0.25, 0), (2, 0.25, 3), parent=turned), m1)
    mirrored, m2 = holder("mirrored", (-6, 4, 0), -20.0, (-1, 1, 1))
    truth["post"] = corners(box("post", (-0.25, -0.5, 0), (0.75, 0.5, 4), parent=mirrored), m2)
    uneven, m3 = holder("uneven", (5, -6, 0), 45.0, (2, 0.5, 1))
    inner = box("sheared", (-1, -1, 0), (1, 1, 2), parent=uneven)
    inner.rotation_euler = (0, 0, math.radians(30.0))
    truth["sheared"] = corners(inner, m3, matrix((0, 0, 0), 30.0, (1, 1, 1)))
    # A collection placed twice, and a modifier.
    stock = bpy.data.collections.new("stock")
    crate = box("crate", (-0.5, -0.5, 0), (0.5, 0.5, 1))
    scene.collection.objects.unlink(crate)
    stock.objects.link(crate)
    for number, (place, turn, scale) in enumerate((((6, 6, 0), 15.0, (1, 1, 2)), ((-7, -5, 0), 75.0, (-2, 1, 1)))):
        spot, m = holder(f"spot {number}", place, turn, scale)
        spot.instance_type, spot.instance_collection = "COLLECTION", stock
        truth[f"crate @{number + 1}"] = corners(crate, m)
    row = box("row", (-8, 7, 0), (-7, 7.5, 1))
    modifier = row.modifiers.new("array", "ARRAY")
    modifier.use_relative_offset, modifier.use_constant_offset = False, True
    modifier.count, modifier.constant_offset_displace = 3, (2, 0, 0)
    truth["row"] = [[x + step, y, z] for step in (0, 1, 2) for x, y, z in corners(row)]
    # What must not be there.
    for name, how in (("hidden", "eye"), ("off", "viewport"), ("excluded", "layer"), ("left out", "role")):
        unwanted = box(name, (0, 0, 5), (1, 1, 6))
        if how == "viewport":
            unwanted.hide_viewport = True
        elif how == "eye":
            unwanted.hide_set(True)
        elif how == "role":
            unwanted.rf3d.role = "LEFT_OUT"
        else:
            apart = bpy.data.collections.new("apart")
            scene.collection.children.link(apart)
            scene.collection.objects.unlink(unwanted)
            apart.objects.link(unwanted)
            bpy.context.view_layer.layer_collection.children["apart"].exclude = True
    for name in ("floor", "block", "post", "sheared", "row", "crate"):
        surface = bpy.data.objects[name].rf3d_surface
        surface.material, surface.own = ("own stone", True) if name != "post" else ("metal", False)
        surface.permittivity, surface.conductivity_s_m, surface.scattering = 5.25, 0.0625, 0.0
    sender = radio("sender", "TRANSMITTER", (-9, -8, 6), (0, math.radians(10), math.radians(40)))
    sender.rf3d.antenna_name, sender.rf3d.pattern, sender.rf3d.gain_dbi = "panel", "panel", 9.0
    sender.rf3d.power_dbm = 18.3
    carried = radio("carried", "RECEIVER", (3, 1, 2), parent=mirrored)
    carried.rf3d.antenna_name, carried.rf3d.pattern = "whip", "dipole"
    radio("far", "RECEIVER", (8, 9, 3)).rf3d.antenna_name = "whip"
    truth["carried"] = [[0.5 * v for v in times(m2, (3, 1, 2))]]
    bpy.context.view_layer.update()
    assert bpy.ops.rf3d.export_plan(filepath=str(FOLDER / "scene.toml")) == {"FINISHED"}
    # The same corners by the matrices that Blender itself holds, in 32 bits.
    held, seen = {}, {}
    for item in bpy.context.evaluated_depsgraph_get().object_instances:
        name = item.object.name
        if name in bpy.data.objects and bpy.data.objects[name].type == "MESH" and name not in ("left out",):
            if item.is_instance:
                seen[name] = seen.get(name, 0) + 1
                name = f"{name} @{seen[name]}"
            mesh, rows = item.object.to_mesh(), [list(row) for row in item.matrix_world]
            held[name] = [[0.5 * value for value in times(rows[:3], list(v.co))] for v in mesh.vertices]
            item.object.to_mesh_clear()
    (FOLDER / "places.json").write_text(json.dumps({"by hand": truth, "as held": held}))
    assert bpy.ops.rf3d.work(what="links") == {"FINISHED"}, state.error
    marks = {
        o["receiver"]: {key: value for key, value in o.items() if isinstance(value, float)}
        for o in bpy.data.objects if o.get("shows") == "receiver"
    }  # fmt: skip
    (FOLDER / "marks.json").write_text(json.dumps(marks))


def whole_run():
    """The playhouse: brought in, written out, checked, linked, run again, saved and loaded; steps are short."""
    state = enable()
    empty()
    plan, steps = REST[0], {}

    def do(step, operator, **arguments):
        assert operator(**arguments) == {"FINISHED"}, state.error
        steps[step] = state.longest_step_s

    do("import", bpy.ops.rf3d.import_plan, filepath=plan)
    do("export", bpy.ops.rf3d.export_plan, filepath=str(FOLDER / "again.toml"))
    do("check", bpy.ops.rf3d.work, what="check")
    bpy.context.scene.rf3d.rays = 20000
    bpy.context.scene.rf3d.max_reflections = 1
    before = counts()
    do("links", bpy.ops.rf3d.work, what="links")
    scene = bpy.context.scene
    told = [(f.code, f.where, f.message) for f in scene.rf3d.findings]
    do("volume", bpy.ops.rf3d.work, what="volume")
    first = counts()
    findings = [(f.code, f.where) for f in scene.rf3d.findings]
    assert findings[: len(told)] == [finding[:2] for finding in told]
    of_zones = [f.where for f in scene.rf3d.findings if f.work == "volume"]
    assert len(of_zones) == len(findings) - len(told) > 0, "the volume tells what it found of the zones"
    scene.rf3d.volume_of = "ACTIVE"
    bpy.context.view_layer.objects.active = bpy.data.objects["booth"]
    do("volume of one", bpy.ops.rf3d.work, what="volume")
    assert {o["transmitter"] for o in scene.objects if o.get("shows") in ("slice", "skin")} == {"booth"}
    scene.rf3d.volume_of = "ALL"
    do("links again", bpy.ops.rf3d.work, what="links")
    do("volume again", bpy.ops.rf3d.work, what="volume")
    assert counts() == first, (counts(), first)
    assert [(f.code, f.where) for f in bpy.context.scene.rf3d.findings] == findings
    results = next(c for c in bpy.data.collections if "rf3d_results" in c)
    shows = {}
    for obj in results.objects:
        shows.setdefault(obj["shows"], []).append(obj)
    outside = [o.name for o in bpy.data.objects if "rf3d_result" in o and list(o.users_collection) != [results]]
    assert not outside
    slice_ = next(o for o in shows["slice"] if not o.hide_viewport)
    attributes = slice_.data.color_attributes["power colour"].data
    power = slice_.data.attributes["power_dbm"].data
    report = {
        "before": before, "after": first, "steps_s": steps, "shows": {k: len(v) for k, v in shows.items()},
        "marks": {o["receiver"]: [o["verdict"], o.name, list(o.location)] for o in shows["receiver"]},
        "radii": {o.name: sorted({round(s.points[0].radius, 6) for s in o.data.splines}) for o in shows["path"]},
        "slice": [len(attributes), len(power), len(slice_.data.vertices), slice_.dimensions[:]],
        "bands": list(slice_["bands_dbm"]), "slots": [m.name for m in slice_.data.materials],
        "legend": [o.data.body for o in shows["slice legend"] if o.type == "FONT" and not o.hide_viewport],
        "findings": told, "summary": scene.rf3d.summary.split("\n"),
        "margins": {o["receiver"]: o["margins"] for o in shows["receiver"]},
        "mean_power_dbm": {o["receiver"]: o["mean_power_dbm"] for o in shows["receiver"]},
    }  # fmt: skip
    # A click on a finding selects what it is about and shows its paths.
    index = next(i for i, f in enumerate(bpy.context.scene.rf3d.findings) if f.where == "bench lamp")
    bpy.ops.rf3d.show_finding(index=index)
    assert [o.name for o in bpy.context.selected_objects] == ["bench lamp"]
    shown = [o for o in shows["path"] if not o.hide_viewport]
    assert [o["receiver"] for o in shown] == ["bench lamp"]
    assert {o["receiver"] for o in shows["culprit"] if not o.hide_viewport} <= {"bench lamp"}
    # A moved radio alone is computed anew; the others stay.
    others = {o.name for o in shows["receiver"] if o["receiver"] != "bench lamp"}
    bpy.data.objects["bench lamp"].location.x += 0.5
    bpy.context.view_layer.update()
    import rf3d_blender.operators as operators

    operators.recompute(bpy.context, ["bench lamp"])
    assert state.error is None, state.error
    marks = {o.name: o for o in results.objects if o["shows"] == "receiver"}
    assert others <= set(marks)
    assert "press Links" in scene.rf3d.summary
    now = [(f.code, f.where) for f in scene.rf3d.findings]
    assert [f for f in now if f[1] != "bench lamp"] == [f for f in findings if f[1] != "bench lamp"]
    assert any(where == "bench lamp" for _, where in now)
    moved = [o for o in marks.values() if o["receiver"] == "bench lamp"]
    assert len(moved) == 1
    assert abs(moved[0].location.x - 1.7) < 1e-5
    path = str(FOLDER / "whole.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    saved, held = sorted(o.name for o in bpy.data.objects), len(results.objects)
    told = len(bpy.context.scene.rf3d.findings)
    assert told >= len(shows["receiver"])
    bpy.ops.wm.open_mainfile(filepath=path)
    assert sorted(o.name for o in bpy.data.objects) == saved
    again = next(c for c in bpy.data.collections if "rf3d_results" in c)
    assert len(again.objects) == held
    assert len(bpy.context.scene.rf3d.findings) == told
    # Saved while a volume arrives: the file opens without it, and the volume of before shows.
    one = next(o for o in again.objects if o["shows"] == "slice")
    arriving = one.copy()
    again.objects.link(arriving)
    arriving["rf3d_result"] = "arriving"
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.open_mainfile(filepath=path)
    again = next(c for c in bpy.data.collections if "rf3d_results" in c)
    assert {o["rf3d_result"] for o in again.objects} == {"links", "volume"}
    assert len(again.objects) == held
    assert any(not o.hide_viewport for o in again.objects if o["shows"] == "slice")
    bpy.ops.rf3d.clear()
    assert not again.objects
    (FOLDER / "report.json").write_text(json.dumps(report))


def troubles():
    """Every way it can go wrong has its message, and the scene is untouched."""
    state = enable()
    said = {}

    def refused(name, operator, **arguments):
        before = counts()
        with contextlib.suppress(RuntimeError):
            operator(**arguments)
        assert state.error is not None, name
        assert counts() == before, name
        said[name] = state.error

    preferences = bpy.context.preferences.addons[NAME].preferences
    refused("no transmitter", bpy.ops.rf3d.work, what="links")
    sender = radio("sender", "TRANSMITTER", (3, 0, 2))
    radio("listener", "RECEIVER", (-3, 0, 2))
    refused("no material", bpy.ops.rf3d.work, what="links")
    assert [o.name for o in bpy.context.selected_objects] == ["Cube"]
    cube = bpy.data.objects["Cube"]
    cube.rf3d_surface.material, cube.rf3d_surface.body = "wood", "sheet"
    refused("no thickness", bpy.ops.rf3d.work, what="links")
    assert [o.name for o in bpy.context.selected_objects] == ["Cube"]
    cube.rf3d_surface.thickness_mm = 20
    cube.rf3d_surface.material = "wod"
    refused("mistyped", bpy.ops.rf3d.work, what="check")
    cube.rf3d_surface.material = "wood"
    sender.rf3d.channel_spacing_mhz = 7.0
    refused("channels", bpy.ops.rf3d.work, what="check")
    sender.rf3d.channel_spacing_mhz = 1.0
    other = radio("other", "OCCUPIED", (0, 3, 2))
    refused("interference", bpy.ops.rf3d.work, what="check")
    assert {o.name for o in bpy.context.selected_objects} == {"sender", "listener", "other"}
    bpy.data.objects.remove(other)
    sender.scale = (0, 0, 0)
    bpy.context.view_layer.update()
    refused("flat", bpy.ops.rf3d.work, what="check")
    assert [o.name for o in bpy.context.selected_objects] == ["sender"]
    sender.scale = (1, 1, 1)
    refused("no plan", bpy.ops.rf3d.import_plan, filepath=str(FOLDER / "nowhere.toml"))
    for name in ("without", "old", "too old", "crash", "silent", "missing"):
        preferences.python = str(FOLDER / f"python {name}")
        import rf3d_blender.vocabulary as vocabulary

        if name in ("crash", "silent"):
            vocabulary.learn({"rf3d": "0.1.0", "materials": [{"name": "wood", "title": "", "thickness_m": None}]})
        else:
            vocabulary.learn({"rf3d": "", "materials": [], "tables": {}})
        refused(name, bpy.ops.rf3d.work, what="check")
    preferences.python = PYTHON
    assert bpy.ops.rf3d.work(what="check") == {"FINISHED"}
    assert state.error is None
    assert "0.1" in vocabulary.known["rf3d"]
    # Stopped midway: the child is gone, the scene as it was.
    import rf3d_blender.operators as operators
    import rf3d_blender.work as work

    vocabulary.learn({"materials": [{"name": "wood", "title": "", "thickness_m": None}]})
    before, steps = counts(), operators.work_steps(bpy.context, "links")
    work._current, work._cancelled = steps, False
    while work._child is None:
        work._advance()
    process = work._child.process
    work.cancel()
    began = time.monotonic()
    while work.busy():
        work._advance()
        time.sleep(0.01)
    assert process.poll() is not None
    assert time.monotonic() - began < 5
    assert counts() == before
    said["cancelled"] = state.error
    # Switched off at work: the child does not outlive it.
    work._current, work._cancelled = operators.work_steps(bpy.context, "links"), False
    while work._child is None:
        work._advance()
    process = work._child.process
    bpy.ops.preferences.addon_disable(module=NAME)
    assert process.poll() is not None
    assert not list(Path(bpy.app.tempdir).glob("rf3d_*"))
    (FOLDER / "said.json").write_text(json.dumps(said))


def rows():
    """The rows of every table that objects have, as they would be written now."""
    import rf3d_blender.places as places
    import rf3d_blender.rows as rows_

    bpy.context.view_layer.update()
    found, owners = places.rows_of(bpy.context.scene)
    assert [len(found[table]) for table in found] == [len(owners[table]) for table in found]
    for table in ("transmitter", "receiver"):
        found[table] = [rows_.placed_row(o, table, 1.0) for o in bpy.context.scene.objects
                        if o.rf3d.role == table.upper()]  # fmt: skip
    return found


def trouble_of(call):
    """What is said of something that cannot be."""
    from rf3d_blender.trouble import Trouble

    try:
        call()
    except Trouble as trouble:
        return trouble
    raise AssertionError("it was taken")


def places():
    """Zones, hangs and occupied sources follow their objects; every form has the keys of its own, and no other."""
    enable()
    import rf3d_blender.places as places

    empty()
    scene = bpy.context.scene
    zone = radio("stage", "ZONE", (2, 3, 1))
    zone.scale, zone.empty_display_size = (8, 4, 2), 0.5
    assert zone.empty_display_type == "CUBE"
    shell = box("shell", (0, 0, 0), (1, 2, 3))
    shell.rf3d.role = "ZONE"
    import rf3d_blender.venue as venue

    assert not venue.is_surface(shell), "a zone drawn as a mesh is no wall"
    assert rows()["zone"] == [
        {"name": "stage", "low_m": [-2.0, 1.0, 0.0], "high_m": [6.0, 5.0, 2.0]},
        {"name": "shell", "low_m": [0.0, 0.0, 0.0], "high_m": [1.0, 2.0, 3.0]},
    ]
    # A hang: an arrow, turned and scaled by itself and by its parent; two vertices; nothing else.
    scene.cursor.location = (0, 5, 8)
    assert bpy.ops.rf3d.add(role="HANG") == {"FINISHED"}
    hang = bpy.context.view_layer.objects.active
    assert hang.empty_display_type == "SINGLE_ARROW"
    hang.name, hang.rf3d.hang_kind = "bar 3", "truss"
    cart = bpy.data.objects.new("cart", None)
    scene.collection.objects.link(cart)
    cart.location, cart.scale = (0, 0, 1), (2, 2, 1)
    line = bpy.data.meshes.new("line")
    line.from_pydata([(0, 0, 0), (0, 0, 2)], [(0, 1)], [])
    edge = bpy.data.objects.new("boom", line)
    scene.collection.objects.link(edge)
    edge.location, edge.parent, edge.rf3d.role, edge.rf3d.hang_kind = (1, 1, 0), cart, "HANG", "boom"
    second, first = sorted(rows()["hang"], key=lambda row: row["name"] == "bar 3")
    assert {**first, "to_m": [round(v, 5) for v in first["to_m"]]} == {
        "name": "bar 3", "kind": "truss", "from_m": [0.0, 5.0, 8.0], "to_m": [4.0, 5.0, 8.0]}, first  # fmt: skip
    assert second == {"name": "boom", "kind": "boom", "from_m": [2.0, 2.0, 1.0], "to_m": [2.0, 2.0, 3.0]}, second
    shell.rf3d.role = "HANG"
    trouble = trouble_of(lambda: places.row_of(shell, "hang", 1.0))
    assert "no straight line" in trouble.message
    assert trouble.objects == [shell]
    shell.rf3d.role = "LEFT_OUT"
    # Each form of occupied air.
    other = radio("other", "OCCUPIED", (1, 2, 3))
    r = other.rf3d
    r.power_dbm, r.low_mhz, r.high_mhz, r.duty, r.count = 23.0, 2452.0, 2472.0, 0.15, 450
    r.noise_rise_db, r.within_m, r.level_dbm = 7.5, 4.0, -71.0
    band = {"low_hz": 2452e6, "high_hz": 2472e6, "duty": 0.15}
    place, noise = {"position_m": [1.0, 2.0, 3.0]}, {"noise_rise_db": 7.5, "within_m": 4.0}
    about = {"low_m": [0.85, 1.85, 2.85], "high_m": [1.15, 2.15, 3.15]}
    for form, wanted in {
        "TRANSMITTER": {**place, "power_dbm": 23.0, **band},
        "CROWD": {**about, "count": 450, "power_dbm": 23.0, **band},
        "NOISE_BOX": {**about, **noise}, "NOISE": {**place, **noise}, "LEVEL": {"level_dbm": -71.0, **band},
    }.items():  # fmt: skip
        other.empty_display_size, r.form = 0.15, form
        assert rows()["occupied"] == [{"name": "other", **wanted}], rows()["occupied"]
        assert other.empty_display_type == ("CUBE" if form in ("CROWD", "NOISE_BOX") else "SPHERE")
    # What a transmitter and a receiver say beyond their place, antenna and radio: all of it, and nothing unsaid.
    sender, listener = radio("sender", "TRANSMITTER", (0, 0, 5)), radio("listener", "RECEIVER", (1, 0, 1))
    usual = {"antenna": "example", "radio": "example", "upright": True}
    sent = {"name": "sender", "position_m": [0.0, 0.0, 5.0], **usual, "power_dbm": 10.0, "cable_loss_db": 0.0}
    heard = {"name": "listener", "position_m": [1.0, 0.0, 1.0], **usual}
    assert rows()["transmitter"] == [sent], rows()["transmitter"]
    assert rows()["receiver"] == [heard], rows()["receiver"]
    load = {"universes": 3, "slots": 96, "frames_s": 30.5}
    role = {"connectors": 2, "cable_loss_db": 1.5, "purpose": "a lamp", "worn": True, "inside": "metal lantern",
            "on_loss": "fade", "importance": 4, "answers": True, "answer_power_dbm": 7.5}  # fmt: skip
    for settings, values in ((sender.rf3d, {**load, "carries": True, "connectors": 1}), (listener.rf3d, role)):
        for key, value in values.items():
            setattr(settings, key, value)
    assert rows()["transmitter"] == [{**sent, **load, "connectors": 1}], rows()["transmitter"]
    assert rows()["receiver"] == [{**heard, **role}], rows()["receiver"]
    # Radios and antennas: only what is told of them; a generic radio by its name alone.
    import rf3d_blender.keys as keys
    import rf3d_blender.rows as rows_
    import rf3d_blender.vocabulary as vocabulary

    radios = [sender, listener]
    assert set(rows_.shared_tables(radios, {}, None)["radio"]["example"]) == set(map(keys.key_of, keys.CHANNELS))
    listener.rf3d.sheet = {"repeats", "data_rate_kbit_s"}
    sender.rf3d.repeats, sender.rf3d.data_rate_kbit_s = 3, 12.5
    table = rows_.shared_tables(radios, {"radio": {"spare": {"a": 1}}}, None)["radio"]
    assert (table["example"]["repeats"], table["example"]["data_rate_bit_s"]) == (3, 12500.0), table
    assert "packets_s" not in table["example"]
    assert table["spare"] == {"a": 1}, "a radio that nobody names is written back"
    generic = {"name": "generic", "source": "", "first_channel_hz": 915e6, "last_channel_hz": 915e6,
               "channel_spacing_hz": 1e6, "bandwidth_hz": 25e4, "sensitivity_dbm": -98.0,
               "noise_figure_db": 9.0, "repeats": None}  # fmt: skip
    vocabulary.learn({"radios": [generic]})
    for obj in radios:
        obj.rf3d.radio_name = "generic"
    assert not sender.rf3d.own_radio
    assert abs(listener.rf3d.first_channel_mhz - 915) < 1e-3
    assert listener.rf3d.sheet == {"noise_figure_db"}
    assert rows_.shared_tables(radios, {}, None)["radio"] == {}
    listener.rf3d.own_radio, sender.rf3d.sensitivity_dbm = True, -91.5
    assert rows_.shared_tables(radios, {}, None)["radio"]["generic"]["sensitivity_dbm"] == -91.5
    listener.rf3d.pattern, listener.rf3d.antenna_file = "file", str(FOLDER / "horn.txt")
    sender.rf3d.stated = {"polarisation", "size_m"}
    sender.rf3d.size_m, sender.rf3d.polarisation = 0.25, "horizontal"
    assert rows_.shared_tables(radios, {}, FOLDER / "plans")["antenna"] == {
        "example": {"pattern": "../horn.txt", "polarisation": "horizontal", "size_m": 0.25}}  # fmt: skip
    # Two of one name are refused, with both selected.
    import rf3d_blender.plans as plans

    edge.rf3d.plan_name = "stage"
    assert set(trouble_of(lambda: plans._check_names(scene)).objects) == {zone, edge}
    edge.rf3d.plan_name = ""
    empty()
    # An antenna's axes follow the object, whatever its scale.
    import rf3d_blender.overlay as overlay

    sender = radio("turned", "TRANSMITTER", (1, 2, 3), (0.3, -0.4, 0.5))
    sender.scale = (3, 2, -1)
    bpy.context.view_layer.update()
    matrix = overlay.lobe_matrix(sender, 2.0)
    wanted = Euler((0.3, -0.4, 0.5)).to_matrix()
    for column, sign in ((0, 1), (2, -1)):
        assert (matrix.col[column].to_3d() - 2 * sign * Matrix(wanted).col[column]).length < 1e-5


def round_trip():
    """A plan of every table, in and out again, in metres and in centimetres to the unit; then in once more."""
    state = enable()
    for name, scale_m in (("metres", 1.0), ("centimetres", 0.01)):
        empty()
        scene = bpy.context.scene
        scene.unit_settings.scale_length = scale_m
        for told in (True, False):
            # The second time it lands on the objects that are there.
            assert bpy.ops.rf3d.import_plan(filepath=REST[0], with_venue=told) == {"FINISHED"}, state.error
            count = len(bpy.data.objects)
            target = FOLDER / f"{name}{'' if told else ' again'}.toml"
            assert bpy.ops.rf3d.export_plan(filepath=str(target)) == {"FINISHED"}, state.error
        assert len(bpy.data.objects) == count
        # A new receiver of an imported radio and antenna takes their numbers, all of them.
        assert bpy.ops.rf3d.add(role="RECEIVER") == {"FINISHED"}
        assert bpy.ops.rf3d.work(what="check") == {"FINISHED"}, state.error


{
    "register_twice": register_twice, "round_trip": round_trip, "transforms": transforms, "whole_run": whole_run,
    "troubles": troubles, "places": places,
}[CASE]()  # fmt: skip
