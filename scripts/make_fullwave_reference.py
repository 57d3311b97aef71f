"""Make tests/fullwave_room.csv: a concrete room at 915 MHz, solved as Maxwell's equations on a grid by openEMS.

openEMS is a general field solver (finite differences in time) that knows nothing of rays. It is not a dependency of
rf3d; on Debian and Ubuntu it comes with ``apt-get install openems python3-openems`` and runs under the Python of the
system, to which its module belongs::

    /usr/bin/python3 scripts/make_fullwave_reference.py solve FOLDER    # about an hour on two cores
    /usr/bin/python3 scripts/make_fullwave_reference.py write FOLDER    # the table, in a second

``solve`` makes eight runs and leaves one file each in FOLDER; runs whose file is there already are skipped, so that
it may be stopped and started again. ``--cells N`` and ``--case NAME`` choose single runs, ``--threads N`` the cores.

The room is 2.4 × 2.0 × 1.8 m, seen from inside, with walls, floor and ceiling of concrete 0.1 m thick and nothing
behind them but an absorbing layer. The source is a vertical current of one cell's length. Three cases:

- ``empty``;
- ``screen``: a thin sheet of perfect metal from the floor to half the height, from wall to wall;
- ``partition``: a wooden wall 40 mm thick from wall to wall and floor to ceiling, with a doorway.

A fourth, ``free``, has the same grid and source and no room: it gives the strength of the source, so that the table
holds E_z over the far field that the source would have abeam in free space at 1 m. Without a room it is e^{−jkr}/r.

Every case is solved on two grids, λ/16 and λ/23 in air, and the table has both. Waves on a grid run a little too
slowly, by 0.3 and 0.15 % here, which is a phase of 20° and 10° on a path of six metres. ``grid_wavenumber`` is what
the method does to them exactly; the test slows its paths as much and holds them against either grid: what is left is
the same on both, so it does not come from the cells.

Time factor e^{+jωt}; metres; the origin is the room's inner corner.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

TABLE = Path(__file__).resolve().parents[1] / "tests" / "fullwave_room.csv"

FREQUENCY_HZ = 915e6
BANDWIDTH_HZ = 400e6
"""Of the pulse, to −20 dB: short in time, and without a standing charge."""
SPEED_OF_LIGHT_M_S = 299_792_458.0

LEAK_S_M = 0.01
END_ENERGY = 3e-5
"""Share of its highest energy, −45 dB, at which a run ends."""

SIZE_M = (2.4, 2.0, 1.8)
WALL_M = 0.1
SOURCE_M = (0.5, 0.7, 1.15)
OBSTACLE_X_M = 1.2
SCREEN_HEIGHT_M = 0.9
PARTITION_M = 0.04
DOORWAY_Y_M = (1.0, 1.7)
DOORWAY_HEIGHT_M = 1.5

# ITU-R P.2040-3, Table 3, f in GHz: concrete 5.24 and 0.0462 f^0.7822 S/m (stated from 1 GHz up, used a little below),
# wood 1.99 and 0.0047 f^1.0718 S/m.
CONCRETE = (5.24, 0.0462 * (FREQUENCY_HZ / 1e9) ** 0.7822)
WOOD = (1.99, 0.0047 * (FREQUENCY_HZ / 1e9) ** 1.0718)

CASES = ("free", "empty", "screen", "partition")
CELLS = (5, 7)
"""Cells per 0.1 m of air. Odd, so that the middle of an edge lies at 0.05 m and every place below on both grids."""

HEIGHTS_M = (0.25, 0.45, 0.65, 0.95, 1.25, 1.55)
GRID_X_M = (1.02, 1.43, 1.58, 1.73, 1.89, 2.04, 2.21)
GRID_Y_M = (0.24, 0.49, 0.77, 1.03, 1.26, 1.52, 1.74)
"""Not round: from round places waves bounce in corners and pass edges by nothing at all."""
LINE_Y_M = 1.19
LINE_Z_M = 0.65
LINE_X_M = tuple(np.round(np.arange(0.215, 2.2001, 0.035), 3).tolist())
CLEAR_M = 0.16
"""Least distance of a place from the screen and the partition: half a wavelength. Walls and source are further."""


def axis_lines(length_m: float, cells: int, *, obstacle: bool = False) -> np.ndarray:
    """Grid lines of one axis: ``cells`` per 0.1 m of air, finer in concrete, then a gap and the absorbing layer."""
    step = 0.1 / cells
    inside = np.linspace(0.0, length_m, round(length_m / step) + 1)
    if obstacle:
        through = np.linspace(0.0, PARTITION_M, round(0.6 * cells) + 1)
        after = np.linspace(PARTITION_M, 0.1, round(0.6 * cells) + 1)[1:]
        before, beyond = inside[inside < OBSTACLE_X_M - 1e-9], inside[inside > OBSTACLE_X_M + 0.1 + 1e-9]
        inside = np.concatenate([before, OBSTACLE_X_M + through, OBSTACLE_X_M + after, beyond])
    wall = np.linspace(0.0, WALL_M, round(1.4 * cells) + 1)[1:]
    outside = np.concatenate([wall, WALL_M + step * np.arange(1, 8)])
    # Rounded, because the solver finds source and screen by lines of just the same value.
    return np.round(np.concatenate([-outside[::-1], inside, length_m + outside]), 9)


def solve(case: str, cells: int, threads: int) -> dict[str, np.ndarray]:
    """Run the solver once; E_z at 915 MHz, not normalised, on a plane per height, and the lines of the planes."""
    import h5py
    from CSXCAD import ContinuousStructure
    from openEMS import openEMS

    half = 0.05 / cells
    lines = [axis_lines(SIZE_M[0], cells, obstacle=True), axis_lines(SIZE_M[1], cells), axis_lines(SIZE_M[2], cells)]
    shape = [len(x) for x in lines]
    print(f"{case}, {cells} cells per 0.1 m: {shape}, {np.prod(shape) / 1e6:.1f} M cells", flush=True)
    structure = ContinuousStructure()
    grid = structure.GetGrid()
    grid.SetDeltaUnit(1.0)
    for name, x in zip("xyz", lines, strict=True):
        grid.SetLines(name, x)
    for name, start, stop in obstacles(case):
        if name == "metal":
            structure.AddMetal(name).AddBox(start, stop, priority=10)
        else:
            permittivity, conductivity = {"concrete": CONCRETE, "wood": WOOD}[name]
            structure.AddMaterial(name, epsilon=permittivity, kappa=conductivity).AddBox(start, stop, priority=5)
    x, y, z = SOURCE_M
    structure.AddExcitation("source", 0, [0, 0, 1]).AddBox([x, y, z - half], [x, y, z + half])
    # The last bits of the pulse leave a small steady current, which would charge the ends of the source for ever: the
    # cell leaks. It scatters below -80 dB.
    leak = structure.AddMaterial("leak", epsilon=1.0, kappa=LEAK_S_M)
    leak.AddBox([x - half, y - half, z - half], [x + half, y + half, z + half], priority=5)
    for z in HEIGHTS_M:
        dump = structure.AddDump(f"plane_{z}", dump_type=10, dump_mode=0, file_type=1, frequency=[FREQUENCY_HZ])
        # A little inside the edges: the solver widens the box to whole cells.
        dump.AddBox([0.0, 0.0, z - 0.9 * half], [SIZE_M[0], SIZE_M[1], z + 0.9 * half])

    # The source gives its charge per step, and left alone the solver would take longer steps among concrete.
    solver = openEMS(EndCriteria=END_ENERGY, NrTS=100_000, TimeStep=time_step_s(cells))
    solver.SetGaussExcite(FREQUENCY_HZ, BANDWIDTH_HZ)
    solver.SetBoundaryCond(["PML_6"] * 6)
    solver.SetCSX(structure)
    with tempfile.TemporaryDirectory() as folder:
        with contextlib.chdir("."):  # the solver goes to its folder and stays there
            solver.Run(folder, cleanup=False, verbose=0, numThreads=threads)
        planes = []
        for z in HEIGHTS_M:
            with h5py.File(Path(folder) / f"plane_{z}.h5") as stored:
                raw = stored["FieldData/FD/f0_real"][2, 0] + 1j * stored["FieldData/FD/f0_imag"][2, 0]
                low, x, y = (np.array(stored[f"Mesh/{name}"]) for name in "zxy")
            if abs(low[0] - (z - half)) > 1e-6:
                raise RuntimeError(f"the plane at {z} m starts at {low[0]}, not at {z - half}")
            if not raw.any():
                raise RuntimeError("the field is zero: the grid has no line at the source")
            planes.append(raw.T)
    return {"x_m": x, "y_m": y, "field": np.array(planes)}


def obstacles(case: str) -> list[tuple[str, list[float], list[float]]]:
    """Material, lower and upper corner of every box of a case."""
    if case == "free":
        return []
    a, b, c = SIZE_M
    low, high = -WALL_M, WALL_M
    boxes = [
        ("concrete", [low, low, low], [0, b + high, c + high]),
        ("concrete", [a, low, low], [a + high, b + high, c + high]),
        ("concrete", [0, low, low], [a, 0, c + high]),
        ("concrete", [0, b, low], [a, b + high, c + high]),
        ("concrete", [0, 0, low], [a, b, 0]),
        ("concrete", [0, 0, c], [a, b, c + high]),
    ]
    x, behind = OBSTACLE_X_M, OBSTACLE_X_M + PARTITION_M
    if case == "screen":
        boxes.append(("metal", [x, 0, 0], [x, b, SCREEN_HEIGHT_M]))
    if case == "partition":
        left, right = DOORWAY_Y_M
        boxes += [
            ("wood", [x, 0, 0], [behind, left, c]),
            ("wood", [x, right, 0], [behind, b, c]),
            ("wood", [x, left, DOORWAY_HEIGHT_M], [behind, right, c]),
        ]
    return boxes


def places() -> np.ndarray:
    """Where the table has the field, (N, 3) in metres: a lattice of places and a line along the room."""
    lattice = [(x, y, z) for z in HEIGHTS_M for y in GRID_Y_M for x in GRID_X_M]
    line = [(x, LINE_Y_M, LINE_Z_M) for x in LINE_X_M]
    return np.array(list(dict.fromkeys(lattice + line)))


def sample(run: dict[str, np.ndarray], at_m: np.ndarray) -> np.ndarray:
    """Field of a run at places on its planes, by cubic splines along x and y."""
    from scipy.interpolate import RectBivariateSpline

    answer = np.empty(len(at_m), dtype=complex)
    for plane, z in zip(run["field"], HEIGHTS_M, strict=True):
        here = np.abs(at_m[:, 2] - z) < 1e-9
        real, imaginary = (
            RectBivariateSpline(run["x_m"], run["y_m"], part).ev(at_m[here, 0], at_m[here, 1])
            for part in (plane.real, plane.imag)
        )
        answer[here] = real + 1j * imaginary
    return answer


def dipole(at_m: np.ndarray) -> np.ndarray:
    """E_z of a short vertical current over its far field abeam at 1 m.

    C. A. Balanis, Antenna Theory, 4th ed., equations 4-8a to 4-10c, all terms.
    """
    k = 2 * np.pi * FREQUENCY_HZ / SPEED_OF_LIGHT_M_S
    away = at_m - np.array(SOURCE_M)
    r = np.linalg.norm(away, axis=1)
    cos = away[:, 2] / r
    j_kr = 1j * k * r
    along = 2 * cos * (1 / j_kr + 1 / j_kr**2)
    across = np.sqrt(1 - cos**2) * (1 + 1 / j_kr + 1 / j_kr**2)
    return np.exp(-j_kr) / r * (across * np.sqrt(1 - cos**2) - along * cos)


def source_strength(free: dict[str, np.ndarray], at_m: np.ndarray) -> tuple[complex, float]:
    """Strength of the source from the run without a room, and the median difference in dB from a dipole's field."""
    near = np.linalg.norm(at_m - np.array(SOURCE_M), axis=1) < 1.0
    field, expected = sample(free, at_m), dipole(at_m)
    turn = np.vdot(expected[near], field[near])
    level = np.median(np.abs(field) / np.abs(expected))
    strength = turn / abs(turn) * level
    return strength, float(np.median(np.abs(20 * np.log10(np.abs(field / strength / expected)))))


