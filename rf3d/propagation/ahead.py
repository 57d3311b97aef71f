"""Compile the kernels before the first run needs them: two processes side by side, for numba compiles in one thread.

Run on a room of a few walls that has everything a venue has: solids, sheets, edges, rough surfaces. What it
leaves out is compiled where it is needed first.
"""

from __future__ import annotations

import subprocess
import sys

import numpy as np

from rf3d.errors import CancelledError
from rf3d.jobs import Jobs
from rf3d.propagation.assembly import Setting, prepare
from rf3d.propagation.diffuse import diffuse_power
from rf3d.propagation.fields import fields, wall_losses_db
from rf3d.propagation.grid import make_grid
from rf3d.propagation.kernels.interfaces import opaque_parts
from rf3d.propagation.kernels.wedges import no_wedges
from rf3d.propagation.paths import find_paths
from rf3d.propagation.pathset import join
from rf3d.propagation.volume import trace_volume
from rf3d.radio.antennas import make_antenna
from rf3d.radio.radios import Radio, Receiver, Transmitter
from rf3d.venue.facets import Facets, find_facets
from rf3d.venue.materials import catalogue
from rf3d.venue.scene import Scene, make_scene
from rf3d.venue.surfaces import Surface

_BOX = np.array(
    [(0, 2, 1), (0, 3, 2), (4, 5, 6), (4, 6, 7), (0, 1, 5), (0, 5, 4), (1, 2, 6), (1, 6, 5), (2, 3, 7), (2, 7, 6),
     (3, 0, 4), (3, 4, 7)]
)  # fmt: skip
_CENTRE_HZ = 2.44e9
_LONGEST_WAIT_S = 0.1


def compile_ahead(jobs: Jobs) -> None:
    """Compile what links and volumes need, with the help of a second process where there is a second core.

    Raises
    ------
    CancelledError
        When ``jobs.cancel`` is set.
    """
    helper = None
    if jobs.threads > 1:
        helper = subprocess.Popen(
            [sys.executable, "-m", __name__], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
    try:
        setting, here, there = _set_up()
        _find(setting, here, there)
        _flood(setting, here)
        if helper is None:
            _carry(setting.scene, setting.facets, setting.surfaces, here, there)
        # A helper that fails leaves its share to whoever needs it first.
        while helper is not None and helper.poll() is None:
            if jobs.cancel.wait(_LONGEST_WAIT_S):
                raise CancelledError("stopped while the kernels were compiled")
    finally:
        if helper is not None and helper.poll() is None:
            helper.kill()
            helper.wait()


def _scene() -> Scene:
    """A floor and a wall of wood on it."""
    spots = np.array([(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0), (0, 0, 1), (1, 0, 1), (1, 1, 1), (0, 1, 1)], float)
    floor, wall = spots[:4] * [6.0, 6.0, 1.0], spots * [0.2, 3.0, 2.0] + [3.0, 1.5, 0.0]
    return make_scene(
        np.concatenate([floor, wall]), np.concatenate([_BOX[:2], _BOX + 4]), np.repeat([0, 1], [2, len(_BOX)]),
        (("floor", ""), ("wall", "")),
    )  # fmt: skip


def _radios() -> tuple[Transmitter, Receiver]:
    radio = Radio("compiling", _CENTRE_HZ, _CENTRE_HZ + 2e6, 1e6, 1e6, -90.0)
    antenna, axes = make_antenna("compiling", pattern="dipole"), np.eye(3)
    return (
        Transmitter("here", np.array([1.0, 2.6, 1.5]), antenna, axes, 0.0, 0.0, radio),
        Receiver("there", np.array([5.0, 3.3, 1.2]), antenna, axes, 0.0, radio),
    )


def _surfaces() -> tuple[Surface, ...]:
    known = catalogue()
    return (
        Surface("floor", "", known["concrete"], None, True, "sheet", "drawn"),
        Surface("wall", "", known["wood"], None, False, "solid", "drawn"),
    )


def _set_up() -> tuple[Setting, Transmitter, Receiver]:
    scene, surfaces = _scene(), _surfaces()
    opaque = opaque_parts(surfaces, np.array([_CENTRE_HZ]))
    return (prepare(scene, find_facets(scene), surfaces, opaque=opaque), *_radios())


def _find(setting: Setting, here: Transmitter, there: Receiver) -> None:
    """Compile what finds paths."""
    find_paths(
        setting, setting.scene.to_local(here.position_m[None]), setting.scene.to_local(there.position_m[None]),
        linked=np.ones((1, 1), dtype=bool), max_reflections=2, rays=64, seed=1, jobs=Jobs(workers=1),
        edges_at_hz=_CENTRE_HZ,
    )  # fmt: skip
    diffuse_power(setting, here, there)


def _carry(scene: Scene, facets: Facets, surfaces: tuple[Surface, ...], here: Transmitter, there: Receiver) -> None:
    """Compile what carries fields, which needs no path for it."""
    none = join([], 0)
    answer = fields(
        none, facets, surfaces=surfaces, transmitters=(here,), receivers=(there,),
        frequencies_hz=np.linspace(_CENTRE_HZ, _CENTRE_HZ + 78e6, 79), wedges=no_wedges(),
    )  # fmt: skip
    wall_losses_db(none, surfaces=surfaces, frequency_hz=_CENTRE_HZ, incidence_cos=answer.incidence_cos)


def _flood(setting: Setting, here: Transmitter) -> None:
    """Compile what fills volumes."""
    grid = make_grid(setting.scene, 1.0)
    trace_volume(
        setting, here, grid=grid, max_reflections=1, rays=64, seed=1, jobs=Jobs(workers=1), detail=True,
        receiving=here.antenna,
    )  # fmt: skip


def main() -> None:
    """The second process's share."""
    scene, surfaces = _scene(), _surfaces()
    _carry(scene, find_facets(scene), surfaces, *_radios())


if __name__ == "__main__":
    main()
