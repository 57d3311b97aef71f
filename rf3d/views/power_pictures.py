"""Received power in space and at a height, as pictures."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pyvista
from scipy.ndimage import gaussian_filter

from rf3d.assessment.places import spoken
from rf3d.errors import InputError
from rf3d.plan import Plan
from rf3d.propagation.grid import Grid
from rf3d.propagation.paths import Setting
from rf3d.propagation.volume import TransmitterVolume
from rf3d.units import FloatArray
from rf3d.views.furniture import (
    AREA,
    PANEL_WIDTH,
    PANEL_X,
    TRANSMITTER,
    draw_compass,
    draw_model,
    draw_rulers,
    draw_scale_bar,
    draw_transmitters,
    heading,
    legend_row,
    local_positions,
    minus,
    radio_positions,
    share_text,
    shortened,
    venue_outline,
)
from rf3d.views.layout import colour_bands, plan_view, rectangle, round_levels, three_quarter_view
from rf3d.views.model import cut_lines, make_model
from rf3d.views.page import GREY, INK, Page, open_page

NEAR_HEIGHT_M = 1.0
"""Receivers no further than this from a slice are marked on it."""


def draw_volume(
    plan: Plan, setting: Setting, *, volumes: Sequence[TransmitterVolume], path: Path, transmitter: str | None = None
) -> Path:
    """Draw the received power of one transmitter as nested surfaces of equal power inside the translucent venue.

    Parameters
    ----------
    volumes : sequence of TransmitterVolume
    transmitter : str or None
        None takes the one with the greatest median power.

    Raises
    ------
    InputError
        No volume of that transmitter, or nothing reached.
    """
    volume = _pick(volumes, transmitter)
    power = volume.mean_power_dbm
    levels = round_levels(power)
    if not len(levels):
        raise InputError(
            f'the volume of "{volume.transmitter}" holds no power',
            "a picture needs some",
            "raise its rays or its power",
        )
    camera = three_quarter_view(venue_outline(setting), plan.house_azimuth_rad, area=AREA)
    model = make_model(setting, camera, interest_m=radio_positions(plan, setting))
    colours = ramp(len(levels))
    source = next(t for t in plan.transmitters if t.name == volume.transmitter)
    with open_page(
        f"Received power in space: {volume.transmitter}",
        f"{source.radio.centre_hz / 1e6:.0f} MHz, {source.power_dbm:g} dBm at the radio, {spoken(source.antenna.name)}",
        plan_title=plan.title,
    ) as page:
        draw_model(page, model, opacity=0.14)
        for surface, colour, opacity in zip(
            level_surfaces(volume, levels), colours, np.geomspace(0.13, 0.6, len(levels)), strict=True
        ):
            page.mesh(surface, colour=_hex(colour), opacity=float(opacity))
        page.look(camera)
        boxes = draw_rulers(page, camera, setting.scene.bounds_m, setting.scene.origin_m)
        at = camera.project(local_positions(setting, [source]))
        draw_transmitters(page, at)
        page.labels(at, [source.name], area=AREA, size=17, bold=True, taken=boxes, colour=TRANSMITTER)
        y = heading(page, 880, "Received power, dBm")
        y = page.paragraph(PANEL_X, y + 22, "Each skin encloses every place where at least this much arrives "
                           "at a probe of unit gain (mean over a voxel):", width=PANEL_WIDTH) - 34  # fmt: skip
        for level, colour in zip(levels[::-1], colours[::-1], strict=True):
            page.polygon(_swatch(PANEL_X + 2, y - 4, 40, 22), colour=_hex(colour))
            inside = float(np.mean(power[np.isfinite(power)] >= level))
            page.text(PANEL_X + 56, y, f"{minus(level)} dBm or more", size=18)
            page.text(PANEL_X + 238, y, f"{share_text(inside)} of the space", size=15, colour=GREY)
            y -= 34
        y = heading(page, y - 22, "Signs")
        y = legend_row(page, y, "diamond", f"transmitter {source.name}", colour=TRANSMITTER)
        y = page.paragraph(
            PANEL_X, y + 8, f"Needed at the receiver: {minus(source.radio.sensitivity_dbm)} dBm, clean air only. "
            f"Voxels of {volume.grid.voxel_m:g} m, {volume.rays:,} rays, up to {volume.max_reflections} reflections. "
            "Walls and roof in front of the viewer are left out.", width=PANEL_WIDTH, colour=GREY,
        )  # fmt: skip
        draw_compass(page, camera, plan.house_azimuth_rad, x=PANEL_X + 190, y=150)
        return page.save(path)


def level_surfaces(volume: TransmitterVolume, levels_dbm: FloatArray) -> list[pyvista.PolyData]:
    """Surfaces of equal power, local metres, in the order of the levels; noise is smoothed over about a voxel."""
    power = volume.mean_power_dbm
    reached = np.isfinite(power)
    floor = float(levels_dbm.min()) - 25.0
    weight = gaussian_filter(reached.astype(float), 0.8)
    smooth = gaussian_filter(np.where(reached, np.maximum(power, floor), 0.0), 0.8) / np.maximum(weight, 1e-9)
    # A rim of nothing closes the surfaces where the grid ends.
    values = np.pad(np.where(reached, smooth, floor), 1, constant_values=floor)
    grid = volume.grid
    image = pyvista.ImageData(
        dimensions=values.shape, spacing=(grid.voxel_m,) * 3, origin=grid.low_m - 0.5 * grid.voxel_m
    )
    image.point_data["power"] = values.ravel(order="F")
    return [image.contour([float(level)], scalars="power", compute_scalars=False) for level in levels_dbm]


def draw_slice(
    plan: Plan,
    setting: Setting,
    *,
    volumes: Sequence[TransmitterVolume],
    path: Path,
    height_m: float,
    transmitter: str | None = None,
) -> Path:
    """Draw the received power at one height as a plan, seen straight from above.

    Parameters
    ----------
    height_m : float
        World height of the slice, metres.
    transmitter : str or None
        None takes the strongest transmitter in each voxel, of those whose radio has the most receivers: power that a
        receiver cannot listen to is no power to it.

    Raises
    ------
    InputError
        A height outside the venue, or no volume of that transmitter.
    """
    chosen = volumes_of_one_radio(plan, volumes) if transmitter is None else [_pick(volumes, transmitter)]
    power = slice_power_dbm(chosen, height_m=height_m)
    z = height_m - float(setting.scene.origin_m[2])
    camera = plan_view(setting.scene.bounds_m, plan.house_azimuth_rad, area=(50.0, 100.0, 1120.0, 895.0))
    bands = colour_bands(power) if np.isfinite(power).any() else np.array([-100.0, 0.0])
    colours = ramp(len(bands) - 1)
    names = [v.transmitter for v in chosen]
    senders = [t for t in plan.transmitters if t.name in names]
    radio = senders[0].radio
    traced = f"{spoken(radio.name)}, {radio.centre_hz / 1e6:.0f} MHz: "
    traced += "; ".join(names) if len(names) <= 4 else f"{len(names)} transmitters"
    who = names[0] if len(names) == 1 else "strongest transmitter at each place"
    with open_page(
        f"Received power at {height_m:g} m height: {who}",
        f"seen from above; {traced}",
        plan_title=plan.title,
    ) as page:
        page.coloured_mesh(*_cells(chosen[0], power, z=z, bands=bands, colours=colours))
        cut = cut_lines(setting, z)
        cut.points[:, 2] = z + 0.01
        page.lines(cut, colour=INK, width=1.6)
        page.look(camera)
        near = [
            (i, r)
            for i, r in enumerate(plan.receivers)
            if abs(r.position_m[2] - height_m) <= NEAR_HEIGHT_M and r.radio.name == radio.name
        ]
        at = camera.project(local_positions(setting, [r for _, r in near]))
        for x, y in at:
            page.symbol(x, y, "circle", colour=INK, size=6.5)
        sent = camera.project(local_positions(setting, senders))
        draw_transmitters(page, sent)
        words = [str(i + 1) for i, _ in near] + [f"{t.name}, {minus(t.position_m[2], 1)} m up" for t in senders]
        page.labels(np.concatenate([at, sent]), words, area=camera.area, size=16, bold=True)
        _colour_bar(page, bands, colours)
        y = heading(page, 500, "Signs")
        y = legend_row(page, y, "diamond", "transmitter, with its height", colour=TRANSMITTER)
        if near:
            y = legend_row(
                page, y, "circle", f"receiver within ±{NEAR_HEIGHT_M:g} m of this height", colour=INK, size=6.5
            )
            fitting = int((y - 215) / 21)
            fitting -= len(near) > fitting
            for i, receiver in near[:fitting]:
                page.text(PANEL_X + 30, y, str(i + 1), size=15, bold=True, anchor="right")
                page.text(PANEL_X + 40, y, shortened(page, receiver.name, PANEL_WIDTH - 40, 15), size=15)
                y -= 21
            if len(near) > fitting:
                page.text(PANEL_X + 40, y, f"and {len(near) - fitting} more", size=15, colour=GREY)
        draw_scale_bar(page, camera, x=70, y=58)
        draw_compass(page, camera, plan.house_azimuth_rad, x=PANEL_X + 190, y=135)
        return page.save(path)


def slice_power_dbm(volumes: Sequence[TransmitterVolume], *, height_m: float) -> FloatArray:
    """Power (nx, ny), dBm, of the strongest volume in each voxel of the layer at a world height; NaN where none is.

    Raises
    ------
    InputError
        A height outside the grid.
    """
    grid = volumes[0].grid
    layer = layer_at(grid, height_m)
    strongest = np.full(grid.shape[:2], np.nan)
    for volume in volumes:
        strongest = np.fmax(strongest, volume.mean_power_dbm[:, :, layer])
    return strongest


def layer_at(grid: Grid, height_m: float) -> int:
    """Number of the layer of voxels at a world height.

    Raises
    ------
    InputError
        A height outside the grid.
    """
    layer = int(np.floor((height_m - grid.world_low_m[2]) / grid.voxel_m)) if np.isfinite(height_m) else -1
    if not 0 <= layer < grid.shape[2]:
        low = float(grid.world_low_m[2])
        raise InputError(
            f"the height of the slice is {height_m:g} m",
            f"the venue reaches from {low:.1f} to {low + grid.shape[2] * grid.voxel_m:.1f} m",
            "choose a height between them",
        )
    return layer


def _cells(
    volume: TransmitterVolume, power: FloatArray, *, z: float, bands: FloatArray, colours: FloatArray
) -> tuple[pyvista.PolyData, np.ndarray]:
    """One coloured square for every voxel that was reached."""
    grid = volume.grid
    i, j = np.nonzero(np.isfinite(power))
    ring = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    flat = grid.low_m[:2] + grid.voxel_m * (np.stack([i, j], axis=1)[:, None] + ring)
    points = np.concatenate([flat, np.full((*flat.shape[:2], 1), z)], axis=2).reshape(-1, 3)
    faces = np.column_stack([np.full(len(i), 4), np.arange(4 * len(i)).reshape(-1, 4)]).ravel()
    band = np.clip(np.searchsorted(bands, power[i, j], side="right") - 1, 0, len(colours) - 1)
    return pyvista.PolyData(points, faces), (255 * colours[band]).astype(np.uint8)


def _colour_bar(page: Page, bands: FloatArray, colours: FloatArray) -> None:
    """Colour against power in the panel."""
    heading(page, 880, "Mean received power, dBm")
    bottom, top = 555.0, 830.0
    tall = (top - bottom) / len(colours)
    every = 2 if tall < 20 else 1
    for k, colour in enumerate(colours):
        page.polygon(_swatch(PANEL_X + 4, bottom + k * tall, 46, tall + 0.5), colour=_hex(colour))
    for k in range(0, len(bands), every):
        y = bottom + k * tall
        page.line(np.array([[PANEL_X + 50, y], [PANEL_X + 58, y]]), colour=INK, width=1.5)
        page.text(PANEL_X + 64, y - 6, minus(bands[k]), size=16)
    page.paragraph(PANEL_X + 150, top + 10, "At a probe of unit gain, powers of all ways added, mean over a voxel. "
                   "Values beyond the ends take the end's colour. Blank: not reached.",
                   width=PANEL_WIDTH - 150, colour=GREY)  # fmt: skip


def _pick(volumes: Sequence[TransmitterVolume], name: str | None) -> TransmitterVolume:
    """The volume of a transmitter, or the one that fills the venue best."""
    _some(volumes)
    if name is None:
        return max(volumes, key=lambda v: float(np.median(np.nan_to_num(v.mean_power_dbm, nan=-np.inf))))
    for volume in volumes:
        if volume.transmitter == name:
            return volume
    raise InputError(
        f'no volume of a transmitter "{name}"',
        "traced were " + ", ".join(f'"{v.transmitter}"' for v in volumes),
        "name one of them",
    )


def _some(volumes: Sequence[TransmitterVolume]) -> None:
    if not volumes:
        raise InputError("no volume was traced", "a picture of power needs one", "add a [[transmitter]] to the plan")


def volumes_of_one_radio(plan: Plan, volumes: Sequence[TransmitterVolume]) -> list[TransmitterVolume]:
    """The volumes whose radio most receivers listen to."""
    _some(volumes)
    radio = {t.name: t.radio.name for t in plan.transmitters}
    listening = Counter(r.radio.name for r in plan.receivers)
    most = max((radio[v.transmitter] for v in volumes), key=lambda name: listening[name])
    return volumes_of_radio(plan, volumes, most)


def volumes_of_radio(plan: Plan, volumes: Sequence[TransmitterVolume], radio: str) -> list[TransmitterVolume]:
    """The volumes of the transmitters that use a radio."""
    senders = {t.name for t in plan.transmitters if t.radio.name == radio}
    return [v for v in volumes if v.transmitter in senders]


def ramp(count: int) -> FloatArray:
    """Colours (count, 3), weak to strong, between 0 and 1: perceptually even, safe for colour-blind readers."""
    table = pyvista.LookupTable(cmap="viridis", n_values=256).values[:, :3] / 255.0
    return table[np.round(np.linspace(0, 255, max(count, 1))).astype(int)]


def _hex(colour: FloatArray) -> str:
    return "#" + "".join(f"{round(255 * float(c)):02x}" for c in colour)


def _swatch(x: float, y: float, width: float, height: float) -> FloatArray:
    return rectangle((x, y, x + width, y + height))
