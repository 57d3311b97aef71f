# SPDX-License-Identifier: GPL-3.0-or-later
"""Which property of an object holds which key of a plan file, in which unit, and which keys each form has."""

from .numbers import recall, scaled

UNITS = {
    "first_channel_mhz": ("first_channel_hz", 1e6), "last_channel_mhz": ("last_channel_hz", 1e6),
    "channel_spacing_mhz": ("channel_spacing_hz", 1e6), "bandwidth_mhz": ("bandwidth_hz", 1e6),
    "data_rate_kbit_s": ("data_rate_bit_s", 1e3), "frequency_mhz": ("frequency_hz", 1e6),
    "low_mhz": ("low_hz", 1e6), "high_mhz": ("high_hz", 1e6), "hop_mhz": ("bandwidth_hz", 1e6),
    "hang_kind": ("kind", 1.0),
}  # fmt: skip
"""Properties that are called otherwise than their key, and how many of the key's units one of theirs is."""

CHANNELS = ("first_channel_mhz", "last_channel_mhz", "channel_spacing_mhz", "bandwidth_mhz", "sensitivity_dbm")
SHEET = (
    "noise_figure_db", "carrier_to_interference_db", "greatest_input_dbm", "packets_s", "repeats", "coding_gain_db",
    "data_rate_kbit_s",
)  # fmt: skip
"""Numbers that a data sheet may leave out."""
RADIO = (*CHANNELS, "sheet", *SHEET, "own_radio")
"""What objects that name one radio share."""

TEXTBOOK = ("isotropic", "short_dipole", "dipole")
"""Antennas that need no table."""
DIRECTED = ("panel", "yagi")
_ALL = ("gain_dbi", "beamwidth_deg", "polarisation", "xpd_db", "efficiency")
NEEDED = {
    "isotropic": (), "short_dipole": ("efficiency",), "dipole": ("efficiency",), "omni": ("gain_dbi", "efficiency"),
    "panel": _ALL, "yagi": _ALL, "file": (),
}  # fmt: skip
"""What must be told of an antenna of each pattern."""
STATED = ("polarisation", "xpd_db", "efficiency", "size_m", "frequency_mhz")
"""What may be told besides."""
ANTENNA = ("pattern", "antenna_file", "gain_dbi", "beamwidth_deg", *STATED, "stated")
"""What objects that name one antenna share."""

CARRIED = ("universes", "slots", "frames_s")
AIMS = ("aim_at_m", "azimuth_deg", "elevation_deg", "roll_deg", "upright")
_BAND = ("low_mhz", "high_mhz", "hop_mhz", "duty")
FORMS = {
    "TRANSMITTER": ("power_dbm", *_BAND),
    "CROWD": ("count", "power_dbm", *_BAND),
    "NOISE": ("noise_rise_db", "within_m"),
    "NOISE_BOX": ("noise_rise_db", "within_m"),
    "LEVEL": ("level_dbm", *_BAND),
}
"""Numbers of each form of occupied air."""
SPOTS, BOXES = ("TRANSMITTER", "NOISE"), ("CROWD", "NOISE_BOX")
"""Forms that lie at a place, and in a box."""


def key_of(name):
    """The key of the plan that a property holds."""
    return UNITS.get(name, (name, 1.0))[0]


def _keys(*names):
    return tuple(key_of(name) for name in names)


_PLACED = ("name", "position_m", *AIMS, "antenna", "radio", "connectors", "cable_loss_db")
HELD = {
    "transmitter": (*_PLACED, "power_dbm", *CARRIED),
    "receiver": (*_PLACED, "purpose", "answers", "answer_power_dbm", "worn", "inside", "on_loss", "importance"),
    "radio": _keys(*CHANNELS, *SHEET),
    "antenna": _keys("pattern", "gain_dbi", "beamwidth_deg", *STATED),
    "surface": ("object", "mesh_material", "material", "thickness_m", "half_space", "body"),
    "zone": ("name", "low_m", "high_m"),
    "hang": ("name", "kind", "from_m", "to_m"),
    "occupied": ("name", "position_m", "low_m", "high_m", *dict.fromkeys(_keys(*sum(FORMS.values(), ())))),
}
"""Keys of each table that objects say; any other is kept as it was read and written back."""


def value_of(settings, name, old):
    """Key and value of a property; the number of the row it came from, while the property still holds it."""
    key, factor = UNITS.get(name, (name, 1.0))
    value = getattr(settings, name)
    if isinstance(value, float):
        return key, recall(value, old.get(key)) if factor == 1.0 else scaled(value, factor, old.get(key))
    if not isinstance(value, bool | int | str):
        before = old.get(key) or (None,) * len(value)
        return key, [recall(number, told) for number, told in zip(value, before)]
    return key, value


def values_of(settings, names, old):
    """Keys and values of several properties."""
    return dict(value_of(settings, name, old) for name in names)


def give(settings, names, row):
    """Set the properties whose keys stand in a row; the others stay."""
    for name in names:
        key, factor = UNITS.get(name, (name, 1.0))
        if row.get(key) is not None:
            value = row[key]
            setattr(settings, name, value if factor == 1.0 else value / factor)


def beyond(row, table):
    """What a row holds that no property does."""
    return {key: value for key, value in row.items() if key not in HELD[table]}
