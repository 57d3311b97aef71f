"""Walls as they are built: layers, films, wire grids and openings, from the plan file to the field behind them."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.special import hankel2

from rf3d.assessment.check import check_plan
from rf3d.assessment.links import evaluate
from rf3d.cli import main
from rf3d.errors import InputError
from rf3d.jobs import Jobs
from rf3d.plan import load_plan, load_scene
from rf3d.plan_surfaces import assign_surfaces
from rf3d.propagation.diffuse import NO_DIFFUSE
from rf3d.propagation.kernels.interfaces import coefficients, make_walls, oblique_body, opaque_parts
from rf3d.propagation.paths import find_paths, prepare
from rf3d.units import SPEED_OF_LIGHT_M_S, to_db
from rf3d.venue.facets import find_facets
from rf3d.venue.materials import Grid, catalogue
from rf3d.venue.surfaces import Surface
from tests import twins
from tests.conftest import PLAN
from tests.scenes import block, plain, quad, scene_of, surface
from tests.test_agreement import RADIO, ends, same_phase_db, trace
from tests.test_volume import corner_plates, transmitter_at, volume_of

ANGLES_DEG = (0.0, 20.0, 45.0, 60.0, 80.0, 89.9)
STACKS = {
    "stud wall 13/100air/13": (("plasterboard", 13), ("air", 100), ("plasterboard", 13)),
    "double stud wall 2x13/100air/2x13": (("plasterboard", 26), ("air", 100), ("plasterboard", 26)),
    "double glazing 4/16air/4": (("glass", 4), ("air", 16), ("glass", 4)),
    "brick-cavity 102/50air/102": (("brick", 102), ("air", 50), ("brick", 102)),
    "wood floor on concrete 18/200": (("wood", 18), ("concrete", 200)),
}
"""Layers of the reference table's walls: material and millimetres, front to back."""


def from_plan(path, body: str, *, thickness: str = "") -> Surface:
    """The Surface that the walls of the little room become, given the lines of their material."""
    start, end = PLAN.index("permittivity = 2.7"), PLAN.index("scattering = 0.1")
    text = PLAN[:start] + body + "\n" + PLAN[end:]
    path.write_text(text.replace("thickness_m = 0.1\n", thickness, 1))
    plan = load_plan(path)
    surfaces, unassigned = assign_surfaces(plan, load_scene(plan))
    assert unassigned == []
    return next(s for s in surfaces if s.object == "wall_x0")


def layers_of(*rows: str) -> str:
    return "layers = [" + ", ".join("{ " + row + " }" for row in rows) + "]"


def answer(wall: Surface, frequency_hz: float, angle_deg: float = 0.0):
    walls = make_walls((wall,), np.array([frequency_hz]))
    return coefficients(walls, 0, 0, np.cos(np.radians(angle_deg)), np.nan)


# ---------------------------------------------------------------------------------------------- layers and films
def test_layers_of_a_plan_equal_the_multilayer_reference(shared, room_plan):
    """Every row of multilayer_reference.csv, the wall read from the text of a plan."""
    walls = {
        stack: from_plan(room_plan, layers_of(*(f'material = "{m}", thickness_m = {mm / 1000}' for m, mm in layers)))
        for stack, layers in STACKS.items()
    }
    checked = 0
    for row in csv.DictReader((shared / "checks" / "multilayer_reference.csv").read_text().splitlines()):
        wall = walls[row["stack"]]
        frequency, angle = 1e9 * float(row["f_GHz"]), float(row["theta_deg"])
        got = answer(wall, frequency, angle)
        k0 = 2 * np.pi * frequency / SPEED_OF_LIGHT_M_S
        face_to_face = np.exp(-1j * k0 * wall.material.thickness_m * np.cos(np.radians(angle)))
        te = 0 if row["pol"] == "TE" else 1
        for value, name in ((got[te], "R"), (got[2 + te] * face_to_face, "T")):
            assert value == pytest.approx(complex(float(row[f"{name}_re"]), float(row[f"{name}_im"])), abs=1e-8), row
        checked += 1
    assert checked == 150


