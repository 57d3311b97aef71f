"""Multipath warnings: where echoes make a receiver unreliable, which surfaces throw them, and what would help.

A warning is given only where reliability falls; a strong echo that does no harm is said to
do none. Every cure offered has been tried on the traced paths and carries what it gained.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rf3d.assessment.links import ALLOWANCE_DB, Link, chance_text, evaluate
from rf3d.assessment.places import directions, height, seen_from, spoken, towards
from rf3d.errors import Finding, Severity
from rf3d.jobs import Jobs
from rf3d.propagation.cache import PathCache
from rf3d.propagation.diffuse import diffuse_power
from rf3d.propagation.kernels.crossings import DIFFRACTION, REFLECTION
from rf3d.propagation.paths import Candidates, PathSet, Setting, refine
from rf3d.radio.antennas import aim_axes, make_antenna
from rf3d.radio.radios import Receiver, Transmitter
from rf3d.units import FloatArray, from_db, to_db, wavelength_m
from rf3d.venue.surfaces import enclosing_solids

STRONG_ECHO_DB = 6.0
"""An echo within this of the strongest path is strong: it can halve the field."""
WORTH_DB = 3.0
"""A cure that gains less at the 1 % point is not worth a crew's time."""
BLAME_SHARE = 0.05
"""Surfaces with a smaller share of the echo power are not worth naming."""
LEAST_COMPLETENESS = 0.95
"""Links whose paths carry less of the power by estimate get a caution: 5 % are 0.2 dB. The project's own limit."""
MOVES_M = (0.5, 1.0)
TRIAL_SPACING = 2.0
"""Sample points on rough surfaces lie so much farther apart while cures are tried."""


@dataclass(frozen=True)
class Culprit:
    """A surface that throws echoes at one receiver.

    Attributes
    ----------
    surface : str
        Object name.
    echo_share : float
        Share of the power of all paths but the strongest that bounces off it or bends at its edges.
    power_dbm : float
        Power of those paths.
    point_m : (3,) float64
        Local; where the strongest of them bounces or bends.
    direct : bool
        Neither: the straight way itself, weakened by this surface so far that it comes second.
    """

    surface: str
    echo_share: float
    power_dbm: float
    point_m: FloatArray
    direct: bool


@dataclass(frozen=True)
class Cure:
    """A change that was tried: what to do, and by how much the 1 % point rose."""

    action: str
    gain_db: float


@dataclass(frozen=True)
class Trial:
    """What is needed to try a change of one link: its ends, its candidates, and how to evaluate it."""

    setting: Setting
    transmitter: Transmitter
    receiver: Receiver
    candidates: Candidates
    seed: int
    position_tolerance_m: float
    house_azimuth_rad: float | None
    jobs: Jobs
    cache: PathCache | None = None


def culprits(setting: Setting, link: Link) -> list[Culprit]:
    """Surfaces ranked by the power of the echoes that bounce off them or bend at their edges.

    An echo is every path but the strongest. A path that meets several surfaces so counts for each. Where the
    straight way is an echo itself, because walls weaken it, it is listed under the first wall it passes.
    """
    paths = link.paths
    echo_w = from_db(link.path_power_dbm)
    echo_w[:1] = 0.0
    total = echo_w.sum()
    if total == 0:
        return []
    owner = paths.path_of_interaction
    turned = (paths.kind == REFLECTION) | (paths.kind == DIFFRACTION)
    straight = np.bincount(owner[turned], minlength=paths.count) == 0
    first = np.append(True, owner[1:] != owner[:-1]) if len(owner) else np.zeros(0, dtype=bool)
    found: dict[tuple[str, bool], list[int]] = {}
    for row in np.flatnonzero((owner > 0) & (turned | (straight[owner] & first))):
        key = (setting.scene.objects[paths.part[row]], bool(straight[owner[row]]))
        found.setdefault(key, []).append(int(row))
    ranked = []
    for (name, direct), rows in found.items():
        own = np.unique(owner[rows])
        strongest = max(rows, key=lambda row: echo_w[owner[row]])
        power = echo_w[own].sum()
        ranked.append(Culprit(name, float(power / total), float(to_db(power)), paths.point_m[strongest], direct))
    return sorted(ranked, key=lambda c: -c.echo_share)


