# SPDX-License-Identifier: GPL-3.0-or-later
"""What the buttons do."""

import json
import math
import shutil
from pathlib import Path

import bpy
from bpy.props import BoolProperty, EnumProperty, IntProperty, StringProperty
from bpy_extras.io_utils import ExportHelper, ImportHelper
from mathutils import Matrix, Vector

from . import follow, places, plans, preferences, results, select, toml, unpacking, venue, work
from .numbers import axes, typed
from .trouble import Stopped, Trouble


def export_plan_steps(context, folder, name, *, only=None, target=None):
    """The scene as a plan file with its mesh in a folder; gives what was written.

    Parameters
    ----------
    target : Path or None
        Where the plan will lie, if it goes on from the folder.

    Raises
    ------
    Trouble
        Nothing to export.
    """
    work.state.stage = "exporting the scene"
    exported = venue.Venue()
    yield from venue.export_steps(context, folder / f"{name}.glb", exported)
    if not exported.nodes:
        raise Trouble("no surface can be seen: the venue is empty", "show the collection that holds it")
    written = plans.tables_of(context.scene, exported, f"{name}.glb", only=only, folder=target)
    (folder / f"{name}.toml").write_text(toml.dumps(written.tables), encoding="utf-8")
    return written


def work_steps(context, what, *, moved=()):
    """Check, links or volume of the scene, or the links of what was moved, placed into it.

    Parameters
    ----------
    what : {"check", "links", "volume"}
    moved : sequence of str
        Names of radios; none of them means all links.
    """
    scene = context.scene
    python = yield from work.python_steps(preferences.of(context))
    receivers = _receivers_of(scene, moved) if moved else None
    chosen = _chosen_transmitter(context) if what == "volume" else []
    with work.Folder() as folder:
        written = yield from export_plan_steps(context, folder, "plan", only=receivers)
        command = [what, str(folder / "plan.toml")]
        if what in ("links", "volume"):
            command += ["--glb", str(folder / "out.glb")]
        if what == "volume":
            command += ["--height", repr(typed(scene.rf3d.height_m)), "--early", str(folder / "early.glb"), *chosen]
        findings, name = [], scene.name
        try:
            yield from work.run_steps(
                python,
                folder,
                command,
                findings=findings,
                written=written,
                placing=lambda told: _power_steps(name, told),
            )
        except Stopped:
            if not (work.kept() and work.state.early):
                results.withdraw(_scene(name))
                raise
            findings = []
        except Exception:
            results.withdraw(_scene(name))
            raise
        work.state.stage, work.state.share = "placing what was found", 1.0
        if what == "links":
            summary = yield from results.place_links_steps(_scene(name).name, folder / "out.glb", receivers)
        elif what == "volume":
            results.settle(_scene(name))
    _keep_findings(_scene(name), findings, what, receivers)
    if what == "links":
        moved_words = "Radios were moved since: press Links for the whole plan in a few sentences."
        bpy.data.scenes[name].rf3d.summary = moved_words if receivers is not None else "\n".join(summary)
    work.state.note = f"{what}: stopped, kept as it is: {work.state.early}" if work.kept() else f"{what}: done"
    follow.remember(bpy.data.scenes[name])


def _power_steps(name, told):
    """Power that rf3d has written goes into the scene: early, and again when it is whole."""
    error = told["median_std_error_db"]  # of the least sure transmitter
    known = "exact" if error is None else f"error {error:.1f} dB or less (median)"
    work.state.early = f"voxels of {told['voxel_m']:g} m, {known}"
    yield from results.place_power_steps(_scene(name).name, told["file"])


def _scene(name):
    """The scene that work was begun in."""
    if name not in bpy.data.scenes:
        raise Trouble("the scene was deleted while rf3d was at work", "run it again")
    return bpy.data.scenes[name]


