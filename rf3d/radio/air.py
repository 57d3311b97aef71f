"""What else is on the air: somebody else's transmitters, crowds of them, noise, levels of a band.

Disturbers with a place are traced like any transmitter; a crowd is a few of them spread over its
box, each standing for its share of the phones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial.distance import cdist

from rf3d.radio.antennas import UPRIGHT, make_antenna
from rf3d.radio.radios import Radio, Transmitter
from rf3d.units import FloatArray, IntArray

CROWD_PLACES = (2, 2, 1)
"""Places along x, y and z that stand for a crowd."""
LEAST_M = 0.3
"""Nearer than this to a receiver nobody of a crowd counts: an arm's length; common practice, no source."""
FINE_M, COARSE_M = 0.5, 2.0
"""Steps of the places that a part of a crowd is averaged over: near it, and farther from it than the coarse step."""
CELL_SHARE = 0.36
"""Where a sender stands in the middle of a cell, 1/d² averaged over the cell is that at this share of its side.

The mean of 1/d² over a ball of the cell's volume is 3/R², R = 0.62 of the side.
"""
_AT_ONCE = 1 << 20


@dataclass(frozen=True, eq=False)
class Occupied:
    """One line of the list of what else is on the air.

    Attributes
    ----------
    name : str
    box_m : (2, 3) float64 or None
        World corners of where it stands, alike for a single place; None for a level without a place.
    count : int
        How many there are in the box.
    power_dbm : float or None
        EIRP of each; None where it is a level or noise.
    level_dbm : float or None
        What a receiver's antenna gets of the whole band, wherever it stands.
    low_hz, high_hz : float
        Its band; noise has none and fills every channel: 0 and inf.
    duty : float
        Share of time each is on the air, independently.
    bandwidth_hz : float or None
        What it takes of its band at a time, hopping over all of it; None where it fills the band.
    noise_rise_db, within_m : float
        By how much noise rises up to how far from the box; 0 otherwise.
    """

    name: str
    box_m: FloatArray | None
    count: int
    power_dbm: float | None
    level_dbm: float | None
    low_hz: float
    high_hz: float
    duty: float
    noise_rise_db: float
    within_m: float
    bandwidth_hz: float | None = None

    @property
    def slots_hz(self) -> FloatArray:
        """Bands (C, 2) that it is on in turn: its whole band, or the parts it hops over."""
        if self.bandwidth_hz is None:
            return np.array([[self.low_hz, self.high_hz]])
        edges = np.linspace(
            self.low_hz, self.high_hz, max(1, round((self.high_hz - self.low_hz) / self.bandwidth_hz)) + 1
        )
        return np.stack([edges[:-1], edges[1:]], axis=1)

    def shares(self, radio: Radio) -> bool:
        """Whether its band reaches into one of a radio's channels."""
        half = 0.5 * radio.bandwidth_hz
        return self.low_hz < radio.last_channel_hz + half and self.high_hz > radio.first_channel_hz - half

    def noise_rise(self, places_m: FloatArray) -> FloatArray:
        """Factors (...) by which noise rises at places (..., 3), world: whole within reach of the box, none beyond."""
        if self.noise_rise_db <= 0.0 or self.box_m is None:
            return np.ones(places_m.shape[:-1])
        beyond = np.maximum(np.maximum(self.box_m[0] - places_m, places_m - self.box_m[1]), 0.0)
        near = np.linalg.norm(beyond, axis=-1) <= self.within_m
        return np.where(near, 10.0 ** (self.noise_rise_db / 10.0), 1.0)