@pytest.mark.parametrize(("ohm", "printed_db"), [(4, 33.64), (8, 27.80), (15, 22.64), (50, 13.57), (188.365, 6.0206)])
def test_a_film_passes_what_its_sheet_resistance_says(room_plan, ohm, printed_db):
    """T = 1/(1 + η₀/2Rs), thin-sheet model of coated glass: printed values, and the formula to every digit."""
    wall = from_plan(room_plan, layers_of(f"sheet_resistance_ohm = {ohm}"))
    for frequency in (915e6, 5.5e9):
        t = answer(wall, frequency)[2]
        assert -to_db(abs(t) ** 2) == pytest.approx(printed_db, abs=0.006)
        assert t == pytest.approx(1.0 / (1.0 + 376.730313412 / (2 * ohm)), rel=1e-12)


def test_a_film_is_the_limit_of_a_thin_conductor():
    """In a pane, and at every angle: ten nanometres of σ = 1/(Rs·10 nm) by the slab recursion are the same film."""
    film = catalogue()["low_e_double_glass"]
    rows = list(film.layers)
    rows[1] = plain("metal", 1.0, 1.0 / (5.0 * 1e-8)).layers[0].__class__(1.0, 0.0, 1.0 / (5.0 * 1e-8), 0.0, 1e-8)
    thin = plain("thin", 1.0, 0.0).__class__(**{**film.__dict__, "layers": tuple(rows)})
    for angle in ANGLES_DEG:
        got, want = (answer(surface("w", m), 2.45e9, angle) for m in (film, thin))
        np.testing.assert_allclose(got, want, atol=3e-4)


def test_walls_that_people_build_are_in_the_catalogue_and_can_be_written_in_a_plan(room_plan):
    """Insulated metal panel, coated double glazing and stud wall: one answer by name and by layers."""
    written = {
        "insulated_metal_panel": (
            'material = "metal", thickness_m = 0.0005',
            "permittivity = 1.1, conductivity_s_m = 0.0001, thickness_m = 0.1",
            'material = "metal", thickness_m = 0.0005',
        ),
        "low_e_double_glass": (
            'material = "glass", thickness_m = 0.006',
            "sheet_resistance_ohm = 5",
            'material = "air", thickness_m = 0.016',
            'material = "glass", thickness_m = 0.004',
        ),
        "stud_wall": (
            'material = "plasterboard", thickness_m = 0.0125',
            'material = "air", thickness_m = 0.075',
            'material = "plasterboard", thickness_m = 0.0125',
        ),
    }
    loss = {}
    for name, rows in written.items():
        wall = from_plan(room_plan, layers_of(*rows))
        for angle in ANGLES_DEG[:-1]:
            got, want = answer(wall, 2.45e9, angle), answer(surface("w", name), 2.45e9, angle)
            np.testing.assert_allclose(got, want, rtol=1e-12)
        loss[name] = -to_db(max(abs(answer(wall, 2.45e9)[2]), 1e-300) ** 2)
    assert loss["insulated_metal_panel"] > 200
    assert 25 < loss["low_e_double_glass"] < 35
    assert 0 < loss["stud_wall"] < 5


def test_the_walls_of_the_readme_load(room_plan):
    """Its three materials, as written."""
    readme = (Path(__file__).resolve().parent.parent / "README.md").read_text()
    start = readme.index("[material.cavity_wall]")
    room_plan.write_text(PLAN + "\n" + readme[start : readme.index("```", start)])
    materials = load_plan(room_plan).materials
    assert materials["cavity_wall"].thickness_m == pytest.approx(0.125)
    assert materials["fence"].thin
    assert materials["louvre"].open_fraction == 0.4


