"""Runs with Blender 4.2 as a module, started by test_blender_addon.py: installs the extension and runs a check.

Usage: python blender_extension.py ZIP PYTHON FOLDER PLAN
"""

import sys
from pathlib import Path

import bpy

ZIP, PYTHON, FOLDER, PLAN = sys.argv[1:]
MODULE = "bl_ext.user_default.rf3d"

assert bpy.ops.extensions.package_install_files(filepath=ZIP, repo="user_default", enable_on_install=True) == {
    "FINISHED"
}
assert MODULE in bpy.context.preferences.addons
bpy.context.preferences.addons[MODULE].preferences.python = PYTHON
for item in list(bpy.data.objects):
    bpy.data.objects.remove(item)
bpy.ops.mesh.primitive_cube_add(size=8, location=(0, 0, 4))
room = bpy.context.object
room.rf3d_surface.material, room.rf3d_surface.thickness_mm = "brick", 200.0
for role, x in (("TRANSMITTER", -2.0), ("RECEIVER", 2.0)):
    bpy.context.scene.cursor.location = (x, 0.5, 1.5)
    assert bpy.ops.rf3d.add(role=role) == {"FINISHED"}
    added = bpy.context.view_layer.objects.active
    assert added.rf3d.role == role
    assert [o.name for o in bpy.context.selected_objects] == [added.name]
bpy.context.scene.rf3d.rays = 1000
bpy.context.scene.rf3d.voxel_m = 1.0
bpy.context.view_layer.update()
for what in ("check", "links", "volume"):
    assert bpy.ops.rf3d.work(what=what) == {"FINISHED"}, what
shown = {o["shows"] for o in bpy.data.objects if "rf3d_result" in o}
assert {"receiver", "path", "slice", "skin"} <= shown, shown
bpy.ops.wm.save_as_mainfile(filepath=str(Path(FOLDER) / "room.blend"))
# A venue of the demo: brought in, judged twice, whole and early, and written out.
for item in list(bpy.data.objects):
    bpy.data.objects.remove(item)
bpy.ops.rf3d.clear()
assert bpy.ops.rf3d.import_plan(filepath=PLAN) == {"FINISHED"}
scene = bpy.context.scene
scene.rf3d.rays, scene.rf3d.max_reflections = 20000, 1
for what in ("links", "volume", "volume"):
    assert bpy.ops.rf3d.work(what=what) == {"FINISHED"}, what
    if what == "volume":
        slices = [o for o in bpy.data.objects if o.get("shows") == "slice"]
        assert {o["rf3d_result"] for o in slices} == {"volume"}
        assert {o["voxel_m"] for o in slices} == {scene.rf3d.voxel_m}
        assert len({o.name for o in slices if o.name == o["called"]}) == len(slices) > 2, "run again, it replaces"
        assert any(o.visible_get() for o in slices)
        assert all(len(o.data.color_attributes["power colour"].data) == len(o.data.vertices) for o in slices)
marks = {o["receiver"]: o["verdict"] for o in bpy.data.objects if o.get("shows") == "receiver"}
receivers = {o.rf3d.plan_name or o.name for o in bpy.data.objects if o.rf3d.role == "RECEIVER"}
assert set(marks) == receivers
assert len(scene.rf3d.findings) > 0
assert bpy.ops.rf3d.export_plan(filepath=str(Path(FOLDER) / "again.toml")) == {"FINISHED"}
bpy.ops.preferences.addon_disable(module=MODULE)
assert not hasattr(bpy.types.Object, "rf3d")
print("extension works")