def _chosen_transmitter(context):
    """The option that names the transmitter of a volume, none for all of them.

    Raises
    ------
    Trouble
        The active one is wanted, and the active object is no transmitter.
    """
    if context.scene.rf3d.volume_of == "ALL":
        return []
    active = context.view_layer.objects.active
    if active is None or active.rf3d.role != "TRANSMITTER":
        raise Trouble("the active object is no transmitter", "click one, or choose the volume of all transmitters")
    return ["--transmitter", plans.plan_name(active)]


def _receivers_of(scene, moved):
    """Receivers whose links change with these radios: themselves, and all on the radio of a transmitter."""
    found = set()
    for name in moved:
        obj = scene.objects.get(name)
        if obj is None:
            continue
        if obj.rf3d.role == "RECEIVER":
            found.add(plans.plan_name(obj))
        elif obj.rf3d.role == "TRANSMITTER":
            found |= {
                plans.plan_name(o) for o in plans.radio_objects(scene)
                if o.rf3d.role == "RECEIVER" and o.rf3d.radio_name == obj.rf3d.radio_name
            }  # fmt: skip
    return found


def _keep_findings(scene, findings, what, receivers):
    """Replace the findings on the panel by those of an answer, in its order: what harms most comes first.

    Those of the plan, by check or links, come before those of the volume, each replaced by its own kind. Where some
    receivers alone were judged, theirs take the place of the old ones.
    """
    fields = ("severity", "code", "where", "message", "place", "has_place", "work")
    old = [{n: getattr(i, n) for n in fields} for i in scene.rf3d.findings]
    old = [{**item, "place": tuple(item["place"])} for item in old]
    chosen = old[scene.rf3d.finding_index]["where"] if 0 <= scene.rf3d.finding_index < len(old) else ""
    new = []
    for finding in findings:
        place = finding.get("place_m")
        new.append(
            {"severity": finding["severity"], "code": finding["code"], "where": finding["where"], "work": what,
             "message": finding["message"], "place": place or (0.0, 0.0, 0.0), "has_place": place is not None}
        )  # fmt: skip
    of_plan, of_volume = ([i for i in old if (i["work"] == "volume") == volume] for volume in (False, True))
    if what == "volume":
        of_volume = new
    elif receivers is None:
        of_plan = new
    else:
        of_plan = _in_place(of_plan, [i for i in new if i["where"] in receivers], receivers)
    scene.rf3d.findings.clear()
    kept = of_plan + of_volume
    for item in kept:
        row = scene.rf3d.findings.add()
        for key, value in item.items():
            setattr(row, key, value)
    where = [item["where"] for item in kept]
    # Not through the property: an answer that arrives moves neither the selection nor the view.
    scene.rf3d["finding_index"] = where.index(chosen) if chosen in where else -1
    select.apply_shown(scene)


def _in_place(old, new, names):
    """Findings with those of some names replaced where the first of each name stood; what is new comes last."""
    waiting = {name: [item for item in new if item["where"] == name] for name in dict.fromkeys(i["where"] for i in new)}
    kept = []
    for item in old:
        kept += waiting.pop(item["where"], []) if item["where"] in names else [item]
    return kept + [item for rest in waiting.values() for item in rest]


def recompute(context, names):
    """Compute the links of radios that were moved."""
    if any(results.RESULT in o and o[results.RESULT] == "links" for o in context.scene.objects):
        work.start("links of what was moved", work_steps(context, "links", moved=names))


