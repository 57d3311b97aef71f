"""What other radios do to each receiver: their power on its channels, at a moment and at the busiest.

Disturbers with a place are traced like any transmitter, with fewer reflections. What they
bring counts as steady power, polarised as the receiver's antenna is: the worst case.
Transmitters of the plan on another radio are disturbers too; those that share a radio are
taken to keep out of each other's way.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import bdtr, bdtrik

from rf3d.assessment.moments import enumerate_moments
from rf3d.errors import InputError
from rf3d.jobs import Jobs, batch_generator
from rf3d.plan import Plan
from rf3d.propagation.cache import PathCache
from rf3d.propagation.fields import fields
from rf3d.propagation.paths import EDGES_AT_HZ, Setting, find_paths
from rf3d.radio.air import Occupied, emitters, nearness
from rf3d.radio.antennas import world_response
from rf3d.radio.bodies import housing_loss_db
from rf3d.radio.radios import Radio, Receiver, Transmitter
from rf3d.units import BoolArray, FloatArray, IntArray, dbm_to_watts, from_db, to_db, watts_to_dbm
from rf3d.venue.surfaces import enclosing_solids

AIR_REFLECTIONS = 1
"""Reflections that disturbers are traced with: their power is wanted, not their fading."""
RARE = 0.01
"""Of a crowd, as many count as are on at once in this share of moments."""
LEAST_APART_M = 1e-3
DRAWN = 256
"""Moments that are drawn of the crowds on one channel."""
_MOMENTS_KEY = 5
DISTURBED_DB = 3.0
"""A channel whose need rises by this counts as disturbed."""


@dataclass(frozen=True, eq=False)
class AirAt:
    """Other radios as one receiver hears them.

    Attributes
    ----------
    names : tuple of str
        (J,), the line of the list each emitter belongs to.
    power_w : (J,) float64
        Of one of them, at the receiver's connector, over its whole band.
    count : (J,) int64
        How many each stands for.
    duty : (J, F) float64
        Share of time that one of them is on each channel.
    share : (J, F) float64
        Of its power that falls into the channel then.
    noise_rise : float
        Factor by which noise is higher there.
    listed : bool
        Whether a line of the list reaches its band; else only the plan's own transmitters do.
    """

    names: tuple[str, ...]
    power_w: FloatArray
    count: IntArray
    duty: FloatArray
    share: FloatArray
    noise_rise: float
    listed: bool = True

    def each_w(self) -> FloatArray:
        """Power of each emitter in each channel at its busiest, (J, F): as many as are on in 1 % of moments, or one."""
        return np.asarray(busiest_count(self.count[:, None], self.duty) * self.power_w[:, None] * self.share)

    def busiest_w(self) -> FloatArray:
        """Power in each channel (F,) when all are on."""
        return np.asarray(self.each_w().sum(axis=0))

    def holding(self, arriving_w: FloatArray, radio: Radio, *, hand_db: float, seed: int) -> FloatArray:
        """Share of moments (S, F) at which power at S spots on F channels (S, F) is what is needed over the others."""
        moments = enumerate_moments(
            self.count, self.duty, self.share, drawn=DRAWN, generator=batch_generator(seed, _MOMENTS_KEY)
        )
        found = np.empty_like(arriving_w)
        for kind, (counted, weight) in enumerate(zip(moments.counted, moments.weight, strict=True)):
            mine = np.flatnonzero(moments.kind == kind)
            needed = radio.needed_w(counted @ self.power_w, hand_db=hand_db, noise_rise=self.noise_rise)
            order = np.argsort(needed)
            below = np.concatenate([[0.0], np.minimum(np.cumsum(weight[order]), 1.0)])
            found[:, mine] = below[np.searchsorted(needed[order], arriving_w[:, mine], side="right")]
        return found

    def strongest(self) -> str | None:
        """The line of the list that puts most power into a channel at its busiest; None where none does."""
        by_line: dict[str, FloatArray] = {}
        for name, power in zip(self.names, self.each_w(), strict=True):
            by_line[name] = by_line.get(name, np.zeros_like(power)) + power
        worst = {name: float(power.max(initial=0.0)) for name, power in by_line.items()}
        return max(worst, key=lambda name: worst[name]) if worst and max(worst.values()) > 0.0 else None


def busiest_count(count: IntArray, duty: FloatArray) -> FloatArray:
    """How many of ``count`` are on a channel at once in a moment of a hundred, at least one if ever.

    ``duty`` is the share of time that one is on it.
    """
    some = np.maximum(duty, 1e-12)
    on = np.ceil(bdtrik(1.0 - RARE, count, some))
    most = np.maximum(np.where(bdtr(on - 1.0, count, some) >= 1.0 - RARE, on - 1.0, on), 1.0)
    return np.where(duty > 0.0, most, 0.0)


@dataclass(frozen=True, eq=False)
class BusyAir:
    """Margins of one link over the busiest air listed.

    Attributes
    ----------
    needed_dbm : (F,) float64
        Power each channel needs then.
    disturbed : int
        Channels whose need has risen by ``DISTURBED_DB``.
    strongest : str or None
        Who disturbs most.
    noise_rise_db : float
    listed : bool
        As of ``AirAt``.
    """

    needed_dbm: FloatArray
    disturbed: int
    strongest: str | None
    noise_rise_db: float
    listed: bool = True


def busy_air(air: AirAt, radio: Radio) -> BusyAir:
    """What a radio's channels need over the busiest air."""
    needed = watts_to_dbm(radio.needed_w(air.busiest_w(), noise_rise=air.noise_rise))
    disturbed = int(np.count_nonzero(needed >= radio.threshold_dbm + DISTURBED_DB))
    return BusyAir(needed, disturbed, air.strongest(), float(to_db(air.noise_rise)), air.listed)


