"""Runs inside Blender with a window, started by test_blender_addon.py: presses buttons, cancels, measures, looks.

Usage: blender --factory-startup --enable-event-simulate -P blender_window.py -- ZIP PYTHON FOLDER PLAN [RAYS]
"""

import itertools
import json
import resource
import sys
import time
import traceback
from pathlib import Path

import bpy
from mathutils import Euler, Vector

ZIP, PYTHON, FOLDER, PLAN, *MORE = sys.argv[sys.argv.index("--") + 1 :]
RAYS = int(MORE[0]) if MORE else 20000
FOLDER = Path(FOLDER)
NAME = "rf3d_blender"
PATIENCE_S = 600
report = {}
beats = []


def window():
    return bpy.context.window_manager.windows[0]


def view():
    return next(area for area in window().screen.areas if area.type == "VIEW_3D")


def sidebar():
    return next(region for region in view().regions if region.type == "UI")


def click(x, y):
    for kind, value in (("MOUSEMOVE", "NOTHING"), ("LEFTMOUSE", "PRESS"), ("LEFTMOUSE", "RELEASE")):
        window().event_simulate(type=kind, value=value, x=int(x), y=int(y))


def picture(name):
    with bpy.context.temp_override(window=window()):
        bpy.ops.screen.screenshot(filepath=str(FOLDER / f"{name}.png"))


def look(place, turn, distance):
    space = view().spaces.active
    space.region_3d.view_perspective = "PERSP"
    space.region_3d.view_rotation = Euler(turn).to_quaternion()
    space.region_3d.view_location, space.region_3d.view_distance = Vector(place), distance


def nap():
    """Blender rests 5 ms when nothing happens, but not while events are simulated: it would take a core from rf3d."""
    time.sleep(0.005)
    return 0.0


def beat():
    """A pulse every hundredth of a second: the gaps are what a person would feel."""
    beats.append(time.perf_counter())
    return 0.01


def idle(work):
    """Wait until the work is done."""
    began = time.monotonic()
    while work.busy():
        assert time.monotonic() - began < PATIENCE_S, work.state.stage
        yield 0.05


def watched_work(work, until=None):
    """Follow the work to its end, or until that many metres wide voxels show.

    Gives rows of seconds, Blender's processor seconds, stage or what shows.
    """
    rows, began, used, last = [], time.monotonic(), processor_s(), set()
    while True:
        now = {work.state.stage.partition(",")[0] if work.busy() else "done"}
        now |= {f"voxels of {voxel_m:g} m show" for voxel_m in shown_voxels_m()}
        rows += [[round(time.monotonic() - began, 2), round(processor_s() - used, 2), news] for news in now - last]
        last = now
        if not work.busy() or until in shown_voxels_m():
            return rows
        assert time.monotonic() - began < PATIENCE_S, work.state.stage
        yield 0.1


def shown_voxels_m():
    """Width of the voxels of the slices that show."""
    return {o["voxel_m"] for o in bpy.data.objects if o.get("shows") == "slice" and o.visible_get()}


def stopped_early(work):
    """Stopped once something shows early, the volume of before is there again; kept, the early one stays."""
    scene = bpy.context.scene
    kept, names = scene.rf3d.voxel_m, sorted(o.name for o in bpy.data.objects)
    (voxel_m,) = shown_voxels_m()
    for operator in (bpy.ops.rf3d.cancel, bpy.ops.rf3d.keep):
        with bpy.context.temp_override(window=window()):
            bpy.ops.rf3d.work(what="volume")
        yield from watched_work(work, until=2 * voxel_m)
        yield 0.3
        picture("early")
        assert shown_voxels_m() == {2 * voxel_m}, shown_voxels_m()
        with bpy.context.temp_override(window=window()):
            assert operator() == {"FINISHED"}
        yield from idle(work)
        if operator is bpy.ops.rf3d.cancel:
            assert "Stopped" in work.state.error[0]
            assert shown_voxels_m() == {voxel_m}
            assert sorted(o.name for o in bpy.data.objects) == names
    assert work.state.error is None, work.state.error
    assert "kept" in work.state.note
    assert shown_voxels_m() == {2 * voxel_m}
    assert not [o for o in bpy.data.objects if o.get("rf3d_result") == "arriving"]
    assert scene.rf3d.voxel_m == kept


