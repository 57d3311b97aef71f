"""What a plan was understood to be, before anything is traced.

Is the venue the size of a venue, what is every surface taken for, does every radio stand
where a radio can, and which numbers are used beyond what their source vouches for.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np

from rf3d.errors import Finding
from rf3d.plan import Plan
from rf3d.plan_surfaces import assign_surfaces, listed, match_surfaces
from rf3d.radio.antennas import Antenna, peak_gain_dbi
from rf3d.radio.figures import agreement, band_agreement, figures, largest_dimension_m, polarisation_text, size_basis
from rf3d.radio.radios import Receiver, Transmitter
from rf3d.radio.rules import DECIDES, broken_rule, known_rules
from rf3d.units import FloatArray, wavelength_m
from rf3d.venue.facets import find_facets
from rf3d.venue.scene import Scene
from rf3d.venue.surfaces import Surface, enclosing_solids

SMALLEST_VENUE_M, LARGEST_VENUE_M = 2.0, 1000.0
"""Outside these the unit of the mesh is probably wrong; common practice, no source."""
ZONE_SLACK_M = 0.5
"""How far a zone or a hang may reach out of the venue without a word."""
SAFETY_PURPOSES = re.compile(r"pyro|flame(?!nc)|motion|winch(?!ester)|lift|hoist|emergency|exit")
"""How words of purposes begin that lighting control must not serve: ANSI E1.11 says so of the wired data itself.

Flamenco and Winchester are none.
"""
_WORDS = re.compile(r"[^\W\d_]+")
_CAPITAL = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")


@dataclass(frozen=True, eq=False)
class Check:
    """What was understood of a plan.

    Attributes
    ----------
    surfaces : tuple of Surface
        Of the assigned parts of the scene, in part order.
    unassigned : list of str
        Parts without a radio material.
    facet_count : int
    link_count : int
        Pairs of transmitter and receiver that share a radio.
    findings : tuple of Finding
    """

    plan: Plan
    scene: Scene
    surfaces: tuple[Surface, ...]
    unassigned: list[str]
    facet_count: int
    link_count: int
    findings: tuple[Finding, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain data for the JSON file."""
        scene = self.scene
        return {
            "scene_digest": scene.digest,
            "size_m": scene.size_m.tolist(),
            "triangles": len(scene.triangles),
            "dropped_triangles": scene.dropped_triangles,
            "facets": self.facet_count,
            "links": self.link_count,
            "surfaces": [
                {
                    "object": surface.object,
                    "mesh_material": surface.mesh_material,
                    "material": surface.material.name,
                    "thickness_m": thickness_m(surface),
                    "half_space": surface.half_space,
                    "body": surface.body,
                    "decision": surface.decision,
                    "basis": surface.material.basis,
                    "source": surface.material.source,
                    "made_of": surface.material.build_up,
                }
                for surface in self.surfaces
            ],
            "unassigned": self.unassigned,
            "antennas": [_antenna_json(antenna, self.plan) for antenna in used_antennas(self.plan)],
        }


def lowest_hz(plan: Plan, antenna: Antenna) -> float:
    """Lowest channel that any radio uses an antenna at, where an estimate of its size is largest."""
    return min(place.radio.first_channel_hz for place in _all_radios(plan) if place.antenna.name == antenna.name)


def _antenna_json(antenna: Antenna, plan: Plan) -> dict[str, Any]:
    sheet = figures(antenna)
    return {
        "name": antenna.name,
        "pattern": antenna.pattern if antenna.sampled is None else antenna.sampled.source,
        "basis": antenna.pattern if antenna.sampled is None else antenna.sampled.form,
        "gain_dbi": sheet.gain_dbi,
        "peak_deg": list(sheet.peak_deg),
        "beamwidth_deg": list(sheet.beamwidth_deg),
        "efficiency": sheet.efficiency,
        "polarisation": polarisation_text(antenna),
        "size_m": largest_dimension_m(antenna, lowest_hz(plan, antenna)),
        "size_basis": size_basis(antenna),
    }