@dataclass(frozen=True, eq=False)
class Emitter:
    """One sender, or one level, of the air: whose it is, how many it stands for, where in its band it is, its duty.

    ``slots_hz`` (C, 2) are the bands it is on in turn, one at a time, each as often: its whole band for most, the
    channels of a hopper.
    """

    name: str
    count: int
    slots_hz: FloatArray
    duty: float
    sender: Transmitter | None = None
    own: bool = False
    level_dbm: float = -math.inf
    line: Occupied | None = None

    def on_channels(self, radio: Radio) -> tuple[FloatArray, FloatArray]:
        """Share of time that it is on each channel of a radio (F,), and share of its power that falls into it then.

        Zeros for the radio's own transmitters, which are taken to keep out of each other's way.
        """
        if self.own and self.sender is not None and self.sender.radio.name == radio.name:
            return np.zeros(len(radio.channels_hz)), np.zeros(len(radio.channels_hz))
        common = radio.overlap(*self.slots_hz.T)
        hits = (common > 0.0).sum(axis=0)
        return self.duty * hits / len(self.slots_hz), common.sum(axis=0) / np.maximum(hits, 1)

    def reaches(self, radio: Radio) -> bool:
        """Whether it is somebody else's to a radio and on one of its channels."""
        return bool((self.on_channels(radio)[1] > 0.0).any())


def listed_air(
    plan: Plan, setting: Setting, *, seed: int, jobs: Jobs, cache: PathCache | None = None
) -> Mapping[str, AirAt]:
    """What every receiver hears of the air listed, by its name; of transmitters too where a receiver answers them.

    Who hears nothing that is listed, and none of the plan's other radios, is left out: nothing is known there.

    Raises
    ------
    InputError
        A disturber inside a solid or on a receiver.
    """
    answered = {r.radio.name for r in plan.receivers if r.answer_power_dbm is not None}
    places = [*plan.receivers, *(_listening(t) for t in plan.transmitters if t.radio.name in answered)]
    emitting = emitters_of(plan, setting)
    linked = np.array([[e.reaches(r.radio) for r in places] for e in emitting], dtype=bool).reshape(
        len(emitting), len(places)
    )
    emitting = _set_apart(plan, emitting, places, linked)
    traced = _received_w(plan, setting, emitting, places, linked=linked, seed=seed, jobs=jobs, cache=cache)
    traced *= crowds_nearness(emitting, np.array([place.position_m for place in places]))
    level = dbm_to_watts(np.array([e.level_dbm for e in emitting]))
    foreign = np.array([not e.own for e in emitting], dtype=bool)
    found = {}
    for r, place in enumerate(places):
        rise = math.prod(float(line.noise_rise(place.position_m)) for line in plan.occupied)
        if not linked[:, r].any() and rise <= 1.0:
            continue
        duty, share = (np.array(rows) for rows in zip(*(e.on_channels(place.radio) for e in emitting), strict=True))
        found[place.name] = AirAt(
            names=tuple(e.name for e in emitting),
            power_w=traced[:, r] + level * _behind_antenna(place),
            count=np.array([e.count for e in emitting], dtype=np.int64),
            duty=duty,
            share=share,
            noise_rise=rise,
            listed=bool(linked[foreign, r].any()),
        )
    return found


def emitters_of(plan: Plan, setting: Setting) -> list[Emitter]:
    """All that is on the air by a plan's list, and its own transmitters.

    Raises
    ------
    InputError
        A disturber inside a solid.
    """
    found = []
    for line in plan.occupied:
        slots = line.slots_hz
        for sender, count in zip(*emitters(line), strict=True):
            found.append(Emitter(line.name, count, slots, line.duty, sender=_clear(setting, line, sender), line=line))
        if line.level_dbm is not None:
            found.append(Emitter(line.name, 1, slots, line.duty, level_dbm=line.level_dbm))
    for t in plan.transmitters:
        half = 0.5 * t.radio.bandwidth_hz
        slots = np.stack([t.radio.channels_hz - half, t.radio.channels_hz + half], axis=1)
        found.append(Emitter(t.name, 1, slots, 1.0, sender=t, own=True))
    return found


