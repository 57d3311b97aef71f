"""An arena set for a concert: the stage stands at the −x end, so stage left is +y; z = 0 is the event floor.

Concrete bowl, suites, concourse and outer walls in this file; roof steel and what hangs from it in
``arena_roof``; the touring stage and the floor in ``arena_stage``.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from demo_meshes.arena_roof import add_roof
from demo_meshes.arena_stage import add_stage
from demo_meshes.model import Model

HALF_X, HALF_Y, CORNER = 27.0, 17.0, 12.0  # edge of the event floor: a rectangle with round corners
LOWER_ROWS, LOWER_TREAD, LOWER_RISE, LOWER_FIRST = 14, 0.85, 0.35, 1.2
UPPER_ROWS, UPPER_RISE, UPPER_FRONT, UPPER_FIRST = 7, 0.5, 12.6, 9.6
OUTER = 18.0  # the outer wall, metres behind the edge of the event floor
UPPER_TREAD = (OUTER - UPPER_FRONT) / UPPER_ROWS
CUT = (5, 11)  # rows a vomitory takes out of the lower bowl
SUITES, SUITES_BACK, SUITE_FLOOR, SUITE_TOP = 13.5, 16.6, 6.1, 8.9
CONCOURSE = LOWER_FIRST + (CUT[0] - 1) * LOWER_RISE
EAVES = 23.7
LONG_BREAKS = (15.0, 8.2, 5.8, -5.8, -8.2, -15.0)
CORNER_BREAKS = np.concatenate([np.arange(5) * 10.25, 49.0 + np.arange(5) * 10.25])


class Ring:
    """The edge of the event floor as vertices with outward normals, and bays between them."""

    def __init__(self) -> None:
        at: list[tuple[float, float, float, float]] = []
        self.region: list[str] = []
        self.vomitory: list[bool] = []

        def corner(cx: float, cy: float, start_deg: float, region: str) -> None:
            for k, angle in enumerate(np.radians(start_deg + CORNER_BREAKS[:-1])):
                c, s = np.cos(angle), np.sin(angle)
                at.append((cx + CORNER * c, cy + CORNER * s, c, s))
                self.region.append(region)
                self.vomitory.append(k == 4)

        def straight(points: list[tuple[float, float]], normal: tuple[float, float], region: str) -> None:
            for k, (x, y) in enumerate(points[:-1]):
                at.append((x, y, *normal))
                self.region.append(region)
                self.vomitory.append(len(points) > 2 and k in (1, 3))

        cx, cy = HALF_X - CORNER, HALF_Y - CORNER
        straight([(HALF_X, -cy), (HALF_X, cy)], (1, 0), "far_end")
        corner(cx, cy, 0, "stage_left_far_corner")
        straight([(x, HALF_Y) for x in LONG_BREAKS], (0, 1), "stage_left")
        corner(-cx, cy, 90, "stage_left_near_corner")
        straight([(-HALF_X, cy), (-HALF_X, -cy)], (-1, 0), "stage_end")
        corner(-cx, -cy, 180, "stage_right_near_corner")
        straight([(-x, -HALF_Y) for x in LONG_BREAKS], (0, -1), "stage_right")
        corner(cx, -cy, 270, "stage_right_far_corner")
        table = np.array(at)
        self.base, self.normal = table[:, :2], table[:, 2:]

    def at(self, vertex: int, t: float, z: float) -> np.ndarray:
        """Point (3,) that lies t behind the edge at a vertex, at level z."""
        k = vertex % len(self.base)
        return np.array([*(self.base[k] + t * self.normal[k]), z])

    def bays(self) -> Iterator[tuple[int, str, bool]]:
        """Bay number, region and whether a vomitory opens there."""
        for bay, (region, vomitory) in enumerate(zip(self.region, self.vomitory, strict=True)):
            yield bay, region, vomitory

    def band(self, bay: int, inner: tuple[float, float], outer: tuple[float, float]) -> list[np.ndarray]:
        """Quadrilateral of one bay between (t, z) and (t, z)."""
        return [self.at(bay, *inner), self.at(bay + 1, *inner), self.at(bay + 1, *outer), self.at(bay, *outer)]


def lower(row: float) -> tuple[float, float]:
    """Nosing (t, z) of a row of the lower bowl."""
    return row * LOWER_TREAD, LOWER_FIRST + row * LOWER_RISE


def upper(row: float) -> tuple[float, float]:
    """Nosing (t, z) of a row of the upper bowl."""
    return UPPER_FRONT + row * UPPER_TREAD, UPPER_FIRST + row * UPPER_RISE


def build() -> Model:
    """The whole arena."""
    m, ring = Model(), Ring()
    m.sheet("event_floor", "Concrete_floor", *[ring.at(k, 0.0, 0.0) for k in range(len(ring.base))])
    _lower_bowl(m, ring)
    _vomitories(m, ring)
    _suites(m, ring)
    _upper_bowl(m, ring)
    _outer_wall(m, ring)
    _audience(m, ring)
    outline = ring.base + OUTER * ring.normal
    add_roof(m, outline, EAVES)
    add_stage(m)
    return m


def _lower_bowl(m: Model, ring: Ring) -> None:
    for bay, region, vomitory in ring.bays():
        name, stuff = f"lower_bowl_{region}", "Concrete"
        m.sheet(f"bowl_front_wall_{region}", stuff, *ring.band(bay, (0.0, 0.0), lower(0)))
        for row in range(LOWER_ROWS):
            t, z = lower(row)
            if vomitory and CUT[0] <= row < CUT[1]:
                continue
            m.sheet(name, stuff, *ring.band(bay, (t, z), (t + LOWER_TREAD, z)))
            if row:
                m.sheet(name, stuff, *ring.band(bay, (t, z - LOWER_RISE), (t, z)))
        t, z = lower(LOWER_ROWS)
        m.sheet(name, stuff, *ring.band(bay, (t, z - LOWER_RISE), (t, z)))


def _vomitories(m: Model, ring: Ring) -> None:
    (t0, _), (t1, z1) = lower(CUT[0]), lower(CUT[1])
    for bay, region, vomitory in ring.bays():
        m.sheet(f"concourse_floor_{region}", "Concrete_floor", *ring.band(bay, (t1, CONCOURSE), (OUTER, CONCOURSE)))
        if not vomitory:
            wall = ring.band(bay, (t1, CONCOURSE), (t1, z1 - LOWER_RISE))
            m.sheet(f"concourse_inner_wall_{region}", "Block_painted", *wall)
            continue
        m.sheet(f"vomitory_floor_{region}", "Concrete_floor", *ring.band(bay, (t0, CONCOURSE), (t1, CONCOURSE)))
        m.sheet(f"vomitory_parapet_{region}", "Concrete", *ring.band(bay, (t1, z1), (t1, z1 + 0.9)))
        for vertex in (bay, bay + 1):
            for row in range(*CUT):
                t, z = lower(row)
                m.sheet(
                    f"vomitory_walls_{region}", "Concrete",
                    ring.at(vertex, t, CONCOURSE), ring.at(vertex, t + LOWER_TREAD, CONCOURSE),
                    ring.at(vertex, t + LOWER_TREAD, z + 0.9), ring.at(vertex, t, z + 0.9),
                )  # fmt: skip


def _suites(m: Model, ring: Ring) -> None:
    t, z = lower(LOWER_ROWS)
    for bay, region, vomitory in ring.bays():
        m.sheet(f"suite_floor_{region}", "Concrete", *ring.band(bay, (t, z), (OUTER, z)))
        m.sheet(f"suite_glass_{region}", "Glass_coated", *ring.band(bay, (SUITES, z), (SUITES, SUITE_TOP)))
        m.sheet(
            f"suite_back_wall_{region}", "Plasterboard", *ring.band(bay, (SUITES_BACK, z), (SUITES_BACK, SUITE_TOP))
        )
        m.sheet(f"suite_ceiling_{region}", "Concrete", *ring.band(bay, (SUITES, SUITE_TOP), (OUTER, SUITE_TOP)))
        if not vomitory:  # one party wall a suite; a suite spans the bay of a vomitory
            m.sheet(
                f"suite_party_walls_{region}", "Plasterboard",
                ring.at(bay, SUITES, z), ring.at(bay, SUITES_BACK, z),
                ring.at(bay, SUITES_BACK, SUITE_TOP), ring.at(bay, SUITES, SUITE_TOP),
            )  # fmt: skip


def _upper_bowl(m: Model, ring: Ring) -> None:
    low, top = UPPER_FIRST - 0.6, UPPER_FIRST + 0.85
    for bay, region, _ in ring.bays():
        m.sheet(f"upper_bowl_front_{region}", "Concrete", *ring.band(bay, (UPPER_FRONT, low), (UPPER_FRONT, top)))
        m.sheet(f"upper_bowl_underside_{region}", "Concrete", *ring.band(bay, (UPPER_FRONT, low), (SUITES, SUITE_TOP)))
        for row in range(UPPER_ROWS):
            t, z = upper(row)
            name = f"upper_bowl_{region}"
            m.sheet(name, "Concrete", *ring.band(bay, (t, z), (t + UPPER_TREAD, z)))
            if row:
                m.sheet(name, "Concrete", *ring.band(bay, (t, z - UPPER_RISE), (t, z)))


def _outer_wall(m: Model, ring: Ring) -> None:
    for bay, region, _ in ring.bays():
        upright = [ring.at(k, OUTER, z) for k, z in ((bay, CONCOURSE), (bay + 1, CONCOURSE))]
        span = np.linalg.norm(upright[1] - upright[0])
        openings = []
        if region in ("stage_left", "stage_right") and span > 9.0:
            x = sorted(p[0] for p in upright)
            y = upright[0][1]
            openings = [np.array([(a, y, CONCOURSE), (b, y, CONCOURSE), (b, y, 5.2), (a, y, 5.2)])
                        for a, b in ((x[0] + 0.8, x[0] + 5.3), (x[1] - 5.3, x[1] - 0.8))]  # fmt: skip
            for opening in openings:
                m.sheet(f"entrance_glass_{region}", "Glass_clear", *opening)
        wall = ring.band(bay, (OUTER, CONCOURSE), (OUTER, SUITE_TOP))
        m.wall(f"outer_wall_{region}", "Concrete", wall, openings)
        m.sheet(f"outer_cladding_{region}", "Metal_cladding", *ring.band(bay, (OUTER, SUITE_TOP), (OUTER, EAVES)))


def _runs(ring: Ring) -> Iterator[tuple[str, list[int]]]:
    """Seating between aisles: region and its row of vertices; vomitory bays are aisles."""
    run: list[int] = []
    for bay, region, vomitory in ring.bays():
        if vomitory or (run and ring.region[run[0]] != region):
            if run:
                yield ring.region[run[0]], [*run, run[-1] + 1]
            run = []
        if not vomitory:
            run.append(bay)
    yield ring.region[run[0]], [*run, run[-1] + 1]


def _audience(m: Model, ring: Ring) -> None:
    """One closed block of seated people between two aisles; behind the stage the seats are not sold."""
    number: dict[str, int] = {}
    tiers = (("lower_front", lower, 0.35, 4.0), ("lower_rear", lower, 5.0, 13.0), ("upper", upper, 0.45, 6.0))
    for region, vertices in _runs(ring):
        if region == "stage_end" or np.mean([ring.base[v % len(ring.base)][0] for v in vertices]) < -16.0:
            continue
        number[region] = number.get(region, 0) + 1
        for tier, nosing, first, last in tiers:
            (t0, z0), (t1, z1) = nosing(first), nosing(last)
            sections = []
            for k, vertex in enumerate(vertices):
                points = [ring.at(vertex, t0, z0 + 0.03), ring.at(vertex, t1, z1 + 0.03)]
                if k in (0, len(vertices) - 1):  # half an aisle, along the bay so that faces stay flat
                    other = vertices[1] if k == 0 else vertices[-2]
                    inset = [ring.at(other, t0, z0 + 0.03), ring.at(other, t1, z1 + 0.03)]
                    share = 0.6 / np.linalg.norm(inset[0] - points[0])
                    points = [p + share * (q - p) for p, q in zip(points, inset, strict=True)]
                low_front, low_back = points
                rise = np.array([0.0, 0.0, 0.85])
                sections.append(np.array([low_front, low_back, low_back + rise, low_front + rise]))
            m.loft(f"audience_{tier}_{region}_{number[region]}", "Audience_seated", sections)
