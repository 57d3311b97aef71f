"""What each link delivers: power, margin, fading, echoes, and how likely it is to hold.

A link is a transmitter and a receiver that share a radio. Its numbers come from its traced
paths and from what rough surfaces scatter; the fading is sampled from both over a
wavelength-sized neighbourhood, the radio's channels and the tolerance of the drawing. Other
radios, where the plan lists them, raise what is needed at the moments they are on the air.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from scipy.spatial.transform import Rotation

from rf3d.assessment.air import AirAt, BusyAir, busy_air
from rf3d.assessment.fading import (
    draw_neighbourhood,
    faded_channels,
    percentile_depths_db,
    power_samples,
    second_antenna_gain_db,
)
from rf3d.assessment.stutter import FREEZE_S
from rf3d.assessment.waves import Arrivals, arrivals, waves
from rf3d.jobs import batch_generator
from rf3d.propagation.diffuse import NO_DIFFUSE, Diffuse
from rf3d.propagation.kernels.crossings import DIFFRACTION, LOBE, OBLIQUE_FACE, REFLECTION, TRANSMISSION
from rf3d.propagation.paths import PathSet, Setting
from rf3d.radio.bodies import HEADINGS, housing_loss_db
from rf3d.radio.radios import Radio, Receiver, Transmitter
from rf3d.units import (
    SPEED_OF_LIGHT_M_S,
    FloatArray,
    IntArray,
    azimuth_elevation,
    dbm_to_watts,
    from_db,
    read_only,
    to_db,
    wavelength_m,
)

Verdict = Literal["solid", "workable", "fragile", "lost"]
ALLOWANCE_DB = 10.0
"""Kept in hand before a survey; common practice, no source."""
VERDICT_CHANCES: tuple[tuple[Verdict, float], ...] = (("solid", 0.999), ("workable", 0.99), ("fragile", 0.90))
"""Least chance of holding for each verdict; below the last a link is lost. The project's own definition."""
CLEAN_AIR_BEST: Verdict = "workable"
"""The best word for a link where nothing is known of the rest of the air."""
VERDICT_DEFINITION = (
    "chance of holding: that at a spot within a wavelength one of the packets gets through that are sent on channels "
    f"drawn at random within {FREEZE_S:g} s (one alone where the plan does not tell how many), the power staying "
    f"{ALLOWANCE_DB:.0f} dB above the receiver's sensitivity and above what it needs over the other radios on the air "
    "then; "
    + ", ".join(f"{name} from {100 * least:g} %" for name, least in VERDICT_CHANCES)
    + f", lost below; never better than {CLEAN_AIR_BEST} where no other radio is listed"
)
KIND_NAMES = {
    REFLECTION: "reflection", TRANSMISSION: "transmission", OBLIQUE_FACE: "transmission", DIFFRACTION: "diffraction",
    LOBE: "reflection",
}  # fmt: skip
ECHO_FLOOR_DB = 20.0
"""Paths weaker than this below the strongest are left out of the second delay spread."""


@dataclass(frozen=True)
class Heading:
    """A worn receiver while its wearer faces one way.

    Attributes
    ----------
    turned_rad : float
        By how much the pack is turned from how the plan aims it, counter-clockwise seen from above.
    mean_power_dbm, fade_power_dbm : float
        With the body's typical loss.
    chance : float
    """

    turned_rad: float
    mean_power_dbm: float
    fade_power_dbm: float
    chance: float


