"""Results as shapes in space, for modelling programs: power as slices and skins, paths, verdicts, surfaces to blame.

The same levels, colours and words as in the pictures. Every node says what it is in its ``extras``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from rf3d.assessment.blame import Culprit
from rf3d.assessment.links import VERDICT_DEFINITION, Link, chance_text, finite, over_which_airs
from rf3d.assessment.multipath import BLAME_SHARE
from rf3d.assessment.pages import margin_words, summary
from rf3d.assessment.run import Solution
from rf3d.plan import Plan
from rf3d.propagation.paths import Setting
from rf3d.propagation.volume import TransmitterVolume
from rf3d.radio.radios import Receiver
from rf3d.units import FloatArray, from_db
from rf3d.views.furniture import level_text
from rf3d.views.glb import Node, Piece
from rf3d.views.layout import colour_bands, round_levels
from rf3d.views.link_pictures import KINDS, PATH_COLOURS, TINT, VERDICT_MARKS, path_kind, path_points, path_words
from rf3d.views.power_pictures import layer_at, level_surfaces, ramp, slice_power_dbm, volumes_of_radio

MOST_PATHS = 12
"""Strongest paths of a link that are drawn."""
MOST_CULPRITS = 3
UNHEARD_COLOUR = "#59636d"


def link_shapes(solution: Solution) -> list[Node]:
    """Nodes of every receiver with its verdict, the strongest paths of every link and the faces to blame."""
    nodes = [_receiver(solution, receiver) for receiver in solution.plan.receivers]
    for link in solution.links:
        nodes += _paths(solution, link)
        nodes += _culprits(solution, link)
    return nodes


def links_summary(solution: Solution) -> dict[str, Any]:
    """What holds for all nodes of `link_shapes`."""
    return {
        "plan": solution.plan.title,
        "seed": solution.seed,
        "verdicts": VERDICT_DEFINITION,
        "verdict_colours": {word: colour for word, (_, colour) in VERDICT_MARKS.items()},
        "path_kinds": [{"kind": kind, "colour": colour} for kind, colour in zip(KINDS, PATH_COLOURS, strict=True)],
        "culprit_colour": TINT,
        "air": over_which_airs(solution.links).removeprefix("over ").removeprefix("on "),
        "summary": summary(solution),
    }


def _receiver(solution: Solution, receiver: Receiver) -> Node:
    link = solution.best_link(receiver.name)
    x, y, z = (float(v) for v in receiver.position_m)
    extras: dict[str, Any] = {"shows": "receiver", "receiver": receiver.name}
    if link is None:
        extras |= {"verdict": None, "words": "no transmitter shares its radio", "colour": UNHEARD_COLOUR}
    else:
        words = f"{link.verdict}, holds {chance_text(link.chance)}, {level_text(link.margin_db)}"
        extras |= {
            "transmitter": link.transmitter, "verdict": link.verdict, "chance_of_holding": link.chance,
            "mean_power_dbm": finite(link.mean_power_dbm), "margin_db": finite(link.margin_db),
            "fade_margin_db": finite(link.fade_margin_db), "busy_margin_db": finite(link.busy_margin_db),
            "words": words, "margins": margin_words(link), "colour": VERDICT_MARKS[link.verdict][1],
        }  # fmt: skip
    return Node(f"receiver {receiver.name}", (x, y, z), extras=extras)


def _paths(solution: Solution, link: Link) -> list[Node]:
    """A polyline for each of the strongest paths of a link."""
    setting = solution.setting
    ends = [
        next(t.position_m for t in solution.plan.transmitters if t.name == link.transmitter),
        next(r.position_m for r in solution.plan.receivers if r.name == link.receiver),
    ]
    local = setting.scene.to_local(np.array(ends))
    power = from_db(link.path_power_dbm)
    nodes = []
    for p in range(min(MOST_PATHS, link.paths.count)):
        kind = path_kind(link, p)
        colour = PATH_COLOURS[kind]
        piece = Piece(path_points(link, p, local), None, f"path {KINDS[kind]}", (*linear(colour), 1.0))
        extras = {
            "shows": "path", "transmitter": link.transmitter, "receiver": link.receiver, "kind": KINDS[kind],
            "share": float(power[p] / power.sum()), "power_dbm": finite(float(link.path_power_dbm[p])),
            "length_m": float(link.paths.length_m[p]), "words": path_words(setting, link, p), "colour": colour,
            "best": link is solution.best_link(link.receiver),
        }  # fmt: skip
        nodes.append(Node(f"path {p + 1}, {link.transmitter} to {link.receiver}", _origin(setting), [piece], extras))
    return nodes


def _culprits(solution: Solution, link: Link) -> list[Node]:
    """The facets of the surfaces to blame on which the echoes of a link bounce or bend."""
    setting = solution.setting
    nodes = []
    for culprit in solution.culprits(link)[:MOST_CULPRITS]:
        if culprit.echo_share < BLAME_SHARE:
            continue
        chosen = np.isin(setting.facets.triangle_facet, _facets(setting, link, culprit))
        corners = setting.scene.corners_m[chosen].reshape(-1, 3)
        piece = Piece(corners, np.arange(len(corners)).reshape(-1, 3), "surface to blame", (*linear(TINT), 0.6))
        extras = {
            "shows": "culprit", "transmitter": link.transmitter, "receiver": link.receiver,
            "surface": culprit.surface, "echo_share": culprit.echo_share, "power_dbm": finite(culprit.power_dbm),
            "colour": TINT, "best": link is solution.best_link(link.receiver),
        }  # fmt: skip
        name = f"{culprit.surface}, {link.transmitter} to {link.receiver}"
        nodes.append(Node(name, _origin(setting), [piece], extras))
    return nodes


def _facets(setting: Setting, link: Link, culprit: Culprit) -> np.ndarray:
    """Facets of a culprit that the drawn paths of the link meet, and in any case the one its strongest echo meets."""
    paths = link.paths
    mine = np.array([name == culprit.surface for name in setting.scene.objects], dtype=bool)[paths.part]
    strongest = mine & (np.linalg.norm(paths.point_m - culprit.point_m, axis=1) < 1e-9)
    return np.unique(paths.facet[strongest | (mine & (paths.path_of_interaction < MOST_PATHS))])


def power_shapes(
    plan: Plan, setting: Setting, volumes: Sequence[TransmitterVolume], *, height_m: float, early: bool = False
) -> list[Node]:
    """Nodes of a slice at a world height and of skins of equal power.

    A slice for each transmitter, one of the strongest at each place for each radio with several, and skins for each
    transmitter. The slices of one radio share their bands, so that they may be compared. Each says how wide its voxels
    are and how well they are known, and ``early`` of what a better answer will replace.
    """
    nodes: list[Node] = []
    for radio in dict.fromkeys(t.radio.name for t in plan.transmitters):
        own = volumes_of_radio(plan, volumes, radio)
        if not own:
            continue
        strongest = slice_power_dbm(own, height_m=height_m)
        bands = colour_bands(strongest) if np.isfinite(strongest).any() else np.array([-100.0, 0.0])
        extras = {"radio": radio, "height_m": height_m, "early": early}
        for chosen in [own] * (len(own) > 1) + [[volume] for volume in own]:
            power = slice_power_dbm(chosen, height_m=height_m)
            who = chosen[0].transmitter if len(chosen) == 1 else None
            error = {"transmitter": who, "median_std_error_db": _slice_error_db(chosen, height_m)}
            nodes.append(_slice(setting, chosen[0], power, bands=bands, extras={**extras, **error}))
            if len(chosen) == 1:
                nodes += _skins(setting, chosen[0], radio, early)
    return nodes


def _slice_error_db(volumes: Sequence[TransmitterVolume], height_m: float) -> float | None:
    """Median over a layer of the standard error of whichever volume is strongest, dB; None where nothing arrives."""
    layer = layer_at(volumes[0].grid, height_m)
    power = np.stack([np.nan_to_num(v.mean_power_w[:, :, layer]) for v in volumes])
    error = np.stack([v.std_error_db[:, :, layer] for v in volumes])
    mine = np.take_along_axis(error, power.argmax(axis=0)[None], axis=0)
    return float(np.median(mine[np.isfinite(mine)])) if np.isfinite(mine).any() else None


def _slice(
    setting: Setting, volume: TransmitterVolume, power: FloatArray, *, bands: FloatArray, extras: dict[str, Any]
) -> Node:
    """One square for every voxel that was reached, in pieces by colour band."""
    grid, height = volume.grid, float(extras["height_m"])
    colours = ramp(len(bands) - 1)
    i, j = np.nonzero(np.isfinite(power))
    band = np.clip(np.searchsorted(bands, power[i, j], side="right") - 1, 0, len(colours) - 1)
    ring = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    z = height - float(setting.scene.origin_m[2])
    pieces = []
    for k in np.unique(band).tolist():
        mine = band == k
        flat = grid.low_m[:2] + grid.voxel_m * (np.stack([i[mine], j[mine]], axis=1)[:, None] + ring)
        points = np.concatenate([flat, np.full((*flat.shape[:2], 1), z)], axis=2).reshape(-1, 3)
        first = 4 * np.arange(mine.sum())[:, None]
        triangles = (first + np.array([[0, 1, 2, 0, 2, 3]])).reshape(-1, 3)
        colour = _linear(colours[k])
        pieces.append(
            Piece(
                points, triangles, f"power {bands[k]:g} to {bands[k + 1]:g} dBm", (*colour, 1.0),
                colours=np.tile(colour, (len(points), 1)), values={"power_dbm": np.repeat(power[i[mine], j[mine]], 4)},
            )
        )  # fmt: skip
    who = extras["transmitter"] or f"strongest on {extras['radio']}"
    data = {
        "shows": "slice", **extras, "unit": "dBm", "bands_dbm": bands.tolist(),
        "colours": [_hex(colour) for colour in colours], "voxel_m": grid.voxel_m, "rays": volume.rays,
    }  # fmt: skip
    return Node(f"power at {height:g} m, {who}", _origin(setting), pieces, data)


def _skins(setting: Setting, volume: TransmitterVolume, radio: str, early: bool) -> list[Node]:
    """Surfaces that enclose every place where at least a level arrives."""
    levels = round_levels(volume.mean_power_dbm)
    if not len(levels):
        return []
    nodes = []
    colours = ramp(len(levels))
    opacities = np.geomspace(0.13, 0.6, len(levels))
    error = volume.std_error_db[np.isfinite(volume.std_error_db)]
    known = {
        "voxel_m": volume.grid.voxel_m, "rays": volume.rays, "early": early,
        "median_std_error_db": float(np.median(error)) if len(error) else None,
    }  # fmt: skip
    for level, surface, colour, opacity in zip(
        levels.tolist(), level_surfaces(volume, levels), colours, opacities.tolist(), strict=True
    ):
        if surface.n_points == 0:
            continue
        points = np.asarray(surface.points, dtype=np.float64)
        triangles = np.asarray(surface.triangulate().faces).reshape(-1, 4)[:, 1:]
        own = _linear(colour)
        piece = Piece(
            points, triangles, f"skin {level:g} dBm of {len(levels)}", (*own, opacity),
            colours=np.tile(own, (len(points), 1)), values={"power_dbm": np.full(len(points), level)},
        )  # fmt: skip
        data = {
            "shows": "skin", "radio": radio, "transmitter": volume.transmitter, "level_dbm": level, "unit": "dBm",
            "colour": _hex(colour), "opacity": opacity, **known,
        }  # fmt: skip
        nodes.append(Node(f"{level:g} dBm or more, {volume.transmitter}", _origin(setting), [piece], data))
    return nodes


def linear(colour: str) -> tuple[float, float, float]:
    """A colour "#rrggbb" as linear red, green and blue, 0 to 1.

    Source: IEC 61966-2-1 (sRGB), transfer function; from memory.

    >>> [round(part, 3) for part in linear("#bcbcbc")]
    [0.503, 0.503, 0.503]
    """
    return _linear(np.array([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]))


def _linear(colour: FloatArray) -> tuple[float, float, float]:
    parts = [float(c) / 12.92 if c <= 0.04045 else math.pow((float(c) + 0.055) / 1.055, 2.4) for c in colour]
    return parts[0], parts[1], parts[2]


def _hex(colour: FloatArray) -> str:
    return "#" + "".join(f"{round(255 * float(c)):02x}" for c in colour)


def _origin(setting: Setting) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in setting.scene.origin_m)
    return x, y, z
