# SPDX-License-Identifier: GPL-3.0-or-later
"""What an object, a material and a scene know of radio. All of it lies on the data itself: it is saved, appended and
undone with it. Objects that share the name of a radio or an antenna share its numbers."""

import contextlib

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

from . import follow, keys, places, select, vocabulary, work

ROLES = (
    ("NONE", "None", "Geometry, or nothing to do with radio"),
    ("TRANSMITTER", "Transmitter", "Sends; its antenna looks along the object's x axis, z is its up"),
    ("RECEIVER", "Receiver", "Listens; its antenna looks along the object's x axis, z is its up"),
    ("ZONE", "Zone", "An upright box in which coverage is told: the empty's cube, or the box round a mesh"),
    ("HANG", "Hang", "A line along which antennas can hang: the empty's arrow, or a mesh of two vertices"),
    ("OCCUPIED", "Occupied", "What else is on the air: a transmitter, a crowd, noise, a level of a band"),
    ("LEFT_OUT", "Left out", "Not part of the venue: it is not exported"),
)
PATTERNS = (
    ("isotropic", "Isotropic", "The same in all directions; a yardstick, not an antenna"),
    ("short_dipole", "Short dipole", "A short wire along z, as inside a housing"),
    ("dipole", "Dipole", "A half-wave wire along z"),
    ("omni", "Omni", "An upright line of wires along z"),
    ("panel", "Panel", "A flat antenna that looks along x"),
    ("yagi", "Yagi", "An antenna with a boom along x"),
    ("file", "Antenna file", "Gains or fields from a file"),
)
HANG_KINDS = tuple((word, word.capitalize(), "") for word in ("rail", "truss", "bar", "bridge", "grid", "boom"))
OCCUPIED_FORMS = (
    ("TRANSMITTER", "Transmitter", "Somebody else's, where the object stands"),
    ("CROWD", "Crowd", "Many transmitters, such as phones, spread over a box"),
    ("NOISE", "Noise round a place", "Something that raises the noise of receivers near it, such as a dimmer rack"),
    ("NOISE_BOX", "Noise round a box", "The same, of something large, such as a wall of screens"),
    ("LEVEL", "Level everywhere", "What an antenna gets of a whole band, wherever it stands"),
)
LOSSES = (
    ("NONE", "Not known", ""), ("hold", "Holds", "It keeps its last state"), ("fade", "Fades", "It fades out"),
    ("off", "Goes off", "It goes dark or stops"),
)  # fmt: skip
SHEET = tuple((key, text, description) for key, text, description in (
    ("noise_figure_db", "Noise figure, dB", "Its own noise over thermal noise"),
    ("carrier_to_interference_db", "Over others, dB", "How far a signal must stand above others on its channel"),
    ("greatest_input_dbm", "Greatest input, dBm", "The most power it takes before it is overloaded"),
    ("packets_s", "Packets a second", "Packets sent a second"),
    ("repeats", "Repeats", "How often each update is sent"),
    ("coding_gain_db", "Coding gain, dB", "What coding wins over the sensitivity; 0 where that holds it already"),
    ("data_rate_kbit_s", "Data rate, kbit/s", "What one transmitter carries"),
))  # fmt: skip
STATED = (
    ("polarisation", "Polarisation", "How its field lies"), ("xpd_db", "Cross-polar, dB", "How far the other is below"),
    ("efficiency", "Efficiency", "Share of the power radiated"), ("size_m", "Size, m", "Its largest dimension"),
    ("frequency_mhz", "File holds at, MHz", "The frequency of an antenna file"),
)  # fmt: skip
POLARISATIONS = tuple((word, word, "") for word in ("vertical", "horizontal", "+45", "-45", "rhcp", "lhcp"))
BODIES = (
    ("auto", "Automatic", "Sheet or solid, decided from the geometry"),
    ("sheet", "Sheet", "One layer of faces stands for a whole wall"),
    ("solid", "Solid", "A closed body; the geometry gives its thickness"),
)
_sharing = False


def radio_objects(scene):
    """Objects of a scene that send or listen."""
    return [o for o in scene.objects if o.rf3d.role in ("TRANSMITTER", "RECEIVER")]


@contextlib.contextmanager
def alone():
    """Meanwhile a number that is set stays with its object: whoever sets all of them gives no word to the others."""
    global _sharing
    before, _sharing = _sharing, True
    try:
        yield
    finally:
        _sharing = before


def _others(settings, name_key):
    """Settings of the other objects of the file that name the same radio or antenna."""
    for other in bpy.data.objects:
        radio = other.rf3d
        if radio != settings and radio.role in ("TRANSMITTER", "RECEIVER") and (
            getattr(radio, name_key) == getattr(settings, name_key)
        ):  # fmt: skip
            yield radio


