# SPDX-License-Identifier: GPL-3.0-or-later
"""What the installed rf3d knows: its version, its materials, the tables and keys of its plan files."""

known = {"rf3d": "", "materials": [], "tables": {}}
"""As the command ``rf3d vocabulary`` told it; empty until it has been asked once."""


def learn(told):
    """Keep what rf3d told of itself."""
    known.update({key: told[key] for key in known if key in told})


def takes(table, key=None):
    """Whether the installed rf3d takes a table, or a key of it."""
    keys = known["tables"].get(table)
    return keys is not None and (key is None or key in keys)


def needed_keys(table):
    """Keys that must stand in a row of a table."""
    return [key for key, about in known["tables"].get(table, {}).items() if about["needed"]]


def states_thickness(material):
    """Whether a material of the catalogue brings its own layers."""
    return any(m["name"] == material and m["thickness_m"] is not None for m in known["materials"])


def search_materials(owner, context, text):
    """Names for the search field, with what each is."""
    wanted = text.lower()
    return [
        (m["name"], m["title"])
        for m in known["materials"]
        if wanted in m["name"].lower() or wanted in m["title"].lower()
    ]
