"""The plan file as radios in a venue: read it, check what it refers to, give its surfaces their materials.

What stands in the file is what is used: a number that a physical answer depends on has no
default. Defaults stand only where a definition fixes them or nothing is the plain reading: roll 0,
dipoles and omnis polarised along their own axis, no cable at a receiver, body auto.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from types import MappingProxyType

import numpy as np

from rf3d.errors import InputError
from rf3d.plan_materials import check_openings, own_materials
from rf3d.plan_tables import (
    AntennaRow,
    Place,
    PlanTables,
    RadioRow,
    ReceiverRow,
    Study,
    SurfaceRow,
    TransmitterRow,
    ZoneRow,
    nearest,
    read_tables,
)
from rf3d.radio.antennas import PATTERNS, UPRIGHT, Antenna, aim_axes, file_antenna, make_antenna
from rf3d.radio.pattern_files import read_pattern
from rf3d.radio.radios import GRID_SLACK, Radio, Receiver, Transmitter
from rf3d.units import FloatArray, direction, read_only
from rf3d.venue.materials import Material
from rf3d.venue.readers.meshes import read_mesh
from rf3d.venue.scene import Scene
from rf3d.venue.surfaces import Body, Surface, decide_bodies
from rf3d.venue.zones import Zone

TEXTBOOK_ANTENNAS = ("isotropic", "short_dipole", "dipole")
"""Patterns that need no number: usable as an antenna by name, without loss."""
MOST_CHANNELS = 10_000
SAME_PLACE_M = 1e-3
_NEEDED: dict[str, tuple[str, ...]] = {
    "isotropic": (),
    "short_dipole": ("efficiency",),
    "dipole": ("efficiency",),
    "omni": ("gain_dbi", "efficiency"),
    "panel": ("gain_dbi", "beamwidth_deg", "polarisation", "xpd_db", "efficiency"),
    "yagi": ("gain_dbi", "beamwidth_deg", "polarisation", "xpd_db", "efficiency"),
}


@dataclass(frozen=True, eq=False)
class Plan:
    """A checked plan.

    Attributes
    ----------
    path : Path
        Of the plan file.
    title : str
    mesh_path : Path
    units, up : str or None
        As told, for formats that do not carry them.
    region : str or None
        Whose radio rules to hold the plan against.
    position_tolerance_m : float
        How far surfaces may stand from where they are drawn; 0.02 where the plan does not say
        (common practice, no source).
    house_azimuth_rad : float or None
        Direction from the stage to the house; None where the plan does not say.
    surfaces : tuple of SurfaceRow
        First match wins.
    materials : mapping of name to Material
        The catalogue, and over it the plan's own.
    transmitters : tuple of Transmitter
    receivers : tuple of Receiver
    purposes : mapping of receiver name to what it controls
    zones : tuple of Zone
    study : Study
    digest : str
        SHA-256 of the file's bytes, hexadecimal; of these and of the antenna files' where it names some.
    """

    path: Path
    title: str
    mesh_path: Path
    units: str | None
    up: str | None
    region: str | None
    position_tolerance_m: float
    house_azimuth_rad: float | None
    surfaces: tuple[SurfaceRow, ...]
    materials: Mapping[str, Material]
    transmitters: tuple[Transmitter, ...]
    receivers: tuple[Receiver, ...]
    purposes: Mapping[str, str]
    zones: tuple[Zone, ...]
    study: Study
    digest: str


def load_plan(path: str | Path) -> Plan:
    """Read and check a plan file; the mesh it names is not opened.

    Raises
    ------
    InputError
        The first thing wrong: table, key and value, what is allowed, and where to change it.
    """
    path = Path(path)
    tables, digest = read_tables(path)
    file, venue = path.name, tables.venue
    known = own_materials(file, tables.material)
    for index, row in enumerate(tables.surface):
        _check_surface(row, Place(file, "surface", index, row.object or row.mesh_material or ""), known)
    radios = {name: _radio(Place(file, "radio", None, name), row) for name, row in tables.radio.items()}
    antennas = {
        name: _antenna(Place(file, "antenna", None, name), row, path.parent) for name, row in tables.antenna.items()
    }
    _check_names(file, tables)
    transmitters, receivers = [], []
    for index, sender in enumerate(tables.transmitter):
        place = Place(file, "transmitter", index, sender.name)
        antenna, axes, radio = _equipment(place, sender, antennas, radios)
        position = np.array(sender.position_m, dtype=np.float64)
        transmitters.append(
            Transmitter(sender.name, position, antenna, axes, sender.power_dbm, sender.cable_loss_db, radio)
        )
    for index, listener in enumerate(tables.receiver):
        place = Place(file, "receiver", index, listener.name)
        antenna, axes, radio = _equipment(place, listener, antennas, radios)
        position = np.array(listener.position_m, dtype=np.float64)
        receiver = Receiver(listener.name, position, antenna, axes, listener.cable_loss_db, radio)
        _check_apart(place, receiver, transmitters)
        receivers.append(receiver)
    check_openings(file, known, tables.surface, {t.radio for t in transmitters} | {r.radio for r in receivers})
    return Plan(
        path=path,
        title=tables.title,
        mesh_path=path.parent / venue.mesh,
        units=venue.units,
        up=venue.up,
        region=venue.region,
        position_tolerance_m=venue.position_tolerance_m,
        house_azimuth_rad=None if venue.house_azimuth_deg is None else math.radians(venue.house_azimuth_deg),
        surfaces=tuple(tables.surface),
        materials=known,
        transmitters=tuple(transmitters),
        receivers=tuple(receivers),
        purposes=MappingProxyType({row.name: row.purpose for row in tables.receiver if row.purpose}),
        zones=tuple(_zone(Place(file, "zone", i, row.name), row) for i, row in enumerate(tables.zone)),
        study=tables.study,
        digest=_digest(digest, antennas),
    )


def load_scene(plan: Plan) -> Scene:
    """Read the mesh a plan names; errors as of `read_mesh`."""
    return read_mesh(plan.mesh_path, units=plan.units, up=plan.up)


def match_surfaces(plan: Plan, scene: Scene) -> list[int | None]:
    """Index of the [[surface]] row that counts for every part of the scene, None where none matches."""

    def fits(pattern: str | None, name: str) -> bool:
        return pattern is None or pattern == name or fnmatchcase(name, pattern)

    return [
        next((i for i, row in enumerate(plan.surfaces) if fits(row.object, o) and fits(row.mesh_material, m)), None)
        for o, m in scene.parts
    ]


def assign_surfaces(plan: Plan, scene: Scene) -> tuple[tuple[Surface, ...], list[str]]:
    """Radio material, thickness and sheet-or-solid decision of every part of the scene.

    Returns
    -------
    surfaces : tuple of Surface
        In part order, without the unassigned ones; complete only where the second is empty.
    unassigned : list of str
        Parts that no [[surface]] row matches, by name.

    Raises
    ------
    InputError
        Sheets without thickness, a half-space that is a solid, a solid that is not closed.
    """
    surfaces: list[Surface] = []
    unassigned: list[str] = []
    lacking: dict[int, list[str]] = {}
    matched = match_surfaces(plan, scene)
    decided = decide_bodies(scene)
    for (name, mesh_material), index, decision in zip(scene.parts, matched, decided, strict=True):
        label = part_label(scene, name, mesh_material)
        if index is None:
            unassigned.append(label)
            continue
        row = plan.surfaces[index]
        material = plan.materials[row.material]
        place = Place(plan.path.name, "surface", index, row.object or row.mesh_material or "")
        body, reason = _body(row, place, label, material, decision)
        if body == "sheet" and not row.half_space and row.thickness_m is None and material.thickness_m is None:
            lacking.setdefault(index, []).append(label)
        thickness = row.thickness_m if body == "sheet" else None
        surfaces.append(Surface(name, mesh_material, material, thickness, row.half_space, body, reason))
    if lacking:
        names = [label for labels in lacking.values() for label in labels]
        rows = ", ".join(str(index + 1) for index in lacking)
        raise InputError(
            f"thickness_m is missing on {listed(names)}",
            "a sheet needs the thickness of the wall it stands for, or half_space = true where nothing comes back",
            f"add thickness_m in {plan.path.name}, [[surface]] {rows}",
        )
    return tuple(surfaces), unassigned


def part_label(scene: Scene, name: str, mesh_material: str) -> str:
    """A part as a person names it: the object, and its mesh material where the object has several."""
    several = scene.objects.count(name) > 1
    return f"{name} ({mesh_material or 'no mesh material'})" if several else name


def listed(names: Sequence[str], most: int = 12) -> str:
    """Names in quotes, the first few and how many more."""
    more = len(names) - most
    return ", ".join(f'"{name}"' for name in names[:most]) + (f" and {more} more" if more > 0 else "")


def _body(
    row: SurfaceRow, place: Place, label: str, material: Material, decision: tuple[Body, str]
) -> tuple[Body, str]:
    body, reason = decision
    if row.body == "solid" and reason == "open surface":
        raise place.refuse(
            f'body of "{label}" is "solid", but its surface is open',
            "a solid must be closed all round",
            'write body = "sheet" with its thickness_m, or close the object in the mesh,',
        )
    if row.body != "auto":
        body, reason = row.body, "as the plan says"
    if body == "solid" and (material.thin or material.open_fraction > 0.0):
        kind = "a film or a grid" if material.thin else "a wall with openings"
        raise place.refuse(
            f'"{label}" is a solid ({reason}), but "{material.name}" is {kind}',
            "that is a single layer of triangles",
            'draw it so, or write body = "sheet" if each of its faces is one,',
        )
    if body == "solid" and row.half_space:
        raise place.refuse(
            f'half_space is true on "{label}", which is a solid ({reason})',
            "the geometry gives the thickness of a solid",
            'delete half_space, or write body = "sheet",',
        )
    if body == "solid" and row.thickness_m is not None:
        reason += "; thickness_m not used"
    if body == "solid" and material.thickness_m is not None:
        reason += f"; its layers, {1e3 * material.thickness_m:.4g} mm in all, count once from face to face"
    return body, reason


def _check_surface(row: SurfaceRow, place: Place, materials: Mapping[str, Material]) -> None:
    if row.object is None and row.mesh_material is None:
        raise place.refuse(
            f"{place.where} says neither object nor mesh_material", "one of them must stand", 'write object = "…"'
        )
    if row.material not in materials:
        raise place.refuse(
            f'material of {place.owner} is "{row.material}", which is not in the catalogue nor in the plan',
            nearest(row.material, materials),
            "correct material",
        )
    material = materials[row.material]
    own = material.thickness_m
    if row.thickness_m is not None and row.half_space:
        raise place.refuse(
            f"{place.owner} has both thickness_m and half_space",
            "a half-space has no thickness",
            "delete one of them",
        )
    if row.thickness_m is not None and own is not None:
        raise place.refuse(
            f'thickness_m of {place.owner} is {row.thickness_m:g}, but "{row.material}" states its own layers',
            "a film or a grid has no thickness" if material.thin else f"they are {own:g} m in all",
            "delete thickness_m",
        )
    if row.half_space and (own is not None or material.open_fraction > 0.0):
        raise place.refuse(
            f'half_space is true on {place.owner}, but "{row.material}" is a whole wall: {material.build_up}',
            "a half-space is one material without an end",
            "delete half_space, or name the material of its front,",
        )
    if row.thickness_m is not None and row.body == "solid":
        raise place.refuse(
            f'{place.owner} has both thickness_m and body = "solid"',
            "the geometry gives the thickness of a solid",
            "delete one of them",
        )


def _radio(place: Place, row: RadioRow) -> Radio:
    span = row.last_channel_hz - row.first_channel_hz
    if span < 0:
        raise place.refuse(
            f"last_channel_hz of {place.owner} is {row.last_channel_hz:g}",
            f"it must not lie below first_channel_hz, {row.first_channel_hz:g}",
            "change one of them",
        )
    steps = span / row.channel_spacing_hz
    if steps >= MOST_CHANNELS:
        raise place.refuse(
            f"channel_spacing_hz of {place.owner} is {row.channel_spacing_hz:g}, which makes {steps:.3g} channels",
            f"a radio has at most {MOST_CHANNELS}",
            "change it",
        )
    if abs(steps - round(steps)) > GRID_SLACK * max(1.0, steps):
        raise place.refuse(
            f"channel_spacing_hz of {place.owner} is {row.channel_spacing_hz:g}, which makes {steps:.3f} steps "
            "from the first channel to the last",
            "the steps must be a whole number",
            "change one of the three",
        )
    if row.bandwidth_hz > row.first_channel_hz:
        raise place.refuse(
            f"bandwidth_hz of {place.owner} is {row.bandwidth_hz:g}",
            f"it must be less than the channel's own frequency, {row.first_channel_hz:g}",
            "change it",
        )
    return Radio(
        place.name,
        row.first_channel_hz,
        row.last_channel_hz,
        row.channel_spacing_hz,
        row.bandwidth_hz,
        row.sensitivity_dbm,
    )


def _antenna(place: Place, row: AntennaRow, folder: Path) -> Antenna:
    if row.pattern not in PATTERNS:
        return _file_antenna(place, row, folder)
    if row.frequency_hz is not None:
        raise place.refuse(
            f'frequency_hz of {place.owner} is {row.frequency_hz:g}, but its pattern is "{row.pattern}"',
            "only an antenna file has a frequency of its own",
            "delete frequency_hz",
        )
    for key in _NEEDED[row.pattern]:
        if getattr(row, key) is None:
            raise place.refuse(
                f"{key} of {place.owner} is missing",
                f'a "{row.pattern}" needs it: {AntennaRow.model_fields[key].description}',
                f"add {key}",
            )
    beamwidth = row.beamwidth_deg
    try:
        return make_antenna(
            place.name,
            pattern=row.pattern,
            gain_dbi=row.gain_dbi,
            beamwidth_deg=None if beamwidth is None else (beamwidth[0], beamwidth[1]),
            polarisation=row.polarisation or "vertical",
            xpd_db=row.xpd_db,
            efficiency=1.0 if row.efficiency is None else row.efficiency,
            size_m=row.size_m,
        )
    except InputError as error:
        raise place.refuse(error.given, error.allowed, "change it") from None


def _file_antenna(place: Place, row: AntennaRow, folder: Path) -> Antenna:
    """Antenna of a file, whose gains stand; the plan states only what the file leaves open."""
    if not Path(row.pattern).suffix:
        raise place.refuse(
            f'pattern of {place.owner} is "{row.pattern}"',
            f"it must be {AntennaRow.model_fields['pattern'].description}",
            "change it",
        )
    try:
        sampled = read_pattern(
            folder / row.pattern, antenna=place.name, frequency_hz=row.frequency_hz, polarisation=row.polarisation
        )
        for key in ("gain_dbi", "beamwidth_deg"):
            if getattr(row, key) is not None:
                raise InputError(
                    f"{key} of {place.owner} stands beside an antenna file", "the file gives it", f"delete {key}"
                )
        return file_antenna(
            place.name, sampled,
            polarisation=row.polarisation, xpd_db=row.xpd_db, efficiency=row.efficiency, size_m=row.size_m,
        )  # fmt: skip
    except InputError as error:
        cure = "correct the file, or name another" if error.cure == "correct the file" else error.cure
        raise place.refuse(error.given, error.allowed, cure) from None


def _digest(plan_digest: str, antennas: Mapping[str, Antenna]) -> str:
    """Digest of the plan file, and of the antenna files it names."""
    files = [antenna.sampled.digest for antenna in antennas.values() if antenna.sampled is not None]
    return hashlib.sha256("".join([plan_digest, *files]).encode()).hexdigest() if files else plan_digest


def _equipment(
    place: Place,
    row: TransmitterRow | ReceiverRow,
    antennas: Mapping[str, Antenna],
    radios: Mapping[str, Radio],
) -> tuple[Antenna, FloatArray, Radio]:
    """Antenna, its axes (3, 3) in the venue, and radio of a transmitter or receiver."""
    if row.radio not in radios:
        raise place.refuse(
            f'radio of {place.owner} is "{row.radio}", which the plan does not define',
            nearest(row.radio, radios),
            "correct radio",
        )
    if row.antenna in antennas:
        antenna = antennas[row.antenna]
    elif row.antenna in TEXTBOOK_ANTENNAS:
        antenna = make_antenna(row.antenna, pattern=row.antenna)
    else:
        raise place.refuse(
            f'antenna of {place.owner} is "{row.antenna}", which the plan does not define',
            nearest(row.antenna, [*antennas, *TEXTBOOK_ANTENNAS]),
            "correct antenna",
        )
    return antenna, _axes(place, row), radios[row.radio]


def _axes(place: Place, row: TransmitterRow | ReceiverRow) -> FloatArray:
    """Antenna axes in the venue from whichever one way of aiming the row uses."""
    ways = {
        "aim_at_m": row.aim_at_m is not None,
        "azimuth_deg and elevation_deg": row.azimuth_deg is not None or row.elevation_deg is not None,
        "upright": row.upright is True,
    }
    used = [way for way, stands in ways.items() if stands]
    choices = "one of aim_at_m, azimuth_deg with elevation_deg, or upright = true must stand, and only one"
    if len(used) != 1:
        raise place.refuse(
            f"{place.owner} has {' and '.join(used) if used else 'no aim'}",
            choices,
            "keep one of them" if used else "add one of them",
        )
    if row.upright:
        if row.roll_deg is not None:
            raise place.refuse(f"{place.owner} has both upright and roll_deg", choices, "delete one of them")
        return UPRIGHT
    roll = math.radians(row.roll_deg or 0.0)
    if row.aim_at_m is not None:
        offset = np.array(row.aim_at_m) - np.array(row.position_m)
        if np.linalg.norm(offset) < SAME_PLACE_M:
            raise place.refuse(
                f"aim_at_m of {place.owner} is its own position", "it must be another place", "change aim_at_m"
            )
        return aim_axes(offset, roll)
    for key in ("azimuth_deg", "elevation_deg"):
        if getattr(row, key) is None:
            raise place.refuse(
                f"{key} of {place.owner} is missing", "azimuth_deg and elevation_deg go together", f"add {key}"
            )
    assert row.azimuth_deg is not None
    assert row.elevation_deg is not None
    boresight = direction(math.radians(row.azimuth_deg), math.radians(row.elevation_deg))
    return aim_axes(boresight, roll)


def _zone(place: Place, row: ZoneRow) -> Zone:
    low, high = np.array(row.low_m, dtype=np.float64), np.array(row.high_m, dtype=np.float64)
    if not (low < high).all():
        axis = "xyz"[int(np.argmin(low < high))]
        raise place.refuse(
            f"low_m of {place.owner} is {row.low_m} and high_m is {row.high_m}",
            f"low_m must lie below high_m along each axis, which it does not along {axis}",
            "change one of them",
        )
    return Zone(row.name, read_only(low), read_only(high))


def _check_names(file: str, tables: PlanTables) -> None:
    """Radios and zones share one set of names: pictures, findings and comparisons go by them."""
    first: dict[str, str] = {}
    rows = [("transmitter", i, row.name) for i, row in enumerate(tables.transmitter)]
    rows += [("receiver", i, row.name) for i, row in enumerate(tables.receiver)]
    rows += [("zone", i, row.name) for i, row in enumerate(tables.zone)]
    for table, index, name in rows:
        place = Place(file, table, index)
        if name in first:
            raise place.refuse(
                f'name of {place.owner} is "{name}", which {first[name]} has already',
                "names must be unique",
                "change one of them",
            )
        first[name] = place.owner


def _check_apart(place: Place, receiver: Receiver, transmitters: Sequence[Transmitter]) -> None:
    for sender in transmitters:
        if sender.radio.name == receiver.radio.name and (
            np.linalg.norm(sender.position_m - receiver.position_m) < SAME_PLACE_M
        ):
            raise place.refuse(
                f'position_m of {place.owner} is that of transmitter "{sender.name}"',
                "a receiver must stand at least 1 mm from every transmitter of its radio",
                "move one of them",
            )