def _share(names, name_key):
    """An update that gives the numbers to all objects of the file that name the same radio or antenna."""

    def update(self, context):
        if _sharing:
            return
        with alone():
            for radio in _others(self, name_key):
                for key in names:
                    setattr(radio, key, getattr(self, key))
        follow.touched(self.id_data)

    return update


def _take(names, name_key):
    """An update of a name: an object that takes another's name takes its numbers."""

    def update(self, context):
        if _sharing:
            return
        with alone():
            radio = next(_others(self, name_key), None)
            if radio is not None:
                for key in names:
                    setattr(self, key, getattr(radio, key))
            elif name_key == "radio_name":
                take_generic(self)
        follow.touched(self.id_data)

    return update


def take_generic(settings):
    """Show the numbers of the generic radio that is named; any other radio has numbers of its own."""
    row = vocabulary.generic_radio(settings.radio_name)
    settings.own_radio = row is None
    if row is not None:
        give_radio(settings, row)


def give_radio(settings, row):
    """Set the numbers of a radio from its row, and which of them it tells."""
    keys.give(settings, (*keys.CHANNELS, *keys.SHEET), row)
    settings.sheet = {key for key in keys.SHEET if row.get(keys.key_of(key)) is not None}


def _changed(self, context):
    follow.touched(self.id_data)


def _looks_changed(self, context):
    places.shape(self.id_data, context.scene.unit_settings.scale_length)


_radio = _share(keys.RADIO, "radio_name")
_antenna = _share(keys.ANTENNA, "antenna_name")