def test_a_layer_may_be_a_material_of_the_plan(room_plan):
    """And a wall of the plan's own is valid where all its layers are: plasterboard from 1 GHz, a grid to c/2a."""
    room_plan.write_text(PLAN)
    body = '\n[material.panel]\nlayers = [{ material = "plaster", thickness_m = 0.1 }, '
    body += '{ grid = { pitch_m = 0.05, wire_m = 0.003 } }, { material = "plasterboard", thickness_m = 0.01 }]\n'
    text = PLAN.replace("[radio.hopper]", body + 'scattering = 0.0\nsource = "assumed"\n\n[radio.hopper]')
    room_plan.write_text(text)
    panel = load_plan(room_plan).materials["panel"]
    assert panel.layers[0].a == 2.7
    assert panel.thickness_m == pytest.approx(0.11)
    assert panel.valid_hz == pytest.approx((1e9, SPEED_OF_LIGHT_M_S / 0.1))
    assert panel.build_up == "100 mm plaster, grid of 3 mm strips every 50 mm, 10 mm plasterboard"


# ---------------------------------------------------------------------------------------------- wire grids
@pytest.mark.parametrize("frequency_hz", [433e6, 915e6, 2.45e9])
def test_a_grid_is_the_inductive_grid_formula(room_plan, frequency_hz):
    """T = 2jX/(1 + 2jX), X/η₀ = (a/λ) ln(1/sin(πw/2a)), at normal incidence (Marcuvitz; from memory)."""
    a, w = 0.05, 0.004
    wall = from_plan(room_plan, f"grid = {{ pitch_m = {a}, wire_m = {w} }}")
    x = a * frequency_hz / SPEED_OF_LIGHT_M_S * np.log(1 / np.sin(np.pi * w / (2 * a)))
    r_te, r_tm, t_te, t_tm = answer(wall, frequency_hz)
    assert t_te == pytest.approx(2j * x / (1 + 2j * x), rel=1e-12)
    assert t_tm == pytest.approx(t_te, rel=1e-12)
    assert r_te == pytest.approx(-1 / (1 + 2j * x), rel=1e-12)
    assert r_tm == pytest.approx(-r_te, rel=1e-12)


def test_a_grid_off_the_normal_is_an_averaged_boundary():
    """TE: shunt jX before wave impedance η₀/cosθ; TM: jX(1 − sin²θ/2) before η₀cosθ (Kontorovich; from memory)."""
    wall = surface("w", "wire_mesh")
    x = 2 * np.pi * 915e6 / SPEED_OF_LIGHT_M_S * catalogue()["wire_mesh"].layers[0].grid.inductance_m
    for angle in ANGLES_DEG:
        c, s2 = np.cos(np.radians(angle)), np.sin(np.radians(angle)) ** 2
        _, _, t_te, t_tm = answer(wall, 915e6, angle)
        assert t_te == pytest.approx(2j * x * c / (1 + 2j * x * c), rel=1e-9)
        x_tm = x * (1 - s2 / 2)
        assert t_tm == pytest.approx(2j * x_tm / (c + 2j * x_tm), rel=1e-9)


@pytest.mark.parametrize("name", ["wire_mesh", "metal_gauze", "steel_grating"])
@pytest.mark.parametrize("frequency_hz", [0.433e9, 0.915e9, 2.45e9, 5.5e9])
def test_a_grid_takes_no_power(name, frequency_hz):
    """|R|² + |T|² = 1 at every angle, TE and TM, and with a resistive film in front of it less."""
    for angle in ANGLES_DEG:
        r_te, r_tm, t_te, t_tm = answer(surface("w", name), frequency_hz, angle)
        assert abs(r_te) ** 2 + abs(t_te) ** 2 == pytest.approx(1.0, abs=1e-12)
        assert abs(r_tm) ** 2 + abs(t_tm) ** 2 == pytest.approx(1.0, abs=1e-12)


