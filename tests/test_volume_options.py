"""What can be asked of a volume: a region, a precision, backwards from a receiver, and more about every voxel."""

from __future__ import annotations

import numpy as np
import pytest

from rf3d.jobs import Jobs
from rf3d.propagation.grid import make_grid
from rf3d.propagation.volume import trace_volume
from tests.test_volume import furnished, setting_of

ARRAYS = ("mean_power_w", "std_error_w", "direct_power_w", "rms_delay_spread_ns")
FURNISHED = furnished()


@pytest.fixture(scope="module")
def setting():
    """The furnished room, made ready once."""
    return setting_of(FURNISHED[0], FURNISHED[1])


def trace(setting, *, grid=None, transmitter=FURNISHED[2], **more):
    """A short volume of the furnished room, edges and all, unless told otherwise."""
    chosen = make_grid(setting.scene, 0.5) if grid is None else grid
    told = {"max_reflections": 2, "rays": 20_000, "seed": 1, "jobs": Jobs(workers=1), **more}
    return trace_volume(setting, transmitter, grid=chosen, **told)


# --- a region ------------------------------------------------------------------------------------------------------


def test_a_region_is_that_part_of_the_whole_volume(setting):
    """Its direct field, edges included, and its rays.

    Arrays of another length are summed in another order, and rays enter the region half-way: last bits differ, of
    float64 in the direct field and of float32 in what rays leave.
    """
    whole = trace(setting)
    for low, high in (((3.2, 1.1, 0.2), (6.9, 4.9, 2.4)), ((0.0, 2.6, 1.1), (1.4, 3.0, 4.0))):
        grid = make_grid(setting.scene, 0.5, region_m=np.array([low, high]))
        assert (grid.world_low_m <= low).all()
        assert (grid.world_low_m > np.array(low) - 1.0 - 1e-9).all()
        assert (np.array(grid.shape) * 0.5 + grid.world_low_m >= np.array(high) - 1e-9).all()
        part = trace(setting, grid=grid)
        index = tuple(slice(a, a + n) for a, n in zip(grid.first, grid.shape, strict=True))
        np.testing.assert_allclose(part.direct_power_w, whole.direct_power_w[index], rtol=1e-12)
        assert part.ledger == whole.ledger
        for name in ARRAYS:
            np.testing.assert_allclose(getattr(part, name), getattr(whole, name)[index], rtol=2e-4, atol=0)
        assert part.mean_power_w.sum() == pytest.approx(whole.mean_power_w[index].sum(), rel=1e-7)
