"""The commands: what is typed, what is printed, and with which exit code it ends.

Exit codes: 0 done, 4 done with `fail` findings, 2 bad input, 3 a missing optional part, 130 cancelled.
Everything heavy is imported inside a command, so that help comes at once.
"""

from __future__ import annotations

import functools
import math
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rf3d import __version__
from rf3d.errors import CancelledError, InputError, MissingPartError, Rf3dError
from rf3d.terminal import Run, write_whole

if TYPE_CHECKING:
    from rf3d.assessment.links import Link
    from rf3d.assessment.run import Solution
    from rf3d.plan import Plan
    from rf3d.propagation.paths import Setting
    from rf3d.propagation.volume import TransmitterVolume

PREDICTION = "A prediction is not a measurement: verify by survey in the show's state."
SLICE_HEIGHT_M = 1.5


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


@command
@PLAN_ARGUMENT
def links(run: Run, plan: Path) -> None:
    """Judge every link of PLAN: power, margin, fading, echoes, and which surfaces throw them."""
    solution = _solved(run, plan)
    run.add_findings(solution.findings)
    _print_links(run, solution)
    run.show_findings(leave_out=("holds",))
    run.text(PREDICTION)
    run.write_json(_solution_as_json(solution))


@command
@PLAN_ARGUMENT
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.vti", help="VTK image to write.")
@click.option("--transmitter", metavar="NAME", help="This transmitter alone; all of them otherwise.")
def volume(run: Run, plan: Path, out: Path | None, transmitter: str | None) -> None:
    """Received power in every voxel of the venue, for each transmitter of PLAN."""
    from rf3d.plan import load_plan, load_scene

    if out is not None:
        run.check_target(out, "--out")
        if out.suffix != ".vti":
            raise InputError(f'--out names "{out}"', "a volume is written as .vti", "give the file that ending")
    from rf3d.assessment.run import ready

    loaded = load_plan(plan)
    setting = ready(loaded, load_scene(loaded))
    volumes = _volumes(run, loaded, setting, transmitter=transmitter)
    _print_volumes(run, volumes)
    if out is not None:
        from rf3d.views.export import write_vti

        write_vti(out, volumes)
        run.text(f"wrote {out}")
    run.text(PREDICTION)
    run.write_json(
        {
            "plan": plan,
            "plan_digest": loaded.digest,
            "scene_digest": setting.scene.digest,
            "volumes": [_volume_as_json(v) for v in volumes],
        }
    )


@command
@PLAN_ARGUMENT
@click.option(
    "--out",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER",
    required=True,
    help="Folder for the pictures; made if it is not there.",
)
@click.option("--height", "height_m", type=float, metavar="METRES", help="Height of the slice; 1.5 m otherwise.")
@click.option("--from", "sender", metavar="NAME", help="Transmitter of the link whose paths are drawn.")
@click.option("--to", "listener", metavar="NAME", help="Receiver of the link whose paths are drawn.")
def view(run: Run, plan: Path, folder: Path, height_m: float | None, sender: str | None, listener: str | None) -> None:
    """Draw PLAN: power in space, power at one height, the paths of one link, all receivers by verdict.

    Without --from and --to the link with the least chance of holding, among those that serve a receiver
    best, is drawn.
    """
    solution = _solved(run, plan)
    run.add_findings(solution.findings)
    _pictures(run, solution, folder, height_m=height_m, sender=sender, listener=listener)
    run.text(PREDICTION)


@command
@click.option("--venue", "venues", multiple=True, metavar="NAME", help="playhouse, arena or blackbox; may be repeated.")
@click.option(
    "--out",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER",
    default=Path("demo_output"),
    show_default=True,
    help="Where volumes and pictures go.",
)
def demo(run: Run, venues: tuple[str, ...], folder: Path) -> None:
    """The main job on the venues that come with rf3d: links, volumes and pictures of a playhouse and an arena."""
    shown = {}
    for name, plan in _demo_plans(venues or ("playhouse", "arena")).items():
        solution = _solved(run, plan)
        _print_links(run, solution)
        run.show_findings(solution.findings, leave_out=("holds",))
        out = folder / name
        _pictures(run, solution, out, with_volume=True)
        run.text(f"pictures and volume of the {name} are in {out.resolve()}")
        shown[name] = {"folder": out.resolve(), **_solution_as_json(solution)}
    run.text(PREDICTION)
    run.write_json({"venues": shown})


