"""Roof of the arena: ribbed steel deck, purlins, open-web trusses, catwalks, scoreboard."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np

from demo_meshes.model import GAP_M, Model, disc, lifted

STEEL = "Steel_painted"
TRUSS_X = np.linspace(-36.0, 36.0, 9)
TWIN_M = 0.6  # half the distance between the two planes of a main truss
TOP_Z, BOTTOM_Z = 23.35, 20.6
CHORD_M, WEB_M = 0.25, 0.12
LINK_Y = (-20.0, -10.0, 0.0, 10.0, 20.0)
CATWALK_Y, CATWALK_Z = 14.0, 19.0


def add_roof(m: Model, outline: np.ndarray, eaves_m: float) -> None:
    """Everything above the bowl; ``outline`` (n, 2) is the outer wall in plan."""

    def half_width(x: np.ndarray) -> np.ndarray:
        """Half the width of the building across y at x."""
        upper = outline[outline[:, 1] > 0]
        upper = upper[np.argsort(upper[:, 0], kind="stable")]
        return np.interp(x, upper[:, 0], upper[:, 1])

    _deck(m, float(outline[:, 0].max()), half_width, eaves_m + GAP_M)
    for y in np.arange(-33.0, 33.1, 3.0):
        xs = np.linspace(-45, 45, 1801)
        reach = xs[half_width(xs) > abs(y) + 0.3].max()
        m.box("purlins", STEEL, (-reach + 0.3, y - 0.05, TOP_Z + 0.16), (reach - 0.3, y + 0.05, eaves_m - GAP_M))
    for number, x in enumerate(TRUSS_X, start=1):
        _main_truss(m, f"roof_truss_{number}", x, float(half_width(x + np.array([-0.8, 0.8])).min()) - 0.3)
    for bay, (x0, x1) in enumerate(pairwise(TRUSS_X), start=1):
        short = TWIN_M + CHORD_M / 2 + GAP_M
        for y in LINK_Y:
            if abs(y) < half_width(np.array([x0, x1])).min() - 2.0:
                _plane_truss(m, f"roof_links_bay_{bay}", ((x0 + short, y), (x1 - short, y)), panels=4)
    _catwalks(m)
    _scoreboard(m)


def _deck(m: Model, half_length_m: float, half_width: Callable[[np.ndarray], np.ndarray], low_m: float) -> None:
    """Trapezoidal ribs 0.6 m apart that run across the hall.

    Their flutes stay open at the eaves: the foam that fills them on site is nothing to radio.
    """
    steps = np.array([0.30, 0.06, 0.18, 0.06])
    levels = np.array([0.0, 0.0, 0.12, 0.12])
    count = round(2 * half_length_m / float(steps.sum()))
    xs = np.concatenate([[0.0], np.cumsum(np.tile(steps, count))]) - half_length_m
    zs = low_m + np.append(np.tile(levels, count), 0.0)
    ys = half_width(xs)
    for k in range(len(xs) - 1):
        (xa, ya, za), (xb, yb, zb) = (xs[k], ys[k], zs[k]), (xs[k + 1], ys[k + 1], zs[k + 1])
        m.sheet("roof_deck", "Roof_deck_steel", (xa, -ya, za), (xb, -yb, zb), (xb, yb, zb), (xa, ya, za))


def _plane_truss(
    m: Model, name: str, ends: tuple[tuple[float, float], tuple[float, float]], *, panels: int
) -> list[np.ndarray]:
    """Two chords and one zigzag of diagonals; gives the points of the zigzag on the chords' axes."""
    a, b = np.array(ends[0]), np.array(ends[1])
    for z in (TOP_Z, BOTTOM_Z):
        m.beam(name, STEEL, ((*a, z), (*b, z)), (CHORD_M, CHORD_M))
    direction = np.array([*(b - a), 0.0]) / np.linalg.norm(b - a)
    inset = 0.3 * direction[:2]
    nodes = [
        np.array([*(a + inset + (b - a - 2 * inset) * k / panels), TOP_Z if k % 2 == 0 else BOTTOM_Z])
        for k in range(panels + 1)
    ]
    for one, other in pairwise(nodes):
        m.web(name, STEEL, (one, other), WEB_M, chord_m=CHORD_M, chord_along=direction)
    return nodes


def _main_truss(m: Model, name: str, x: float, half_span_m: float) -> None:
    panels = 2 * round(half_span_m / 2.75)
    clear = TWIN_M - CHORD_M / 2 - GAP_M
    for side in (-TWIN_M, TWIN_M):
        nodes = _plane_truss(m, name, ((x + side, -half_span_m), (x + side, half_span_m)), panels=panels)
    for _, y, z in nodes:
        m.beam(name, STEEL, ((x - clear, y, z), (x + clear, y, z)), (WEB_M, WEB_M))


def _catwalks(m: Model) -> None:
    for side, tag in ((1.0, "stage_left"), (-1.0, "stage_right")):
        y, z = side * CATWALK_Y, CATWALK_Z
        name = f"catwalk_{tag}"
        m.box(name, "Steel_black", (-36.5, y - 0.5, z - 0.06), (36.5, y + 0.5, z))
        for edge in (-0.56, 0.56):
            for height in (0.55, 1.1):
                ends = ((-36.5, y + edge, z + height), (36.5, y + edge, z + height))
                m.beam(f"{name}_rails", "Steel_black", ends, (0.05, 0.05))
        for x in TRUSS_X:
            for edge in (-0.62, 0.62):
                ends = ((x + TWIN_M, y + edge, z - 0.06), (x + TWIN_M, y + edge, BOTTOM_Z - CHORD_M / 2 - GAP_M))
                m.beam(f"{name}_hangers", "Steel_black", ends, (0.04, 0.04))


def _scoreboard(m: Model) -> None:
    body, ring = disc((0, 0, 14.4), 3.4, 8), disc((0, 0, 13.2), 2.6, 8)
    m.loft("scoreboard", "LED_wall", [body, lifted(body, 3.4)])
    m.loft("scoreboard_ring", "LED_wall", [ring, lifted(ring, 0.8)])
    for x in (-TWIN_M, TWIN_M):
        for y in (-1.6, 1.6):
            m.beam("scoreboard_hangers", "Steel_black", ((x, y, 14.0 + GAP_M), (x, y, 14.4 - GAP_M)), (0.05, 0.05))
            ends = ((x, y, 17.8 + GAP_M), (x, y, BOTTOM_Z - CHORD_M / 2 - GAP_M))
            m.beam("scoreboard_hangers", "Steel_black", ends, (0.03, 0.03))
