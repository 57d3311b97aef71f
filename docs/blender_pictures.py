"""The pictures of blender.md: its five steps, done in Blender with a window, and the demo playhouse.

Run by make_blender_pictures.sh. Nothing is retouched.
"""

import sys
import time
import traceback
from pathlib import Path

import bpy
from mathutils import Euler, Vector

ZIP, PYTHON, FOLDER, PLAN = sys.argv[sys.argv.index("--") + 1 :]
NAME = "rf3d_blender"


def window():
    return bpy.context.window_manager.windows[0]


def view():
    return next(area for area in window().screen.areas if area.type == "VIEW_3D")


def sidebar():
    return next(region for region in view().regions if region.type == "UI")


def look(place, turn, distance):
    space = view().spaces.active
    space.region_3d.view_perspective = "PERSP"
    space.region_3d.view_rotation = Euler(turn).to_quaternion()
    space.region_3d.view_location, space.region_3d.view_distance = Vector(place), distance


def frame():
    """Venue and legends in view, as the button does it."""
    with bpy.context.temp_override(window=window(), area=view()):
        bpy.ops.rf3d.frame()


def click(x, y, ctrl=False):
    for kind, value in (("MOUSEMOVE", "NOTHING"), ("LEFTMOUSE", "PRESS"), ("LEFTMOUSE", "RELEASE")):
        window().event_simulate(type=kind, value=value, x=int(x), y=int(y), ctrl=ctrl)


def open_tab():
    """Click down the strip of tabs until the one named Radio is drawn."""
    import rf3d_blender.panels as panels

    drawn, draw = [], panels.RF3D_PT_work.draw

    def watched(self, context):
        drawn.append(True)
        draw(self, context)

    panels.RF3D_PT_work.draw = watched
    for down in range(30, 400, 15):
        region = sidebar()
        click(region.x + region.width - 10, region.y + region.height - down)
        yield 0.3
        if drawn:
            break
    assert drawn
    window().event_simulate(type="MOUSEMOVE", value="NOTHING", x=300, y=300)
    yield 0.5


def show_panels(*wanted):
    """Close all panels but the first, by a click with Ctrl on it, and open others, the last first."""
    region = sidebar()
    x, top = region.x + 0.4 * region.width, region.y + region.height
    click(x, top - 13, ctrl=True)
    yield 1.0
    panels = ("Findings", "Results", "Radio", "Surface", "Plan")
    for number in sorted(map(panels.index, wanted), reverse=True):
        click(x, top - 133 - 28 * number)
        yield 1.0


def picture(name):
    window().event_simulate(type="MOUSEMOVE", value="NOTHING", x=300, y=300)
    yield 2.0
    with bpy.context.temp_override(window=window()):
        bpy.ops.screen.screenshot(filepath=f"{FOLDER}/{name}.png")


def do(operator, **arguments):
    """Press a button and wait for the work to end."""
    import rf3d_blender.work as work

    with bpy.context.temp_override(window=window(), area=view()):
        operator(**arguments)
    yield 0.1
    while work.busy():
        yield 0.1
    assert work.state.error is None, work.state.error


def sheet(name, corners):
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata(corners, [], [tuple(range(len(corners)))])
    made = bpy.data.objects.new(name, mesh)
    bpy.context.scene.collection.objects.link(made)
    return made


def choose(obj):
    """Make an object the active one, selected alone."""
    bpy.context.view_layer.objects.active = obj
    for other in bpy.context.scene.objects:
        other.select_set(other == obj)
    return [obj]


def new_scene():
    """A hall of 20 × 30 m with a stage and a balcony, as step 1 asks."""
    for item in list(bpy.data.objects):
        bpy.data.objects.remove(item)
    sheet("concrete floor", [(-10, -15, 0), (10, -15, 0), (10, 15, 0), (-10, 15, 0)])
    for name, a, b in (
        ("brick wall left", (-10, -15), (-10, 15)), ("brick wall right", (10, -15), (10, 15)),
        ("brick wall rear", (-10, -15), (10, -15)), ("brick wall upstage", (-10, 15), (10, 15)),
    ):  # fmt: skip
        sheet(name, [(*a, 0), (*b, 0), (*b, 9), (*a, 9)])
    sheet("wooden stage", [(-7, 5, 1), (7, 5, 1), (7, 14, 1), (-7, 14, 1)])
    sheet("wooden stage front", [(-7, 5, 0), (7, 5, 0), (7, 5, 1), (-7, 5, 1)])
    sheet("concrete balcony", [(-10, -15, 4), (10, -15, 4), (10, -9, 4), (-10, -9, 4)])
    sheet("plasterboard balcony front", [(-10, -9, 3.6), (10, -9, 3.6), (10, -9, 5), (-10, -9, 5)])
    sheet("metal set wall", [(3, 8, 1), (5, 11, 1), (5, 11, 5), (3, 8, 5)])


