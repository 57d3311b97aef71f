"""Radio materials: permittivity and conductivity of what a venue is built and dressed with.

Rows come from the TOML files in ``catalogue/``, each with its source, its basis and the
range the source states. A material is a bulk whose thickness the surface or the geometry
gives, or a complete stack of layers, front to back; a layer may be a film or a wire grid
without thickness.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from rf3d.errors import InputError
from rf3d.units import SPEED_OF_LIGHT_M_S, VACUUM_PERMITTIVITY_F_M, ComplexArray

BASES = {"P": "published", "CP": "common practice, no source", "M": "from memory", "A": "assumed"}


@dataclass(frozen=True)
class Grid:
    """A square metal grid whose wires touch where they cross.

    Parameters
    ----------
    pitch_m : float
        From the middle of one wire to the middle of the next.
    wire_m : float
        Width of the metal between two openings.
    round : bool
        Wires of circular section, ``wire_m`` thick, rather than flat strips ``wire_m`` wide. A round wire acts like a
        strip twice as wide, which costs a decibel or more.
    """

    pitch_m: float
    wire_m: float
    round: bool = False

    @property
    def inductance_m(self) -> float:
        """Sheet reactance over k₀η₀, metres: X/η₀ = k₀ · this at normal incidence.

        Strips of width w at pitch a: X/η₀ = (a/λ) ln(1/sin(πw/2a)). A round wire of diameter d is a strip of width
        2d, for thin wires (a/λ) ln(a/πd). *Valid for* a < λ/2.

        Source: Marcuvitz, Waveguide Handbook, 1951, inductive strips and posts (from memory).
        """
        strip_m = 2.0 * self.wire_m if self.round else self.wire_m
        return -self.pitch_m * math.log(math.sin(0.5 * math.pi * strip_m / self.pitch_m)) / (2.0 * math.pi)

    @property
    def highest_hz(self) -> float:
        """Frequency at which the pitch is half a wavelength."""
        return SPEED_OF_LIGHT_M_S / (2.0 * self.pitch_m)


@dataclass(frozen=True)
class Layer:
    """One layer: ε′ = a·f^b and σ = c·f^d in S/m, f in GHz; or a film or grid, whose thickness is 0.

    Parameters
    ----------
    a, b, c, d : float
        Of vacuum where the layer is a film or a grid.
    thickness_m : float or None
        None where the surface or the geometry states it.
    name : str
        What a person calls it.
    sheet_resistance_ohm : float or None
        Of a film much thinner than its skin depth, ohms a square.
    grid : Grid or None

    Source: ITU-R P.2040-3 (08/2023), Table 3 and the two equations before it.
    """

    a: float
    b: float
    c: float
    d: float
    thickness_m: float | None = None
    name: str = ""
    sheet_resistance_ohm: float | None = None
    grid: Grid | None = None

    @property
    def thin(self) -> bool:
        """Whether it is a film or a grid."""
        return self.sheet_resistance_ohm is not None or self.grid is not None

    @property
    def words(self) -> str:
        """The layer as a person says it."""
        if self.sheet_resistance_ohm is not None:
            return f"film of {self.sheet_resistance_ohm:g} ohm a square"
        if self.grid is not None:
            form = "round wires" if self.grid.round else "strips"
            return f"grid of {1e3 * self.grid.wire_m:.4g} mm {form} every {1e3 * self.grid.pitch_m:.4g} mm"
        size = "" if self.thickness_m is None else f"{1e3 * self.thickness_m:.4g} mm "
        return size + (self.name or f"of permittivity {self.a:g}")


def make_layer(
    *,
    material: Material | None = None,
    permittivity: float = 1.0,
    conductivity_s_m: float = 0.0,
    thickness_m: float | None = None,
    sheet_resistance_ohm: float | None = None,
    grid: Grid | None = None,
) -> Layer:
    """A layer of a bulk material, of numbers, a resistive film or a grid; the first of the last four that is given."""
    if sheet_resistance_ohm is not None or grid is not None:
        return Layer(1.0, 0.0, 0.0, 0.0, 0.0, sheet_resistance_ohm=sheet_resistance_ohm, grid=grid)
    if material is not None:
        return replace(material.layers[0], thickness_m=thickness_m, name=material.name)
    return Layer(permittivity, 0.0, conductivity_s_m, 0.0, thickness_m)


@dataclass(frozen=True)
class Material:
    """A bulk material or a stack of layers.

    Parameters
    ----------
    name : str
    layers : tuple of Layer
        Front to back; a bulk material is one layer without thickness.
    scattering : float
        S, amplitude of the diffuse part, 0 to 1.
    valid_hz : tuple of 2 float
        Range the source states, hertz.
    basis : {"P", "CP", "M", "A"}
        Published, common practice, from memory, assumed.
    source : str
    title : str
        One line for a person.
    open_fraction : float
        Share of the area that is openings, each larger than a wavelength; 0 for a closed wall.
    opening_m : float or None
        Smallest width of such an opening.
    """

    name: str
    layers: tuple[Layer, ...]
    scattering: float
    valid_hz: tuple[float, float]
    basis: str
    source: str
    title: str
    open_fraction: float = 0.0
    opening_m: float | None = None

    @property
    def thin(self) -> bool:
        """Whether it is nothing but films and grids."""
        return all(layer.thin for layer in self.layers)

    @property
    def build_up(self) -> str:
        """Its layers front to back and its openings, in words; "" for a plain bulk."""
        words = [layer.words for layer in self.layers] if self.thickness_m is not None else []
        if self.open_fraction > 0.0 and self.opening_m is not None:
            words.append(f"{100 * self.open_fraction:g} % of it openings of {self.opening_m:g} m")
        return ", ".join(words)

    @property
    def thickness_m(self) -> float | None:
        """Thickness of the whole stack in metres, None where a layer leaves it open."""
        known = [layer.thickness_m for layer in self.layers if layer.thickness_m is not None]
        return sum(known) if len(known) == len(self.layers) else None


def complex_permittivity(layers: Sequence[Layer], frequency_hz: ArrayLike) -> ComplexArray:
    """Complex relative permittivity ε′ − jσ/(2π f ε₀) of layers.

    Parameters
    ----------
    layers : sequence of L Layer
    frequency_hz : float or (F,) float

    Returns
    -------
    (L, F) complex128

    *Source*: ITU-R P.2040-3, ε″ = 17.98 σ/f_GHz, here with the exact constant 17.9751.

    Examples
    --------
    >>> round(complex(complex_permittivity(catalogue()["glass"].layers, 1e9)[0, 0]).real, 2)
    6.31
    """
    frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    a, b, c, d = np.array([[layer.a, layer.b, layer.c, layer.d] for layer in layers]).T[..., None]
    ghz = frequency / 1e9
    return np.asarray(a * ghz**b - 1j * c * ghz**d / (2.0 * np.pi * frequency * VACUUM_PERMITTIVITY_F_M))


@cache
def catalogue() -> Mapping[str, Material]:
    """All shipped materials by name, read once from ``catalogue/*.toml``."""
    found: dict[str, Material] = {}
    folder = files("rf3d.venue") / "catalogue"
    for file in sorted((f for f in folder.iterdir() if f.name.endswith(".toml")), key=lambda f: f.name):
        for name, row in tomllib.loads(file.read_text(encoding="utf-8")).items():
            if name in found:
                raise InputError(
                    f"material {name!r} stands twice in the catalogue",
                    "names must be unique",
                    f"rename it in {file.name}",
                )
            found[name] = _material(name, row, found)
    return MappingProxyType(found)


def _material(name: str, row: Mapping[str, Any], known: Mapping[str, Material]) -> Material:
    layers = tuple(_layer(layer, known) for layer in row.get("layers", [])) or (
        Layer(float(row["a"]), float(row["b"]), float(row["c"]), float(row["d"])),
    )
    low, high = row["valid_ghz"]
    return Material(
        name=name, layers=layers, scattering=float(row["scattering"]), valid_hz=(low * 1e9, high * 1e9),
        basis=row["basis"], source=row["source"], title=row["title"],
    )  # fmt: skip


def _layer(row: Mapping[str, Any], known: Mapping[str, Material]) -> Layer:
    if "a" in row:
        return Layer(**row)
    return make_layer(
        material=known[row["material"]] if "material" in row else None,
        thickness_m=row.get("thickness_m"),
        sheet_resistance_ohm=row.get("sheet_resistance_ohm"),
        grid=Grid(**row["grid"]) if "grid" in row else None,
    )


def suggest(name: str) -> str | None:
    """Catalogue name that an object or mesh-material name points to, None when it does not say.

    Names are cut into words at punctuation, digits and capitals; only whole words count. A word for a
    substance ("steel", "Conc", "velour") decides; a word for a thing ("curtain", "window", "deck") only where
    no other word makes it doubtful ("curtain track", "stage wall"). Two substances that disagree give None.

    Examples
    --------
    >>> suggest("Conc_wall.002"), suggest("glasgow_wall")
    ('concrete', None)
    """
    words = _words(name)
    found: set[str] = set()
    for phrase, material in _PHRASES:
        size = len(phrase)
        for start in range(len(words) - size, -1, -1):
            if tuple(words[start : start + size]) == phrase:
                del words[start : start + size]
                found |= {material} - {""}
    substances = {_SUBSTANCES[word] for word in words if word in _SUBSTANCES}
    if substances and {"window", "windows"} & set(words):
        substances.add("glass")  # a wooden window: its frame or its pane
    found |= substances
    if not found:
        things = [word for word in words if word in _THINGS]
        found = {_THINGS[word] for word in things}
        company = {word for word in words if word not in _THINGS and word not in _NEUTRAL}
        doubtful = company if not _PLAIN_THINGS.issuperset(things) else company & _OTHER_PARTS
        if doubtful:
            return None
    return found.pop() if len(found) == 1 else None


def _words(name: str) -> list[str]:
    words: list[str] = []
    for chunk in re.findall(r"[^\W\d_]+", name):
        whole = chunk.lower()
        if whole in _SUBSTANCES or whole in _THINGS:
            words.append(whole)
        else:
            words += [w.lower() for w in re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[^\W\d_]", chunk)]
    return words


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


def _table(**lists: str) -> dict[str, str]:
    return {word: material for material, words in lists.items() for word in words.split()}


_SUBSTANCES = _table(
    concrete="concrete conc beton screed",
    brick="brick bricks brickwork masonry",
    block_wall="blockwork breezeblock breezeblocks",
    plasterboard="plasterboard drywall gyp gypsum gypsumboard",
    metal_lath_plaster="lath",
    wood="wood wooden timber oak pine beech maple parquet hardwood softwood ply plywood",
    chipboard="chipboard particleboard",
    glass="glass glazing glazed",
    marble="marble",
    metal="metal metallic steel steelwork aluminium aluminum alu iron truss trusses scaffold scaffolding girder",
    drape_dry="velour serge molton cloth fabric",
)
"""Words that say what a thing is made of, or a thing that is never made of anything else."""

_THINGS = _table(
    glass="window windows pane panes",
    drape_dry="drape drapes drapery curtain curtains tab tabs leg legs border borders backcloth cyc cyclorama",
    led_wall="led ledwall videowall",
    audience="audience crowd spectators seats",
    stage_deck="stage deck decks decking rostrum rostra",
)
"""Words for things that are usually of one material."""

_PLAIN_THINGS = frozenset(_THINGS) - _set("tab tabs leg legs border borders led seats stage deck decks")
"""Things that keep their meaning beside an unknown word; "leg" and "stage" do not."""

_PHRASES: tuple[tuple[tuple[str, ...], str], ...] = tuple(
    (tuple(phrase.split()), material)
    for phrase, material in (
        ("steel reinforced concrete", "concrete"), ("reinforced concrete", "concrete"),
        ("concrete block", "block_wall"), ("concrete blocks", "block_wall"), ("block wall", "block_wall"),
        ("breeze block", "block_wall"), ("cinder block", "block_wall"),
        ("wire mesh", "wire_mesh"), ("welded mesh", "wire_mesh"), ("steel grating", "steel_grating"),
        ("stud wall", "stud_wall"), ("insulated metal panel", "insulated_metal_panel"),
        ("metal lath plaster", "metal_lath_plaster"), ("metal lath", "metal_lath_plaster"),
        ("low e glass", "low_e_glass"), ("low e glazing", "low_e_glass"), ("low e", "low_e_glass"),
        ("safety curtain", "safety_curtain"), ("iron curtain", "safety_curtain"), ("fire curtain", "safety_curtain"),
        ("steel deck", "steel_deck"), ("steel decking", "steel_deck"), ("metal deck", "steel_deck"),
        ("wet drape", "drape_wet"), ("drape wet", "drape_wet"), ("wet cloth", "drape_wet"),
        ("led wall frame", ""), ("led wall", "led_wall"), ("led screen", "led_wall"), ("video wall", "led_wall"),
        ("ceiling board", "ceiling_board"), ("ceiling tile", "ceiling_board"), ("ceiling tiles", "ceiling_board"),
        ("curtain wall", ""), ("curtain walling", ""), ("stage left", ""), ("stage right", ""),
    )
)  # fmt: skip
"""Words that mean something else together, longest first; "" says nothing about the material."""

_OTHER_PARTS = _set(
    "wall walls ceiling ceil roof frame frames track tracks rail rails door doors bar bars rope motor light lights"
    " sill shutter platform platforms table chair opening"
)
"""Words that make any thing doubtful: the track of a curtain is no curtain."""

_NEUTRAL = _set(
    "a b c d e f g h l r sl sr us ds dsl dsr usl usr upstage downstage left right front rear mid middle centre center"
    " upper lower main house wing black red white row rows block panel panels floor riser risers board boards top"
    " cube plane mesh box object geometry mat material seated full stage deck part copy"
)
"""Words of place, number, colour and of modelling programs, which say nothing about the material."""
