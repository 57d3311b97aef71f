"""The catalogue, complex permittivity, and names that point to a material."""

from __future__ import annotations

import numpy as np
import pytest

from rf3d.propagation.kernels.interfaces import coefficients, make_walls
from rf3d.units import to_db
from rf3d.venue.materials import BASES, Layer, catalogue, complex_permittivity, suggest
from tests.scenes import plain, surface

NAMES = (
    "vacuum concrete brick plasterboard wood glass ceiling_board chipboard plywood marble floorboard metal"
    " very_dry_ground medium_dry_ground wet_ground low_e_glass drape_dry drape_wet metal_lath_plaster stage_deck"
    " led_wall safety_curtain steel_deck block_wall audience air stud_wall insulated_metal_panel low_e_double_glass"
    " wire_mesh metal_gauze steel_grating"
)


def loss_db(material: str, frequency_hz: float, *, thickness_m: float | None = None) -> float:
    """Loss through one sheet at normal incidence, positive."""
    walls = make_walls((surface(material, material, thickness_m=thickness_m),), np.array([frequency_hz]))
    return -float(to_db(abs(coefficients(walls, 0, 0, 1.0, np.nan)[2]) ** 2))


def test_catalogue_is_whole():
    """Every promised name is there, and every row says where it is from and where it holds."""
    assert set(NAMES.split()) <= set(catalogue())
    for name, material in catalogue().items():
        assert material.name == name
        assert material.basis in BASES
        assert material.source
        assert material.title
        assert 0 <= material.scattering < 1
        assert 0 < material.valid_hz[0] < material.valid_hz[1]
        assert all(layer.thickness_m is None or layer.thin or layer.thickness_m > 0 for layer in material.layers)
        assert len(material.layers) == 1 or material.thickness_m is not None


def test_catalogue_cannot_be_changed():
    """It is shared by every plan."""
    with pytest.raises(TypeError):
        catalogue()["concrete"] = catalogue()["wood"]


def test_915_mhz_is_outside_the_range_of_seven_rows():
    """P.2040 states these from 1 GHz; the caution at 915 MHz hangs on it."""
    rows = ("concrete", "brick", "plasterboard", "ceiling_board", "chipboard", "plywood", "metal")
    assert all(not c.valid_hz[0] <= 915e6 <= c.valid_hz[1] for c in (catalogue()[name] for name in rows))
    assert all(catalogue()[name].valid_hz[0] <= 915e6 for name in ("wood", "glass", "vacuum"))


@pytest.mark.parametrize(
    ("material", "thickness_m", "low_db", "high_db"),
    [
        ("drape_dry", None, 0.0, 1.0),
        ("drape_wet", None, 1.0, 3.0),
        ("metal_lath_plaster", None, 10.0, 25.0),
        ("audience", 5.0, 10.0, 25.0),
        ("low_e_double_glass", None, 25.0, 35.0),
        ("stage_deck", 0.018, 0.5, 2.0),
        ("led_wall", 0.002, 200.0, np.inf),
        ("safety_curtain", 0.002, 200.0, np.inf),
        ("steel_deck", 0.001, 200.0, np.inf),
    ],
)
@pytest.mark.parametrize("frequency_hz", [915e6, 2450e6])
def test_stage_materials_lose_what_their_source_says(material, thickness_m, low_db, high_db, frequency_hz):
    """The assumed ranges hold in both bands; metal lets nothing through."""
    assert low_db <= loss_db(material, frequency_hz, thickness_m=thickness_m) <= high_db


def test_film_alone_passes_what_the_sheet_resistance_model_says():
    """T = 1/(1 + η₀/2Rs) for a 10 nm layer: 4 Ω 33.64 dB, 8 Ω 27.80, 50 Ω 13.57, 188.365 Ω 6.0206 (computed)."""
    for ohm, printed in ((4.0, 33.64), (8.0, 27.80), (15.0, 22.64), (50.0, 13.57), (188.365, 6.0206)):
        film = plain("film", 1.0, 1.0 / (ohm * 1e-8))
        walls = make_walls((surface("film", film, thickness_m=1e-8),), np.array([2.45e9]))
        assert -float(to_db(abs(coefficients(walls, 0, 0, 1.0, np.nan)[2]) ** 2)) == pytest.approx(printed, abs=0.006)


def test_permittivity_of_layers_and_frequencies():
    """ε′ = a f^b and ε″ = σ/(2πfε₀), one row a layer, one column a frequency."""
    layers = (Layer(15.0, -0.1, 0.035, 1.63), Layer(1.0, 0.0, 1e7, 0.0, 1e-3))
    eps = complex_permittivity(layers, [1e9, 10e9])
    assert eps.shape == (2, 2)
    assert eps[0].real == pytest.approx([15.0, 15.0 * 10**-0.1])
    assert -eps[0, 1].imag == pytest.approx(0.035 * 10**1.63 * 17.97510 / 10, rel=1e-6)
    assert -eps[1, 0].imag == pytest.approx(1e7 * 17.97510, rel=1e-6)


def test_thickness_of_a_stack():
    """A sum where every layer has one, None where one is left open."""
    assert catalogue()["low_e_double_glass"].thickness_m == pytest.approx(0.026, abs=1e-7)
    assert catalogue()["concrete"].thickness_m is None


@pytest.mark.parametrize(
    ("names", "material"),
    [
        ("wall_concrete Conc_wall.002 ConcWall concrete02 screed steel_reinforced_concrete", "concrete"),
        ("brick_01 Brickwork", "brick"),
        ("block_wall_stage_left concrete_block breeze-block", "block_wall"),
        ("GypWall plasterboard drywall_2", "plasterboard"),
        ("glass_door window_left Glazing", "glass"),
        ("low-e_glass LowE_glass_2", "low_e_glass"),
        ("steel_beam stage_truss_1 AluPipe metal_clad_wall_stage_left STEEL", "metal"),
        ("steel_deck metal_deck_2", "steel_deck"),
        ("oak_floor ply_flat timber wood_deck wooden-stage", "wood"),
        ("stage deck stage.001_Cube.013 stage_floor stage_riser_2 stage_deck", "stage_deck"),
        ("drape_stage_left leg_left_2 border_3 tab_1 house_curtain backcloth velour_red cloth", "drape_dry"),
        ("led_wall LED_screen_2 LEDwall LED video_wall", "led_wall"),
        ("audience_3 audience_rows seats crowd", "audience"),
        ("safety_curtain IronCurtain", "safety_curtain"),
        ("metal_lath_plaster", "metal_lath_plaster"),
        ("ceiling_tile_4", "ceiling_board"),
        (
            "glasgow_wall legend_1 planet tablet table_leg border_light drape_tracks curtain_wall window_frame"
            " StageWalls StageCeil stage_wall_left led_par led_wall_frame seating_platforms wood_window brick_glass"
            " roof_deck Material.001 Ceil control_desk Cube mirror stageback decker steelhead",
            None,
        ),
    ],
)  # fmt: skip
def test_names_point_to_materials(names, material):
    """Whole English trade words decide; doubt gives None."""
    assert {name: suggest(name) for name in names.split()} == dict.fromkeys(names.split(), material)


@pytest.mark.parametrize("name", ["", "__", "0123", "Ünïcode", "日本"])
def test_odd_names_say_nothing(name):
    """No name breaks it."""
    assert suggest(name) is None
