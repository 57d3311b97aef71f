"""What bodies and housings take from a receiver that is worn, hidden in something metal, or behind a person.

Values of the trade, each with its basis, typical and worst: none is exact, and a person who
turns round goes through all of them. Between the two frequencies a value is stated for it
follows the logarithm of frequency; beyond them it is held.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from rf3d.units import FloatArray, read_only

HEADINGS: FloatArray = read_only(np.radians(np.arange(0.0, 360.0, 45.0)))
"""Azimuths, radians, (8,), that somebody who wears a pack is taken to face."""
STATED_HZ = (915e6, 2450e6)
WORN_AWAY_DB = ((10.0, 20.0), (15.0, 25.0))
"""Typical and worst loss of a pack on the far side of its wearer at ``STATED_HZ``; common practice, no source."""
PERSON_IN_LINE_DB = ((4.0, 8.0), (6.0, 12.0))
"""Typical and worst loss by one person in the line at ``STATED_HZ``; from memory, after ITU-R P.1238."""


@dataclass(frozen=True)
class Housing:
    """What something metal round a receiver takes from it.

    Attributes
    ----------
    typical_db, worst_db : float
        Against a half-wave dipole in the open.
    basis : str
        A letter of ``venue.materials.BASES``.
    source : str
    """

    typical_db: float
    worst_db: float
    basis: str
    source: str


HOUSINGS: Mapping[str, Housing] = MappingProxyType(
    {
        "metal lantern": Housing(
            4.0, 8.0, "A", "assumed: the antenna inside has −2 to −6 dBi, a half-wave dipole 2.15 dBi"
        ),
        "metal prop": Housing(
            14.0, 38.0, "A", "assumed: 10 to 30 dB more than in a metal lantern; how much leaks in is luck"
        ),
    }
)


def worn_loss_db(angle_rad: ArrayLike, frequency_hz: ArrayLike, *, worst: bool) -> FloatArray:
    """Loss of a pack worn on a body, dB: away · ½(1 − cos angle), nothing when it faces the wave.

    Parameters
    ----------
    angle_rad : (...) float64
        Between the pack's outward direction and the direction the wave comes from.
    frequency_hz : (...) float64
        Positive; broadcast with the angle.
    worst : bool
        The worst value facing away rather than the typical one.

    Returns
    -------
    (...) float64

    Valid for: one pack close to the trunk. The raised cosine between the two ends is assumed: what creeps round a
    body ripples about it.

    Source: ends, common practice, no source; course between them assumed.

    Examples
    --------
    >>> worn_loss_db([0.0, np.pi / 2, np.pi], 2.45e9, worst=False).round(3).tolist()
    [0.0, 7.5, 15.0]
    """
    return 0.5 * (1.0 - np.cos(np.asarray(angle_rad, dtype=np.float64))) * _at(WORN_AWAY_DB, frequency_hz, worst)


def person_in_line_db(frequency_hz: ArrayLike, *, worst: bool) -> FloatArray:
    """Loss by one person in the line, dB, (...) for frequencies (...).

    Valid for: 1 m from the nearer end and more; nearer it is more.

    Source: after ITU-R P.1238 (from memory), and common practice. A cylinder of muscle 0.3 m thick, exactly solved,
    takes 6.5 dB at 915 MHz and 8.6 dB at 2450 MHz 1 m behind it from a wave along its axis.
    """
    return _at(PERSON_IN_LINE_DB, frequency_hz, worst)


def housing_loss_db(name: str, worst: bool = False) -> float:
    """Loss of a receiver inside a housing, a name of ``HOUSINGS``, against a half-wave dipole in the open, dB."""
    return HOUSINGS[name].worst_db if worst else HOUSINGS[name].typical_db


def _at(table: tuple[tuple[float, float], ...], frequency_hz: ArrayLike, worst: bool) -> FloatArray:
    """One column of a table over ``STATED_HZ``, linear in the logarithm of frequency, held beyond its ends."""
    return np.asarray(np.interp(np.log(frequency_hz), np.log(STATED_HZ), [row[worst] for row in table]))
