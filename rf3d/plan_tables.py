"""The tables and keys of a plan file, and what each key may hold.

The text after every key is what a user reads when the value is refused. Unknown keys are
refused, because a mistyped key would otherwise be a number silently left out.
"""

from __future__ import annotations

import json
from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field

Pattern = Literal["isotropic", "short_dipole", "dipole", "omni", "panel", "yagi"]
Polarisation = Literal["vertical", "horizontal", "+45", "-45", "rhcp", "lhcp"]
HangKind = Literal["rail", "truss", "bar", "bridge", "grid", "boom"]
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
    noise_figure_db: float | None = Field(None, ge=0, le=40, description="the noise figure in dB, from 0 to 40")
    carrier_to_interference_db: float | None = Field(
        None, ge=-40, le=60, description="how far a signal must stand above others on its channel in dB, from -40 to 60"
    )
    greatest_input_dbm: float | None = Field(
        None, ge=-60, le=40, description="the most power the radio takes before it is overloaded in dBm, from -60 to 40"
    )
    packets_s: float | None = Field(None, gt=0, le=1e5, description="packets sent a second, positive")
    repeats: int | None = Field(None, ge=1, le=100, description="how often each update is sent, 1 to 100")
    coding_gain_db: float | None = Field(
        None,
        ge=0,
        le=30,
        description="what coding wins over the stated sensitivity in dB, 0 where that holds it already",
    )
    data_rate_bit_s: float | None = Field(
        None, gt=0, le=1e10, description="what one transmitter carries in bit/s, positive"
    )


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
    radio: Name = Field(description="the NAME of a [radio.NAME], or a generic radio that `rf3d vocabulary` lists")
    connectors: int = Field(0, ge=0, le=50, description="connectors between radio and antenna, 0.2 dB each; 0 to 50")


class TransmitterRow(_PlacedRow):
    """[[transmitter]]: a radio that sends."""

    power_dbm: float = Field(ge=-100, le=80, description="the power at the radio's connector in dBm, from -100 to 80")
    cable_loss_db: float = Field(ge=0, le=200, description="the loss of the cable to the antenna in dB, 0 for none")
    universes: int | None = Field(None, ge=1, le=64, description="universes it carries, 1 to 64")
    slots: int | None = Field(None, ge=1, le=512, description="slots of each universe in use, 1 to 512 (ANSI E1.11)")
    frames_s: float | None = Field(None, gt=0, le=1000, description="updates of all slots a second, positive")


class ReceiverRow(_PlacedRow):
    """[[receiver]]: a radio that listens."""

    cable_loss_db: float = Field(
        0.0, ge=0, le=200, description="the loss of the cable to the antenna in dB, 0 for none"
    )
    purpose: str | None = Field(None, min_length=1, description="what the receiver controls, in words")
    answers: bool = Field(False, description="true where the receiver talks back")
    answer_power_dbm: float | None = Field(
        None, ge=-100, le=80, description="the power it answers with, at its connector, in dBm, from -100 to 80"
    )
    worn: bool = Field(False, description="true for a pack on a body, its antenna's boresight pointing off the body")
    inside: str | None = Field(
        None, min_length=1, description="what houses the antenna, a name that `rf3d vocabulary` lists"
    )
    on_loss: Literal["hold", "fade", "off"] | None = Field(
        None, description='what it does without signal, one of "hold", "fade", "off"'
    )
    importance: int = Field(1, ge=1, le=5, description="how much it matters, 1 to 5")


class ZoneRow(_Table):
    """[[zone]]: a box of the venue, upright and along its axes, in which coverage is told."""

    name: Name = Field(description="a name of its own")
    low_m: Point = Field(description="the low corner, three numbers in metres, [x, y, z]")
    high_m: Point = Field(description="the high corner, three numbers in metres, [x, y, z]")


class HangRow(_Table):
    """[[hang]]: a line of the venue along which antennas can hang, drawn clear of the steel itself."""

    name: Name = Field(description="a name of its own")
    kind: HangKind = Field(description=_one_of(HangKind))
    from_m: Point = Field(description="one end, three numbers in metres, [x, y, z]")
    to_m: Point = Field(description="the other end, three numbers in metres, [x, y, z]")


class OccupiedRow(_Table):
    """[[occupied]]: somebody else's transmitter, a crowd of them, a source of noise, or a level of the band."""

    name: Name = Field(description="a name of its own")
    position_m: Point | None = Field(None, description="where it stands, three numbers in metres, [x, y, z]")
    low_m: Point | None = Field(None, description="the low corner of where they are, three numbers in metres")
    high_m: Point | None = Field(None, description="the high corner of where they are, three numbers in metres")
    count: int | None = Field(None, ge=1, le=1_000_000, description="how many there are in the box, 1 or more")
    power_dbm: float | None = Field(None, ge=-100, le=80, description="EIRP of each in dBm, from -100 to 80")
    level_dbm: float | None = Field(
        None, ge=-200, le=20, description="what a receiver's antenna gets of the whole band in dBm, from -200 to 20"
    )
    low_hz: float | None = Field(None, ge=1e6, le=100e9, description="the low end of its band in hertz")
    high_hz: float | None = Field(None, ge=1e6, le=100e9, description="the high end of its band in hertz")
    bandwidth_hz: float | None = Field(
        None, gt=0, le=1e11, description="what it takes of its band at a time, hopping over all of it, in hertz"
    )
    duty: float | None = Field(
        None, gt=0, le=1, description="the share of time each is on the air, above 0 and up to 1"
    )
    noise_rise_db: float | None = Field(
        None, gt=0, le=60, description="by how much noise rises near it in dB, positive"
    )
    within_m: float | None = Field(None, gt=0, le=1000, description="how far that reaches in metres, positive")


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
    radio: dict[Name, RadioRow] = Field({}, description="tables headed [radio.NAME]")
    antenna: dict[Name, AntennaRow] = Field({}, description="tables headed [antenna.NAME]")
    transmitter: list[TransmitterRow] = Field(
        min_length=1, description="one table or more, each headed [[transmitter]]"
    )
    receiver: list[ReceiverRow] = Field([], description="a list of tables, each headed [[receiver]]")
    zone: list[ZoneRow] = Field([], description="a list of tables, each headed [[zone]]")
    hang: list[HangRow] = Field([], description="a list of tables, each headed [[hang]]")
    occupied: list[OccupiedRow] = Field([], description="a list of tables, each headed [[occupied]]")
    study: Study = Field(description="one table headed [study]")


ROWS: dict[str, type[_Table]] = {
    "venue": VenueTable, "surface": SurfaceRow, "material": MaterialRow, "radio": RadioRow, "antenna": AntennaRow,
    "transmitter": TransmitterRow, "receiver": ReceiverRow, "zone": ZoneRow, "hang": HangRow,
    "occupied": OccupiedRow, "study": Study,
}  # fmt: skip


def table_keys() -> dict[str, dict[str, dict[str, Any]]]:
    """Every key of every table by the table's name: what it may hold, in words, and whether it must stand."""
    return {
        table: {
            (field.alias or name): {"text": field.description or "", "needed": field.is_required()}
            for name, field in row.model_fields.items()
        }
        for table, row in ROWS.items()
    }
