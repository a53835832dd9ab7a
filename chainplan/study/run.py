"""Runs a study: batches of candidates on one core, on several processes, or wherever joblib leads.

Rows come in the order of the candidates on any number of workers, and do not depend on how candidates were
put into batches.
"""

from __future__ import annotations

import gc
import os
from collections.abc import Generator, Iterator
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack, contextmanager
from importlib import import_module
from itertools import islice
from time import perf_counter
from typing import NamedTuple

from chainplan.study.job import CandidateRow, Job, NumberedCandidate, evaluate_batch, packed
from chainplan.workers import WorkerDiedError, end_with, worker_pool

BATCH_SECONDS = 0.2
"""What a batch is meant to take: far above the cost of sending it, far below what an interrupt may wait."""

MOST_IN_BATCH = 2000

AHEAD = 2
"""Batches that wait for each worker of joblib."""

LOCAL = ("loky", "multiprocessing")
"""Backends of joblib whose workers are children of this process."""


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

    def __init__(self, todo: Iterator[NumberedCandidate]) -> None:
        self._todo = todo
        self._size = 1

    def __iter__(self) -> Iterator[list[NumberedCandidate]]:
        """Yield batches."""
        while batch := list(islice(self._todo, self._size)):
            yield batch

    def learn(self, timed: _Timed) -> None:
        """Take a batch's time into account: at most four times as many in the next one."""
        each = timed.seconds / len(timed.rows)
        wanted = int(BATCH_SECONDS / each) if each else MOST_IN_BATCH
        self._size = max(1, min(wanted, self._size * 4, MOST_IN_BATCH))


def run(
    job: Job, todo: Iterator[NumberedCandidate], backend: Backend
) -> Generator[list[CandidateRow], None, None]:
    """Evaluate candidates; yield rows in their order, batch by batch.

    Closing the iterator ends the workers. Raises ImportError where joblib or its backend is missing,
    :class:`BackendError`, and :class:`~chainplan.workers.WorkerDiedError`.
    """
    batches = _Batches(todo)
    parcel = packed(job)
    with ExitStack() as stack:
        for timed in _worked(parcel, batches, backend, stack):
            batches.learn(timed)
            yield timed.rows


def _worked(parcel: bytes, batches: _Batches, backend: Backend, stack: ExitStack) -> Iterator[_Timed]:
    """Return what becomes of the batches; `stack` ends what was begun for it."""
    if backend.joblib:
        return _with_joblib(parcel, batches, backend, stack)
    if backend.workers == 1:
        gc.freeze()  # what is here now outlives every candidate: the collector need not look at it
        stack.callback(gc.unfreeze)
        return (_work(parcel, batch) for batch in batches)
    pool = stack.enter_context(worker_pool(backend.workers, _take_over, parcel))
    return pool.map(_work_there, batches)


def _work(parcel: bytes, batch: list[NumberedCandidate]) -> _Timed:
    begin = perf_counter()
    rows = evaluate_batch(parcel, batch)
    return _Timed(rows, perf_counter() - begin)


_shared: list[bytes] = []
"""In a worker process: the job, handed over once."""


def _take_over(parcel: bytes) -> None:
    _shared.append(parcel)
    gc.freeze()  # as above


def _work_there(batch: list[NumberedCandidate]) -> _Timed:
    return _work(_shared[0], batch)


def _with_joblib(parcel: bytes, batches: _Batches, backend: Backend, stack: ExitStack) -> Iterator[_Timed]:
    from joblib import Parallel, delayed, parallel_config

    # Workers on this machine would outlive this process by minutes if it were killed.
    mine = {"initializer": end_with, "initargs": (os.getpid(),)} if backend.joblib in LOCAL else {}
    try:
        stack.enter_context(_connected(backend))
        stack.enter_context(parallel_config(backend=backend.joblib, n_jobs=backend.workers or -1, **mine))
        parallel = Parallel(return_as="generator", batch_size=1, pre_dispatch=f"{AHEAD}*n_jobs")
    except (OSError, ValueError) as error:
        raise BackendError(f"{backend.joblib}: {error}") from error
    try:
        yield from parallel(delayed(_work)(parcel, batch) for batch in batches)
    except BrokenProcessPool as error:
        raise WorkerDiedError("a worker process has died") from error
    except Exception as error:
        if type(error).__module__.partition(".")[0] in ("distributed", "ray"):  # a cluster that has gone
            raise WorkerDiedError(f"{backend.joblib}: {type(error).__name__}") from error
        raise


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