@dataclass(frozen=True, eq=False)
class Link:
    """One link and its P paths, strongest first.

    Attributes
    ----------
    transmitter, receiver : str
    centre_hz, sensitivity_dbm, bandwidth_hz : float
        Sensitivity: what coding wins included.
    mean_power_dbm : float
        Powers of the paths and of what is scattered added, at the centre frequency; −inf where nothing arrives.
    centre_power_dbm : float
        Paths added with their phase, at the centre frequency; what is scattered has none and is left out.
    channels_hz, channel_power_dbm : (F,) float64
    fade_power_dbm : float
        The 1 % point of ``fading.power_samples``.
    rare_fade_depth_db : float
        How far their 0.1 % point lies below the mean; NaN without a path.
    chance : float
        Share of the samples that hold; see VERDICT_DEFINITION.
    clean_chance : float
        The same with nobody else on the air.
    packet_success : (S,) float64
        Chance of one packet at each spot, over channels and moments, with nothing in hand.
    faded_channels : tuple of int
        How many channels lie below what holds, at 10 % and at 90 % of the spots.
    air : BusyAir or None
        What the channels need over the busiest air; None where the plan lists none.
    second_antenna_gain_db : float or None
        What choosing the stronger of two antennas 10 to 20 cm apart adds at the 1 % point; None where not asked for.
    headings : tuple of Heading
        Of a worn receiver, else none; the numbers of the link are of the worst of them.
    rice_k_db : float or None
        None for a single path and nothing scattered, or for none.
    rms_delay_spread_s, rms_delay_spread_20db_s : float
        What is scattered counts in the first; the second is of the strong paths alone.
    paths : PathSet
    path_power_dbm, path_phase_rad : (P,) float64
    incidence_cos : (I,) float64
    diffuse : Diffuse
        What each rough surface scatters, power over power sent.
    diffuse_power_dbm : (K,) float64
    """

    transmitter: str
    receiver: str
    centre_hz: float
    bandwidth_hz: float
    sensitivity_dbm: float
    mean_power_dbm: float
    centre_power_dbm: float
    channels_hz: FloatArray
    channel_power_dbm: FloatArray
    fade_power_dbm: float
    rare_fade_depth_db: float
    chance: float
    clean_chance: float
    packet_success: FloatArray
    faded_channels: tuple[int, int]
    air: BusyAir | None
    second_antenna_gain_db: float | None
    headings: tuple[Heading, ...]
    rice_k_db: float | None
    rms_delay_spread_s: float
    rms_delay_spread_20db_s: float
    paths: PathSet
    path_power_dbm: FloatArray
    path_phase_rad: FloatArray
    incidence_cos: FloatArray
    diffuse: Diffuse
    diffuse_power_dbm: FloatArray

    @property
    def diffuse_share(self) -> float:
        """Share of the mean power that is scattered; 0 where nothing arrives."""
        if not len(self.diffuse_power_dbm):
            return 0.0
        return float(from_db(self.diffuse_power_dbm - self.mean_power_dbm).sum())

    @property
    def margin_db(self) -> float:
        """Mean power over the sensitivity, on clean air."""
        return self.mean_power_dbm - self.sensitivity_dbm

    @property
    def fade_margin_db(self) -> float:
        """The 1 % point over the sensitivity."""
        return self.fade_power_dbm - self.sensitivity_dbm

    @property
    def fade_depth_db(self) -> float:
        """How far the 1 % point lies below the mean; NaN without a path."""
        return self.mean_power_dbm - self.fade_power_dbm if np.isfinite(self.mean_power_dbm) else np.nan

    @property
    def coherence_bandwidth_hz(self) -> float:
        """1/(5σ), where the correlation over frequency is about one half; inf for a single path.

        Source: Rappaport, Wireless Communications, 2nd ed., Eq. 5.39 (from memory).
        """
        return 1.0 / (5.0 * self.rms_delay_spread_s) if self.rms_delay_spread_s > 0 else np.inf

    @property
    def completeness(self) -> float:
        """Estimated share of the power that the paths found carry; 1.0 where every sequence of planes was tried."""
        return 1.0 - missing_share(from_db(self.path_power_dbm), self.paths.found_by)

    @property
    def verdict(self) -> Verdict:
        """The word for ``chance``; see VERDICT_DEFINITION."""
        return verdict_of(self.chance, listed=self.listed)

    @property
    def listed(self) -> bool:
        """Whether the plan lists something on the air of its band."""
        return self.air is not None and self.air.listed

    @property
    def air_words(self) -> str:
        """Over which air the words of this link hold."""
        return over_which_air(known=self.air is not None, listed=self.listed)

    @property
    def turned_rad(self) -> float:
        """By how much a worn receiver is turned in these numbers; 0 for others."""
        return min(self.headings, key=lambda heading: heading.fade_power_dbm).turned_rad if self.headings else 0.0

    @property
    def busy_margin_db(self) -> float | None:
        """Mean power over what the worst channel needs over the busiest air; None where the plan lists none."""
        return None if self.air is None else self.mean_power_dbm - float(self.air.needed_dbm.max())