def thickness_m(surface: Surface) -> float | None:
    """Thickness of a sheet, its own or its material's; None where the geometry gives it or nothing comes back."""
    if surface.half_space or surface.body == "solid":
        return None
    return surface.thickness_m if surface.thickness_m is not None else surface.material.thickness_m


def check_plan(plan: Plan, scene: Scene) -> Check:
    """Everything a plan says that can be judged without tracing.

    Raises
    ------
    InputError
        As of `assign_surfaces`.
    """
    surfaces, unassigned = assign_surfaces(plan, scene)
    links = [(t, r) for t in plan.transmitters for r in plan.receivers if t.radio.name == r.radio.name]
    return Check(
        plan=plan,
        scene=scene,
        surfaces=surfaces,
        unassigned=unassigned,
        facet_count=find_facets(scene).count,
        link_count=len(links),
        findings=(
            *_size(scene),
            *_unassigned(plan, unassigned),
            *_idle_rows(plan, scene),
            *plan_findings(plan, scene, surfaces),
        ),
    )


def plan_findings(plan: Plan, scene: Scene, surfaces: tuple[Surface, ...]) -> list[Finding]:
    """What is worth knowing about radios, antennas, places and materials whatever is computed from them.

    Parameters
    ----------
    surfaces : tuple of Surface
        Of all parts of the scene, or of those that have a material.
    """
    return [
        *_purposes(plan),
        *_places(plan, scene, surfaces),
        *_zones(plan, scene),
        *_hangs(plan, scene),
        *_antennas(plan),
        *_ranges(plan, surfaces),
        *_below_noise(plan),
        *rule_findings(plan),
        *_unlinked(plan),
        *_near(plan),
    ]


def used_antennas(plan: Plan) -> list[Antenna]:
    """Antennas of the plan's radios, each once, in the order they come up."""
    return list({place.antenna.name: place.antenna for place in _all_radios(plan)}.values())


def _all_radios(plan: Plan) -> list[Transmitter | Receiver]:
    return [*plan.transmitters, *plan.receivers]


def _size(scene: Scene) -> list[Finding]:
    largest = float(scene.size_m.max())
    if SMALLEST_VENUE_M <= largest <= LARGEST_VENUE_M:
        return []
    limit = SMALLEST_VENUE_M if largest < SMALLEST_VENUE_M else LARGEST_VENUE_M
    message = (
        f"the venue is {largest:.3g} m at its longest: probably the wrong unit; "
        "set units in [venue], or export a GLB again at its true size"
    )
    return [Finding("venue-size", "caution", "[venue]", message, largest, limit, "m")]


def _unassigned(plan: Plan, unassigned: list[str]) -> list[Finding]:
    if not unassigned:
        return []
    message = (
        f"no radio material on {listed(unassigned)}: links and volumes cannot be computed; "
        f"add [[surface]] rows to {plan.path.name}"
    )
    return [Finding("surface-unassigned", "fail", "[[surface]]", message, float(len(unassigned)), 0.0)]


def _idle_rows(plan: Plan, scene: Scene) -> list[Finding]:
    used = set(match_surfaces(plan, scene))
    findings = []
    for index, row in enumerate(plan.surfaces):
        if index not in used:
            what = " of ".join(f'"{name}"' for name in (row.mesh_material, row.object) if name)
            message = f"{what} matches nothing in the mesh that an earlier row has not taken: correct or delete the row"
            findings.append(Finding("surface-row-idle", "caution", f"[[surface]] {index + 1}", message))
    return findings


def _purposes(plan: Plan) -> list[Finding]:
    message = (
        'the purpose is "{}": radio control of lighting carries no safety function; '
        "use a system made and approved for it"
    )
    return [
        Finding("safety-purpose", "fail", name, message.format(purpose))
        for name, purpose in ((name, role.purpose) for name, role in plan.roles.items())
        if purpose is not None and any(SAFETY_PURPOSES.match(word) for word in _words(purpose))
    ]


def _words(text: str) -> list[str]:
    """The words of a text in small letters, also those run together: exit_light2 and exitLight are exit, light."""
    return [word.lower() for word in _WORDS.findall(_CAPITAL.sub(" ", text))]


