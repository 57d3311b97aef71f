"""The concrete room that tests/fullwave_room.csv was solved in, and what the engine makes of it."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

from rf3d.jobs import Jobs
from rf3d.propagation.fields import fields
from rf3d.propagation.kernels.crossings import TRANSMISSION
from rf3d.propagation.kernels.interfaces import opaque_parts
from rf3d.propagation.paths import find_paths, prepare
from rf3d.propagation.pathset import PathSet
from rf3d.radio.antennas import make_antenna
from rf3d.radio.radios import Radio, Receiver, Transmitter
from rf3d.units import wavelength_m
from rf3d.venue.facets import find_facets
from rf3d.venue.surfaces import Body, Surface
from scripts.make_fullwave_reference import (
    CONCRETE,
    DOORWAY_HEIGHT_M,
    DOORWAY_Y_M,
    FREQUENCY_HZ,
    OBSTACLE_X_M,
    PARTITION_M,
    SCREEN_HEIGHT_M,
    SIZE_M,
    SOURCE_M,
    WALL_M,
    WOOD,
    grid_wavenumber,
)
from tests.scenes import Piece, block, plain, quad, room, scene_of, surface

TABLE = Path(__file__).with_name("fullwave_room.csv")
RADIO = Radio("probe", FREQUENCY_HZ, FREQUENCY_HZ, 1e6, 1e6, -90.0)


def reference(case: str, cells: int) -> tuple[np.ndarray, np.ndarray]:
    """Places (N, 3) and E_z (N,) over the free far field abeam at 1 m, by the grid of ``cells`` cells per 0.1 m."""
    with TABLE.open(encoding="utf-8", newline="") as text:
        rows = [row for row in csv.DictReader(line for line in text if line[0] != "#") if row["case"] == case]
    columns = ("x_m", "y_m", "z_m", f"re_{cells}", f"im_{cells}")
    table = np.array([[float(row[name]) for name in columns] for row in rows])
    return table[:, :3], table[:, 3] + 1j * table[:, 4]


def pieces_of(case: str, *, drawn: Body = "sheet") -> tuple[list[Piece], tuple[Surface, ...]]:
    """Pieces and surfaces of a case, as a plan would have them: sheets, but for a partition ``drawn`` as a solid.

    As a sheet the partition stands in its own middle.
    """
    concrete = plain("concrete", *CONCRETE)
    pieces = room(SIZE_M)
    surfaces = [surface(name, concrete, thickness_m=WALL_M) for name, _, _ in pieces]
    _, b, c = SIZE_M
    x = OBSTACLE_X_M
    if case == "screen":
        pieces.append(quad("screen", (x, 0, 0), (x, b, 0), (x, b, SCREEN_HEIGHT_M), (x, 0, SCREEN_HEIGHT_M)))
        surfaces.append(surface("screen", "metal", thickness_m=0.001))
    elif case == "partition":
        left, right = DOORWAY_Y_M
        boxes = (((0, 0), (left, c)), ((right, 0), (b, c)), ((left, DOORWAY_HEIGHT_M), (right, c)))
        middle, wood = x + PARTITION_M / 2, plain("wood", *WOOD)
        for number, ((y0, z0), (y1, z1)) in enumerate(boxes):
            name = f"partition_{number}"
            if drawn == "solid":
                pieces.append(block(name, (x, y0, z0), (x + PARTITION_M, y1, z1)))
                surfaces.append(surface(name, wood, body="solid"))
            else:
                pieces.append(quad(name, (middle, y0, z0), (middle, y1, z0), (middle, y1, z1), (middle, y0, z1)))
                surfaces.append(surface(name, wood, thickness_m=PARTITION_M))
    return pieces, tuple(surfaces)


def traced(case: str, at_m: np.ndarray, *, order: int = 5, drawn: Body = "sheet") -> tuple[PathSet, np.ndarray]:
    """All paths with up to ``order`` reflections, and what each gives to E_z as the table has it, (P,) complex."""
    pieces, surfaces = pieces_of(case, drawn=drawn)
    scene = scene_of(pieces)
    facets = find_facets(scene)
    setting = prepare(scene, facets, surfaces, opaque=opaque_parts(surfaces, np.array([FREQUENCY_HZ])))
    antenna = make_antenna("short", pattern="short_dipole")
    transmitter = Transmitter("source", np.array(SOURCE_M), antenna, np.eye(3), 0.0, 0.0, RADIO)
    receivers = tuple(Receiver(f"place {i}", p, antenna, np.eye(3), 0.0, RADIO) for i, p in enumerate(at_m))
    paths, _ = find_paths(
        setting, scene.to_local(transmitter.position_m[None]), scene.to_local(at_m),
        linked=np.ones((1, len(at_m)), dtype=bool), max_reflections=order, rays=20_000, seed=1, jobs=Jobs(),
        edges_at_hz=FREQUENCY_HZ,
    )  # fmt: skip
    answer = fields(
        paths, facets, surfaces=surfaces, transmitters=(transmitter,), receivers=receivers,
        frequencies_hz=np.array([FREQUENCY_HZ]), wedges=setting.wedges,
    )  # fmt: skip
    # A unit-gain probe takes λ/4πr of an isotropic source; a short dipole has 1.5 times that abeam (C. A. Balanis,
    # Antenna Theory, 4th ed., 4-31), and its field along θ points down.
    return paths, -answer.arriving[:, 0, 2] * 4 * np.pi / wavelength_m(FREQUENCY_HZ) / np.sqrt(1.5)


def delay_rad(paths: PathSet, cells: int) -> np.ndarray:
    """Phase (P,) that every path lags behind on a grid, whose waves run more slowly; leg by leg between turns."""
    k = 2 * np.pi / wavelength_m(FREQUENCY_HZ)
    turned = paths.kind != TRANSMISSION
    owner = np.concatenate([np.arange(paths.count), paths.path_of_interaction[turned]])
    way = np.concatenate([paths.departure, paths.leaving[turned]])
    begins_m = np.concatenate([np.zeros(paths.count), paths.distance_m[turned]])
    order = np.lexsort((begins_m, owner))
    owner, way, begins_m = owner[order], way[order], begins_m[order]
    last = np.append(owner[1:] != owner[:-1], True)
    ends_m = np.where(last, paths.length_m[owner], np.append(begins_m[1:], 0.0))
    slower = grid_wavenumber(way, cells) - k
    return np.bincount(owner, slower * (ends_m - begins_m), minlength=paths.count)


def added(paths: PathSet, each: np.ndarray, count: int) -> np.ndarray:
    """E_z (N,) at ``count`` places: paths added with their phase."""
    total = np.zeros(count, dtype=complex)
    np.add.at(total, paths.receiver, each)
    return total
