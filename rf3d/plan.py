"""The plan file as radios in a venue: read it, check what it refers to, give its surfaces their materials.

What stands in the file is what is used: a number that a physical answer depends on has no
default. Defaults stand only where a definition fixes them or nothing is the plain reading: roll 0,
dipoles and omnis polarised along their own axis, no cable at a receiver, body auto.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import numpy as np

from rf3d.plan_air import check_air, check_receiver, load_of, occupied
from rf3d.plan_files import read_tables
from rf3d.plan_materials import check_openings, check_surface, own_materials
from rf3d.plan_places import Place
from rf3d.plan_radios import SAME_PLACE_M, check_apart, equipment, plan_antenna, plan_radio
from rf3d.plan_tables import HangRow, PlanTables, Study, SurfaceRow, ZoneRow
from rf3d.radio.air import Occupied
from rf3d.radio.antennas import Antenna
from rf3d.radio.radios import Radio, Receiver, Transmitter, generic_radios
from rf3d.units import read_only
from rf3d.venue.hangs import Hang
from rf3d.venue.materials import Material
from rf3d.venue.readers.meshes import read_mesh
from rf3d.venue.scene import Scene
from rf3d.venue.zones import Zone


@dataclass(frozen=True)
class Role:
    """What a receiver controls, what it does without signal ("hold", "fade", "off"), how much it matters, 1 to 5."""

    purpose: str | None
    on_loss: str | None
    importance: int


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
    radios : mapping of name to Radio
        The plan's own, in use or not.
    transmitters : tuple of Transmitter
    receivers : tuple of Receiver
    roles : mapping of receiver name to Role
    occupied : tuple of Occupied
        What else is on the air, as far as it is listed.
    zones : tuple of Zone
    hangs : tuple of Hang
        Where cures may put a transmitter.
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
    radios: Mapping[str, Radio]
    transmitters: tuple[Transmitter, ...]
    receivers: tuple[Receiver, ...]
    roles: Mapping[str, Role]
    occupied: tuple[Occupied, ...]
    zones: tuple[Zone, ...]
    hangs: tuple[Hang, ...]
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
        check_surface(row, Place(file, "surface", index, row.object or row.mesh_material or ""), known)
    own = {name: plan_radio(Place(file, "radio", None, name), row) for name, row in tables.radio.items()}
    radios = {**generic_radios(), **own}
    antennas = {
        name: plan_antenna(Place(file, "antenna", None, name), row, path.parent) for name, row in tables.antenna.items()
    }
    _check_names(file, tables)
    transmitters, receivers = [], []
    for index, sender in enumerate(tables.transmitter):
        place = Place(file, "transmitter", index, sender.name)
        antenna, axes, radio = equipment(place, sender, antennas, radios)
        position = np.array(sender.position_m, dtype=np.float64)
        transmitters.append(
            Transmitter(
                sender.name,
                position,
                antenna,
                axes,
                sender.power_dbm,
                sender.cable_loss_db,
                radio,
                sender.connectors,
                load_of(place, sender),
            )
        )
    for index, listener in enumerate(tables.receiver):
        place = Place(file, "receiver", index, listener.name)
        antenna, axes, radio = equipment(place, listener, antennas, radios)
        position = np.array(listener.position_m, dtype=np.float64)
        check_receiver(place, listener)
        receiver = Receiver(
            listener.name,
            position,
            antenna,
            axes,
            listener.cable_loss_db,
            radio,
            listener.connectors,
            listener.answer_power_dbm,
            listener.worn,
            listener.inside,
        )
        check_apart(place, receiver, transmitters)
        receivers.append(receiver)
    used = {t.radio for t in transmitters} | {r.radio for r in receivers}
    others = tuple(occupied(Place(file, "occupied", i, row.name), row) for i, row in enumerate(tables.occupied))
    check_air(file, others, {r.radio for r in receivers})
    check_openings(file, known, tables.surface, used)
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
        radios=MappingProxyType(own),
        transmitters=tuple(transmitters),
        receivers=tuple(receivers),
        roles=MappingProxyType({row.name: Role(row.purpose, row.on_loss, row.importance) for row in tables.receiver}),
        occupied=others,
        zones=tuple(_zone(Place(file, "zone", i, row.name), row) for i, row in enumerate(tables.zone)),
        hangs=tuple(_hang(Place(file, "hang", i, row.name), row) for i, row in enumerate(tables.hang)),
        study=tables.study,
        digest=_digest(digest, antennas),
    )


def load_scene(plan: Plan) -> Scene:
    """Read the mesh a plan names; errors as of `read_mesh`."""
    return read_mesh(plan.mesh_path, units=plan.units, up=plan.up)


def _digest(plan_digest: str, antennas: Mapping[str, Antenna]) -> str:
    """Digest of the plan file, and of the antenna files it names."""
    files = [antenna.sampled.digest for antenna in antennas.values() if antenna.sampled is not None]
    return hashlib.sha256("".join([plan_digest, *files]).encode()).hexdigest() if files else plan_digest


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


def _hang(place: Place, row: HangRow) -> Hang:
    start, end = np.array(row.from_m, dtype=np.float64), np.array(row.to_m, dtype=np.float64)
    if np.linalg.norm(end - start) < SAME_PLACE_M:
        raise place.refuse(
            f"from_m and to_m of {place.owner} are the same place",
            "they are the two ends of a line",
            "change one of them",
        )
    return Hang(row.name, row.kind, read_only(start), read_only(end))


def _check_names(file: str, tables: PlanTables) -> None:
    """Radios, zones and hangs share one set of names: pictures, findings and comparisons go by them."""
    first: dict[str, str] = {}
    rows = [("transmitter", i, row.name) for i, row in enumerate(tables.transmitter)]
    rows += [("receiver", i, row.name) for i, row in enumerate(tables.receiver)]
    rows += [("zone", i, row.name) for i, row in enumerate(tables.zone)]
    rows += [("hang", i, row.name) for i, row in enumerate(tables.hang)]
    rows += [("occupied", i, row.name) for i, row in enumerate(tables.occupied)]
    for table, index, name in rows:
        place = Place(file, table, index)
        if name in first:
            raise place.refuse(
                f'name of {place.owner} is "{name}", which {first[name]} has already',
                "names must be unique",
                "change one of them",
            )
        first[name] = place.owner
