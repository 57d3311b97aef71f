"""Spherical waves from one source: where they go, and how they fall off and turn on the way."""

from __future__ import annotations

import numpy as np
from numba import njit

from rf3d.units import ComplexArray, FloatArray

LEAST_M = 1e-9
"""Points come no nearer to the source; there the way is along x."""


@njit(nogil=True, cache=True, error_model="numpy")
def lines(source: FloatArray, points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Unit directions (N, 3) and distances (N,) from a source (3,) to points (N, 3)."""
    way, distance = np.empty((len(points), 3)), np.empty(len(points))
    for i in range(len(points)):
        x, y, z = points[i, 0] - source[0], points[i, 1] - source[1], points[i, 2] - source[2]
        size = np.sqrt(x * x + y * y + z * z)
        if size <= LEAST_M:
            size, x, y, z = LEAST_M, LEAST_M, 0.0, 0.0
        distance[i] = size
        way[i, 0], way[i, 1], way[i, 2] = x / size, y / size, z / size
    return way, distance


@njit(nogil=True, cache=True, error_model="numpy")
def spread_out(field: ComplexArray, distance: FloatArray, wavenumber: float) -> None:
    """Multiply fields (N, 3) in place by exp(−jkr)/(2kr), the amplitude at a unit-gain antenna over that sent.

    Source: Friis, Proc. IRE 34 (1946) 254 (from memory).
    """
    for i in range(len(distance)):
        turn = wavenumber * distance[i]
        factor = complex(np.cos(turn), -np.sin(turn)) / (2.0 * turn)
        for a in range(3):
            field[i, a] *= factor