class RF3D_OT_work(bpy.types.Operator):
    """Export the scene, run rf3d on it and bring what it finds into the scene"""

    bl_idname = "rf3d.work"
    bl_label = "Compute"
    what: EnumProperty(
        items=(
            ("check", "Check", "Say what is understood of the plan, and what is missing; nothing is traced"),
            ("links", "Links", "Judge every link: paths, verdicts, surfaces that throw echoes"),
            ("volume", "Volume", "Received power in every voxel, as a slice and as skins of equal power"),
        )
    )

    @classmethod
    def description(cls, context, properties):
        """The text of the choice."""
        return {
            "check": "Say what is understood of the plan, and what is missing; nothing is traced",
            "links": "Judge every link: paths, verdicts, surfaces that throw echoes",
            "volume": "Received power in every voxel, as a slice and as skins of equal power",
        }[properties.what]

    @classmethod
    def poll(cls, context):
        """Not while something is at work."""
        return not work.busy()

    def execute(self, context):
        """Begin; with a window it goes on by itself."""
        return begin(self, self.what, work_steps(context, self.what))


def begin(operator, name, steps):
    """Start work and say at once what went wrong, where it has ended already."""
    work.start(name, steps)
    if work.state.error is not None:
        operator.report({"ERROR"}, ". ".join(part for part in work.state.error if part))
        return {"CANCELLED"}
    return {"FINISHED"}


class RF3D_OT_cancel(bpy.types.Operator):
    """Stop the work; the scene stays as it is"""

    bl_idname = "rf3d.cancel"
    bl_label = "Cancel"

    @classmethod
    def poll(cls, context):
        """Only where something is at work."""
        return work.busy()

    def execute(self, context):
        """Ask the child to end."""
        work.cancel()
        return {"FINISHED"}


class RF3D_OT_keep(bpy.types.Operator):
    """Stop the work and keep the power that shows already, as coarse as its legend says"""

    bl_idname = "rf3d.keep"
    bl_label = "Keep this"

    @classmethod
    def poll(cls, context):
        """Only where something shows early."""
        return work.busy() and bool(work.state.early)

    def execute(self, context):
        """Ask the child to end."""
        work.cancel(keep=True)
        return {"FINISHED"}


class RF3D_OT_add(bpy.types.Operator):
    """Add an empty with radio settings at the 3D cursor"""

    bl_idname = "rf3d.add"
    bl_label = "Add"
    bl_options = {"REGISTER", "UNDO"}
    role: EnumProperty(
        items=(
            ("TRANSMITTER", "Transmitter", ""), ("RECEIVER", "Receiver", ""), ("ZONE", "Zone", ""),
            ("HANG", "Hang", ""), ("OCCUPIED", "Occupied", ""),
        )
    )  # fmt: skip

    def execute(self, context):
        """Make it, select it."""
        names = {"OCCUPIED": "occupied air"}
        obj = bpy.data.objects.new(names.get(self.role, self.role.lower()), None)
        context.collection.objects.link(obj)
        obj.location = context.scene.cursor.location
        scale_m = context.scene.unit_settings.scale_length
        obj.empty_display_size = (1.0 if self.role in ("ZONE", "HANG") else places.SPOT_M) / scale_m
        obj.rf3d.role = self.role
        if self.role == "HANG":
            # Level along x, a few metres long: G and R move it, S makes it as long as it is.
            obj.rotation_euler, obj.scale = (0.0, math.radians(90), 0.0), (4.0,) * 3
        radios = [o for o in plans.radio_objects(context.scene) if o != obj]
        if radios and self.role in ("TRANSMITTER", "RECEIVER"):
            alike = [o for o in radios if o.rf3d.role == self.role] or radios
            obj.rf3d.radio_name = radios[-1].rf3d.radio_name
            obj.rf3d.antenna_name = alike[-1].rf3d.antenna_name
        # A new object counts as visible once the view layer knows it.
        context.view_layer.update()
        select.select_objects([obj])
        return {"FINISHED"}


class RF3D_OT_aim(bpy.types.Operator):
    """Turn the selected radios so that their antennas look at the 3D cursor"""

    bl_idname = "rf3d.aim"
    bl_label = "Aim at cursor"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context):
        """Turn each about its own place."""
        for obj in context.selected_objects:
            if obj.rf3d.role in ("TRANSMITTER", "RECEIVER"):
                way = context.scene.cursor.location - obj.matrix_world.translation
                if way.length > 0:
                    place = Matrix.Translation(obj.matrix_world.translation)
                    obj.matrix_world = place @ Matrix(axes(way)).transposed().to_4x4()
        return {"FINISHED"}