def _solved(run: Run, path: Path) -> Solution:
    """Load a plan and trace its links, saying how long the first time takes."""
    from rf3d.assessment.run import solve
    from rf3d.plan import load_plan, load_scene
    from rf3d.propagation.kernels import compiled_before

    plan = load_plan(path)
    run.log(f"{plan.title}: reading {plan.mesh_path.name}")
    if not compiled_before():
        run.log("first run on this machine: compiling the kernels, about half a minute, once")
    return solve(plan, load_scene(plan), jobs=run.jobs, seed=run.seed)


def _solution_as_json(solution: Solution) -> dict[str, Any]:
    from rf3d.assessment.links import VERDICT_DEFINITION, links_as_json

    return {
        "plan": solution.plan.path,
        "plan_digest": solution.plan.digest,
        "scene_digest": solution.setting.scene.digest,
        "seed": solution.seed,
        "verdicts": VERDICT_DEFINITION,
        "links": links_as_json(solution.setting, solution.links),
    }


def _print_links(run: Run, solution: Solution) -> None:
    """Print every link, and what the words mean."""
    from rf3d.assessment.links import VERDICT_DEFINITION
    from rf3d.assessment.multipath import percent

    rows = []
    for number, link in enumerate(solution.links):
        first = number == 0 or solution.links[number - 1].receiver != link.receiver
        best = "*" if link is solution.best_link(link.receiver) else ""
        if link.paths.count:
            numbers = (f"{link.mean_power_dbm:.0f}", f"{link.margin_db:.0f}", f"{link.fade_margin_db:.0f}")
        else:
            numbers = ("no path", "", "")
        if first:
            rows.append((link.receiver, "", "", "", "", ""))
        rows.append((f"  from {link.transmitter} {best}", *numbers, link.verdict, percent(link.chance)))
    run.table(solution.plan.title, ("receiver", "dBm", "over", "1 %", "verdict", "holds"), rows)
    run.text("dBm: mean power; over: dB over the threshold; 1 %: the same on the worst 1 in 100 spots and channels;")
    run.text("* serves this receiver best.")
    run.text(VERDICT_DEFINITION)
    run.text("Clean air only: no other radio is listed. Bodies and moving scenery only as far as the mesh holds them.")
    order, asked = solution.exhaustive_order, solution.plan.study.max_reflections
    if order < asked:
        run.text(
            f"Every path up to {order} reflection{'' if order == 1 else 's'} is there; of those with up to {asked}, "
            f"what {solution.plan.study.rays:,} rays per transmitter found."
        )


def _volumes(run: Run, plan: Plan, setting: Setting, *, transmitter: str | None = None) -> list[TransmitterVolume]:
    """Received power of one or all transmitters, over the whole venue."""
    from rf3d.propagation.grid import make_grid
    from rf3d.propagation.volume import trace_volume

    chosen = [t for t in plan.transmitters if transmitter in (None, t.name)]
    if not chosen:
        raise InputError(
            f'no transmitter is called "{transmitter}"', f"there are {_listed(t.name for t in plan.transmitters)}",
            "name one of them with --transmitter",
        )  # fmt: skip
    jobs, study = run.jobs, plan.study
    grid = make_grid(setting.scene, study.voxel_m, threads=jobs.threads)
    seed = study.seed if run.seed is None else run.seed
    found = []
    for sender in chosen:
        run.log(f"volume of {sender.name}: {grid.count:,} voxels of {study.voxel_m:g} m, {study.rays:,} rays")
        found.append(
            trace_volume(
                setting.scene, setting.facets, setting.surfaces, sender,
                grid=grid, max_reflections=study.max_reflections, rays=study.rays, seed=seed, jobs=jobs,
            )
        )  # fmt: skip
    return found


