"""The tables and keys of a plan file, and what each key may hold.

The text after every key is what a user reads when the value is refused. Unknown keys are
refused, because a mistyped key would otherwise be a number silently left out.
"""

from __future__ import annotations

import difflib
import hashlib
import json
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from rf3d.errors import InputError

Pattern = Literal["isotropic", "short_dipole", "dipole", "omni", "panel", "yagi"]
Polarisation = Literal["vertical", "horizontal", "+45", "-45", "rhcp", "lhcp"]
Name = Annotated[str, Field(min_length=1, pattern=r"^[^\x00-\x1f\x7f]*\S[^\x00-\x1f\x7f]*$")]
Point = Annotated[list[Annotated[float, Field(ge=-1e6, le=1e6)]], Field(min_length=3, max_length=3)]


def _one_of(literal: Any) -> str:
    """The choices of a Literal as words."""
    words = [json.dumps(choice) for choice in get_args(literal)]
    return f"one of {', '.join(words)}"


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class VenueTable(_Table):
    """[venue]: where the mesh is and how to read it."""

    mesh: str = Field(min_length=1, description="the path of a mesh file, relative to the plan")
    units: Literal["m", "cm", "mm", "ft", "in"] | None = Field(None, description='one of "m", "cm", "mm", "ft", "in"')
    up: Literal["y", "z"] | None = Field(None, description='"y" or "z"')
    region: str | None = Field(None, pattern="^[A-Z]{2}$", description='two capital letters, such as "US" or "EU"')
    position_tolerance_m: float = Field(
        0.02, ge=0, le=1, description="how far surfaces may stand from where they are drawn, 0 to 1 metre"
    )
    house_azimuth_deg: float | None = Field(
        None, ge=-360, le=360, description="the direction from the stage to the house, in degrees from +x"
    )


class SurfaceRow(_Table):
    """[[surface]]: the radio material of some of the mesh; the first row that matches counts."""

    object: str | None = Field(None, min_length=1, description="the name of an object, with * and ? for any")
    mesh_material: str | None = Field(
        None, min_length=1, description="the name of a mesh material, with * and ? for any"
    )
    material: Name = Field(description="a catalogue name or the NAME of a [material.NAME]")
    thickness_m: float | None = Field(None, gt=0, le=100, description="positive, in metres")
    half_space: bool = Field(False, description="true or false")
    body: Literal["auto", "sheet", "solid"] = Field("auto", description='one of "auto", "sheet", "solid"')


class GridRow(_Table):
    """grid of a material or of a layer: a square wire mesh or grating."""

    pitch_m: float = Field(gt=0, le=10, description="from wire to wire in metres, positive")
    wire_m: float = Field(gt=0, le=10, description="the width of the metal between two openings in metres, positive")
    round: bool = Field(False, description="true for round wires wire_m thick, false for flat strips wire_m wide")


class LayerRow(_Table):
    """One of the layers of a material: a material, or numbers, with a thickness; or a film; or a grid."""

    material: Name | None = Field(None, description="a catalogue name or the NAME of a [material.NAME] without layers")
    permittivity: float | None = Field(None, ge=1, le=1e5, description="the relative permittivity, 1 or more")
    conductivity_s_m: float | None = Field(
        None, ge=0, le=1e9, description="the conductivity in siemens per metre, 0 or more"
    )
    thickness_m: float | None = Field(None, gt=0, le=10, description="positive, in metres")
    sheet_resistance_ohm: float | None = Field(
        None, ge=1e-3, le=1e6, description="the resistance of a thin film in ohms a square, from 0.001 to 1e6"
    )
    grid: GridRow | None = Field(None, description="a table such as { pitch_m = 0.05, wire_m = 0.003 }")


class MaterialRow(_Table):
    """[material.NAME]: a material of the plan's own: numbers, or layers, or a grid."""

    permittivity: float | None = Field(None, ge=1, le=1e5, description="the relative permittivity, 1 or more")
    conductivity_s_m: float | None = Field(
        None, ge=0, le=1e9, description="the conductivity in siemens per metre, 0 or more"
    )
    layers: list[LayerRow] | None = Field(
        None, min_length=1, max_length=50, description="a list of tables front to back, each { material, thickness_m }"
    )
    grid: GridRow | None = Field(None, description="a table such as { pitch_m = 0.05, wire_m = 0.003 }")
    open_fraction: float | None = Field(
        None, gt=0, lt=1, description="the share of the area that is openings, above 0 and below 1"
    )
    opening_m: float | None = Field(
        None, gt=0, le=100, description="the smallest width of an opening in metres, positive"
    )
    scattering: float = Field(ge=0, lt=1, description="the amplitude of the diffuse part, from 0 to below 1")
    source: str = Field(min_length=1, description='where the numbers come from, or "assumed"')