class RF3D_OT_suggest(bpy.types.Operator):
    """Ask rf3d which RF materials the names of objects and materials suggest, where none is set"""

    bl_idname = "rf3d.suggest"
    bl_label = "Suggest from names"

    @classmethod
    def poll(cls, context):
        """Not while something is at work."""
        return not work.busy()

    def execute(self, context):
        """Begin."""
        return begin(self, "suggestions", _suggest_steps(context))


def _suggest_steps(context):
    python = yield from work.python_steps(preferences.of(context))
    with work.Folder() as folder:
        yield from venue.export_steps(context, folder / "plan.glb", venue.Venue())
        if not (folder / "plan.glb").exists():
            raise Trouble("no surface can be seen: the venue is empty", "show the collection that holds it")
        command = ["new", str(folder / "plan.glb"), "--json", str(folder / "new.json")]
        yield from work.run_steps(python, folder, command)
        told = json.loads((folder / "new.json").read_text(encoding="utf-8"))
    found = 0
    for part in told["surfaces"]:
        obj = venue.object_of(part["object"])
        material = bpy.data.materials.get(part["mesh_material"]) if part["mesh_material"] else None
        taken = obj is None or obj.rf3d_surface.material or (material is not None and material.rf3d_surface.material)
        if part["suggested"] and not taken:
            obj.rf3d_surface.suggested = part["suggested"]
            found += 1
    work.state.note = f"{found} suggested: see the panel Surface, or take all"


class RF3D_OT_take_suggested(bpy.types.Operator):
    """Set the suggested RF material: of the selected objects, or of all"""

    bl_idname = "rf3d.take_suggested"
    bl_label = "Take suggestion"
    bl_options = {"REGISTER", "UNDO"}
    everything: BoolProperty(name="Of all objects")

    def execute(self, context):
        """Copy suggestions to where nothing is set."""
        for obj in context.scene.objects if self.everything else context.selected_objects:
            surface = obj.rf3d_surface
            if surface.suggested and not surface.material:
                surface.material = surface.suggested
        return {"FINISHED"}


class RF3D_OT_copy_surface(bpy.types.Operator):
    """Give the RF material and thickness of the active object to the other selected ones"""

    bl_idname = "rf3d.copy_surface"
    bl_label = "Copy to selected"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context):
        """Copy every setting."""
        source = context.object.rf3d_surface
        for obj in context.selected_objects:
            if obj != context.object and venue.is_surface(obj):
                for key in (p.identifier for p in source.bl_rna.properties):
                    if key not in ("rna_type", "name", "suggested"):
                        setattr(obj.rf3d_surface, key, getattr(source, key))
        return {"FINISHED"}


class RF3D_OT_import_plan(bpy.types.Operator, ImportHelper):
    """Bring a plan file into the scene: its venue, its radios, its surfaces"""

    bl_idname = "rf3d.import_plan"
    bl_label = "Import plan"
    filename_ext = ".toml"
    filter_glob: StringProperty(default="*.toml", options={"HIDDEN"})
    with_venue: BoolProperty(
        name="With its venue", default=True, description="Off: put it on objects of these names that are there already"
    )

    @classmethod
    def poll(cls, context):
        """Not while something is at work."""
        return not work.busy()

    def execute(self, context):
        """Begin."""
        return begin(self, "import", _import_steps(context, self.filepath, self.with_venue))


