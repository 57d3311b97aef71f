"""Moments on the air: which of several senders are on, on each channel, and how often that is so.

Senders are on independently of each other. A few single ones are enumerated, so that rare
moments count as they should; of crowds some moments are drawn.
"""

from __future__ import annotations

from itertools import product
from typing import NamedTuple

import numpy as np

from rf3d.units import FloatArray, IntArray

MOST_SINGLE = 4
"""Single senders on one channel whose moments are all enumerated; with more they are drawn like crowds."""


class Moments(NamedTuple):
    """Moments on F channels, which are of C kinds: on channels of one kind the same senders count alike.

    Attributes
    ----------
    kind : (F,) int64
    counted : list of (D, J) float64, for each kind
        How many of each sender are on, times the share of their power that falls into the channel.
    weight : list of (D,) float64, for each kind
        How often; the sum is 1.
    """

    kind: IntArray
    counted: list[FloatArray]
    weight: list[FloatArray]


def enumerate_moments(
    count: IntArray, duty: FloatArray, share: FloatArray, *, drawn: int, generator: np.random.Generator
) -> Moments:
    """Moments of J senders on F channels.

    Parameters
    ----------
    count : (J,) int64
        How many each stands for.
    duty, share : (J, F) float64
        Share of time that one of them is on a channel, and share of its power that falls into it then.
    drawn : int
        Moments that are drawn of crowds.
    """
    kinds, kind = np.unique(np.concatenate([share, duty]).T, axis=0, return_inverse=True)
    senders = len(count)
    counted, weight = [], []
    for row in kinds:
        part, chance = row[:senders], row[senders:]
        active = np.flatnonzero((part > 0.0) & (chance > 0.0))
        single = active[count[active] == 1]
        single = single if len(single) <= MOST_SINGLE else single[:0]
        crowd = np.setdiff1d(active, single)
        some = np.zeros((drawn if len(crowd) else 1, senders))
        some[:, crowd] = generator.binomial(count[crowd], chance[crowd], size=(len(some), len(crowd)))
        states, often = [], []
        for on in product((0, 1), repeat=len(single)):
            state = some.copy()
            state[:, single] = on
            states.append(state * part)
            now = np.prod(np.where(on, chance[single], 1.0 - chance[single]))
            often.append(np.full(len(some), now / len(some)))
        counted.append(np.concatenate(states))
        weight.append(np.concatenate(often))
    return Moments(np.asarray(kind).reshape(-1), counted, weight)
