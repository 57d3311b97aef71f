"""One link with its paths, and every receiver with its verdict, as pictures."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pyvista

from rf3d.assessment.blame import Culprit
from rf3d.assessment.links import VERDICT_DEFINITION, Link, over_which_airs
from rf3d.assessment.places import spoken
from rf3d.assessment.run import Solution
from rf3d.propagation.kernels.crossings import DIFFRACTION, LOBE, REFLECTION
from rf3d.propagation.paths import Setting
from rf3d.units import FloatArray, from_db
from rf3d.views.furniture import (
    AREA,
    PANEL_WIDTH,
    PANEL_X,
    TRANSMITTER,
    chance_text,
    draw_compass,
    draw_model,
    draw_rulers,
    draw_scale_bar,
    draw_transmitters,
    heading,
    legend_row,
    level_text,
    link_subtitle,
    local_positions,
    radio_positions,
    share_text,
    shortened,
    tubes,
    venue_outline,
)
from rf3d.views.layout import Camera, box_corners, boxes_along, dash_pattern, dashes, rectangle, three_quarter_view
from rf3d.views.model import make_model, part_mesh
from rf3d.views.page import GREY, INK, Page, open_page

VERDICT_MARKS = {
    "solid": ("circle", "#0b4f8a"),
    "workable": ("square", "#4aa3df"),
    "fragile": ("triangle", "#a3478f"),
    "lost": ("cross", "#16181a"),
}
UNHEARD = ("ring", "#59636d")
"""A receiver that shares its radio with no transmitter."""
PATH_COLOURS = ("#12355b", "#1f77b4", "#8e5aa8", "#8a8f98", "#b3541e")
KINDS = ("direct", "one reflection", "two reflections", "three or more", "round an edge")
_EDGE = 4
TINT = "#e69f00"
_BOUNCE = "#7a4b00"
_SHARE_WIDTH = 97.0
MOST_ROWS = 20
"""Receivers that fit the list at a legible size."""


def draw_paths(solution: Solution, link: Link, *, path: Path, most: int = 8) -> Path:
    """Draw the strongest paths of one link: width is share of power, dash is kind, flags name the surfaces.

    Parameters
    ----------
    most : int
        How many paths at most.
    """
    plan, setting = solution.plan, solution.setting
    ends = local_positions(
        setting,
        [
            next(t for t in plan.transmitters if t.name == link.transmitter),
            next(r for r in plan.receivers if r.name == link.receiver),
        ],
    )
    lines = [path_points(link, p, ends) for p in range(min(most, link.paths.count))]
    power = from_db(link.path_power_dbm)
    share = power / power.sum() if link.paths.count else power
    blame = solution.culprits(link)[:3]
    points = np.concatenate([ends, *lines])
    region = _region(points, setting.scene.bounds_m)
    camera = _broadside(points, region, plan.house_azimuth_rad)
    blamed = np.isin(np.array(setting.scene.objects), [c.surface for c in blame])[setting.scene.triangle_part]
    model = make_model(setting, camera, interest_m=points, leave_out=blamed)
    with open_page(f"{link.transmitter} to {link.receiver}", link_subtitle(link), plan_title=plan.title) as page:
        draw_model(page, model, opacity=0.2)
        page.mesh(part_mesh(setting, blamed & ~model.hidden), colour=TINT, opacity=0.38)
        page.mesh(part_mesh(setting, blamed & model.hidden), colour=TINT, opacity=0.12)
        for p in reversed(range(len(lines))):
            kind = path_kind(link, p)
            pixel = 1.0 / camera.pixels_per_metre
            pieces = dashes(lines[p], [length * pixel for length in kind_pattern(kind)])
            page.mesh(tubes(pieces, 0.5 * path_width(share[p]) * pixel), colour=PATH_COLOURS[kind])
        bounces = _interactions(link, len(lines), reflections=True)
        if len(bounces):
            spheres = pyvista.PolyData(bounces).glyph(
                geom=pyvista.Sphere(radius=5.5 / camera.pixels_per_metre), scale=False, orient=False
            )
            page.mesh(spheres, colour=_BOUNCE)
        page.look(camera)
        for x, y in camera.project(_interactions(link, len(lines), reflections=False)):
            page.symbol(x, y, "ring", colour=INK, size=5.0, rim=GREY)
        at = camera.project(ends)
        draw_transmitters(page, at[:1])
        shape, colour = VERDICT_MARKS[link.verdict]
        page.symbol(at[1, 0], at[1, 1], shape, colour=colour, size=9.5)
        flags = camera.project(np.array([c.point_m for c in blame]).reshape(-1, 3))
        words = [link.transmitter, link.receiver] + [f"{spoken(c.surface)}, {share_text(c.echo_share)}" for c in blame]
        taken = [box for line in lines for box in boxes_along(camera.project(line))]
        page.labels(np.concatenate([at, flags]), words, area=AREA, size=16, bold=True, taken=taken)
        _path_panel(page, setting, link, share=share[: len(lines)], blame=blame)
        draw_scale_bar(page, camera, x=PANEL_X + 6, y=52, words="in mid picture")
        draw_compass(page, camera, plan.house_azimuth_rad, x=PANEL_X + 190, y=160)
        return page.save(path)


def path_kind(link: Link, p: int) -> int:
    """Index into ``KINDS``: the number of reflections up to three, or four for a path that bends at an edge."""
    rows = slice(link.paths.start[p], link.paths.start[p + 1])
    if (link.paths.kind[rows] == DIFFRACTION).any():
        return _EDGE
    return min(int(link.paths.reflections[p]), _EDGE - 1)


def kind_pattern(kind: int) -> tuple[float, ...]:
    """Drawn and blank lengths of a kind of path, pixels; dots for a path round an edge."""
    return (7.0, 9.0) if kind == _EDGE else dash_pattern(kind)


def path_points(link: Link, p: int, ends_m: FloatArray) -> FloatArray:
    """Corners (K, 3) of path p, local metres: the transmitter, each bounce or bend, the receiver."""
    rows = np.arange(link.paths.start[p], link.paths.start[p + 1])
    bounces = rows[np.isin(link.paths.kind[rows], (REFLECTION, LOBE, DIFFRACTION))]
    return np.concatenate([ends_m[:1], link.paths.point_m[bounces], ends_m[1:]])


def path_width(share: float) -> float:
    """Width in pixels of a path that carries this share of the power; the weakest stay visible."""
    return 2.5 + 15.5 * float(share)


def path_words(setting: Setting, link: Link, p: int) -> str:
    """A path in words: "direct", "off the floor", "round an edge of led wall, through 3 others"."""
    rows = np.arange(link.paths.start[p], link.paths.start[p + 1])
    names = [spoken(setting.scene.objects[part]) for part in link.paths.part[rows]]
    kinds = link.paths.kind[rows].tolist()

    def named(*wanted: int) -> list[str]:
        return list(dict.fromkeys(name for name, kind in zip(names, kinds, strict=True) if kind in wanted))

    off, bent = named(REFLECTION, LOBE), named(DIFFRACTION)
    turned = (REFLECTION, LOBE, DIFFRACTION)
    through = list(dict.fromkeys(n for n, k in zip(names, kinds, strict=True) if k not in turned))
    words = ["off " + ", ".join(off)] if off else []
    article = "an edge" if kinds.count(DIFFRACTION) == 1 else "two edges"
    words += [f"round {article} of " + ", ".join(bent)] if bent else []
    words = words or ["direct"]
    if through:
        words.append(f"through {through[0] if len(through) == 1 else f'{len(through)} others'}")
    return ", ".join(words)


def _interactions(link: Link, most: int, *, reflections: bool) -> FloatArray:
    """Points (N, 3) where the first ``most`` paths bounce or bend, or where they pass walls."""
    mine = link.paths.path_of_interaction < most
    return link.paths.point_m[mine & (np.isin(link.paths.kind, (REFLECTION, LOBE, DIFFRACTION)) == reflections)]


def _region(points_m: FloatArray, bounds_m: FloatArray) -> FloatArray:
    """Box (2, 3) about the paths with some of the venue around them, within the venue."""
    low, high = points_m.min(axis=0), points_m.max(axis=0)
    room = np.maximum(0.12 * float(np.linalg.norm(high - low)), 0.6)
    inside = np.stack([np.maximum(low - room, bounds_m[0]), np.minimum(high + room, bounds_m[1])])
    return np.stack([np.minimum(inside[0], low), np.maximum(inside[1], high)])


def _broadside(points_m: FloatArray, region_m: FloatArray, house_azimuth_rad: float | None) -> Camera:
    """Of a few views from the house side, the one in which the paths spread over most of the picture."""
    views = [
        three_quarter_view(
            box_corners(region_m), house_azimuth_rad, area=AREA, pad=(60.0, 40.0), side_rad=np.radians(side)
        )
        for side in (-62.0, -32.0, 32.0, 62.0)
    ]
    return max(views, key=lambda view: float(np.prod(np.ptp(view.project(points_m), axis=0) + 1.0)))


def _path_panel(page: Page, setting: Setting, link: Link, *, share: FloatArray, blame: Sequence[Culprit]) -> None:
    """Signs, the paths one by one, and the surfaces to blame."""
    if link.paths.count == 0:
        y = heading(page, 880, "No path")
        page.paragraph(PANEL_X, y + 22, "No path of the studied kinds leads from the transmitter to the receiver.",
                       width=PANEL_WIDTH)  # fmt: skip
        return
    y = _path_signs(page, {path_kind(link, p) for p in range(len(share))})
    y = heading(page, y - 44, "Strongest paths, share of power")
    for p, part in enumerate(share):
        y = _share_row(page, y, part, path_words(setting, link, p))
    if link.paths.count > len(share):
        rest = 1.0 - float(share.sum())
        words = f"and {link.paths.count - len(share)} weaker, together {share_text(rest)}"
        page.text(PANEL_X + _SHARE_WIDTH, y, words, size=15, colour=GREY)
        y -= 22
    if blame:
        y = heading(page, y - 18, "Surfaces to blame, share of echo power")
        for culprit in blame:
            y = _share_row(page, y, culprit.echo_share, spoken(culprit.surface))


def _path_signs(page: Page, kinds: set[int]) -> float:
    """What dashes, widths, marks and the tint mean; gives the y of the last row."""
    y = heading(page, 880, "Signs")
    for kind, words in enumerate(KINDS):
        if kind in kinds:
            for piece in dashes(np.array([[PANEL_X, y + 6.0], [PANEL_X + 92, y + 6.0]]), kind_pattern(kind)):
                page.line(piece, colour=PATH_COLOURS[kind], width=6)
            page.text(PANEL_X + 108, y, words, size=16)
            y -= 25
    for part, x in ((1.0, 0.0), (0.3, 120.0), (0.05, 230.0)):
        half = path_width(part) / 2
        page.polygon(rectangle((PANEL_X + x, y + 6 - half, PANEL_X + x + 40, y + 6 + half)), colour=INK)
        page.text(PANEL_X + x + 48, y, f"{100 * part:.0f} %" + (" of power" if x > 200 else ""), size=16)
    y = legend_row(page, y - 27, "circle", "where a path bounces or bends", colour=_BOUNCE, size=6.0)
    y = legend_row(page, y, "ring", "where a path passes a wall", colour=INK, size=5.0)
    page.polygon(rectangle((PANEL_X, y - 4, PANEL_X + 28, y + 16)), colour=TINT, opacity=0.6)
    page.text(PANEL_X + 36, y, "surfaces that throw most of the echoes", size=16)
    return y


def _share_row(page: Page, y: float, share: float, words: str) -> float:
    """A share and what carries it; gives the y of the next row."""
    page.text(PANEL_X + _SHARE_WIDTH - 11, y, share_text(share), size=15, bold=True, anchor="right")
    page.text(PANEL_X + _SHARE_WIDTH, y, shortened(page, words, PANEL_WIDTH - _SHARE_WIDTH, 15), size=15)
    return y - 22


def draw_receivers(solution: Solution, path: Path) -> Path:
    """Draw every receiver with its verdict, numbered, and list them with chance, margin and best transmitter."""
    plan, setting = solution.plan, solution.setting
    bounds = setting.scene.bounds_m
    best = [solution.best_link(receiver.name) for receiver in plan.receivers]
    area = (20.0, 105.0, 915.0, 905.0)
    camera = three_quarter_view(venue_outline(setting), plan.house_azimuth_rad, area=area)
    model = make_model(setting, camera, interest_m=radio_positions(plan, setting))
    over = over_which_airs([link for link in best if link is not None])
    over = over.replace("listed", "listed in the plan", 1).replace("only", "only: no other radio is counted")
    with open_page("Will every receiver hold?", over, plan_title=plan.title, width=880) as page:
        draw_model(page, model, opacity=0.24)
        page.look(camera)
        taken = draw_rulers(page, camera, bounds, setting.scene.origin_m)
        sent = camera.project(local_positions(setting, plan.transmitters))
        at = camera.project(local_positions(setting, plan.receivers))
        draw_transmitters(page, sent)
        for i in sorted(range(len(best)), key=lambda i: -_chance(best[i])):  # the worst on top
            shape, colour = _mark(best[i])
            page.symbol(at[i, 0], at[i, 1], shape, colour=colour, size=9.0)
        chosen = listed(best, MOST_ROWS)
        numbers = [str(i + 1) for i in chosen]
        marks = [(x - 10, y - 10, x + 10, y + 10) for x, y in np.concatenate([sent, at])]
        boxes = page.labels(at[chosen], numbers, area=area, size=17, bold=True, taken=taken + marks)
        page.labels(sent, [t.name for t in plan.transmitters], area=area, size=16, taken=taken + boxes + marks,
                    colour=TRANSMITTER)  # fmt: skip
        _receiver_list(page, [r.name for r in plan.receivers], best, chosen)
        page.paragraph(28, 130, f"{VERDICT_DEFINITION[0].upper()}{VERDICT_DEFINITION[1:]}.", width=880, colour=INK)
        draw_compass(page, camera, plan.house_azimuth_rad, x=770, y=180)
        return page.save(path)


def _mark(link: Link | None) -> tuple[str, str]:
    return UNHEARD if link is None else VERDICT_MARKS[link.verdict]


def _chance(link: Link | None) -> float:
    return -1.0 if link is None else link.chance


def receiver_row(link: Link | None) -> str:
    """Second line of a receiver's entry: verdict, chance, margin and who serves it best."""
    if link is None:
        return "no transmitter shares its radio"
    return f"{link.verdict} · {chance_text(link.chance)} · {level_text(link.margin_db)} · from {link.transmitter}"


