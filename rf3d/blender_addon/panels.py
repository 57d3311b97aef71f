# SPDX-License-Identifier: GPL-3.0-or-later
"""The tab "Radio" beside the 3D view."""

import bpy

from . import keys, plans, select, venue, vocabulary, words, work

SEVERITY_ICONS = {"fail": "CANCEL", "caution": "ERROR", "info": "INFO"}


def _lines(layout, context, text, icon="NONE"):
    """A text in as many lines as the panel's width asks for."""
    width = max(24, int(context.region.width / (7.0 * context.preferences.system.ui_scale)) - 4)
    column = layout.column(align=True)
    column.scale_y = 0.8
    for number, line in enumerate(words.wrapped(text, width)):
        column.label(text=line, icon=icon if number == 0 else ("BLANK1" if icon != "NONE" else "NONE"))


def _numbers(layout):
    """A column whose labels stand inside the fields: the sidebar is narrow."""
    return layout.column(align=True)


def _field(column, settings, key):
    """A setting; words and choices, whose label stands before the field, get a label wide enough to be read."""
    told = settings.bl_rna.properties[key]
    if told.type in ("STRING", "ENUM"):
        split = column.split(factor=0.45, align=True)
        split.label(text=told.name)
        split.prop(settings, key, text="")
    else:
        column.prop(settings, key)


class RF3D_PT_work(bpy.types.Panel):
    """Buttons, progress, messages."""

    bl_label = "Compute"
    bl_idname = "RF3D_PT_work"
    bl_space_type, bl_region_type, bl_category = "VIEW_3D", "UI", "Radio"

    def draw(self, context):
        """Buttons while idle, progress while at work."""
        layout, state = self.layout, work.state
        row = layout.row(align=True)
        row.scale_y = 1.4
        for what in ("check", "links", "volume"):
            row.operator("rf3d.work", text=what.capitalize()).what = what
        if work.busy():
            text = f"{state.name}: {state.stage or 'starting'}"
            if hasattr(layout, "progress"):
                layout.progress(factor=state.share, text=f"{text}, {100 * state.share:.0f} %")
            else:
                layout.label(text=text)
                layout.prop(context.window_manager, "rf3d_share", text="", slider=True)
            row = layout.row(align=True)
            row.operator("rf3d.cancel", icon="X")
            if state.early:
                row.operator("rf3d.keep", icon="CHECKMARK")
                _lines(layout, context, f"Shown already: {state.early}", "INFO")
        elif state.error is not None:
            box = layout.box()
            _lines(box, context, state.error[0], "CANCEL")
            if state.error[1]:
                _lines(box, context, f"To do: {state.error[1]}", "FORWARD")
        elif state.note:
            _lines(layout, context, state.note, "CHECKMARK")
        column = _numbers(layout)
        column.prop(context.scene.rf3d, "following")


class RF3D_PT_findings(bpy.types.Panel):
    """What is worth knowing: the plan in a few sentences, then all of it."""

    bl_label = "Findings"
    bl_idname = "RF3D_PT_findings"
    bl_space_type, bl_region_type, bl_category = "VIEW_3D", "UI", "Radio"

    def draw(self, context):
        """The list, and the chosen one in full."""
        layout, settings = self.layout, context.scene.rf3d
        if settings.summary:
            box = layout.box()
            for sentence in settings.summary.split("\n"):
                _lines(box, context, sentence)
        layout.template_list("RF3D_UL_findings", "", settings, "findings", settings, "finding_index", rows=5)
        if 0 <= settings.finding_index < len(settings.findings):
            finding = settings.findings[settings.finding_index]
            _lines(layout.box(), context, f"{finding.where}: {finding.message}")


class RF3D_UL_findings(bpy.types.UIList):
    """One line a finding."""

    bl_idname = "RF3D_UL_findings"

    def draw_item(self, context, layout, data, item, icon, active_data, active_property, index=0, flag=0):
        """How grave it is, what it is about, its kind."""
        layout.label(text=f"{item.where}: {item.code.replace('-', ' ')}", icon=SEVERITY_ICONS.get(item.severity, "DOT"))


