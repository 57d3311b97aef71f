"""Plot the field along a line in three rooms, by the full-wave solver and by rf3d; ``docs/make_pictures.sh`` calls it.

By itself, from the repository's folder: ``PYTHONPATH=. .venv/bin/python docs/fullwave_picture.py PICTURE.png``.
matplotlib comes with pyvista.
"""

from __future__ import annotations

import sys
from pathlib import Path

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np

from rf3d.units import to_db
from scripts.make_fullwave_reference import CELLS, LINE_Y_M, LINE_Z_M, OBSTACLE_X_M, PARTITION_M, SIZE_M, SOURCE_M
from tests.fullwave import added, reference, traced

INK, GREY, POINT = "#1c2126", "#c3c9cf", "#0072b2"
TITLES = {
    "empty": "Empty room",
    "screen": "Metal screen, half the height",
    "partition": "Wooden partition, 40 mm, with a doorway",
}


def draw(target: Path) -> None:
    """One panel for each case: the solver as a line, all paths of rf3d as points."""
    figure, panels = plt.subplots(3, 1, figsize=(10, 9.5), sharex=True, sharey=True, layout="constrained")
    for panel, (case, title) in zip(panels, TITLES.items(), strict=True):
        at_m, field = reference(case, CELLS[-1])
        on_line = (np.abs(at_m[:, 1] - LINE_Y_M) < 1e-9) & (np.abs(at_m[:, 2] - LINE_Z_M) < 1e-9)
        at_m, field = at_m[on_line], field[on_line]
        order = np.argsort(at_m[:, 0])
        x, solver_db = at_m[order, 0], to_db(np.abs(field[order]) ** 2)
        gap = np.flatnonzero(np.diff(x) > 0.2) + 1
        panel.plot(np.insert(x, gap, np.nan), np.insert(solver_db, gap, np.nan), color=INK, label="full-wave solver")
        ours = added(*traced(case, at_m[order]), len(x))
        panel.plot(
            x, to_db(np.abs(ours) ** 2), "o", color=POINT, markersize=5,
            label="rf3d, all paths up to 5 reflections, added with their phase",
        )  # fmt: skip
        if case != "empty":
            depth = PARTITION_M if case == "partition" else 0.01
            panel.axvspan(OBSTACLE_X_M, OBSTACLE_X_M + depth, color=GREY)
        panel.set_title(title, loc="left", color=INK, fontsize=12)
        panel.set_ylabel("$|E_z|$, dB over the source's\nfree field at 1 m")
        panel.grid(color=GREY, linewidth=0.4)
    panels[0].legend(loc="lower right", frameon=False)
    panels[0].set_xlim(0, SIZE_M[0])
    panels[-1].set_xlabel(
        f"x in metres, along the room at y = {LINE_Y_M:g} m, {LINE_Z_M:g} m above the floor; "
        f"source at {', '.join(f'{x:g}' for x in SOURCE_M)} m; 915 MHz"
    )
    figure.savefig(target, dpi=110)
    plt.close(figure)


if __name__ == "__main__":
    draw(Path(sys.argv[1]))