def listed(best: list[Link | None], most: int) -> list[int]:
    """Which receivers fit a list of ``most`` entries: the least likely to hold, in the plan's order."""
    if len(best) <= most:
        return list(range(len(best)))
    worst = sorted(range(len(best)), key=lambda i: _chance(best[i]))
    return sorted(worst[:most])


def _receiver_list(page: Page, names: list[str], best: list[Link | None], chosen: list[int]) -> None:
    """Verdict signs with their counts, then the chosen receivers in two lines each."""
    left, width = 930.0, 650.0
    counts = {word: sum(link is not None and link.verdict == word for link in best) for word in VERDICT_MARKS}
    x = left + 42
    for word, (shape, colour) in VERDICT_MARKS.items():
        page.symbol(x, 961, shape, colour=colour, size=8.0)
        x += 18 + page.text(x + 18, 955, f"{counts[word]} {word}", size=16) + 26
    page.symbol(x, 961, "diamond", colour=TRANSMITTER, size=8.0)
    page.text(x + 18, 955, "transmitter", size=16)
    page.text(left + 60, 923, "verdict · chance of holding · margin · best transmitter", size=15, colour=GREY)
    pitch = min(56.0, 850.0 / max(len(best) if len(best) <= MOST_ROWS else MOST_ROWS + 1, 1))
    y = 885.0
    for i in chosen:
        link = best[i]
        shape, colour = _mark(link)
        page.text(left + 24, y - 9, str(i + 1), size=16, bold=True, anchor="right")
        page.symbol(left + 42, y - 3, shape, colour=colour, size=8.0)
        page.text(left + 60, y, shortened(page, names[i], width - 60, 16, bold=True), size=16, bold=True)
        page.text(left + 60, y - 19, shortened(page, receiver_row(link), width - 60, 15), size=15, colour=INK)
        y -= pitch
    if len(best) > len(chosen):
        page.text(
            left + 60,
            y,
            f"and {len(best) - len(chosen)} more without a number, none less likely to hold",
            size=15,
            colour=GREY,
        )
