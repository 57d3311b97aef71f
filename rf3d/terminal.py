"""One command while it runs: results to stdout, the log to stderr, data and events to files.

Tables turn into lists where the terminal is narrow. Files are written beside their target and
renamed, so that a stopped run leaves the old file whole.
"""

from __future__ import annotations

import json
import math
import os
import re
import shutil
import signal
import sys
import tempfile
import textwrap
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from textwrap import wrap
from typing import IO, TYPE_CHECKING, Any

import click

from rf3d import __version__
from rf3d.errors import CancelledError, Finding, InputError

if TYPE_CHECKING:
    from rf3d.jobs import Jobs

EXIT_FAIL_FINDINGS = 4
NARROW_COLUMNS = 64
"""Terminals narrower than this get tables as lists."""
SHORT_CELL = 15
"""Cells no longer than this are never broken over lines."""
PROGRESS_STEP = 0.02
NEWS_S = 1.0
"""A stage that tells more than how far it is does so no more often than this."""


class Run:
    """One command while it runs: where its results, log, events and exit code go.

    Parameters
    ----------
    command : str
    options : mapping
        Values of the options every command has: json_path, events_path, quiet, seed, workers.
    inputs : sequence of Path
        Files the command reads, which no output may replace.
    """

    def __init__(self, command: str, options: Mapping[str, Any], inputs: Sequence[Path]) -> None:
        self.command = command
        self.json_path: Path | None = options["json_path"]
        self.quiet: bool = options["quiet"]
        self.seed: int | None = options["seed"]
        self.workers: int = options["workers"]
        self.findings: list[Finding] = []
        self._inputs = [path.resolve() for path in inputs]
        self.stopped = False
        self._stage: tuple[str, float, float] = ("", 0.0, 0.0)
        self._line = 0
        self._told: set[str] = set()
        self._events: IO[str] | None = None
        events_path: Path | None = options["events_path"]
        self.check_target(self.json_path, "--json")
        self.check_target(events_path, "--events")
        if events_path is not None:
            if self.json_path is not None and events_path.resolve() == self.json_path.resolve():
                raise InputError(
                    f'--json and --events both name "{events_path}"', "they need a file each", "name another file"
                )
            try:
                self._events = events_path.open("w", encoding="utf-8", buffering=1)
            except OSError as error:
                raise _not_writable(events_path, "--events", error) from error
        self.emit("start", command=command, rf3d=__version__)

    @property
    def jobs(self) -> Jobs:
        """How work is run, its progress shown here."""
        from rf3d.jobs import Jobs

        return Jobs(workers=self.workers, progress=self.progress)

    @contextmanager
    def stoppable(self) -> Iterator[Jobs]:
        """Work that Ctrl-C ends at its next safe point, keeping what is done; a second Ctrl-C ends it at once."""
        jobs = self.jobs

        def stop(number: int, frame: Any) -> None:
            signal.signal(signal.SIGINT, before)
            jobs.cancel.set()
            self.log("stopping and keeping what is done; once more stops at once")

        before = signal.signal(signal.SIGINT, stop)
        try:
            yield jobs
        finally:
            signal.signal(signal.SIGINT, before)

    def check_target(self, path: Path | None, option: str) -> None:
        """Refuse, before any work, a file that cannot be written or that is an input."""
        if path is None:
            return
        if path.resolve() in self._inputs:
            raise InputError(
                f'{option} names "{path}", which this command reads', "it must be another file", "name another file"
            )
        if path.is_dir() or not path.resolve().parent.is_dir():
            raise InputError(
                f'{option} names "{path}"', "it must be a file in a folder that is there", "name another file"
            )

    def emit(self, event: str, **data: Any) -> None:
        """Write one event as a line of JSON to the file of --events."""
        if self._events is not None:
            self._events.write(json.dumps(plain({"event": event, **data}), ensure_ascii=False) + "\n")

    def log(self, message: str) -> None:
        """A line for the person waiting, on stderr."""
        self._told.clear()
        if not self.quiet:
            self._end_line()
            click.echo(message, err=True)

    def progress(self, stage: str, done: int, total: int) -> None:
        """Show and report how far a stage is; every 2 % and at its end.

        What follows a comma in ``stage`` is news of it: told with it, and by itself no more often than ``NEWS_S``.
        """
        name, _, news = stage.partition(", ")
        share, now = done / total if total else 1.0, time.monotonic()
        last_name, last_share, last_time = self._stage
        small = abs(share - last_share) < PROGRESS_STEP or bool(news)
        if name == last_name and share < 1.0 and small and not (news and now - last_time >= NEWS_S):
            return
        self._stage = (name, share, now)
        self.emit("progress", stage=name, done=done, total=total, **({"news": news} if news else {}))
        if self.quiet:
            return
        if sys.stderr.isatty():
            line = f"{stage} {100 * share:3.0f} %" if not news else f"{name} {100 * share:3.0f} %, {news}"
            # What a longer line left behind is wiped out.
            click.echo(f"\r{line.ljust(self._line)}", err=True, nl=False)
            self._line = len(line)
        elif done >= total and name not in self._told:
            self._told.add(name)  # a stage comes round for every transmitter
            click.echo(f"{name}: done", err=True)

    def _end_line(self) -> None:
        if self._line:
            click.echo("", err=True)
            self._line = 0

    def add_findings(self, findings: Sequence[Finding]) -> None:
        """Keep findings for the JSON file and the exit code, and report each as an event."""
        for finding in findings:
            self.findings.append(finding)
            self.emit("finding", **finding.as_json())

    def text(self, line: str = "") -> None:
        """A line of the result, on stdout."""
        self._end_line()
        click.echo(line)

    def paragraph(self, words: str) -> None:
        """Words of the result, on stdout, broken to the width of the terminal."""
        self._end_line()
        for line in textwrap.wrap(words, width=max(20, shutil.get_terminal_size().columns)):
            click.echo(line)

    def table(self, title: str, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        """A table of the result, on stdout, if it has rows; as a list where the terminal is too narrow for it."""
        self._end_line()
        if rows:
            print_table(title, columns, rows)

    def show_findings(self, findings: Sequence[Finding] | None = None, *, leave_out: Sequence[str] = ()) -> None:
        """Findings, the gravest first, a paragraph each; those kept so far, or others.

        ``leave_out`` are codes whose content the tables above have said already.
        """
        order = ("fail", "caution", "info")
        told = [f for f in (self.findings if findings is None else findings) if f.code not in leave_out]
        self._end_line()
        if told:
            print_findings(sorted(told, key=lambda finding: order.index(finding.severity)))

    def write_json(self, data: Mapping[str, Any]) -> None:
        """Write data and the findings to the file of --json, if one is named."""
        if self.json_path is None:
            return
        content = {"rf3d": __version__, "schema": 1, **data, "findings": [f.as_json() for f in self.findings]}
        write_whole(self.json_path, _laid_out(content), option="--json")

    @property
    def exit_code(self) -> int:
        """130 where the work was stopped and what was done is kept, 4 where a finding is a `fail`, else 0."""
        if self.stopped:
            return CancelledError.exit_code
        return EXIT_FAIL_FINDINGS if any(finding.severity == "fail" for finding in self.findings) else 0

    def close(self, exit_code: int, error: BaseException | None = None) -> None:
        """Report how it ended and close the events."""
        self._end_line()
        if error is not None:
            parts = {key: getattr(error, key) for key in ("given", "allowed", "cure") if hasattr(error, key)}
            self.emit("error", message=str(error) or type(error).__name__, exit_code=exit_code, **parts)
        else:
            self.emit("done", exit_code=exit_code)
        if self._events is not None:
            self._events.close()


def _unpacked(value: Any) -> Any:
    """One level of what JSON does not know by itself."""
    if isinstance(value, Mapping):
        return dict(value)
    if hasattr(value, "tolist"):
        return value.tolist()
    if isinstance(value, Path):
        return str(value)
    raise TypeError(f"{type(value).__name__} has no form in JSON")


def plain(value: Any) -> Any:
    """Data as JSON can carry it: arrays as lists, numbers that are not finite as None."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return str(value) if isinstance(value, Path) else value


def _laid_out(content: Mapping[str, Any]) -> str:
    """JSON with a line for every key and for every item of a list directly under it.

    To be read and compared by line, and yet written in a fifth of the time that one number a line takes.
    """

    def text(value: Any) -> str:
        try:
            return json.dumps(value, ensure_ascii=False, allow_nan=False, default=_unpacked)
        except ValueError:  # a number that is not finite, which is rare
            return json.dumps(plain(value), ensure_ascii=False)

    def item(value: Any) -> str:
        if isinstance(value, list | tuple) and value:
            return "[\n  " + ",\n  ".join(text(part) for part in value) + "\n ]"
        return text(value)

    return "{\n " + ",\n ".join(f"{text(key)}: {item(value)}" for key, value in content.items()) + "\n}\n"


def write_whole(path: Path, text: str, *, option: str) -> None:
    """Write a text file beside its target and rename it: a stopped run leaves the old file whole.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    beside = ""
    try:
        handle, beside = tempfile.mkstemp(dir=path.resolve().parent, prefix=f".{path.name}.")
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(beside, 0o666 & ~mask)
        os.replace(beside, path)
    except OSError as error:
        raise _not_writable(path, option, error) from error
    finally:
        if beside:
            with suppress(FileNotFoundError):
                os.unlink(beside)


def _not_writable(path: Path, option: str, error: OSError) -> InputError:
    return InputError(
        f'{option} names "{path}", which cannot be written ({error.strerror})',
        "it must be a file that may be written",
        "name another file",
    )


def print_table(title: str, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print a table, or in a narrow terminal one block a row: its first cell, then a line for every other."""
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console(highlight=False, markup=False, emoji=False)
    console.print(Text(f"\n{title}", style="bold"))
    longest = [max(len(row[index]) for row in rows) for index in range(len(columns))]
    # Numbers stay in one piece, headings and what is long may break between words.
    least = [
        size if index and size <= SHORT_CELL else max(_longest_word(row[index]) for row in rows)
        for index, size in enumerate(longest)
    ]
    room = console.width - 3 * (len(columns) - 1)
    if console.width < NARROW_COLUMNS or room < sum(map(max, least, map(_longest_word, columns))):
        for row in rows:
            click.echo(row[0])
            for column, cell in zip(columns[1:], row[1:], strict=True):
                if cell:
                    lines = wrap(f"{column}: {cell}", console.width, initial_indent="  ", subsequent_indent="    ")
                    click.echo("\n".join(lines))
        return
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False)
    if room < sum(map(max, longest, map(len, columns))):
        columns = [re.sub(" (?!%)", "\n", column) for column in columns]
    headings = [max(map(len, column.split("\n"))) for column in columns]
    others = sum(max(min(size, SHORT_CELL), heading) for size, heading in zip(longest[1:], headings[1:], strict=True))
    for index, column in enumerate(columns):
        # Names are looked up and copied: they stay in one piece where the others keep room; so do numbers.
        whole = longest[index] <= SHORT_CELL if index else room - longest[0] >= others
        table.add_column(column, overflow="fold", no_wrap=whole, min_width=max(least[index], headings[index]))
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    console.print(table)


def _longest_word(text: str) -> int:
    return max(map(len, text.split()), default=0)


def print_findings(findings: Sequence[Finding]) -> None:
    """Print findings as paragraphs as wide as the terminal."""
    from rich.console import Console
    from rich.padding import Padding
    from rich.text import Text

    console = Console(highlight=False, markup=False, emoji=False)
    console.print(Text("\nFindings", style="bold"))
    for finding in findings:
        console.print(Text.assemble((f"{finding.severity}  ", "bold"), finding.where))
        console.print(Padding(Text(finding.message), (0, 0, 0, 4)))