class RadioRow(_Table):
    """[radio.NAME]: how a radio talks."""

    first_channel_hz: float = Field(ge=30e6, le=100e9, description="the lowest channel in hertz, from 30e6 to 100e9")
    last_channel_hz: float = Field(ge=30e6, le=100e9, description="the highest channel in hertz, from 30e6 to 100e9")
    channel_spacing_hz: float = Field(gt=0, le=10e9, description="the step between channels in hertz, positive")
    bandwidth_hz: float = Field(gt=0, le=10e9, description="the width of one channel in hertz, positive")
    sensitivity_dbm: float = Field(ge=-200, le=0, description="the least power the radio hears in dBm, from -200 to 0")


class AntennaRow(_Table):
    """[antenna.NAME]: which keys are needed depends on the pattern."""

    pattern: str = Field(
        min_length=1, description=f"{_one_of(Pattern)}, or the path of an antenna file, relative to the plan"
    )
    gain_dbi: float | None = Field(None, ge=-30, le=60, description="the gain in dBi, from -30 to 60")
    beamwidth_deg: Annotated[list[Annotated[float, Field(gt=0, le=360)]], Field(min_length=2, max_length=2)] | None = (
        Field(None, description="two half-power widths in degrees, level and upright, such as [60, 60]")
    )
    polarisation: Polarisation | None = Field(None, description=_one_of(Polarisation))
    xpd_db: float | None = Field(None, ge=0, le=100, description="the cross-polar discrimination in dB, 0 or more")
    efficiency: float | None = Field(None, gt=0, le=1, description="the share of power radiated, above 0 and up to 1")
    frequency_hz: float | None = Field(
        None, ge=30e6, le=100e9, description="the frequency an antenna file holds at, in hertz, from 30e6 to 100e9"
    )
    size_m: float | None = Field(None, gt=0, le=100, description="the largest dimension in metres, positive")


class _PlacedRow(_Table):
    name: Name = Field(description="a name of its own")
    position_m: Point = Field(description="three numbers in metres, [x, y, z]")
    aim_at_m: Point | None = Field(None, description="three numbers in metres, [x, y, z]")
    azimuth_deg: float | None = Field(None, ge=-360, le=360, description="degrees from +x, anticlockwise from above")
    elevation_deg: float | None = Field(None, ge=-90, le=90, description="degrees above the horizon, from -90 to 90")
    roll_deg: float | None = Field(None, ge=-360, le=360, description="degrees, clockwise seen from behind")
    upright: bool | None = Field(None, description="true, or left out")
    antenna: Name = Field(
        description="the NAME of an [antenna.NAME], or one of isotropic, short_dipole, dipole (without loss)"
    )
    radio: Name = Field(description="the NAME of a [radio.NAME]")


class TransmitterRow(_PlacedRow):
    """[[transmitter]]: a radio that sends."""

    power_dbm: float = Field(ge=-100, le=80, description="the power at the radio's connector in dBm, from -100 to 80")
    cable_loss_db: float = Field(ge=0, le=200, description="the loss of the cable to the antenna in dB, 0 for none")


class ReceiverRow(_PlacedRow):
    """[[receiver]]: a radio that listens."""

    cable_loss_db: float = Field(
        0.0, ge=0, le=200, description="the loss of the cable to the antenna in dB, 0 for none"
    )
    purpose: str | None = Field(None, min_length=1, description="what the receiver controls, in words")


class ZoneRow(_Table):
    """[[zone]]: a box of the venue, upright and along its axes, in which coverage is told."""

    name: Name = Field(description="a name of its own")
    low_m: Point = Field(description="the low corner, three numbers in metres, [x, y, z]")
    high_m: Point = Field(description="the high corner, three numbers in metres, [x, y, z]")


