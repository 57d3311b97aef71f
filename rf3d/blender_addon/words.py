# SPDX-License-Identifier: GPL-3.0-or-later
"""Sentences of rf3d as they concern somebody in Blender: no file and row numbers, but objects."""

import re

_PLACE = re.compile(r",? in [^\s,;]+\.toml(, (\[\[?)([^\]]+)\]\]?( \d+)?)?")
_ADD_ROWS = re.compile(r"add \[\[surface\]\] rows to [^\s,;]+\.toml(; `rf3d check` lists what is missing)?")
_QUOTED = re.compile(r'"([^"]+)"')


def rows_meant(text):
    """(table, row from 0) of every row of the plan that a sentence points at."""
    return [(m.group(3), int(m.group(4)) - 1) for m in _PLACE.finditer(text) if m.group(3) and m.group(4)]


def in_blender(text):
    """The sentence without the place in a file the reader never sees."""
    return _PLACE.sub("", _ADD_ROWS.sub("give them one in the panel Surface", text))


def quoted(text):
    """Names in quotation marks, in order."""
    return _QUOTED.findall(text)


def wrapped(text, width):
    """Text in lines of at most ``width`` characters, broken at spaces."""
    lines, line = [], ""
    for word in text.split():
        if line and len(line) + 1 + len(word) > width:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    return [*lines, line] if line else lines


def label(name, words, limit=63):
    """A name of at most ``limit`` bytes for a Blender object: the name cut, the words kept."""
    tail = f": {words}"
    room = limit - len(tail.encode())
    cut = name.encode()
    if len(cut) > room:
        cut = cut[: max(0, room - 3)]
        name = cut.decode(errors="ignore").rstrip() + "…"
    return name + tail
