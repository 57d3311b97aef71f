"""Touring stage with its own roof on towers, screens, loudspeakers, mixing place, crowd on the floor."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from demo_meshes.model import GAP_M, Model, across, along, flat

DECK_X, DECK_Y, DECK_Z = (-24.0, -12.5), 10.0, 1.6
TOWER_X, TOWER_Y, TOWER_TOP = (-24.0, -18.25, -12.5), 11.0, 11.6
ROOF_Z = 10.6
ROOF_X = (-24.0, -21.1, -18.25, -15.4, -12.5)
SECTION = 0.52
SIDES = ((1.0, "stage_left"), (-1.0, "stage_right"))


def add_stage(m: Model) -> None:
    """Stage, its roof, screens, loudspeakers, mixing place and standing crowd."""
    _deck(m)
    _roof(m)
    _screens_and_speakers(m)
    _floor(m)


def _deck(m: Model) -> None:
    m.sheet("stage_deck", "Stage_deck_black", *flat(DECK_X, (-DECK_Y, DECK_Y), DECK_Z))
    m.sheet("stage_skirt_front", "Velour_black", *along(DECK_X[1], (-DECK_Y, DECK_Y), (0.02, DECK_Z)))
    for side, tag in SIDES:
        m.sheet(f"stage_skirt_{tag}", "Velour_black", *across(DECK_X, side * DECK_Y, (0.02, DECK_Z)))
    for x in np.linspace(DECK_X[0] + 0.3, DECK_X[1] - 0.3, 6):
        for y in np.linspace(-DECK_Y + 0.3, DECK_Y - 0.3, 9):
            m.beam("stage_legs", "Aluminium", ((x, y, GAP_M), (x, y, DECK_Z - 0.16)), (0.05, 0.05))
        m.box(
            "stage_joists",
            "Aluminium",
            (x - 0.04, -DECK_Y + 0.1, DECK_Z - 0.15),
            (x + 0.04, DECK_Y - 0.1, DECK_Z - 0.03),
        )
    m.box("drum_riser", "Stage_deck_black", (-21.5, -1.6, DECK_Z + GAP_M), (-18.7, 1.6, DECK_Z + 0.6))


def _roof(m: Model) -> None:
    clear = SECTION / 2 + 0.06
    for side, tag in SIDES:
        y = side * TOWER_Y
        for x, place in zip(TOWER_X, ("upstage", "middle", "downstage"), strict=True):
            m.box("tower_bases", "Steel_black", (x - 0.4, y - 0.4, GAP_M), (x + 0.4, y + 0.4, 0.12))
            ends = ((x, y, 0.14), (x, y, TOWER_TOP))
            m.box_truss(f"stage_tower_{place}_{tag}", "Aluminium", ends, SECTION, bays=22)
        for x0, x1 in pairwise(TOWER_X):
            ends = ((x0 + clear, y, ROOF_Z), (x1 - clear, y, ROOF_Z))
            m.box_truss(f"stage_roof_truss_{tag}", "Aluminium", ends, SECTION, bays=10)
    for number, x in enumerate(ROOF_X, start=1):
        ends = ((x, -TOWER_Y + clear, ROOF_Z), (x, TOWER_Y - clear, ROOF_Z))
        m.box_truss(f"stage_roof_truss_{number}", "Aluminium", ends, SECTION, bays=40)
        for y in (-8.0, -5.0, -2.0, 2.0, 5.0, 8.0):
            box = ((x - 0.18, y - 0.15, ROOF_Z - 0.8), (x + 0.18, y + 0.15, ROOF_Z - 0.3))
            m.box(f"moving_lights_{number}", "Steel_black", *box)


def _screens_and_speakers(m: Model) -> None:
    m.sheet("led_screen_upstage", "LED_wall", *along(-23.3, (-7.0, 7.0), (2.6, 9.3)))
    for side, tag in SIDES:
        y0, y1 = sorted((side * 13.6, side * 17.6))
        m.sheet(f"led_screen_{tag}", "LED_wall", *along(-13.2, (y0, y1), (7.6, 10.6)))
        m.sheet(f"wing_drape_{tag}", "Velour_black", *along(-22.6, (side * 7.2, side * 10.6), (1.62, 10.0)))
        for k in range(8):
            lean = 0.02 * k * k
            low = (-12.7 - lean, side * 12.4 - 0.55, 8.6 - 0.42 * k)
            m.box(f"line_array_{tag}", "Steel_black", low, (low[0] + 0.55, side * 12.4 + 0.55, low[2] + 0.4))
        for y in (3.4, 5.4, 7.4):
            m.box("floor_loudspeakers", "Steel_black", (-12.3, side * y - 0.6, GAP_M), (-11.4, side * y + 0.6, 1.1))


def _floor(m: Model) -> None:
    m.sheet("crowd_barrier", "Aluminium", *along(-10.4, (-11.0, 11.0), (0.02, 1.12)))
    for tag, y0, y1 in (("stage_right", -14.5, -0.9), ("stage_left", 0.9, 14.5)):
        m.box(f"audience_floor_front_{tag}", "Audience_seated", (-9.6, y0, GAP_M), (7.2, y1, 1.6))
        m.box(f"audience_floor_rear_{tag}", "Audience_seated", (13.4, y0 * 0.72, GAP_M), (22.6, y1 * 0.72, 1.6))
    m.box("mix_riser", "Stage_deck_black", (8.4, -3.4, GAP_M), (12.2, 3.4, 0.4))
    m.box("mix_desk", "Wood_dark", (9.2, -2.2, 1.1), (10.1, 2.2, 1.18))
    for y in (-2.1, 2.02):
        m.box("mix_desk", "Wood_dark", (9.25, y, 0.4 + GAP_M), (10.05, y + 0.08, 1.09))
    m.sheet("mix_barrier", "Aluminium", *along(8.1, (-3.7, 3.7), (0.02, 1.12)))
    for side, tag in SIDES:
        m.box(f"dimmer_racks_{tag}", "Steel_black", (-22.0, side * 12.6 - 0.4, GAP_M), (-20.2, side * 12.6 + 0.4, 1.7))
