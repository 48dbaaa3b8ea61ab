"""Threads for array work, which lets go of Python's lock."""

import threading
from concurrent.futures import Executor, Future, ThreadPoolExecutor

_here = threading.local()


def pool() -> Executor:
    """Return an executor that uses all processors, from wherever it is asked for.

    A thread of :func:`workers` is one of several that keep the processors busy already; there
    the work is done at once, without further threads.
    """
    return _AtOnce() if getattr(_here, "shared", False) else ThreadPoolExecutor()


def workers(count: int) -> ThreadPoolExecutor:
    """Return an executor of ``count`` threads for work that may ask for a :func:`pool` itself."""
    return ThreadPoolExecutor(count, initializer=_share if count > 1 else None)


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
