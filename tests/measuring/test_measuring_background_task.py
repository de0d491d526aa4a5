"""A thread that emits no events: its news are told where they are looked for."""

from __future__ import annotations

import threading

import pytest

from polewright.foundation.errors import Cancelled
from polewright.observing.rig.background_task import BackgroundTask, tell_in_run


def test_news_are_told_in_order_by_whoever_looks_and_nothing_before() -> None:
    told: list[tuple[int, threading.Thread]] = []

    def tell(number: int) -> None:
        told.append((number, threading.current_thread()))

    def work(task: BackgroundTask[str]) -> str:
        task.tell(lambda: tell(1))
        tell_in_run(lambda: tell(2))
        return "done"

    task = BackgroundTask("test", work)
    assert task.wait(20.0)
    assert told == []
    task.tell_news()
    tell_in_run(lambda: tell(3))  # here is the run's own thread

    assert told == [(number, threading.current_thread()) for number in (1, 2, 3)]
    assert task.result() == "done"


def test_waiting_for_news_ends_with_the_first_or_with_the_work() -> None:
    go_on, heard = threading.Event(), []

    def work(task: BackgroundTask[None]) -> None:
        task.tell(lambda: heard.append("first"))
        go_on.wait(20.0)

    task = BackgroundTask("test", work)
    task.tell_news(20.0)
    assert heard == ["first"]
    assert not task.done
    go_on.set()
    task.tell_news(20.0)

    assert task.done


def test_what_a_teller_raises_comes_out_and_later_news_are_kept() -> None:
    heard: list[str] = []

    def object_to_it() -> None:
        raise ValueError("a guard objects")

    def work(task: BackgroundTask[None]) -> None:
        task.tell(object_to_it)
        task.tell(lambda: heard.append("later"))

    task = BackgroundTask("test", work)
    assert task.wait(20.0)
    with pytest.raises(ValueError, match="objects"):
        task.tell_news()
    task.tell_news()

    assert heard == ["later"]


def test_a_cancelled_task_ends_with_that_error() -> None:
    def work(task: BackgroundTask[None]) -> None:
        task.cancel.wait(20.0)
        task.cancel.check()

    task = BackgroundTask("test", work)
    assert not task.wait(0.05)
    task.cancel.cancel("not wanted any more")
    assert task.wait(20.0)

    assert isinstance(task.error, Cancelled)
    with pytest.raises(Cancelled, match="not wanted any more"):
        task.result()
