"""Half-space, slab and multilayer coefficients against independently computed tables, and against their own limits."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from rf3d.propagation.kernels.interfaces import coefficients, echo_bound, half_space, make_walls, most_reflected
from rf3d.propagation.kernels.responses import TOLERANCE, look_up, make_responses
from rf3d.units import SPEED_OF_LIGHT_M_S
from rf3d.venue.materials import Layer, Material, catalogue
from tests.scenes import plain, surface

STACKS = {
    "stud wall 13/100air/13": (("plasterboard", 13), ("vacuum", 100), ("plasterboard", 13)),
    "double stud wall 2x13/100air/2x13": (("plasterboard", 26), ("vacuum", 100), ("plasterboard", 26)),
    "double glazing 4/16air/4": (("glass", 4), ("vacuum", 16), ("glass", 4)),
    "brick-cavity 102/50air/102": (("brick", 102), ("vacuum", 50), ("brick", 102)),
    "wood floor on concrete 18/200": (("wood", 18), ("concrete", 200)),
}
"""Layers of the reference table's walls: P.2040 row and millimetres, front to back."""


def rows(shared, name):
    return list(csv.DictReader((shared / "checks" / name).read_text().splitlines()))


def close(got: complex, row: dict, name: str, tolerance: float) -> bool:
    expected = float(row[f"{name}_re"]) + 1j * float(row[f"{name}_im"])
    return abs(got - expected) <= tolerance * max(1.0, abs(expected))


def test_slabs_and_half_spaces_equal_the_reference(shared):
    """Every row of slab_reference.csv: P.2040 materials, three frequencies, five angles, TE and TM."""
    checked = 0
    for row in rows(shared, "slab_reference.csv"):
        eps = float(row["eps_real"]) - 1j * float(row["eps_imag_loss"])
        frequency, cos_i = 1e9 * float(row["f_GHz"]), np.cos(np.radians(float(row["theta_deg"])))
        sigma = -eps.imag * 2 * np.pi * frequency * 8.8541878188e-12
        walls = make_walls(
            (surface("w", plain("w", eps.real, sigma), thickness_m=float(row["thickness_m"])),), np.array([frequency])
        )
        r_te, r_tm, t_te, t_tm = coefficients(walls, 0, 0, cos_i, np.nan)
        te = row["pol"] == "TE"
        assert close(half_space(eps, cos_i)[0 if te else 1], row, "r_halfspace", 1e-9), row
        assert close(r_te if te else r_tm, row, "R_slab", 1e-9), row
        assert close(t_te if te else t_tm, row, "T_insertion", 1e-9), row
        checked += 1
    assert checked == 390


def test_no_layer_reflects_more_than_its_bound():
    """Random lossy layers, thin to thick, at random angles; with no echo the bound is the face."""
    generator = np.random.default_rng(5)
    nearest = 1.0
    for _ in range(2_000):
        real, sigma = 1.0 + generator.exponential(2.0), 10.0 ** generator.uniform(-4, 1)
        thickness, cos_i, te = 10.0 ** generator.uniform(-4, 0), generator.uniform(1e-3, 1.0), generator.random() < 0.5
        walls = make_walls((surface("w", plain("w", real, sigma), thickness_m=thickness),), np.array([2.45e9]))
        eps, wavenumber = walls.permittivity[0, 0], walls.wavenumber[0]
        power = abs(coefficients(walls, 0, 0, cos_i, np.nan)[0 if te else 1]) ** 2
        bound = most_reflected(eps, cos_i, te, echo_bound(eps, wavenumber, thickness))
        assert power <= bound * (1.0 + 1e-9)
        nearest = min(nearest, bound / power - 1.0)
        face = abs(half_space(eps, cos_i)[0 if te else 1]) ** 2
        assert most_reflected(eps, cos_i, te, 0.0) == pytest.approx(face, rel=1e-9)
    assert nearest < 0.01  # the bound is reached


def test_catalogue_rows_are_those_of_the_reference(shared):
    """The catalogue's permittivities are the table's: nothing mixed in from another edition."""
    names = {"plasterboard", "glass", "wood", "plywood", "concrete", "brick", "metal"}
    seen = set()
    for row in rows(shared, "slab_reference.csv"):
        name = row["material"].split()[0]
        if name not in names or not row["param_set"].startswith("P.2040-2"):
            continue
        seen.add(name)
        walls = make_walls((surface(name, catalogue()[name], thickness_m=0.01),), np.array([1e9 * float(row["f_GHz"])]))
        expected = float(row["eps_real"]) - 1j * float(row["eps_imag_loss"])
        assert walls.permittivity[0, 0] == pytest.approx(expected, rel=1e-8), row
    assert seen == names


