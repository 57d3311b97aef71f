"""A small studio and the dressing room behind its block wall; the audience sits at low y, so stage left is +x."""

from __future__ import annotations

import numpy as np

from demo_meshes.model import GAP_M, Model, across, along, flat

X, Y, TOP = (0.0, 9.0), (0.0, 8.0), 4.4
DRESSING_X, DRESSING_Y, DRESSING_TOP = (9.0, 13.2), (1.6, 8.0), 2.7
PIPE_Z, DRAPE_TOP = 3.7, 3.4
PIPES_X, PIPES_Y = (1.4, 3.5, 5.5, 7.6), (1.3, 2.6, 3.9, 5.2, 6.5)


def build() -> Model:
    """Studio, grid, drapes, seating and dressing room."""
    m = Model()
    _studio(m)
    _dressing_room(m)
    _grid(m)
    _furniture(m)
    return m


def _studio(m: Model) -> None:
    m.sheet("studio_floor", "Floorboards", *flat(X, Y, 0.0))
    m.sheet("studio_ceiling", "Concrete", *flat(X, Y, TOP))
    doors = {
        "studio_door": across((7.2, 8.8), Y[0], (0.0, 2.1)),
        "scene_dock_door": across((1.0, 3.4), Y[1], (0.0, 3.0)),
        "dressing_room_door": along(X[1], (6.6, 7.5), (0.0, 2.1)),
    }
    for name, opening in doors.items():
        m.sheet(name, "Steel_painted" if name == "scene_dock_door" else "Wood_dark", *opening)
    m.wall("studio_wall_front", "Brick_painted", across(X, Y[0], (0.0, TOP)), [doors["studio_door"]])
    m.wall("studio_wall_back", "Brick_painted", across(X, Y[1], (0.0, TOP)), [doors["scene_dock_door"]])
    m.sheet("studio_wall_stage_right", "Brick_painted", *along(X[0], Y, (0.0, TOP)))
    m.wall("block_wall_stage_left", "Block_painted", along(X[1], Y, (0.0, TOP)), [doors["dressing_room_door"]])


def _dressing_room(m: Model) -> None:
    z = (0.0, DRESSING_TOP)
    m.sheet("dressing_floor", "Concrete_floor", *flat(DRESSING_X, DRESSING_Y, 0.0))
    m.sheet("dressing_ceiling", "Ceiling_tiles", *flat(DRESSING_X, DRESSING_Y, DRESSING_TOP))
    door = across((9.6, 10.5), DRESSING_Y[0], (0.0, 2.1))
    m.sheet("corridor_door", "Wood_dark", *door)
    m.wall("dressing_wall_corridor", "Plasterboard", across(DRESSING_X, DRESSING_Y[0], z), [door])
    m.sheet("dressing_wall_back", "Brick_painted", *across(DRESSING_X, DRESSING_Y[1], z))
    window = along(DRESSING_X[1], (3.2, 5.6), (1.3, 2.3))
    m.wall("dressing_wall_outside", "Brick_painted", along(DRESSING_X[1], DRESSING_Y, z), [window])
    m.sheet("dressing_window", "Glass_coated", *window)
    m.sheet("mirror", "Mirror_silvered", *along(9.04, (2.4, 5.8), (0.95, 1.9)))
    m.box("mirror_counter", "Wood_dark", (9.02, 2.3, 0.72), (9.6, 5.9, 0.76))
    for y in (2.34, 5.82):
        m.box("mirror_counter", "Wood_dark", (9.05, y, GAP_M), (9.55, y + 0.04, 0.71))
    m.box("lockers", "Steel_painted", (10.9, 7.45, GAP_M), (13.1, 7.95, 1.9))
    m.beam("costume_rail", "Steel_painted", ((11.2, 1.95, 1.7), (12.9, 1.95, 1.7)), (0.03, 0.03))
    for x in (11.22, 12.88):
        m.beam("costume_rail", "Steel_painted", ((x, 1.95, GAP_M), (x, 1.95, 1.675)), (0.03, 0.03))


def _grid(m: Model) -> None:
    for y in PIPES_Y:
        m.beam("pipe_grid", "Steel_black", ((0.15, y, PIPE_Z), (8.85, y, PIPE_Z)), (0.048, 0.048))
    for x in PIPES_X:
        m.beam("pipe_grid", "Steel_black", ((x, 0.15, PIPE_Z + 0.055), (x, 7.85, PIPE_Z + 0.055)), (0.048, 0.048))
        for y in (1.95, 5.85):
            m.beam("pipe_grid_hangers", "Steel_black", ((x, y, PIPE_Z + 0.09), (x, y, TOP - GAP_M)), (0.02, 0.02))
    for x, y in ((2.2, 2.6), (4.5, 2.6), (6.8, 2.6), (2.2, 5.2), (4.5, 5.2), (6.8, 5.2), (4.5, 6.5)):
        m.box("lanterns", "Steel_black", (x - 0.12, y - 0.16, PIPE_Z - 0.5), (x + 0.12, y + 0.16, PIPE_Z - 0.12))
    runs = {
        "drape_upstage": across((0.7, 8.2), 7.2, (0.02, DRAPE_TOP)),
        "drape_stage_right": along(0.5, (1.2, 7.0), (0.02, DRAPE_TOP)),
        "drape_stage_left": along(8.4, (1.2, 6.2), (0.02, DRAPE_TOP)),
    }
    for name, corners in runs.items():
        m.sheet(name, "Velour_black", *corners)
        a, b = corners[0], corners[1]
        rise = np.array([0.0, 0.0, DRAPE_TOP + 0.01])
        m.beam("drape_tracks", "Aluminium", (a + rise, b + rise), (0.04, 0.05))


def _furniture(m: Model) -> None:
    for row, (y0, y1) in enumerate(((2.1, 3.0), (1.2, 2.1))):
        z = 0.3 * row + 0.3
        m.sheet("seating_platforms", "Stage_deck_black", *flat((1.2, 6.6), (y0, y1), z))
        m.sheet("seating_platforms", "Stage_deck_black", *across((1.2, 6.6), y1, (z - 0.3, z)))
        m.box("audience_rows", "Audience_seated", (1.3, y0 + 0.1, z + GAP_M), (6.5, y1 - 0.1, z + 1.15))
    m.box("control_desk", "Wood_dark", (1.6, 0.35, 0.72), (3.8, 0.95, 0.76))
    for x in (1.64, 3.7):
        m.box("control_desk", "Wood_dark", (x, 0.4, GAP_M), (x + 0.06, 0.9, 0.71))
    m.box("set_table", "Wood_dark", (3.9, 5.0, 0.7), (5.2, 5.7, 0.74))
    for x in (3.95, 5.11):
        m.box("set_table", "Wood_dark", (x, 5.05, GAP_M), (x + 0.04, 5.65, 0.69))
    m.box("wardrobe", "Wood_dark", (2.0, 6.2, GAP_M), (3.1, 6.75, 1.95))
