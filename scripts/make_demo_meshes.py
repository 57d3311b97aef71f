"""Write the demo venues as GLB: ``python scripts/make_demo_meshes.py [--out FOLDER] [NAME ...]``.

The same bytes every time; tests hold the committed files against a fresh run.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from demo_meshes import arena, blackbox, playhouse

VENUES = {"playhouse": playhouse.build, "arena": arena.build, "blackbox": blackbox.build}


def main() -> None:
    """Build the venues named on the command line, or all of them."""
    parser = argparse.ArgumentParser(description="Write the demo venues as GLB.")
    parser.add_argument("names", nargs="*", choices=[[], *VENUES], metavar="NAME", help=", ".join(VENUES))
    parser.add_argument("--out", type=Path, default=Path(__file__).resolve().parent.parent / "meshes_demo")
    chosen = parser.parse_args()
    chosen.out.mkdir(parents=True, exist_ok=True)
    for name in chosen.names or VENUES:
        VENUES[name]().write(chosen.out / f"{name}.glb")


if __name__ == "__main__":
    main()
