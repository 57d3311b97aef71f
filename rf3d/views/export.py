"""Results as files that other programs open: volumes as VTK ImageData.

Arrays sit on cells, x runs fastest, and the origin is in world coordinates, so a volume lies
over the mesh it was made from.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from rf3d.errors import InputError
from rf3d.propagation.volume import TransmitterVolume

if TYPE_CHECKING:
    import pyvista

VOLUME_ARRAYS = ("mean_power_dbm", "std_error_db", "direct_power_dbm", "direct_ratio_db", "rms_delay_spread_ns")
"""Cell arrays written for every transmitter, each as ``array@transmitter``."""


def image_of(volumes: Sequence[TransmitterVolume]) -> pyvista.ImageData:
    """VTK ImageData of volumes over one grid, in world coordinates; NaN where nothing arrived.

    Field data carry ``seed``, ``rays`` and ``max_reflections`` of each transmitter, in the order of ``volumes``.

    Parameters
    ----------
    volumes : sequence of TransmitterVolume
        At least one, all over the same grid, names distinct.
    """
    import pyvista

    grid = volumes[0].grid
    if any(v.grid.shape != grid.shape or (v.grid.low_m != grid.low_m).any() for v in volumes):
        raise InputError(
            "volumes over different grids", "one file holds one grid", "trace all transmitters with the same voxel_m"
        )
    image = pyvista.ImageData(
        dimensions=tuple(n + 1 for n in grid.shape), spacing=(grid.voxel_m,) * 3, origin=tuple(grid.world_low_m)
    )
    for volume in volumes:
        for name in VOLUME_ARRAYS:
            values = np.asarray(getattr(volume, name), dtype=np.float32)
            image.cell_data[f"{name}@{volume.transmitter}"] = values.ravel(order="F")
    for name in ("seed", "rays", "max_reflections"):
        image.field_data[name] = np.array([getattr(v, name) for v in volumes], dtype=np.int64)
    return image


def write_vti(path: Path, volumes: Sequence[TransmitterVolume]) -> None:
    """Write volumes over one grid to a ``.vti`` file; a stopped run leaves an older file whole.

    Raises
    ------
    InputError
        Another ending, a folder that is not there, or volumes over different grids.
    """
    path = Path(path)
    if path.suffix != ".vti":
        raise InputError(f"output file {path.name}", "a volume is written as .vti", "give a name that ends in .vti")
    if not path.parent.is_dir():
        raise InputError(f"output folder {path.parent}", "it must exist", "make it first, or write elsewhere")
    image = image_of(volumes)
    beside = path.with_name(f".{path.stem}.{os.getpid()}.vti")
    try:
        image.save(beside)
        os.replace(beside, path)
    finally:
        beside.unlink(missing_ok=True)
