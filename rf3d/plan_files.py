"""Read a plan file into its tables, and say in words what is wrong with it."""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from rf3d.errors import InputError
from rf3d.plan_places import Place, nearest, shown
from rf3d.plan_tables import ROWS, GridRow, LayerRow, PlanTables


def read_tables(path: Path) -> tuple[PlanTables, str]:
    """Read and check a plan file.

    Returns
    -------
    tables : PlanTables
    digest : str
        SHA-256 of the file's bytes, hexadecimal.

    Raises
    ------
    InputError
        No such file, not TOML (with the line), or the first key that is unknown, missing or out of bounds.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(
            f'the plan "{path}" cannot be read ({error.strerror})', "it must be a TOML file", "correct the path"
        ) from error
    try:
        content = tomllib.loads(data.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise InputError(
            f'the plan "{path.name}" is not TOML: {_toml_reason(error)}',
            "a line holds key = value, a [table] or a comment, in UTF-8",
            "correct that line",
        ) from error
    try:
        return PlanTables.model_validate(content), hashlib.sha256(data).hexdigest()
    except ValidationError as error:
        raise _in_words(error, content, path.name) from None


def _toml_reason(error: Exception) -> str:
    if isinstance(error, tomllib.TOMLDecodeError):
        return str(error)
    if isinstance(error, UnicodeDecodeError):
        return f"byte {error.start} is not UTF-8 text"
    return "its brackets are nested too deeply"


def _in_words(error: ValidationError, content: dict[str, Any], file: str) -> InputError:
    """The first thing wrong, unknown keys before all and missing ones last: a mistyped key looks like a missing one."""
    order = {"extra_forbidden": 0, "missing": 2}
    problem = min(error.errors(include_url=False), key=lambda problem: order.get(problem["type"], 1))
    place, loc = _locate(problem["loc"], content, file)
    key = str(loc[-1])
    row: type[BaseModel] = ROWS.get(place.table, PlanTables)
    if place.inner:
        row = GridRow if place.inner.startswith("grid") else LayerRow
    fields = {(f.alias or n): f for n, f in row.model_fields.items()}
    if problem["type"] == "extra_forbidden":
        what = "table or key" if not place.table else "key"
        return place.refuse(
            f"{key} of {place.owner} is not a known {what}", nearest(key, fields), f"correct or delete {key}"
        )
    field = fields.get(key)
    allowed = field.description if field is not None and field.description else "text"
    if problem["type"] == "missing":
        given = f"{key} of {place.owner}" if place.table else _HEADERS.get(key, key)
        added = key if place.table else given
        return place.refuse(f"{given} is missing", f"it must be {allowed}", f"add {added}")
    return place.refuse(
        f"{key} of {place.owner} is {shown(_value(content, loc))}", f"it must be {allowed}", "change it"
    )


_HEADERS = {
    "venue": "[venue]", "surface": "[[surface]]", "material": "[material.NAME]", "radio": "[radio.NAME]",
    "antenna": "[antenna.NAME]", "transmitter": "[[transmitter]]", "receiver": "[[receiver]]", "zone": "[[zone]]",
    "hang": "[[hang]]", "occupied": "[[occupied]]", "study": "[study]",
}  # fmt: skip


def _locate(loc: tuple[int | str, ...], content: dict[str, Any], file: str) -> tuple[Place, tuple[int | str, ...]]:
    """The table a location lies in, and the location of its key; a wrong table is itself a key of the file."""
    table = str(loc[0])
    if len(loc) == 1 or table not in ROWS:
        return Place(file), loc[:1]
    if table in ("venue", "study"):
        return Place(file, table), loc[:2]
    if len(loc) == 2 or loc[2] == "[key]":
        return Place(file), loc[:1]
    if isinstance(loc[1], str):
        return _within(Place(file, table, None, loc[1]), loc)
    row = content[table][loc[1]]
    names = [row.get(key) for key in ("name", "object", "mesh_material")]
    name = next((n for n in names if isinstance(n, str) and n), "")
    return Place(file, table, loc[1], name), loc[:3]


def _within(place: Place, loc: tuple[int | str, ...]) -> tuple[Place, tuple[int | str, ...]]:
    """A key of a named table, or of a layer or grid inside it."""
    inner: list[str] = []
    step = 2
    while step < len(loc) - 1 and loc[step] in ("layers", "grid"):
        listed = loc[step] == "layers"
        inner.insert(0, f"layer {int(loc[step + 1]) + 1}" if listed else "grid")
        step += 2 if listed else 1
    if step == len(loc):  # a layer that is no table
        return place, loc[:3]
    return replace(place, inner=" of ".join(inner)), loc[: step + 1]


def _value(content: Any, loc: tuple[int | str, ...]) -> Any:
    for step in loc:
        content = content[step]
    return content
