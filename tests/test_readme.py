"""What README tells its reader to write into the plan of the black box: the program must take it."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from rf3d.cli import main

HERE = Path(__file__).resolve().parent.parent
BLOCKS = re.findall(r"^```toml\n(.*?)^```", (HERE / "README.md").read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
TITLE = re.compile(r'^\[+(\w+)\]*.*?^name = "(.*?)"', re.MULTILINE | re.DOTALL)
"""Table and name of a row."""


def block_of(table: str) -> str:
    """The block of README that starts with this header."""
    (block,) = [block for block in BLOCKS if block.startswith(table)]
    return block


@pytest.fixture
def plan(tmp_path):
    """A copy of the demo's plan with little to trace."""
    shutil.copy(HERE / "meshes_demo" / "blackbox.glb", tmp_path)
    text = (HERE / "meshes_demo" / "blackbox.toml").read_text(encoding="utf-8")
    text = text.replace("max_reflections = 3", "max_reflections = 0").replace("rays = 1000000", "rays = 1000")
    path = tmp_path / "blackbox.toml"
    path.write_text(text, encoding="utf-8")
    return path


def without(text: str, table: str, name: str) -> str:
    """A plan without the rows of a table whose names match."""
    return re.sub(
        rf'^\[\[{table}\]\][^\n]*\nname = "(?:{name})".*?(?=^\[|\Z)', "", text, flags=re.MULTILINE | re.DOTALL
    )


def done(*arguments: str | Path) -> str:
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    assert result.exit_code in (0, 4), result.output
    return result.output


@pytest.mark.parametrize("table", ["[material.cavity_wall]", "[[occupied]]", "[[zone]]", "[[hang]]", "[[transmitter]]"])
def test_the_blocks_of_the_readme_check(plan, table):
    """Each in the plan that README goes on with; a row of the same name there makes room for it."""
    block, text = block_of(table), plan.read_text(encoding="utf-8")
    for kind, name in TITLE.findall(block):
        text = without(text, kind, name)
    plan.write_text(text.replace("[[receiver]]", f"{block}\n[[receiver]]", 1), encoding="utf-8")
    said = done("check", plan, "--quiet")
    assert "error" not in said
    assert "fail" not in said


def test_the_air_and_the_transmitter_of_the_readme_are_judged(plan):
    """What is on the air stands in the air of README's own venue: the phones once stood inside the seating."""
    text = without(plan.read_text(encoding="utf-8"), "receiver", '(?!table lamp|costume pack in|house light)[^"]*')
    added = block_of("[[occupied]]") + "\n" + block_of("[[transmitter]]")
    plan.write_text(text.replace("[[receiver]]", f"{added}\n[[receiver]]", 1), encoding="utf-8")
    said = done("links", plan, "--quiet")
    assert "from dressing room rail *" in said
    assert "Over the air listed." in said
