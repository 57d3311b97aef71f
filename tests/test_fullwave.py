"""A concrete room at 915 MHz against a full-wave solver: paths against Maxwell's equations on a grid.

``fullwave_room.csv`` is made by ``scripts/make_fullwave_reference.py``, which tells room, source and cases. The room is
small, seven wavelengths by six by five and a half, and every place is within three of a wall: harder on rays than a
venue is. The differences are the same on a coarser and a finer grid.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np
import pytest

from rf3d.propagation.pathset import PathSet
from rf3d.units import to_db, wavelength_m
from rf3d.venue.surfaces import Body
from scripts.make_fullwave_reference import (
    CELLS,
    DOORWAY_HEIGHT_M,
    DOORWAY_Y_M,
    FREQUENCY_HZ,
    HEIGHTS_M,
    OBSTACLE_X_M,
    PARTITION_M,
    SCREEN_HEIGHT_M,
    SIZE_M,
    SOURCE_M,
    WALL_M,
    axis_lines,
    dipole,
    grid_wavenumber,
    places,
    time_step_s,
)
from tests.fullwave import added, delay_rad, reference, traced


class Compared(NamedTuple):
    """Fields of a case at the places that count: all in the empty room, else those beyond the obstacle."""

    at_m: np.ndarray
    solver: np.ndarray
    ours: np.ndarray
    slowed: np.ndarray
    no_bends: np.ndarray

    def difference_db(self, where: np.ndarray | slice = slice(None)) -> np.ndarray:
        """Levels of all paths, as slow as on the grid, over the solver's."""
        return to_db(np.abs(self.slowed / self.solver)[where] ** 2)

    def error(self, ours: np.ndarray, where: np.ndarray | slice = slice(None)) -> float:
        """Root mean square of the difference of the fields, phase included, over that of the field."""
        return float(np.linalg.norm((ours - self.solver)[where]) / np.linalg.norm(self.solver[where]))

    @property
    def in_shadow(self) -> np.ndarray:
        """Places (N,) that the screen hides from the source."""
        slope = (SCREEN_HEIGHT_M - SOURCE_M[2]) / (OBSTACLE_X_M - SOURCE_M[0])
        return self.at_m[:, 2] < SCREEN_HEIGHT_M + slope * (self.at_m[:, 0] - OBSTACLE_X_M)


@cache
def paths_of(case: str, drawn: Body) -> tuple[np.ndarray, np.ndarray, tuple[PathSet, np.ndarray]]:
    """Which places of the table count, where they are, and the paths there."""
    at_m, _ = reference(case, CELLS[0])
    counts = (at_m[:, 0] > OBSTACLE_X_M + PARTITION_M) | (case == "empty")
    return counts, at_m[counts], traced(case, at_m[counts], drawn=drawn)


@cache
def compared(case: str, cells: int, drawn: Body = "sheet") -> Compared:
    """All paths of a case against one grid."""
    counts, at_m, (paths, each) = paths_of(case, drawn)
    late = each * np.exp(-1j * delay_rad(paths, cells))
    bends = np.bincount(paths.path_of_interaction, paths.edge >= 0, minlength=paths.count) > 0
    fields = (added(paths, e, len(at_m)) for e in (each, late, np.where(bends, 0.0, late)))
    return Compared(at_m, reference(case, cells)[1][counts], *fields)


@pytest.mark.parametrize("cells", CELLS)
def test_empty_room(cells):
    """351 places, order 5: the median level and its bias, and the field with its phase."""
    here = compared("empty", cells)
    assert len(here.at_m) == 351
    difference = here.difference_db()
    assert np.median(np.abs(difference)) < 0.32
    assert abs(np.median(difference)) < 0.1
    assert here.error(here.slowed) < 0.07


def test_empty_room_as_it_is():
    """On the finer grid the paths need not even be slowed."""
    here = compared("empty", CELLS[-1])
    assert np.median(np.abs(to_db(np.abs(here.ours / here.solver) ** 2))) < 0.4
    assert here.error(here.ours) < 0.11


def test_every_order_brings_it_nearer():
    """The comparison is sharp: it sees what the fourth and fifth bounce bring."""
    here = compared("empty", CELLS[-1])
    _, _, (paths, each) = paths_of("empty", "sheet")
    late = each * np.exp(-1j * delay_rad(paths, CELLS[-1]))
    errors = [
        here.error(added(paths, np.where(paths.reflections <= order, late, 0.0), len(here.at_m))) for order in range(6)
    ]
    assert (np.diff(errors) < 0).all()
    assert errors[0] > 0.5


