"""What the commands print and write of their answers: tables for a person, plain data for a program."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from rf3d.terminal import Run

if TYPE_CHECKING:
    from rf3d.assessment.links import Link
    from rf3d.assessment.run import Solution

PREDICTION = "A prediction is not a measurement: verify by survey in the show's state."
WORTH_TELLING = 0.03
"""Share of a link's power below which what rough surfaces scatter is not mentioned."""
MOST_EXPLAINED = 12
"""Paths of one link that are told as stories; the rest are summed up."""
MOST_ROUGH = 3
"""Rough surfaces of one link that are named."""


def print_check(run: Run, report: Any) -> None:
    """Print a Check: the venue, its surfaces, the materials, the radios."""
    from rf3d.assessment.check import lowest_hz, thickness_m, used_antennas
    from rf3d.plan_surfaces import part_label
    from rf3d.units import azimuth_elevation
    from rf3d.venue.materials import BASES

    plan, scene = report.plan, report.scene
    x, y, z = scene.size_m
    dropped = f" ({scene.dropped_triangles} without area left out)" if scene.dropped_triangles else ""
    run.text(plan.title)
    run.text(f"venue: {x:.2f} x {y:.2f} x {z:.2f} m, {plan.mesh_path.name}")
    run.text(
        f"{counted(len(scene.triangles), 'triangle')}{dropped}, {counted(report.facet_count, 'facet')}, "
        f"{counted(len(scene.parts), 'surface')}, {counted(report.link_count, 'link')}"
    )
    run.text(f"surfaces are taken to stand within {100 * plan.position_tolerance_m:g} cm of where they are drawn")
    run.text(f"links leave out paths whose walls take more than {plan.study.most_wall_loss_db:g} dB altogether")

    def thickness(surface: Any) -> str:
        if surface.half_space:
            return "half-space"
        if surface.material.thin:
            return "thin"
        value = thickness_m(surface)
        return "thickness from the mesh" if value is None else f"{1e3 * value:.4g} mm"

    run.table(
        "Surfaces",
        ("object", "radio material", "taken as"),
        [
            (
                part_label(scene, s.object, s.mesh_material),
                f"{s.material.name}, {thickness(s)}",
                f"{s.body}: {s.decision}",
            )
            for s in report.surfaces
        ],
    )
    known = {(s.object, s.mesh_material) for s in report.surfaces}
    run.table("Without a radio material", ("object", "mesh material"), [p for p in scene.parts if p not in known])
    materials = {s.material.name: s.material for s in report.surfaces}
    run.table(
        "Materials",
        ("material", "basis", "source", "stated for"),
        [(m.name, BASES[m.basis], m.source, _range(*m.valid_hz)) for _, m in sorted(materials.items())],
    )

    run.table(
        "Walls of layers, front to back, and walls with openings",
        ("material", "made of"),
        [(m.name, m.build_up) for _, m in sorted(materials.items()) if m.build_up],
    )
    run.table(
        "Antennas",
        ("name", "gain, half-power widths", "polarisation", "basis"),
        [_antenna_row(antenna, lowest_hz(plan, antenna)) for antenna in used_antennas(plan)],
    )

    def radio(radio: Any, extra: str) -> tuple[str, ...]:
        azimuth, elevation = azimuth_elevation(radio.axes[0])
        aim = f"azimuth {math.degrees(azimuth):.0f}°, elevation {math.degrees(elevation):.0f}°"
        place = ", ".join(f"{value:.2f}" for value in radio.position_m)
        return radio.name, place, f"{radio.antenna.name}, {aim}", f"{radio.radio.name}, {_band(radio.radio)}", extra

    run.table(
        "Transmitters",
        ("name", "position, m", "antenna", "radio", "power, cable"),
        [radio(t, f"{t.power_dbm:g} dBm, {t.cable_loss_db:g} dB") for t in plan.transmitters],
    )
    run.table(
        "Receivers",
        ("name", "position, m", "antenna", "radio", "hears, cable"),
        [radio(r, f"{r.radio.sensitivity_dbm:g} dBm, {r.cable_loss_db:g} dB") for r in plan.receivers],
    )


