"""A proscenium house of some 800 seats: x across (stage left positive), y = 0 the proscenium wall, stage upwards of it.

Stage level is z = 0. Shell in this file, what hangs and stands in it in ``playhouse_rig``.
"""

from __future__ import annotations

import numpy as np

from demo_meshes.model import GAP_M, Model, across, along, flat, lifted
from demo_meshes.playhouse_rig import add_rig, add_scenery

HALF = 12.0  # half width of the building
BACK, FRONT = -26.0, 12.0  # foyer front wall, stage back wall
REAR = -23.2  # rear wall of the house
ROOF, TOWER_ROOF, WING_ROOF = 11.4, 14.2, 8.0
TOWER = 9.0  # half width of the fly tower
TOWER_Y = (0.0, 11.2)
OPENING = 6.2  # half width of the proscenium opening
OPENING_TOP = 6.0
BASEMENT = -2.4
PIT_X, PIT_Y = 6.5, -4.2
APRON_Y = -1.2
TRAP_X, TRAP_Y = 5.0, (1.0, 8.0)
STALLS_FRONT, STALLS_BACK = -1.05, 1.05
BALCONY_Y, BALCONY_FLOOR = -14.0, 3.7
ROWS, ROW_M, RISE_M = 8, 0.95, 0.4
UPPER = BALCONY_FLOOR + ROWS * RISE_M  # cross aisle, upper foyer and booth floor: 6.9
GALLERY_X, GALLERY_Y = 10.0, (-14.0, -2.5)
BOOTH_X, BOOTH_TOP = 4.0, 9.4
SIDES = ((1.0, "stage_left"), (-1.0, "stage_right"))


def stalls_z(y: float) -> float:
    """Level of the raked stalls floor."""
    return STALLS_FRONT + (STALLS_BACK - STALLS_FRONT) * (PIT_Y - y) / (PIT_Y - REAR)


def build() -> Model:
    """The whole playhouse."""
    m = Model()
    _house(m)
    _ceiling(m)
    _balcony(m)
    _galleries(m)
    _booth_and_foyer(m)
    _pit(m)
    _stage_house(m)
    _trap_room(m)
    _audience(m)
    add_rig(m)
    add_scenery(m)
    return m


def _door(m: Model, name: str, opening: np.ndarray, material: str = "Wood_dark") -> np.ndarray:
    """Fill an opening with a shut door and hand the opening on to the wall."""
    m.sheet(name, material, *opening)
    return opening


def _house(m: Model) -> None:
    m.sheet(
        "stalls_floor", "Carpet_on_wood",
        (-HALF, PIT_Y, STALLS_FRONT), (HALF, PIT_Y, STALLS_FRONT),
        (HALF, REAR, STALLS_BACK), (-HALF, REAR, STALLS_BACK),
    )  # fmt: skip
    for side, tag in SIDES:
        x = side * HALF
        m.wall(
            f"house_wall_{tag}", "Plaster_warm",
            [(x, REAR, STALLS_BACK), (x, PIT_Y, STALLS_FRONT), (x, 0, STALLS_FRONT), (x, 0, ROOF), (x, REAR, ROOF)],
            [_door(m, f"side_exit_door_{tag}", along(x, (-3.6, -2.2), (STALLS_FRONT, 1.05)))],
        )  # fmt: skip
        m.sheet(f"foyer_wall_{tag}", "Brick_painted", *along(x, (BACK, REAR), (STALLS_BACK, ROOF)))
        m.sheet(
            f"stalls_floor_by_pit_{tag}", "Carpet_on_wood",
            *flat((side * PIT_X, x), (PIT_Y, 0.0), STALLS_FRONT),
        )  # fmt: skip
    openings = [
        _door(m, f"stalls_door_{tag}", across((side * 8.2, side * 10.0), REAR, (STALLS_BACK, 3.15)))
        for side, tag in SIDES
    ]  # fmt: skip
    openings += [
        _door(m, f"balcony_door_{tag}", across((side * 6.2, side * 8.0), REAR, (UPPER, 9.0))) for side, tag in SIDES
    ]
    openings.append(across((-3.5, 3.5), REAR, (7.75, 9.05)))
    m.wall("house_rear_wall", "Plaster_warm", across((-HALF, HALF), REAR, (STALLS_BACK, ROOF)), openings)
    m.sheet("booth_glass", "Glass_clear", *openings[-1])
    m.sheet("house_roof", "Roof_deck_steel", *flat((-HALF, HALF), (BACK, 0.0), ROOF))