def over_which_air(*, known: bool, listed: bool) -> str:
    """Which air words hold for: what is listed on the band, noise and the plan's other radios alone, or nothing."""
    if not known:
        return "clean air only"
    return "the air listed" if listed else "noise and the plan's own radios only"


def over_which_airs(links: Sequence[Link]) -> str:
    """Which air words about several links hold for, as "over ..." or "on ..."."""
    listed = {link.listed for link in links}
    if True not in listed:
        return "on clean air only"
    return "over the air listed" + (", and on clean air where nothing is listed on the band" if False in listed else "")


def verdict_of(chance: float, *, listed: bool) -> Verdict:
    """The word for a chance of holding, over air that is listed or that nothing is known of."""
    for name, least in VERDICT_CHANCES:
        if chance >= least:
            return CLEAN_AIR_BEST if name == "solid" and not listed else name
    return "lost"


def turned(receiver: Receiver, angle_rad: float) -> Receiver:
    """A receiver whose wearer has turned, counter-clockwise seen from above."""
    return replace(receiver, axes=receiver.axes @ Rotation.from_euler("z", angle_rad).as_matrix().T)


def evaluate(
    setting: Setting,
    paths: PathSet,
    *,
    transmitter: Transmitter,
    receiver: Receiver,
    diffuse: Diffuse,
    seed: int,
    position_tolerance_m: float,
    air: AirAt | None = None,
    second_antenna: bool = False,
) -> Link:
    """Numbers of one link from its paths (all of ``paths`` belong to it); of a worn receiver at its worst heading.

    Parameters
    ----------
    diffuse : Diffuse
        What rough surfaces scatter from this transmitter to this receiver (``diffuse_power``).
    seed : int
        Of the neighbourhood's sample points; the same seed compares like with like.
    position_tolerance_m : float
        Standard deviation of every surface's position along its normal.
    air : AirAt or None
        What else the receiver hears; None where nothing is known of it.
    second_antenna : bool
        Whether to work out what a second antenna would win, which takes as long as all the rest.
    """

    arrived = arrivals(setting, paths, transmitter=transmitter, receiver=receiver)

    def turned_by(angle: float) -> Link:
        return _evaluate(
            setting, arrived, transmitter=transmitter, receiver=turned(receiver, angle), diffuse=diffuse, seed=seed,
            position_tolerance_m=position_tolerance_m, air=air, second_antenna=second_antenna,
        )  # fmt: skip

    if not receiver.worn:
        return turned_by(0.0)
    each = [turned_by(float(angle)) for angle in HEADINGS]
    told = tuple(
        Heading(float(angle), link.mean_power_dbm, link.fade_power_dbm, link.chance)
        for angle, link in zip(HEADINGS, each, strict=True)
    )
    return replace(min(each, key=lambda link: link.fade_power_dbm), headings=told)


def as_judged(receiver: Receiver, link: Link) -> Receiver:
    """A receiver as the numbers of its link are of: a worn one at its worst heading."""
    if not link.headings:
        return receiver
    return turned(receiver, min(link.headings, key=lambda heading: heading.fade_power_dbm).turned_rad)