def _antenna_row(antenna: Any, frequency_hz: float) -> tuple[str, ...]:
    from rf3d.radio.figures import figures, largest_dimension_m, polarisation_text, size_basis

    sheet = figures(antenna)
    level, upright = ("all round" if width is None else f"{width:.0f}°" for width in sheet.beamwidth_deg)
    basis = antenna.pattern
    if antenna.sampled is not None:
        basis = f"{antenna.sampled.source}, {antenna.sampled.form}, at {antenna.sampled.frequency_hz / 1e6:.6g} MHz"
    size = f"{largest_dimension_m(antenna, frequency_hz):.2g} m across ({size_basis(antenna)})"
    return (
        antenna.name,
        f"{sheet.gain_dbi:.1f} dBi, {level} × {upright}",
        polarisation_text(antenna),
        f"{basis}; efficiency {sheet.efficiency:.2f}; {size}",
    )


def _band(radio: Any) -> str:
    low, high = radio.first_channel_hz / 1e6, radio.last_channel_hz / 1e6
    return f"{low:.10g} MHz" if low == high else f"{low:.10g} to {high:.10g} MHz"


def _range(low_hz: float, high_hz: float) -> str:
    return "any frequency" if math.isinf(high_hz) else f"{low_hz / 1e9:g} to {high_hz / 1e9:g} GHz"


def print_links(run: Run, solution: Solution) -> None:
    """Print every link, and what the words mean."""
    from rf3d.assessment.links import VERDICT_DEFINITION, chance_text, over_which_airs

    rows = []
    for number, link in enumerate(solution.links):
        first = number == 0 or solution.links[number - 1].receiver != link.receiver
        best = "*" if link is solution.best_link(link.receiver) else ""
        if link.paths.count or link.diffuse.surfaces:
            numbers = (whole(link.mean_power_dbm), whole(link.margin_db), whole(link.fade_margin_db))
        else:
            numbers = ("no path", "", "")
        if first:
            rows.append((link.receiver, "", "", "", "", ""))
        rows.append((f"  from {link.transmitter} {best}", *numbers, link.verdict, chance_text(link.chance)))
    run.table(solution.plan.title, ("receiver", "dBm", "over", "1 %", "verdict", "holds"), rows)
    run.text("dBm: mean power; over: dB over the threshold; 1 %: the same on the worst 1 in 100 spots and channels;")
    run.text("* serves this receiver best.")
    run.paragraph(VERDICT_DEFINITION)
    air = over_which_airs(solution.links).removeprefix("on ")
    run.paragraph(f"{air[0].upper()}{air[1:]}. Bodies and moving scenery only as far as the mesh and `worn` hold them.")
    share, most = max(((link.diffuse_share, link) for link in solution.links), key=lambda p: p[0], default=(0.0, None))
    if most is not None and share > WORTH_TELLING:
        run.paragraph(
            f"Rough surfaces scatter up to {100 * share:.0f} % of the mean power ({most.transmitter} to "
            f"{most.receiver}); it is in these numbers."
        )
    order, asked = solution.exhaustive_order, solution.plan.study.max_reflections
    if order < asked:
        said = (
            f"Every path up to {order} reflection{'' if order == 1 else 's'} is there; of those with up to {asked}, "
            f"what {solution.plan.study.rays:,} rays per transmitter found"
        )
        if solution.links:
            least = min(solution.links, key=lambda link: link.completeness)
            said += (
                f": by estimate {share_text(least.completeness)} of the power of every link, the least from "
                f"{least.transmitter} to {least.receiver}"
            )
        run.paragraph(f"{said}.")