class RF3D_PT_show(bpy.types.Panel):
    """Which results show."""

    bl_label = "Results"
    bl_idname = "RF3D_PT_show"
    bl_space_type, bl_region_type, bl_category = "VIEW_3D", "UI", "Radio"

    def draw(self, context):
        """Choices."""
        column, settings = _numbers(self.layout), context.scene.rf3d
        column.prop(settings, "shown_paths")
        column.prop(settings, "shown_power", text="Power")
        column.prop(settings, "show_slice")
        column.prop(settings, "show_skins")
        if settings.show_skins and settings.shown_power.startswith("strongest:"):
            _lines(self.layout, context, "Skins are of one transmitter: choose it under Power.", "INFO")
            column = _numbers(self.layout)
        column.prop(settings, "height_m")
        column.prop(settings, "volume_of", text="From")
        column.prop(settings, "through_walls")
        column.prop(settings, "show_labels")
        column.prop(settings, "show_lobes")
        if settings.show_lobes:
            column.prop(settings, "lobe_m")
        if select.results(context.scene):
            column.operator("rf3d.frame", icon="ZOOM_SELECTED")
            column.operator("rf3d.clear", icon="TRASH")


class RF3D_PT_radio(bpy.types.Panel):
    """The radio settings of the active object."""

    bl_label = "Radio"
    bl_idname = "RF3D_PT_radio"
    bl_space_type, bl_region_type, bl_category = "VIEW_3D", "UI", "Radio"

    def draw(self, context):
        """What it is, and its numbers."""
        row = self.layout.row(align=True)
        row.operator("rf3d.add", text="Transmitter", icon="ADD").role = "TRANSMITTER"
        row.operator("rf3d.add", text="Receiver", icon="ADD").role = "RECEIVER"
        row = self.layout.row(align=True)
        for role, text in (("ZONE", "Zone"), ("HANG", "Hang"), ("OCCUPIED", "Occupied")):
            row.operator("rf3d.add", text=text).role = role
        obj = context.object
        if obj is None:
            return
        radio, column = obj.rf3d, _numbers(self.layout)
        column.prop(radio, "role")
        if radio.role in ("NONE", "LEFT_OUT"):
            return
        column.prop(radio, "plan_name", text="Name")
        if radio.role in ("TRANSMITTER", "RECEIVER"):
            _result(self.layout, context, obj)
            _radio(_numbers(self.layout), radio)
            self.layout.operator("rf3d.aim")
        elif radio.role == "HANG":
            column.prop(radio, "hang_kind")
        elif radio.role == "OCCUPIED":
            column.prop(radio, "form")
            for key in keys.FORMS[radio.form]:
                column.prop(radio, key, **({"text": "EIRP, dBm"} if key == "power_dbm" else {}))


def _result(layout, context, obj):
    """What was found of a receiver, in words."""
    mark = select.mark_of(context.scene, plans.plan_name(obj))
    if mark is not None and mark["verdict"] is not None:
        box = layout.box()
        _lines(box, context, f"{mark['verdict']}, served by {mark['transmitter']}: {mark['margins']}")


def _radio(column, radio):
    """Numbers of a transmitter or receiver, of its antenna and of its radio."""
    if radio.role == "TRANSMITTER":
        names = ["power_dbm", "cable_loss_db", "connectors", "carries", *(keys.CARRIED if radio.carries else ())]
    else:
        names = ["purpose", "importance", "on_loss", "worn", "inside", "answers"]
        names += ["answer_power_dbm"] if radio.answers else []
        names += ["cable_loss_db", "connectors"]
    for key in names:
        _field(column, radio, key)
    column.separator()
    _field(column, radio, "antenna_name")
    _field(column, radio, "pattern")
    if radio.pattern == "file":
        column.prop(radio, "antenna_file", text="")
    for key in keys.NEEDED[radio.pattern]:
        _field(column, radio, key)
    for key in keys.STATED:
        if key not in keys.NEEDED[radio.pattern] and (key != "frequency_mhz" or radio.pattern == "file"):
            _optional(column, radio, "stated", key)
    column.separator()
    _field(column, radio, "radio_name")
    if vocabulary.generic_radio(radio.radio_name) is not None:
        column.prop(radio, "own_radio")
    sheet = column.column(align=True)
    sheet.enabled = radio.own_radio
    for key in keys.CHANNELS:
        sheet.prop(radio, key)
    for key in keys.SHEET:
        _optional(sheet, radio, "sheet", key)


