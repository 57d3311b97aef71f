"""What is compiled ahead is all that a run needs, in the very types that it asks for."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from rf3d.errors import CancelledError
from rf3d.jobs import Jobs
from rf3d.propagation.ahead import compile_ahead

DEMO = Path(__file__).parent.parent / "meshes_demo"
AHEAD = """
from rf3d.jobs import Jobs
from rf3d.propagation.ahead import compile_ahead

compile_ahead(Jobs(workers=2))
"""
AFTERWARDS = """
import sys
from numba.core import event
from rf3d.cli import main

compiled = []

class Watch(event.Listener):
    def on_start(self, what):
        compiled.append(what.data["dispatcher"].py_func.__qualname__)

    def on_end(self, what):
        pass

event.register("numba:compile", Watch())
for command in (["links", sys.argv[1]], ["volume", sys.argv[1], "--out", sys.argv[2]]):
    try:
        main([*command, "--quiet"], standalone_mode=False)
    except SystemExit as end:
        assert end.code in (0, 4), end.code
print("compiled:", *compiled)
"""


def test_nothing_is_left_to_compile(tmp_path):
    """In an empty folder: two processes compile side by side; links and volume then compile nothing."""
    folder = tmp_path / "kernels"
    folder.mkdir()
    place = {**os.environ, "NUMBA_CACHE_DIR": str(folder)}
    subprocess.run([sys.executable, "-c", AHEAD], env=place, check=True, capture_output=True, timeout=900)
    then = subprocess.run(
        [sys.executable, "-c", AFTERWARDS, str(DEMO / "blackbox.toml"), str(tmp_path / "volume.npz")],
        env=place, capture_output=True, text=True, timeout=900,
    )  # fmt: skip
    assert then.returncode == 0, then.stderr
    assert then.stdout.splitlines()[-1] == "compiled:"
    assert (tmp_path / "volume.npz").exists()


def test_a_cancelled_run_does_not_wait_for_the_other_process(monkeypatch):
    """Ctrl-C while the second process compiles ends that one too."""
    started = []
    real = subprocess.Popen

    def slow(command, **options):
        started.append(real([sys.executable, "-c", "import time; time.sleep(600)"], **options))
        return started[0]

    monkeypatch.setattr(subprocess, "Popen", slow)
    jobs = Jobs(workers=2)
    jobs.cancel.set()
    with pytest.raises(CancelledError):
        compile_ahead(jobs)
    assert started[0].poll() is not None
