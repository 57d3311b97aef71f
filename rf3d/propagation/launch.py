"""Where rays are sent: more of them where the antenna sends power, none left out.

Directions are drawn from the antenna's own pattern, mixed with an even share so that no
direction is without rays; the weight makes up for the choice. Within a batch they form a
shifted golden-ratio lattice, which is smoother than independent draws and just as unbiased.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rf3d.propagation.kernels.launch import draw, unit_fields
from rf3d.radio.antennas import Antenna, response, world_response
from rf3d.units import ComplexArray, FloatArray, read_only

EVEN_SHARE = 0.25
"""Part of the rays that goes out evenly in all directions."""
ROWS, COLUMNS = 90, 180
"""Cells of equal solid angle over the sphere, in z and in azimuth of the antenna's axes."""


@dataclass(frozen=True, eq=False)
class LaunchTable:
    """Chance of each cell of the sphere, and its running sum.

    Attributes
    ----------
    chance : (ROWS * COLUMNS,) float64
    running : (ROWS * COLUMNS + 1,) float64
        From 0 to 1.
    """

    chance: FloatArray
    running: FloatArray


def launch_table(antenna: Antenna) -> LaunchTable:
    """Tabulate where an antenna sends its power, over cells of equal solid angle."""
    z = (np.arange(ROWS) + 0.5) * 2.0 / ROWS - 1.0
    azimuth = (np.arange(COLUMNS) + 0.5) * 2.0 * np.pi / COLUMNS
    field = response(antenna, _unit_vectors(np.repeat(z, COLUMNS), np.tile(azimuth, ROWS)))
    gain = (np.abs(field) ** 2).sum(axis=1)
    chance = (1.0 - EVEN_SHARE) * gain / gain.sum() + EVEN_SHARE / len(gain)
    running = np.concatenate([[0.0], np.cumsum(chance)])
    return LaunchTable(read_only(chance), read_only(running / running[-1]))


def launch(
    table: LaunchTable, antenna: Antenna, axes: FloatArray, *, rays: int, generator: np.random.Generator
) -> tuple[FloatArray, ComplexArray, FloatArray]:
    """Directions, field vectors and weights of one batch of rays.

    Parameters
    ----------
    axes : (3, 3) float64
        Rows are the antenna's axes in the venue.
    rays : int
        Number of rays, N.

    Returns
    -------
    direction : (N, 3) float64
        Unit vectors in the venue.
    field : (N, 3) complex128
        Unit field vectors across each direction.
    weight : (N,) float64
        G / (4π · density · N): power in watts that each ray carries for a watt at the antenna.
    """
    direction, chance = draw(table.running, COLUMNS, axes, rays, generator.random(2))
    field = world_response(antenna, axes, direction)
    # Cells have the solid angle 4π / (ROWS · COLUMNS), so the density is chance · ROWS · COLUMNS / 4π.
    weight = unit_fields(field, chance, 1.0 / (ROWS * COLUMNS * rays))
    return direction, field, weight


def _unit_vectors(z: FloatArray, azimuth: FloatArray) -> FloatArray:
    ring = np.sqrt(np.maximum(0.0, 1.0 - z * z))
    return np.stack([ring * np.cos(azimuth), ring * np.sin(azimuth), z], axis=1)