def _print_volumes(run: Run, volumes: list[TransmitterVolume]) -> None:
    """Print how far the power of each transmitter reaches and how well it is known."""
    rows = []
    for v in volumes:
        data = _volume_as_json(v)
        power = data["mean_power_dbm"]
        levels = tuple("" if power is None else f"{power[key]:.0f}" for key in ("p10", "median", "p90"))
        error = data["median_std_error_db"]
        rows.append(
            (v.transmitter, f"{100 * data['reached']:.0f} %", *levels, "exact" if error is None else f"{error:.2f} dB")
        )
    columns = ("transmitter", "voxels reached", "weak tenth, dBm", "median", "strong tenth", "median standard error")
    run.table("Received power of a unit-gain probe", columns, rows)


def _volume_as_json(volume: TransmitterVolume) -> dict[str, Any]:
    import numpy as np

    power = volume.mean_power_dbm
    reached = power[np.isfinite(power)]
    error = volume.std_error_db[np.isfinite(volume.std_error_db)]
    p10, median, p90 = np.percentile(reached, [10, 50, 90]) if len(reached) else (np.nan,) * 3
    return {
        "transmitter": volume.transmitter,
        "voxels": power.size,
        "voxel_m": volume.grid.voxel_m,
        "rays": volume.rays,
        "reached": len(reached) / power.size,
        "mean_power_dbm": {"p10": p10, "median": median, "p90": p90} if len(reached) else None,
        "median_std_error_db": float(np.median(error)) if len(error) else None,
        "power_not_accounted_for": volume.ledger.imbalance,
    }


def _pictures(
    run: Run,
    solution: Solution,
    folder: Path,
    *,
    height_m: float | None = None,
    sender: str | None = None,
    listener: str | None = None,
    with_volume: bool = False,
) -> None:
    """Draw the four pictures of a solved plan into a folder, and with_volume keep the volume beside them."""
    link = _chosen_link(solution, sender, listener)
    height = SLICE_HEIGHT_M if height_m is None else height_m
    _make_folder(folder)
    plan, setting = solution.plan, solution.setting
    volumes = _volumes(run, plan, setting)
    _print_volumes(run, volumes)
    from rf3d.views import pictures

    run.log("drawing")
    made = [
        pictures.draw_receivers(solution, folder / "receivers.png"),
        pictures.draw_slice(plan, setting, volumes=volumes, path=folder / "power_slice.png", height_m=height),
        pictures.draw_volume(plan, setting, volumes=volumes, path=folder / "power_volume.png"),
    ]
    if link is not None:
        made.append(pictures.draw_paths(solution, link, path=folder / "paths.png"))
    if with_volume:
        from rf3d.views.export import write_vti

        write_vti(folder / "volume.vti", volumes)
    for path in made:
        run.text(f"wrote {path}")


def _chosen_link(solution: Solution, sender: str | None, listener: str | None) -> Link | None:
    """The link asked for; else, of the links that serve a receiver best, the one least likely to hold."""
    if sender is None and listener is None:
        best = [solution.best_link(receiver.name) for receiver in solution.plan.receivers]
        served = [link for link in best if link is not None and link.paths.count]
        return min(served, key=lambda link: (link.chance, link.fade_margin_db), default=None)
    for link in solution.links:
        if sender in (None, link.transmitter) and listener in (None, link.receiver):
            return link
    raise InputError(
        f'there is no link from "{sender or "any"}" to "{listener or "any"}"',
        f"transmitters are {_listed(t.name for t in solution.plan.transmitters)}; "
        f"receivers are {_listed(r.name for r in solution.plan.receivers)}; both must share a radio",
        "correct --from and --to",
    )


def _demo_plans(names: tuple[str, ...]) -> dict[str, Path]:
    """Plan files of demo venues, which live beside the package in a checkout."""
    folder = Path(__file__).resolve().parent.parent / "meshes_demo"
    known = {path.stem: path for path in sorted(folder.glob("*.toml"))}
    if not known:
        raise MissingPartError("the demo venues are not installed; they are in meshes_demo/ of a checkout of rf3d")
    for name in names:
        if name not in known:
            raise InputError(f'--venue names "{name}"', f"there are {_listed(known)}", "name one of them")
    return {name: known[name] for name in names}


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f'--out names "{folder}", which cannot be made ({error.strerror})', "it must be a folder",
            "name another folder",
        ) from error  # fmt: skip


def _listed(names: Iterable[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)


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
