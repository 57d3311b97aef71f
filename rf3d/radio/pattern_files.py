"""Antenna files: which form is it, which of its patterns is meant, and what is the antenna like.

Three forms, told apart by what stands in them: a table (`readers.tables`), the open standard of the National Spectrum
Management Association (`readers.nsma`), and a NEC-2 output (`readers.nec`).
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np

from rf3d.errors import Finding, InputError
from rf3d.radio.patterns import Cuts, Grid, SampledPattern, sampled_field, sampled_gain, sphere
from rf3d.radio.readers.nec import is_nec, read_nec
from rf3d.radio.readers.nsma import NsmaCut, is_nsma, is_older_nsma, read_nsma
from rf3d.radio.readers.samples import assemble, bad_file, two_cuts
from rf3d.radio.readers.tables import is_table, read_table

MOST_BYTES = 50_000_000
SAME_FREQUENCY = 1e-3
"""Part by which a frequency in the plan may differ from the one in the file that it means."""
DIRECTIVE_SHARE = 0.75
"""Share of the power ahead from which an antenna is taken as aimed: its polarisation lies about the boresight."""


def read_pattern(
    path: Path, *, antenna: str, frequency_hz: float | None = None, polarisation: str | None = None
) -> SampledPattern:
    """Read an antenna file.

    Parameters
    ----------
    antenna : str
        Name the findings go by.
    frequency_hz : float or None
        Which of the file's frequencies is meant; needed where it holds several, or states none.
    polarisation : str or None
        Which of the file's polarisations is meant, in the plan's words; needed where a file of cuts holds several.

    Raises
    ------
    InputError
        A file that cannot be read, is of no known form, is not as its form must be, or leaves open what is meant.
    """
    file = path.name
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(
            f'the antenna file "{path}" cannot be read ({error.strerror})',
            "the path is relative to the plan",
            "correct pattern",
        ) from error
    if len(data) > MOST_BYTES:
        raise bad_file(file, f"{len(data)} bytes", f"at most {MOST_BYTES} are read")
    if b"\x00" in data:
        raise bad_file(file, "bytes that are no text", "an antenna file is a table, NSMA or NEC-2 output")
    text = data.decode("utf-8-sig", errors="replace")  # whatever stands in comments
    choice = hashlib.sha256(data + repr((frequency_hz, polarisation)).encode()).hexdigest()
    if is_nec(text):
        return _from_nec(text, file, antenna, frequency_hz, choice)
    if is_nsma(text):
        return _from_nsma(text, file, antenna, frequency_hz, polarisation, choice)
    if is_table(text):
        shape, findings = assemble(read_table(text, file=file), file=file, antenna=antenna)
        if frequency_hz is None:
            raise InputError(
                f'frequency_hz of antenna "{antenna}" is missing',
                f'"{file}" does not state the frequency its gains hold at',
                "add frequency_hz",
            )
        what = "a table of two cuts" if isinstance(shape, Cuts) else "a table"
        return _pattern(choice, file, what, frequency_hz, shape, findings)
    if is_older_nsma(text):
        raise bad_file(file, "the older form NSMA WG16.89.003", "of this standard WG16.99.050 is read: convert it")
    raise bad_file(
        file,
        "no form that is known",
        "an antenna file is a table with the header theta_deg,phi_deg,gain_dbi, an NSMA WG16.99.050 file, or a NEC-2 "
        "output with a radiation pattern",
    )


def _pattern(
    digest: str, file: str, form: str, frequency_hz: float, shape: Grid | Cuts, findings: tuple[Finding, ...]
) -> SampledPattern:
    return SampledPattern(
        digest=digest, source=file, form=form, frequency_hz=frequency_hz, valid_hz=(frequency_hz, frequency_hz),
        size_m=None, polarisation=None, shape=shape, about_boresight=_is_aimed(shape), findings=findings,
    )  # fmt: skip


def _from_nec(text: str, file: str, antenna: str, frequency_hz: float | None, choice: str) -> SampledPattern:
    tables = read_nec(text, file=file)
    frequency = _choose([table.frequency_hz for table in tables], frequency_hz, file, antenna)
    table = next(table for table in tables if table.frequency_hz == frequency)
    if table.samples.theta_deg.max() <= 90.0:
        raise bad_file(
            file,
            "theta ends at 90, as over a ground plane",
            "compute the antenna in free space, over the whole sphere; the venue brings its own floor",
        )
    shape, findings = assemble(table.samples, file=file, antenna=antenna)
    if table.directive:
        message = f'"{file}" gives directive gains, which leave out the losses of the antenna: computed without loss.'
        findings += (Finding("antenna-without-loss", "caution", antenna, message),)
    return _pattern(choice, file, "a NEC-2 output", frequency, shape, findings)


def _from_nsma(
    text: str, file: str, antenna: str, frequency_hz: float | None, polarisation: str | None, choice: str
) -> SampledPattern:
    content = read_nsma(text, file=file, antenna=antenna)
    cuts = [cut for cut in content.cuts if cut.co_polar and (cut.is_azimuth or cut.is_elevation)]
    if not cuts:
        raise bad_file(file, "no principal cut", "two co-polar cuts are read, PATCUT AZ and EL")
    frequency = _choose([cut.frequency_hz for cut in cuts], frequency_hz, file, antenna)
    cuts = [cut for cut in cuts if cut.frequency_hz == frequency]
    word = _polarisation(cuts, polarisation, file, antenna)
    azimuth = [cut for cut in cuts if cut.word == word and cut.is_azimuth]
    elevation = [cut for cut in cuts if cut.word == word and cut.is_elevation]
    if len(azimuth) != 1 or len(elevation) != 1:
        raise bad_file(
            file,
            f"{len(azimuth)} azimuth and {len(elevation)} elevation cuts of {word} polarisation "
            f"at {frequency / 1e6:g} MHz",
            "one of each is needed",
        )
    shape, findings = two_cuts(
        azimuth[0].angle_deg, azimuth[0].gain_dbi, elevation[0].angle_deg, elevation[0].gain_dbi,
        file=file, antenna=antenna,
    )  # fmt: skip
    pattern = _pattern(choice, file, "NSMA WG16.99.050, two cuts", frequency, shape, (*content.findings, *findings))
    low, high = content.valid_hz or (frequency, frequency)
    known = word if word in ("vertical", "horizontal", "rhcp", "lhcp") else None
    return replace(
        pattern, valid_hz=(min(low, frequency), max(high, frequency)), size_m=content.size_m, polarisation=known
    )


def _polarisation(cuts: list[NsmaCut], asked: str | None, file: str, antenna: str) -> str:
    """Word of the polarisation that is meant; a slant of the file stands for whichever the plan says."""
    words = sorted({cut.word for cut in cuts})
    if asked is None or asked in words:
        if asked is None and len(words) > 1:
            raise InputError(
                f'polarisation of antenna "{antenna}" is missing',
                f'"{file}" holds {" and ".join(words)}',
                "add polarisation",
            )
        return asked or words[0]
    slanted = [word for word in words if word.startswith("S")]
    if asked in ("+45", "-45") and len(slanted) == 1:
        return slanted[0]
    raise InputError(
        f'polarisation of antenna "{antenna}" is "{asked}"',
        f'"{file}" holds {" and ".join(words)}',
        "change polarisation, and turn the antenna with roll_deg",
    )


def _choose(held: list[float], asked: float | None, file: str, antenna: str) -> float:
    """The frequency of the file that is meant."""
    several = sorted(set(held))
    said = ", ".join(f"{value / 1e6:.10g}" for value in several[:12])
    if asked is None:
        if len(several) > 1:
            raise InputError(
                f'frequency_hz of antenna "{antenna}" is missing', f'"{file}" holds {said} MHz', "add frequency_hz"
            )
        return several[0]
    near = min(several, key=lambda value: abs(value - asked))
    if abs(near - asked) > SAME_FREQUENCY * asked:
        raise InputError(
            f'frequency_hz of antenna "{antenna}" is {asked:g}', f'"{file}" holds {said} MHz', "change frequency_hz"
        )
    return near


def _is_aimed(shape: Grid | Cuts) -> bool:
    """Whether most of the power goes out ahead."""
    k, weight = sphere()
    if isinstance(shape, Grid) and shape.is_field:
        power = weight * (np.abs(sampled_field(shape, k)) ** 2).sum(axis=1)
    else:
        power = weight * sampled_gain(shape, k)
    return bool(power[k[:, 0] > 0.0].sum() > DIRECTIVE_SHARE * power.sum())
