"""Ordered parallel tasks: threads inside a machine, results always in the order of the tasks.

Work is cut into tasks whose number does not depend on the number of workers, and sums are
made in task order, so 1 or 16 workers give the same bytes. Kernels and Embree release the
interpreter, which is what makes threads worth having.
"""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import islice
from typing import TypeVar

import numpy as np

from rf3d.errors import CancelledError

Task = TypeVar("Task")
Result = TypeVar("Result")
Progress = Callable[[str, int, int], None]


def silent(stage: str, done: int, total: int) -> None:
    """Progress that nobody watches."""


@dataclass(frozen=True)
class Jobs:
    """How work is run: how many threads, who watches, and whether to stop.

    Parameters
    ----------
    workers : int
        Threads; 0 means one per core.
    progress : callable(stage, done, total)
    cancel : threading.Event
        Set it from anywhere to stop; the next result raises CancelledError.
    """

    workers: int = 0
    progress: Progress = silent
    cancel: threading.Event = field(default_factory=threading.Event)

    @property
    def threads(self) -> int:
        """Number of threads that will run."""
        return self.workers or os.cpu_count() or 1


def ordered(
    work: Callable[[Task], Result], tasks: Iterable[Task], *, jobs: Jobs, stage: str = "", total: int = 0
) -> Generator[Result, None, None]:
    """Run ``work`` over tasks in threads and yield the results in order, holding only a few at a time.

    Parameters
    ----------
    stage : str
        Name under which progress is reported; "" reports nothing.
    total : int
        Number of tasks, for the report.

    Raises
    ------
    CancelledError
        When ``jobs.cancel`` is set.
    """
    waiting: deque[Future[Result]] = deque()
    iterator = iter(tasks)
    done = 0
    with ThreadPoolExecutor(jobs.threads) as pool:
        try:
            while True:
                for task in islice(iterator, jobs.threads + 1 - len(waiting)):
                    waiting.append(pool.submit(work, task))
                if not waiting:
                    return
                if jobs.cancel.is_set():
                    raise CancelledError("stopped before the work was complete")
                result = waiting.popleft().result()
                done += 1
                if stage:
                    jobs.progress(stage, done, total)
                yield result
        finally:
            for future in waiting:
                future.cancel()


def batch_generator(seed: int, *key: int) -> np.random.Generator:
    """Random numbers of one batch: a pure function of the plan's seed and the batch's key."""
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence(entropy=seed, spawn_key=key)))
