"""Compiled inner loops; the only place that imports numba.

Numba keeps compiled code beside each source file and looks at that file alone to see whether it is
stale, although a kernel also holds the code of the kernels it calls. So the compiled code
is kept in a folder named after a digest of all the sources it was made from.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from pathlib import Path

import numba

INNER = {"nogil": True, "cache": True, "error_model": "numpy", "_nrt": False}
"""Options of small kernels that others call ray by ray and that make no arrays. Numba would count a reference to every
array that such a call is handed, atomically: that costs more than the call, and threads fight over it. This leaves the
counting out; the caller holds the arrays. A kernel that says nothing of it takes after the one it is compiled for, so
inner kernels call inner ones, or ``OWNING`` ones."""
OWNING = {**INNER, "_nrt": True}
"""Options of kernels that make arrays of their own and are called by inner ones."""
_SOURCES = (Path(__file__).parent, Path(__file__).parents[2] / "units.py")
_PREFIX = "compiled-"


def _digest() -> str:
    """Of everything that kernels are compiled from, and of the compiler's version."""
    content = hashlib.sha256(numba.__version__.encode())
    for path in [*sorted(_SOURCES[0].glob("*.py")), _SOURCES[1]]:
        content.update(path.read_bytes())
    return content.hexdigest()[:16]


def _folder() -> Path:
    """Where compiled kernels are kept: beside the sources, or in the user's cache where those cannot be written."""
    own = Path(numba.config.CACHE_DIR or Path(__file__).parent / "__pycache__")
    if not os.access(own if own.exists() else own.parent, os.W_OK):
        own = Path.home() / ".cache" / "rf3d"
    return own / (_PREFIX + _digest())


_FOLDER = _folder()
if not _FOLDER.exists() and _FOLDER.parent.exists():
    for _old in _FOLDER.parent.glob(_PREFIX + "*"):
        shutil.rmtree(_old, ignore_errors=True)
numba.config.CACHE_DIR = str(_FOLDER)


def compiled_before() -> bool:
    """Whether these very kernels have been compiled and kept on disk; the first time takes a while."""
    return any(_FOLDER.rglob("transport.carry-*.nbc"))