def _import_steps(context, path, with_venue):
    python = yield from work.python_steps(preferences.of(context))
    with work.Folder() as folder:
        command = [
            "unpack",
            str(Path(bpy.path.abspath(path)).resolve()),
            "--json",
            str(folder / "plan.json"),
            "--mesh",
            str(folder / "venue.glb"),
        ]
        yield from work.run_steps(python, folder, command)
        told = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
        made, scene = {}, context.scene
        if with_venue:
            holder = bpy.data.collections.new(told["tables"]["title"])
            scene.collection.children.link(holder)
            yield from venue.build_steps(
                folder / "venue.glb", holder.name, made, scene.unit_settings.scale_length
            )  # fmt: skip
        radios = bpy.data.collections.new("Radios")
        scene.collection.children.link(radios)
        yield
        yield from unpacking.apply_steps(scene, told, made, radios)
    yield
    bpy.context.view_layer.update()
    follow.remember(scene)
    work.state.note = f"{Path(path).name}: {len(made)} objects, {len(radios.objects)} radios and places"


class RF3D_OT_export_plan(bpy.types.Operator, ExportHelper):
    """Write the scene as a plan file with its venue beside it"""

    bl_idname = "rf3d.export_plan"
    bl_label = "Export plan"
    filename_ext = ".toml"
    filter_glob: StringProperty(default="*.toml", options={"HIDDEN"})

    @classmethod
    def poll(cls, context):
        """Not while something is at work."""
        return not work.busy()

    def execute(self, context):
        """Begin."""
        return begin(self, "export", _export_steps(context, Path(self.filepath)))


def _export_steps(context, path):
    with work.Folder() as folder:
        yield from export_plan_steps(context, folder, path.stem, target=path.parent.resolve())
        try:
            for ending in (".glb", ".toml"):
                # Beside the target first, then renamed: a failure leaves an older file whole.
                beside = path.with_name(f".{path.stem}{ending}")
                shutil.copyfile(folder / f"{path.stem}{ending}", beside)
                beside.replace(path.with_suffix(ending))
        except OSError as error:
            raise Trouble(f'"{path}" cannot be written ({error.strerror})', "name another file") from error
    work.state.note = f"wrote {path.name} and {path.stem}.glb"


class RF3D_OT_clear(bpy.types.Operator):
    """Take all results out of the scene"""

    bl_idname = "rf3d.clear"
    bl_label = "Clear results"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context):
        """Remove what was made, and the findings."""
        for kind in ("links", "volume", venue.ARRIVING):
            results.clear(context.scene, kind)
        context.scene.rf3d.findings.clear()
        context.scene.rf3d.summary = ""
        return {"FINISHED"}


class RF3D_OT_frame(bpy.types.Operator):
    """Bring the venue and the legends that show into view"""

    bl_idname = "rf3d.frame"
    bl_label = "Frame with legends"

    def execute(self, context):
        """Move every 3D view."""
        legends = [o for o in select.results(context.scene) if "legend" in o["shows"] and o.visible_get()]
        corners = [o.matrix_world @ Vector(corner) for o in legends for corner in o.bound_box]
        scale_m = context.scene.unit_settings.scale_length
        corners += [Vector(corner) / scale_m for corner in venue.bounds_m(context.scene) or ()]
        select.frame(corners, 6.0 / scale_m, apart=1.0)
        return {"FINISHED"}


class RF3D_OT_show_finding(bpy.types.Operator):
    """Select and frame what the finding is about"""

    bl_idname = "rf3d.show_finding"
    bl_label = "Show"
    index: IntProperty()

    def execute(self, context):
        """Choose it in the list."""
        context.scene.rf3d.finding_index = self.index
        return {"FINISHED"}


CLASSES = (
    RF3D_OT_work, RF3D_OT_cancel, RF3D_OT_keep, RF3D_OT_add, RF3D_OT_aim, RF3D_OT_suggest, RF3D_OT_take_suggested,
    RF3D_OT_copy_surface, RF3D_OT_import_plan, RF3D_OT_export_plan, RF3D_OT_clear, RF3D_OT_frame,
    RF3D_OT_show_finding,
)  # fmt: skip


def register():
    """Make the operators known."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)


def unregister():
    """Forget them."""
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
