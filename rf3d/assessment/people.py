"""A person who stands in the line of a link: where one can, which paths go through them, and whether it holds then.

Somebody is a pillar of common size on the nearest level ground below the line, next to the
receiver but not at it. Each path that goes through them loses what a person in the line takes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from rf3d.assessment.air import AirAt
from rf3d.assessment.links import ALLOWANCE_DB, Link, as_judged, finite, verdict_of
from rf3d.assessment.places import whereabouts
from rf3d.assessment.spots import Spots, judge
from rf3d.errors import Finding
from rf3d.plan import Plan
from rf3d.propagation.cache import PathCache, kept
from rf3d.propagation.diffraction import facet_widths
from rf3d.propagation.paths import PathSet, Setting
from rf3d.radio.bodies import housing_loss_db, person_in_line_db, worn_loss_db
from rf3d.radio.radios import Receiver, Transmitter
from rf3d.units import BoolArray, FloatArray
from rf3d.venue.scene import Scene

TALL_M, HALF_WIDE_M = 1.8, 0.25
"""Height and half the width of a person; common practice, no source."""
NEAREST_M = 1.0
"""Nearer to either antenna than this a person takes more than ``bodies.person_in_line_db`` says."""
STEP_M = 0.25
GROUND_M = 0.4
"""Least width of what somebody stands on; common practice, no source."""
LEVEL = np.cos(np.radians(15.0))
"""Least upright part of the normal of what somebody stands on."""


@dataclass(frozen=True, eq=False)
class InLine:
    """A link while somebody stands in its line.

    Attributes
    ----------
    point_m : (3,) float64
        Local; where the line goes through them.
    loss_db : (typical, worst)
        What one person takes from a path.
    fade_power_dbm, chance : (typical, worst)
        1 % point and chance of holding then.
    """

    point_m: FloatArray
    loss_db: tuple[float, float]
    fade_power_dbm: tuple[float, float]
    chance: tuple[float, float]

    def as_json(self, scene: Scene) -> dict[str, Any]:
        """Plain data; typical before worst, the point in world coordinates."""
        return {
            "point_m": scene.to_world(self.point_m).tolist(), "loss_db": list(self.loss_db),
            "fade_power_dbm": [finite(power) for power in self.fade_power_dbm],
            "chance_of_holding": list(self.chance),
        }  # fmt: skip


def person_in_line(
    setting: Setting, link: Link, spots: Spots, *, transmitter: Transmitter, receiver: Receiver, air: AirAt | None,
    seed: int, cache: PathCache | None = None,
) -> InLine | None:  # fmt: skip
    """Judge a link with somebody in the line of its strongest path; None where nobody can stand there.

    Parameters
    ----------
    spots : Spots
        Waves and neighbourhood that the link was judged by.
    seed : int
        That the link was judged with.
    cache : PathCache or None
        Keeps how high ground is below the line.
    """
    paths = spots.wave.paths
    if paths.count == 0 or not np.isfinite(link.fade_power_dbm):
        return None
    ends = setting.scene.to_local(np.array([transmitter.position_m, receiver.position_m]))
    first, last, owner = _legs(paths, ends)
    line = first[owner == 0], last[owner == 0]
    key = ("ground", setting.scene.digest, line[0].tobytes(), line[1].tobytes())
    found = kept(cache, key, lambda: _where_one_stands(setting, *line))
    if found is None:
        return None
    point, ground = found
    hit = np.zeros(paths.count, dtype=bool)
    hit[owner[_through(first, last, point[:2], ground)]] = True
    typical, worst = (float(person_in_line_db(link.centre_hz, worst=w)) for w in (False, True))
    judged = [
        judge(spots, np.where(hit, loss, 0.0), 0.0, transmitter=transmitter, receiver=receiver, air=air, seed=seed)
        for loss in (typical, worst)
    ]
    return InLine(point, (typical, worst), (judged[0][0], judged[1][0]), (judged[0][1], judged[1][1]))


@dataclass(frozen=True)
class AtWorst:
    """A link of a worn or housed receiver with the worst that body and housing take, in place of what is typical.

    Attributes
    ----------
    more_db : float
        By how much more than typical, for the strongest path.
    fade_power_dbm, chance : float
    """

    more_db: float
    fade_power_dbm: float
    chance: float

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "more_db": self.more_db, "fade_power_dbm": finite(self.fade_power_dbm), "chance_of_holding": self.chance,
        }  # fmt: skip


def at_worst(
    link: Link, spots: Spots, *, transmitter: Transmitter, receiver: Receiver, air: AirAt | None, seed: int
) -> AtWorst | None:
    """Judge a link with the worst loss of the receiver's body and housing; None where it has neither."""
    paths = spots.wave.paths
    if not (receiver.worn or receiver.inside) or paths.count == 0:
        return None
    more, scattered = np.zeros(paths.count), 0.0
    if receiver.worn:
        outward = as_judged(receiver, link).axes[0]
        angle = np.arccos(np.clip(paths.arrival @ outward, -1.0, 1.0))
        more += _beyond(worn_loss_db, angle, link.centre_hz)
        scattered += float(_beyond(worn_loss_db, 0.5 * np.pi, link.centre_hz))
    if receiver.inside is not None:
        housing = housing_loss_db(receiver.inside, worst=True) - housing_loss_db(receiver.inside)
        more, scattered = more + housing, scattered + housing
    fade, chance = judge(spots, more, scattered, transmitter=transmitter, receiver=receiver, air=air, seed=seed)
    return AtWorst(float(more[0]), fade, chance)


