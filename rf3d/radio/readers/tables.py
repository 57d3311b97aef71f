"""Patterns as comma-separated tables: a header, then one direction a line."""

from __future__ import annotations

import csv
import io

import numpy as np

from rf3d.radio.readers.samples import Samples, bad_file

NEEDED = ("theta_deg", "phi_deg", "gain_dbi")
FIELD = ("e_theta_re", "e_theta_im", "e_phi_re", "e_phi_im")


def is_table(text: str) -> bool:
    """Whether the first line with content is a header of columns rather than numbers."""
    first = next((line for line in text.splitlines() if _content(line)), "")
    return any(name.strip().lower().startswith(("theta", "phi", "gain")) for name in first.split(","))


def read_table(text: str, *, file: str) -> Samples:
    """Samples of a table with the columns `NEEDED`, and all or none of `FIELD`.

    Raises
    ------
    InputError
        A column that is missing, doubled or unknown; a cell that is missing or not a finite number.
    """
    numbered = [(number, line) for number, line in enumerate(text.splitlines(), 1) if _content(line)]
    rows = list(csv.reader(io.StringIO("\n".join(line for _, line in numbered)), skipinitialspace=True))
    columns = [name.strip() for name in rows[0]]
    unknown = [name for name in columns if name not in (*NEEDED, *FIELD)]
    allowed = f"columns are {', '.join(NEEDED)}, and optionally all of {', '.join(FIELD)}"
    if unknown:
        raise bad_file(file, f'the column "{unknown[0]}"', allowed)
    if len(set(columns)) < len(columns):
        raise bad_file(file, "a column that stands twice", allowed)
    has_field = any(name in columns for name in FIELD)
    missing = [name for name in (*NEEDED, *(FIELD if has_field else ())) if name not in columns]
    if missing:
        raise bad_file(file, f"no column {missing[0]}", allowed)
    if len(rows) < 2:
        raise bad_file(file, "a header without samples", "each line below it is one direction")
    values = np.empty((len(rows) - 1, len(columns)))
    for index, row in enumerate(rows[1:]):
        number = numbered[index + 1][0]
        if len(row) != len(columns):
            raise bad_file(file, f"{len(row)} values on line {number}", f"each line has {len(columns)}")
        for column, cell in enumerate(row):
            value = _number(cell)
            if not np.isfinite(value) and not (columns[column] == "gain_dbi" and value == -np.inf):
                raise bad_file(file, f'{columns[column]} on line {number} is "{cell}"', "it must be a finite number")
            values[index, column] = value
    part = {name: values[:, columns.index(name)] for name in columns}
    field = None
    if has_field:
        field = np.stack(
            [part["e_theta_re"] + 1j * part["e_theta_im"], part["e_phi_re"] + 1j * part["e_phi_im"]], axis=1
        )
    lines = np.array([number for number, _ in numbered[1:]])
    return Samples(part["theta_deg"], part["phi_deg"], np.maximum(part["gain_dbi"], -999.99), field, lines)


def _content(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _number(cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        return float("nan")
