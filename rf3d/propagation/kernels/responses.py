"""What walls of a known thickness do to a wave, tabulated against the cosine of incidence.

A table is made by ``interfaces.coefficients`` itself and used only where it gives back what that gives between
its own nodes too, to ``TOLERANCE``: five orders below the noise of any volume. Other walls are worked out ray by ray.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from rf3d.propagation.kernels import INNER
from rf3d.propagation.kernels.interfaces import Walls, coefficients
from rf3d.units import FloatArray, IntArray

STEPS = 384
"""Steps of a table from grazing to normal incidence, even in the square root of the cosine."""
TOLERANCE = 1e-5
"""Largest error of a coefficient, by magnitude; a coefficient is at most 1."""
_BETWEEN = (0.1, 0.3, 0.5, 0.7, 0.9)
"""Places within a step where a table is tried."""


class Responses(NamedTuple):
    """Tables of R_TE, R_TM and the insertion T_TE, T_TM, at one frequency.

    Attributes
    ----------
    row : (parts,) int32
        Table of each part, −1 for none.
    values : (tables, STEPS + 1, 8) float32
        Real and imaginary part of each, at cosines (i/STEPS)².
    """

    row: IntArray
    values: NDArray[Any]


def make_responses(walls: Walls) -> Responses:
    """Tabulate the parts whose thickness does not hang on the ray, at the walls' first frequency."""
    row = np.full(len(walls.half_space), -1, dtype=np.int32)
    known: dict[bytes, int] = {}
    tables: list[NDArray[Any]] = []
    # Evenly in √cosθ: thin walls and those that are nearly air change fast towards grazing.
    nodes = (np.arange(STEPS + 1) / STEPS) ** 2
    tried = ((np.arange(STEPS)[:, None] + np.array(_BETWEEN)) / STEPS).ravel() ** 2
    for part in range(len(row)):
        layers = slice(walls.layer_start[part], walls.layer_start[part + 1])
        if not walls.half_space[part] and np.isnan(walls.thickness_m[layers]).any():
            continue
        of_wall = (
            walls.half_space[part], walls.open_fraction[part], walls.thickness_m[layers],
            walls.permittivity[0, layers], walls.film[0, layers],
        )  # fmt: skip
        key = b"|".join(np.ascontiguousarray(array).tobytes() for array in of_wall)
        if key not in known:
            exact = _worked_out(walls, part, tried)
            table = _worked_out(walls, part, nodes).astype(np.float32)
            error = (_read(table[None], tried) - exact).reshape(-1, 4, 2)
            good = np.hypot(error[:, :, 0], error[:, :, 1]).max() <= TOLERANCE
            # Walls that absorb nothing are to go on absorbing nothing.
            good = good and np.abs(2.0 - (exact**2).sum(axis=1)).max() > TOLERANCE
            known[key] = len(tables) if good else -1
            if good:
                tables.append(table)
        row[part] = known[key]
    return Responses(row, np.array(tables, dtype=np.float32).reshape(-1, STEPS + 1, 8))


@njit(nogil=True, cache=True)
def _worked_out(walls: Walls, part: int, cosine: FloatArray) -> FloatArray:
    out = np.empty((len(cosine), 8))
    for i in range(len(cosine)):
        work_out(walls, part, cosine[i], np.nan, out[i])
    return out


@njit(nogil=True, cache=True)
def _read(table: NDArray[Any], cosine: FloatArray) -> FloatArray:
    out = np.empty((len(cosine), 8))
    for i in range(len(cosine)):
        look_up(table, 0, cosine[i], out[i])
    return out


@njit(**INNER)
def look_up(values: NDArray[Any], table: int, cosine: float, out: FloatArray) -> None:
    """Read a table between its nodes: the cubic through the two on either side.

    Source: Lagrange's polynomial, Abramowitz & Stegun, Handbook of Mathematical Functions, 25.2.13 (from memory).
    """
    x = np.sqrt(cosine) * STEPS
    first = min(max(int(x) - 1, 0), STEPS - 3)
    p = x - (first + 1)
    a, b, c = p + 1.0, p - 1.0, p - 2.0
    w0, w1 = np.float32(p * (b * c) * (-1.0 / 6.0)), np.float32(0.5 * a * (b * c))
    w2, w3 = np.float32(-0.5 * c * (a * p)), np.float32((a * p) * b * (1.0 / 6.0))
    for m in range(values.shape[2]):
        out[m] = (
            w0 * values[table, first, m] + w1 * values[table, first + 1, m]
            + w2 * values[table, first + 2, m] + w3 * values[table, first + 3, m]
        )  # fmt: skip


@njit(**INNER)
def work_out(walls: Walls, part: int, cosine: float, depth_m: float, out: FloatArray) -> None:
    """Write what a table would hold into ``out`` (8,), for walls without one; arguments as for ``coefficients``."""
    r_te, r_tm, t_te, t_tm = coefficients(walls, 0, part, cosine, depth_m)
    out[0], out[1], out[2], out[3] = r_te.real, r_te.imag, r_tm.real, r_tm.imag
    out[4], out[5], out[6], out[7] = t_te.real, t_te.imag, t_tm.real, t_tm.imag


@njit(**INNER)
def work_out_reflection(walls: Walls, part: int, cosine: float, depth_m: float, out: FloatArray) -> None:
    """As ``work_out`` for a wall that is not passed: 0 for what it lets through, which need not be worked out."""
    r_te, r_tm, _, _ = coefficients(walls, 0, part, cosine, depth_m)
    out[0], out[1], out[2], out[3] = r_te.real, r_te.imag, r_tm.real, r_tm.imag
    out[4] = out[5] = out[6] = out[7] = 0.0