def story():
    """Five steps and the playhouse; yields seconds to wait."""
    bpy.ops.preferences.addon_install(filepath=ZIP, overwrite=True)
    bpy.ops.preferences.addon_enable(module=NAME)
    bpy.context.preferences.addons[NAME].preferences.python = PYTHON
    bpy.context.preferences.view.show_splash = False
    view().spaces.active.show_region_ui = True
    yield 0.5
    yield from open_tab()
    scene = bpy.context.scene
    new_scene()
    yield from do(bpy.ops.rf3d.suggest)
    bpy.ops.rf3d.take_suggested(everything=True)
    walls_mm = {"brick": 300, "wood": 25, "plasterboard": 25, "concrete": 200, "metal": 2}
    for obj in scene.objects:
        obj.rf3d_surface.thickness_mm = walls_mm[obj.rf3d_surface.material]
    scene.objects["concrete floor"].rf3d_surface.half_space = True
    scene.rf3d.title, scene.rf3d.use_house = "Balcony to stage", True
    radios = {}
    for role, name, place in (
        ("TRANSMITTER", "balcony rail", (0, -8.8, 5.2)), ("RECEIVER", "lamp on the stage", (-1, 8, 2.2)),
        ("RECEIVER", "behind the set wall", (6, 10, 1.8)), ("OCCUPIED", "phones in the stalls", (0, -2, 1.1)),
    ):  # fmt: skip
        scene.cursor.location = place
        with bpy.context.temp_override(window=window(), area=view()):
            bpy.ops.rf3d.add(role=role)
        radios[name] = bpy.context.view_layer.objects.active
        radios[name].name = name
        scene.rf3d.rays = 50000
        yield 0.2
    sender, lamp, phones = (
        radios[name].rf3d for name in ("balcony rail", "lamp on the stage", "phones in the stalls")
    )  # fmt: skip
    sender.antenna_name, sender.pattern, sender.gain_dbi, sender.power_dbm = "panel", "panel", 9.0, 18.0
    sender.sheet = {"carrier_to_interference_db", "packets_s", "repeats"}
    lamp.purpose, lamp.importance, lamp.on_loss = "a practical lamp", 3, "hold"
    phones.form, phones.power_dbm, phones.count, phones.duty = "CROWD", 13.0, 200, 0.01
    radios["phones in the stalls"].empty_display_size = 1.0
    radios["phones in the stalls"].scale = (8, 6, 0.3)
    scene.rf3d.lobe_m = 4.0
    scene.cursor.location = (0, 9, 2)
    with bpy.context.temp_override(window=window(), selected_objects=choose(radios["balcony rail"])):
        bpy.ops.rf3d.aim()
    look((3, 0, 2), (0.9, 0, 0.85), 44)
    yield from do(bpy.ops.rf3d.work, what="check")
    yield from show_panels("Radio")
    yield from picture("blender_scene")
    choose(radios["phones in the stalls"])
    yield from picture("blender_air")
    yield from do(bpy.ops.rf3d.work, what="links")
    index = next(i for i, f in enumerate(scene.rf3d.findings) if f.where == "lamp on the stage")
    scene.rf3d.finding_index = index
    yield 0.3
    look((3, 1, 2), (0.9, 0, 0.85), 42)
    yield from show_panels("Findings", "Radio")
    yield from picture("blender_links")
    yield from do(bpy.ops.rf3d.work, what="volume")
    scene.rf3d.shown_paths = "NONE"
    look((6, 0, 1), (0.55, 0, 0.0), 52)
    frame()
    yield from show_panels("Results")
    yield from picture("blender_volume")
    # The demo playhouse.
    bpy.ops.rf3d.clear()
    for item in list(bpy.data.objects):
        bpy.data.objects.remove(item)
    yield from do(bpy.ops.rf3d.import_plan, filepath=PLAN)
    scene.rf3d.lobe_m = 2.0
    yield from do(bpy.ops.rf3d.work, what="volume")
    scene.rf3d.show_slice, scene.rf3d.show_skins, scene.rf3d.shown_power = False, True, "balcony rail"
    look((4, -6, 4), (0.75, 0, 0.25), 62)
    frame()
    yield from picture("blender_playhouse")


def nap():
    """Blender does not rest while events are simulated: it would take a core from rf3d."""
    time.sleep(0.005)
    return 0.0


steps = story()


def drive():
    """Take the story on, then end Blender."""
    try:
        return next(steps)
    except StopIteration:
        pass
    except BaseException:
        Path(FOLDER, "error.txt").write_text(traceback.format_exc())
    bpy.ops.wm.quit_blender()
    return None


bpy.app.timers.register(nap, persistent=True)
bpy.app.timers.register(drive, first_interval=1.0, persistent=True)