def lattice_transmission(a: float, d: float, wavelength: float) -> complex:
    """Grid of thin parallel wires, diameter d, field along them: the currents' own fields summed one by one.

    On each wire the wave and the fields of all wires cancel; a slight loss makes the sum converge.
    """
    k = 2 * np.pi / wavelength * (1 - 2e-5j)
    n = np.arange(1, 400_001)
    field = hankel2(0, k * d / 2) + 2 * hankel2(0, k * a * n).sum()
    current = -1 / field  # in units of 4/(kη₀)
    return 1 + 2 * current / (k * a)


@pytest.mark.parametrize(("a", "d"), [(0.05, 0.003), (0.025, 0.001), (0.05, 0.002)])
def test_round_wires_are_those_of_a_summed_lattice(a, d):
    """Pitches to a fifth of a wavelength, 0.15 dB; a flat strip as wide as the wire would be 1 dB and more off."""
    for share in (0.02, 0.1, 0.2):
        wavelength = a / share
        x = 2 * np.pi / wavelength * Grid(a, d, round=True).inductance_m
        exact = float(to_db(abs(lattice_transmission(a, d, wavelength)) ** 2))
        assert float(to_db(abs(2j * x / (1 + 2j * x)) ** 2)) == pytest.approx(exact, abs=0.15)
        x = 2 * np.pi / wavelength * Grid(a, d).inductance_m
        assert float(to_db(abs(2j * x / (1 + 2j * x)) ** 2)) > exact + 1.0


def test_a_grid_in_a_wall_is_a_shunt_between_its_layers():
    """Two-port chain matrices multiplied by hand: board, grid, board at normal incidence."""
    board, grid = catalogue()["plasterboard"].layers[0], catalogue()["wire_mesh"].layers[0]
    sized = board.__class__(board.a, board.b, board.c, board.d, 0.013)
    wall = plain("w", 1.0, 0.0).__class__(**{**plain("w", 1.0, 0.0).__dict__, "layers": (sized, grid, sized)})
    walls = make_walls((surface("w", wall),), np.array([2.45e9]))
    k0, eps = walls.wavenumber[0], walls.permittivity[0, 0]
    q = k0 * np.sqrt(eps) * 0.013
    slab = np.array([[np.cos(q), 1j * np.sin(q) / np.sqrt(eps)], [1j * np.sin(q) * np.sqrt(eps), np.cos(q)]])
    shunt = np.array([[1, 0], [1 / (1j * k0 * grid.grid.inductance_m), 1]])
    (a, b), (c, d) = slab @ shunt @ slab
    _, _, t_te, t_tm = coefficients(walls, 0, 0, 1.0, np.nan)
    expected = 2 / (a + b + c + d) * np.exp(1j * k0 * 0.026)
    assert t_te == pytest.approx(expected, rel=1e-12)
    assert t_tm == pytest.approx(expected, rel=1e-12)


def test_a_grid_is_stated_up_to_half_a_wavelength(room_plan):
    """Beyond it the plan is answered with a caution, as for any material outside its range."""
    from_plan(room_plan, "grid = { pitch_m = 0.1, wire_m = 0.004 }")
    plan = load_plan(room_plan)
    found = [f for f in check_plan(plan, load_scene(plan)).findings if f.code == "material-range"]
    assert [(f.severity, f.where, f.limit) for f in found] == [("caution", "plaster", SPEED_OF_LIGHT_M_S / 0.2)]