def _ceiling(m: Model) -> None:
    """Three tilted plaster panels; the lighting bridges hang in the slots between them."""
    for name, (y0, z0), (y1, z1) in (
        ("house_ceiling_front", (0.0, 8.2), (-6.2, 9.8)),
        ("house_ceiling_middle", (-8.0, 9.4), (-12.4, 10.3)),
        ("house_ceiling_rear", (-14.2, 9.9), (REAR, 10.6)),
    ):
        m.sheet(name, "Plaster_on_lath", (-HALF, y0, z0), (HALF, y0, z0), (HALF, y1, z1), (-HALF, y1, z1))


def _balcony(m: Model) -> None:
    for row in range(ROWS):
        y = BALCONY_Y - 1.0 - row * ROW_M
        z = BALCONY_FLOOR + row * RISE_M
        m.sheet("balcony_floor", "Carpet_on_wood", *flat((-HALF, HALF), (y + (1.0 if row == 0 else ROW_M), y), z))
        m.sheet("balcony_risers", "Concrete", *across((-HALF, HALF), y, (z, z + RISE_M)))
    m.sheet("balcony_floor", "Carpet_on_wood", *flat((-HALF, HALF), (y, REAR), UPPER))
    m.sheet(
        "balcony_underside", "Plaster_on_lath",
        (-HALF, BALCONY_Y, 3.3), (HALF, BALCONY_Y, 3.3), (HALF, REAR, 3.95), (-HALF, REAR, 3.95),
    )  # fmt: skip
    m.sheet("balcony_front", "Plaster_on_lath", *across((-HALF, HALF), BALCONY_Y, (3.3, BALCONY_FLOOR + 0.75)))
    m.beam("balcony_rail", "Steel_painted", ((-9.9, -14.0, 4.56), (9.9, -14.0, 4.56)), (0.06, 0.06))
    for x in np.linspace(-9.0, 9.0, 7):
        m.beam("balcony_rail", "Steel_painted", ((x, -14.0, 4.46), (x, -14.0, 4.52)), (0.04, 0.04))
    for side, tag in SIDES:
        x, y = side * 6.0, -17.5
        m.box(
            f"balcony_column_{tag}", "Concrete",
            (x - 0.2, y - 0.2, stalls_z(y - 0.2) + GAP_M), (x + 0.2, y + 0.2, 3.51),
        )  # fmt: skip


def _galleries(m: Model) -> None:
    for side, tag in SIDES:
        inner, outer, top = side * GALLERY_X, side * HALF, BALCONY_FLOOR + 0.85
        m.sheet(f"gallery_floor_{tag}", "Concrete", *flat((inner, outer), GALLERY_Y, BALCONY_FLOOR))
        m.sheet(f"gallery_front_{tag}", "Plaster_on_lath", *along(inner, GALLERY_Y, (3.3, top)))
        m.sheet(f"gallery_end_{tag}", "Plaster_on_lath", *across((inner, outer), GALLERY_Y[1], (3.3, top)))
        m.beam(
            f"gallery_rail_{tag}", "Steel_painted",
            ((inner, GALLERY_Y[0] + 0.1, top + 0.06), (inner, GALLERY_Y[1], top + 0.06)), (0.06, 0.06),
        )  # fmt: skip


def _booth_and_foyer(m: Model) -> None:
    walls = ("Block_painted", "Plasterboard")
    m.sheet("foyer_floor", "Concrete_floor", *flat((-HALF, HALF), (BACK, REAR), STALLS_BACK))
    m.sheet("upper_foyer_floor", "Concrete_floor", *flat((-HALF, -BOOTH_X), (BACK, REAR), UPPER))
    m.sheet("upper_foyer_floor", "Concrete_floor", *flat((BOOTH_X, HALF), (BACK, REAR), UPPER))
    m.sheet("booth_floor", "Concrete_floor", *flat((-BOOTH_X, BOOTH_X), (BACK, REAR), UPPER))
    m.sheet("booth_ceiling", "Ceiling_tiles", *flat((-BOOTH_X, BOOTH_X), (BACK, REAR), BOOTH_TOP))
    for side, tag in SIDES:
        x = side * BOOTH_X
        opening = _door(m, f"booth_door_{tag}", along(x, (-25.4, -24.5), (UPPER, 8.95)))
        m.wall(f"booth_wall_{tag}", walls[1], along(x, (BACK, REAR), (UPPER, BOOTH_TOP)), [opening])
    glass = [across((x, x + 4.4), BACK, (1.35, 4.6)) for x in (-9.6, -2.2, 5.2)]
    m.wall("foyer_front_wall", "Brick_painted", across((-HALF, HALF), BACK, (STALLS_BACK, ROOF)), glass)
    for opening in glass:
        m.sheet("foyer_glass", "Glass_clear", *opening)
    m.box("booth_desk", "Wood_dark", (-3.2, -24.3, UPPER + 0.72), (3.2, -23.5, UPPER + 0.76))
    for x in (-3.1, -0.02, 3.06):
        m.box("booth_desk", "Wood_dark", (x, -24.25, UPPER + GAP_M), (x + 0.04, -23.55, UPPER + 0.71))


