"""One table of published numbers: source, inputs, printed value, tolerance.

A new row is one `Row(...)` in `ROWS`: an id, the source with edition and table or equation, a callable without
arguments that gives the product's number, the printed number, how far off it may be, and a note. Facts of the trade
say `common practice, no source`; numbers from memory say `from memory`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import pytest

from rf3d.propagation.kernels.interfaces import coefficients, make_walls
from rf3d.radio.antennas import aim_axes, make_antenna, peak_gain_dbi, response, world_response
from rf3d.radio.figures import agreement
from rf3d.radio.radios import Radio
from rf3d.units import direction, to_db
from rf3d.venue.materials import catalogue, complex_permittivity
from tests.scenes import surface


class Row(NamedTuple):
    """One printed number."""

    id: str
    source: str
    value: Callable[[], float]
    printed: float
    tolerance: float
    note: str = ""


def gain_dbi(antenna, theta_deg: float) -> float:
    """Realised gain at an angle from the antenna's z, in the plane of x."""
    field = response(antenna, direction(0.0, np.pi / 2 - np.radians(theta_deg))[None])
    return float(to_db((np.abs(field) ** 2).sum()))


def half_power_width_deg(antenna, plane: str) -> float:
    """Full half-power width measured on the pattern, in azimuth or elevation."""
    angle = np.radians(np.linspace(-180.0, 180.0, 360_001))
    k = direction(angle, 0.0) if plane == "azimuth" else direction(0.0, angle)
    gain = (np.abs(response(antenna, k)) ** 2).sum(axis=1)
    wide = np.abs(angle[gain >= 0.5 * gain.max()])
    return float(2.0 * np.degrees(wide[wide <= np.pi / 2 + 1e-4].max()))


def through_db(
    material: str,
    frequency_hz: float,
    *,
    thickness_m: float | None = None,
    tm: bool = False,
    incidence_deg: float = 0.0,
) -> float:
    """Power through one sheet, decibels, negative."""
    walls = make_walls((surface(material, material, thickness_m=thickness_m),), np.array([frequency_hz]))
    answer = coefficients(walls, 0, 0, float(np.cos(np.radians(incidence_deg))), np.nan)
    return float(to_db(abs(answer[3 if tm else 2]) ** 2))


def received_db(sends: str, listens: str, roll_rad: float = 0.0) -> float:
    """Polarisation mismatch between two panels that face each other, decibels."""
    east, west = np.array([[1.0, 0.0, 0.0]]), np.array([[-1.0, 0.0, 0.0]])
    make = [
        make_antenna(p, pattern="panel", gain_dbi=9.0, beamwidth_deg=(60, 60), polarisation=p) for p in (sends, listens)
    ]
    e = world_response(make[0], aim_axes(east[0], roll_rad), east)
    h = world_response(make[1], aim_axes(west[0]), west)
    return float(to_db(abs((e * h).sum()) ** 2 / (np.abs(e) ** 2).sum() / (np.abs(h) ** 2).sum()))


def share_towards_stage(antenna) -> float:
    """Share of what goes out level that goes into the quarter of the horizon about the boresight."""
    azimuth = (np.arange(7200) + 0.5) * np.pi / 3600 - np.pi
    gain = (np.abs(response(antenna, direction(azimuth, 0.0))) ** 2).sum(axis=1)
    return float(gain[np.abs(azimuth) < np.pi / 4].sum() / gain.sum())


def directivity(pattern: str) -> float:
    return peak_gain_dbi(make_antenna("a", pattern=pattern))


DIPOLE = make_antenna("d", pattern="dipole")
PANEL = make_antenna("p", pattern="panel", gain_dbi=9.0, beamwidth_deg=(60, 60), efficiency=0.9)
YAGI = make_antenna("y", pattern="yagi", gain_dbi=14.0, beamwidth_deg=(30, 30), efficiency=0.9)
OMNI = make_antenna("o", pattern="omni", gain_dbi=5.0, efficiency=0.9)
P2040 = "ITU-R P.2040-3 (08/2023) Table 3"
BALANIS = "half-wave dipole, f(θ) = cos((π/2)cosθ)/sinθ; Balanis, Antenna Theory (from memory), computed independently"
PRACTICE = "common practice, no source"