def _places(plan: Plan, scene: Scene, surfaces: tuple[Surface, ...]) -> list[Finding]:
    radios = _all_radios(plan)
    positions = scene.to_local(np.array([radio.position_m for radio in radios]))
    low, high = scene.bounds_m
    beyond = np.maximum(np.maximum(low - positions, positions - high), 0.0).max(axis=1)
    findings = []
    for radio, distance, solid in zip(radios, beyond, _solids(scene, positions, surfaces), strict=True):
        if distance > 0:
            message = f"stands {distance:.3g} m outside the box round the venue: check position_m and the units"
            findings.append(
                Finding("radio-outside", "caution", radio.name, message, float(distance), 0.0, "m", _spot(radio))
            )
        elif solid is not None:
            message = (
                f'stands inside the solid "{solid}": links and volumes refuse that; move it into the air, or '
                'make that surface body = "sheet" if it is hollow'
            )
            findings.append(Finding("radio-in-solid", "fail", radio.name, message, None, None, "", _spot(radio)))
    return findings


def _spot(radio: Transmitter | Receiver) -> tuple[float, float, float]:
    x, y, z = radio.position_m.tolist()
    return x, y, z


def _zones(plan: Plan, scene: Scene) -> list[Finding]:
    """Zones that reach out of the box round the venue, where no volume is traced."""
    low, high = scene.to_world(scene.bounds_m)
    findings = []
    for zone in plan.zones:
        beyond = float(np.maximum(low - zone.low_m, zone.high_m - high).max())
        if beyond > ZONE_SLACK_M:
            message = f"reaches {beyond:.3g} m out of the box round the venue: check its corners and the units"
            findings.append(Finding("zone-outside", "caution", zone.name, message, beyond, 0.0, "m"))
    return findings


def _hangs(plan: Plan, scene: Scene) -> list[Finding]:
    """Hangs that end outside the box round the venue."""
    low, high = scene.to_world(scene.bounds_m)
    findings = []
    for hang in plan.hangs:
        ends = np.stack([hang.from_m, hang.to_m])
        beyond = float(np.maximum(low - ends, ends - high).max())
        if beyond > ZONE_SLACK_M:
            message = f"ends {beyond:.3g} m out of the box round the venue: check its ends and the units"
            findings.append(Finding("hang-outside", "caution", hang.name, message, beyond, 0.0, "m"))
    return findings


def _solids(scene: Scene, positions: FloatArray, surfaces: tuple[Surface, ...]) -> list[str | None]:
    """Solid round each position; None as long as a part of the scene has no material."""
    if len(surfaces) == len(scene.parts):
        return enclosing_solids(scene, positions, surfaces)
    return [None] * len(positions)


def _antennas(plan: Plan) -> list[Finding]:
    findings = [finding for antenna in used_antennas(plan) for finding in agreement(antenna)]
    pairs = {(place.antenna.name, place.radio.name): place for place in _all_radios(plan)}
    for place in pairs.values():
        findings += band_agreement(place.antenna, place.radio.first_channel_hz, place.radio.last_channel_hz)
    return findings


def _ranges(plan: Plan, surfaces: tuple[Surface, ...]) -> list[Finding]:
    """Materials used outside the range their source states, one finding for each limit overstepped."""
    radios = {place.radio.name: place.radio for place in _all_radios(plan)}.values()
    lowest = min(radio.first_channel_hz for radio in radios)
    highest = max(radio.last_channel_hz for radio in radios)
    beyond: dict[tuple[float, float], list[str]] = {}
    for material in {surface.material.name: surface.material for surface in surfaces}.values():
        low, high = material.valid_hz
        if lowest < low:
            beyond.setdefault((lowest, low), []).append(material.name)
        elif highest > high:
            beyond.setdefault((highest, high), []).append(material.name)
    return [
        Finding(
            "material-range", "caution", ", ".join(names),
            f"used at {value / 1e9:.4g} GHz, where the source states values {'from' if value < limit else 'up to'} "
            f"{limit / 1e9:g} GHz: extrapolated; a measured value would be better",
            value, limit, "Hz",
        )
        for (value, limit), names in beyond.items()
    ]  # fmt: skip


