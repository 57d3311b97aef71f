"""Changes of a plan that could help one receiver, each as the plan it leads to and in words; none is tried here.

Only what a crew can do: move or turn what is at the receiver, aim or exchange the
transmitter's antenna, use another radio of the plan, line a surface, use a place to hang.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from rf3d.assessment.blame import Culprit
from rf3d.assessment.check import rule_findings
from rf3d.assessment.places import directions, spoken, towards, whereabouts
from rf3d.plan import Plan
from rf3d.plan_tables import SurfaceRow
from rf3d.propagation.paths import Setting
from rf3d.radio.antennas import Antenna, aim_axes, make_antenna
from rf3d.radio.radios import Radio, Receiver, Transmitter
from rf3d.radio.rules import DECIDES, known_rules
from rf3d.units import FloatArray
from rf3d.venue.hangs import Hang
from rf3d.venue.materials import Layer, Material, catalogue
from rf3d.venue.surfaces import Surface, enclosing_solids

Kind = Literal[
    "move receiver", "turn receiver", "panel at receiver", "other radio", "another band", "aim transmitter",
    "panel at transmitter", "move transmitter", "second transmitter", "absorber", "cable",
]  # fmt: skip
MOVES_M = (0.5, 1.0)
ON_HANG_M = 1.0
"""A transmitter no farther from a hang hangs on it."""
HANG_SHARES = (1.0 / 6.0, 1.0 / 2.0, 5.0 / 6.0)
"""Places on a hang that are tried, as shares of its length; the same for every receiver, so they are traced once."""
MOST_HANGS = 3
"""Hangs that are tried for one receiver, the nearest, besides the one its transmitter hangs on."""
LEAST_APART_M = 1.0
"""A second transmitter nearer to one of its radio is none."""
MOST_ABSORBER_M2 = 60.0
"""Nobody lines more than this with absorber; the project's own limit."""
BACKING_M = 1e-3


@dataclass(frozen=True, eq=False)
class Change:
    """A plan changed in one way.

    Attributes
    ----------
    kind : Kind
    action : str
        What to do, after "Best of what was tried:".
    plan : Plan
    transmitter : int or None
        The one that is changed, which other receivers may hear.
    surfaces : tuple of Surface or None
        Of every part of the scene, where they are changed.
    place_m : (3,) float64 or None
        Where something goes, world coordinates.
    note : str
        What goes with it; "" for nothing.
    """

    kind: Kind
    action: str
    plan: Plan
    transmitter: int | None = None
    surfaces: tuple[Surface, ...] | None = None
    place_m: FloatArray | None = None
    note: str = ""


def receiver_moves(plan: Plan, setting: Setting, r: int) -> list[Change]:
    """The receiver half a metre and a metre away in every direction but down, where nothing is in the way.

    None where it is worn: its wearer moves it.
    """
    rx = plan.receivers[r]
    if rx.worn:
        return []
    here = setting.scene.to_local(rx.position_m)
    found = []
    for name, way in directions(plan.house_azimuth_rad).items():
        for step in MOVES_M:
            if name != "down" and not setting.tracer.blocked(here[None], way[None], np.array([step + 0.05]))[0]:
                to = f"raise the receiver {step:g} m" if name == "up" else ""
                action = to or f"move the receiver {step:g} m {towards(name)}"
                spot = setting.scene.to_world(here + step * way)
                found.append(
                    Change("move receiver", action, with_receiver(plan, r, replace(rx, position_m=spot)), place_m=spot)
                )
    return _in_the_air(setting, found)