# ---------------------------------------------------------------------------------------------- openings
def test_openings_pass_power_and_the_rest_is_wall(room_plan):
    """|T|² = o + (1 − o)|T|², |R|² = (1 − o)|R|²; what was all metal passes its open share and no more."""
    body = "permittivity = 3.91\nconductivity_s_m = 0.05\nopen_fraction = 0.3\nopening_m = 0.2"
    open_wall = from_plan(room_plan, body, thickness="thickness_m = 0.1\n").material
    closed = plain("closed", 3.91, 0.05)
    for angle in ANGLES_DEG[:-1]:
        got = answer(surface("w", open_wall, thickness_m=0.1), 2.45e9, angle)
        want = answer(surface("w", closed, thickness_m=0.1), 2.45e9, angle)
        for side in (0, 1):
            assert abs(got[side]) ** 2 == pytest.approx(0.7 * abs(want[side]) ** 2, rel=1e-12)
            assert abs(got[2 + side]) ** 2 == pytest.approx(0.3 + 0.7 * abs(want[2 + side]) ** 2, rel=1e-12)
            assert np.angle(got[2 + side]) == pytest.approx(np.angle(0.3 + 0.7 * want[2 + side]), abs=1e-12)
    metal = catalogue()["metal"]
    louvre = metal.__class__(**{**metal.__dict__, "open_fraction": 0.3, "opening_m": 0.2})
    walls = (surface("w", louvre, thickness_m=0.001),)
    assert to_db(abs(answer(walls[0], 2.45e9)[2]) ** 2) == pytest.approx(to_db(0.3), abs=1e-9)
    assert not opaque_parts(walls, np.array([2.45e9]))[0]


def test_openings_conserve_the_mean_power_behind_them():
    """A row of slits as Fourier orders (Parseval): the mean power behind it, wherever one stands, is the open share.

    The straight order alone has only its square, so that its amplitude would leave the receivers short.
    """
    share, orders = 0.3, np.arange(-20_000, 20_001)
    amplitude = share * np.sinc(share * orders)
    assert (amplitude**2).sum() == pytest.approx(share, rel=1e-4)
    assert amplitude[orders == 0][0] ** 2 == pytest.approx(share**2)


# ---------------------------------------------------------------------------------------------- drawn this way and that
def drawn(how: str, material):
    """Pieces and surfaces of one wall at x = 5."""
    front = quad("w", (5, -20, -20), (5, 20, -20), (5, 20, 20), (5, -20, 20))
    back = quad("v", (5, -20, 20), (5, 20, 20), (5, 20, -20), (5, -20, -20))
    low, high = (4.94, -20, -20), (5.06, 20, 20)
    if how == "sheet":
        return [front], (surface("w", material),)
    if how == "two sheets":
        return [front, back], (surface("w", material), surface("v", material))
    if how == "solid":
        return [block("w", low, high)], (surface("w", material, body="solid"),)
    halves = [block("w", low, (5.0, 20, 20)), block("v", (5.0, -20, -20), high)]
    return halves, (surface("w", material, body="solid"), surface("v", material, body="solid"))


@pytest.mark.parametrize(
    ("material", "how"),
    [(m, h) for m in ("stud_wall", "low_e_double_glass") for h in ("sheet", "two sheets", "solid", "two solids")]
    + [("wire_mesh", "sheet"), ("wire_mesh", "two sheets")],
)
def test_a_layered_wall_counts_once_however_it_is_drawn(material, how):
    """One sheet, two coincident, a closed box of another thickness, two boxes that touch: the same T and R."""
    pieces, surfaces = drawn(how, material)
    wavelength = twins.C / 2.45e9
    only = surface("only", material)
    paths, got = trace(pieces, surfaces, (0, 0, 0), (10, 4, 0), order=0)
    length = np.hypot(10, 4)
    free = twins.DIPOLE_DIRECTIVITY * wavelength / (4 * np.pi * length) * np.exp(-2j * np.pi * length / wavelength)
    t = answer(only, 2.45e9, np.degrees(np.arccos(10 / length)))[2]
    assert paths.count == 1
    assert same_phase_db(got.amplitude[0, 0], t * free) < 1e-6
    paths, got = trace(pieces, surfaces, (0, 0, 0), (0, 4, 0), order=1)
    face = 5.0 if "sheet" in how else 4.94
    length = np.hypot(2 * face, 4)
    free = twins.DIPOLE_DIRECTIVITY * wavelength / (4 * np.pi * length) * np.exp(-2j * np.pi * length / wavelength)
    r = answer(only, 2.45e9, np.degrees(np.arccos(2 * face / length)))[0]
    assert same_phase_db(got.amplitude[np.argmax(paths.reflections), 0], r * free) < 1e-6


