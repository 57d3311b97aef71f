# SPDX-License-Identifier: GPL-3.0-or-later
"""Plan tables as TOML text. Only writing: reading is left to rf3d, as Blender 3.x has no reader of TOML."""

import json


def dumps(tables):
    """TOML text of plan tables: values, then tables, then lists of tables, in the order given."""
    lines = [f"{_key(key)} = {_value(value)}" for key, value in tables.items() if not _is_table(value)]
    for key, value in tables.items():
        if isinstance(value, dict):
            if value and all(isinstance(item, dict) for item in value.values()):
                for name, row in value.items():
                    lines += ["", f"[{_key(key)}.{_key(name)}]", *_row(row)]
            elif value:
                lines += ["", f"[{_key(key)}]", *_row(value)]
        elif _is_table(value):
            for row in value:
                lines += ["", f"[[{_key(key)}]]", *_row(row)]
    return "\n".join(lines) + "\n"


def _is_table(value):
    return isinstance(value, dict) or (isinstance(value, list) and bool(value) and isinstance(value[0], dict))


def _row(row):
    return [f"{_key(key)} = {_value(value)}" for key, value in row.items() if value is not None]


def _key(name):
    plain = name and all(c.isascii() and (c.isalnum() or c in "_-") for c in name)
    return name if plain else _value(name)


def _value(value):
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # JSON's escapes are TOML's, but for DEL.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, dict):
        inner = ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items() if v is not None)
        return "{ " + inner + " }"
    return repr(value)