def time_step_s(cells: int) -> float:
    """Courant's bound of the smallest cell of air, one step for all cases of a grid."""
    axes = [axis_lines(length, cells, obstacle=axis == 0) for axis, length in enumerate(SIZE_M)]
    return 1.0 / (SPEED_OF_LIGHT_M_S * float(np.sqrt(sum(np.diff(x).min() ** -2.0 for x in axes))))


def grid_wavenumber(way: np.ndarray, cells: int) -> np.ndarray:
    """Wavenumber (N,) in radians per metre of plane waves along unit vectors (N, 3) on the grid of the room's air.

    (sin(ωΔt/2)/cΔt)² = Σ (sin(k_i h/2)/h)²: A. Taflove and S. C. Hagness, Computational Electrodynamics, 3rd ed., 2005,
    section 4.2 (from memory); solved by Newton's method.
    """
    step_m, step_s = 0.1 / cells, time_step_s(cells)
    wanted = (np.sin(np.pi * FREQUENCY_HZ * step_s) / (SPEED_OF_LIGHT_M_S * step_s)) ** 2
    k = np.full(len(way), 2 * np.pi * FREQUENCY_HZ / SPEED_OF_LIGHT_M_S)
    for _ in range(4):
        half = 0.5 * step_m * k[:, None] * way
        value = (np.sin(half) ** 2).sum(axis=1) / step_m**2
        slope = (way * np.sin(2 * half)).sum(axis=1) / (2 * step_m)
        k = k - (value - wanted) / slope
    return k


