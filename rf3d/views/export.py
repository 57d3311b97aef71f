"""Results as files that other programs open: volumes as VTK ImageData and as a NumPy archive.

Arrays sit on cells, and the origin is in world coordinates, so a volume lies over the mesh it
was made from. Both forms hold the same names and say what they were made from.
"""

from __future__ import annotations

import json
import os
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from operator import attrgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rf3d import __version__
from rf3d.assessment.coverage import VERDICTS, Coverage
from rf3d.errors import InputError
from rf3d.propagation.volume import TransmitterVolume
from rf3d.units import FloatArray, IntArray, watts_to_dbm

if TYPE_CHECKING:
    import pyvista

VOLUME_ARRAYS = (
    "mean_power_dbm", "std_error_db", "direct_power_dbm", "direct_ratio_db", "direct_ratio_std_error_db",
    "rms_delay_spread_ns", "rms_delay_spread_std_error_ns",
)  # fmt: skip
"""Cell arrays written for every transmitter, each as ``array@transmitter``."""
DETAIL_ARRAYS = ("arrival", "arrival_concentration", "arrival_std_error_deg", "own_power_dbm", "own_std_error_db")
"""Those that detail adds, the last two not backwards."""
SHARES = ("share", "share_std_error")
"""And for every surface listed, as ``array@transmitter@surface``."""
BACKWARDS = {
    "mean_power_dbm": "gain_db", "direct_power_dbm": "direct_gain_db", "arrival": "aim",
    "arrival_concentration": "aim_concentration", "arrival_std_error_deg": "aim_std_error_deg",
}  # fmt: skip
"""Names that differ in the volume of a receiver made to send."""
ENDINGS = (".vti", ".npz")


@dataclass(frozen=True, eq=False)
class About:
    """What a file holds besides the volumes themselves.

    Parameters
    ----------
    radios : mapping of radio to names of its transmitters
        Those with volumes in the file; the strongest of each is listed.
    coverages : sequence of Coverage
    provenance : mapping
        What the volumes were made from, such as ``plan_digest`` and ``scene_digest``.
    backwards : bool
        Volumes of a receiver made to send.
    """

    radios: Mapping[str, Sequence[str]] = field(default_factory=dict)
    coverages: Sequence[Coverage] = ()
    provenance: Mapping[str, Any] = field(default_factory=dict)
    backwards: bool = False


ALONE = About()


def arrays_of(volumes: Sequence[TransmitterVolume], about: About) -> Iterator[tuple[str, FloatArray | IntArray]]:
    """Name and values (*shape) or (3, *shape) of every array of a file, NaN where nothing arrived; one at a time."""
    for volume in volumes:
        for name in VOLUME_ARRAYS:
            yield _called(name, volume, about), getattr(volume, name)
        if volume.detail is not None:
            for name in DETAIL_ARRAYS[: 3 if about.backwards else None]:
                yield _called(name, volume, about), _detail(volume, name)
            for surface in volume.detail.surfaces:
                for name, values in zip(SHARES, share_of(volume, surface), strict=True):
                    yield f"{name}@{volume.transmitter}@{surface}", values
    for radio, senders in about.radios.items():
        yield from _strongest(radio, [v for v in volumes if v.transmitter in senders])
    for found in about.coverages:
        yield f"margin_db@{found.radio}", np.where(np.isfinite(found.margin_db), found.margin_db, np.nan)
        if found.busy_margin_db is not None:
            busy = found.busy_margin_db
            yield f"busy_margin_db@{found.radio}", np.where(np.isfinite(busy), busy, np.nan)
        yield f"verdict@{found.radio}", found.verdict
        yield f"margin_std_error_db@{found.radio}", found.std_error_db
        yield f"served_by@{found.radio}", found.strongest


def provenance_of(volumes: Sequence[TransmitterVolume], about: About) -> dict[str, Any]:
    """What a file says of its making: lists hold one entry a volume, in their order."""
    return {
        "rf3d": __version__,
        **about.provenance,
        ("receivers" if about.backwards else "transmitters"): [v.transmitter for v in volumes],
        **{name: [getattr(v, name) for v in volumes] for name in ("seed", "rays", "max_reflections", "stopped")},
        **{f"transmitters@{radio}": list(names) for radio, names in about.radios.items()},
        **({"verdicts": list(VERDICTS)} if about.coverages else {}),
        **{f"antenna@{found.radio}": found.antenna for found in about.coverages},
    }