def share_text(share: float) -> str:
    """A share in per cent, never rounded up.

    >>> share_text(0.99996)
    'at least 99.9 %'
    """
    return f"at least {math.floor(1000 * share) / 10:g} %"


def explain_link(run: Run, solution: Solution, link: Link) -> None:
    """Tell each path of a link as a short story: where it leaves, what it meets and at what loss, its share."""
    from rf3d.assessment.explain import path_story
    from rf3d.assessment.places import spoken
    from rf3d.units import from_db

    run.text(f"\n{link.transmitter} to {link.receiver}: {link.paths.count} paths")
    total = float(from_db(link.path_power_dbm).sum() + from_db(link.diffuse_power_dbm).sum())
    for p in range(min(link.paths.count, MOST_EXPLAINED)):
        share = float(from_db(link.path_power_dbm[p])) / total
        run.text(f"\n{p + 1}. {100 * share:.1f} % of the power, {link.path_power_dbm[p]:.0f} dBm")
        for line in path_story(solution, link, p):
            run.text(f"   {line}")
    if link.paths.count > MOST_EXPLAINED:
        rest = float(from_db(link.path_power_dbm[MOST_EXPLAINED:]).sum()) / total
        run.text(f"\nand {link.paths.count - MOST_EXPLAINED} weaker paths, together {100 * rest:.1f} %")
    shares = from_db(link.diffuse_power_dbm) / total
    if shares.sum() > WORTH_TELLING:
        named = ", ".join(
            f"{spoken(name)} {100 * share:.1f} %"
            for name, share in zip(link.diffuse.surfaces[:MOST_ROUGH], shares, strict=False)
        )
        run.paragraph(f"scattered by rough surfaces: {100 * shares.sum():.1f} % of the power ({named})")


def print_budget(run: Run, solution: Solution, link: Link) -> None:
    """Print a link line by line, from the power sent to the margin left."""
    from rf3d.assessment.pages import budget_of, fading_text

    rows = [
        (line.item, tenths(line.value, signed=line.unit == "dB"), line.unit, line.note)
        for line in budget_of(solution, link)
    ]
    if rows:
        run.table(f"{link.transmitter} to {link.receiver}", ("", "dB", "", ""), rows)
        run.paragraph(f"Fading: {fading_text(link)}")
    else:
        run.text(f"\n{link.transmitter} to {link.receiver}: no path")


def tenths(value: float, *, signed: bool) -> str:
    """A number with one decimal, never "-0.0".

    >>> tenths(-0.04, signed=True), tenths(-0.06, signed=True), tenths(-0.01, signed=False)
    ('+0.0', '-0.1', '0.0')
    """
    rounded = round(value, 1) + 0.0
    return f"{rounded:+.1f}" if signed else f"{rounded:.1f}"


def print_summary(run: Run, solution: Solution) -> None:
    """Print the plan in a few sentences."""
    from rf3d.assessment.pages import summary

    run.text("")
    for line in summary(solution):
        run.paragraph(line)


def solution_as_json(solution: Solution) -> dict[str, Any]:
    """Links of a solved plan in the form that other programs rely on."""
    from rf3d.assessment.links import VERDICT_DEFINITION, links_as_json
    from rf3d.assessment.pages import page, summary

    return {
        "plan": solution.plan.path,
        "plan_digest": solution.plan.digest,
        "scene_digest": solution.setting.scene.digest,
        "seed": solution.seed,
        "verdicts": VERDICT_DEFINITION,
        "summary": summary(solution),
        "links": links_as_json(solution.setting, solution.links),
        "receivers": [page(solution, receiver.name) for receiver in solution.plan.receivers],
    }


def whole(value: float) -> str:
    """A number in whole units, never "-0"."""
    return f"{round(value) + 0}"


def counted(number: int, noun: str) -> str:
    """A number with its noun: "1 link", "3 links"."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def quoted(names: Iterable[str]) -> str:
    """Names in quotation marks, with commas."""
    return ", ".join(f'"{name}"' for name in names)