def write(folder: Path, table: Path) -> None:
    """Put the runs of a folder together to the table."""
    at_m = places()
    runs = {(case, cells): np.load(folder / f"{case}_{cells}.npz") for case in CASES for cells in CELLS}
    strength = {cells: source_strength(runs["free", cells], at_m) for cells in CELLS}
    rows = []
    for case in CASES[1:]:
        kept = at_m
        if case != "empty":
            kept = at_m[np.abs(at_m[:, 0] - OBSTACLE_X_M - PARTITION_M / 2) > CLEAR_M + PARTITION_M / 2]
        fields = [sample(runs[case, cells], kept) / strength[cells][0] for cells in CELLS]
        for i, (x, y, z) in enumerate(kept.tolist()):
            numbers = ",".join(f"{e[i].real:.4f},{e[i].imag:.4f}" for e in fields)
            rows.append(f"{case},{x:g},{y:g},{z:g},{numbers}")
    head = [
        "E_z in a concrete room at 915 MHz by a full-wave solver; made by scripts/make_fullwave_reference.py, "
        "which describes the cases",
        f"solver: {solver_version()}; finite differences in time, e^(+jwt); {datetime.date.today()}",
        f"frequency {FREQUENCY_HZ / 1e6:g} MHz; room {SIZE_M} m; vertical short dipole at {SOURCE_M} m",
        *(
            f"re_{n}, im_{n}: cells of {100 / n:.2f} mm in air ({wave(n):.0f} a wavelength), of "
            f"{WALL_M / round(1.4 * n) * 1e3:.2f} mm across concrete; without a room within a median of "
            f"{strength[n][1]:.2f} dB of a dipole's field"
            for n in CELLS
        ),
        "E_z is over the free far field abeam at 1 m",
    ]
    columns = "case,x_m,y_m,z_m," + ",".join(f"re_{n},im_{n}" for n in CELLS)
    text = "".join(f"# {line}\n" for line in head) + columns + "\n" + "\n".join(rows) + "\n"
    table.write_text(text, encoding="utf-8")
    print(f"{table}: {len(rows)} rows, {len(text) / 1e3:.0f} kB")