def image_of(volumes: Sequence[TransmitterVolume], about: About = ALONE) -> pyvista.ImageData:
    """VTK ImageData of volumes over one grid, in world coordinates; field data say what they were made from.

    Parameters
    ----------
    volumes : sequence of TransmitterVolume
        At least one, all over the same grid, names distinct.
    about : About
    """
    import pyvista

    _check_grids(volumes)
    grid = volumes[0].grid
    image = pyvista.ImageData(
        dimensions=tuple(n + 1 for n in grid.shape), spacing=(grid.voxel_m,) * 3, origin=tuple(grid.world_low_m)
    )
    for name, values in arrays_of(volumes, about):
        # x runs fastest in the file; vectors are rows.
        flat = _single(values)
        image.cell_data[name] = (
            np.stack([axis.ravel(order="F") for axis in flat], axis=1) if flat.ndim == 4 else flat.ravel(order="F")
        )
    for name, value in provenance_of(volumes, about).items():
        entries = value if isinstance(value, list) else [value]
        whole = all(isinstance(entry, int) for entry in entries)
        image.field_data[name] = np.array(entries, dtype=np.int64) if whole else [str(entry) for entry in entries]
    return image


def write_vti(path: Path, volumes: Sequence[TransmitterVolume], about: About = ALONE) -> None:
    """Write volumes over one grid to a ``.vti`` file; a stopped run leaves an older file whole.

    Raises
    ------
    InputError
        Another ending, a folder that is not there, or volumes over different grids.
    """
    from vtkmodules.vtkIOXML import vtkXMLImageDataWriter

    path = _checked(path, ".vti")
    beside = path.with_name(f".{path.stem}.{os.getpid()}.vti")
    writer = vtkXMLImageDataWriter()
    writer.SetFileName(str(beside))
    writer.SetInputData(image_of(volumes, about))
    # Fields of noise hardly shrink: the quick compressor takes a tenth of the time, and what it leaves bytes as they
    # are win back.
    writer.SetCompressorTypeToLZ4()
    writer.SetDataModeToAppended()
    writer.EncodeAppendedDataOff()
    try:
        if not (writer.Write() and beside.exists()):
            raise _unwritable(path, "no room, or no permission")
        os.replace(beside, path)
    finally:
        beside.unlink(missing_ok=True)