def _below_noise(plan: Plan) -> list[Finding]:
    """Radios said to hear less than the noise of their own channel: a slip, or coding that the number holds already."""
    found = []
    for radio in sorted({place.radio for place in _all_radios(plan)}, key=lambda radio: radio.name):
        noise = radio.noise_dbm
        if noise is not None and radio.sensitivity_dbm < noise:
            message = (
                f"sensitivity_dbm is {radio.sensitivity_dbm:g}, below the {noise:.0f} dBm of noise in its channel: "
                "check it, the noise figure and the bandwidth; only coding hears below noise"
            )
            found.append(Finding("below-noise", "caution", radio.name, message, radio.sensitivity_dbm, noise, "dBm"))
    return found


def rule_findings(plan: Plan) -> list[Finding]:
    """Senders of the plan that do what the rules held of its region do not let them do; or that none are held."""
    rules = known_rules().get(plan.region or "")
    if rules is None:
        which = "[venue] names no region" if plan.region is None else f'none are held here of "{plan.region}"'
        held = ", ".join(sorted({name.title for name in known_rules().values()}))
        message = f"radio rules are not looked at: {which} (there are {held}); {DECIDES}"
        return [Finding("rules-not-held", "info", "[venue]", message)]
    senders: list[tuple[Transmitter | Receiver, float]] = [(t, t.power_dbm) for t in plan.transmitters]
    senders += [(r, r.answer_power_dbm) for r in plan.receivers if r.answer_power_dbm is not None]
    found = []
    for sender, power_dbm in senders:
        gain_dbi = peak_gain_dbi(sender.antenna) - sender.feed_loss_db
        broken = broken_rule(plan.region, sender.radio, power_dbm=power_dbm, gain_dbi=gain_dbi)
        if broken is None:
            continue
        words, given, most = broken
        cure = f"lower its power to {most:.1f} dBm or its antenna's gain" if np.isfinite(most) else "use another band"
        message = f"{words}, by the rules held here of {rules.title} ({rules.dated}): {cure}; {DECIDES}"
        x, y, z = sender.position_m.tolist()
        limit = most if np.isfinite(most) else None
        found.append(Finding("outside-rules", "caution", sender.name, message, given, limit, "dBm", (x, y, z)))
    return found


def _unlinked(plan: Plan) -> list[Finding]:
    sending = {t.radio.name for t in plan.transmitters}
    listening = {r.radio.name for r in plan.receivers}
    findings = [
        Finding("no-transmitter", "caution", r.name, f'no transmitter uses its radio "{r.radio.name}": it has no link')
        for r in plan.receivers
        if r.radio.name not in sending
    ]
    return findings + [
        Finding("no-receiver", "info", t.name, f'no receiver uses its radio "{t.radio.name}": it has no link')
        for t in plan.transmitters
        if t.radio.name not in listening
    ]


def _near(plan: Plan) -> list[Finding]:
    """Links shorter than max(λ, 2D²/λ), where the gain of an antenna is not yet what it is far away.

    Source: IEEE Std 145-2013, far-field region, 2D²/λ.
    """
    findings = []
    for t in plan.transmitters:
        for r in plan.receivers:
            if t.radio.name != r.radio.name:
                continue
            # The estimated size is a number of wavelengths, so the lowest channel needs the most room.
            lowest = t.radio.first_channel_hz
            size = max(largest_dimension_m(t.antenna, lowest), largest_dimension_m(r.antenna, lowest))
            limit = max(wavelength_m(lowest), 2.0 * size**2 / wavelength_m(lowest))
            distance = float(np.linalg.norm(t.position_m - r.position_m))
            if distance < limit:
                message = (
                    f"{distance:.2g} m apart, nearer than the {limit:.2g} m from which the antennas' gain holds: "
                    "the computed power is a rough guide"
                )
                where = f"{t.name} to {r.name}"
                findings.append(Finding("near-antenna", "caution", where, message, distance, limit, "m"))
    return findings