def cures(trial: Trial, link: Link) -> list[Cure]:
    """Changes that raise the 1 % point by at least 3 dB, best first; each one evaluated on exact paths."""
    setting, tx, rx = trial.setting, trial.transmitter, trial.receiver
    found: list[Cure] = []

    def attempt(action: str, paths: PathSet, transmitter: Transmitter, receiver: Receiver) -> None:
        changed = evaluate(
            setting, paths, transmitter=transmitter, receiver=receiver,
            diffuse=diffuse_power(setting, transmitter, receiver, spacing=TRIAL_SPACING, cache=trial.cache),
            seed=trial.seed, position_tolerance_m=trial.position_tolerance_m,
        )  # fmt: skip
        gain = changed.fade_power_dbm - link.fade_power_dbm
        if not np.isfinite(link.fade_power_dbm):
            gain = changed.fade_margin_db - ALLOWANCE_DB
        if gain >= WORTH_DB:
            found.append(Cure(action, float(gain)))

    span = tx.position_m - rx.position_m
    if link.paths.count:
        if tx.antenna.aimed:
            attempt(
                "aim the transmitter's antenna at it",
                link.paths,
                replace(tx, axes=aim_axes(boresight=-span / np.linalg.norm(span))),
                rx,
            )
        panel = make_antenna(
            "trial panel", pattern="panel", gain_dbi=8.5, beamwidth_deg=(60.0, 60.0), polarisation="vertical",
            xpd_db=20.0, efficiency=0.9,
        )  # fmt: skip
        if not rx.antenna.aimed:
            attempt(
                "give the receiver a small panel (60°) that looks at the transmitter",
                link.paths, tx, replace(rx, antenna=panel, axes=aim_axes(boresight=span / np.linalg.norm(span))),
            )  # fmt: skip
        turned = np.stack([rx.axes[0], rx.axes[2], -rx.axes[1]])
        attempt("turn the receiver's antenna by 90°", link.paths, tx, replace(rx, axes=turned))

    here = setting.scene.to_local(rx.position_m)
    names, spots = [], []
    for name, way in directions(trial.house_azimuth_rad).items():
        for step in MOVES_M:
            if name != "down" and not setting.tracer.blocked(here[None], way[None], np.array([step + 0.05]))[0]:
                words = (
                    f"raise the receiver {step:g} m"
                    if name == "up"
                    else f"move the receiver {step:g} m {towards(name)}"
                )
                names.append(words)
                spots.append(here + step * way)
    free = enclosing_solids(setting.scene, np.array(spots), setting.surfaces) if spots else []
    kept = np.flatnonzero([solid is None for solid in free])
    if len(kept):
        source = setting.scene.to_local(tx.position_m)
        moved = refine(
            setting, source, np.array(spots)[kept], candidates=trial.candidates, jobs=trial.jobs, labels=(0, kept),
            cache=trial.cache,
        )  # fmt: skip
        for i in kept:
            there = moved.take(np.flatnonzero(moved.receiver == i))
            attempt(names[i], there, tx, replace(rx, position_m=setting.scene.to_world(spots[i])))
    return _best_of_each_kind(found)


def _best_of_each_kind(found: list[Cure]) -> list[Cure]:
    """The best move, and every other cure, best first: a crew wants one move, not twelve."""
    moves = [c for c in found if c.action.startswith(("move", "raise"))]
    rest = [c for c in found if not c.action.startswith(("move", "raise"))]
    return sorted(rest + sorted(moves, key=lambda c: -c.gain_db)[:1], key=lambda c: -c.gain_db)


def receiver_finding(trial: Trial, link: Link) -> Finding:
    """What to tell the crew about one receiver, from the link that serves it best."""
    setting, rx = trial.setting, trial.receiver
    if not np.isfinite(link.fade_power_dbm):
        return Finding(
            "no-path", "fail", rx.name,
            f"no path of the studied kinds brings power to it from {link.transmitter}: lost. "
            f"{_advice(cures(trial, link), link)}",
            None, None, "dB", _place(rx),
        )  # fmt: skip
    blame = culprits(setting, link)
    named = blame_text(trial, blame)
    holds = f"{link.verdict}, holds with a chance of {chance_text(link.chance)} on clean air only"
    level = (
        f"{link.margin_db:.0f} dB above its threshold on the average, {link.fade_margin_db:.0f} dB on the worst "
        "1 in 100 spots and channels"
    )

    def finding(code: str, severity: Severity, text: str) -> Finding:
        return Finding(code, severity, rx.name, text, link.fade_margin_db, ALLOWANCE_DB, "dB", _place(rx))

    if link.verdict in ("solid", "workable"):
        if strongest_echo_db(link) >= -STRONG_ECHO_DB:
            text = (
                f"{holds} ({level}). Strong echoes{named}; the {len(link.channels_hz)} channels and the margin "
                "cover them; nothing to do."
            )
            return finding("strong-echo-covered", "info", text)
        return finding("holds", "info", f"{holds} ({level}).")
    weak = link.margin_db < ALLOWANCE_DB
    code = "too-weak" if weak else "multipath-fading"
    why = (
        "too little power arrives" if weak
        else f"echoes cancel the signal in places: the 1 % point is {link.fade_depth_db:.0f} dB below the mean"
    )  # fmt: skip
    spot_cm = 5 * round(100 * wavelength_m(link.centre_hz) / 5)
    spot = "" if weak else f" Try ±{spot_cm} cm and keep the best."
    advice = _advice(cures(trial, link), link)
    text = f"heard from {link.transmitter}: {holds} ({level}); {why}. Echoes{named}.{spot} {advice}"
    return finding(code, "fail" if link.verdict == "lost" else "caution", text)