def write_npz(path: Path, volumes: Sequence[TransmitterVolume], about: About = ALONE) -> None:
    """Write volumes over one grid to a compressed NumPy archive; a stopped run leaves an older file whole.

    It holds the arrays of the ``.vti`` file by the same names in float32, ``[i, j, k]`` along x, y and z (vectors:
    ``[axis, i, j, k]``), ``low_m`` and ``voxel_m`` (the middle of a voxel is at low_m + (index + 0.5)·voxel_m), and
    ``provenance``, a string of JSON.

    Raises
    ------
    InputError
        Another ending, a folder that is not there, volumes over different grids, or a file that cannot be written.
    """
    path = _checked(path, ".npz")
    _check_grids(volumes)
    grid = volumes[0].grid
    told = json.dumps(provenance_of(volumes, about), ensure_ascii=False, default=str)
    beside = path.with_name(f".{path.stem}.{os.getpid()}.npz")
    try:
        with zipfile.ZipFile(beside, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
            for name, values in (
                ("low_m", grid.world_low_m), ("voxel_m", np.array(grid.voxel_m)), ("provenance", np.array(told)),
            ):  # fmt: skip
                _store(archive, name, values)
            for name, values in arrays_of(volumes, about):
                _store(archive, name, _single(values))
        os.replace(beside, path)
    except OSError as error:
        raise _unwritable(path, str(error.strerror)) from error
    finally:
        beside.unlink(missing_ok=True)


def _unwritable(path: Path, why: str) -> InputError:
    return InputError(
        f'"{path}" cannot be written ({why})', "it must be a file that may be written", "name another file"
    )  # fmt: skip


def _store(archive: zipfile.ZipFile, name: str, values: np.ndarray) -> None:
    with archive.open(f"{name}.npy", "w", force_zip64=True) as file:
        np.lib.format.write_array(file, np.asarray(values, order="C"), allow_pickle=False)


def _single(values: np.ndarray) -> np.ndarray:
    """Numbers as float32, places and verdicts as the small whole numbers they are."""
    return values.astype(np.float32) if values.dtype.kind == "f" else values


def _called(name: str, volume: TransmitterVolume, about: About) -> str:
    return f"{BACKWARDS.get(name, name) if about.backwards else name}@{volume.transmitter}"


def _detail(volume: TransmitterVolume, name: str) -> FloatArray:
    """An array of ``DETAIL_ARRAYS``."""
    assert volume.detail is not None
    if name == "own_power_dbm":
        return _dbm(volume.detail.own_power_w)
    if name == "own_std_error_db":
        return _error_db(volume.detail.own_std_error_w, volume.detail.own_power_w)
    values: FloatArray = getattr(volume.detail, name)
    return values


def share_of(volume: TransmitterVolume, surface: str) -> tuple[FloatArray, FloatArray]:
    """Share of the power of each voxel that a surface was the last to reflect, and its standard error; NaN unlisted.

    With A the power of the surface, P that of all and s = A/P, to first order σ² = ((1 − 2s)σ_A² + s²σ_P²)/P²: what
    other rays bring owes nothing to those of the surface. Source: propagation of errors, as in JCGM 100:2008, 5.2.
    """
    if volume.detail is None or surface not in volume.detail.surfaces:
        return np.full(volume.grid.shape, np.nan), np.full(volume.grid.shape, np.nan)
    place = volume.detail.surfaces.index(surface)
    power, error = volume.detail.surface_power_w[place], volume.detail.surface_std_error_w[place]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = power / volume.mean_power_w
        square = (1.0 - 2.0 * share) * error**2 + share**2 * volume.std_error_w**2
        return share, np.sqrt(np.maximum(square, 0.0)) / volume.mean_power_w


def _one_of_share(surface: str, number: int, volume: TransmitterVolume) -> FloatArray:
    return share_of(volume, surface)[number]


def _strongest(radio: str, volumes: Sequence[TransmitterVolume]) -> Iterator[tuple[str, FloatArray | IntArray]]:
    """Place of the strongest transmitter of a radio at a probe, −1 for none, and every array of that transmitter."""
    if not volumes:
        return
    place = np.full(volumes[0].grid.shape, -1, dtype=np.int16)
    power = np.zeros(place.shape)
    for number, volume in enumerate(volumes):
        more = volume.mean_power_w > power
        place, power = np.where(more, np.int16(number), place), np.where(more, volume.mean_power_w, power)
    yield f"strongest@{radio}", place

    def of_strongest(values: Callable[[TransmitterVolume], FloatArray]) -> FloatArray:
        chosen: FloatArray = np.full(values(volumes[0]).shape, np.nan)
        for number, volume in enumerate(volumes):
            np.copyto(chosen, values(volume), where=place == number)
        return chosen

    for name in VOLUME_ARRAYS:
        yield f"strongest_{name.removeprefix('mean_')}@{radio}", of_strongest(attrgetter(name))
    if any(volume.detail is None for volume in volumes):
        return
    for name in DETAIL_ARRAYS:
        yield f"strongest_{name}@{radio}", of_strongest(partial(_detail, name=name))
    for surface in dict.fromkeys(s for volume in volumes if volume.detail for s in volume.detail.surfaces):
        for number, name in enumerate(SHARES):
            yield f"strongest_{name}@{radio}@{surface}", of_strongest(partial(_one_of_share, surface, number))


def _dbm(power_w: FloatArray) -> FloatArray:
    dbm = watts_to_dbm(power_w)
    return np.where(np.isfinite(dbm), dbm, np.nan)


def _error_db(error_w: FloatArray, power_w: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        error = 10.0 / np.log(10.0) * error_w / power_w
    return np.where(np.isfinite(error), error, np.nan)


def _check_grids(volumes: Sequence[TransmitterVolume]) -> None:
    grid = volumes[0].grid
    if any(v.grid.shape != grid.shape or (v.grid.low_m != grid.low_m).any() for v in volumes):
        raise InputError(
            "volumes over different grids", "one file holds one grid", "trace all transmitters with the same voxel_m"
        )


def _checked(path: Path, ending: str) -> Path:
    path = Path(path)
    if path.suffix != ending:
        raise InputError(
            f"output file {path.name}", f"a volume is written as {ending}", f"give a name that ends in {ending}"
        )
    if not path.parent.is_dir():
        raise InputError(f"output folder {path.parent}", "it must exist", "make it first, or write elsewhere")
    return path
