"""The commands: what is typed, what is printed, and with which exit code it ends.

Exit codes: 0 done, 4 done with `fail` findings, 2 bad input, 3 a missing optional part, 130 cancelled (what
`volume --until` had done by then is kept).
Everything heavy is imported inside a command, so that help comes at once.
"""

from __future__ import annotations

import functools
import sys
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rf3d import __version__
from rf3d.answers import (
    PREDICTION,
    counted,
    explain_link,
    print_budget,
    print_check,
    print_links,
    print_summary,
    quoted,
    solution_as_json,
)
from rf3d.errors import CancelledError, InputError, MissingPartError, Rf3dError
from rf3d.terminal import Run, write_whole
from rf3d.volume_answers import (
    file_contents,
    precision,
    print_coverages,
    print_volumes,
    volume_request,
    volumes_as_json,
)

if TYPE_CHECKING:
    from rf3d.assessment.links import Link
    from rf3d.assessment.run import Solution
    from rf3d.assessment.volumes import Volumes
    from rf3d.propagation.paths import Setting

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

    Exit codes: 0 done, 4 done but a finding says fail, 2 bad input, 3 an optional part is missing, 130 stopped
    (with `volume --until` what was done by then is kept).
    """


PLAN_ARGUMENT = click.argument("plan", type=click.Path(path_type=Path))
GLB_OPTION = click.option(
    "--glb",
    "glb_path",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE.glb",
    help="Write what was found as shapes in space, for modelling programs.",
)


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
    run.text(f"{counted(len(parts), 'surface')}, a radio material suggested for {known}")
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
    print_check(run, report)
    run.show_findings()
    run.write_json({"plan": plan, "plan_digest": loaded.digest, **report.as_json()})


@command
@PLAN_ARGUMENT
@click.option("--explain", is_flag=True, help="Tell every path of the chosen links: what it meets, what that costs.")
@click.option("--budget", is_flag=True, help="Print the chosen links line by line, from power sent to margin left.")
@click.option("--from", "sender", metavar="NAME", help="With --explain or --budget: this transmitter alone.")
@click.option("--to", "listener", metavar="NAME", help="With --explain or --budget: this receiver alone.")
@GLB_OPTION
def links(
    run: Run,
    plan: Path,
    explain: bool,
    budget: bool,
    sender: str | None,
    listener: str | None,
    glb_path: Path | None,
) -> None:
    """Judge every link of PLAN: power, margin, fading, echoes, and which surfaces throw them."""
    if (sender or listener) and not (explain or budget):
        raise InputError(
            "--from or --to without --explain or --budget", "they choose the links to be told", "add one of these"
        )
    _check_glb(run, glb_path)
    solution = _solved(run, plan)
    run.add_findings(solution.findings)
    print_links(run, solution)
    if explain:
        for link in _chosen_links(solution, sender, listener):
            explain_link(run, solution, link)
    if budget:
        for link in _chosen_links(solution, sender, listener):
            print_budget(run, solution, link)
    print_summary(run, solution)
    run.show_findings(leave_out=("holds",))
    if glb_path is not None:
        from rf3d.views.glb import write_glb
        from rf3d.views.shapes import link_shapes, links_summary

        write_glb(glb_path, link_shapes(solution), extras=links_summary(solution), option="--glb")
        run.text(f"wrote {glb_path}")
    run.text(PREDICTION)
    run.write_json(solution_as_json(solution))


@command
@PLAN_ARGUMENT
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Write every voxel: FILE.vti is a VTK image, FILE.npz a NumPy archive.",
)
@click.option("--transmitter", metavar="NAME", help="This transmitter alone; all of them otherwise.")
@click.option(
    "--receiver",
    metavar="NAME",
    help="Backwards: the gain to this receiver from a unit-gain transmitter in every voxel.",
)
@click.option("--zone", metavar="NAME", help="Only the voxels of this zone; rays go everywhere all the same.")
@click.option(
    "--detail", is_flag=True, help="Tell where waves come from, what the antenna gets, and who reflected them."
)
@click.option("--antenna", metavar="NAME", help="The receiving antenna; else the one most receivers of a radio have.")
@click.option("--until", metavar="0.5dB", help="Go on until 95 % of the zones' voxels have this standard error.")
@click.option("--time-limit", "time_limit", metavar="SECONDS", help="With --until: stop then, once errors can be told.")
@click.option("--memory", metavar="4GiB", help="Memory that may be used; half of what is free otherwise.")
@GLB_OPTION
@click.option(
    "--early",
    "early_path",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE.glb",
    help="Write the shapes of voxels twice as wide, from a quarter of the rays, there first.",
)
@click.option(
    "--height", "height_m", type=float, metavar="METRES", help="With --glb or --early: height of the slice; else 1.5 m."
)
def volume(
    run: Run, plan: Path, out: Path | None, glb_path: Path | None, early_path: Path | None, height_m: float | None,
    **asked: Any,
) -> None:  # fmt: skip
    """Received power in every voxel of the venue, for each transmitter of PLAN, and how well its zones are covered.

    Shapes are written as soon as the power is known, before the zones are judged, each with an event "shapes". Ctrl-C
    with --until keeps what is done as a result that says so, and ends with exit code 130.
    """
    from rf3d.assessment.run import ready
    from rf3d.assessment.volumes import trace_all
    from rf3d.plan import load_plan, load_scene

    request = replace(volume_request(**asked), every_voxel=out is not None)
    for option, path in (("--glb", glb_path), ("--early", early_path)):
        _check_glb(run, path, option)
        if path is not None and request.receiver is not None:
            raise InputError(f"{option} with --receiver", "shapes are of received power", "leave one of them out")
    if early_path is not None and glb_path is not None and early_path.resolve() == glb_path.resolve():
        raise InputError(
            f'--glb and --early both name "{glb_path}"', "they need a file each", "name another file"
        )  # fmt: skip
    if out is not None:
        run.check_target(out, "--out")
        if out.suffix not in (".vti", ".npz"):
            raise InputError(
                f'--out names "{out}"', "a volume is written as .vti or .npz", "give the file one of these endings"
            )
    loaded = load_plan(plan)
    _compile(run)
    setting = ready(loaded, load_scene(loaded))
    height = _slice_height_m(setting, height_m)

    def write_shapes(volumes: Volumes, path: Path, option: str) -> None:
        from rf3d.views.glb import write_glb
        from rf3d.views.shapes import power_shapes

        early = option == "--early"
        nodes = power_shapes(loaded, setting, volumes.volumes, height_m=height, early=early)
        write_glb(path, nodes, extras={"plan": loaded.title}, option=option)
        run.emit("shapes", file=path, early=early, **precision(volumes.volumes))

    with run.stoppable() if request.until_db is not None else nullcontext(run.jobs) as jobs:
        found = trace_all(
            loaded, setting, request, jobs=jobs, seed=run.seed, log=run.log,
            early=None if early_path is None else lambda volumes: write_shapes(volumes, early_path, "--early"),
            traced=None if glb_path is None else lambda volumes: write_shapes(volumes, glb_path, "--glb"),
        )  # fmt: skip
    run.stopped = found.interrupted
    run.add_findings(found.findings)
    print_volumes(run, found.volumes, backwards=found.backwards)
    print_coverages(run, found.coverages)
    run.show_findings()
    if out is not None:
        from rf3d.views import export

        write = export.write_vti if out.suffix == ".vti" else export.write_npz
        write(out, found.volumes, file_contents(loaded, setting, found))
        run.text(f"wrote {out}")
    for path in (early_path, glb_path):
        if path is not None:
            run.text(f"wrote {path}")
    run.text(PREDICTION)
    run.write_json(volumes_as_json(loaded, setting, found))


@command
def vocabulary(run: Run) -> None:
    """List the materials of the catalogue, and every table and key that a plan file may hold."""
    from rf3d.exchange import print_vocabulary
    from rf3d.exchange import vocabulary as words

    print_vocabulary(run)
    run.write_json(words())


@command
@PLAN_ARGUMENT
@click.option(
    "--mesh",
    "mesh_path",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE.glb",
    help="Write the venue as plain GLB: metres, world coordinates, a node an object.",
)
def unpack(run: Run, plan: Path, mesh_path: Path | None) -> None:
    """Give PLAN to a program that reads neither TOML nor every mesh: its tables with --json, its venue with --mesh."""
    from rf3d.exchange import unpacked, write_venue
    from rf3d.plan import load_plan, load_scene

    loaded = load_plan(plan)
    if mesh_path is not None:
        run.check_target(mesh_path, "--mesh")
        if mesh_path.suffix != ".glb" or mesh_path.resolve() == loaded.mesh_path.resolve():
            raise InputError(
                f'--mesh names "{mesh_path}"', "it must be another file, ending in .glb", "name another file"
            )
    scene = load_scene(loaded)
    run.text(f"{loaded.title}: {counted(len(scene.parts), 'surface')}, {counted(len(scene.triangles), 'triangle')}")
    if mesh_path is not None:
        write_venue(mesh_path, scene, option="--mesh")
        run.text(f"wrote {mesh_path}")
    run.write_json(unpacked(loaded, scene))


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
        print_links(run, solution)
        print_summary(run, solution)
        run.show_findings(solution.findings, leave_out=("holds",))
        out = folder / name
        _pictures(run, solution, out, with_volume=True)
        run.text(f"pictures and volume of the {name} are in {out.resolve()}")
        shown[name] = {"folder": out.resolve(), **solution_as_json(solution)}
    run.text(PREDICTION)
    run.write_json({"venues": shown})


def _solved(run: Run, path: Path) -> Solution:
    """Load a plan and trace its links."""
    from rf3d.assessment.run import solve
    from rf3d.plan import load_plan, load_scene

    plan = load_plan(path)
    run.log(f"{plan.title}: reading {plan.mesh_path.name}")
    _compile(run)
    return solve(plan, load_scene(plan), jobs=run.jobs, seed=run.seed)


def _compile(run: Run) -> None:
    """Compile the kernels where that is still to be done, saying how long it takes."""
    from rf3d.propagation.kernels import compiled_before

    if compiled_before():
        return
    from rf3d.propagation.ahead import compile_ahead

    run.log("first run on this machine: compiling the kernels, about half a minute, once")
    compile_ahead(run.jobs)


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
    plan, setting = solution.plan, solution.setting
    height = _slice_height_m(setting, height_m)
    _make_folder(folder)
    from rf3d.assessment.volumes import Request, trace_all

    found = trace_all(plan, setting, Request(), jobs=run.jobs, seed=run.seed, log=run.log)
    volumes = found.volumes
    print_volumes(run, volumes)
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

        write_vti(folder / "volume.vti", volumes, file_contents(plan, setting, found))
    for path in made:
        run.text(f"wrote {path}")


def _slice_height_m(setting: Setting, asked_m: float | None) -> float:
    """World height of the slice: the one asked for, else 1.5 m, or the middle of a venue that does not hold it."""
    low, high = (float(z) for z in setting.scene.to_world(setting.scene.bounds_m)[:, 2])
    if asked_m is not None and not low < asked_m < high:
        raise InputError(
            f"--height is {asked_m:g} m", f"the venue reaches from {low:.2f} to {high:.2f} m", "choose one between"
        )
    if asked_m is not None:
        return asked_m
    return SLICE_HEIGHT_M if low < SLICE_HEIGHT_M < high else 0.5 * (low + high)


def _check_glb(run: Run, path: Path | None, option: str = "--glb") -> None:
    """Refuse, before any work, a file for shapes that has another ending or cannot be written."""
    if path is not None:
        run.check_target(path, option)
        if path.suffix != ".glb":
            raise InputError(f'{option} names "{path}"', "shapes are written as .glb", "give the file that ending")


def _chosen_link(solution: Solution, sender: str | None, listener: str | None) -> Link | None:
    """The link asked for; else, of the links that serve a receiver best, the one least likely to hold."""
    if sender is None and listener is None:
        best = [solution.best_link(receiver.name) for receiver in solution.plan.receivers]
        served = [link for link in best if link is not None and link.paths.count]
        return min(served, key=lambda link: (link.chance, link.fade_margin_db), default=None)
    return _chosen_links(solution, sender, listener)[0]


def _chosen_links(solution: Solution, sender: str | None, listener: str | None) -> list[Link]:
    """Links from one transmitter or all, to one receiver or all."""
    chosen = [
        link
        for link in solution.links
        if sender in (None, link.transmitter) and listener in (None, link.receiver)
    ]  # fmt: skip
    if chosen:
        return chosen
    raise InputError(
        f'there is no link from "{sender or "any"}" to "{listener or "any"}"',
        f"transmitters are {quoted(t.name for t in solution.plan.transmitters)}; "
        f"receivers are {quoted(r.name for r in solution.plan.receivers)}; both must share a radio",
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
            raise InputError(f'--venue names "{name}"', f"there are {quoted(known)}", "name one of them")
    return {name: known[name] for name in names}


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f'--out names "{folder}", which cannot be made ({error.strerror})', "it must be a folder",
            "name another folder",
        ) from error  # fmt: skip


if __name__ == "__main__":
    main()