def test_layered_walls_equal_the_reference(shared):
    """Every row of multilayer_reference.csv by the multilayer recursion."""
    checked = 0
    for row in rows(shared, "multilayer_reference.csv"):
        layers = tuple(
            Layer(*(getattr(catalogue()[name].layers[0], key) for key in "abcd"), thickness_m=mm / 1000)
            for name, mm in STACKS[row["stack"]]
        )
        wall = Material("wall", layers, 0.0, (0.0, np.inf), "A", "test", "wall")
        frequency, cos_i = 1e9 * float(row["f_GHz"]), np.cos(np.radians(float(row["theta_deg"])))
        walls = make_walls((surface("wall", wall),), np.array([frequency]))
        r_te, r_tm, t_te, t_tm = coefficients(walls, 0, 0, cos_i, np.nan)
        thickness = sum(layer.thickness_m for layer in layers)
        face_to_face = np.exp(-2j * np.pi * frequency / SPEED_OF_LIGHT_M_S * thickness * cos_i)
        te = row["pol"] == "TE"
        assert close(r_te if te else r_tm, row, "R", 1e-8), row
        assert close((t_te if te else t_tm) * face_to_face, row, "T", 1e-8), row
        checked += 1
    assert checked == 150


def test_closed_form_limits():
    """CHECKS section 1: Brewster's angle, a half-wave and a quarter-wave window, a conductor."""
    four = plain("four", 4.0, 0.0)
    walls = make_walls((surface("w", four, thickness_m=0.030591067),), np.array([2.45e9]))
    assert abs(half_space(4.0 + 0j, np.cos(np.radians(63.43494882)))[1]) < 1e-9
    assert abs(coefficients(walls, 0, 0, 1.0, np.nan)[0]) < 1e-7
    quarter = make_walls((surface("w", four, thickness_m=0.5 * 0.030591067),), np.array([2.45e9]))
    assert abs(coefficients(quarter, 0, 0, 1.0, np.nan)[0]) == pytest.approx(0.6, abs=1e-7)
    r_te, r_tm, t_te, _ = coefficients(
        make_walls((surface("m", "metal", thickness_m=0.001),), np.array([2.45e9])), 0, 0, 0.7, np.nan
    )
    assert r_te == pytest.approx(-1.0, abs=1e-3)
    assert r_tm == pytest.approx(1.0, abs=1e-3)
    assert 0.0 < abs(t_te) < 1e-80


@pytest.mark.parametrize("name", sorted(set(catalogue()) - {"air", "vacuum"}))
def test_a_wave_along_the_wall_is_thrown_back_whole(name):
    """A film or grid in a gap without thickness gave 0/0 here, at some channels only: 1 − cos²θ had rounded to 1."""
    walls = make_walls((surface("wall", name, thickness_m=0.02),), np.linspace(2402e6, 2480e6, 79))
    for cos_i in (0.0, 1e-9, 1e-7, 1e-6):
        for f in range(79):
            r_te, r_tm, t_te, t_tm = coefficients(walls, f, 0, cos_i, np.nan)
            assert abs(abs(r_te) - 1.0) < 1e-4
            assert np.isfinite([r_tm, t_te, t_tm]).all()
            assert abs(t_te) < 1e-3


def test_tables_of_walls_give_back_their_coefficients():
    """Every material of the catalogue as a sheet of 1 to 400 mm, at places that no table was made at."""
    cosines = np.concatenate([np.random.default_rng(5).random(400), np.geomspace(1e-6, 1e-2, 60), [0.0, 1.0]])
    worst, tables, answer = 0.0, 0, np.empty(8)
    for name, material in catalogue().items():
        whole = all(layer.thickness_m is not None for layer in material.layers)
        for thickness_m in (None,) if whole else (0.001, 0.012, 0.1, 0.4):
            walls = make_walls((surface(name, material, thickness_m=thickness_m),), np.array([2.44e9]))
            responses = make_responses(walls)
            if len(responses.values) == 0:
                continue
            tables += 1
            for cosine in cosines:
                look_up(responses.values, 0, cosine, answer)
                got = answer[0::2] + 1j * answer[1::2]
                worst = max(worst, np.abs(got - np.array(coefficients(walls, 0, 0, cosine, np.nan))).max())
    assert tables >= 50
    assert worst < 1.2 * TOLERANCE
