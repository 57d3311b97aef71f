"""How precise a volume is to become, how precise it is, and where rays help it most."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rf3d.units import BoolArray, FloatArray

DOUBT = 2.0
"""Standard errors by which the power of a voxel is taken to be larger, so that few rays seem no reason for more."""


@dataclass(frozen=True, eq=False)
class Until:
    """When a volume is good enough.

    Parameters
    ----------
    error_db : float
        Standard error that is wanted.
    share : float
        Of the voxels that must reach it.
    within : (voxels,) bool or None
        Voxels that count; None for all.
    time_limit_s : float or None
        Stop then, though not before there are batches enough for a standard error.
    """

    error_db: float
    share: float = 0.95
    within: BoolArray | None = None
    time_limit_s: float | None = None


def relative_errors(until: Until, power_w: FloatArray, error_w: FloatArray) -> FloatArray:
    """Standard error over mean power (V,); 0 where no ray came by, NaN in voxels that do not count.

    Voxels where nothing arrives do not count: they may lie in solids.
    """
    counts = power_w > 0.0 if until.within is None else until.within & (power_w > 0.0)
    return np.divide(np.nan_to_num(error_w, nan=0.0), power_w, out=np.full(len(power_w), np.nan), where=counts)


def worth(until: Until, power_w: FloatArray, error_w: FloatArray) -> FloatArray:
    """What the square of a ray's power counts in each voxel (V,), for the precision that is asked for.

    1/power², since it is the error in decibels that is to fall; nothing in voxels that need not reach the precision.
    """
    relative = relative_errors(until, power_w, error_w)
    known = relative[relative > 0.0]
    if len(known) == 0:
        return np.zeros(len(power_w))
    needed = (relative > 0.0) & (relative <= np.quantile(known, until.share))
    careful = power_w + DOUBT * np.nan_to_num(error_w, nan=0.0)
    return np.divide(float(careful[needed].min()) ** 2, careful**2, out=np.zeros(len(power_w)), where=needed)
