# SPDX-License-Identifier: GPL-3.0-or-later
"""What an object, a material and a scene know of radio. All of it lies on the data itself: it is saved, appended and
undone with it. Objects that share the name of a radio or an antenna share its numbers."""

import bpy
from bpy.props import (
    BoolProperty,
    CollectionProperty,
    EnumProperty,
    FloatProperty,
    FloatVectorProperty,
    IntProperty,
    PointerProperty,
    StringProperty,
)

from . import follow, select, vocabulary, work

ROLES = (
    ("NONE", "None", "Geometry, or nothing to do with radio"),
    ("TRANSMITTER", "Transmitter", "Sends; its antenna looks along the object's x axis, z is its up"),
    ("RECEIVER", "Receiver", "Listens; its antenna looks along the object's x axis, z is its up"),
    ("ZONE", "Zone", "A named box, as large as the empty's cube"),
    ("HANG", "Hang point", "A place where a radio may be hung"),
    ("OCCUPIED", "Occupied", "Somebody else's transmitter"),
    ("LEFT_OUT", "Left out", "Not part of the venue: it is not exported"),
)
PATTERNS = (
    ("isotropic", "Isotropic", "The same in all directions; a yardstick, not an antenna"),
    ("short_dipole", "Short dipole", "A short wire along z, as inside a housing"),
    ("dipole", "Dipole", "A half-wave wire along z"),
    ("omni", "Omni", "An upright line of wires along z"),
    ("panel", "Panel", "A flat antenna that looks along x"),
    ("yagi", "Yagi", "An antenna with a boom along x"),
)
POLARISATIONS = tuple((word, word, "") for word in ("vertical", "horizontal", "+45", "-45", "rhcp", "lhcp"))
BODIES = (
    ("auto", "Automatic", "Sheet or solid, decided from the geometry"),
    ("sheet", "Sheet", "One layer of faces stands for a whole wall"),
    ("solid", "Solid", "A closed body; the geometry gives its thickness"),
)
DIRECTED = ("panel", "yagi")
RADIO_KEYS = ("first_channel_mhz", "last_channel_mhz", "channel_spacing_mhz", "bandwidth_mhz", "sensitivity_dbm")
ANTENNA_KEYS = ("pattern", "gain_dbi", "beamwidth_deg", "polarisation", "xpd_db", "efficiency")
_sharing = False


def radio_objects(scene):
    """Objects of a scene that send or listen."""
    return [o for o in scene.objects if o.rf3d.role in ("TRANSMITTER", "RECEIVER")]


def _share(keys, name_key):
    """An update that gives the numbers to all objects of the file that name the same radio or antenna."""

    def update(self, context):
        global _sharing
        if _sharing:
            return
        _sharing = True
        try:
            for other in bpy.data.objects:
                radio = other.rf3d
                if radio != self and radio.role in ("TRANSMITTER", "RECEIVER") and (
                    getattr(radio, name_key) == getattr(self, name_key)
                ):  # fmt: skip
                    for key in keys:
                        setattr(radio, key, getattr(self, key))
        finally:
            _sharing = False
        follow.touched(self.id_data)

    return update


def _take(keys, name_key):
    """An update of a name: an object that takes another's name takes its numbers."""

    def update(self, context):
        global _sharing
        if _sharing:
            return
        for other in bpy.data.objects:
            radio = other.rf3d
            if radio != self and radio.role in ("TRANSMITTER", "RECEIVER") and (
                getattr(radio, name_key) == getattr(self, name_key)
            ):  # fmt: skip
                _sharing = True
                try:
                    for key in keys:
                        setattr(self, key, getattr(radio, key))
                finally:
                    _sharing = False
                return

    return update


def _changed(self, context):
    follow.touched(self.id_data)


def _role_changed(self, context):
    item = self.id_data
    if self.role in ("TRANSMITTER", "RECEIVER") and item.type == "EMPTY":
        item.empty_display_type = "PLAIN_AXES"
    elif self.role == "ZONE" and item.type == "EMPTY":
        item.empty_display_type = "CUBE"


_radio = _share(RADIO_KEYS, "radio_name")
_antenna = _share(ANTENNA_KEYS, "antenna_name")