def _evaluate(
    setting: Setting,
    arrived: Arrivals,
    *,
    transmitter: Transmitter,
    receiver: Receiver,
    diffuse: Diffuse,
    seed: int,
    position_tolerance_m: float,
    air: AirAt | None,
    second_antenna: bool,
) -> Link:
    """Numbers of one link as its receiver is aimed; see ``evaluate``."""
    radio = transmitter.radio
    rows, amplitude, cosine, scattering = waves(
        setting, arrived, transmitter=transmitter, receiver=receiver, diffuse=diffuse
    )
    sent = sent_dbm(transmitter, receiver)
    power = np.abs(amplitude[:, -1]) ** 2
    bundle = bundles(rows, wavelength_m(radio.centre_hz))
    bundle_power = (
        np.abs(np.bincount(bundle, amplitude[:, -1].real) + 1j * np.bincount(bundle, amplitude[:, -1].imag)) ** 2
    )
    scattered = float(scattering.sum())
    near = draw_neighbourhood(
        setting,
        rows,
        receiver_m=setting.scene.to_local(receiver.position_m),
        centre_hz=radio.centre_hz,
        incidence_cos=cosine,
        position_tolerance_m=position_tolerance_m,
        generator=batch_generator(seed, 2),
    )
    samples = power_samples(near, amplitude[:, :-1], diffuse_power=scattered)
    arriving_w = samples * dbm_to_watts(sent)
    passing = holding_shares(arriving_w, radio=radio, air=air, hand_db=0.0, seed=seed)
    return Link(
        transmitter=transmitter.name,
        receiver=receiver.name,
        centre_hz=radio.centre_hz,
        bandwidth_hz=radio.bandwidth_hz,
        sensitivity_dbm=radio.threshold_dbm,
        mean_power_dbm=float(to_db(bundle_power.sum() + scattered) + sent),
        centre_power_dbm=float(to_db(abs(amplitude[:, -1].sum()) ** 2) + sent),
        channels_hz=radio.channels_hz,
        channel_power_dbm=to_db(np.abs(amplitude[:, :-1].sum(axis=0)) ** 2) + sent,
        fade_power_dbm=float(to_db(np.percentile(samples, 1.0)) + sent),
        rare_fade_depth_db=percentile_depths_db(samples, bundle_power.sum() + scattered)[1],
        chance=chance_of_holding(arriving_w, radio=radio, air=air, seed=seed),
        clean_chance=chance_of_holding(arriving_w, radio=radio, air=None, seed=seed),
        packet_success=read_only(passing.mean(axis=1)),
        faded_channels=faded_channels(arriving_w, radio.needed_w(np.zeros(1), hand_db=ALLOWANCE_DB)),
        air=None if air is None else busy_air(air, radio),
        second_antenna_gain_db=None
        if not second_antenna
        else second_antenna_gain_db(
            near, amplitude[:, :-1], generator=batch_generator(seed, 6), diffuse_power=scattered
        ),
        headings=(),
        rice_k_db=rice_k_db(bundle_power, diffuse_power=scattered),
        rms_delay_spread_s=rms_delay_spread_s(rows.length_m, power, diffuse=diffuse),
        rms_delay_spread_20db_s=rms_delay_spread_s(
            rows.length_m, np.where(power >= power.max(initial=0.0) * from_db(-ECHO_FLOOR_DB), power, 0.0)
        ),
        paths=rows,
        path_power_dbm=to_db(power) + sent,
        path_phase_rad=np.angle(amplitude[:, -1]),
        incidence_cos=cosine,
        diffuse=diffuse,
        diffuse_power_dbm=to_db(scattering) + sent,
    )


def sent_dbm(transmitter: Transmitter, receiver: Receiver) -> float:
    """Power sent, less what is lost between radios and antennas and in what houses the receiver."""
    housing = 0.0 if receiver.inside is None else housing_loss_db(receiver.inside)
    return transmitter.power_dbm - transmitter.feed_loss_db - receiver.feed_loss_db - housing


def holding_shares(arriving_w: FloatArray, *, radio: Radio, air: AirAt | None, hand_db: float, seed: int) -> FloatArray:
    """Share of moments at which power (S, F) at S spots on F channels is ``hand_db`` over what is needed, (S, F)."""
    if air is None:
        return (arriving_w >= radio.needed_w(np.zeros(1), hand_db=hand_db)).astype(np.float64)
    return air.holding(arriving_w, radio, hand_db=hand_db, seed=seed)


def chance_of_holding(arriving_w: FloatArray, *, radio: Radio, air: AirAt | None, seed: int) -> float:
    """The chance of VERDICT_DEFINITION from power at S spots on F channels (S, F): each packet meets its own moment."""
    one = holding_shares(arriving_w, radio=radio, air=air, hand_db=ALLOWANCE_DB, seed=seed).mean(axis=1)
    return float(np.mean(1.0 - (1.0 - one) ** packets_in_time(radio)))


