"""Work in a thread of its own that emits no events: the run's own thread tells its news.

So listeners and guards need no locks, and a guard that objects to the news raises in the run.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from typing import Generic, TypeVar

from polewright.foundation.clock import CancelToken

Result = TypeVar("Result")
News = Callable[[], object]

_here = threading.local()


def tell_in_run(news: News) -> None:
    """Tell at once; in the thread of a `BackgroundTask`, leave it to the run's own thread."""
    task: BackgroundTask[object] | None = getattr(_here, "task", None)
    if task is None:
        news()
    else:
        task.tell(news)


def _nothing() -> None:
    """Tell nothing."""


class BackgroundTask(Generic[Result]):
    """Work that has begun; only `tell`, and looking at ``cancel``, belong to its own thread.

    Args:
        name: of the thread.
        work: what to do; is given this task, to tell news and to see whether it was cancelled.
    """

    def __init__(self, name: str, work: Callable[[BackgroundTask[Result]], Result]) -> None:
        self.cancel = CancelToken()
        self.error: BaseException | None = None
        """What ended the work, once it is done."""
        self._work = work
        self._result: list[Result] = []
        self._news: queue.SimpleQueue[News] = queue.SimpleQueue()
        self._done = threading.Event()
        # A daemon: whatever hangs in it must not keep the program from ending.
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        _here.task = self
        try:
            self._result.append(self._work(self))
        except BaseException as error:  # noqa: BLE001 - raised again by the run's own thread
            self.error = error
        finally:
            self._done.set()
            self._news.put(_nothing)  # wakes whoever waits for news

    def tell(self, news: News) -> None:
        """Have the run's own thread call ``news``, soon."""
        self._news.put(news)

    @property
    def done(self) -> bool:
        """Whether the work is over, well or with an error."""
        return self._done.is_set()

    def wait(self, real_s: float) -> bool:
        """Wait so long for the end, telling nothing; return whether the work is over."""
        return self._done.wait(real_s)

    def tell_news(self, wait_s: float = 0.0) -> None:
        """Tell what has come out since; raise what a teller raises.

        Args:
            wait_s: real seconds to wait where there is nothing to tell yet.
        """
        try:
            self._news.get(timeout=wait_s)() if wait_s else self._news.get_nowait()()
            while True:
                self._news.get_nowait()()
        except queue.Empty:
            return

    def result(self) -> Result:
        """Return what the work came to, once it is done. Raises what ended it."""
        if self.error is not None:
            raise self.error
        return self._result[0]