class Study(_Table):
    """[study]: how far and how finely to compute.

    Walls that take more than 120 dB leave nothing to hear: 36 dBm sent and −115 dBm heard lie 151 dB apart, of which
    the first metre of air takes 31 dB at 900 MHz (common practice, no source).
    """

    max_reflections: int = Field(ge=0, le=6, description="a whole number from 0 to 6")
    voxel_m: float = Field(gt=0, le=1000, description="the edge of a voxel in metres, positive")
    rays: int = Field(ge=64, le=10_000_000_000, description="a whole number of rays, 64 or more")
    seed: int = Field(ge=0, lt=2**63, description="a whole number, 0 or more")
    most_wall_loss_db: float = Field(
        120.0, ge=20, le=200, description="what the walls on a path may take altogether in dB, from 20 to 200"
    )


class PlanTables(_Table):
    """The whole file."""

    version: Literal[1] = Field(alias="schema", description="1, the form of plan file this version reads")
    title: str = Field(description="one line of text")
    venue: VenueTable = Field(description="one table headed [venue]")
    surface: list[SurfaceRow] = Field([], description="a list of tables, each headed [[surface]]")
    material: dict[Name, MaterialRow] = Field({}, description="tables headed [material.NAME]")
    radio: dict[Name, RadioRow] = Field(description="tables headed [radio.NAME]")
    antenna: dict[Name, AntennaRow] = Field({}, description="tables headed [antenna.NAME]")
    transmitter: list[TransmitterRow] = Field(
        min_length=1, description="one table or more, each headed [[transmitter]]"
    )
    receiver: list[ReceiverRow] = Field([], description="a list of tables, each headed [[receiver]]")
    zone: list[ZoneRow] = Field([], description="a list of tables, each headed [[zone]]")
    study: Study = Field(description="one table headed [study]")


_ROWS: dict[str, type[_Table]] = {
    "venue": VenueTable, "surface": SurfaceRow, "material": MaterialRow, "radio": RadioRow, "antenna": AntennaRow,
    "transmitter": TransmitterRow, "receiver": ReceiverRow, "zone": ZoneRow, "study": Study,
}  # fmt: skip


def table_keys() -> dict[str, dict[str, dict[str, Any]]]:
    """Every key of every table by the table's name: what it may hold, in words, and whether it must stand."""
    return {
        table: {
            (field.alias or name): {"text": field.description or "", "needed": field.is_required()}
            for name, field in row.model_fields.items()
        }
        for table, row in _ROWS.items()
    }


@dataclass(frozen=True)
class Place:
    """A table of a plan file, for messages: which it is and where it stands.

    Parameters
    ----------
    file : str
    table : str
        "" for the file itself.
    index : int or None
        Of a row in a list of tables, from 0.
    name : str
        What the row calls itself; "" where it has no name.
    inner : str
        Which table within it; "" for the row itself.
    """

    file: str
    table: str = ""
    index: int | None = None
    name: str = ""
    inner: str = ""

    @property
    def owner(self) -> str:
        """Whose key it is, in words."""
        if self.inner:
            return f"{self.inner} of {replace(self, inner='').owner}"
        if not self.table:
            return self.file
        if self.name:
            return f'{self.table} "{self.name}"'
        return self.header if self.index is None else f"{self.header} {self.index + 1}"

    @property
    def header(self) -> str:
        """The table's header as it stands in the file."""
        if self.index is not None:
            return f"[[{self.table}]]"
        return f"[{self.table}.{self.name}]" if self.name else f"[{self.table}]"

    @property
    def where(self) -> str:
        """File and table."""
        if not self.table:
            return self.file
        return f"{self.file}, {self.header}" + ("" if self.index is None else f" {self.index + 1}")

    def refuse(self, given: str, allowed: str, cure: str) -> InputError:
        """An error about this place."""
        return InputError(given, allowed, f"{cure} in {self.where}")


def nearest(word: str, known: Iterable[str]) -> str:
    """The known word most like a mistyped one as a clause: `the nearest is "…"`, else all of them."""
    names = sorted(known)
    close = difflib.get_close_matches(word, names, n=1, cutoff=0.5)
    if close:
        return f'the nearest known one is "{close[0]}"'
    return f"known ones are {', '.join(names)}" if names else "none is known"