class RadioSettings(bpy.types.PropertyGroup):
    """On every object: what it is to a radio plan."""

    role: EnumProperty(name="Is a", items=ROLES, default="NONE", update=_role_changed)
    plan_name: StringProperty(name="Name in plan", description="Where the object's own name will not do")
    power_dbm: FloatProperty(
        name="Power, dBm", default=10.0, min=-100, max=80, update=_changed, description="At the radio's connector"
    )
    cable_loss_db: FloatProperty(name="Cable loss, dB", default=0.0, min=0, max=200, update=_changed)
    purpose: StringProperty(name="Purpose", description="What the receiver controls, in words")
    radio_name: StringProperty(
        name="Radio", default="example", update=_take(RADIO_KEYS, "radio_name"),
        description="Transmitters and receivers of one radio are links; they share the numbers below",
    )  # fmt: skip
    first_channel_mhz: FloatProperty(
        name="First channel, MHz", default=2402.0, min=30, max=1e5, precision=3, update=_radio
    )
    last_channel_mhz: FloatProperty(
        name="Last channel, MHz", default=2480.0, min=30, max=1e5, precision=3, update=_radio
    )
    channel_spacing_mhz: FloatProperty(
        name="Channel spacing, MHz", default=1.0, min=1e-4, max=1e4, precision=4, update=_radio
    )
    bandwidth_mhz: FloatProperty(name="Bandwidth, MHz", default=1.0, min=1e-4, max=1e4, precision=4, update=_radio)
    sensitivity_dbm: FloatProperty(
        name="Sensitivity, dBm", default=-90.0, min=-200, max=0, update=_radio, description="The least power it hears"
    )
    antenna_name: StringProperty(
        name="Antenna", default="example", update=_take(ANTENNA_KEYS, "antenna_name"),
        description="Objects with one antenna name share its numbers",
    )  # fmt: skip
    pattern: EnumProperty(name="Pattern", items=PATTERNS, default="dipole", update=_antenna)
    gain_dbi: FloatProperty(name="Gain, dBi", default=5.0, min=-30, max=60, update=_antenna)
    beamwidth_deg: FloatVectorProperty(
        name="Widths, degrees", size=2, default=(60.0, 60.0), min=1, max=180, update=_antenna,
        description="Level and upright",
    )  # fmt: skip
    polarisation: EnumProperty(name="Polarisation", items=POLARISATIONS, default="vertical", update=_antenna)
    xpd_db: FloatProperty(name="Cross-polar, dB", default=20.0, min=0, max=100, update=_antenna)
    efficiency: FloatProperty(
        name="Efficiency", default=0.9, min=0.001, max=1, update=_antenna, description="Share of the power radiated"
    )
    kept: StringProperty(options={"HIDDEN"}, description="The row of the plan it came from, as JSON")


class SurfaceSettings(bpy.types.PropertyGroup):
    """On every object and material: what its faces are to radio waves."""

    material: StringProperty(
        name="RF material",
        search=vocabulary.search_materials,
        description="A material of rf3d's catalogue, or your own",
    )
    suggested: StringProperty(options={"HIDDEN"}, description="What its name suggests")
    thickness_mm: FloatProperty(
        name="Thickness, mm", default=0.0, min=0, max=1e5, precision=1,
        description="Of the wall a sheet stands for; 0 where the geometry gives it or the material states its layers",
    )  # fmt: skip
    half_space: BoolProperty(
        name="Nothing behind", description="A half-space, such as a floor on the ground: nothing comes back from behind"
    )
    body: EnumProperty(name="Taken as", items=BODIES, default="auto")
    own: BoolProperty(name="Own numbers", description="A material of the plan's own, not of the catalogue")
    permittivity: FloatProperty(name="Relative permittivity", default=3.0, min=1, max=1e5)
    conductivity_s_m: FloatProperty(name="Conductivity, S/m", default=0.01, min=0, max=1e9, precision=4)
    scattering: FloatProperty(
        name="Scattering", default=0.0, min=0, max=1, description="Amplitude of the diffuse part, 0 to 1"
    )
    source: StringProperty(name="Source", default="assumed", description="Where the numbers come from")
    kept: StringProperty(options={"HIDDEN"}, description="The row of the plan it came from, as JSON")


