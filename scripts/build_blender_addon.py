"""Make the two zips of the Blender add-on: a legacy add-on for Blender 3.3 and up, an extension for 4.2 and up.

The legacy zip holds one folder, the extension lies flat with its manifest: Blender refuses the other way round. The
same sources give the same bytes.
"""

from __future__ import annotations

import argparse
import re
import sys
import tomllib
import zipfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SOURCE = ROOT / "rf3d" / "blender_addon"
FOLDER = "rf3d_blender"
"""Name of the add-on in Blender, apart from that of the package rf3d."""
WHEN = (2020, 1, 1, 0, 0, 0)


def build(out: Path) -> tuple[Path, Path]:
    """Write both zips into a folder and give their paths, the legacy one first.

    Raises
    ------
    SystemExit
        The versions of project, add-on and manifest differ.
    """
    version = _version()
    out.mkdir(parents=True, exist_ok=True)
    files = sorted(path for path in SOURCE.iterdir() if path.suffix == ".py" or path.name == "LICENSE")
    legacy = out / f"rf3d_blender_addon_{version}.zip"
    extension = out / f"rf3d_blender_extension_{version}.zip"
    _write(legacy, {f"{FOLDER}/{path.name}": path for path in files})
    _write(extension, {path.name: path for path in [*files, SOURCE / "blender_manifest.toml"]})
    return legacy, extension


def _version() -> str:
    """The one version of everything."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    manifest = tomllib.loads((SOURCE / "blender_manifest.toml").read_text(encoding="utf-8"))["version"]
    found = re.search(r'"version": \((\d+), (\d+), (\d+)\)', (SOURCE / "__init__.py").read_text(encoding="utf-8"))
    info = ".".join(found.groups()) if found else "none"
    if not project == manifest == info:
        sys.exit(f"versions differ: pyproject.toml {project}, blender_manifest.toml {manifest}, bl_info {info}")
    return str(project)


def _write(path: Path, content: dict[str, Path]) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as target:
        for name, source in content.items():
            entry = zipfile.ZipInfo(name, WHEN)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            target.writestr(entry, source.read_bytes())


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=ROOT / "dist", help="folder for the zips (dist)")
    for made in build(parser.parse_args().out):
        print(made)
