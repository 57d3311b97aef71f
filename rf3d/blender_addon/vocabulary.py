# SPDX-License-Identifier: GPL-3.0-or-later
"""What the installed rf3d knows: its version, its materials, generic radios and housings."""

import bpy

known = {"rf3d": "", "materials": [], "radios": [], "housings": []}
"""As the command ``rf3d vocabulary`` told it; empty until it has been asked once."""


def learn(told):
    """Keep what rf3d told of itself."""
    known.update({key: told[key] for key in known if key in told})


def generic_radio(name):
    """Numbers of a radio that rf3d knows by name, as a row of a plan; None where it knows none."""
    return next((radio for radio in known["radios"] if radio["name"] == name), None)


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


def search_radios(owner, context, text):
    """Radios that objects of the file name, then the generic ones."""
    named = {o.rf3d.radio_name for o in bpy.data.objects if o.rf3d.role in ("TRANSMITTER", "RECEIVER")}
    known_ones = [(radio["name"], radio["source"]) for radio in known["radios"] if radio["name"] not in named]
    return [pair for pair in [*((name, "") for name in sorted(named)), *known_ones] if text.lower() in pair[0].lower()]


def search_housings(owner, context, text):
    """Housings, with what each takes."""
    return [
        (h["name"], f"{h['typical_db']:g} to {h['worst_db']:g} dB")
        for h in known["housings"]
        if text.lower() in h["name"].lower()
    ]
