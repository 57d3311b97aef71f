"""Which file may import which: data flows one way, and every third-party package has a home."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Mapping
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

import rf3d

PACKAGE = Path(rf3d.__file__).parent
ADDON = PACKAGE / "blender_addon"
BLENDER = ("bpy", "bpy_extras", "mathutils", "gpu", "gpu_extras")
LAYERS = (
    ("rf3d",), ("rf3d.units",), ("rf3d.errors",), ("rf3d.jobs",), ("rf3d.venue",), ("rf3d.radio",),
    ("rf3d.plan_places", "rf3d.plan_tables"),
    ("rf3d.plan_files", "rf3d.plan_materials", "rf3d.plan_radios", "rf3d.plan_air"),
    ("rf3d.plan", "rf3d.plan_surfaces", "rf3d.starter"), ("rf3d.propagation",),
    ("rf3d.assessment",), ("rf3d.views",), ("rf3d.terminal",), ("rf3d.answers", "rf3d.exchange"),
    ("rf3d.volume_answers",), ("rf3d.cli",), ("rf3d.__main__",),
)  # fmt: skip
"""From the bottom up; a name stands for the module and everything in it, the longest one counts."""
HOMES: Mapping[str, tuple[str, ...]] = {
    "numpy": ("rf3d",),
    "scipy": ("rf3d",),
    "embreex": ("rf3d.propagation.tracer",),
    "numba": ("rf3d.propagation.kernels",),
    "trimesh": ("rf3d.venue.readers", "rf3d.views.export"),
    "pyvista": ("rf3d.views",),
    "vtkmodules": ("rf3d.views",),
    "pydantic": ("rf3d.plan_files", "rf3d.plan_tables"),
    "click": ("rf3d.cli", "rf3d.terminal"),
    "rich": ("rf3d.cli", "rf3d.terminal", "rf3d.views"),
}
HEAVY = ("numpy", "scipy", "numba", "llvmlite", "embreex", "trimesh", "pyvista", "vtkmodules", "pydantic")


def own_sources() -> dict[str, str]:
    """Text of every module of the package by its dotted name; a package goes by its own name."""
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        if ADDON in path.parents:
            continue
        parts = ("rf3d", *path.relative_to(PACKAGE).with_suffix("").parts)
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        found[name] = path.read_text(encoding="utf-8")
    return found


def imports_of(name: str, text: str, modules: set[str]) -> set[str]:
    """Dotted names a module imports, wherever in its text; names imported from a package that are modules count."""
    found = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name} imports relatively"
            inside = {f"{node.module}.{alias.name}" for alias in node.names} & modules
            found |= inside or {str(node.module)}
    return found


def within(name: str, home: str) -> bool:
    return name == home or name.startswith(home + ".")


def rank(name: str) -> int:
    """Layer of a module; −1 where it belongs to none."""
    places = [
        (len(home), i) for i, layer in enumerate(LAYERS) for home in layer if within(name, home) and home != "rf3d"
    ]
    return max(places)[1] if places else (0 if name == "rf3d" else -1)


def breaches(sources: Mapping[str, str]) -> list[str]:
    """Every breach of the direction, the homes or the absence of cycles, in words."""
    modules = set(sources)
    graph: dict[str, set[str]] = {}
    said = []
    for name, text in sources.items():
        if rank(name) < 0:
            said.append(f"{name} belongs to no layer")
        graph[name] = set()
        for wanted in sorted(imports_of(name, text, modules)):
            top = wanted.split(".")[0]
            if top == "rf3d":
                graph[name].add(wanted)
                if rank(wanted) > rank(name):
                    said.append(f"{name} imports {wanted}, which lies above it")
            elif top not in sys.stdlib_module_names and not any(within(name, home) for home in HOMES.get(top, ())):
                said.append(f"{name} imports {wanted}, whose home is elsewhere")
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        said.append(f"modules import each other: {' → '.join(error.args[1])}")
    return said


def test_imports_go_one_way_and_packages_stay_at_home():
    sources = own_sources()
    assert len(sources) > 30
    assert breaches(sources) == []


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("rf3d.units", "from rf3d.errors import InputError", "lies above it"),
        ("rf3d.venue.scene", "import rf3d.radio.antennas", "lies above it"),
        ("rf3d.radio.radios", "def f():\n    from rf3d.plan import Plan", "lies above it"),
        ("rf3d.plan", "from rf3d.propagation import paths", "lies above it"),
        ("rf3d.propagation.paths", "if TYPE_CHECKING:\n    from rf3d.assessment.run import solve", "lies above it"),
        ("rf3d.assessment.links", "from rf3d import views", "lies above it"),
        ("rf3d.views.pictures", "from rf3d.terminal import Run", "lies above it"),
        ("rf3d.terminal", "from rf3d.cli import main", "lies above it"),
        ("rf3d.propagation.paths", "import numba", "home is elsewhere"),
        ("rf3d.propagation.kernels.walk", "import embreex.rtcore_scene", "home is elsewhere"),
        ("rf3d.venue.scene", "from trimesh import Trimesh", "home is elsewhere"),
        ("rf3d.views.pictures", "import trimesh", "home is elsewhere"),
        ("rf3d.cli", "def f():\n    import pyvista as pv", "home is elsewhere"),
        ("rf3d.starter", "import pydantic", "home is elsewhere"),
        ("rf3d.assessment.run", "from rich.table import Table", "home is elsewhere"),
        ("rf3d.radio.antennas", "import pandas", "home is elsewhere"),
        ("rf3d.gadgets", "", "belongs to no layer"),
        ("rf3d.venue.scene", "from rf3d.venue.facets import find_facets", "import each other"),
    ],
)  # fmt: skip
def test_a_breach_is_found(name, text, says):
    """The real package with one line added."""
    sources = own_sources()
    sources[name] = sources.get(name, "") + "\n" + text
    assert any(name in breach and says in breach for breach in breaches(sources))


def addon_breaches(sources: Mapping[str, str]) -> list[str]:
    """What a file of the Blender add-on imports but Blender, the standard library and its own neighbours."""
    said = []
    for name, text in sources.items():
        for node in ast.walk(ast.parse(text, feature_version=(3, 10))):
            wanted = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                if node.level > 1:
                    said.append(f"{name} imports from outside its folder")
                wanted = [str(node.module)] if node.level == 0 else []
            known = {*BLENDER, *sys.stdlib_module_names}
            said += [f"{name} imports {module}" for module in wanted if module.split(".")[0] not in known]
    return said


def test_the_blender_add_on_needs_blender_and_the_standard_library_alone():
    """Nothing may be installed inside Blender; Blender 3.3 brings Python 3.10, whose grammar it is read with."""
    sources = {path.name: path.read_text(encoding="utf-8") for path in sorted(ADDON.glob("*.py"))}
    assert len(sources) > 10
    assert addon_breaches(sources) == []
    assert all("SPDX-License-Identifier: GPL-3.0-or-later" in text for text in sources.values())


@pytest.mark.parametrize(
    "text",
    ["import numpy", "from rf3d.units import wavelength_m", "from .. import units", "def f():\n    import click"],
)
def test_a_breach_of_the_add_on_is_found(text):
    assert addon_breaches({"x.py": text})


def test_nothing_but_the_add_on_imports_blender():
    for name, text in own_sources().items():
        assert not {wanted.split(".")[0] for wanted in imports_of(name, text, set())} & set(BLENDER)


@pytest.mark.parametrize(
    "code",
    [
        "import rf3d",
        "import sys; sys.argv = ['rf3d', '--help']\nfrom rf3d.cli import main\nmain(standalone_mode=False)",
    ],
    ids=["import", "help"],
)
def test_starts_light(code):
    """Neither ``import rf3d`` nor ``rf3d --help`` loads numerics, geometry, graphics or plan checking."""
    probe = f"{code}\nimport sys\nprint('loaded:', *sorted(set(sys.modules) & {set(HEAVY)!r}))"
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.splitlines()[-1].split() == ["loaded:"]


def test_the_probe_sees_what_is_loaded():
    probe = f"import rf3d.units\nimport sys\nprint('loaded:', *sorted(set(sys.modules) & {set(HEAVY)!r}))"
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.split() == ["loaded:", "numpy"]
