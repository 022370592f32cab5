"""How far a long run is: a bar with rate and time left on a terminal, a plain line now and then elsewhere."""

from __future__ import annotations

import sys
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from rich.progress import Progress, TaskID

EVERY = 10.0
"""Seconds between two plain lines."""


class Meter(Protocol):
    """What a run tells of itself while it goes on."""

    def move(self, position: int, done: int, failed: int) -> None:
        """Say how much of the input was read, in bytes, and how many items are done and failed."""

    def note(self, text: str) -> None:
        """Say something beside the bar."""


@contextmanager
def meter(what: str, total: int, *, wanted: bool | None = None) -> Iterator[Meter]:
    """Show how far a run is while the block lasts.

    Args:
        what: What is done.
        total: The size of the input in bytes.
        wanted: True for the bar, False for lines; None for the bar on a terminal only.
    """
    if not (sys.stderr.isatty() if wanted is None else wanted):
        yield _Lines(what, total)
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TextColumn("{task.fields[told]}"),
        TimeRemainingColumn(elapsed_when_finished=True),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        yield _Bar(progress, progress.add_task(what, total=max(total, 1), told=""))


@contextmanager
def progress(total: int, what: str) -> Iterator[Callable[[int], None]]:
    """Show a bar with rate and time left on a terminal while many things are done; nothing elsewhere."""
    if total < 2 or not sys.stderr.isatty():
        yield lambda _done: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn(what), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=total)
        yield lambda done: bar.update(task, completed=done)


class _Rate:
    def __init__(self) -> None:
        self._began = time.monotonic()

    def of(self, count: int) -> float:
        """Return how many a second, since the beginning."""
        return count / max(time.monotonic() - self._began, 0.001)

    def left(self, position: int, total: int) -> float | None:
        """Return the seconds left, None when nothing tells."""
        return (time.monotonic() - self._began) * (total - position) / position if position else None


class _Bar:
    def __init__(self, progress: Progress, task: TaskID) -> None:
        self._progress, self._task, self._rate = progress, task, _Rate()

    def move(self, position: int, done: int, failed: int) -> None:
        told = told_of(done, failed, self._rate.of(done))
        self._progress.update(self._task, completed=position, told=told)

    def note(self, text: str) -> None:
        self._progress.console.print(text, markup=False, highlight=False, soft_wrap=True)


class _Lines:
    def __init__(self, what: str, total: int) -> None:
        self._what, self._total, self._rate = what, total, _Rate()
        self._next = time.monotonic() + EVERY

    def move(self, position: int, done: int, failed: int) -> None:
        if time.monotonic() < self._next:
            return
        self._next = time.monotonic() + EVERY
        left = self._rate.left(position, self._total)
        share = f"{100 * position // max(self._total, 1)} %"
        told = told_of(done, failed, self._rate.of(done))
        self.note(f"{self._what}: {share}, {told}" + (f", about {span(left)} left" if left else ""))

    def note(self, text: str) -> None:
        sys.stderr.write(f"{text}\n")
        sys.stderr.flush()


def told_of(done: int, failed: int, rate: float) -> str:
    """Return counts and rate in words."""
    told = f"{done:,} done"
    if failed:
        told += f", {failed:,} not well"
    return f"{told}, {rate:,.1f} a second"


def span(seconds: float) -> str:
    """Return a number of seconds as hours, minutes and seconds."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"
