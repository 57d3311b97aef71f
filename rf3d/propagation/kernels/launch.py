"""Directions of rays drawn from a table of cells over the sphere, and what each of them then carries."""

from __future__ import annotations

import numpy as np
from numba import njit

from rf3d.propagation.kernels import INNER
from rf3d.units import ComplexArray, FloatArray, IntArray

GOLDEN = 0.5 * (np.sqrt(5.0) - 1.0)


@njit(nogil=True, cache=True, error_model="numpy")
def draw(
    running: FloatArray, columns: int, axes: FloatArray, rays: int, shift: FloatArray
) -> tuple[FloatArray, IntArray]:
    """Places of a shifted golden-ratio lattice, taken to the sphere by the chance of its cells.

    Parameters
    ----------
    running : (rows * columns + 1,) float64
        Running sum of the chances of cells of equal solid angle, in z and then in azimuth, from 0 to 1.
    axes : (3, 3) float64
        Rows are the axes of the cells in the venue.
    shift : (2,) float64
        Random numbers.

    Returns
    -------
    direction : (rays, 3) float64
        Unit vectors in the venue.
    cell : (rays,) int32
        That each lies in.
    """
    direction, cell_of = np.empty((rays, 3)), np.empty(rays, dtype=np.int32)
    rows = (len(running) - 1) // columns
    for i in range(rays):
        u, v = (i + shift[0]) / rays, (i * GOLDEN + shift[1]) % 1.0
        row = _place(running, columns, 0, rows, u)
        before = running[row * columns]
        row_chance = running[(row + 1) * columns] - before
        across = before + v * row_chance
        cell = _place(running, 1, row * columns, (row + 1) * columns, across)
        cell_of[i] = cell
        chance = running[cell + 1] - running[cell]
        z = min(max((row + (u - before) / row_chance) * 2.0 / rows - 1.0, -1.0), 1.0)
        azimuth = (cell - row * columns + (across - running[cell]) / chance) * 2.0 * np.pi / columns
        ring = np.sqrt(1.0 - z * z)
        x, y = ring * np.cos(azimuth), ring * np.sin(azimuth)
        for a in range(3):
            direction[i, a] = x * axes[0, a] + y * axes[1, a] + z * axes[2, a]
    return direction, cell_of


@njit(**INNER)
def _place(running: FloatArray, stride: int, low: int, high: int, value: float) -> int:
    """Last of the places ``low`` to below ``high`` whose running sum, ``stride`` apart, does not exceed a value."""
    while high - low > 1:
        middle = (low + high) // 2
        if running[middle * stride] <= value:
            low = middle
        else:
            high = middle
    return low


@njit(nogil=True, cache=True, error_model="numpy")
def unit_fields(field: ComplexArray, cell: IntArray, running: FloatArray, share: float) -> FloatArray:
    """Power |E|² · share / chance of the cell (N,) of fields (N, 3), which are made unit vectors in place."""
    weight = np.empty(len(field))
    for i in range(len(field)):
        gain = 0.0
        for a in range(3):
            gain += field[i, a].real * field[i, a].real + field[i, a].imag * field[i, a].imag
        weight[i] = gain * share / (running[cell[i] + 1] - running[cell[i]])
        scale = 1.0 / np.sqrt(max(gain, 1e-300))
        for a in range(3):
            field[i, a] *= scale
    return weight
