"""From samples in some order to a pattern: is the sphere covered evenly, or are there two cuts, and do they agree?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rf3d.errors import Finding, InputError
from rf3d.radio.patterns import Cuts, Grid, curve, curve_gain, field_grid, gain_grid
from rf3d.units import ComplexArray, FloatArray, IntArray, from_db, to_db

HIGHEST_DBI = 60.0
COARSEST_DEG = 30.0
"""Widest step or gap of a pattern; whatever an antenna does in between would be made up."""
CROSS_DB = 0.5
"""How far two samples of the same direction may differ without a word."""
NULL_DB = -300.0
"""Gains at and below this are nulls: solvers print −999.99."""
PHASE_STEP_DEG = 60.0
_SAME_DEG = 1e-6


@dataclass(frozen=True, eq=False)
class Samples:
    """Gains, and fields where the file has them, in S directions, in the order of the file.

    Attributes
    ----------
    theta_deg, phi_deg : (S,) float64
        θ from the antenna's z, φ from its boresight x towards its y.
    gain_dbi : (S,) float64
    field : (S, 2) complex128 or None
        θ̂ and φ̂ parts to any one scale.
    line : (S,) int
        Where in the file each stands, from 1.
    """

    theta_deg: FloatArray
    phi_deg: FloatArray
    gain_dbi: FloatArray
    field: ComplexArray | None
    line: IntArray


def bad_file(file: str, given: str, allowed: str) -> InputError:
    """A refusal of an antenna file."""
    return InputError(f'{given} in the antenna file "{file}"', allowed, "correct the file")


def assemble(samples: Samples, *, file: str, antenna: str) -> tuple[Grid | Cuts, tuple[Finding, ...]]:
    """Pattern of samples that cover the sphere in even steps, or only its two principal cuts.

    Raises
    ------
    InputError
        Angles or gains that cannot be, samples that are missing, doubled or out of order, steps that are not even.
    """
    _check_values(samples, file)
    theta, phi = samples.theta_deg, samples.phi_deg % 360.0
    phi = np.where(np.abs(phi - 360.0) < _SAME_DEG, 0.0, phi)
    level = np.abs(theta - 90.0) < _SAME_DEG
    front, back = np.abs(phi) < _SAME_DEG, np.abs(phi - 180.0) < _SAME_DEG
    if (level | front | back).all() and (level & ~front & ~back).any() and not level.all():
        if samples.field is not None:
            raise bad_file(file, "two cuts with complex parts", "complex parts are used on a full grid only")
        elevation = np.concatenate([90.0 - theta[front], 90.0 + theta[back]])
        elevation_dbi = np.concatenate([samples.gain_dbi[front], samples.gain_dbi[back]])
        return two_cuts(phi[level], samples.gain_dbi[level], elevation, elevation_dbi, file=file, antenna=antenna)
    return _full_grid(samples, phi, file=file, antenna=antenna)


def two_cuts(
    azimuth_deg: FloatArray,
    azimuth_dbi: FloatArray,
    elevation_deg: FloatArray,
    elevation_dbi: FloatArray,
    *,
    file: str,
    antenna: str,
) -> tuple[Cuts, tuple[Finding, ...]]:
    """Pattern from the azimuth cut, counter-clockwise from above, and the elevation cut, up, 180° being the back.

    An azimuth cut whose gain ahead is not that of the elevation cut at the horizon, but at its peak, was taken at the
    elevation of the peak.

    Raises
    ------
    InputError
        A cut with a gap, two gains at one angle, cuts that do not meet.
    """
    a_deg, a_dbi = _circle(azimuth_deg, azimuth_dbi, "azimuth", file)
    e_deg, e_dbi = _circle(elevation_deg, elevation_dbi, "elevation", file)
    azimuth = curve(np.radians(a_deg), from_db(a_dbi))
    elevation = curve(np.radians(e_deg), from_db(e_dbi))
    ahead = float(to_db(curve_gain(azimuth, np.zeros(1)))[0])
    horizon = float(to_db(curve_gain(elevation, np.zeros(1)))[0])
    upper = np.abs(e_deg) < 90.0
    level_gap, peak_gap = abs(ahead - horizon), abs(ahead - float(e_dbi[upper].max()))
    if min(level_gap, peak_gap) > CROSS_DB:
        raise bad_file(
            file,
            f"the two cuts do not meet: straight ahead the azimuth cut has {ahead:.1f} dBi, "
            f"the elevation cut {horizon:.1f}",
            f"they must agree within {CROSS_DB:g} dB there, or at the peak of the elevation cut",
        )
    tilt_deg = 0.0 if level_gap <= peak_gap else float(e_deg[upper][np.argmax(e_dbi[upper])])
    where = "level" if tilt_deg == 0.0 else f"at {tilt_deg:g}° elevation"
    message = (
        f'"{file}" holds two cuts only, azimuth ({where}) and elevation: what lies between is an interpolation, the '
        "gain exact on the cuts and a rough guide elsewhere; a file that covers the sphere would be better."
    )
    finding = Finding("antenna-cuts-interpolated", "caution", antenna, message)
    return Cuts(azimuth, elevation, float(np.radians(tilt_deg))), (finding,)


def _circle(angle_deg: FloatArray, gain_dbi: FloatArray, name: str, file: str) -> tuple[FloatArray, FloatArray]:
    """One turn of a cut from −180° on, ascending, each angle once."""
    angle = (angle_deg + 180.0) % 360.0 - 180.0
    angle = np.where(np.abs(angle - 180.0) < _SAME_DEG, -180.0, angle)
    order = np.argsort(angle, kind="stable")
    angle, gain = angle[order], gain_dbi[order]
    group = np.concatenate([[0], np.cumsum(np.diff(angle) > _SAME_DEG)]).astype(np.intp)
    first = np.flatnonzero(np.diff(np.append(-1, group)))
    spread = np.maximum.reduceat(gain, first) - np.minimum.reduceat(gain, first)
    if spread.max() > CROSS_DB:
        at = angle[first[int(np.argmax(spread))]]
        raise bad_file(
            file, f"the {name} cut has two gains at {at:g}°, {spread.max():.2g} dB apart", "each angle has one gain"
        )
    angle, gain = angle[first], gain[first]
    gap = np.diff(np.append(angle, angle[0] + 360.0))
    if gap.max() > COARSEST_DEG:
        at = float(angle[int(np.argmax(gap))])
        raise bad_file(
            file,
            f"the {name} cut has no sample for {gap.max():g}° after {at:g}°",
            f"it must go all round, with gaps of at most {COARSEST_DEG:g}°",
        )
    return angle, gain


def _check_values(samples: Samples, file: str) -> None:
    """Angles and gains that can be, and no direction twice."""
    theta, phi, gain, line = samples.theta_deg, samples.phi_deg, samples.gain_dbi, samples.line
    if theta.max() <= np.pi + 0.01 and np.abs(phi).max() <= 2.0 * np.pi + 0.01:
        raise bad_file(
            file, f"theta ends at {theta.max():.4g} and phi at {phi.max():.4g}, as in radians", "angles are in degrees"
        )
    for bad, what, allowed in (
        ((theta < 0.0) | (theta > 180.0), theta, "theta is from 0 (up) to 180 degrees (down)"),
        (np.abs(phi) > 360.0, phi, "phi is from -360 to 360 degrees"),
        (gain > HIGHEST_DBI, gain, f"gains are in dBi, at most {HIGHEST_DBI:g}"),
    ):
        if bad.any():
            at = int(np.argmax(bad))
            raise bad_file(file, f"{what[at]:g} on line {line[at]}", allowed)
    if gain.max() <= NULL_DB:
        raise bad_file(file, "no gain above a null", "a pattern sends something somewhere")
    directions = np.round(np.stack([theta, phi], axis=1) / _SAME_DEG)
    order = np.lexsort(directions.T)
    twice = np.flatnonzero((np.diff(directions[order], axis=0) == 0).all(axis=1))
    if twice.size:
        one, other = sorted(line[order[twice[0] : twice[0] + 2]].tolist())
        at = order[twice[0]]
        raise bad_file(
            file,
            f"theta {theta[at]:g}, phi {phi[at]:g} stands on line {one} and on line {other}",
            "each direction stands once",
        )


def _full_grid(samples: Samples, phi: FloatArray, *, file: str, antenna: str) -> tuple[Grid, tuple[Finding, ...]]:
    theta = samples.theta_deg
    rows, row = np.unique(np.round(theta, 6), return_inverse=True)
    columns, column = np.unique(np.round(phi, 6), return_inverse=True)
    _check_steps(rows, columns, file)
    place = np.full((len(rows), len(columns)), -1, dtype=np.intp)
    for index in range(len(theta)):  # later rows win: 360° stands for 0°
        place[row[index], column[index]] = index
    if (place < 0).any():
        r, c = np.argwhere(place < 0)[0]
        raise bad_file(
            file,
            f"there is no sample at theta {rows[r]:g}, phi {columns[c]:g}, and {int((place < 0).sum())} are missing",
            f"a grid has all {len(rows)} × {len(columns)} directions, or the file holds the two principal cuts",
        )
    _check_order(samples, file)
    seam = np.abs(samples.gain_dbi - samples.gain_dbi[place[row, column]])
    seam[samples.gain_dbi <= NULL_DB] = 0.0
    if seam.max() > CROSS_DB:
        at = samples.line[int(np.argmax(seam))]
        raise bad_file(
            file, f"the gain on line {at} differs by {seam.max():.2g} dB after one turn", "phi 0 and 360 are the same"
        )
    gain_dbi = samples.gain_dbi[place]
    gain = np.where(gain_dbi <= NULL_DB, 0.0, from_db(gain_dbi))
    if samples.field is None:
        return gain_grid(gain), _pole_findings(gain, file, antenna)
    field = samples.field[place]
    length = np.sqrt((np.abs(field) ** 2).sum(axis=2))
    _check_field(gain, length, samples.line[place], file)
    field = field * (np.sqrt(gain) / np.where(length > 0.0, length, 1.0))[:, :, None]
    return field_grid(field[:, :, 0], field[:, :, 1]), _phase_findings(field, file, antenna)


def _check_steps(rows: FloatArray, columns: FloatArray, file: str) -> None:
    """Even steps from pole to pole and all round, and as many columns on one side as on the other."""
    for name, values, turn in (("theta", rows, 180.0), ("phi", columns, 360.0)):
        last = values[-1] if name == "theta" else values[-1] + (values[1] - values[0] if len(values) > 1 else 0.0)
        span = last - values[0]
        if len(values) < 2 or abs(span - turn) > 1e-3 or (name == "theta" and abs(values[0]) > 1e-3):
            to = "from 0 to 180" if name == "theta" else "all round, from 0 to the step before 360"
            raise bad_file(file, f"{name} goes from {values[0]:g} to {values[-1]:g}", f"a full pattern goes {to}")
        step = np.diff(values)
        odd = np.abs(step - np.median(step)) > 1e-3
        if odd.any():
            at = int(np.argmax(odd))
            raise bad_file(
                file,
                f"{name} goes from {values[at]:g} to {values[at + 1]:g}, elsewhere in steps of {np.median(step):g}",
                "steps must be even",
            )
        if step[0] > COARSEST_DEG:
            raise bad_file(file, f"{name} goes in steps of {step[0]:g}", f"steps are at most {COARSEST_DEG:g} degrees")
    if abs(columns[0]) > 1e-3 or len(columns) % 2:
        raise bad_file(
            file,
            f"phi starts at {columns[0]:g} and has {len(columns)} values",
            "0 and 180 degrees must both be among them",
        )


def _check_order(samples: Samples, file: str) -> None:
    """The file goes through one angle within the other, both upwards."""

    def jump(outer: FloatArray, inner: FloatArray) -> IntArray:
        step = np.diff(outer)
        return np.flatnonzero((step < 0.0) | ((step == 0.0) & (np.diff(inner) <= 0.0)))

    wrong = min(
        jump(samples.theta_deg, samples.phi_deg), jump(samples.phi_deg, samples.theta_deg), key=lambda found: found.size
    )
    if wrong.size:
        at = int(wrong[0]) + 1
        raise bad_file(
            file,
            f"theta {samples.theta_deg[at]:g}, phi {samples.phi_deg[at]:g} on line {samples.line[at]} is out of order",
            "one angle goes up within the other, which goes up too",
        )


def _check_field(gain: FloatArray, length: FloatArray, line: IntArray, file: str) -> None:
    """The complex parts must tell the same gain as the gain column, to one common scale."""
    strong = gain > 1e-3 * gain.max()
    tiny = 1e-15 * length.max() + 1e-300
    scale_db = to_db(gain[strong]) - 2.0 * to_db(np.maximum(length[strong], tiny))
    off = np.zeros(gain.shape)
    off[strong] = np.abs(scale_db - np.median(scale_db))
    if off.max() > CROSS_DB:
        at = line.ravel()[int(np.argmax(off))]
        raise bad_file(
            file,
            f"the complex parts on line {at} give a gain {off.max():.2g} dB from the one stated",
            "|E|² must be the gain, to one common scale",
        )


def _pole_findings(gain: FloatArray, file: str, antenna: str) -> tuple[Finding, ...]:
    worst = 0.0
    for ring in (gain[0], gain[-1]):
        if ring.max() > 1e-2 * gain.max():
            worst = max(worst, float(to_db(ring.max() / max(ring.min(), 1e-30))))
    if worst <= CROSS_DB:
        return ()
    message = (
        f'at a pole of "{file}" the gain differs by {worst:.1f} dB over phi, though it is one direction: averaged.'
    )
    return (Finding("antenna-pole-differs", "caution", antenna, message, worst, CROSS_DB, "dB"),)


def _phase_findings(field: ComplexArray, file: str, antenna: str) -> tuple[Finding, ...]:
    """Phase that turns too far between two samples for what lies between to be known.

    The θ̂ and φ̂ parts are compared over θ, where their axes turn only with the sphere.
    """
    power = (np.abs(field) ** 2).sum(axis=2)
    strong = (power[1:] > 0.1 * power.max()) & (power[:-1] > 0.1 * power.max())
    turn = np.abs(np.degrees(np.angle((np.conj(field[:-1]) * field[1:]).sum(axis=2))))
    worst = float(np.where(strong, turn, 0.0).max())
    if worst <= PHASE_STEP_DEG:
        return ()
    message = (
        f'in "{file}" the phase turns by up to {worst:.0f}° between neighbouring samples: the field between them is '
        "uncertain; take finer steps, or the antenna's own middle as origin."
    )
    return (Finding("antenna-phase-steps", "caution", antenna, message, worst, PHASE_STEP_DEG, "°"),)