def emitters(occupied: Occupied) -> tuple[list[Transmitter], list[int]]:
    """Transmitters that stand for one line of the list, and how many each stands for; none without a place and power.

    A crowd of more than ``CROWD_PLACES`` is spread evenly over its box, the rest of the division going to the first.
    """
    if occupied.box_m is None or occupied.power_dbm is None:
        return [], []
    low, high = occupied.box_m
    spots = _spread(low, high, _parts(occupied))
    radio = Radio(
        occupied.name, 0.5 * (occupied.low_hz + occupied.high_hz), 0.5 * (occupied.low_hz + occupied.high_hz),
        1.0, occupied.high_hz - occupied.low_hz, 0.0,
    )  # fmt: skip
    isotropic = make_antenna("isotropic", pattern="isotropic")
    each, rest = divmod(occupied.count, len(spots))
    placed = [Transmitter(occupied.name, spot, isotropic, UPRIGHT, occupied.power_dbm, 0.0, radio) for spot in spots]
    return placed, [each + (i < rest) for i in range(len(spots))]


def nearness(occupied: Occupied, spots_m: FloatArray, places_m: FloatArray, *, cell_m: float = 0.0) -> FloatArray:
    """Factors by which the power of each emitter of a crowd is to be corrected: a crowd is not at its emitters' spots.

    An emitter at distance d₀ stands for everybody in its part of the box: the factor is d₀² times the mean of 1/d² over
    that part, d at least ``LEAST_M``. It tends to 1 far away, and to 0 at the emitter's own spot, where the power that
    it corrects has no bound. 1 for a single place, whose distance is known.

    Parameters
    ----------
    occupied : Occupied
        With a box.
    spots_m : (J, 3) float64
        Where its emitters stand, in the order of `emitters`; they may have been moved. World.
    places_m : (..., 3) float64
        World.
    cell_m : float
        Side of the cells round the places that the emitters' power is averaged over; 0 where it is that at the places.

    Returns
    -------
    (J, ...) float64

    *Valid for* a clear view of the crowd; behind a wall all of a part is taken to be shut off alike.

    *Source*: inverse square law of free space, as in ITU-R P.525.
    """
    assert occupied.box_m is not None
    low, high = occupied.box_m
    flat = places_m.reshape(-1, 3)
    factor = np.ones((len(spots_m), len(flat)))
    if np.array_equal(low, high):
        return factor.reshape(len(spots_m), *places_m.shape[:-1])
    sides = np.array(_parts(occupied))
    half = 0.5 * (high - low) / sides
    for j, middle in enumerate(_spread(low, high, sides)):
        beyond = np.maximum(np.abs(flat - middle) - half, 0.0)
        far = np.linalg.norm(beyond, axis=1) > COARSE_M
        mean = np.empty(len(flat))
        for chosen, step in ((far, COARSE_M), (~far, FINE_M)):
            crowd = _spread(middle - half, middle + half, np.maximum(np.ceil(2.0 * half / step), 1).astype(int))
            mean[chosen] = _mean_inverse_square(flat[chosen], crowd)
        from_spot = np.maximum(np.linalg.norm(flat - spots_m[j], axis=1), CELL_SHARE * cell_m)
        factor[j] = from_spot**2 * mean
    return factor.reshape(len(spots_m), *places_m.shape[:-1])


def _mean_inverse_square(places_m: FloatArray, crowd_m: FloatArray) -> FloatArray:
    """Mean of 1/d² from places (V, 3) to a crowd (N, 3), d at least ``LEAST_M``, (V,)."""
    rows = max(_AT_ONCE // len(crowd_m), 1)
    means = [
        (1.0 / np.maximum(cdist(places_m[i : i + rows], crowd_m, "sqeuclidean"), LEAST_M**2)).mean(axis=1)
        for i in range(0, len(places_m), rows)
    ]
    return np.concatenate([np.zeros(0), *means])


def _parts(occupied: Occupied) -> tuple[int, int, int]:
    """Parts along x, y and z that one line of the list is divided into, each with an emitter in its middle."""
    return CROWD_PLACES if occupied.count > int(np.prod(CROWD_PLACES)) else (1, 1, 1)


def _spread(low: FloatArray, high: FloatArray, sides: Sequence[int] | IntArray) -> FloatArray:
    """Middles of a box's equal parts (N, 3), so many along each axis."""
    steps = [(np.arange(n) + 0.5) / n for n in sides]
    return np.asarray(low + (high - low) * np.stack(np.meshgrid(*steps, indexing="ij"), axis=-1).reshape(-1, 3))
