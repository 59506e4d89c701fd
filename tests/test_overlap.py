"""Order, failures and an early end of work done on several cores."""

import threading

import pytest

from vision.overlap import AHEAD, ahead, side_by_side


def test_order_is_kept() -> None:
    assert list(ahead(range(50))) == list(range(50))
    assert side_by_side(lambda a, b: a * b, [1, 2, 3], [10, 20, 30]) == [10, 40, 90]


def test_a_failure_reaches_the_caller_after_what_came_before_it() -> None:
    def broken():
        yield 1
        raise OSError("the card was pulled out")

    got = []
    with pytest.raises(OSError, match="pulled out"):
        for item in ahead(broken()):
            got.append(item)
    assert got == [1]
    with pytest.raises(ZeroDivisionError):
        side_by_side(lambda a: 1 / a, [1, 0])


def test_only_a_few_are_made_before_they_are_asked_for() -> None:
    made = []
    before = threading.active_count()

    def counted():
        for i in range(100):
            made.append((i, threading.get_ident()))
            yield i

    items = ahead(counted())
    assert next(items) == 0
    items.close()  # the caller goes away: no thread is left behind, and no more is made
    assert len(made) <= AHEAD + 1
    assert {thread for _, thread in made} != {threading.get_ident()}
    assert threading.active_count() == before
