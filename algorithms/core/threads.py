"""Threads for array work, which lets go of Python's lock."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor, wait

from .progress import Progress, silent

_LOOK = 0.1
_here = threading.local()

#: Where the environment sets a number of processors.
_SET = ("PYTHON_CPU_COUNT", "OMP_NUM_THREADS")


def processors() -> int:
    """Return how many processors this process may use.

    The environment may set fewer (``PYTHON_CPU_COUNT``, ``OMP_NUM_THREADS``), for jobs side by
    side on one machine.

    Examples
    --------
    >>> 1 <= processors() <= (os.cpu_count() or 1)
    True
    """
    affinity = getattr(os, "sched_getaffinity", None)  # not on every system
    here = len(affinity(0)) if affinity else os.cpu_count() or 1
    given = (os.environ.get(name, "").strip() for name in _SET)
    return min([here, *(int(text) for text in given if text.isdecimal() and int(text) > 0)])


def pool() -> Executor:
    """Return an executor that uses all :func:`processors`, from wherever it is asked for.

    A thread of :func:`workers` is one of several that keep the processors busy already; there
    the work is done at once, without further threads.
    """
    return _AtOnce() if getattr(_here, "shared", False) else ThreadPoolExecutor(processors())


def workers(count: int) -> ThreadPoolExecutor:
    """Return an executor of ``count`` threads for work that may ask for a :func:`pool` itself."""
    return ThreadPoolExecutor(count, initializer=_share if count > 1 else None)


def side_by_side(work: Callable, jobs: Sequence[tuple], progress: Progress = silent) -> list:
    """Return ``work(*job)`` of each job, in order; as many at a time as there are processors.

    Parameters
    ----------
    work : callable
    jobs : sequence of tuple
        Independent of each other.
    progress : callable
        Called in the thread of the caller.
    """
    if getattr(_here, "shared", False) or len(jobs) < 2:
        results = []
        for number, job in enumerate(jobs):
            progress(number / len(jobs))
            results.append(work(*job))
        progress(1.0)
        return results
    with workers(min(len(jobs), processors())) as executor:
        futures = [executor.submit(work, *job) for job in jobs]
        try:
            while (done := wait(futures, timeout=_LOOK)).not_done:
                progress(len(done.done) / len(jobs))
            progress(1.0)
            return [future.result() for future in futures]
        finally:
            for future in futures:
                future.cancel()


def _share():
    _here.shared = True


class _AtOnce(Executor):
    def submit(self, fn, /, *args, **kwargs):
        future = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except BaseException as error:
            future.set_exception(error)
        return future

    def map(self, fn, *iterables, timeout=None, chunksize=1):
        return map(fn, *iterables)
