"""What hangs in the playhouse and what stands on its stage: steel, drapes, scenery, properties."""

from __future__ import annotations

import numpy as np

from demo_meshes.model import GAP_M, Model, across, along, disc, lifted

GRID_Z = 13.0
LEG_LINES_Y = (1.6, 3.6, 5.8, 8.0)
LAMP_POST = (-2.2, 3.0)
REVOLVE = ((0.0, 4.5), 3.4, 0.16)  # centre, radius, height
SIDES = ((1.0, "stage_left"), (-1.0, "stage_right"))


def add_rig(m: Model) -> None:
    """Grid, flown pieces, trusses, lighting bridges, box booms, chandelier."""
    _grid(m)
    _flown(m)
    for tag, y in (("downstage", 2.5), ("upstage", 6.9)):
        m.box_truss(f"stage_truss_{tag}", "Aluminium", ((-5.4, y, 6.9), (5.4, y, 6.9)), 0.4, bays=14)
        for x in (-4.0, 4.0):
            m.beam(f"stage_truss_{tag}_hangers", "Steel_black", ((x, y, 7.12), (x, y, GRID_Z - 0.35)), (0.02, 0.02))
    _bridge(m, "lighting_bridge_front", -7.1, 9.0)
    _bridge(m, "lighting_bridge_rear", -13.3, 9.4)
    for side, tag in SIDES:
        x, y = side * 9.2, -1.4
        m.beam(f"box_boom_{tag}", "Steel_black", ((x, y, -1.04), (x, y, 7.0)), (0.06, 0.06))
        for z in (3.2, 4.3, 5.4, 6.5):
            out = side * 0.25
            m.box(
                f"box_boom_lanterns_{tag}", "Steel_black",
                (x - out - 0.15, y - 0.12, z - 0.14), (x - out + 0.15, y + 0.3, z + 0.14),
            )  # fmt: skip
    x, y, z = 0.0, -10.2, 7.6
    ring = disc((x, y, z), 0.55, 8)
    m.loft("chandelier", "Steel_painted", [ring, lifted(ring, 0.3)])
    m.beam("chandelier_stem", "Steel_painted", ((x, y, z + 0.3 + GAP_M), (x, y, 9.83)), (0.04, 0.04))


def _grid(m: Model) -> None:
    for y in np.linspace(1.0, 10.2, 5):
        m.box("grid_steel", "Steel_black", (-8.95, y - 0.1, GRID_Z - 0.3), (8.95, y + 0.1, GRID_Z - 0.02))
    for x in np.linspace(-8.4, 8.4, 21):
        m.box("grid_steel", "Steel_black", (x - 0.04, 0.1, GRID_Z), (x + 0.04, 11.1, GRID_Z + 0.08))


def _flown(m: Model) -> None:
    m.sheet("safety_curtain", "Safety_curtain_steel", *across((-6.8, 6.8), 0.35, (6.05, 12.3)))
    m.sheet("house_curtain", "Velour_red", *across((-6.9, 6.9), 0.75, (6.25, 12.2)))
    for line, y in enumerate(LEG_LINES_Y, start=1):
        m.sheet(f"border_{line}", "Velour_black", *across((-8.5, 8.5), y - 0.15, (5.7, 7.8)))
        m.beam("fly_bars", "Steel_painted", ((-8.6, y - 0.15, 7.84), (8.6, y - 0.15, 7.84)), (0.05, 0.05))
        m.beam("fly_bars", "Steel_painted", ((-8.6, y, 7.4), (8.6, y, 7.4)), (0.05, 0.05))
        for side, tag in SIDES:
            m.sheet(f"leg_{line}_{tag}", "Velour_black", *across((side * 6.3, side * 8.4), y, (0.02, 7.36)))
    for y in (1.05, 4.4, 5.1, 7.3, 8.6, 9.0):
        m.beam("fly_bars", "Steel_painted", ((-7.5, y, 12.3), (7.5, y, 12.3)), (0.05, 0.05))
    m.sheet("flown_gauze", "Canvas_grey", *across((-6.5, 6.5), 8.6, (8.4, 12.26)))
    m.sheet("backcloth", "Canvas_grey", *across((-8.2, 8.2), 10.4, (0.02, 7.36)))
    m.beam("fly_bars", "Steel_painted", ((-8.6, 10.4, 7.4), (8.6, 10.4, 7.4)), (0.05, 0.05))


