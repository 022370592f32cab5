"""Work over processes: bounded, complete, not stopped by a process that dies. Real processes, real kills."""

from __future__ import annotations

import functools
import os
import signal
import threading
import time

import pytest

from fhircare.bulk import Crashed, Spread, at_most

pytestmark = pytest.mark.skipif(os.name != "posix", reason="kills processes by signal")


def spread_over(work, workers):
    return Spread(work, workers, preload=("tests.test_bulk_pool",))


def double(items):
    return [2 * item for item in items]


def die_at(deadly, items):
    """Double, but be killed the way the system kills when memory runs out."""
    if deadly & set(items):
        os.kill(os.getpid(), signal.SIGKILL)
    return double(items)


def slow(items):
    time.sleep(0.2)
    return double(items)


def hang_at(endless, items):
    """Double, but never come to an end with some, as a library's own loop may."""
    for item in items:
        with at_most(2):
            while item in endless:
                pass
    return double(items)


def chunks(count, size, taken=None):
    for start in range(0, count, size):
        if taken is not None:
            taken.append(start)
        yield list(range(start, min(start + size, count)))


def results(spread, source):
    return {
        item: made for chunk, found in spread.over(source) for item, made in zip(chunk, found, strict=True)
    }


def test_every_item_has_its_result_once():
    """What comes out is what one process would have made."""
    assert results(spread_over(double, 2), chunks(103, 7)) == {item: 2 * item for item in range(103)}


def test_no_more_is_taken_than_the_window():
    """However long the source is, only some chunks are ahead of the results."""
    taken = []
    seen = 0
    for _ in spread_over(double, 2).over(chunks(200, 1, taken)):
        seen += 1
        assert len(taken) - seen <= 2 * 3

    assert seen == 200


@pytest.mark.parametrize("deadly", [{0}, {11}, {4, 5, 40}], ids=["first", "middle", "several"])
def test_an_item_that_kills_its_process_is_the_only_one_lost(deadly):
    """Whoever kills the process is known and marked; all others, also those under way beside it, are done."""
    found = results(spread_over(functools.partial(die_at, deadly), 2), chunks(60, 4))

    assert {item for item, made in found.items() if isinstance(made, Crashed)} == deadly
    assert all(found[item] == 2 * item for item in set(range(60)) - deadly)
    assert len(found) == 60


def test_stopping_gives_out_what_is_under_way():
    """After a stop nothing new is taken, and nothing that was done is lost."""
    spread = spread_over(slow, 2)
    taken = []
    found = {}
    for chunk, made in spread.over(chunks(100, 1, taken)):
        spread.stopping = True
        found |= dict(zip(chunk, made, strict=True))

    assert 1 <= len(found) <= len(taken) <= 7
    assert all(made == 2 * item for item, made in found.items())


def test_a_stop_from_another_thread_is_heeded_between_results():
    """A signal's handler only sets the flag; the run ends by itself soon after."""
    spread = spread_over(slow, 1)
    threading.Timer(0.5, lambda: setattr(spread, "stopping", True)).start()

    assert len(list(spread.over(chunks(1000, 1)))) < 30


def test_an_item_without_an_end_is_given_up():
    """Its process is ended when its time is over; all others have their results."""
    found = results(spread_over(functools.partial(hang_at, {5}), 2), chunks(12, 3))

    assert isinstance(found.pop(5), Crashed)
    assert found == {item: 2 * item for item in range(12) if item != 5}


def test_no_alarm_is_left_behind():
    """What ends in time is not ended later, and without a limit none is set."""
    with at_most(30):
        assert signal.getitimer(signal.ITIMER_REAL)[0] > 20
    assert signal.getitimer(signal.ITIMER_REAL) == (0, 0)
    with at_most(0):
        assert signal.getitimer(signal.ITIMER_REAL) == (0, 0)
