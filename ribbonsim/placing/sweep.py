"""Sweep: layouts by poses by meshes to one table, on all cores or on a cluster."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ribbonsim.arrays import Progress
from ribbonsim.errors import RibbonsimError
from ribbonsim.files.names import cell
from ribbonsim.files.writing import make_folder, write_file
from ribbonsim.placing.plan import Plan, read_plan
from ribbonsim.placing.prepared import Row, Task, measured, prepare

COLUMNS = (
    *("mesh", "layout", "controls", "stations", "reach", "drive", "pose", "amount"),
    *("skin_error", "shape_error", "kink", "folds", "stretch", "squeeze"),
    *("girth_low", "girth_high", "volume", "error"),
)
# what is done already, a line a layout; and rigs that need not be bound again
JOURNAL, PREPARED = "journal.jsonl", "prepared"
TABLE = "sweep.csv"


@dataclass(frozen=True, eq=False)
class Sweep:
    """What a sweep measured.

    Parameters
    ----------
    plan : Plan
    rows : tuple of dict
        One for each mesh, layout and pose, with the keys of :data:`COLUMNS` that it has; one
        with ``error`` for a mesh or a layout that could not be used.
    files : tuple of Path
        Tables that were written.
    """

    plan: Plan
    rows: tuple[Row, ...]
    files: tuple[Path, ...]


def sweep(
    plan: Plan | str | os.PathLike[str],
    out: str | os.PathLike[str],
    jobs: int | None = None,
    scheduler: str | None = None,
    force: bool = False,
    progress: Progress | None = None,
) -> Sweep:
    """Measure layouts by poses by meshes, and write one table.

    Each layout is put on the ribbon that is found in each mesh, by shares of its length: a
    layout file gives stations, controls, reach and drive, and its own ribbon is not used.

    A run that was stopped goes on where it was when it is started again with the same folder.

    Parameters
    ----------
    plan : Plan or path
        A TOML file; or a folder, whose meshes and layouts all are taken.
    out : path
        Folder for the table; made if it is not there. On a cluster all workers must see it.
    jobs : int, optional
        Processes; as many as there are cores if left out.
    scheduler : str, optional
        Address of a dask scheduler, such as ``tcp://host:8786``, whose workers do the work.
    force : bool
        Replace a table that is there.
    progress : callable, optional
        Called as ``progress(what, done, total)``; raise in it to stop.

    Returns
    -------
    Sweep

    Raises
    ------
    RibbonsimError
        If the plan cannot be used, a file is in the way, or there is no such scheduler.
    """
    told = plan if isinstance(plan, Plan) else read_plan(plan)
    folder = make_folder(out)
    if (folder / TABLE).exists() and not force:
        raise RibbonsimError(
            f"{folder / TABLE} exists and is kept: choose another folder, or ask for it to be "
            "replaced (--force)"
        )
    rigs = make_folder((folder / PREPARED).resolve())
    show = progress or (lambda *_: None)
    with _workers(jobs, scheduler) as run:
        ready = _prepared(told, rigs, run, show)
        tasks = [
            Task(path, name, recipe, told.method)
            for name, path, error in ready
            if not error
            for recipe in told.recipes
        ]
        found = _measured(tasks, folder / JOURNAL, run, show)
    rows: list[Row] = []
    for name, path, error in ready:
        if error:
            rows.append({"mesh": name, "error": error})
        for task in tasks:
            if task.prepared == path:
                rows += found[task.key]
    files = _write(rows, folder, force)
    return Sweep(told, tuple(rows), files)


class _Run:
    """Runs a function over arguments, and gives what comes as it comes."""

    def __init__(self, jobs: int) -> None:
        self._jobs = jobs

    def __call__(self, function: Any, arguments: Iterable[tuple[Any, ...]]) -> Iterator[Any]:
        import joblib

        parallel = joblib.Parallel(n_jobs=self._jobs, return_as="generator_unordered")
        yield from parallel(joblib.delayed(function)(*each) for each in arguments)


@contextlib.contextmanager
def _workers(jobs: int | None, scheduler: str | None) -> Iterator[_Run]:
    if scheduler is None:
        yield _Run(-1 if jobs is None else jobs)
        return
    import joblib

    try:
        from distributed import Client
    except ImportError as error:
        raise RibbonsimError(
            "a cluster needs dask: install it by pip install 'ribbonsim[cluster]'"
        ) from error
    try:
        client = Client(scheduler, timeout=20)
    except (OSError, ValueError) as error:
        raise RibbonsimError(
            f"no scheduler answers at {scheduler}: start one by dask scheduler, and name it"
        ) from error
    with client, joblib.parallel_config("dask"):
        yield _Run(-1)


def _prepared(plan: Plan, rigs: Path, run: _Run, show: Progress) -> list[tuple[str, str, str]]:
    """Of each mesh its name, its prepared rig and what went wrong; in the order of the plan."""
    total = len(plan.meshes)
    show("bind the meshes", 0, total)
    known: dict[str, tuple[str, str, str]] = {}
    arguments = [(os.path.abspath(mesh), str(rigs), plan.poses) for mesh in plan.meshes]
    for done, (mesh, found) in enumerate(run(_prepare, arguments), start=1):
        known[mesh] = found
        show("bind the meshes", done, total)
    return [known[os.path.abspath(mesh)] for mesh in plan.meshes]


def _prepare(mesh: str, rigs: str, poses: Any) -> tuple[str, tuple[str, str, str]]:
    return mesh, prepare(mesh, rigs, poses)


def _measured(
    tasks: Sequence[Task], journal: Path, run: _Run, show: Progress
) -> dict[str, list[Row]]:
    """Rows by task; those that are in the journal are not measured again."""
    found = _read_journal(journal)
    left = [task for task in tasks if task.key not in found]
    total, done = len(tasks), len(tasks) - len(left)
    show("measure layouts", done, total)
    with open(journal, "a", encoding="utf-8") as stream:
        for key, rows in run(measured, ((task,) for task in left)):
            found[key] = rows
            stream.write(json.dumps([key, rows]) + "\n")
            stream.flush()
            done += 1
            show("measure layouts", done, total)
    return found


def _read_journal(journal: Path) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    if journal.exists():
        for line in journal.read_text(encoding="utf-8").splitlines():
            with contextlib.suppress(ValueError):  # the last line of a run that was killed
                key, rows = json.loads(line)
                found[key] = rows
    return found


def _write(rows: Sequence[Row], folder: Path, force: bool) -> tuple[Path, ...]:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow([cell(row.get(column, "")) for column in COLUMNS])
    files = [write_file(folder / TABLE, stream.getvalue(), force)]
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        return tuple(files)
    table = pa.table({column: [row.get(column) for row in rows] for column in COLUMNS})
    sink = io.BytesIO()
    pq.write_table(table, sink)
    files.append(write_file(folder / "sweep.parquet", sink.getvalue(), force))
    return tuple(files)