def wave(cells: int) -> float:
    """Cells of air in a wavelength."""
    return SPEED_OF_LIGHT_M_S / FREQUENCY_HZ * 10 * cells


def solver_version() -> str:
    """Name and version of the solver as the system's package says it, else as its module does."""
    if shutil.which("dpkg-query"):
        asked = subprocess.run(["dpkg-query", "-W", "-f=openEMS ${Version}", "openems"], capture_output=True, text=True)
        if asked.returncode == 0:
            return asked.stdout
    from importlib.metadata import version

    return f"openEMS, Python module {version('openEMS')}"


def main() -> int:
    """Read the command line and run."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("step", choices=("solve", "write"))
    parser.add_argument("folder", type=Path)
    parser.add_argument("--case", choices=CASES, action="append")
    parser.add_argument("--cells", type=int, action="append")
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--out", type=Path, default=TABLE)
    chosen = parser.parse_args()
    chosen.folder.mkdir(parents=True, exist_ok=True)
    if chosen.step == "write":
        write(chosen.folder, chosen.out)
        return 0
    for cells in chosen.cells or CELLS:
        for case in chosen.case or CASES:
            kept = chosen.folder / f"{case}_{cells}.npz"
            if not kept.exists():
                np.savez_compressed(kept, **solve(case, cells, chosen.threads))
    return 0


if __name__ == "__main__":
    sys.exit(main())
