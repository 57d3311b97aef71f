"""Where rays are sent: more of them where the antenna sends power, none left out.

Directions are drawn from the antenna's own pattern, mixed with an even share so that no
direction is without rays; the weight makes up for the choice. Within a batch they form a
shifted golden-ratio lattice, which is smoother than independent draws and just as unbiased.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

from rf3d.propagation.kernels.launch import draw, unit_fields
from rf3d.radio.antennas import Antenna, response, world_response
from rf3d.units import ComplexArray, FloatArray, IntArray, read_only

EVEN_SHARE = 0.25
"""Part of the rays that goes out evenly in all directions."""
ROWS, COLUMNS = 90, 180
"""Cells of equal solid angle over the sphere, in z and in azimuth of the antenna's axes."""
BLOCK_SIDE = 6
"""Cells along each side of the blocks for which is learned how much rays from there matter."""
KEPT_SHARE = 0.35
"""Part of the rays that goes out as before when it has been learned where to send the others."""
SMOOTH_CELLS = 3.0
"""Standard deviation of the Gaussian that what has been learned is smoothed by."""
WORTHWHILE = 0.8
"""What is learned is used if it leaves no more of the variance than this."""
BLOCKS = (ROWS // BLOCK_SIDE) * (COLUMNS // BLOCK_SIDE)
BLOCK_OF_CELL = read_only(
    (np.arange(ROWS)[:, None] // BLOCK_SIDE * (COLUMNS // BLOCK_SIDE) + np.arange(COLUMNS) // BLOCK_SIDE).reshape(-1)
)


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
    return _table((1.0 - EVEN_SHARE) * gain / gain.sum() + EVEN_SHARE / len(gain))


def guided_table(table: LaunchTable, trials: FloatArray) -> LaunchTable:
    """Send more rays where they matter more, if one half of the trials shows that the other half would gain by it.

    Parameters
    ----------
    trials : (K, BLOCKS) float64
        For each trial the sum, over the rays that it sent from each block by this table, of the square of what matters
        of them.

    Source: the variance of a sum of rays is least where they are sent in proportion to the root of their mean
    square; Kahn & Marshall, J. Oper. Res. Soc. Am. 1 (1953) 263 (from memory).
    """
    sent = np.bincount(BLOCK_OF_CELL, weights=table.chance, minlength=BLOCKS)

    def guided(square: FloatArray) -> FloatArray:
        """Chances of cells. They change without steps, since a lattice that is stretched evenly stays one."""
        root = np.sqrt(square * sent)
        if not root.any():
            return table.chance
        factor = KEPT_SHARE + (1.0 - KEPT_SHARE) * root / (root.sum() * sent)
        smooth = gaussian_filter(factor[BLOCK_OF_CELL].reshape(ROWS, COLUMNS), SMOOTH_CELLS, mode=("nearest", "wrap"))
        chance = table.chance * smooth.reshape(-1)
        return chance / chance.sum()

    halves = trials[::2].sum(axis=0), trials[1::2].sum(axis=0)
    before = after = 0.0
    for judged, learned in (halves, halves[::-1]):
        before += float(judged.sum())
        after += float((judged * sent / np.bincount(BLOCK_OF_CELL, weights=guided(learned), minlength=BLOCKS)).sum())
    return _table(guided(trials.sum(axis=0))) if after < WORTHWHILE * before else table


def _table(chance: FloatArray) -> LaunchTable:
    running = np.concatenate([[0.0], np.cumsum(chance)])
    return LaunchTable(read_only(chance), read_only(running / running[-1]))


def launch(
    table: LaunchTable, antenna: Antenna, axes: FloatArray, *, rays: int, generator: np.random.Generator
) -> tuple[FloatArray, ComplexArray, FloatArray, IntArray]:
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
    cell : (N,) int32
        Cell of the table that each was sent from.
    """
    direction, cell = draw(table.running, COLUMNS, axes, rays, generator.random(2))
    field = world_response(antenna, axes, direction)
    # Cells have the solid angle 4π / (ROWS · COLUMNS), so the density is chance · ROWS · COLUMNS / 4π.
    weight = unit_fields(field, cell, table.running, 1.0 / (ROWS * COLUMNS * rays))
    return direction, field, weight, cell


def _unit_vectors(z: FloatArray, azimuth: FloatArray) -> FloatArray:
    ring = np.sqrt(np.maximum(0.0, 1.0 - z * z))
    return np.stack([ring * np.cos(azimuth), ring * np.sin(azimuth), z], axis=1)
