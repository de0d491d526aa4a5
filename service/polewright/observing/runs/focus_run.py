"""A careful V-curve: small moves, best position from a fit, back to the start on any trouble."""

from __future__ import annotations

from collections.abc import Callable

from polewright.calculation.images.focus_curve import FocusCurve, fit_focus
from polewright.devices.alpaca.errors import AlpacaError
from polewright.devices.alpaca.focuser import Focuser
from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import DeviceError, ImageError
from polewright.foundation.language import say
from polewright.observing.capture.frame_quality import look_at
from polewright.observing.capture.take_frame import take_frame
from polewright.observing.rig.rig import Rig
from polewright.observing.runs.check_result import FocusResult

#: Steps to each side at first, and how many more a side may get while the best is at the edge.
SIDE = 3
MORE = 6
#: Fewer are cosmic rays and hot pixels.
LEAST_STARS = 5
#: The end may be so much worse than the start before it counts as a failure.
WORSE = 1.1


class FocuserNotUsable(DeviceError):
    """The focuser cannot be sent to a position."""

    code = "focuser_not_usable"
    advice = say("Focus by hand with `polewright check --loop`.")

    def __init__(self, why: str) -> None:
        super().__init__(why)
        self.why = why

    def __str__(self) -> str:
        return say("the focuser cannot be used: {why}", why=self.why)


class FocusNotFound(ImageError):
    """The star sizes do not show where the focus is; the focuser stands where it stood."""

    code = "focus_not_found"
    advice = say(
        "Get closer by hand with `polewright check --loop`, choose another --focus-step, or "
        "wait for clouds to clear."
    )

    def __init__(
        self, why: str, positions: tuple[int, ...], hfd_px: tuple[float, ...], restored: bool
    ) -> None:
        super().__init__(why, positions, hfd_px, restored)
        self.why, self.positions, self.hfd_px = why, positions, hfd_px
        self.restored = restored

    def __str__(self) -> str:
        back = say("is back where it was") if self.restored else say("could NOT be brought back")
        return say("no focus was found: {why}; the focuser {outcome}", why=self.why, outcome=back)


class FocusRun:
    """One V-curve.

    Args:
        rig: takes the frames; its mount is not moved.
        focuser: connected, absolute.
        step: between positions, focuser steps.
        exposure_s: of each frame.
        tell: hears a sentence for each position.
    """

    def __init__(
        self, rig: Rig, focuser: Focuser, step: int, exposure_s: float, tell: Callable[[str], None]
    ) -> None:
        self.rig, self.focuser, self.step = rig, focuser, step
        self.exposure_s, self.tell = exposure_s, tell
        self.seen: dict[int, float] = {}

    def run(self) -> FocusResult:
        """Find the focus and leave the focuser there.

        Raises:
            FocusNotFound: it was not found.
            DeviceError, ImageError, Cancelled: as they say. The focuser is then brought back.
        """
        start = self.focuser.position() if self.focuser.absolute() else None
        if start is None:
            raise FocuserNotUsable(say("it does not know its position"))
        if self.focuser.temperature_compensation():
            raise FocuserNotUsable(
                say("it follows the temperature by itself; switch that off first")
            )
        try:
            return self._run(start)
        except FocusNotFound as error:
            restored = self._back(start)
            raise FocusNotFound(error.why, *self._points(), restored) from None
        except BaseException:
            if not self._back(start):
                self.tell(
                    say(
                        "The focuser could not be brought back to {start}: go and look.",
                        start=start,
                    )
                )
            raise

    def _run(self, start: int) -> FocusResult:
        before = self._size()
        if before is None:
            raise self._failed(say("no usable star at the start"))
        for number in range(-SIDE, SIDE + 1):
            self._visit(start + number * self.step)
        self._widen()
        curve = self._curve()
        best = round(curve.best)
        self._go(best)
        after = self._size()
        if after is None or after > WORSE * before:
            told = say("no star") if after is None else say("{after:.2f} px", after=after)
            raise self._failed(
                say(
                    "at the best position {best}: {told}, before {before:.2f}",
                    best=best,
                    told=told,
                    before=before,
                )
            )
        positions, sizes = self._points()
        return FocusResult(
            started_at=start,
            best=best,
            before_px=before,
            after_px=after,
            positions=positions,
            hfd_px=sizes,
            misfit=curve.misfit,
        )

    def _widen(self) -> None:
        """Go on to the side where stars are smallest while that is the edge."""
        for _ in range(MORE):
            positions, sizes = self._points()
            if len(sizes) < 3:
                return
            best = sizes.index(min(sizes))
            if 2 <= best < len(sizes) - 2:
                return
            edge = positions[0] - self.step if best < 2 else positions[-1] + self.step
            if not self._visit(edge):
                return

    def _curve(self) -> FocusCurve:
        positions, sizes = self._points()
        curve = fit_focus(positions, sizes)
        if curve is None:
            raise self._failed(say("the sizes do not form a curve with its minimum inside"))
        return curve

    def _failed(self, why: str) -> FocusNotFound:
        return FocusNotFound(why, *self._points(), restored=False)

    def _points(self) -> tuple[tuple[int, ...], tuple[float, ...]]:
        ordered = sorted(self.seen.items())
        return tuple(p for p, _ in ordered), tuple(size for _, size in ordered)

    def _visit(self, position: int) -> bool:
        """Measure at a position; False when it is out of reach."""
        top = self.focuser.max_step()
        if position < 0 or (top is not None and position > top):
            return False
        self._go(position)
        size = self._size()
        self.tell(
            say("{position}: ", position=position)
            + (say("no star") if size is None else say("{size:.2f} px", size=size))
        )
        if size is not None:
            self.seen[position] = size
        return True

    def _go(self, position: int, cancel: CancelToken | None = None) -> None:
        """Go there from below, so that lost motion is always taken up the same way."""
        token = self.rig.cancel if cancel is None else cancel
        now = self.focuser.position()
        clock = self.rig.clock
        if now is None or now > position:
            below = max(0, position - self.step)
            self.focuser.move_and_wait(below, clock=clock, cancel=token)
        self.focuser.move_and_wait(position, clock=clock, cancel=token)

    def _size(self) -> float | None:
        frame = take_frame(self.rig, self.exposure_s)
        quality = look_at(self.rig, frame)[1]
        return quality.hfd_px if quality.star_count >= LEAST_STARS else None

    def _back(self, start: int) -> bool:
        try:
            self._go(start, CancelToken())  # a stop that was asked for must not keep it away
        except AlpacaError:
            return False
        return True
