"""Runs a study: batches of candidates on one core, on several processes, or wherever joblib leads.

Rows come in the order of the candidates on any number of workers, and do not depend on how candidates were
put into batches.
"""

from __future__ import annotations

import gc
from collections import deque
from collections.abc import Generator, Iterator
from concurrent.futures import Future
from contextlib import ExitStack, contextmanager
from importlib import import_module
from itertools import islice
from time import perf_counter
from typing import NamedTuple

from chainplan.study.job import CandidateRow, Job, evaluate_batch, packed
from chainplan.study.levers import Candidate
from chainplan.workers import worker_pool

BATCH_SECONDS = 0.2
"""What a batch is meant to take: far above the cost of sending it, far below what an interrupt may wait."""

MOST_IN_BATCH = 2000

AHEAD = 2
"""Batches waiting for each worker."""


class BackendError(Exception):
    """A backend that joblib does not know, or a cluster that does not answer."""


class Backend(NamedTuple):
    """Where a study runs: processes of its own, or a backend of joblib, which may need an address."""

    workers: int
    joblib: str = ""
    address: str = ""


class _Timed(NamedTuple):
    rows: list[CandidateRow]
    seconds: float


class _Batches:
    """Cuts candidates into batches, larger or smaller as they turn out to be quick or slow."""

    def __init__(self, todo: Iterator[Candidate], done: int) -> None:
        self._todo = islice(todo, done, None)
        self._next = done + 1
        self._size = 1

    def __iter__(self) -> Iterator[tuple[int, list[Candidate]]]:
        """Yield the number of a batch's first candidate, and the batch."""
        while batch := list(islice(self._todo, self._size)):
            yield self._next, batch
            self._next += len(batch)

    def learn(self, timed: _Timed) -> None:
        """Take a batch's time into account: at most four times as many in the next one."""
        each = timed.seconds / len(timed.rows)
        wanted = int(BATCH_SECONDS / each) if each else MOST_IN_BATCH
        self._size = max(1, min(wanted, self._size * 4, MOST_IN_BATCH))


def run(
    job: Job, todo: Iterator[Candidate], backend: Backend, done: int = 0
) -> Generator[list[CandidateRow], None, None]:
    """Evaluate candidates, the first `done` left out; yield rows in order, batch by batch.

    Closing the iterator ends the workers. Raises ImportError where joblib or its backend is missing, and
    :class:`BackendError`.
    """
    batches = _Batches(todo, done)
    parcel = packed(job)
    if backend.joblib:
        yield from _with_joblib(parcel, batches, backend)
    elif backend.workers == 1:
        gc.freeze()  # what is here now outlives every candidate: the collector need not look at it
        try:
            for first, batch in batches:
                timed = _work(parcel, first, batch)
                batches.learn(timed)
                yield timed.rows
        finally:
            gc.unfreeze()
    else:
        yield from _with_processes(parcel, batches, backend.workers)


def _work(parcel: bytes, first: int, batch: list[Candidate]) -> _Timed:
    begin = perf_counter()
    rows = evaluate_batch(parcel, first, batch)
    return _Timed(rows, perf_counter() - begin)


def _with_processes(parcel: bytes, batches: _Batches, workers: int) -> Iterator[list[CandidateRow]]:
    waiting: deque[Future[_Timed]] = deque()
    with worker_pool(workers, gc.freeze) as pool:  # see above
        for first, batch in batches:
            waiting.append(pool.submit(_work, parcel, first, batch))
            while waiting and (len(waiting) >= workers * AHEAD or waiting[0].done()):
                yield _taken(waiting.popleft(), batches)
        while waiting:
            yield _taken(waiting.popleft(), batches)


def _taken(future: Future[_Timed], batches: _Batches) -> list[CandidateRow]:
    timed = future.result()
    batches.learn(timed)
    return timed.rows


def _with_joblib(parcel: bytes, batches: _Batches, backend: Backend) -> Iterator[list[CandidateRow]]:
    from joblib import Parallel, delayed, parallel_config

    with ExitStack() as stack:
        try:
            stack.enter_context(_connected(backend))
            stack.enter_context(parallel_config(backend=backend.joblib, n_jobs=backend.workers or -1))
            parallel = Parallel(return_as="generator", batch_size=1, pre_dispatch=f"{AHEAD}*n_jobs")
        except (OSError, ValueError) as error:
            raise BackendError(f"{backend.joblib}: {error}") from error
        for timed in parallel(delayed(_work)(parcel, first, batch) for first, batch in batches):
            batches.learn(timed)
            yield timed.rows


@contextmanager
def _connected(backend: Backend) -> Iterator[None]:
    """Join the cluster that a backend needs, and leave it in the end; its library comes with the cluster."""
    if backend.joblib == "dask":
        distributed = import_module("dask.distributed")
        with distributed.Client(backend.address or None):
            yield
    elif backend.joblib == "ray":
        import_module("ray").init(address=backend.address or None, ignore_reinit_error=True)
        import_module("ray.util.joblib").register_ray()
        yield
    else:
        yield
