"""Work in a thread of its own that emits no events: the run's own thread tells its news.

So listeners and guards need no locks, and a guard that objects to the news raises in the run.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from typing import Generic, TypeVar

from polewright.foundation.clock import REAL_THREADS, CancelToken, Threads

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


class BackgroundTask(Generic[Result]):
    """Work that has begun; only `tell`, and looking at ``cancel``, belong to its own thread.

    Args:
        name: of the thread.
        work: what to do; is given this task, to tell news and to see whether it was cancelled.
        threads: of the run's clock (`threads_of`); they measure every wait.
    """

    def __init__(
        self,
        name: str,
        work: Callable[[BackgroundTask[Result]], Result],
        threads: Threads = REAL_THREADS,
    ) -> None:
        self.cancel = CancelToken()
        self.error: BaseException | None = None
        """What ended the work, once it is done."""
        self._work = work
        self._result: list[Result] = []
        self._news: deque[News] = deque()
        self._done = threads.signal()
        self._stirred = threads.signal()
        """There is news, or the work is over."""
        threads.start(self._run, name)

    def _run(self) -> None:
        _here.task = self
        try:
            self._result.append(self._work(self))
        except BaseException as error:  # noqa: BLE001 - raised again by the run's own thread
            self.error = error
        finally:
            self._done.set()
            self._stirred.set()

    def tell(self, news: News) -> None:
        """Have the run's own thread call ``news``, soon."""
        self._news.append(news)
        self._stirred.set()

    @property
    def done(self) -> bool:
        """Whether the work is over, well or with an error."""
        return self._done.is_set()

    def wait(self, seconds: float) -> bool:
        """Wait so long for the end, telling nothing; return whether the work is over."""
        return self._done.wait(seconds)

    def tell_news(self, wait_s: float = 0.0) -> None:
        """Tell what has come out since; raise what a teller raises.

        Args:
            wait_s: seconds to wait where there is nothing to tell yet.
        """
        if wait_s and not self._news:
            self._stirred.wait(wait_s)
        # Lowered first: what is told from here on raises it again. It stays raised at the end.
        self._stirred.clear()
        if self._done.is_set():
            self._stirred.set()
        while self._news:
            self._news.popleft()()

    def result(self) -> Result:
        """Return what the work came to, once it is done. Raises what ended it."""
        if self.error is not None:
            raise self.error
        return self._result[0]