def row_values(name: str, *printed: float) -> list[Row]:
    """Four rows that pin a, b, c, d of a material."""
    return [
        Row(f"{name}-{key}", P2040, lambda k=key: getattr(catalogue()[name].layers[0], k), value, 0.0)
        for key, value in zip("abcd", printed, strict=True)
    ]


ROWS: list[Row] = [
    *row_values("vacuum", 1.0, 0.0, 0.0, 0.0),
    *row_values("concrete", 5.24, 0.0, 0.0462, 0.7822),
    *row_values("brick", 3.91, 0.0, 0.0238, 0.16),
    *row_values("plasterboard", 2.73, 0.0, 0.0085, 0.9395),
    *row_values("wood", 1.99, 0.0, 0.0047, 1.0718),
    *row_values("glass", 6.31, 0.0, 0.0036, 1.3394),
    *row_values("ceiling_board", 1.48, 0.0, 0.0011, 1.0750),
    *row_values("chipboard", 2.58, 0.0, 0.0217, 0.78),
    *row_values("plywood", 2.71, 0.0, 0.33, 0.0),
    *row_values("marble", 7.074, 0.0, 0.0055, 0.9262),
    *row_values("floorboard", 3.66, 0.0, 0.0044, 1.3515),
    *row_values("metal", 1.0, 0.0, 1e7, 0.0),
    *row_values("very_dry_ground", 3.0, 0.0, 0.00015, 2.52),
    *row_values("medium_dry_ground", 15.0, -0.1, 0.035, 1.63),
    *row_values("wet_ground", 30.0, -0.4, 0.15, 1.30),
    Row(
        "loss-constant", "ITU-R P.2040-3, ε″ = 17.98 σ/f_GHz",
        lambda: float(-complex_permittivity(catalogue()["plywood"].layers, 1e9)[0, 0].imag / 0.33), 17.98, 0.0054,
        "the printed constant is rounded; exact is 17.9751",
    ),
    *(
        Row(
            f"slab-{name}-{mhz}", "ITU-R P.2040-3 slab formula and Table 3, computed independently; normal incidence",
            lambda n=name, d=depth, m=mhz: through_db(n, m * 1e6, thickness_m=d), printed, 6e-4,
        )
        for name, depth, mhz, printed in (
            ("concrete", 0.3, 915, -10.654), ("concrete", 0.3, 2450, -21.382), ("concrete", 0.3, 5500, -38.983),
            ("brick", 0.2, 915, -5.229), ("brick", 0.2, 2450, -5.856),
            ("plasterboard", 0.013, 915, -0.339), ("plasterboard", 0.013, 2450, -1.132),
            ("glass", 0.006, 915, -0.405), ("glass", 0.006, 2450, -1.956),
            ("wood", 0.018, 915, -0.233), ("wood", 0.018, 2450, -0.730),
            ("plywood", 0.018, 915, -6.477), ("plywood", 0.018, 2450, -6.233),
        )
    ),
    *(
        Row(
            f"slab-{name}-{deg}-{'tm' if tm else 'te'}",
            "ITU-R P.2040-3 slab formula and Table 3, computed independently",
            lambda n=name, d=depth, a=deg, t=tm: through_db(n, 2.45e9, thickness_m=d, incidence_deg=a, tm=t),
            printed, 6e-4,
        )
        for name, depth, deg, tm, printed in (
            ("concrete", 0.3, 60, False, -25.735), ("concrete", 0.3, 60, True, -21.603),
            ("glass", 0.006, 80, False, -12.971), ("glass", 0.006, 80, True, -1.125),
        )
    ),
    *(
        Row(
            f"low-e-{mhz}", "Kiani et al., IEEE AP-S 2008: a coated pane about 30 dB, 0.8–6 GHz",
            lambda m=mhz: through_db("low_e_glass", m * 1e6), -30.0, 5.0, "“about”: half the spread of coatings",
        )
        for mhz in (800, 915, 2450, 5800)
    ),
    Row("block-wall", "Rappaport Table 4.3: concrete block wall 13 dB at 1300 MHz (from memory)",
        lambda: through_db("block_wall", 1.3e9, thickness_m=0.2), -13.0, 1.0, "thickness 0.2 m assumed"),
    Row("dipole-directivity", BALANIS, lambda: 10 ** (directivity("dipole") / 10), 1.640922, 5e-7),
    Row("dipole-dbi", BALANIS, lambda: directivity("dipole"), 2.15088, 1e-5),
    Row("dipole-width", BALANIS, lambda: half_power_width_deg(DIPOLE, "elevation"), 78.0777, 2.1e-3),
    Row("dipole-60", BALANIS, lambda: gain_dbi(DIPOLE, 60.0), 0.38997, 1e-5),
    Row("dipole-45", BALANIS, lambda: gain_dbi(DIPOLE, 45.0), -1.89085, 1e-5),
    Row("dipole-30", BALANIS, lambda: gain_dbi(DIPOLE, 30.0), -5.42988, 1e-5),
    Row("short-dipole", "short dipole 1.5 sin²θ; Balanis (from memory)",
        lambda: 10 ** (directivity("short_dipole") / 10), 1.5, 1e-12),
    Row("isotropic", "definition: 0 dBi", lambda: directivity("isotropic"), 0.0, 1e-12),
    *(
        Row(f"mismatch-{deg}", "polarisation mismatch 20 log cosψ, computed independently",
            lambda a=deg: received_db("vertical", "vertical", np.radians(a)), printed, 1e-4)
        for deg, printed in ((0, 0.0), (30, -1.2494), (45, -3.0103), (60, -6.0206), (80, -15.2066))
    ),
    *(
        Row(f"linear-to-circular-{a}-{b}", "linear to circular −3.0103 dB, computed independently",
            lambda a=a, b=b: received_db(a, b), -3.0103, 1e-4)
        for a, b in (("vertical", "rhcp"), ("lhcp", "horizontal"), ("+45", "lhcp"))
    ),
    Row("circular-same-sense", "IEEE Std 145 (from memory)", lambda: received_db("rhcp", "rhcp"), 0.0, 1e-9),
    Row("hopper-channels", "ISM 2.4 GHz hop grid 2402 + k MHz, k = 0–78 (from memory)",
        lambda: float(Radio("h", 2402e6, 2480e6, 1e6, 1e6, -90.0).channels_hz.size), 79.0, 0.0),
    Row("whip-900", PRACTICE, lambda: peak_gain_dbi(make_antenna("w", pattern="omni", gain_dbi=2.0)), 2.0, 1e-6,
        "dual-band whip, about 2 dBi at 900 MHz: a wire a little short of half a wave"),
    Row("whip-2400", PRACTICE, lambda: peak_gain_dbi(make_antenna("w", pattern="omni", gain_dbi=4.0)), 4.0, 1e-6,
        "the same, about 4 dBi at 2.4 GHz"),
    Row("panel-spread", PRACTICE, lambda: half_power_width_deg(PANEL, "azimuth"), 60.0, 0.6, "8–9 dBi, about 60°"),
    Row("yagi-spread", PRACTICE, lambda: half_power_width_deg(YAGI, "azimuth"), 30.0, 0.3, "12–15 dBi, about 30°"),
    *(
        Row(f"front-to-back-{a.name}", PRACTICE + ": 15–20 dB, whole dB",
            lambda a=a: gain_dbi(a, 90.0) - float(to_db((np.abs(response(a, [[-1.0, 0, 0]])) ** 2).sum())), 17.5, 2.7)
        for a in (PANEL, YAGI)
    ),
    Row("rail-omni-away", PRACTICE + ": an omni sends 3/4 away from a stage that fills 1/4 of its horizon",
        lambda: 1.0 - share_towards_stage(OMNI), 0.75, 1e-6),
    Row("rail-panel-there", PRACTICE + ": a panel sends nearly all of it there",
        lambda: share_towards_stage(PANEL), 0.9, 0.1,
        "9 dBi, 60°, efficiency 0.9 leave a sixth for the sides and back: 0.83"),
]  # fmt: skip


@pytest.mark.parametrize("row", ROWS, ids=[row.id for row in ROWS])
def test_equals_the_printed_number(row: Row):
    """The product's number against the printed one."""
    assert row.value() == pytest.approx(row.printed, rel=0, abs=row.tolerance), f"{row.source}; {row.note}"


def test_ids_are_unique_and_sources_stand():
    """A row can be found by its name and traced to its source."""
    assert len({row.id for row in ROWS}) == len(ROWS)
    assert all(row.source for row in ROWS)


def test_catalogue_gains_agree_with_their_beamwidths():
    """The panel and Yagi of common practice need no caution."""
    assert agreement(PANEL) == agreement(YAGI) == []
