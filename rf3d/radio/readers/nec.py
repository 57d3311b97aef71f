"""The radiation-pattern table in the output of the Numerical Electromagnetics Code, version 2.

Each line: θ, φ, vertical, horizontal and total gain in dB, axial ratio, tilt, sense, and magnitude and phase of E(θ)
and E(φ). Its axes are those of the wires: let z be up and x the boresight.

Source: Burke and Poggio, NEC user's guide, RP card and output formats (from memory); tested on the output of the
open-source nec2c 1.3.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from rf3d.radio.readers.samples import Samples, bad_file

_FREQUENCY = re.compile(r"FREQUENCY\s*[:=]\s*([-+.\dEe]+)\s*MHZ", re.IGNORECASE)
_HEADING = "RADIATION PATTERNS"
_SENSES = ("LINEAR", "RIGHT", "LEFT")


@dataclass(frozen=True, eq=False)
class NecTable:
    """One pattern table: its frequency, its samples, and whether its gains are directive, without losses."""

    frequency_hz: float
    samples: Samples
    directive: bool


def is_nec(text: str) -> bool:
    """Whether a text is such an output."""
    return _HEADING in text.upper()


def read_nec(text: str, *, file: str) -> list[NecTable]:
    """Every pattern table of an output.

    Raises
    ------
    InputError
        No frequency before a table, a line that is not as it must be.
    """
    tables = []
    frequency: float | None = None
    lines = text.splitlines()
    for number, line in enumerate(lines):
        found = _FREQUENCY.search(line)
        if found:
            frequency = _number(found.group(1)) * 1e6
        if _HEADING in line.upper():
            if frequency is None or not frequency > 0.0:
                raise bad_file(file, f"no frequency before the pattern on line {number + 1}", "the output states it")
            directive = any("DIRECTIVE" in above.upper() for above in lines[number : number + 5])
            tables.append(NecTable(frequency, _read_rows(lines, number + 1, file), directive))
    return tables


def _read_rows(lines: list[str], start: int, file: str) -> Samples:
    """Samples of the table whose heading ends above line ``start``, up to the first line that is no sample."""
    rows: list[list[float]] = []
    numbers: list[int] = []
    for number in range(start, len(lines)):
        words = lines[number].split()
        values = [_number(word) for word in words if word.upper() not in _SENSES]
        if not values or np.isnan(values[0]):
            if rows:
                break
            continue
        if len(values) != 11 or not np.isfinite(values).all():
            raise bad_file(
                file,
                f"line {number + 1} is no line of a pattern",
                "it has eleven numbers and the sense of the rotation",
            )
        rows.append(values)
        numbers.append(number + 1)
    if not rows:
        raise bad_file(file, f"no samples below line {start}", "a pattern table has one direction a line")
    table = np.array(rows)
    phase = np.exp(1j * np.radians(table[:, [8, 10]]))
    return Samples(table[:, 0], table[:, 1], table[:, 4], table[:, [7, 9]] * phase, np.array(numbers))


def _number(word: str) -> float:
    try:
        return float(word)
    except ValueError:
        return float("nan")
