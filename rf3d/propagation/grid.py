"""Where a volume is sampled: cubic voxels over the venue's bounding box, and whether they fit in memory.

Voxel (i, j, k) is entry ``[i, j, k]`` of every array of shape ``grid.shape``; in the flat order of the
kernels it is number (i·ny + j)·nz + k.
"""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np

from rf3d.errors import InputError
from rf3d.units import FloatArray, IntArray, read_only
from rf3d.venue.scene import Scene

MOST_VOXELS = 2**31 - 1
"""Voxels are numbered in 32 bits."""


@dataclass(frozen=True, eq=False)
class Grid:
    """Cubic voxels over a box.

    Parameters
    ----------
    low_m : (3,) float64
        Low corner, local coordinates of the scene.
    origin_m : (3,) float64
        World position of the local origin.
    voxel_m : float
        Edge of a voxel, metres.
    shape : (nx, ny, nz)
    """

    low_m: FloatArray
    origin_m: FloatArray
    voxel_m: float
    shape: tuple[int, int, int]

    @property
    def count(self) -> int:
        """Number of voxels."""
        return self.shape[0] * self.shape[1] * self.shape[2]

    @property
    def voxel_volume_m3(self) -> float:
        """Volume of one voxel, m³."""
        return self.voxel_m**3

    @property
    def world_low_m(self) -> FloatArray:
        """Low corner in world coordinates, (3,), metres."""
        return self.low_m + self.origin_m

    def centres_m(self, numbers: IntArray) -> FloatArray:
        """Centres (N, 3), local metres, of voxels by flat number (N,)."""
        index = np.stack(np.unravel_index(np.asarray(numbers), self.shape), axis=1)
        return self.low_m + (index + 0.5) * self.voxel_m

    def number_at(self, point_m: FloatArray) -> int:
        """Flat number of the voxel that holds a local point (3,), or −1 outside the grid."""
        index = np.floor((np.asarray(point_m) - self.low_m) / self.voxel_m).astype(np.int64)
        if (index < 0).any() or (index >= self.shape).any():
            return -1
        return int(np.ravel_multi_index(tuple(index), self.shape))


def bytes_per_voxel(*, threads: int, orders: int) -> int:
    """Memory that one voxel needs while a volume is traced and its result is held, bytes.

    Batches under way hold three float32 tallies (and one for each of ``orders`` listed orders), the sums six
    float64 (and two for each order), the direct field one and the result with its decibels eight.
    """
    return 4 * (threads + 2) * (3 + orders) + 8 * (6 + 2 * orders) + 8 + 8 * 8


def make_grid(
    scene: Scene, voxel_m: float, *, threads: int = 1, orders: int = 0, limit_bytes: float | None = None
) -> Grid:
    """Voxels over the bounding box of a scene.

    Parameters
    ----------
    voxel_m : float
        Edge of a voxel, metres.
    threads : int
        Batches that will be under way at a time.
    orders : int
        Reflection orders listed one by one, 0 for none.
    limit_bytes : float or None
        Memory that may be used; None takes half of what is free, and at least a quarter of what is installed.

    Raises
    ------
    InputError
        A voxel size that is not a positive number, or a grid that would not fit.
    """
    if not (np.isfinite(voxel_m) and voxel_m > 0.0):
        raise InputError(f"voxel_m is {voxel_m}", "it must be a positive number of metres", "0.5 suits a hall")
    limit = memory_limit_bytes() if limit_bytes is None else limit_bytes
    per_voxel = bytes_per_voxel(threads=threads, orders=orders)
    most = min(limit / per_voxel, MOST_VOXELS)
    counts = _counts(scene.size_m, voxel_m)
    total = float(np.prod(counts))
    if total > most:
        raise InputError(
            f"voxel_m {voxel_m:g} over {scene.size_m[0]:.1f} × {scene.size_m[1]:.1f} × {scene.size_m[2]:.1f} m makes "
            f"{total:,.0f} voxels, which need {total * per_voxel / 2**30:,.1f} GiB of memory",
            f"{limit / 2**30:,.1f} GiB may be used",
            f"voxel_m {fitting_voxel_m(scene.size_m, voxel_m, 0.9 * most):.3g} would fit",
        )
    shape = (int(counts[0]), int(counts[1]), int(counts[2]))
    return Grid(read_only(scene.bounds_m[0].copy()), scene.origin_m, float(voxel_m), shape)


def memory_limit_bytes() -> float:
    """Half of the memory that is free, at least a quarter of what is installed: a file cache counts as in use."""
    page = os.sysconf("SC_PAGE_SIZE")
    installed = page * os.sysconf("SC_PHYS_PAGES")
    free = page * os.sysconf("SC_AVPHYS_PAGES") if "SC_AVPHYS_PAGES" in os.sysconf_names else 0
    return max(0.5 * free, 0.25 * installed)


def fitting_voxel_m(size_m: FloatArray, voxel_m: float, most: float) -> float:
    """Smallest edge, in steps of 5 %, at which a box (3,) is cut into at most ``most`` voxels."""
    while np.prod(_counts(size_m, voxel_m)) > most:
        voxel_m *= 1.05
    return voxel_m


def _counts(size_m: FloatArray, voxel_m: float) -> FloatArray:
    """Voxels along each axis as floats, which cannot overflow; a hair of overhang makes no extra layer."""
    return np.maximum(np.ceil(np.asarray(size_m) / voxel_m - 1e-6), 1.0)
