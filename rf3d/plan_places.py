"""Tables of a plan file as messages name them: which it is, where it stands, what is most like a mistyped word."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from rf3d.errors import InputError


@dataclass(frozen=True)
class Place:
    """A table of a plan file, for messages: which it is and where it stands.

    Parameters
    ----------
    file : str
    table : str
        "" for the file itself.
    index : int or None
        Of a row in a list of tables, from 0.
    name : str
        What the row calls itself; "" where it has no name.
    inner : str
        Which table within it; "" for the row itself.
    """

    file: str
    table: str = ""
    index: int | None = None
    name: str = ""
    inner: str = ""

    @property
    def owner(self) -> str:
        """Whose key it is, in words."""
        if self.inner:
            return f"{self.inner} of {replace(self, inner='').owner}"
        if not self.table:
            return self.file
        if self.name:
            return f'{self.table} "{self.name}"'
        return self.header if self.index is None else f"{self.header} {self.index + 1}"

    @property
    def header(self) -> str:
        """The table's header as it stands in the file."""
        if self.index is not None:
            return f"[[{self.table}]]"
        return f"[{self.table}.{self.name}]" if self.name else f"[{self.table}]"

    @property
    def where(self) -> str:
        """File and table."""
        if not self.table:
            return self.file
        return f"{self.file}, {self.header}" + ("" if self.index is None else f" {self.index + 1}")

    def refuse(self, given: str, allowed: str, cure: str) -> InputError:
        """An error about this place."""
        return InputError(given, allowed, f"{cure} in {self.where}")


def nearest(word: str, known: Iterable[str]) -> str:
    """The known word most like a mistyped one as a clause: `the nearest is "…"`, else all of them."""
    names = sorted(known)
    close = difflib.get_close_matches(word, names, n=1, cutoff=0.5)
    if close:
        return f'the nearest known one is "{close[0]}"'
    return f"known ones are {', '.join(names)}" if names else "none is known"


def shown(value: Any) -> str:
    """A value as it could stand in the file, cut to a readable length."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list) and any(isinstance(item, dict) for item in value):
        return "a list of tables"
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else text[:57] + "…"