def packets_in_time(radio: Radio) -> int:
    """Packets that may bring an update before its lack is seen; where their rate is not told, its copies."""
    return max(1, radio.repeats or 1, int((radio.packets_s or 0.0) * FREEZE_S))


def bundles(paths: PathSet, wavelength: float) -> IntArray:
    """Number of the bundle each of P paths, strongest first, belongs to: paths that no small shift tells apart.

    A wave that grazes an edge and the wave diffracted there arrive together and cancel or add for good; their
    fields are added before powers are. A path over an edge joins the strongest path before it that is less than
    half a wavelength longer or shorter and whose direction turns its phase by less than 1 rad within a wavelength.
    """
    bent = np.zeros(paths.count, dtype=bool)
    bent[paths.path_of_interaction[(paths.kind == DIFFRACTION) | (paths.kind == LOBE)]] = True
    bundle = np.arange(paths.count)
    turn = 1.0 / (2 * np.pi)
    for p in range(1, paths.count):
        alike = np.abs(paths.length_m[:p] - paths.length_m[p]) < 0.5 * wavelength
        alike &= np.linalg.norm(paths.arrival[:p] - paths.arrival[p], axis=1) < turn
        alike &= np.linalg.norm(paths.departure[:p] - paths.departure[p], axis=1) < turn
        if not bent[p]:
            alike &= bent[:p]
        if alike.any():
            bundle[p] = bundle[np.argmax(alike)]
    return bundle.astype(np.int32)


def chance_text(chance: float) -> str:
    """A chance of holding, never rounded up.

    >>> chance_text(0.9899)
    '98 %'
    """
    if chance >= 0.999:
        return "≥ 99.9 %"
    if chance >= 0.99:
        return f"{np.floor(1000 * chance) / 10:.1f} %"
    return f"{np.floor(100 * chance):.0f} %" if chance >= 0.01 else "< 1 %"


def missing_share(power: FloatArray, found_by: IntArray) -> float:
    """Estimated share of the power in paths that no ray found, from P paths of powers (P,): ΣP₁ / ΣP.

    ΣP₁ is the power of the paths whose sequence exactly one ray met (``found_by`` 1; 0 stands for paths that owe
    nothing to chance). A path that λ rays meet on the average is missed with the chance e^−λ and met once with λe^−λ:
    the two agree where λ is near 1, which is where paths begin to be missed. Paths that hardly any ray meets are
    underestimated.

    Valid for: many independent rays, power spread over many paths. 0 without a path: nothing found says nothing.

    Source: Good, Biometrika 40 (1953) 237, with powers in place of counts (from memory).
    """
    total = power.sum()
    return float(power[found_by == 1].sum() / total) if total > 0 else 0.0


def rice_k_db(path_power: FloatArray, *, diffuse_power: float = 0.0) -> float | None:
    """Rice factor matched by moments to paths (P,) of random phase; None where fewer than two waves arrive.

    The power of paths with random phases has variance (ΣP)² − ΣP²; a Rice law has mean² · (1 − (K/(1 + K))²); so
    K/(1 + K) = √ΣP² / ΣP. What is scattered is very many weak paths: it adds to ΣP and nothing to ΣP².

    Source: moment method of Greenstein, Michelson & Erceg, IEEE Comm. Letters 3 (1999) 175 (from memory).
    """
    total = path_power.sum() + diffuse_power
    if np.count_nonzero(path_power) + (diffuse_power > 0.0) < 2 or total == 0:
        return None
    ratio = np.sqrt((path_power**2).sum()) / total
    return float(to_db(ratio / (1.0 - ratio))) if ratio < 1.0 else None


