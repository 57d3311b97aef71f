"""Compiled inner loops; the only place that imports numba."""

from __future__ import annotations

from pathlib import Path


def compiled_before() -> bool:
    """Whether this checkout's kernels have been compiled and kept on disk; the first time takes a while."""
    return any((Path(__file__).parent / "__pycache__").glob("transport.carry-*.nbc"))