def receiver_antennas(plan: Plan, r: int, t: int) -> list[Change]:
    """Another antenna at the receiver, or its own turned; towards transmitter t.

    None where it is worn, or inside a housing: its antenna is part of it.
    """
    rx, way = plan.receivers[r], _way(plan.receivers[r], plan.transmitters[t])
    if rx.worn or rx.inside is not None:
        return []
    turned = replace(rx, axes=np.stack([rx.axes[0], rx.axes[2], -rx.axes[1]]))
    found = [Change("turn receiver", "turn the receiver's antenna by 90°", with_receiver(plan, r, turned))]
    if not rx.antenna.aimed:
        panel = replace(rx, antenna=small_panel(), axes=aim_axes(way))
        action = "give the receiver a small panel (60°) that looks at the transmitter"
        found.append(Change("panel at receiver", action, with_receiver(plan, r, panel)))
    return found


def other_radios(plan: Plan, r: int) -> list[Change]:
    """The receiver on another radio of the plan that some transmitter has, or all of its system on one that none has.

    Left out where the region's rules, as far as they are held here, do not let the radio send as it would. An antenna
    of a file holds at its own frequency only.
    """
    rx = plan.receivers[r]
    sent = {t.radio.name: t.radio for t in plan.transmitters if t.radio.name != rx.radio.name}
    idle = {name: radio for name, radio in plan.radios.items() if name not in sent and name != rx.radio.name}
    found = []
    if rx.antenna.sampled is None:
        for radio in sent.values():
            action = f"let it listen to {_band(radio)}"
            found.append(Change("other radio", action, with_receiver(plan, r, replace(rx, radio=radio))))
    everybody: tuple[Transmitter | Receiver, ...] = (*plan.transmitters, *plan.receivers)
    system = [place for place in everybody if place.radio.name == rx.radio.name]
    if all(place.antenna.sampled is None for place in system):
        for radio in idle.values():
            action = f"work {rx.radio.name} and all that listens to it as {_band(radio)}, with antennas as good there"
            found.append(Change("another band", action, _worked_as(plan, rx.radio, radio)))
    return [replace(change, note=_rules_note(plan)) for change in found if not _breaks_rules(change.plan, r)]


def _band(radio: Radio) -> str:
    return f"{radio.name} ({radio.centre_hz / 1e6:.0f} MHz)"


def _worked_as(plan: Plan, old: Radio, new: Radio) -> Plan:
    """A plan whose every sender and listener on one radio is on another."""
    return replace(
        plan,
        transmitters=tuple(replace(t, radio=new) if t.radio.name == old.name else t for t in plan.transmitters),
        receivers=tuple(replace(r, radio=new) if r.radio.name == old.name else r for r in plan.receivers),
    )


def _breaks_rules(plan: Plan, r: int) -> bool:
    """Whether a sender of the radio that receiver r listens to would break a rule that is held here."""
    radio = plan.receivers[r].radio
    everybody: tuple[Transmitter | Receiver, ...] = (*plan.transmitters, *plan.receivers)
    system = {place.name for place in everybody if place.radio.name == radio.name}
    return any(said.code == "outside-rules" and said.where in system for said in rule_findings(plan))


def _rules_note(plan: Plan) -> str:
    rules = known_rules().get(plan.region or "")
    held = "no rules of its region are held here" if rules is None else f"within the rules held here ({rules.dated})"
    return f"{held}; {DECIDES}; check that the equipment can"


def transmitter_antennas(plan: Plan, r: int, t: int) -> list[Change]:
    """The transmitter's antenna aimed at the receiver, or a panel in its place."""
    tx, way = plan.transmitters[t], _way(plan.transmitters[t], plan.receivers[r])
    if tx.antenna.aimed:
        action, changed = f"aim the antenna of {tx.name} at it", replace(tx, axes=aim_axes(way))
        return [Change("aim transmitter", action, with_transmitter(plan, t, changed), t)]
    changed = replace(tx, antenna=small_panel(), axes=aim_axes(way))
    action = f"give {tx.name} a small panel (60°) that looks at it"
    return [Change("panel at transmitter", action, with_transmitter(plan, t, changed), t)]