class FindingItem(bpy.types.PropertyGroup):
    """One thing worth knowing."""

    severity: StringProperty()
    code: StringProperty()
    where: StringProperty()
    message: StringProperty()
    place: FloatVectorProperty(size=3)
    has_place: BoolProperty()
    work: StringProperty()


class SceneSettings(bpy.types.PropertyGroup):
    """On every scene: the rest of the plan, and what is shown."""

    title: StringProperty(name="Title", default="Radio plan")
    region: StringProperty(name="Region", maxlen=2, description="Two capital letters, such as US or EU; empty for none")
    use_house: BoolProperty(name="House lies towards", description="Directions are then said as on a stage")
    house_azimuth_deg: FloatProperty(
        name="Azimuth, degrees", default=-90.0, min=-360, max=360,
        description="From the stage to the house, from +x, anticlockwise seen from above",
    )  # fmt: skip
    tolerance_mm: FloatProperty(
        name="Tolerance, mm",
        default=20.0,
        min=0,
        max=1000,
        description="How far surfaces may stand from where they are drawn",
    )
    max_reflections: IntProperty(name="Reflections at most", default=3, min=0, max=6)
    voxel_m: FloatProperty(name="Voxel, m", default=0.5, min=0.01, max=1000)
    rays: IntProperty(name="Rays", default=250000, min=64)
    seed: IntProperty(name="Seed", default=1, min=0)
    height_m: FloatProperty(name="Height of slice, m", default=1.5, min=-1e4, max=1e4)
    volume_of: EnumProperty(
        name="Volume of", default="ALL",
        items=(
            ("ALL", "All transmitters", "Needed for the strongest at each place"),
            ("ACTIVE", "The active one", "Quicker: the transmitter that is the active object alone"),
        ),
    )  # fmt: skip
    kept: StringProperty(options={"HIDDEN"}, description="Tables of the imported plan that have no place here, as JSON")
    findings: CollectionProperty(type=FindingItem)
    finding_index: IntProperty(name="Finding", default=-1, update=select.finding_chosen)
    shown_paths: EnumProperty(
        name="Paths", default="CHOSEN", update=select.show_changed,
        items=(
            ("CHOSEN", "Of the chosen receiver", "And the surfaces that throw its echoes"),
            ("BEST", "Best link of each", "Of every receiver, from the transmitter that serves it best"),
            ("ALL", "All links", "Everything that was found"),
            ("NONE", "None", ""),
        ),
    )  # fmt: skip
    shown_power: EnumProperty(name="Power of", items=select.power_choices, update=select.show_changed)
    show_slice: BoolProperty(name="Slice", default=True, update=select.show_changed)
    show_skins: BoolProperty(name="Skins of equal power", default=False, update=select.show_changed)
    through_walls: BoolProperty(
        name="Through walls", default=True, update=select.show_changed, description="Draw results in front of the venue"
    )
    show_labels: BoolProperty(
        name="Labels",
        default=True,
        update=select.show_changed,
        description="Receiver, verdict and dB to the sensitivity",
    )
    show_lobes: BoolProperty(name="Antenna lobes", default=True)
    lobe_m: FloatProperty(name="Size of lobes, m", default=1.0, min=0.01, max=100)
    following: BoolProperty(
        name="Recompute while moving", description="When a radio has been moved, its links are computed anew"
    )


CLASSES = (RadioSettings, SurfaceSettings, FindingItem, SceneSettings)


def register():
    """Hang the settings on objects, materials and scenes."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    bpy.types.Object.rf3d = PointerProperty(type=RadioSettings)
    bpy.types.Object.rf3d_surface = PointerProperty(type=SurfaceSettings)
    bpy.types.Material.rf3d_surface = PointerProperty(type=SurfaceSettings)
    bpy.types.Scene.rf3d = PointerProperty(type=SceneSettings)
    # Blender before 4.0 has no progress bar: a slider that cannot be moved stands in.
    bpy.types.WindowManager.rf3d_share = FloatProperty(
        name="Done", subtype="PERCENTAGE", min=0, max=100, precision=0, get=lambda _: 100 * work.state.share
    )


def unregister():
    """Take them off; the data stay in the file."""
    del bpy.types.WindowManager.rf3d_share, bpy.types.Scene.rf3d
    del bpy.types.Material.rf3d_surface, bpy.types.Object.rf3d_surface, bpy.types.Object.rf3d
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