def processor_s(who=resource.RUSAGE_SELF):
    """Processor seconds of Blender so far, or of the children that have ended."""
    used = resource.getrusage(who)
    return used.ru_utime + used.ru_stime


def pressed(work, share, what):
    """Click into the row of buttons, ``share`` of its width from the left, until something is at work."""
    region = sidebar()
    for down in (46, 52, 40, 58, 64):
        click(region.x + share * (region.width - 25), region.y + region.height - down)
        yield 0.3
        if work.busy() or work.state.name == what:
            return
    raise AssertionError(f"no button {what} in the sidebar")


def story():
    """What happens, in order; yields seconds to wait."""
    bpy.ops.preferences.addon_install(filepath=ZIP, overwrite=True)
    bpy.ops.preferences.addon_enable(module=NAME)
    bpy.context.preferences.addons[NAME].preferences.python = PYTHON
    bpy.context.preferences.view.show_splash = False
    import rf3d_blender.panels as panels
    import rf3d_blender.work as work

    for name in ("Cube", "Light", "Camera"):
        bpy.data.objects.remove(bpy.data.objects[name])
    with bpy.context.temp_override(window=window()):
        bpy.ops.rf3d.import_plan(filepath=PLAN)
    assert work.busy(), "with a window the work goes on by itself"
    yield from idle(work)
    assert work.state.error is None, work.state.error
    report["import"] = work.state.longest_step_s
    bpy.context.scene.rf3d.rays = RAYS
    bpy.context.scene.rf3d.max_reflections = 2 if not MORE else 3
    view().spaces.active.show_region_ui = True
    extent = max(max(o.dimensions) for o in bpy.data.objects)
    look((0, 0, 2), (0.95, 0, 0.6), 1.8 * extent)
    yield 0.5
    # The tab: clicked for, down the strip of tabs, until its panel is drawn.
    drawn, draw = [], panels.RF3D_PT_work.draw

    def watched(self, context):
        drawn.append(True)
        draw(self, context)

    panels.RF3D_PT_work.draw = watched
    for down in range(30, 400, 15):
        region = sidebar()
        click(region.x + region.width - 10, region.y + region.height - down)
        yield 0.25
        if drawn:
            break
    assert drawn, "the tab Radio is not in the sidebar"
    yield 0.5
    picture("panel")
    yield 0.3
    yield from pressed(work, 0.15, "check")
    yield from idle(work)
    assert work.state.error is None, work.state.error
    assert work.state.note.startswith("check: done")
    report["findings"] = len(bpy.context.scene.rf3d.findings)
    before = len(bpy.data.objects)
    # Links, stopped midway.
    yield from pressed(work, 0.5, "links")
    began = time.monotonic()
    while not (work.busy() and work._child is not None and work.state.share > 0):
        assert time.monotonic() - began < PATIENCE_S
        assert work.busy(), "over before it could be stopped"
        yield 0.02
    yield 0.3
    picture("progress")
    process = work._child.process if work._child is not None else None
    began = time.monotonic()
    with bpy.context.temp_override(window=window()):
        bpy.ops.rf3d.cancel()
    yield from idle(work)
    report["cancel_s"] = time.monotonic() - began
    assert process is None or process.poll() is not None
    assert work.state.error is not None
    assert "Stopped" in work.state.error[0]
    assert len(bpy.data.objects) == before
    yield 0.3
    picture("cancelled")
    # The volume, from the click to what can be seen.
    beats.clear()
    bpy.app.timers.register(beat)
    began, child_s = time.monotonic(), processor_s(resource.RUSAGE_CHILDREN)
    yield from pressed(work, 0.85, "volume")
    report["timeline"] = yield from watched_work(work)
    report["volume_s"] = time.monotonic() - began
    report["child_cpu_s"] = processor_s(resource.RUSAGE_CHILDREN) - child_s
    report["volume"], report["volume_tick_s"] = work.state.longest_step_s, work.state.longest_tick_s
    bpy.app.timers.unregister(beat)
    report["longest_gap_s"] = max(b - a for a, b in itertools.pairwise(beats))
    assert work.state.error is None, work.state.error
    assert any(o.get("shows") == "slice" and o.visible_get() for o in bpy.data.objects)
    look((0, 0, 1.5), (0.4, 0, 0.1), 1.7 * extent)
    with bpy.context.temp_override(window=window()):
        bpy.ops.rf3d.frame()
    yield 0.7
    picture("volume")
    yield from stopped_early(work)
    # Links to the end, and a click on a finding.
    began = time.monotonic()
    yield from pressed(work, 0.5, "links")
    yield from idle(work)
    report["links_s"], report["links"] = time.monotonic() - began, work.state.longest_step_s
    assert work.state.error is None, work.state.error
    bpy.context.scene.rf3d.show_slice = False
    where = next(o.name for o in bpy.data.objects if o.rf3d.role == "RECEIVER")
    index = next(i for i, f in enumerate(bpy.context.scene.rf3d.findings) if f.where == where)
    bpy.context.scene.rf3d.finding_index = index
    yield 0.3
    assert [o.name for o in bpy.context.view_layer.objects.selected] == [where]
    middle = view().spaces.active.region_3d.view_location
    assert (middle - bpy.data.objects[where].location).length < 0.1, "the view is framed on it"
    look(middle, (0.95, 0, 0.5), 1.2 * extent)
    yield 0.7
    picture("links")
    # Every kind of object, and every form of what is on the air, has its rows on the panel.
    with bpy.context.temp_override(window=window(), area=view()):
        bpy.ops.rf3d.add(role="OCCUPIED")
    roles = {o.rf3d.role: o for o in bpy.data.objects if o.rf3d.role != "NONE"}
    assert set(roles) == {"TRANSMITTER", "RECEIVER", "ZONE", "HANG", "OCCUPIED"}, set(roles)
    for form in ("CROWD", "NOISE", "NOISE_BOX", "LEVEL", "TRANSMITTER"):
        roles["OCCUPIED"].rf3d.form = form
        yield 0.3
    for role, obj in roles.items():
        bpy.context.view_layer.objects.active = obj
        yield 0.3
        picture(f"panel {role.lower()}")
    settings = roles["TRANSMITTER"].rf3d
    pattern = settings.pattern
    for shown in ("file", pattern):
        bpy.context.view_layer.objects.active, settings.pattern = roles["TRANSMITTER"], shown
        yield 0.3
    bpy.data.objects.remove(roles["OCCUPIED"])
    # A radio moved by hand: its links follow.
    scene = bpy.context.scene
    scene.rf3d.following = True
    lamp = bpy.data.objects[where]
    yield 0.7
    lamp.location.x += 1.0
    began = time.monotonic()
    while not work.busy():
        assert time.monotonic() - began < 20, "the move was not noticed"
        yield 0.05
    yield from idle(work)
    assert work.state.error is None, work.state.error
    mark = next(o for o in bpy.data.objects if o.get("shows") == "receiver" and o["receiver"] == where)
    assert abs(mark.location.x - lamp.location.x) < 1e-5
    report["follow_s"] = time.monotonic() - began
    # Undo takes back what was placed, and nothing breaks.
    with bpy.context.temp_override(window=window()):
        bpy.ops.ed.undo()
    yield 0.3
    # The child ends with the file.
    with bpy.context.temp_override(window=window()):
        bpy.ops.rf3d.work(what="links")
    while work._child is None:
        yield 0.02
    process = work._child.process
    report["closing"] = process.pid
    with bpy.context.temp_override(window=window()):
        bpy.ops.wm.read_homefile(use_factory_startup=False)
    yield 0.5
    assert process.poll() is not None
    assert not work.busy()
    report["done"] = True


steps = story()


def drive():
    """Take the story on; its end, good or bad, ends Blender."""
    try:
        return next(steps)
    except StopIteration:
        pass
    except BaseException:
        report["error"] = traceback.format_exc()
    (FOLDER / "report.json").write_text(json.dumps(report))
    bpy.ops.wm.quit_blender()
    return None


bpy.app.timers.register(nap, persistent=True)
bpy.app.timers.register(drive, first_interval=1.0, persistent=True)