def rms_delay_spread_s(length_m: FloatArray, power: FloatArray, *, diffuse: Diffuse = NO_DIFFUSE) -> float:
    """Square root of the second central moment of delay, weighted by power (P,); 0 where nothing arrives.

    Each rough surface counts with its power, its mean delay and the spread about it.

    Source: Rappaport, Wireless Communications, 2nd ed., Eqs. 5.35–5.37 (from memory).
    """
    weight = np.concatenate([power, diffuse.power])
    total = weight.sum()
    if total == 0:
        return 0.0
    delay = np.concatenate([length_m, diffuse.length_m]) / SPEED_OF_LIGHT_M_S
    mean = (weight * delay).sum() / total
    within = (diffuse.power * diffuse.length_variance_m2).sum() / SPEED_OF_LIGHT_M_S**2
    return float(np.sqrt(((weight * (delay - mean) ** 2).sum() + within) / total))


def links_as_json(setting: Setting, links: tuple[Link, ...]) -> list[dict[str, Any]]:
    """Links as plain data; the form other programs rely on. Numbers unrounded, non-finite ones None."""
    return [_link_as_json(setting, link) for link in links]


def finite(value: float | None) -> float | None:
    """A float that JSON can carry: None for NaN and infinities."""
    return None if value is None or not np.isfinite(value) else float(value)


def _link_as_json(setting: Setting, link: Link) -> dict[str, Any]:
    data: dict[str, Any] = {
        "transmitter": link.transmitter,
        "receiver": link.receiver,
        "arrangement": "base",
        "centre_hz": link.centre_hz,
        "mean_power_dbm": finite(link.mean_power_dbm),
        "centre_power_dbm": finite(link.centre_power_dbm),
        "channels_hz": link.channels_hz.tolist(),
        "channel_power_dbm": [finite(p) for p in link.channel_power_dbm],
        "sensitivity_dbm": link.sensitivity_dbm,
        "margin_db": finite(link.margin_db),
        "fade_margin_db": finite(link.fade_margin_db),
        "chance_of_holding": link.chance,
        "verdict": link.verdict,
        "air": link.air_words,
        "busy_margin_db": finite(link.busy_margin_db),
        "channel_needed_dbm": None if link.air is None else link.air.needed_dbm.tolist(),
        "completeness": link.completeness,
        "rice_k_db": finite(link.rice_k_db),
    }
    if link.rice_k_db is None:
        data["rice_k_reason"] = "fewer than two paths" if link.paths.count < 2 else "one path carries all the power"
    data |= {
        "rms_delay_spread_ns": 1e9 * link.rms_delay_spread_s,
        "rms_delay_spread_20db_ns": 1e9 * link.rms_delay_spread_20db_s,
        "coherence_bandwidth_hz": finite(link.coherence_bandwidth_hz),
        "diffuse": [
            {"surface": name, "power_dbm": finite(power)}
            for name, power in zip(link.diffuse.surfaces, link.diffuse_power_dbm, strict=True)
        ],
        "paths": [_path_as_json(setting, link, p) for p in range(link.paths.count)],
    }
    return data


def _path_as_json(setting: Setting, link: Link, p: int) -> dict[str, Any]:
    paths = link.paths
    interactions = []
    for row in range(paths.start[p], paths.start[p + 1]):
        interactions.append(
            {
                "kind": KIND_NAMES[int(paths.kind[row])],
                "surface": setting.scene.objects[paths.part[row]],
                "facet": int(paths.facet[row]),
                "point_m": setting.scene.to_world(paths.point_m[row]).tolist(),
                **({"edge": int(paths.edge[row])} if paths.kind[row] == DIFFRACTION else {}),
                "incidence_deg": float(np.degrees(np.arccos(min(1.0, link.incidence_cos[row])))),
            }
        )
    return {
        "interactions": interactions,
        "length_m": float(paths.length_m[p]),
        "delay_ns": float(1e9 * paths.length_m[p] / SPEED_OF_LIGHT_M_S),
        "power_dbm": finite(link.path_power_dbm[p]),
        "phase_deg": float(np.degrees(link.path_phase_rad[p])),
        "departure": _angles(paths.departure[p]),
        "arrival": _angles(paths.arrival[p]),
    }


def _angles(direction: FloatArray) -> dict[str, float]:
    azimuth, elevation = azimuth_elevation(direction)
    return {"azimuth_deg": float(np.degrees(azimuth)), "elevation_deg": float(np.degrees(elevation))}