class RadioSettings(bpy.types.PropertyGroup):
    """On every object: what it is to a radio plan."""

    role: EnumProperty(name="Is a", items=ROLES, default="NONE", update=_looks_changed)
    plan_name: StringProperty(name="Name in plan", description="Where the object's own name will not do")
    power_dbm: FloatProperty(
        name="Power, dBm", default=10.0, min=-100, max=80, update=_changed, description="At the radio's connector"
    )
    cable_loss_db: FloatProperty(name="Cable loss, dB", default=0.0, min=0, max=200, update=_changed)
    connectors: IntProperty(
        name="Connectors", default=0, min=0, max=50, update=_changed, description="Each takes 0.2 dB"
    )
    carries: BoolProperty(
        name="Universes told", update=_changed, description="Whether what it carries fits the air is judged"
    )
    universes: IntProperty(name="Universes", default=1, min=1, max=64, update=_changed)
    slots: IntProperty(name="Slots", default=512, min=1, max=512, update=_changed, description="Of each universe")
    frames_s: FloatProperty(
        name="Frames a second", default=40.0, min=0.001, max=1000, update=_changed, description="Updates of all slots"
    )
    purpose: StringProperty(name="Purpose", description="What the receiver controls, in words")
    answers: BoolProperty(name="Answers", update=_changed, description="It talks back: the way back is judged too")
    answer_power_dbm: FloatProperty(
        name="Answers with, dBm", default=10.0, min=-100, max=80, update=_changed, description="At its connector"
    )
    worn: BoolProperty(
        name="Worn", update=_changed, description="A pack on a body; the object's x axis points off the body"
    )
    inside: StringProperty(
        name="Inside", search=vocabulary.search_housings, update=_changed, description="What houses the antenna, if any"
    )
    on_loss: EnumProperty(name="Without signal", items=LOSSES, default="NONE", update=_changed)
    importance: IntProperty(
        name="Importance", default=1, min=1, max=5, update=_changed, description="How much it matters, 1 to 5"
    )
    hang_kind: EnumProperty(name="Kind", items=HANG_KINDS, default="bar")
    form: EnumProperty(name="Kind", items=OCCUPIED_FORMS, default="TRANSMITTER", update=_looks_changed)
    low_mhz: FloatProperty(
        name="From, MHz", default=2402.0, min=1, max=1e5, precision=3, description="The low end of its band"
    )
    high_mhz: FloatProperty(
        name="To, MHz", default=2422.0, min=1, max=1e5, precision=3, description="The high end of its band"
    )
    hop_mhz: FloatProperty(
        name="At a time, MHz",
        default=0.0,
        min=0,
        max=1e5,
        precision=3,
        description="What it takes of its band at a time, hopping over all of it; 0 where it fills the band",
    )
    duty: FloatProperty(
        name="On the air", default=0.2, min=1e-6, max=1, precision=3, description="Share of time each is on the air"
    )
    count: IntProperty(name="How many", default=100, min=1, max=1000000)
    noise_rise_db: FloatProperty(
        name="Noise rises by, dB", default=6.0, min=0.001, max=60, description="For receivers within its reach"
    )
    within_m: FloatProperty(
        name="Within, m", default=3.0, min=0.001, max=1000, update=_looks_changed, description="How far that reaches"
    )
    level_dbm: FloatProperty(
        name="Level, dBm", default=-80.0, min=-200, max=20, description="What an antenna gets of the whole band"
    )
    radio_name: StringProperty(
        name="Radio", default="example", update=_take(keys.RADIO, "radio_name"), search=vocabulary.search_radios,
        search_options={"SUGGESTION"},
        description="Transmitters and receivers of one radio are links; they share the numbers below",
    )  # fmt: skip
    first_channel_mhz: FloatProperty(
        name="First, MHz", default=2402.0, min=30, max=1e5, precision=3, update=_radio, description="Its lowest channel"
    )
    last_channel_mhz: FloatProperty(
        name="Last, MHz", default=2480.0, min=30, max=1e5, precision=3, update=_radio, description="Its highest channel"
    )
    channel_spacing_mhz: FloatProperty(name="Spacing, MHz", default=1.0, min=1e-4, max=1e4, precision=4, update=_radio)
    bandwidth_mhz: FloatProperty(name="Bandwidth, MHz", default=1.0, min=1e-4, max=1e4, precision=4, update=_radio)
    sensitivity_dbm: FloatProperty(
        name="Sensitivity, dBm", default=-90.0, min=-200, max=0, update=_radio, description="The least power it hears"
    )
    sheet: EnumProperty(
        name="Data sheet", items=SHEET, options={"ENUM_FLAG"}, default=set(), update=_radio,
        description="Which of these numbers the data sheet tells",
    )  # fmt: skip
    noise_figure_db: FloatProperty(name="Noise figure, dB", default=10.0, min=0, max=40, update=_radio)
    carrier_to_interference_db: FloatProperty(name="Over others, dB", default=14.0, min=-40, max=60, update=_radio)
    greatest_input_dbm: FloatProperty(name="Greatest input, dBm", default=-10.0, min=-60, max=40, update=_radio)
    packets_s: FloatProperty(name="Packets a second", default=100.0, min=0.001, max=1e5, update=_radio)
    repeats: IntProperty(name="Repeats", default=2, min=1, max=100, update=_radio)
    coding_gain_db: FloatProperty(name="Coding gain, dB", default=0.0, min=0, max=30, update=_radio)
    data_rate_kbit_s: FloatProperty(name="Data rate, kbit/s", default=250.0, min=1e-3, max=1e7, update=_radio)
    own_radio: BoolProperty(
        name="Own numbers", default=True, update=_radio,
        description="Numbers of a data sheet; off: those of the generic radio of this name",
    )  # fmt: skip
    antenna_name: StringProperty(
        name="Antenna", default="example", update=_take(keys.ANTENNA, "antenna_name"),
        description="Objects with one antenna name share its numbers",
    )  # fmt: skip
    pattern: EnumProperty(name="Pattern", items=PATTERNS, default="dipole", update=_antenna)
    antenna_file: StringProperty(name="File", subtype="FILE_PATH", update=_antenna)
    stated: EnumProperty(
        name="Also stated", items=STATED, options={"ENUM_FLAG"}, default=set(), update=_antenna,
        description="Numbers that a pattern does not need, but may have",
    )  # fmt: skip
    size_m: FloatProperty(name="Size, m", default=0.1, min=1e-3, max=100, precision=3, update=_antenna)
    frequency_mhz: FloatProperty(
        name="File holds at, MHz", default=2441.0, min=30, max=1e5, precision=3, update=_antenna
    )
    gain_dbi: FloatProperty(name="Gain, dBi", default=5.0, min=-30, max=60, update=_antenna)
    beamwidth_deg: FloatVectorProperty(
        name="Widths, degrees", size=2, default=(60.0, 60.0), min=0.1, max=360, update=_antenna,
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
    summary: StringProperty(options={"HIDDEN"}, description="The plan in a few sentences, a line each")
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
        name="Through walls", default=True, update=select.show_changed,
        description="Draw results and lobes in front of the venue",
    )  # fmt: skip
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


CLASSES = {cls: cls.__annotations__ for cls in (RadioSettings, SurfaceSettings, FindingItem, SceneSettings)}


def register():
    """Hang the settings on objects, materials and scenes."""
    for cls, fields in CLASSES.items():
        cls.__annotations__ = fields
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
        # Blender 4.2 never lets go of a group. Through its updates that would hold everything here, Blender's own
        # module too; and Blender as a module closes only when nothing holds it, and crashes at the end if it has not.
        del cls.__annotations__
