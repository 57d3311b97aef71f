"""Lines of the venue that an antenna can hang from: rails, trusses, bars; where a cure may put a transmitter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rf3d.units import FloatArray


@dataclass(frozen=True, eq=False)
class Hang:
    """A straight line along which antennas can hang.

    Attributes
    ----------
    name : str
    kind : str
        A word of the trade, such as rail or truss.
    from_m, to_m : (3,) float64
        Its ends in world coordinates, where the middle of an antenna would be: clear of the steel itself.
    """

    name: str
    kind: str
    from_m: FloatArray
    to_m: FloatArray

    def at(self, shares: FloatArray) -> FloatArray:
        """Points (N, 3) at shares (N,) of the way from one end to the other."""
        return self.from_m + np.asarray(shares, dtype=np.float64)[:, None] * (self.to_m - self.from_m)

    def share_of(self, point_m: FloatArray) -> float:
        """Share of the way at which the line comes nearest to a point (3,), from 0 to 1."""
        span = self.to_m - self.from_m
        return float(np.clip((point_m - self.from_m) @ span / (span @ span), 0.0, 1.0))

    def distance_m(self, point_m: FloatArray) -> float:
        """Distance of a point (3,) from the line between its ends."""
        return float(np.linalg.norm(point_m - self.at(np.array([self.share_of(point_m)]))[0]))
