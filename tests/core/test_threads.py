"""Executors for array work."""

import os
import threading

import pytest

from lakefloor.algorithms.core import threads
from lakefloor.algorithms.core.errors import Cancelled


def _name(_=None):
    return threading.current_thread().name


@pytest.mark.parametrize("name", ["PYTHON_CPU_COUNT", "OMP_NUM_THREADS"])
@pytest.mark.parametrize(("text", "at_most"), [("1", 1), ("0", 2), ("2,1", 2), ("9999", 2)])
def test_the_environment_may_set_fewer_processors(monkeypatch, name, text, at_most):
    monkeypatch.setattr(threads.os, "sched_getaffinity", lambda _: {3, 5}, raising=False)
    monkeypatch.delenv("PYTHON_CPU_COUNT", raising=False)
    monkeypatch.delenv("OMP_NUM_THREADS", raising=False)
    assert threads.processors() == 2
    monkeypatch.setenv(name, text)
    assert threads.processors() == at_most


@pytest.mark.skipif(not hasattr(os, "sched_getaffinity"), reason="the system has no affinity")
def test_no_more_processors_than_the_process_may_run_on(monkeypatch):
    monkeypatch.delenv("PYTHON_CPU_COUNT", raising=False)
    monkeypatch.delenv("OMP_NUM_THREADS", raising=False)
    assert threads.processors() == len(os.sched_getaffinity(0))


def test_pool_has_threads_of_its_own():
    with threads.pool() as pool:
        assert _name() not in set(pool.map(_name, range(4)))


@pytest.mark.parametrize(("count", "own"), [(2, True), (1, False)])
def test_within_busy_workers_the_work_is_done_at_once(count, own):
    def work():
        with threads.pool() as pool:
            return _name(), set(pool.map(_name, range(4)))

    with threads.workers(count) as workers:
        mine, inner = workers.submit(work).result()
    assert (inner == {mine}) is own


def test_errors_reach_whoever_asks_for_the_result():
    def work():
        with threads.pool() as pool:
            future = pool.submit(int, "no number")
        with pytest.raises(ValueError, match="no number"):
            future.result()
        return True

    with threads.workers(2) as workers:
        assert workers.submit(work).result()


@pytest.mark.parametrize("count", [1, 2])
def test_jobs_side_by_side_come_back_in_order(count):
    told = []
    with threads.workers(count) as workers:
        found = workers.submit(
            threads.side_by_side, divmod, [(7, 2), (9, 4), (5, 3)], told.append
        ).result()
    assert found == [(3, 1), (2, 1), (1, 2)]
    assert told[-1] == 1.0


@pytest.mark.parametrize("jobs", [[], [(7, 2)]])
def test_no_job_and_a_single_one_need_no_thread(jobs):
    told = []
    assert threads.side_by_side(divmod, jobs, told.append) == [(3, 1)] * len(jobs)
    assert told[-1] == 1.0


@pytest.mark.parametrize("count", [1, 2])
def test_jobs_side_by_side_stop_when_told(count):
    def stop(fraction):
        raise Cancelled

    done = []
    with threads.workers(count) as workers:
        future = workers.submit(threads.side_by_side, done.append, [(n,) for n in range(9)], stop)
        with pytest.raises(Cancelled):
            future.result()