def _optional(column, radio, chosen, key):
    """A number that may be left out: a switch with its name, and the number where it is on."""
    told = key in getattr(radio, chosen)
    row = column.split(factor=0.65 if told else 1.0, align=True)
    row.prop_enum(radio, chosen, key)
    if told:
        row.prop(radio, key, text="")


class RF3D_PT_surface(bpy.types.Panel):
    """The RF material of the active object and of its Blender material."""

    bl_label = "Surface"
    bl_idname = "RF3D_PT_surface"
    bl_space_type, bl_region_type, bl_category = "VIEW_3D", "UI", "Radio"

    def draw(self, context):
        """Object first: it goes before its material."""
        layout, obj = self.layout, context.object
        row = layout.row(align=True)
        row.operator("rf3d.suggest", text="Suggest")
        row.operator("rf3d.take_suggested", text="Take all").everything = True
        if obj is None or not venue.is_surface(obj):
            return
        box = layout.box()
        box.label(text=f"Object {obj.name}")
        _surface(box, context, obj.rf3d_surface)
        if obj.rf3d_surface.suggested and not obj.rf3d_surface.material:
            box.operator("rf3d.take_suggested", text=f"Take {obj.rf3d_surface.suggested}").everything = False
        if len(context.selected_objects) > 1:
            box.operator("rf3d.copy_surface")
        if obj.active_material is not None:
            box = layout.box()
            box.label(text=f"All of material {obj.active_material.name}")
            _surface(box, context, obj.active_material.rf3d_surface)


def _surface(layout, context, settings):
    column = _numbers(layout)
    _field(column, settings, "material")
    if not settings.material:
        return
    column.prop(settings, "half_space")
    if not settings.half_space and not vocabulary.states_thickness(settings.material):
        column.prop(settings, "thickness_mm")
    _field(column, settings, "body")
    column.prop(settings, "own")
    if settings.own and plans.is_build_up(plans.kept_material(context.scene, settings.material)):
        column.label(text="layers as the plan said them")
    elif settings.own:
        for key in ("permittivity", "conductivity_s_m", "scattering", "source"):
            _field(column, settings, key)


class RF3D_PT_plan(bpy.types.Panel):
    """The rest of the plan."""

    bl_label = "Plan"
    bl_idname = "RF3D_PT_plan"
    bl_space_type, bl_region_type, bl_category = "VIEW_3D", "UI", "Radio"

    def draw(self, context):
        """Title, venue, study; files."""
        row = self.layout.row(align=True)
        row.operator("rf3d.import_plan")
        row.operator("rf3d.export_plan")
        column, settings = _numbers(self.layout), context.scene.rf3d
        for key in ("title", "region", "use_house"):
            column.prop(settings, key)
        if settings.use_house:
            column.prop(settings, "house_azimuth_deg")
        for key in ("tolerance_mm", "max_reflections", "voxel_m", "rays", "seed"):
            column.prop(settings, key)
        count = dict.fromkeys(("TRANSMITTER", "RECEIVER"), 0)
        for obj in plans.radio_objects(context.scene):
            count[obj.rf3d.role] += 1
        column.label(text=f"{count['TRANSMITTER']} transmitters, {count['RECEIVER']} receivers")


CLASSES = (
    RF3D_UL_findings, RF3D_PT_work, RF3D_PT_findings, RF3D_PT_show, RF3D_PT_radio, RF3D_PT_surface, RF3D_PT_plan,
)  # fmt: skip


def register():
    """Add the tab."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)


def unregister():
    """Take it away."""
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