def hang_places(plan: Plan, setting: Setting, r: int, t: int) -> list[tuple[Hang, FloatArray]]:
    """Places (world) on the hang of transmitter t and on the nearest others, in the air and a metre from any end."""
    rx, tx = plan.receivers[r], plan.transmitters[t]
    own = [hang for hang in plan.hangs if hang.distance_m(tx.position_m) <= ON_HANG_M]
    others = sorted((h for h in plan.hangs if h not in own), key=lambda h: h.distance_m(rx.position_m))[:MOST_HANGS]
    found = [(hang, spot) for hang in (*own, *others) for spot in hang.at(np.array(HANG_SHARES))]
    everybody: tuple[Transmitter | Receiver, ...] = (*plan.transmitters, rx)
    radios = [radio for radio in everybody if radio.radio.name == rx.radio.name]
    found = [
        (hang, spot)
        for hang, spot in found
        if min(np.linalg.norm(spot - radio.position_m) for radio in radios) >= LEAST_APART_M
    ]
    if not found:
        return []
    spots = setting.scene.to_local(np.array([spot for _, spot in found]))
    inside = enclosing_solids(setting.scene, spots, setting.surfaces)
    return [place for place, solid in zip(found, inside, strict=True) if solid is None]


def transmitter_at(plan: Plan, r: int, t: int, place: tuple[Hang, FloatArray]) -> Transmitter:
    """Transmitter t at a place on a hang; an antenna that is aimed looks at the receiver."""
    there = replace(plan.transmitters[t], position_m=place[1])
    return replace(there, axes=aim_axes(_way(there, plan.receivers[r]))) if there.antenna.aimed else there


def hung(plan: Plan, *, r: int, t: int, place: tuple[Hang, FloatArray]) -> list[Change]:
    """Transmitter t moved to a place on a hang, and a second one like it there."""
    (hang, spot), rx, tx = place, plan.receivers[r], plan.transmitters[t]
    there = transmitter_at(plan, r, t, place)
    aimed = ", aimed at it" if tx.antenna.aimed else ""
    where = whereabouts(spot - rx.position_m, float(spot[2]), plan.house_azimuth_rad, of_it=True)
    along = "along" if hang.distance_m(tx.position_m) <= ON_HANG_M else "to"
    second = replace(there, name=_new_name(plan, f"{tx.name}, second"))
    caution = "within its loading and with secondary safety"
    return [
        Change(
            "move transmitter", f"move {tx.name} {along} {hang.name} ({where}){aimed}",
            with_transmitter(plan, t, there), t, place_m=spot, note=caution,
        ),
        Change(
            "second transmitter", f"hang a second transmitter like {tx.name} on {hang.name} ({where}){aimed}",
            replace(plan, transmitters=(*plan.transmitters, second)), place_m=spot,
            note=f"{caution}; whether the system takes several transmitters is in its manual",
        ),
    ]  # fmt: skip


def absorber(plan: Plan, setting: Setting, r: int, culprit: Culprit) -> Change | None:
    """Absorber in front of a surface; None where it cannot be lined: floors, large or slender things, people."""
    parts = [i for i, surface in enumerate(setting.surfaces) if surface.object == culprit.surface]
    area = _lineable_m2(setting, parts, setting.scene.to_local(plan.receivers[r].position_m))
    if area is None or area > MOST_ABSORBER_M2:
        return None
    surfaces, rows = list(setting.surfaces), []
    materials: dict[str, Material] = {}
    for part in parts:
        surface = setting.surfaces[part]
        material = _lined(surface, opaque=bool(setting.opaque[part]))
        if material is None:
            return None
        materials[material.name] = material
        surfaces[part] = replace(surface, material=material, thickness_m=None, half_space=False)
        rows.append(
            SurfaceRow(
                object=surface.object, mesh_material=surface.mesh_material or None, material=material.name,
                body=surface.body,
            )
        )  # fmt: skip
    rows.sort(key=lambda row: row.mesh_material is None)  # the one that matches every part of the object comes last
    changed = replace(plan, surfaces=(*rows, *plan.surfaces), materials={**plan.materials, **materials})
    return Change(
        "absorber", f"line {spoken(culprit.surface)} ({area:.0f} m²) with absorber", changed, surfaces=tuple(surfaces),
        note="flame-retardant, and nothing in the way of the show",
    )  # fmt: skip