def _bridge(m: Model, name: str, y: float, z: float) -> None:
    """A catwalk in a ceiling slot: deck, two rails a side, uprights, hangers, a bar for the lanterns."""
    m.box(name, "Steel_black", (-11.9, y - 0.4, z - 0.06), (11.9, y + 0.4, z))
    for edge in (-0.45, 0.45):
        m.beam(f"{name}_rails", "Steel_black", ((-11.9, y + edge, z + 1.1), (11.9, y + edge, z + 1.1)), (0.05, 0.05))
        m.beam(f"{name}_rails", "Steel_black", ((-11.9, y + edge, z + 0.55), (11.9, y + edge, z + 0.55)), (0.05, 0.05))
        for x in np.linspace(-11.0, 11.0, 9):
            for low, high in ((0.0, 0.515), (0.585, 1.065), (1.135, 11.35 - z)):
                ends = ((x, y + edge, z + low), (x, y + edge, z + high))
                m.beam(f"{name}_rails", "Steel_black", ends, (0.04, 0.04))
    m.beam(f"{name}_bar", "Steel_painted", ((-10.5, y + 0.62, z + 0.3), (10.5, y + 0.62, z + 0.3)), (0.05, 0.05))
    for x in np.linspace(-8.0, 8.0, 7):
        m.box(f"{name}_lanterns", "Steel_black", (x - 0.13, y + 0.5, z - 0.12), (x + 0.13, y + 1.0, z + 0.2))


def add_scenery(m: Model) -> None:
    """Revolve with lamp post, metal-clad wall, LED wall, bench, desks in the pit."""
    centre, radius, height = REVOLVE
    top = disc((*centre, height), radius, 24)
    m.sheet("revolve_top", "Floorboards", *top)
    for k in range(24):
        a, b = top[k], top[(k + 1) % 24]
        m.sheet("revolve_rim", "Steel_black", lifted(a, 0.02 - height), lifted(b, 0.02 - height), b, a)
    x, y = LAMP_POST
    foot = disc((x, y, height + GAP_M), 0.22, 8)
    m.loft("lamp_post_foot", "Steel_black", [foot, lifted(foot, 0.25)])
    pole = disc((x, y, height + 0.25 + 2 * GAP_M), 0.06, 8)
    m.loft("lamp_post", "Steel_black", [pole, lifted(pole, 2.7)])
    z = height + 0.25 + 2 * GAP_M + 2.7 + GAP_M
    lower, upper = disc((x, y, z), 0.13, 8), disc((x, y, z + 0.4), 0.22, 8)
    m.loft("lamp_post_head", "Steel_black", [lower, upper])

    a, b, z_top = np.array((4.9, 1.9, 0.02)), np.array((4.1, 7.3, 0.02)), np.array((0, 0, 4.78))
    m.sheet("metal_clad_wall_stage_left", "Metal_cladding", a, b, b + z_top, a + z_top)
    out = np.array((0.54, 0.08, 0.0))
    for t in (0.08, 0.5, 0.92):
        p = a + t * (b - a)
        m.beam("set_wall_braces", "Wood_dark", (p + 0.15 * lifted(out, 3.4), p + 1.9 * lifted(out, 0.06)), (0.04, 0.06))
    m.sheet("led_wall", "LED_wall", *across((-4.0, 4.0), 9.4, (0.4, 5.2)))
    for x in (-3.6, -1.2, 1.2, 3.6):
        m.box("led_wall_frame", "Steel_black", (x - 0.03, 9.46, GAP_M), (x + 0.03, 9.52, 5.1))
        m.box("led_wall_frame", "Steel_black", (x - 0.03, 9.53, GAP_M), (x + 0.03, 10.0, GAP_M + 0.06))
    m.box("park_bench", "Wood_dark", (0.4, 5.3, height + 0.42), (2.0, 5.75, height + 0.47))
    for x in (0.5, 1.8):
        m.box("park_bench", "Wood_dark", (x, 5.35, height + GAP_M), (x + 0.08, 5.7, height + 0.41))
    m.sheet("set_flat_stage_right", "Wood_dark", *along(-4.7, (5.2, 7.4), (0.02, 3.6)))

    for row_y, xs in ((-3.3, (-4.5, -2.7, -0.9, 0.9, 2.7, 4.5)), (-2.1, (-3.6, -1.8, 1.8, 3.6))):
        for x in xs:
            low = np.array([(x - 0.25, row_y - 0.12, -1.32), (x + 0.25, row_y - 0.12, -1.32),
                            (x + 0.25, row_y + 0.12, -1.08), (x - 0.25, row_y + 0.12, -1.08)])  # fmt: skip
            m.loft("pit_desks", "Steel_black", [low, low + np.array([0.0, 0.014, -0.014])])
            m.beam("pit_desks", "Steel_black", ((x, row_y + 0.03, -2.39), (x, row_y + 0.03, -1.28)), (0.03, 0.03))


__all__ = ["LAMP_POST", "REVOLVE", "add_rig", "add_scenery"]
