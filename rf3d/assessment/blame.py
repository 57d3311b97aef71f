"""Which surfaces make a link unreliable: what each one's echoes cost, and what stands in the straight way.

The harm of a surface is found by trying: the link is judged again with the surface made
absorbing, though still blocking, on the same spots, channels and displacements.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from rf3d.assessment.fading import power_samples
from rf3d.assessment.links import Link, finite
from rf3d.assessment.spots import Spots
from rf3d.propagation.fields import losses_db
from rf3d.propagation.kernels.crossings import DIFFRACTION, LOBE, REFLECTION
from rf3d.propagation.paths import Setting
from rf3d.radio.radios import Receiver, Transmitter
from rf3d.units import BoolArray, FloatArray, from_db, to_db
from rf3d.venue.scene import Scene

MOST_TRIED = 8
"""Surfaces whose harm is looked at, those with most of the echoes."""
LEAST_SHARE = 0.02
"""Surfaces with a smaller share of the echoes are left out."""
LEAST_LOSS_DB = 1.0
"""Walls in the straight way that take less are not worth naming."""
MOST_OBSTACLES = 3


@dataclass(frozen=True, eq=False)
class Culprit:
    """A surface that throws echoes at one receiver.

    Attributes
    ----------
    surface : str
        Object name.
    echo_share : float
        Share of all power but the strongest path's that bounces off it, bends at its edges or is scattered by it.
    power_dbm : float
        Of that.
    point_m : (3,) float64
        Local; where the strongest of those paths bounces or bends.
    harm_db : float or None
        By how much the 1 % point would rise if the surface absorbed all that falls on it and let through what it does
        now: negative where the link lives on it, −inf where nothing else arrives. None where it was not tried.
    """

    surface: str
    echo_share: float
    power_dbm: float
    point_m: FloatArray
    harm_db: float | None = None

    def as_json(self, scene: Scene) -> dict[str, Any]:
        """Plain data; the point in world coordinates."""
        return {
            "surface": self.surface, "harm_db": finite(self.harm_db), "echo_share": self.echo_share,
            "power_dbm": finite(self.power_dbm), "point_m": scene.to_world(self.point_m).tolist(),
        }  # fmt: skip


@dataclass(frozen=True, eq=False)
class Obstacle:
    """Something in the straight way from a transmitter to a receiver.

    Attributes
    ----------
    surface : str
    kind : {"passed", "blocking", "rounded"}
        Passed with a loss; shut; or the straight way is shut and the strongest way round bends at its edge.
    loss_db : float or None
        Of what is passed or bent.
    point_m : (3,) float64
        Local.
    """

    surface: str
    kind: Literal["passed", "blocking", "rounded"]
    loss_db: float | None
    point_m: FloatArray

    def as_json(self, scene: Scene) -> dict[str, Any]:
        """Plain data; the point in world coordinates."""
        return {
            "surface": self.surface, "kind": self.kind, "loss_db": finite(self.loss_db),
            "point_m": scene.to_world(self.point_m).tolist(),
        }  # fmt: skip


def echoes(setting: Setting, link: Link) -> list[Culprit]:
    """Surfaces ranked by the power of the echoes that bounce off them, bend at their edges or are scattered by them.

    An echo is every path but the strongest. One that meets several surfaces counts for each. Surfaces that only
    scatter are left out: they have no one place. Their harm is not tried (``culprits``).
    """
    paths = link.paths
    echo_w = from_db(link.path_power_dbm)
    echo_w[:1] = 0.0
    scattered = dict(zip(link.diffuse.surfaces, from_db(link.diffuse_power_dbm), strict=True))
    total = echo_w.sum() + sum(scattered.values())
    if not total > 0.0:
        return []
    owner = paths.path_of_interaction
    found: dict[str, list[int]] = {}
    for row in np.flatnonzero((owner > 0) & _turned(link)):
        found.setdefault(setting.scene.objects[paths.part[row]], []).append(int(row))
    ranked = []
    for name, rows in found.items():
        power = echo_w[np.unique(owner[rows])].sum() + scattered.get(name, 0.0)
        strongest = max(rows, key=lambda row: echo_w[owner[row]])
        ranked.append(Culprit(name, float(power / total), float(to_db(power)), paths.point_m[strongest]))
    return sorted(ranked, key=lambda echo: -echo.echo_share)


def culprits(setting: Setting, link: Link, spots: Spots) -> list[Culprit]:
    """Surfaces ranked by harm, the most harmful first: those that throw most of the echoes, at most ``MOST_TRIED``.

    With the surface absorbing, paths that bounce off it or bend at its edges are gone, the strongest too, and so is
    what it scatters; what passes through it stays.
    """
    tried = [echo for echo in echoes(setting, link) if echo.echo_share >= LEAST_SHARE][:MOST_TRIED]
    if not tried or not np.isfinite(link.fade_power_dbm):
        return []
    wave, near = spots
    turned, objects = _turned(link), np.array(setting.scene.objects)[wave.paths.part]

    def fade_db(gone: BoolArray, scattered: float) -> float:
        amplitude = np.where(gone[:, None], 0.0, wave.amplitude[:, :-1])
        return float(to_db(np.percentile(power_samples(near, amplitude, diffuse_power=scattered), 1.0)))

    now = fade_db(np.zeros(wave.paths.count, dtype=bool), float(wave.scattering.sum()))
    found = []
    for echo in tried:
        gone = np.zeros(wave.paths.count, dtype=bool)
        gone[wave.paths.path_of_interaction[turned & (objects == echo.surface)]] = True
        kept = np.array([name != echo.surface for name in link.diffuse.surfaces], dtype=bool)
        harm = fade_db(gone, float(wave.scattering[kept].sum())) - now
        found.append((harm, replace(echo, harm_db=harm)))
    return [culprit for _, culprit in sorted(found, key=lambda pair: -pair[0])]


def obstacles(setting: Setting, link: Link, *, transmitter: Transmitter, receiver: Receiver) -> list[Obstacle]:
    """What stands in the straight way, in order from the transmitter; empty where it is free.

    Walls passed with their loss, each surface once. Where the straight way is shut: what shuts it, and the surface at
    whose edge the strongest way round bends.
    """
    turns = np.bincount(link.paths.path_of_interaction[_turned(link)], minlength=link.paths.count)
    straight = np.flatnonzero(turns == 0)
    if len(straight):
        return _passed(setting, link, int(straight[0]), transmitter)
    found = _blocking(setting, transmitter, receiver)
    bends = np.bincount(link.paths.path_of_interaction[link.paths.kind == DIFFRACTION], minlength=link.paths.count)
    around = np.flatnonzero((bends > 0) & (turns == bends))
    if len(around):
        p = int(around[0])  # strongest first
        found += [o for o in _passed(setting, link, p, transmitter) if o.kind == "rounded"]
    return found


def _turned(link: Link) -> BoolArray:
    """Which interactions turn a path, (I,)."""
    return np.isin(link.paths.kind, (REFLECTION, LOBE, DIFFRACTION))


def _passed(setting: Setting, link: Link, p: int, transmitter: Transmitter) -> list[Obstacle]:
    """Walls passed and edges bent at along path p, each surface once, with what it takes."""
    path = link.paths.take(np.array([p]))
    loss = losses_db(
        path, setting.facets, surfaces=setting.surfaces, transmitter=transmitter, frequency_hz=link.centre_hz,
        wedges=setting.wedges,
    )  # fmt: skip
    found: dict[tuple[str, str], Obstacle] = {}
    for row, taken in enumerate(loss.tolist()):
        kind: Literal["passed", "rounded"] = "rounded" if path.kind[row] == DIFFRACTION else "passed"
        key = (setting.scene.objects[path.part[row]], kind)
        before = found.get(key)
        total = taken + (0.0 if before is None or before.loss_db is None else before.loss_db)
        found[key] = Obstacle(key[0], kind, total, path.point_m[row] if before is None else before.point_m)
    return [o for o in found.values() if o.kind == "rounded" or (o.loss_db or 0.0) >= LEAST_LOSS_DB]


def _blocking(setting: Setting, transmitter: Transmitter, receiver: Receiver) -> list[Obstacle]:
    """Surfaces that shut the straight way, or all that are passed where they shut it only together."""
    ends = [setting.scene.to_local(radio.position_m)[None] for radio in (transmitter, receiver)]
    facets = setting.facets
    met = setting.tracer.crossings(*ends, opaque=np.zeros(len(facets.triangle_facet), dtype=bool))
    part = facets.part[facets.triangle_facet[met.triangle]]
    shut = np.flatnonzero(setting.opaque[part])
    way = (ends[1] - ends[0])[0] / np.linalg.norm(ends[1] - ends[0])
    found: dict[str, Obstacle] = {}
    for row in shut if len(shut) else range(len(part)):
        name = setting.scene.objects[part[row]]
        found.setdefault(name, Obstacle(name, "blocking", None, ends[0][0] + met.distance_m[row] * way))
    return list(found.values())[:MOST_OBSTACLES]