def _pit(m: Model) -> None:
    m.sheet("pit_floor", "Floorboards", *flat((-PIT_X, PIT_X), (PIT_Y, 0.0), BASEMENT))
    m.sheet("pit_front_wall", "Concrete", *across((-PIT_X, PIT_X), PIT_Y, (BASEMENT, STALLS_FRONT)))
    m.sheet("pit_barrier", "Wood_dark", *across((-PIT_X, PIT_X), PIT_Y, (STALLS_FRONT, -0.2)))
    m.sheet("apron", "Stage_deck_black", *flat((-PIT_X, PIT_X), (APRON_Y, 0.0), 0.0))
    m.sheet("pit_lip", "Wood_dark", *across((-PIT_X, PIT_X), APRON_Y, (-0.3, 0.0)))
    for side, tag in SIDES:
        x = side * PIT_X
        m.sheet(f"pit_wall_{tag}", "Concrete", *along(x, (PIT_Y, 0.0), (BASEMENT, STALLS_FRONT)))
        m.sheet(f"pit_barrier_{tag}", "Wood_dark", *along(x, (PIT_Y, APRON_Y), (STALLS_FRONT, -0.2)))
        m.sheet(f"apron_side_{tag}", "Wood_dark", *along(x, (APRON_Y, 0.0), (STALLS_FRONT, 0.0)))
    doors = [_door(m, "pit_door", across((-0.9, 0.9), 0.0, (BASEMENT, -0.4)))]
    m.wall("pit_back_wall", "Concrete", across((-PIT_X, PIT_X), 0.0, (BASEMENT, 0.0)), doors)


def _stage_house(m: Model) -> None:
    doors = [
        _door(m, f"pass_door_{tag}", across((side * 10.0, side * 11.1), 0.0, (0.0, 2.1)), "Steel_painted")
        for side, tag in SIDES
    ]  # fmt: skip
    opening = across((-OPENING, OPENING), 0.0, (0.0, OPENING_TOP))
    m.wall("proscenium_wall", "Brick_painted", across((-HALF, HALF), 0.0, (0.0, ROOF)), [opening, *doors])
    m.sheet("proscenium_wall", "Brick_painted", *across((-TOWER, TOWER), 0.0, (ROOF, TOWER_ROOF)))
    for side, tag in SIDES:
        m.sheet(f"stage_riser_{tag}", "Brick_painted", *across((side * PIT_X, side * HALF), 0.0, (STALLS_FRONT, 0.0)))
        x, tower_x = side * HALF, side * TOWER
        m.sheet(f"stage_wall_{tag}", "Brick_painted", *along(x, (0.0, FRONT), (0.0, WING_ROOF)))
        m.sheet(f"wing_roof_{tag}", "Roof_deck_steel", *flat((tower_x, x), (0.0, FRONT), WING_ROOF))
        m.sheet(f"tower_wall_{tag}", "Brick_painted", *along(tower_x, TOWER_Y, (WING_ROOF, TOWER_ROOF)))
        fly_x = (side * 7.7, tower_x)
        m.sheet(f"fly_floor_{tag}", "Steel_painted", *flat(fly_x, TOWER_Y, WING_ROOF + 0.6))
        m.beam(f"fly_rail_{tag}", "Steel_painted", ((fly_x[0], 0.1, 9.7), (fly_x[0], 11.1, 9.7)), (0.05, 0.05))
        m.beam(f"fly_rail_{tag}", "Steel_painted", ((fly_x[0], 0.1, 9.2), (fly_x[0], 11.1, 9.2)), (0.05, 0.05))
    m.sheet("stage_back_wing_roof", "Roof_deck_steel", *flat((-TOWER, TOWER), (TOWER_Y[1], FRONT), WING_ROOF))
    loading = _door(m, "loading_door", across((-11.0, -7.4), FRONT, (0.0, 4.4)), "Steel_painted")
    m.wall("stage_back_wall", "Brick_painted", across((-HALF, HALF), FRONT, (0.0, WING_ROOF)), [loading])
    m.sheet("tower_back_wall", "Brick_painted", *across((-TOWER, TOWER), TOWER_Y[1], (WING_ROOF, TOWER_ROOF)))
    m.sheet("tower_roof", "Roof_deck_steel", *flat((-TOWER, TOWER), TOWER_Y, TOWER_ROOF))
    hole = flat((-TRAP_X, TRAP_X), TRAP_Y, 0.0)
    m.wall("stage_floor", "Floorboards", flat((-HALF, HALF), (0.0, FRONT), 0.0), [hole])