def test_a_solid_of_layers_without_parallel_faces_is_a_hollow_body():
    """In by one wall and out by the other; never more than there was, and the bounce sees the whole wall."""
    walls = make_walls((surface("w", "low_e_double_glass", body="solid"),), np.array([2.45e9]))
    for angle in ANGLES_DEG:
        cos_i = np.cos(np.radians(angle))
        r_te, r_tm, t_te, t_tm = coefficients(walls, 0, 0, cos_i, np.nan)
        assert oblique_body(walls, 0, 0, cos_i, 0.3) == pytest.approx((t_te, t_tm), rel=1e-12)
        assert coefficients(walls, 0, 0, cos_i, np.inf)[:2] == pytest.approx((r_te, r_tm), rel=1e-12)


def test_solids_of_layers_are_said_and_solids_of_grids_refused(room_plan):
    """The cupboard is a closed box of 0.5 m by 1 m by 2 m."""
    text = PLAN.replace('object = "cupboard"\nmaterial = "wood"', 'object = "cupboard"\nmaterial = "stud_wall"')
    room_plan.write_text(text)
    plan = load_plan(room_plan)
    cupboard = next(s for s in assign_surfaces(plan, load_scene(plan))[0] if s.object == "cupboard")
    assert cupboard.decision.endswith("; its layers, 100 mm in all, count once from face to face")
    room_plan.write_text(text.replace('"stud_wall"', '"wire_mesh"'))
    plan = load_plan(room_plan)
    with pytest.raises(InputError, match=r'"cupboard" is a solid .* but "wire_mesh" is a film or a grid'):
        assign_surfaces(plan, load_scene(plan))
    louvre = PLAN.replace('material = "wood"', 'material = "plaster"').replace(
        "scattering = 0.1", "scattering = 0.1\nopen_fraction = 0.5\nopening_m = 0.2"
    )
    room_plan.write_text(louvre)
    plan = load_plan(room_plan)
    with pytest.raises(InputError, match=r'"cupboard" is a solid .* but "plaster" is a wall with openings'):
        assign_surfaces(plan, load_scene(plan))
    room_plan.write_text(text.replace('"stud_wall"', '"wire_mesh"\nbody = "sheet"'))
    plan = load_plan(room_plan)
    cupboard = next(s for s in assign_surfaces(plan, load_scene(plan))[0] if s.object == "cupboard")
    assert (cupboard.body, cupboard.decision) == ("sheet", "as the plan says")


@pytest.mark.parametrize("name", ["low_e_double_glass", "wire_mesh"])
def test_the_volume_sees_the_same_walls(name):
    """Behind a sheet each voxel has free space times |T|², TE and TM in the shares of the θ-polarised wave."""
    size, source = (6.0, 4.0, 3.0), np.array([1.25, 2.25, 1.25])
    pieces = [*corner_plates(size), quad("wall", (3, 0, 0), (3, 4, 0), (3, 4, 3), (3, 0, 3))]
    plates = (surface("low", "metal", thickness_m=0.002), surface("high", "metal", thickness_m=0.002))
    wall = surface("wall", name)
    walled = volume_of(pieces, (*plates, wall), transmitter_at(source), order=0)
    air = surface("wall", "air", thickness_m=0.1)
    open_air = volume_of(pieces, (*plates, air), transmitter_at(source), order=0)
    checked = 0
    for number in range(0, walled.grid.count, 29):
        centre = walled.grid.centres_m(np.array([number]))[0] + walled.grid.origin_m
        if centre[0] < 3.0:
            continue
        k = (centre - source) / np.linalg.norm(centre - source)
        field = np.array([k[2] * k[0], k[2] * k[1], k[2] ** 2 - 1]) / np.hypot(k[0], k[1])
        te = np.cross(k, [1.0, 0, 0])
        te /= np.linalg.norm(te)
        _, _, t_te, t_tm = answer(wall, 2.45e9, np.degrees(np.arccos(abs(k[0]))))
        expected = abs(t_te * (field @ te)) ** 2 + abs(t_tm * (field @ np.cross(te, k))) ** 2
        got = walled.direct_power_w.flat[number] / open_air.direct_power_w.flat[number]
        assert got == pytest.approx(expected, rel=1e-9)
        checked += 1
    assert checked >= 5


