"""What else is on the air: somebody else's transmitters, crowds of them, noise, levels of a band.

Disturbers with a place are traced like any transmitter; a crowd is a few of them spread over its
box, each standing for its share of the phones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rf3d.radio.antennas import UPRIGHT, make_antenna
from rf3d.radio.radios import Radio, Transmitter
from rf3d.units import FloatArray

CROWD_PLACES = (2, 2, 1)
"""Places along x, y and z that stand for a crowd."""


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
    sides = CROWD_PLACES if occupied.count > int(np.prod(CROWD_PLACES)) else (1, 1, 1)
    steps = [(np.arange(n) + 0.5) / n for n in sides]
    spots = low + (high - low) * np.stack(np.meshgrid(*steps, indexing="ij"), axis=-1).reshape(-1, 3)
    radio = Radio(
        occupied.name, 0.5 * (occupied.low_hz + occupied.high_hz), 0.5 * (occupied.low_hz + occupied.high_hz),
        1.0, occupied.high_hz - occupied.low_hz, 0.0,
    )  # fmt: skip
    isotropic = make_antenna("isotropic", pattern="isotropic")
    each, rest = divmod(occupied.count, len(spots))
    placed = [Transmitter(occupied.name, spot, isotropic, UPRIGHT, occupied.power_dbm, 0.0, radio) for spot in spots]
    return placed, [each + (i < rest) for i in range(len(spots))]
