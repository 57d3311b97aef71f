"""The materials of a plan's own: numbers, layers front to back, wire grids, walls with openings."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence, Set
from types import MappingProxyType

from rf3d.plan_places import Place, nearest
from rf3d.plan_tables import GridRow, LayerRow, MaterialRow, SurfaceRow
from rf3d.radio.radios import Radio
from rf3d.units import wavelength_m
from rf3d.venue.materials import Grid, Layer, Material, catalogue, make_layer

_BASIS_WORDS = (("assumed", "A"), ("common practice", "CP"), ("from memory", "M"))
_KINDS = "it is one of: permittivity with conductivity_s_m, layers, or grid"
_LAYER_KINDS = "a layer is one of: material, permittivity with conductivity_s_m, sheet_resistance_ohm, or grid"


def own_materials(file: str, rows: Mapping[str, MaterialRow]) -> Mapping[str, Material]:
    """The catalogue, and over it the plan's own materials.

    Raises
    ------
    InputError
        A material that is two things or none, a layer without thickness or of an unknown material, a grid
        whose wires leave no opening, openings without a size.
    """
    known = dict(catalogue())
    bulk = {name: row for name, row in rows.items() if row.layers is None and row.grid is None}
    for name in (*bulk, *(name for name in rows if name not in bulk)):
        known[name] = _material(Place(file, "material", None, name), rows[name], known)
    return MappingProxyType(known)


def check_openings(
    file: str, materials: Mapping[str, Material], surfaces: Sequence[SurfaceRow], radios: Set[Radio]
) -> None:
    """Refuse walls with openings that are not larger than the wavelength of every radio.

    Below it an opening reflects however open it looks, which is what a grid is for.
    """
    lowest = min(radios, key=lambda radio: radio.first_channel_hz)
    longest = wavelength_m(lowest.first_channel_hz)
    for name in sorted({row.material for row in surfaces}):
        opening = materials[name].opening_m
        if opening is not None and opening < longest:
            raise Place(file, "material", None, name).refuse(
                f'opening_m of material "{name}" is {opening:g}, less than the wavelength of radio "{lowest.name}", '
                f"{longest:.3g} m",
                "open_fraction holds for openings above a wavelength; smaller ones reflect however open they look",
                "write grid = { pitch_m = …, wire_m = … } instead",
            )


def _material(place: Place, row: MaterialRow, known: Mapping[str, Material]) -> Material:
    """A material of the plan's own: its basis read from the words of its source."""
    given = _only(place, row, ("permittivity", "layers", "grid"), "permittivity", _KINDS)
    low, high = 0.0, math.inf
    if given == "permittivity":
        layers: tuple[Layer, ...] = (_bulk(place, row),)
    elif row.layers is not None:
        stack = [_layer(place, number, layer, known) for number, layer in enumerate(row.layers, 1)]
        layers = tuple(layer for layer, _ in stack)
        low, high = max(span[0] for _, span in stack), min(span[1] for _, span in stack)
    else:
        grid = _grid(Place(place.file, place.table, None, place.name, "grid"), row.grid)
        layers, high = (make_layer(grid=grid),), grid.highest_hz
    if row.conductivity_s_m is not None and given != "permittivity":
        raise place.refuse(f"{place.owner} has both conductivity_s_m and {given}", _KINDS, "delete one of them")
    if (row.open_fraction is None) != (row.opening_m is None):
        lacking = "opening_m" if row.opening_m is None else "open_fraction"
        raise place.refuse(
            f"{lacking} of {place.owner} is missing",
            f"open_fraction and opening_m stand together: {MaterialRow.model_fields[lacking].description}",
            f"add {lacking}",
        )
    if row.open_fraction is not None and row.grid is not None:
        raise place.refuse(
            f"{place.owner} has both grid and open_fraction",
            "a grid has its openings already; open_fraction is for those above a wavelength",
            "delete one of them",
        )
    words = row.source.lower()
    return Material(
        name=place.name,
        layers=layers,
        scattering=row.scattering,
        valid_hz=(low, high),
        basis=next((basis for start, basis in _BASIS_WORDS if words.startswith(start)), "P"),
        source=row.source,
        title=f"{place.name}, the plan's own",
        open_fraction=row.open_fraction or 0.0,
        opening_m=row.opening_m,
    )


def _only(place: Place, row: MaterialRow | LayerRow, keys: tuple[str, ...], default: str, allowed: str) -> str:
    """The one of several keys that stands."""
    given = [key for key in keys if getattr(row, key) is not None]
    if len(given) > 1:
        raise place.refuse(f"{place.owner} has both {given[0]} and {given[1]}", allowed, "delete one of them")
    if not given:
        raise place.refuse(f"{default} of {place.owner} is missing", allowed, f"add {default}")
    return given[0]