def crowds_nearness(emitting: Sequence[Emitter], places_m: FloatArray, *, cell_m: float = 0.0) -> FloatArray:
    """Factors (J, R) for what J emitters bring to R places (R, 3), world, because a crowd is not where they stand."""
    found = np.ones((len(emitting), len(places_m)))
    for line in {id(e.line): e.line for e in emitting if e.line is not None}.values():
        rows = np.array([j for j, e in enumerate(emitting) if e.line is line])
        spots = np.array([e.sender.position_m for e in emitting if e.line is line and e.sender is not None])
        found[rows] = nearness(line, spots, places_m, cell_m=cell_m)
    return found


def _behind_antenna(place: Receiver) -> float:
    """Factor from antenna to connector: housing, cable, connectors."""
    housing = 0.0 if place.inside is None else housing_loss_db(place.inside)
    return float(from_db(-place.feed_loss_db - housing))


def _listening(t: Transmitter) -> Receiver:
    """A transmitter as a receiver of answers."""
    return Receiver(t.name, t.position_m, t.antenna, t.axes, t.cable_loss_db, t.radio, t.connectors)


def _clear(setting: Setting, line: Occupied, sender: Transmitter) -> Transmitter:
    """A disturber in the air: phones of a crowd that would be inside somebody are lifted to the top of their box."""
    assert line.box_m is not None
    solid = None
    for height in (sender.position_m[2], line.box_m[1, 2]):
        spot = np.array([*sender.position_m[:2], height])
        solid = enclosing_solids(setting.scene, setting.scene.to_local(spot[None]), setting.surfaces)[0]
        if solid is None:
            return replace(sender, position_m=spot)
    raise InputError(
        f'"{line.name}" stands inside the solid "{solid}"',
        "what is on the air stands in the air",
        "move it, or let the top of its box reach above that solid",
    )


def _set_apart(plan: Plan, emitting: Sequence[Emitter], places: Sequence[Receiver], linked: BoolArray) -> list[Emitter]:
    """Emitters that stand where nobody listens: who stands for a crowd steps aside, a single sender is refused."""
    apart = list(emitting)
    for e, r in zip(*np.nonzero(linked), strict=True):
        sender, place = apart[e].sender, places[r]
        if sender is None or np.linalg.norm(sender.position_m - place.position_m) >= LEAST_APART_M:
            continue
        if apart[e].count == 1:
            raise InputError(
                f'"{apart[e].name}" stands where "{place.name}" stands',
                "two radios need a place each",
                f"move one of them in {plan.path.name}",
            )
        aside = replace(sender, position_m=sender.position_m + np.array([10.0 * LEAST_APART_M, 0.0, 0.0]))
        apart[e] = replace(apart[e], sender=aside)
    return apart


def _received_w(
    plan: Plan, setting: Setting, emitting: Sequence[Emitter], places: Sequence[Receiver], *, linked: BoolArray,
    seed: int, jobs: Jobs, cache: PathCache | None,
) -> FloatArray:  # fmt: skip
    """Power at each connector from each emitter that is traced, (J, R): the powers of its paths added."""
    power = np.zeros((len(emitting), len(places)))
    rows = np.array([e for e in range(len(emitting)) if emitting[e].sender is not None and linked[e].any()], dtype=int)
    senders = tuple(sender for e in rows if (sender := emitting[e].sender) is not None)
    if not senders:
        return power
    foreign = np.array([not emitting[e].own for e in rows])
    sent = dbm_to_watts(np.array([s.power_dbm - s.feed_loss_db for s in senders]))
    paths, _ = find_paths(
        setting,
        setting.scene.to_local(np.array([s.position_m for s in senders])),
        setting.scene.to_local(np.array([r.position_m for r in places])),
        linked=linked[rows],
        max_reflections=min(AIR_REFLECTIONS, plan.study.max_reflections),
        rays=plan.study.rays,
        seed=seed,
        jobs=jobs,
        edges_at_hz=EDGES_AT_HZ,
        edge_reflections=0,
        cache=cache,
    )
    for r, place in enumerate(places):
        mine = paths.take(np.flatnonzero(paths.receiver == r))
        own = replace(mine, receiver=np.zeros_like(mine.receiver))
        answer = fields(
            own, setting.facets, surfaces=setting.surfaces, transmitters=senders, receivers=(place,),
            frequencies_hz=np.array([place.radio.centre_hz]), wedges=setting.wedges,
        )  # fmt: skip
        accepted = world_response(place.antenna, place.axes, own.arrival)
        worst = (np.abs(answer.arriving[:, 0]) ** 2).sum(axis=1) * (np.abs(accepted) ** 2).sum(axis=1)
        gain = np.where(foreign[own.transmitter], worst, np.abs(answer.amplitude[:, 0]) ** 2)
        power[rows, r] = sent * np.bincount(own.transmitter, gain, minlength=len(senders)) * _behind_antenna(place)
    return power
