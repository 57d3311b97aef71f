"""What was traced before, kept by all that it depends on, so that a changed aim or power costs no tracing.

Geometry alone decides a PathSet. The caller owns a PathCache and hands it on; without one
everything is found anew, with the same answer.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Any, TypeVar

import numpy as np

Result = TypeVar("Result")
MOST_BYTES = 1 << 29


class PathCache:
    """Answers by key; the longest unused are given up when their arrays exceed a number of bytes. Thread-safe.

    Parameters
    ----------
    most_bytes : int
        An answer larger than this is not kept at all.
    """

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self._most_bytes = most_bytes
        self._kept: OrderedDict[Hashable, tuple[Any, int]] = OrderedDict()
        self._bytes = 0
        self._lock = threading.Lock()

    @property
    def bytes_held(self) -> int:
        """Bytes of the arrays held."""
        return self._bytes

    def get(self, key: Hashable, find: Callable[[], Result]) -> Result:
        """The answer kept under ``key``; else what ``find`` gives, kept from now on.

        The key must hold everything the answer depends on, and nobody may change the answer. Two threads that ask at
        once may both look for it.
        """
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                answer: Result = self._kept[key][0]
                return answer
        answer = find()
        size = bytes_of(answer)
        with self._lock:
            if key not in self._kept and size <= self._most_bytes:
                self._kept[key] = answer, size
                self._bytes += size
            while self._bytes > self._most_bytes:
                self._bytes -= self._kept.popitem(last=False)[1][1]
        return answer


def kept(cache: PathCache | None, key: Hashable, find: Callable[[], Result]) -> Result:
    """What ``find`` gives, from the cache where there is one."""
    return find() if cache is None else cache.get(key, find)


def bytes_of(value: object) -> int:
    """Bytes of the arrays in an array, a tuple or list of such, or an object with such attributes."""
    if isinstance(value, np.ndarray):
        return value.nbytes
    if isinstance(value, tuple | list):
        return sum(bytes_of(item) for item in value)
    return sum(item.nbytes for item in getattr(value, "__dict__", {}).values() if isinstance(item, np.ndarray))