def _bulk(place: Place, row: MaterialRow | LayerRow) -> Layer:
    if row.permittivity is None or row.conductivity_s_m is None:
        allowed = MaterialRow.model_fields["conductivity_s_m"].description
        raise place.refuse(
            f"conductivity_s_m of {place.owner} is missing", f"it must be {allowed}", "add conductivity_s_m"
        )
    thickness = row.thickness_m if isinstance(row, LayerRow) else None
    return make_layer(
        permittivity=row.permittivity, conductivity_s_m=row.conductivity_s_m, thickness_m=thickness
    )  # fmt: skip


def _layer(
    outer: Place, number: int, row: LayerRow, known: Mapping[str, Material]
) -> tuple[Layer, tuple[float, float]]:
    """One layer, and the frequencies it is stated for."""
    place = Place(outer.file, outer.table, None, outer.name, f"layer {number}")
    kind = _only(place, row, ("material", "permittivity", "sheet_resistance_ohm", "grid"), "material", _LAYER_KINDS)
    if row.conductivity_s_m is not None and kind != "permittivity":
        raise place.refuse(f"{place.owner} has both conductivity_s_m and {kind}", _LAYER_KINDS, "delete one of them")
    thin = kind in ("sheet_resistance_ohm", "grid")
    if thin and row.thickness_m is not None:
        raise place.refuse(
            f"thickness_m of {place.owner} is {row.thickness_m:g}, but it is a {kind}",
            "films and grids have no thickness of their own",
            "delete thickness_m",
        )
    if not thin and row.thickness_m is None:
        raise place.refuse(
            f"thickness_m of {place.owner} is missing",
            f"every layer but a film or a grid needs one: {LayerRow.model_fields['thickness_m'].description}",
            "add thickness_m",
        )
    if row.material is not None:
        if row.material not in known:
            raise place.refuse(
                f'material of {place.owner} is "{row.material}", which is not in the catalogue nor in the plan',
                nearest(row.material, known),
                "correct material",
            )
        material = known[row.material]
        if material.thickness_m is not None or material.open_fraction > 0.0:
            raise place.refuse(
                f'material of {place.owner} is "{row.material}", which is a whole wall: {material.build_up}',
                "a layer is of one material",
                "write its layers one by one",
            )
        return make_layer(material=material, thickness_m=row.thickness_m), material.valid_hz
    if row.grid is not None:
        grid = _grid(Place(outer.file, outer.table, None, outer.name, f"grid of layer {number}"), row.grid)
        return make_layer(grid=grid), (0.0, grid.highest_hz)
    if row.sheet_resistance_ohm is not None:
        return make_layer(sheet_resistance_ohm=row.sheet_resistance_ohm), (0.0, math.inf)
    return _bulk(place, row), (0.0, math.inf)


def _grid(place: Place, row: GridRow | None) -> Grid:
    assert row is not None
    most = 0.5 * row.pitch_m if row.round else row.pitch_m
    if row.wire_m >= most:
        raise place.refuse(
            f"wire_m of {place.owner} is {row.wire_m:g}",
            f"it must be less than {'half of ' if row.round else ''}pitch_m, {row.pitch_m:g}",
            "change one of them",
        )
    return Grid(row.pitch_m, row.wire_m, row.round)


def check_surface(row: SurfaceRow, place: Place, materials: Mapping[str, Material]) -> None:
    if row.object is None and row.mesh_material is None:
        raise place.refuse(
            f"{place.where} says neither object nor mesh_material", "one of them must stand", 'write object = "…"'
        )
    if row.material not in materials:
        raise place.refuse(
            f'material of {place.owner} is "{row.material}", which is not in the catalogue nor in the plan',
            nearest(row.material, materials),
            "correct material",
        )
    material = materials[row.material]
    own = material.thickness_m
    if row.thickness_m is not None and row.half_space:
        raise place.refuse(
            f"{place.owner} has both thickness_m and half_space",
            "a half-space has no thickness",
            "delete one of them",
        )
    if row.thickness_m is not None and own is not None:
        raise place.refuse(
            f'thickness_m of {place.owner} is {row.thickness_m:g}, but "{row.material}" states its own layers',
            "a film or a grid has no thickness" if material.thin else f"they are {own:g} m in all",
            "delete thickness_m",
        )
    if row.half_space and (own is not None or material.open_fraction > 0.0):
        raise place.refuse(
            f'half_space is true on {place.owner}, but "{row.material}" is a whole wall: {material.build_up}',
            "a half-space is one material without an end",
            "delete half_space, or name the material of its front,",
        )
    if row.thickness_m is not None and row.body == "solid":
        raise place.refuse(
            f'{place.owner} has both thickness_m and body = "solid"',
            "the geometry gives the thickness of a solid",
            "delete one of them",
        )
