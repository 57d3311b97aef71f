"""The commands: what is typed, what is printed, and with which exit code it ends.

Exit codes: 0 done, 4 done with `fail` findings, 2 bad input, 3 a missing optional part, 130 cancelled.
Everything heavy is imported inside a command, so that help comes at once.
"""

from __future__ import annotations

import functools
import math
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from rf3d import __version__
from rf3d.errors import CancelledError, InputError, Rf3dError
from rf3d.terminal import Run, write_whole


def _shared_options(function: Callable[..., Any]) -> Callable[..., Any]:
    file = click.Path(dir_okay=False, path_type=Path)
    options = [
        click.option("--json", "json_path", type=file, metavar="FILE", help="Write the result to FILE as JSON."),
        click.option("--quiet", is_flag=True, help="No log and no progress; the result is printed all the same."),
        click.option(
            "--seed", type=click.IntRange(0, 2**63 - 1), metavar="N", help="Random seed, in place of the plan's own."
        ),
        click.option(
            "--workers",
            type=click.IntRange(0, 1024),
            default=0,
            metavar="N",
            help="Threads to work with; 0 is one a core.",
        ),
        click.option(
            "--events", "events_path", type=file, metavar="FILE", help="Write what happens to FILE, one JSON a line."
        ),
    ]
    for option in reversed(options):
        function = option(function)
    return function


def command(body: Callable[..., None]) -> click.Command:
    """Make a command of a function (run, **arguments): shared options, errors as one line, exit codes.

    Arguments that are paths of files to read are named ``plan`` or ``mesh``.
    """

    @functools.wraps(body)
    def wrapped(**arguments: Any) -> None:
        options = {key: arguments.pop(key) for key in ("json_path", "quiet", "seed", "workers", "events_path")}
        inputs = [path for key in ("plan", "mesh") if isinstance(path := arguments.get(key), Path)]
        run: Run | None = None
        error: BaseException | None = None
        try:
            run = Run(body.__name__, options, inputs)
            body(run, **arguments)
            code = run.exit_code
        except Rf3dError as caught:
            error, code = caught, caught.exit_code
        except KeyboardInterrupt:
            error, code = CancelledError("stopped"), CancelledError.exit_code
        except BaseException as caught:
            if run is not None:
                run.close(1, caught)
            raise
        if run is not None:
            run.close(code, error)
        if error is not None:
            click.echo(f"error: {error}", err=True)
        sys.exit(code)

    return main.command(body.__name__)(_shared_options(wrapped))


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="rf3d")
def main() -> None:
    """Plan lighting control by radio from the geometry of the venue.

    Start with `rf3d new MESH`, which writes a plan file to fill in; `rf3d check PLAN` says what is understood
    and what is missing.

    Exit codes: 0 done, 4 done but a finding says fail, 2 bad input, 3 an optional part is missing, 130 stopped.
    """


PLAN_ARGUMENT = click.argument("plan", type=click.Path(path_type=Path))


@command
@click.argument("mesh", type=click.Path(path_type=Path))
@click.option("--units", help="Unit of the mesh: m, cm, mm, ft or in. GLB and glTF carry their own.")
@click.option("--up", help="Axis of the mesh that points up: y or z. GLB and glTF carry their own.")
@click.option(
    "--out", type=click.Path(dir_okay=False, path_type=Path), metavar="PLAN", help="The plan file; beside the mesh."
)
@click.option("--force", is_flag=True, help="Replace the plan file if it is there.")
def new(run: Run, mesh: Path, units: str | None, up: str | None, out: Path | None, force: bool) -> None:
    """Write a first plan for the venue in MESH, listing every object and mesh material.

    Radio materials are suggested where a name allows it. What only you can know, such as the thickness
    of a wall, stands in the file as a comment to be filled in.
    """
    plan_path = mesh.with_suffix(".toml") if out is None else out
    run.check_target(plan_path, "--out")
    if plan_path.exists() and not force:
        raise InputError(
            f'the plan "{plan_path}" is there already',
            "a plan is not replaced unasked",
            "name another with --out, or add --force",
        )
    from rf3d.starter import starter_plan, suggested
    from rf3d.venue.readers.meshes import read_mesh

    scene = read_mesh(mesh, units=units, up=up)
    write_whole(plan_path, starter_plan(mesh, scene, plan_path=plan_path, units=units, up=up), option="--out")
    parts = [
        {"object": name, "mesh_material": material, "suggested": suggested(name, material)[0]}
        for name, material in scene.parts
    ]
    known = sum(part["suggested"] is not None for part in parts)
    run.text(f"wrote {plan_path}")
    run.text(f"{_count(len(parts), 'surface')}, a radio material suggested for {known}")
    run.text(f"fill it in, then: rf3d check {plan_path}")
    run.write_json({"plan": plan_path, "scene_digest": scene.digest, "size_m": scene.size_m, "surfaces": parts})


@command
@PLAN_ARGUMENT
def check(run: Run, plan: Path) -> None:
    """Say what is understood of PLAN, and what is missing or doubtful."""
    from rf3d.assessment.check import check_plan
    from rf3d.plan import load_plan, load_scene

    loaded = load_plan(plan)
    run.log(f"reading {loaded.mesh_path.name}")
    report = check_plan(loaded, load_scene(loaded))
    run.add_findings(report.findings)
    _print_check(run, report)
    run.show_findings()
    run.write_json({"plan": plan, "plan_digest": loaded.digest, **report.as_json()})


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _print_check(run: Run, report: Any) -> None:
    """Print a Check: the venue, its surfaces, the materials, the radios."""
    from rf3d.assessment.check import thickness_m
    from rf3d.plan import part_label
    from rf3d.units import azimuth_elevation
    from rf3d.venue.materials import BASES

    plan, scene = report.plan, report.scene
    x, y, z = scene.size_m
    dropped = f" ({scene.dropped_triangles} without area left out)" if scene.dropped_triangles else ""
    run.text(plan.title)
    run.text(f"venue: {x:.2f} x {y:.2f} x {z:.2f} m, {plan.mesh_path.name}")
    run.text(
        f"{_count(len(scene.triangles), 'triangle')}{dropped}, {_count(report.facet_count, 'facet')}, "
        f"{_count(len(scene.parts), 'surface')}, {_count(report.link_count, 'link')}"
    )
    run.text(f"surfaces are taken to stand within {100 * plan.position_tolerance_m:g} cm of where they are drawn")

    def thickness(surface: Any) -> str:
        if surface.half_space:
            return "half-space"
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


def _range(low_hz: float, high_hz: float) -> str:
    return "any frequency" if math.isinf(high_hz) else f"{low_hz / 1e9:g} to {high_hz / 1e9:g} GHz"


def _band(radio: Any) -> str:
    low, high = radio.first_channel_hz / 1e6, radio.last_channel_hz / 1e6
    return f"{low:.10g} MHz" if low == high else f"{low:.10g} to {high:.10g} MHz"


if __name__ == "__main__":
    main()
