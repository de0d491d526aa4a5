"""How long a run goes on that gets nowhere: the time since a point was solved last."""

from __future__ import annotations

from collections.abc import Callable

from polewright.foundation.clock import CancelToken, Clock
from polewright.foundation.errors import Cancelled, PolewrightError
from polewright.foundation.language import say


class OutOfPatience(PolewrightError):
    """No point has been solved for as long as the run may go on like that; see `recovery`."""

    code = "out_of_patience"


class Patience:
    """Counts from the arrival at the first point, and anew from each point that is solved.

    Whoever does something slow in a sweep calls `check` all the time.

    Args:
        clock: of the run.
        limit_s: longest time without a solved point.
        warn: told a sentence when half of it is over.
        what: what is to be solved, in a word.
    """

    def __init__(
        self, clock: Clock, limit_s: float, warn: Callable[[str], None], what: str = "point"
    ) -> None:
        self._clock, self.limit_s, self._warn, self._what = clock, limit_s, warn, what
        self._since_s: float | None = None
        self._warned = False

    def begin(self) -> None:
        """Count from now on, unless it counts already."""
        if self._since_s is None:
            self._since_s = self._clock.monotonic_s()

    def solved(self) -> None:
        """Count anew: a point was solved."""
        self._since_s, self._warned = self._clock.monotonic_s(), False

    @property
    def waited_s(self) -> float:
        """How long nothing has been solved."""
        return 0.0 if self._since_s is None else self._clock.monotonic_s() - self._since_s

    def check(self) -> None:
        """Warn at half of the time. Raises `OutOfPatience` at the end of it."""
        waited_s = self.waited_s
        if waited_s > self.limit_s:
            raise OutOfPatience
        if waited_s > 0.5 * self.limit_s and not self._warned:
            self._warned = True
            self._warn(
                say(
                    "No {frame_or_point} solved for {waited_s:.0f} s; the run ends after "
                    "{limit_s:.0f} s ([recovery] nowhere_s).",
                    frame_or_point=self._what,
                    waited_s=waited_s,
                    limit_s=self.limit_s,
                )
            )

    def token(self, cancel: CancelToken) -> CancelToken:
        """Return a token that is also cancelled when patience is at its end."""
        return _Until(self, cancel)


class _Until(CancelToken):
    """Cancelled with another token, or when there is no patience left."""

    def __init__(self, patience: Patience, other: CancelToken) -> None:
        super().__init__()
        self._patience, self._other = patience, other

    @property
    def cancelled(self) -> bool:
        """Whether either has happened."""
        left_s = self._patience.limit_s - self._patience.waited_s
        return self._other.cancelled or super().cancelled or left_s < 0.0

    def check(self) -> None:
        """Raise `Cancelled` when either has happened."""
        self._other.check()
        super().check()
        if self.cancelled:
            raise Cancelled(say("no time left"))

    def wait(self, real_seconds: float) -> bool:
        """Wait so long or until the other is cancelled; return whether cancelled."""
        return self._other.wait(real_seconds) or self.cancelled
