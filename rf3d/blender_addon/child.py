# SPDX-License-Identifier: GPL-3.0-or-later
"""rf3d as a process of its own: found, started, listened to through files, ended. No threads, no pipes to block on."""

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

NEEDED = (0, 1)
"""Version of rf3d from which on it has all that is asked of it here."""
INSTALL = 'python3 -m venv rf3d-env && rf3d-env/bin/python -m pip install "FOLDER OF RF3D"'
"""What to type where rf3d is nowhere to be found."""
GRACE_S = 2.0
_PROBE = "import importlib.util, sys; sys.exit(importlib.util.find_spec('rf3d') is None)"


class Child:
    """One run of a command of rf3d.

    Parameters
    ----------
    python : str
        The Python that has rf3d.
    folder : Path
        Where its files go; it runs there.
    arguments : sequence of str
    listens : bool
        Whether the command takes --events.
    """

    def __init__(self, python, folder, arguments, *, listens=True):
        self.folder = Path(folder)
        self.events_path = self.folder / "events.jsonl"
        self._read = 0
        command = [python, "-m", "rf3d.cli", *arguments]
        if listens:
            command += ["--quiet", "--events", str(self.events_path)]
        with (self.folder / "out.txt").open("wb") as out, (self.folder / "err.txt").open("wb") as err:
            self.process = subprocess.Popen(
                command, cwd=str(self.folder), stdin=subprocess.DEVNULL, stdout=out, stderr=err, env=environment(),
                **_quiet(),
            )  # fmt: skip
        self._ending_since = None

    @property
    def running(self):
        """Whether it still works; one that was asked to end and does not is killed."""
        if self.process.poll() is not None:
            return False
        if self._ending_since is not None and time.monotonic() - self._ending_since > GRACE_S:
            self.process.kill()
        return True

    def events(self):
        """Whole events written since the last call."""
        try:
            with self.events_path.open("rb") as file:
                file.seek(self._read)
                data = file.read(65536)
        except FileNotFoundError:
            return []
        end = data.rfind(b"\n") + 1
        self._read += end
        return [json.loads(line) for line in data[:end].splitlines() if line.strip()]

    def text(self, name):
        """What it printed: "out" or "err"."""
        return (self.folder / f"{name}.txt").read_text(encoding="utf-8", errors="replace")

    def end(self):
        """Ask it to end. It writes files beside their targets: nothing half-written can be taken for whole."""
        if self.process.poll() is None and self._ending_since is None:
            self._ending_since = time.monotonic()
            self.process.terminate()

    def kill(self):
        """End it now and wait: Blender closes, or the add-on is switched off."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()


def environment():
    """Blender's environment without what would turn another Python into Blender's."""
    return {key: value for key, value in os.environ.items() if key not in ("PYTHONHOME", "PYTHONPATH")}


def _quiet():
    """No console window on Windows."""
    return {"creationflags": subprocess.CREATE_NO_WINDOW} if sys.platform == "win32" else {}


def candidates():
    """Pythons that may have rf3d, likeliest first: named, beside the rf3d command, environments, on the path."""
    windows = sys.platform == "win32"
    inside = Path("Scripts/python.exe" if windows else "bin/python")
    found = [os.environ.get("RF3D_PYTHON")]
    command = shutil.which("rf3d")
    if command:
        found.append(str(Path(command).resolve().with_name("python.exe" if windows else "python")))
        found.append(_first_line(command))
    found += [str(Path(os.environ[key]) / inside) for key in ("VIRTUAL_ENV", "CONDA_PREFIX") if os.environ.get(key)]
    roots = [*Path(__file__).resolve().parents[1:4], Path.home(), *(Path.home() / n for n in ("rf3d", "src/rf3d"))]
    found += [str(root / name / inside) for root in roots for name in (".venv", "rf3d-env", "venv")]
    names = ("python3", "python3.14", "python3.13", "python3.12", "python3.11", "python")
    found += [shutil.which(name) for name in names]
    return [path for path in dict.fromkeys(found) if path and Path(path).is_file()]


def _first_line(command):
    """The interpreter that a script names."""
    try:
        with open(command, "rb") as file:
            line = file.readline(512)
    except OSError:
        return None
    return line[2:].decode(errors="replace").strip() if line.startswith(b"#!") else None


def probe(python):
    """Start asking a Python whether it has rf3d; its exit code says: 0 yes."""
    return subprocess.Popen(
        [python, "-c", _PROBE], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        env=environment(), **_quiet(),
    )  # fmt: skip


def version_numbers(text):
    """Leading numbers of a version: "0.1.0" gives (0, 1, 0)."""
    numbers = []
    for part in text.split("."):
        digits = "".join(c for c in part if c.isdigit())
        if not digits:
            break
        numbers.append(int(digits))
    return tuple(numbers)
