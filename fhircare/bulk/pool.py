"""Work spread over processes, a bounded number of chunks ahead, and never stopped by a process that dies.

Standard library: ``concurrent.futures`` keeps the processes. What it lacks is added here: when a process is
killed (out of memory, a crash in a library), all that was under way is done again item by item in a process
of its own, so that only the item that kills is lost, and known. And when this process is killed, its workers
end by themselves.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import signal
import threading
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing.connection import wait as wait_for_end
from typing import TYPE_CHECKING, Generic, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

T = TypeVar("T")
R = TypeVar("R")

AHEAD = 3
"""Chunks under way for each worker: one at work, the others waiting so that it never does."""

_RUBBISH = (50_000, 10, 10)
"""How many objects more make Python look for rubbish in rings: the objects of one plan, about."""


class Crashed:
    """Stands for the result of an item whose process died."""


class Spread(Generic[T, R]):
    """Chunks of items through processes, results as they come.

    Workers import the program that started them: a script of yours that uses this needs the usual
    ``if __name__ == "__main__":`` around what it does.

    Attributes:
        stopping: Set it to take no further chunk; what is under way is still given out.
    """

    def __init__(self, work: Callable[[list[T]], list[R]], workers: int, preload: Sequence[str] = ()) -> None:
        """Prepare; nothing starts yet.

        Args:
            work: Takes a chunk and returns a result for each item, in order. Goes to other processes: a
                function of a module, or a ``functools.partial`` of one.
            workers: How many processes.
            preload: Modules that the work needs, imported once for all workers where the system can.
        """
        self._work, self._workers = work, workers
        self._context = _context(preload)
        self.stopping = False

    def over(self, chunks: Iterable[list[T]]) -> Iterator[tuple[list[T], list[R | Crashed]]]:
        """Yield each chunk with its results, in the order they are ready; never more than a window ahead.

        Raises:
            Exception: What ``work`` raises; it should not.
        """
        source = iter(chunks)
        pool = self._pool(self._workers)
        under_way: dict[Future[list[R]], list[T]] = {}
        try:
            while True:
                lost: list[list[T]] = []
                while not self.stopping and not lost and len(under_way) < self._workers * AHEAD:
                    chunk = next(source, None)
                    if chunk is None:
                        break
                    try:
                        under_way[pool.submit(self._work, chunk)] = chunk
                    except BrokenProcessPool:
                        lost.append(chunk)
                if self.stopping:
                    under_way = {future: chunk for future, chunk in under_way.items() if not future.cancel()}
                if not under_way and not lost:
                    return
                done = wait(under_way, return_when=FIRST_COMPLETED).done if under_way and not lost else ()
                if lost or any(isinstance(future.exception(), BrokenProcessPool) for future in done):
                    done = wait(under_way).done  # the whole pool is gone; every future knows by now, or soon
                for future in done:
                    chunk = under_way.pop(future)
                    if isinstance(future.exception(), BrokenProcessPool):
                        lost.append(chunk)
                    else:
                        yield chunk, list(future.result())
                if lost:
                    pool.shutdown()
                    for chunk in lost:
                        yield chunk, list(self._one_by_one(chunk))
                    pool = self._pool(self._workers)
        finally:
            pool.shutdown(cancel_futures=True)

    def _one_by_one(self, chunk: list[T]) -> Iterator[R | Crashed]:
        pool = self._pool(1)
        try:
            for item in chunk:
                try:
                    (result,) = pool.submit(self._work, [item]).result()
                    yield result
                except BrokenProcessPool:
                    yield Crashed()
                    pool.shutdown()
                    pool = self._pool(1)
        finally:
            pool.shutdown(cancel_futures=True)

    def _pool(self, workers: int) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(workers, mp_context=self._context, initializer=_begin)


@contextmanager
def at_most(seconds: float) -> Iterator[None]:
    """End this process when what is done within takes longer, in seconds of the clock; 0 for no end.

    The system does it, whatever the process is busy with; ``Spread`` then takes the item for one that kills
    its process. On a system without such an alarm (Windows) nothing is ended.
    """
    if not seconds or not hasattr(signal, "setitimer"):
        yield
        return
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)


def usual_workers() -> int:
    """Return the number of processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _context(preload: Sequence[str]) -> multiprocessing.context.BaseContext:
    # Never plain fork: a progress bar's thread may hold a lock at that moment.
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    if preload:
        context.set_forkserver_preload(list(preload))
    return context


def _begin() -> None:
    """Begin a worker: the parent alone answers Ctrl-C, and nobody outlives it.

    What is loaded by now is never looked through for rubbish again, and rubbish in rings, of which an item
    leaves little, is looked for once an item or so instead of every 700 new objects: both took a tenth of the
    time.
    """
    gc.freeze()
    gc.set_threshold(*_RUBBISH)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    wait_for_end([sentinel])
    os._exit(1)
