"""What can go wrong, and what is merely worth saying.

    Rf3dError                 every error a user may cause or meet
    ├── InputError            bad input: exit code 2, nothing written
    ├── MissingPartError      an optional part is not installed: exit code 3
    └── CancelledError        stopped by the user: exit code 130

Exceptions mean "no answer". A physical warning is not an exception but a ``Finding``: data that
travels with the answer into every table, file and picture.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

Severity = Literal["info", "caution", "fail"]


class Rf3dError(Exception):
    """Root of the tree; ``exit_code`` is what the command line returns."""

    exit_code = 1


class InputError(Rf3dError):
    """Bad input, said in three parts: what was given, what is allowed, what to do."""

    exit_code = 2

    def __init__(self, given: str, allowed: str, cure: str) -> None:
        super().__init__(f"{given}; {allowed}; {cure}")
        self.given, self.allowed, self.cure = given, allowed, cure


class MissingPartError(Rf3dError):
    """Something optional is needed and not there."""

    exit_code = 3


class CancelledError(Rf3dError):
    """The user stopped the work; nothing half-written is left behind."""

    exit_code = 130


@dataclass(frozen=True)
class Finding:
    """One thing worth knowing about the plan.

    Parameters
    ----------
    code : str
        Stable identifier, kebab-case.
    severity : {"info", "caution", "fail"}
    where : str
        Name of the receiver, link, surface or table it is about.
    message : str
        Plain words, with what to do.
    value, limit : float or None
        The number that triggered it and what it was held against.
    unit : str
        Unit of both, "" where there is none.
    place_m : tuple of 3 float or None
        World coordinates, metres, where the finding has a place.
    """

    code: str
    severity: Severity
    where: str
    message: str
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    place_m: tuple[float, float, float] | None = None

    def as_json(self) -> dict[str, Any]:
        """Plain data in the form the JSON files carry."""
        data: dict[str, Any] = {
            "code": self.code, "severity": self.severity, "where": self.where, "message": self.message,
            "value": self.value, "limit": self.limit, "unit": self.unit,
        }  # fmt: skip
        if self.place_m is not None:
            data["place_m"] = list(self.place_m)
        return data