def _trap_room(m: Model) -> None:
    (y0, y1), z = TRAP_Y, (BASEMENT, 0.0)
    m.sheet("trap_deck", "Stage_deck_black", *flat((-TRAP_X, TRAP_X), TRAP_Y, 0.0))
    m.sheet("trap_floor", "Concrete_floor", *flat((-TRAP_X, TRAP_X), (y0, y1), BASEMENT))
    passage = across((-0.9, 0.9), y0, (BASEMENT, -0.4))
    m.wall("trap_wall_front", "Concrete", across((-TRAP_X, TRAP_X), y0, z), [passage])
    for x, tag in ((0.9, "stage_left"), (-0.9, "stage_right")):
        m.sheet(f"trap_passage_{tag}", "Concrete", *along(x, (0.0, y0), (BASEMENT, -0.4)))
    m.sheet("trap_passage_floor", "Concrete_floor", *flat((-0.9, 0.9), (0.0, y0), BASEMENT))
    m.sheet("trap_passage_ceiling", "Concrete", *flat((-0.9, 0.9), (0.0, y0), -0.4))
    m.sheet("trap_wall_back", "Concrete", *across((-TRAP_X, TRAP_X), y1, z))
    for side, tag in SIDES:
        m.sheet(f"trap_wall_{tag}", "Concrete", *along(side * TRAP_X, TRAP_Y, z))
    rows, columns = (1.6, 3.533, 5.467, 7.4), (-4.0, -1.33, 1.33, 4.0)
    for y in rows:
        m.box("trap_deck_steel", "Steel_black", (-4.95, y - 0.05, -0.20), (4.95, y + 0.05, -0.05))
        for x in columns:
            m.box("trap_deck_posts", "Steel_black", (x - 0.05, y - 0.05, BASEMENT + GAP_M), (x + 0.05, y + 0.05, -0.21))
    for x in np.linspace(-4.6, 4.6, 9):
        for y0, y1 in ((1.05, 1.54), (1.66, 3.47), (3.6, 5.4), (5.53, 7.34), (7.46, 7.95)):
            m.box("trap_deck_steel", "Steel_black", (x - 0.03, y0, -0.13), (x + 0.03, y1, -0.05))


def _audience(m: Model) -> None:
    """One closed prism a seating block: from just above the floor to the heads."""
    blocks = (("stage_right", -11.2, -4.6), ("centre", -3.6, 3.6), ("stage_left", 4.6, 11.2))
    for tag, x0, x1 in blocks:
        for part, y0, y1 in (("front", -5.6, -13.2), ("rear", -14.4, -22.0)):
            spans = [(x0, x1)]
            if part == "rear" and tag != "centre":  # the columns under the balcony stand in an aisle
                spans = [(x0, -6.6)] if x0 < 0 else [(6.6, x1)]
            for a, b in spans:
                bottom = [(a, y0, stalls_z(y0)), (b, y0, stalls_z(y0)), (b, y1, stalls_z(y1)), (a, y1, stalls_z(y1))]
                ring = np.array(bottom)
                m.loft(
                    f"audience_stalls_{part}_{tag}", "Audience_seated",
                    [lifted(ring, GAP_M), lifted(ring, 1.15)],
                )  # fmt: skip
        y0, y1 = BALCONY_Y - 1.0, BALCONY_Y - 1.0 - ROWS * ROW_M
        z0, z1 = BALCONY_FLOOR + RISE_M + 0.03, UPPER + RISE_M + 0.03
        ring = np.array([(x0, y0, z0), (x1, y0, z0), (x1, y1 + ROW_M, z1 - RISE_M), (x0, y1 + ROW_M, z1 - RISE_M)])
        m.loft(f"audience_balcony_{tag}", "Audience_seated", [ring, lifted(ring, 0.85)])
    for side, tag in SIDES:
        m.box(
            f"audience_gallery_{tag}", "Audience_seated",
            (min(side * 11.0, side * 11.7), -13.4, BALCONY_FLOOR + GAP_M),
            (max(side * 11.0, side * 11.7), -5.0, BALCONY_FLOOR + 1.15),
        )  # fmt: skip