# ---------------------------------------------------------------------------------------------- any number of walls
def rows_of_walls(count: int, limit_db: float):
    """A link through ``count`` walls of 10.0 dB each, and the PathSet behind it."""
    film = catalogue()["low_e_glass"].layers[1]
    ohm = 376.730313412 / (2 * (10**0.5 - 1))
    wall = plain("ten", 1.0, 0.0)
    wall = wall.__class__(**{**wall.__dict__, "layers": (film.__class__(1, 0, 0, 0, 0.0, "", ohm),)})
    pieces = [quad(f"w{i}", (i, -5, -5), (i, 5, -5), (i, 5, 5), (i, -5, 5)) for i in range(1, count + 1)]
    surfaces = tuple(surface(name, wall) for name, _, _ in pieces)
    scene = scene_of(pieces)
    opaque = opaque_parts(surfaces, np.array([RADIO.centre_hz]), loss_db=limit_db)
    setting = prepare(scene, find_facets(scene), surfaces, opaque=opaque, most_wall_loss_db=limit_db)
    transmitter, receiver = ends(scene, (0, 0, 0), (count + 1, 0, 0))
    paths, _ = find_paths(
        setting, scene.to_local(transmitter.position_m[None]), scene.to_local(receiver.position_m[None]),
        linked=np.ones((1, 1), dtype=bool), max_reflections=0, rays=0, seed=1, jobs=Jobs(),
    )  # fmt: skip
    link = evaluate(
        setting, paths, transmitter=transmitter, receiver=receiver, diffuse=NO_DIFFUSE, seed=1,
        position_tolerance_m=0.0,
    )  # fmt: skip
    return paths, link


def test_walls_are_passed_until_the_stated_loss():
    """Thirty walls of 10 dB pass where 301 dB are allowed; 299 leave the path out of the link, not of the paths."""
    paths, link = rows_of_walls(30, 301.0)
    free_db = to_db((twins.DIPOLE_DIRECTIVITY * twins.C / 2.45e9 / (4 * np.pi * 31)) ** 2)
    assert link.paths.count == 1
    assert link.mean_power_dbm == pytest.approx(free_db - 300.0, abs=1e-6)
    assert len(paths.kind) == 30
    paths, link = rows_of_walls(30, 299.0)
    assert (paths.count, link.paths.count) == (1, 0)
    assert link.mean_power_dbm == -np.inf


def test_the_limit_is_the_plans(room_plan):
    """120 dB where the plan says nothing; a wall that takes more by itself stops everything."""
    assert load_plan(room_plan).study.most_wall_loss_db == 120.0
    room_plan.write_text(PLAN.replace("seed = 1", "seed = 1\nmost_wall_loss_db = 40"))
    assert load_plan(room_plan).study.most_wall_loss_db == 40.0


def test_check_says_what_walls_are_made_of(room_plan):
    """Every layer, grid and opening, and the limit."""
    from_plan(
        room_plan, layers_of('material = "brick", thickness_m = 0.1', "grid = { pitch_m = 0.02, wire_m = 0.001 }")
    )
    plan = load_plan(room_plan)
    report = check_plan(plan, load_scene(plan))
    printed = " ".join(CliRunner().invoke(main, ["check", str(room_plan)]).stdout.split())
    assert "100 mm brick, grid of 1 mm strips every 20 mm" in printed
    assert "walls take more than 120 dB altogether" in printed
    row = next(s for s in report.as_json()["surfaces"] if s["object"] == "wall_x0")
    assert row["made_of"] == "100 mm brick, grid of 1 mm strips every 20 mm"