def read_tables(path: Path) -> tuple[PlanTables, str]:
    """Read and check a plan file.

    Returns
    -------
    tables : PlanTables
    digest : str
        SHA-256 of the file's bytes, hexadecimal.

    Raises
    ------
    InputError
        No such file, not TOML (with the line), or the first key that is unknown, missing or out of bounds.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(
            f'the plan "{path}" cannot be read ({error.strerror})', "it must be a TOML file", "correct the path"
        ) from error
    try:
        content = tomllib.loads(data.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise InputError(
            f'the plan "{path.name}" is not TOML: {_toml_reason(error)}',
            "a line holds key = value, a [table] or a comment, in UTF-8",
            "correct that line",
        ) from error
    try:
        return PlanTables.model_validate(content), hashlib.sha256(data).hexdigest()
    except ValidationError as error:
        raise _in_words(error, content, path.name) from None


def _toml_reason(error: Exception) -> str:
    if isinstance(error, tomllib.TOMLDecodeError):
        return str(error)
    if isinstance(error, UnicodeDecodeError):
        return f"byte {error.start} is not UTF-8 text"
    return "its brackets are nested too deeply"


def _in_words(error: ValidationError, content: dict[str, Any], file: str) -> InputError:
    """The first thing wrong, unknown keys before all and missing ones last: a mistyped key looks like a missing one."""
    order = {"extra_forbidden": 0, "missing": 2}
    problem = min(error.errors(include_url=False), key=lambda problem: order.get(problem["type"], 1))
    place, loc = _locate(problem["loc"], content, file)
    key = str(loc[-1])
    row: type[_Table] = _ROWS.get(place.table, PlanTables)
    if place.inner:
        row = GridRow if place.inner.startswith("grid") else LayerRow
    fields = {(f.alias or n): f for n, f in row.model_fields.items()}
    if problem["type"] == "extra_forbidden":
        what = "table or key" if not place.table else "key"
        return place.refuse(
            f"{key} of {place.owner} is not a known {what}", nearest(key, fields), f"correct or delete {key}"
        )
    field = fields.get(key)
    allowed = field.description if field is not None and field.description else "text"
    if problem["type"] == "missing":
        given = f"{key} of {place.owner}" if place.table else _HEADERS.get(key, key)
        added = key if place.table else given
        return place.refuse(f"{given} is missing", f"it must be {allowed}", f"add {added}")
    return place.refuse(
        f"{key} of {place.owner} is {shown(_value(content, loc))}", f"it must be {allowed}", "change it"
    )


_HEADERS = {
    "venue": "[venue]", "surface": "[[surface]]", "material": "[material.NAME]", "radio": "[radio.NAME]",
    "antenna": "[antenna.NAME]", "transmitter": "[[transmitter]]", "receiver": "[[receiver]]", "zone": "[[zone]]",
    "study": "[study]",
}  # fmt: skip


def _locate(loc: tuple[int | str, ...], content: dict[str, Any], file: str) -> tuple[Place, tuple[int | str, ...]]:
    """The table a location lies in, and the location of its key; a wrong table is itself a key of the file."""
    table = str(loc[0])
    if len(loc) == 1 or table not in _ROWS:
        return Place(file), loc[:1]
    if table in ("venue", "study"):
        return Place(file, table), loc[:2]
    if len(loc) == 2 or loc[2] == "[key]":
        return Place(file), loc[:1]
    if isinstance(loc[1], str):
        return _within(Place(file, table, None, loc[1]), loc)
    row = content[table][loc[1]]
    names = [row.get(key) for key in ("name", "object", "mesh_material")]
    name = next((n for n in names if isinstance(n, str) and n), "")
    return Place(file, table, loc[1], name), loc[:3]


def _within(place: Place, loc: tuple[int | str, ...]) -> tuple[Place, tuple[int | str, ...]]:
    """A key of a named table, or of a layer or grid inside it."""
    inner: list[str] = []
    step = 2
    while step < len(loc) - 1 and loc[step] in ("layers", "grid"):
        listed = loc[step] == "layers"
        inner.insert(0, f"layer {int(loc[step + 1]) + 1}" if listed else "grid")
        step += 2 if listed else 1
    if step == len(loc):  # a layer that is no table
        return place, loc[:3]
    return replace(place, inner=" of ".join(inner)), loc[: step + 1]


def _value(content: Any, loc: tuple[int | str, ...]) -> Any:
    for step in loc:
        content = content[step]
    return content


def shown(value: Any) -> str:
    """A value as it could stand in the file, cut to a readable length."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list) and any(isinstance(item, dict) for item in value):
        return "a list of tables"
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else text[:57] + "…"
