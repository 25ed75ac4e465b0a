"""The studies of a batch spread over processes of this machine or over a cluster."""

from __future__ import annotations

import os
import threading
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context, parent_process
from typing import TYPE_CHECKING

from validator.batch.rows import StudyRow
from validator.errors import EnvironmentProblem

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from multiprocessing.process import BaseProcess as _ParentProcess

    from validator.batch.rows import StudyPlace

INSTALL = "pip install 'validator[cluster]'"
DIED = "the process was terminated, possibly for lack of memory"
_ANSWER_WITHIN = "10s"


def run_batch(
    places: Sequence[StudyPlace], *, workers: int = 1, cluster: str | None = None
) -> Iterator[StudyRow]:
    """The line of every study, as they finish; sort them by path for a summary that does not depend on that.

    Args:
        places: the studies.
        workers: processes of this machine; one means this process itself.
        cluster: address of a scheduler, whose workers see the same folders; takes the place of *workers*.

    Raises:
        EnvironmentProblem: the package for clusters is missing, or no scheduler answers at the address.
    """
    if cluster is not None:
        yield from _on_cluster(places, cluster)
    elif workers < 2:
        yield from map(work, places)
    else:
        yield from _in_processes(places, min(workers, len(places)))


def work(place: StudyPlace) -> StudyRow:
    """The line of one study; the engine is loaded where the work is done, not where it is handed out."""
    from validator.batch.working import work as work_on

    return work_on(place)


def _in_processes(places: Sequence[StudyPlace], workers: int) -> Iterator[StudyRow]:
    open_places = {place.name: place for place in places}
    pool = _pool(workers)
    try:
        futures = [pool.submit(work, place) for place in places]
        for future in as_completed(futures):
            row = future.result()
            del open_places[row.path]
            yield row
    except BrokenProcessPool:
        # a process died and took the pool with it: the rest one by one, so that the culprit is known
        yield from _one_by_one(list(open_places.values()))
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _one_by_one(places: list[StudyPlace]) -> Iterator[StudyRow]:
    while places:
        with _pool(1) as pool:
            while places:
                place = places.pop(0)
                try:
                    yield pool.submit(work, place).result()
                except BrokenProcessPool:
                    yield StudyRow(path=place.name, problem=DIED)
                    break


def _pool(workers: int) -> ProcessPoolExecutor:
    # spawned, not forked: numerical libraries hold threads that do not survive a fork
    return ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_end_with_parent)


def _end_with_parent() -> None:
    """Let this worker end when the process that started it is gone: a killed batch leaves none behind."""
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_after, args=(parent,), daemon=True).start()


def _end_after(parent: _ParentProcess) -> None:
    parent.join()
    os._exit(1)


def _on_cluster(places: Sequence[StudyPlace], address: str) -> Iterator[StudyRow]:
    try:
        import distributed
    except ImportError as error:
        raise EnvironmentProblem(f"the package for clusters is not installed: {INSTALL}") from error
    try:
        client = distributed.Client(address, timeout=_ANSWER_WITHIN, set_as_default=False)
    except (OSError, ValueError) as error:
        raise EnvironmentProblem(f"{address}: no scheduler responds; start one, or omit --cluster") from error
    with client:
        futures = client.map(work, places, pure=False, key=[f"study-{place.name}" for place in places])
        names = {future.key: place.name for future, place in zip(futures, places, strict=True)}
        for future in distributed.as_completed(futures, loop=client.loop):
            if future.status == "finished":
                yield future.result()
            else:
                yield StudyRow(path=names[future.key], problem=DIED)
