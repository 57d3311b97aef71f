# SPDX-License-Identifier: GPL-3.0-or-later
"""Transmitters, receivers, their radios and antennas as rows of a plan."""

import json
import os
from pathlib import Path

import bpy

from . import keys
from .numbers import angles, scaled, single, typed
from .trouble import Trouble


def plan_name(obj):
    """What an object is called in the plan."""
    return obj.rf3d.plan_name or obj.name


def kept_row(obj):
    """The row that an object came from, as read."""
    return json.loads(obj.rf3d.kept) if obj.rf3d.kept else {}


def shared_tables(objects, kept, folder):
    """Tables of the radios and antennas that objects name, and of those that an imported plan had and nobody names.

    Parameters
    ----------
    objects : list of Object
        Transmitters and receivers.
    kept : dict
        Tables kept with the scene.
    folder : Path or None
        What the paths of antenna files are written relative to; None for whole paths.

    Raises
    ------
    Trouble
        Numbers that objects of one name do not share.
    """
    tables = {}
    for what, row_of in (("radio", _radio_row), ("antenna", _antenna_row)):
        rows, numbers = {}, {}
        # What was read has more digits than a 32-bit float.
        for obj in sorted(objects, key=lambda o: not o.rf3d.kept):
            name, own = getattr(obj.rf3d, f"{what}_name"), row_of(obj, {})
            if numbers.setdefault(name, own) != own:
                raise Trouble(
                    f'{what} "{name}" of "{plan_name(obj)}" has other numbers than the same {what} elsewhere',
                    f"give it another {what} name, or the same numbers", [obj],
                )  # fmt: skip
            row = row_of(obj, kept_row(obj).get(f"{what}_row", {}))
            if row is not None:
                rows.setdefault(name, row)
        unused = {name: row for name, row in kept.get(what, {}).items() if name not in numbers}
        tables[what] = {**rows, **unused}
    tables["antenna"] = {name: _with_file(row, folder) for name, row in tables["antenna"].items()}
    return tables


def _radio_row(obj, old):
    """The table of a radio; None for a generic one, which rf3d knows by name."""
    r = obj.rf3d
    if not r.own_radio:
        return None
    told = [key for key in keys.SHEET if key in r.sheet]
    return {**keys.beyond(old, "radio"), **keys.values_of(r, (*keys.CHANNELS, *told), old)}


def _antenna_row(obj, old):
    """The table of an antenna; None for one of rf3d's own names."""
    r = obj.rf3d
    plain = r.antenna_name in keys.TEXTBOOK and r.pattern == r.antenna_name and r.efficiency == 1.0
    if plain and not r.stated and not old:
        return None
    names = [*keys.NEEDED[r.pattern], *(key for key in keys.STATED if key in r.stated)]
    row = {"pattern": r.pattern, **keys.values_of(r, dict.fromkeys(names), old)}
    if r.pattern == "file":
        row["pattern"] = bpy.path.abspath(r.antenna_file)
    return {**keys.beyond(old, "antenna"), **row}


def _with_file(row, folder):
    """A row whose antenna file is named from where the plan lies."""
    path = Path(row["pattern"])
    if row["pattern"] in keys.NEEDED or folder is None or not path.is_absolute():
        return row
    try:
        return {**row, "pattern": Path(os.path.relpath(path, folder)).as_posix()}
    except ValueError:  # another drive
        return row


def placed_row(obj, table, scale_m):
    """The row of a transmitter or receiver.

    Raises
    ------
    Trouble
        An object without extent has no axes.
    """
    r, old, matrix = obj.rf3d, kept_row(obj), obj.matrix_world
    try:
        azimuth, elevation, roll = angles(matrix.col[0][:3], matrix.col[2][:3])
    except ValueError as error:
        raise Trouble(f'"{plan_name(obj)}": {error}', "give it a scale", [obj]) from None
    row = {"name": plan_name(obj), "position_m": position(matrix.translation, scale_m, old.get("position_m"))}
    told = old.get("matrix")
    if told is not None and _alike(told, matrix):
        row.update({key: old[key] for key in keys.AIMS if key in old})
    elif max(abs(azimuth), abs(elevation), abs(roll)) < 2e-5:
        row["upright"] = True
    else:
        row.update({"azimuth_deg": azimuth, "elevation_deg": elevation, "roll_deg": roll})
    row["antenna"], row["radio"] = r.antenna_name, r.radio_name
    if table == "transmitter":
        row.update(keys.values_of(r, ("power_dbm", "cable_loss_db"), old))
        row.update(keys.values_of(r, keys.CARRIED, old) if r.carries else {})
        _unless(row, r, old, connectors=0)
    else:
        _unless(row, r, old, connectors=0, cable_loss_db=0.0, purpose="", answers=False, worn=False, inside="",
                on_loss="NONE", importance=1)  # fmt: skip
        row.update(keys.values_of(r, ("answer_power_dbm",), old) if r.answers else {})
    extras = {key: value for key, value in old.items() if key not in ("matrix", "radio_row", "antenna_row")}
    return {**keys.beyond(extras, table), **row}


def _unless(row, settings, old, **usual):
    """Add properties that differ from the usual, or that the row it came from said in so many words."""
    for name, value in usual.items():
        key, own = keys.value_of(settings, name, old)
        said = key in old and value not in ("", "NONE")
        if own != value or said:
            row[key] = own


def position(place, scale_m, told, size=1.0):
    """World metres; what the plan file said, as long as the object has not been moved.

    Parameters
    ----------
    size : float
        How far, in scene units, the place lies from the object's own: what 32 bits round is in proportion.
    """
    if told is not None and all(
        abs(single(t / scale_m) - v) <= 4e-7 * max(1.0, abs(v), size) for t, v in zip(told, place)
    ):
        return list(told)
    return [scaled(value, scale_m) if scale_m != 1.0 else typed(value) for value in place]


def _alike(told, matrix):
    flat = [value for row in matrix.to_3x3() for value in row]
    return all(abs(a - b) < 1e-6 for a, b in zip(told, flat)) and len(told) == len(flat)
