"""Where a volume is sampled: cubic voxels over the venue's bounding box, and whether they fit in memory.

Voxel (i, j, k) is entry ``[i, j, k]`` of every array of shape ``grid.shape``; in the flat order of the
kernels it is number (i·ny + j)·nz + k.
"""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np

from rf3d.errors import InputError
from rf3d.units import FloatArray, IntArray
from rf3d.venue.scene import Scene

MOST_VOXELS = 2**31 - 1
"""Voxels are numbered in 32 bits."""
FEWEST_VOXELS = 100
"""A limit of memory that holds fewer is refused as such."""


BLOCK = 2
"""Voxels along each edge of the blocks that share what is bent deep into the shade."""


@dataclass(frozen=True, eq=False)
class Grid:
    """Cubic voxels over a box.

    Parameters
    ----------
    venue_low_m : (3,) float64
        Low corner of the whole venue's voxels, local coordinates of the scene.
    origin_m : (3,) float64
        World position of the local origin.
    voxel_m : float
        Edge of a voxel, metres.
    shape : (nx, ny, nz)
    first : (3,) int
        Place of the low voxel among those of the whole venue, for a grid over a region.
    """

    venue_low_m: FloatArray
    origin_m: FloatArray
    voxel_m: float
    shape: tuple[int, int, int]
    first: tuple[int, int, int] = (0, 0, 0)

    @property
    def count(self) -> int:
        """Number of voxels."""
        return self.shape[0] * self.shape[1] * self.shape[2]

    @property
    def voxel_volume_m3(self) -> float:
        """Volume of one voxel, m³."""
        return self.voxel_m**3

    @property
    def low_m(self) -> FloatArray:
        """Low corner in local coordinates, (3,), metres."""
        return self.venue_low_m + np.array(self.first) * self.voxel_m

    @property
    def world_low_m(self) -> FloatArray:
        """Low corner in world coordinates, (3,), metres."""
        return self.low_m + self.origin_m

    def centres_m(self, numbers: IntArray) -> FloatArray:
        """Centres (N, 3), local metres, of voxels by flat number (N,)."""
        return self.venue_low_m + (self.venue_index(numbers) + 0.5) * self.voxel_m

    def venue_index(self, numbers: IntArray) -> IntArray:
        """Places (N, 3) among the voxels of the whole venue, of voxels by flat number (N,)."""
        return np.stack(np.unravel_index(np.asarray(numbers), self.shape), axis=1) + np.array(self.first)

    def tiles(self, about: int) -> list[IntArray]:
        """Numbers of the voxels in boxes of about so many, in order within each; no block of ``BLOCK`` is cut."""
        nx, ny, nz = self.shape
        across = BLOCK * max(1, about // (BLOCK * BLOCK * nz))  # rows of two layers
        layers = BLOCK * max(1, about // (BLOCK * ny * nz)) if across >= ny else BLOCK
        return [
            ((x[:, None, None] * ny + y[None, :, None]) * nz + np.arange(nz)).reshape(-1)
            for x in (np.arange(i, min(i + layers, nx)) for i in range(0, nx, layers))
            for y in (np.arange(j, min(j + across, ny)) for j in range(0, ny, across))
        ]

    def number_at(self, point_m: FloatArray) -> int:
        """Flat number of the voxel that holds a local point (3,), or −1 outside the grid."""
        index = np.floor((np.asarray(point_m) - self.low_m) / self.voxel_m).astype(np.int64)
        if (index < 0).any() or (index >= self.shape).any():
            return -1
        return int(np.ravel_multi_index(tuple(index), self.shape))


def bytes_per_voxel(*, threads: int, columns: int, volumes: int = 1, written: int | None = None) -> int:
    """Memory that one voxel needs while some volumes are traced one after the other, and written to a file, bytes.

    The sums hold every column of a tally and its square in float64, and up to six products; what is not reflected seven
    numbers, what other radios bring takes six, a result five and two for every column beyond the first three. Batches
    under way, and up to four that wait to be added, have a float32 tally each; once these are gone the result of the
    last volume takes their place, with thirteen numbers in passing. A file in the making holds results in float32
    twice, of as many columns as are ``written``, and as much for the strongest of all. Measured over 1.2 million voxels
    of the arena: 265 bytes of 320, with 13 columns 694 of 700.
    """
    further = 2 * (columns - 3)
    result, tallies, sums = 8 * (5 + further), 4 * (threads + 5) * columns, 8 * (2 * columns + 6)
    traced = (volumes - 1) * result + sums + 8 * 13 + max(tallies, result + 8 * 13)
    kept = further if written is None else 2 * (written - 3)
    return max(traced, volumes * 8 * (5 + kept) + (volumes + 1) * 8 * (7 + kept))


def bytes_in_use() -> float:
    """Memory that this program has taken, bytes; 0 where the system does not tell."""
    try:
        with open("/proc/self/statm") as file:
            return float(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except OSError:
        return 0.0


def make_grid(
    scene: Scene,
    voxel_m: float,
    *,
    threads: int = 1,
    columns: int = 3,
    volumes: int = 1,
    written: int | None = None,
    limit_bytes: float | None = None,
    in_use_bytes: float = 0.0,
    region_m: FloatArray | None = None,
) -> Grid:
    """Voxels over the bounding box of a scene, or over a region of it.

    Parameters
    ----------
    voxel_m : float
        Edge of a voxel, metres.
    threads : int
        Batches that will be under way at a time.
    columns : int
        Quantities that will be counted in every voxel (``tallies.Layout.columns``).
    volumes : int
        Results that will be held at a time.
    written : int or None
        Columns that will come to a file; None for all.
    limit_bytes : float or None
        Memory that may be used; None takes half of what is free, and at least a quarter of what is installed.
    in_use_bytes : float
        What of ``limit_bytes`` is taken already.
    region_m : (2, 3) float64 or None
        Low and high corner in world coordinates; the voxels are those of the whole venue that it touches, and up to
        one more along each edge.

    Raises
    ------
    InputError
        A voxel size that is not a positive number, a region outside the venue, or a grid that would not fit.
    """
    if not (np.isfinite(voxel_m) and voxel_m > 0.0):
        raise InputError(f"voxel_m is {voxel_m}", "it must be a positive number of metres", "0.5 suits a hall")
    limit = memory_limit_bytes() if limit_bytes is None else limit_bytes
    used = f", {in_use_bytes / 2**30:.2g} GiB of which the program itself takes" if in_use_bytes else ""
    per_voxel = bytes_per_voxel(threads=threads, columns=columns, volumes=volumes, written=written)
    most = min((limit - in_use_bytes) / per_voxel, MOST_VOXELS)
    first, counts = np.zeros(3), _counts(scene.size_m, voxel_m)
    if region_m is not None:
        first, counts = _touched(scene, voxel_m, np.asarray(region_m, dtype=np.float64), counts)
    size_m = counts * voxel_m
    total = float(np.prod(counts))
    if most < FEWEST_VOXELS:
        raise InputError(
            f"{limit / 2**30:.2g} GiB of memory for a volume", f"that is too little for any voxels{used}",
            f"allow {(in_use_bytes + FEWEST_VOXELS * per_voxel) / 2**30 + 0.05:.1f} GiB or more",
        )  # fmt: skip
    if total > most:
        raise InputError(
            f"voxel_m {voxel_m:g} over {size_m[0]:.1f} × {size_m[1]:.1f} × {size_m[2]:.1f} m makes "
            f"{total:,.0f} voxels, which need {total * per_voxel / 2**30:,.1f} GiB of memory",
            f"{limit / 2**30:,.3g} GiB may be used{used}",
            f"voxel_m {fitting_voxel_m(size_m, voxel_m, 0.9 * most):.3g} would fit",
        )
    shape = (int(counts[0]), int(counts[1]), int(counts[2]))
    low = (int(first[0]), int(first[1]), int(first[2]))
    return Grid(scene.bounds_m[0], scene.origin_m, float(voxel_m), shape, low)


def _touched(scene: Scene, voxel_m: float, region_m: FloatArray, counts: FloatArray) -> tuple[FloatArray, FloatArray]:
    """First voxel along each axis and number of voxels that a region (2, 3) touches, of ``counts`` in the venue.

    Voxels are taken by blocks of ``BLOCK``, which share what edges bend deep into the shade.
    """
    low, high = scene.to_local(region_m) - scene.bounds_m[0]
    first = np.clip(BLOCK * np.floor(np.floor(low / voxel_m + 1e-6) / BLOCK), 0.0, counts)
    last = np.clip(BLOCK * np.ceil(np.ceil(high / voxel_m - 1e-6) / BLOCK), 0.0, counts)
    if not np.isfinite(region_m).all() or (last <= first).any():
        venue = scene.to_world(scene.bounds_m)
        raise InputError(
            f"a region from {_spoken(region_m[0])} to {_spoken(region_m[1])} m",
            f"its corners must be ordered and inside the venue, {_spoken(venue[0])} to {_spoken(venue[1])} m",
            "change its corners",
        )
    return first, last - first


def _spoken(point: FloatArray) -> str:
    return "[" + ", ".join(f"{x:.2f}" for x in point) + "]"


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
