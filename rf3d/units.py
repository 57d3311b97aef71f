"""Constants, decibels and the conventions every other file relies on.

SI inside: metres, hertz, radians, watts; float64 and complex128. Decibels and degrees only
in names that end ``_db``, ``_dbm``, ``_dbi`` or ``_deg``. Time factor exp(+jωt): a path of
length L carries exp(−jkL) and a lossy permittivity is ε′ − jε″. Right-handed axes, z up.
Azimuth 0 along +x, counter-clockwise seen from above; elevation up.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

SPEED_OF_LIGHT_M_S = 299_792_458.0
"""Exact, SI definition of the metre."""
VACUUM_PERMITTIVITY_F_M = 8.854_187_818_8e-12
"""CODATA 2022."""
VACUUM_IMPEDANCE_OHM = 376.730_313_412
"""CODATA 2022."""

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
IntArray = NDArray[np.integer]
BoolArray = NDArray[np.bool_]


def wavelength_m(frequency_hz: float) -> float:
    """Free-space wavelength in metres of a frequency in hertz."""
    return SPEED_OF_LIGHT_M_S / frequency_hz


def to_db(ratio: ArrayLike) -> FloatArray:
    """Power ratio to decibels; 0 becomes −inf, NaN stays NaN, without a warning."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(10.0 * np.log10(np.asarray(ratio, dtype=np.float64)))


def from_db(value_db: ArrayLike) -> FloatArray:
    """Decibels to power ratio."""
    return np.asarray(10.0 ** (np.asarray(value_db, dtype=np.float64) / 10.0))


def watts_to_dbm(power_w: ArrayLike) -> FloatArray:
    """Watts to dBm; 0 W becomes −inf."""
    return to_db(np.asarray(power_w, dtype=np.float64) * 1e3)


def dbm_to_watts(power_dbm: ArrayLike) -> FloatArray:
    """DBm to watts."""
    return from_db(power_dbm) * 1e-3


def margin_text(margin_db: float, limit: str = "threshold", *, over: str = "above", under: str = "below") -> str:
    """A margin over a limit as a crew would say it: in whole decibels, without a sign.

    >>> margin_text(55.6), margin_text(-17.2, "its threshold"), margin_text(-0.4)
    ('56 dB above threshold', '17 dB below its threshold', '0 dB above threshold')
    """
    if not np.isfinite(margin_db):
        return f"nothing {over} {limit}"
    return f"{abs(round(margin_db))} dB {under if round(margin_db) < 0 else over} {limit}"


def busy_text(margin_db: float, air: str = "the busiest air") -> str:
    """A margin over what a radio needs on the worst channel of the busiest air.

    >>> busy_text(10.2), busy_text(-4.0)
    ('10 dB over the busiest air', '4 dB too little over the busiest air')
    """
    return margin_text(margin_db, air, over="over", under="too little over")


def direction(azimuth_rad: ArrayLike, elevation_rad: ArrayLike) -> FloatArray:
    """Unit vectors, shape (..., 3), of azimuths and elevations in radians."""
    azimuth, elevation = np.broadcast_arrays(np.asarray(azimuth_rad, float), np.asarray(elevation_rad, float))
    return np.stack(
        [np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)], axis=-1
    )


def azimuth_elevation(vectors: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Azimuth and elevation in radians, shapes (...), of vectors (..., 3) of any length."""
    v = np.asarray(vectors, dtype=np.float64)
    return np.arctan2(v[..., 1], v[..., 0]), np.arctan2(v[..., 2], np.hypot(v[..., 0], v[..., 1]))


def turned(vectors: NDArray, matrix: NDArray) -> NDArray:
    """Vectors (N, 3) times a matrix (3, 3), row by row.

    Plain arithmetic: for long arrays the linear algebra library starts threads of its own, which spin on the cores
    that ours work on, and its last digits depend on their number.

    Examples
    --------
    >>> turned(np.array([[1.0, 2.0, 3.0]]), np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])).tolist()
    [[-2.0, 1.0, 3.0]]
    """
    x, y, z = (np.ascontiguousarray(vectors[:, a]) for a in range(3))
    return np.stack([x * matrix[0, j] + y * matrix[1, j] + z * matrix[2, j] for j in range(3)], axis=1)


def read_only(array: NDArray) -> NDArray:
    """Give the same array with writing switched off, for fields of frozen dataclasses."""
    array.setflags(write=False)
    return array