def other_link_finding(trial: Trial, link: Link) -> Finding | None:
    """A word about a link that would not hold by itself, at a receiver that another transmitter serves better."""
    if link.verdict in ("solid", "workable"):
        return None
    value: float | None
    if np.isfinite(link.fade_power_dbm):
        value = link.fade_margin_db
        named = blame_text(trial, culprits(trial.setting, link))
        why = f"({chance_text(link.chance)}; {value:.0f} dB on the worst 1 in 100 spots and channels); echoes{named}"
    else:
        value, why = None, "for want of a path that carries power"
    text = f"{link.transmitter} alone would be {link.verdict} here {why}. Another transmitter serves it."
    return Finding("weaker-link", "info", link.receiver, text, value, ALLOWANCE_DB, "dB", _place(trial.receiver))


def smear_finding(link: Link) -> Finding | None:
    """A caution where echoes are spread so far that they smear one channel."""
    if link.coherence_bandwidth_hz >= link.bandwidth_hz:
        return None
    return Finding(
        "echo-spread", "caution", link.receiver,
        f"echoes from {link.transmitter} are spread over {1e9 * link.rms_delay_spread_s:.0f} ns (rms): the channel is "
        "wider than what fades together, so bits may smear even at good power. Use narrower channels or a directive "
        "antenna.",
        link.coherence_bandwidth_hz / 1e6, link.bandwidth_hz / 1e6, "MHz",
    )  # fmt: skip


def missing_finding(link: Link, rays: int) -> Finding | None:
    """A caution where rays have probably missed paths that matter."""
    if link.completeness >= LEAST_COMPLETENESS:
        return None
    return Finding(
        "paths-missing", "caution", link.receiver,
        f"the paths found from {link.transmitter} carry an estimated {np.floor(100 * link.completeness):.0f} % of the "
        f"power: {rays:,} rays are few for this venue. Raise rays in [study] and look again.",
        100.0 * link.completeness, 100.0 * LEAST_COMPLETENESS, "%",
    )  # fmt: skip


def strongest_echo_db(link: Link) -> float:
    """Strongest echo relative to the strongest path; −inf for a single path."""
    return float(link.path_power_dbm[1] - link.path_power_dbm[0]) if link.paths.count > 1 else -np.inf


def blame_text(trial: Trial, blame: list[Culprit]) -> str:
    if not blame:
        return ": none"
    here = trial.setting.scene.to_local(trial.receiver.position_m)
    said = []
    for culprit in [c for c in blame if c.echo_share >= BLAME_SHARE][:3] or blame[:1]:
        world = trial.setting.scene.to_world(culprit.point_m)
        where = f"{seen_from(culprit.point_m - here, trial.house_azimuth_rad)}, {height(float(world[2]))}"
        kind = "the straight way through " if culprit.direct else ""
        said.append(f"{kind}{spoken(culprit.surface)} ({where}; {100 * culprit.echo_share:.0f} % of the echo power)")
    return ": " + ", ".join(said)


def _advice(found: list[Cure], link: Link) -> str:
    if not found:
        return "Nothing tried here gains 3 dB; consider a second transmitter or a cable."
    first = found[0]
    text = f"Best of what was tried: {first.action} (+{first.gain_db:.0f} dB at the 1 % point)"
    if len(found) > 1:
        text += f"; or {found[1].action} (+{found[1].gain_db:.0f} dB)"
    short = ALLOWANCE_DB - link.fade_margin_db - first.gain_db
    if np.isfinite(short) and short > 0.5:
        text += f". Even so it stays {short:.0f} dB short of the {ALLOWANCE_DB:.0f} dB to keep in hand"
    if any("aim the transmitter" in cure.action for cure in found[:2]):
        text += ". Check what that does to the other receivers"
    return text + "."


def _place(receiver: Receiver) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in receiver.position_m)
    return x, y, z
