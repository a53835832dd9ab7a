"""`study`: evaluate every candidate of a study, find the best of them, write them all down."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from importlib.util import find_spec
from itertools import islice

from rich.console import Console

from chainplan.cli.files import check_output, write_whole
from chainplan.cli.guard import (
    INTERRUPTED,
    NO_MEMORY,
    UnfinishedError,
    UserError,
    complain,
    heed_interruption,
    write_out,
)
from chainplan.cli.progress import progress
from chainplan.plan.problems import PlanError, escape, render_all
from chainplan.report.study import Shown, axes, points, study_text, wanted_numbers
from chainplan.report.study_plot import scatter_svg
from chainplan.report.study_table import Result, write_csv, write_parquet
from chainplan.study.candidates import candidates, count
from chainplan.study.checkpoint import Checkpoint, CheckpointError, fingerprint
from chainplan.study.job import Job, NumberedCandidate, job_of
from chainplan.study.load import LoadedStudy, load_study
from chainplan.study.parameters import Candidate
from chainplan.study.run import Backend, BackendError
from chainplan.study.run import run as run_study
from chainplan.study.tally import StudyTally
from chainplan.workers import WorkerDiedError

UNFINISHED = ".unfinished"
"""What ends the name of the file with the rows of a study that is not finished."""

EXTRA = "pip install 'chainplan[studies]'"


def run(
    study: str,
    out: str | None,
    plot: str | None,
    workers: int | None,
    joblib: str | None,
    width: int | None,
    *,
    restart: bool,
) -> int:
    """Run a study; return 0 if a candidate meets what it must, 1 if none does, 130 if it was interrupted."""
    backend = _backend(workers, joblib)
    _check_files(out, plot)
    loaded, job = _opened(study)
    for name in (out, plot):
        check_output(name, [loaded.file, *loaded.plan.sources.files()])
    if loaded.study.sample is not None:
        _need("scipy", "a sample")
    total = count(loaded.parameters, loaded.study.sample)
    with _rows(loaded, out, total, restart=restart) as rows:
        if rows.done:
            complain(f"going on after {rows.done} of {total} candidates, found in {escape(rows.name)}")
        if rows.lost:
            complain(f"damaged lines there are left out and what they held is evaluated again: {rows.lost}")
        try:
            _evaluate(loaded, job, backend, rows, total)
        except KeyboardInterrupt:
            complain(f"interrupted {_how_far(rows, total, out)}")
            return INTERRUPTED
        except (MemoryError, WorkerDiedError) as error:
            why = NO_MEMORY if isinstance(error, MemoryError) else str(error)
            how = "expected: more memory; fewer --workers need less"
            raise UnfinishedError(f"{why} {_how_far(rows, total, out)}\n   {how}") from None
        tally = StudyTally(tuple(loaded.study.objectives.values()))
        for row in rows.rows():
            tally.add(row)
        _write(loaded, job, tally, rows, total, out, plot, width)
        rows.finished = True
    return 0 if tally.counts["met"] else 1


def _how_far(rows: Checkpoint, total: int, out: str | None) -> str:
    kept = f"run it again to go on: {escape(rows.name)} has them" if out else "--out FILE keeps them"
    return f"after {rows.done} of {total} candidates; {kept}"


class _Rows(Checkpoint):
    """The rows of a study on disk; kept when it is not finished."""

    finished = False


def _opened(study: str) -> tuple[LoadedStudy, Job]:
    try:
        loaded = load_study(study)
        job = job_of(loaded)
    except PlanError as error:
        raise UserError(render_all(error.problems)) from None
    heed_interruption()
    return loaded, job


def _backend(workers: int | None, joblib: str | None) -> Backend:
    if joblib is None:
        return Backend(workers or os.cpu_count() or 1)
    _need("joblib", f"--joblib {joblib}")
    name, _, address = joblib.partition("@")
    if name in ("dask", "ray"):
        _need("distributed" if name == "dask" else name, f"--joblib {name}", f"pip install {name}")
    return Backend(workers or 0, name, address)


def _need(module: str, what: str, how: str = EXTRA) -> None:
    if find_spec(module) is None:
        raise UserError(f"{escape(what)} needs {module}, which is not installed\n   expected: {how}")


def _check_files(out: str | None, plot: str | None) -> None:
    """Refuse names that cannot be meant, before hours of work."""
    if out is not None and not out.lower().endswith((".csv", ".parquet")):
        raise UserError(
            f"--out {escape(out)}: the name says what is written\n   expected: FILE.csv or FILE.parquet"
        )
    if out is not None and out.lower().endswith(".parquet"):
        _need("pyarrow", "--out FILE.parquet")
    if plot is not None and not plot.lower().endswith(".svg"):
        raise UserError(f"--plot {escape(plot)}: this is no name of a drawing\n   expected: FILE.svg")


@contextmanager
def _rows(loaded: LoadedStudy, out: str | None, total: int, *, restart: bool) -> Iterator[_Rows]:
    """Open the file of rows: beside the result, so that a study can go on, or one that nobody sees."""
    if out is None:
        handle, name = tempfile.mkstemp(prefix="chainplan-", suffix=UNFINISHED)
        os.close(handle)
    else:
        name = os.path.realpath(out) + UNFINISHED
    try:
        if restart and out is not None and os.path.exists(name):
            os.unlink(name)
        rows = _Rows(name, fingerprint(loaded), total)
    except CheckpointError as error:
        how = "--restart throws them away, another --out keeps them"
        raise UserError(f"{escape(name)}: {error}\n   expected: {how}") from None
    except OSError as error:
        raise UserError(f"{escape(name)}: the file cannot be written: {error.strerror}") from None
    try:
        yield rows
    except CheckpointError as error:
        raise UserError(f"{escape(name)}: {error}\n   expected: the same command, to go on") from None
    finally:
        rows.close(remove=rows.finished or out is None or not rows.done)


def _evaluate(loaded: LoadedStudy, job: Job, backend: Backend, rows: Checkpoint, total: int) -> None:
    """Evaluate the candidates that have no row yet."""
    if rows.done >= total:
        return
    missing = rows.missing()
    todo = _numbered(candidates(loaded.parameters, loaded.study.sample), missing)
    try:
        with progress("candidates", total) as moves, closing(run_study(job, todo, backend)) as batches:
            for batch in batches:
                try:
                    rows.append(batch)
                except OSError as error:
                    why = f"{escape(rows.name)}: the rows cannot be written: {error.strerror}"
                    raise UserError(why) from None
                if moves:
                    moves(rows.done)
    except BackendError as error:
        how = "a backend of joblib, such as loky, dask@tcp://HOST:8786 or ray"
        raise UserError(f"--joblib {escape(str(error))}\n   expected: {how}") from None


def _numbered(every: Iterator[Candidate], missing: Iterator[int]) -> Iterator[NumberedCandidate]:
    """Yield the candidates of these numbers, which ascend."""
    number = 0
    for wanted in missing:
        yield wanted, next(islice(every, wanted - number - 1, None))
        number = wanted


def _write(
    loaded: LoadedStudy,
    job: Job,
    tally: StudyTally,
    rows: Checkpoint,
    total: int,
    out: str | None,
    plot: str | None,
    width: int | None,
) -> None:
    def results() -> Iterator[Result]:
        drawn = candidates(loaded.parameters, loaded.study.sample)
        for candidate, row in zip(drawn, rows.rows(), strict=True):
            yield candidate, row, tally.is_front(row)

    wanted = wanted_numbers(tally)
    picked = {result[1].number: result for result in results() if result[1].number in wanted}
    if out is not None:
        write = write_parquet if out.lower().endswith(".parquet") else write_csv
        write_whole(out, lambda stream: write(job, results(), stream))
    if plot is not None:
        plane = axes(loaded, job, tally)
        if plane is None:
            complain("nothing to plot: two objectives are needed, and candidates with figures for them")
        else:
            usable = tally.counts["met"] + tally.counts["missed"]
            drawn = points(results(), plane)
            write_whole(plot, scatter_svg(loaded.study.title, drawn, *plane, usable))
    shown = Shown(loaded, job, tally, total, picked)
    write_out(study_text(Console(width=width), shown, results()))
