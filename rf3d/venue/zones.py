"""Named boxes of the venue, such as stage, seating and catwalk, for which a volume is summed up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rf3d.units import BoolArray, FloatArray


@dataclass(frozen=True, eq=False)
class Zone:
    """A box along the venue's axes.

    Attributes
    ----------
    name : str
    low_m, high_m : (3,) float64
        Corners in world coordinates.
    """

    name: str
    low_m: FloatArray
    high_m: FloatArray

    @property
    def box_m(self) -> FloatArray:
        """Both corners, (2, 3)."""
        return np.stack([self.low_m, self.high_m])

    def holds(self, points_m: FloatArray) -> BoolArray:
        """Which of N world points (N, 3) lie in it; the low faces belong to it, the high ones do not."""
        inside: BoolArray = np.all((points_m >= self.low_m) & (points_m < self.high_m), axis=1)
        return inside