def small_panel() -> Antenna:
    """A panel as a crew would put up: 60° both ways."""
    return make_antenna(
        "small panel", pattern="panel", gain_dbi=8.5, beamwidth_deg=(60.0, 60.0), polarisation="vertical", xpd_db=20.0,
        efficiency=0.9,
    )  # fmt: skip


def with_receiver(plan: Plan, r: int, receiver: Receiver) -> Plan:
    """A plan with another receiver in place of number r."""
    return replace(plan, receivers=(*plan.receivers[:r], receiver, *plan.receivers[r + 1 :]))


def with_transmitter(plan: Plan, t: int, transmitter: Transmitter) -> Plan:
    """A plan with another transmitter in place of number t."""
    return replace(plan, transmitters=(*plan.transmitters[:t], transmitter, *plan.transmitters[t + 1 :]))


def _way(here: Transmitter | Receiver, there: Transmitter | Receiver) -> FloatArray:
    span = there.position_m - here.position_m
    return np.asarray(span / np.linalg.norm(span))


def _new_name(plan: Plan, name: str) -> str:
    taken = {t.name for t in plan.transmitters} | {r.name for r in plan.receivers} | {o.name for o in plan.occupied}
    taken |= {zone.name for zone in plan.zones} | {hang.name for hang in plan.hangs}
    while name in taken:
        name += "*"
    return name


def _in_the_air(setting: Setting, moves: list[Change]) -> list[Change]:
    """Moves that end outside solids."""
    spots = [move.place_m for move in moves if move.place_m is not None]
    if not spots:
        return []
    inside = enclosing_solids(setting.scene, setting.scene.to_local(np.array(spots)), setting.surfaces)
    return [move for move, solid in zip(moves, inside, strict=True) if solid is None]


def _lineable_m2(setting: Setting, parts: list[int], receiver_m: FloatArray) -> float | None:
    """Area of some parts, of a solid half of it; None for a floor: level for the most part and below the receiver."""
    facets = setting.facets
    mine = np.flatnonzero(np.isin(facets.part, parts))
    area = facets.area_m2[mine]
    level = np.abs(facets.normal[facets.plane[mine], 2]) > np.sqrt(0.5)
    triangles = np.isin(facets.part[facets.triangle_facet], parts)
    below = setting.scene.corners_m[triangles][:, :, 2].mean() < receiver_m[2]
    solid = all(setting.surfaces[part].body == "solid" for part in parts)
    if below and not solid and area[level].sum() > 0.5 * area.sum():
        return None
    return float(area.sum() * (0.5 if solid else 1.0))


def _lined(surface: Surface, *, opaque: bool) -> Material | None:
    """Absorber and what stands behind it as one material; None where it is no plain wall."""
    own = surface.material
    if own.thin or own.open_fraction > 0.0 or (surface.body == "solid" and not opaque):
        return None
    known = catalogue()
    foam, metal = known["absorber"], known["metal"]
    behind: tuple[Layer, ...]
    if opaque:
        behind = (replace(metal.layers[0], thickness_m=BACKING_M, name="metal"),)
    else:
        behind = tuple(
            replace(layer, thickness_m=surface.thickness_m) if layer.thickness_m is None else layer
            for layer in own.layers
        )
    name = f"absorber on {own.name}" + ("" if opaque else f", {1e3 * sum(x.thickness_m or 0.0 for x in behind):.4g} mm")
    return replace(foam, name=name, title=name, layers=(*foam.layers, *behind))