def _beyond(loss: Any, angle_rad: Any, frequency_hz: float) -> FloatArray:
    """By how much the worst loss is more than the typical one."""
    return np.asarray(loss(angle_rad, frequency_hz, worst=True) - loss(angle_rad, frequency_hz, worst=False))


def worst_finding(link: Link, found: AtWorst | None, *, receiver: Receiver) -> Finding | None:
    """A caution where a link that holds would not with the worst that body and housing take."""
    if found is None or link.verdict not in ("solid", "workable"):
        return None
    then = verdict_of(found.chance, listed=link.listed)
    if then in ("solid", "workable"):
        return None
    what = " and ".join([*(["its body"] if receiver.worn else []), *([receiver.inside] if receiver.inside else [])])
    text = (
        f"judged by what {what} typically takes; at worst it takes {found.more_db:.0f} dB more: {then} then. Try it "
        f"where it will be, and keep {ALLOWANCE_DB:.0f} dB in hand there"
    )
    x, y, z = receiver.position_m.tolist()
    least = found.fade_power_dbm - link.sensitivity_dbm
    return Finding("at-worst", "caution", receiver.name, text, least, ALLOWANCE_DB, "dB", (x, y, z))


def person_finding(
    setting: Setting, plan: Plan, link: Link, found: InLine | None, *, receiver: Receiver
) -> Finding | None:
    """A caution where a link that holds does so only as long as nobody stands in its line."""
    if found is None or link.verdict not in ("solid", "workable"):
        return None
    then = [verdict_of(chance, listed=link.listed) for chance in found.chance]
    if then[1] in ("solid", "workable"):
        return None
    place = setting.scene.to_world(found.point_m)
    x, y, z = place.tolist()
    where = whereabouts(place - receiver.position_m, z, plan.house_azimuth_rad, of_it=True)
    words = then[1] if then[0] == then[1] else f"{then[0]} to {then[1]}"
    text = (
        f"somebody who stands in the line ({where}) takes {found.loss_db[0]:.0f} to {found.loss_db[1]:.0f} dB from it: "
        f"{words} then. Keep people out of that line in the show, or raise one of the antennas over their heads"
    )
    least = found.fade_power_dbm[1] - link.sensitivity_dbm
    return Finding("person-in-line", "caution", receiver.name, text, least, None, "dB", (x, y, z))


def _legs(paths: PathSet, ends_m: FloatArray) -> tuple[FloatArray, FloatArray, np.ndarray]:
    """Straight pieces of all paths between two ends (2, 3): starts (L, 3), ends (L, 3), path (L,)."""
    count = np.diff(paths.start)
    owner = np.repeat(np.arange(paths.count), count + 1)
    first = np.empty((len(owner), 3))
    last = np.empty((len(owner), 3))
    head = paths.start[:-1] + np.arange(paths.count)
    tail = head + count
    inner = np.ones(len(owner), dtype=bool)
    inner[head] = False
    first[head], first[inner] = ends_m[0], paths.point_m
    inner[head], inner[tail] = True, False
    last[tail], last[inner] = ends_m[1], paths.point_m
    return first, last, owner


def _where_one_stands(setting: Setting, first: FloatArray, last: FloatArray) -> tuple[FloatArray, float] | None:
    """The point of a path's pieces (L, 3) nearest to its end that a person can stand in, and the ground's height there.

    None where there is no such point.
    """
    length = np.linalg.norm(last - first, axis=1)
    before = np.concatenate([[0.0], np.cumsum(length)])
    along = before[-1] - np.arange(NEAREST_M, before[-1] - NEAREST_M, STEP_M)
    if len(along) == 0:
        return None
    piece = np.minimum(np.searchsorted(before, along, side="right") - 1, len(length) - 1)
    share = (along - before[piece]) / length[piece]
    points = first[piece] + share[:, None] * (last - first)[piece]
    depth = _ground_below(setting, points)
    fits = np.flatnonzero(depth <= TALL_M)
    return (points[fits[0]], float(points[fits[0], 2] - depth[fits[0]])) if len(fits) else None


def _ground_below(setting: Setting, points_m: FloatArray) -> FloatArray:
    """How far below points (N, 3) level ground is, metres, (N,); inf beyond a person's height."""
    facets = setting.facets
    down = np.array([0.0, 0.0, -TALL_M - 2.0 * setting.tracer.clearance_m])
    none = np.zeros(len(facets.triangle_facet), dtype=bool)
    met = setting.tracer.crossings(points_m, points_m + down, opaque=none)
    facet = facets.triangle_facet[met.triangle]
    level = (np.abs(facets.normal[facets.plane[facet], 2]) >= LEVEL) & (facet_widths(facets)[facet] >= GROUND_M)
    depth = np.full(len(points_m), np.inf)
    owner = np.repeat(np.arange(len(points_m)), np.diff(met.first))
    np.minimum.at(depth, owner[level], met.distance_m[level])
    return depth


def _through(first: FloatArray, last: FloatArray, axis_m: FloatArray, ground_m: float) -> BoolArray:
    """Which pieces of paths (L, 3) go through a pillar at ``axis_m`` (2,) that stands on the height ``ground_m``."""
    way = (last - first)[:, :2]
    square = np.maximum((way**2).sum(axis=1), 1e-12)
    nearest = np.clip(((axis_m - first[:, :2]) * way).sum(axis=1) / square, 0.0, 1.0)
    at = first + nearest[:, None] * (last - first)
    beside = np.linalg.norm(at[:, :2] - axis_m, axis=1) <= HALF_WIDE_M
    return np.asarray(beside & (at[:, 2] >= ground_m) & (at[:, 2] <= ground_m + TALL_M))