@pytest.mark.parametrize("cells", CELLS)
def test_behind_a_metal_screen(cells):
    """All places behind the screen, those that it hides from the source, and what the bent paths are worth.

    In the shadow the differences are larger: a bent path has at most two reflections there, and in so small a room
    those with three are not weak.
    """
    here = compared("screen", cells)
    shadow = here.in_shadow
    assert len(here.at_m) == 275
    assert 100 < shadow.sum() < 150
    assert np.median(np.abs(here.difference_db())) < 0.85
    assert np.median(np.abs(here.difference_db(~shadow))) < 0.55
    assert np.median(np.abs(here.difference_db(shadow))) < 1.65
    assert here.error(here.slowed) < 0.155
    assert here.error(here.slowed, shadow) < 0.36 * here.error(here.no_bends, shadow)


@pytest.mark.parametrize("cells", CELLS)
def test_beyond_a_wooden_partition_with_a_doorway(cells):
    """Drawn as sheets; the paths that bend round the jambs bring it nearer."""
    here = compared("partition", cells)
    difference = here.difference_db()
    assert len(here.at_m) == 275
    assert np.median(np.abs(difference)) < 0.63
    assert abs(np.median(difference)) < 0.3
    assert here.error(here.slowed) < 0.142
    assert here.error(here.slowed) < 0.78 * here.error(here.no_bends)


@pytest.mark.parametrize("cells", CELLS)
def test_the_partition_drawn_as_a_solid(cells):
    """Edges of a thin board that lets much through, two to a jamb, bring no gain: 4 cm are λ/8."""
    here = compared("partition", cells, "solid")
    assert np.median(np.abs(here.difference_db())) < 1.0
    assert here.error(here.slowed) < 0.21


@pytest.mark.parametrize("cells", CELLS)
def test_grid_has_lines_where_things_stand(cells):
    """Walls, obstacle and source lie on lines of the grid, the middle of the source's edge at its height."""
    x, y, z = (axis_lines(length, cells, obstacle=axis == 0) for axis, length in enumerate(SIZE_M))
    for lines, wanted in (
        (x, (-WALL_M, 0.0, SOURCE_M[0], OBSTACLE_X_M, OBSTACLE_X_M + PARTITION_M, SIZE_M[0], SIZE_M[0] + WALL_M)),
        (y, (-WALL_M, 0.0, SOURCE_M[1], *DOORWAY_Y_M, SIZE_M[1], SIZE_M[1] + WALL_M)),
        (z, (-WALL_M, 0.0, SCREEN_HEIGHT_M, DOORWAY_HEIGHT_M, SIZE_M[2], SIZE_M[2] + WALL_M)),
    ):
        assert (np.diff(lines) > 0).all()
        assert (np.diff(lines) < 0.106 / cells).all()
        for place in wanted:
            assert np.abs(lines - place).min() < 1e-8
    middles = (z[1:] + z[:-1]) / 2
    for height in (SOURCE_M[2], *HEIGHTS_M):
        assert np.abs(middles - height).min() < 1e-8


def test_waves_on_a_grid_are_slower():
    """To second order (kh)²/24·(Σu⁴ − (cΔt/h)²), Taylor's series of the relation; 0.3 and 0.15 % on the average."""
    way = np.array([[1.0, 0, 0], [0, 0, 1], [1, 1, 1] / np.sqrt(3), [0.6, 0.8, 0]])
    k = 2 * np.pi / wavelength_m(FREQUENCY_HZ)
    for cells in CELLS:
        h = 0.1 / cells
        courant = 299_792_458.0 * time_step_s(cells) / h
        expected = (k * h) ** 2 / 24 * ((way**4).sum(axis=1) - courant**2)
        assert grid_wavenumber(way, cells) / k - 1 == pytest.approx(expected, rel=0.02, abs=2e-6)


def test_dipole_is_a_field_without_sources():
    """∇²E_z + k²E_z = 0 by differences; abeam and far off e^{−jkr}/r."""
    k, h = 2 * np.pi / wavelength_m(FREQUENCY_HZ), 2e-3
    at_m = np.array(SOURCE_M) + np.array([[0.2, 0.1, 0.15], [0.3, -0.2, -0.4], [1.0, 0.5, 0.0]])
    steps = h * np.concatenate([np.eye(3), -np.eye(3)])
    laplacian = (sum(dipole(at_m + step) for step in steps) - 6 * dipole(at_m)) / h**2
    assert -laplacian / (k**2 * dipole(at_m)) == pytest.approx(1.0, abs=1e-3)
    far = dipole(np.array(SOURCE_M)[None] + [[500.0, 0, 0]])[0]
    assert far == pytest.approx(np.exp(-1j * k * 500.0) / 500.0, rel=2e-4)


def test_places_keep_half_a_wavelength_from_walls_and_source():
    """Nearer, the plane waves of the coefficients are not waves yet."""
    at_m, half = places(), 0.5 * wavelength_m(FREQUENCY_HZ)
    assert (at_m > half).all()
    assert (np.array(SIZE_M) - at_m > half).all()
    assert np.linalg.norm(at_m - np.array(SOURCE_M), axis=1).min() > half
