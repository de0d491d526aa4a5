"""The page without a rig: a service that shows whatever snapshot it is given, and all states.

``.venv/bin/python tests/serving/made_up.py FOLDER`` takes a picture of every state in every size,
theme and language. Which states: its further arguments, all if there is none.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent.parent))

from images.starfield import Field, mono_frame, random_stars
from serving.chromium import browser, resize

from polewright.calculation.adjusting import instructions as phrases
from polewright.calculation.images.detect import detect_stars
from polewright.foundation.adjuster_profile import AltitudeAdjuster
from polewright.foundation.angles import ARCMIN
from polewright.foundation.clock import SystemClock
from polewright.foundation.config import config_from_text
from polewright.foundation.errors import MotionUnknown, PolewrightError
from polewright.foundation.language import say
from polewright.interfaces.web.app import create_app
from polewright.interfaces.web.models import StopAnswer
from polewright.interfaces.web.runner import SessionRunner
from polewright.interfaces.web.server import RunningService
from polewright.observing.rig.mount_site import MountContradicts, MountsSite, SiteAngle
from polewright.observing.safety.guard_errors import (
    BeyondAltitudeLimit,
    PointNotSolved,
    SafetyUnsafe,
    SlewOverdue,
    TooNearSun,
)
from polewright.records.history.run_record import RunRecord
from polewright.session.session import MountBusy
from polewright.session.snapshot import (
    AdviceNow,
    ErrorNow,
    Failure,
    FrameNow,
    MovingNow,
    PlanNow,
    ProgressNow,
    SessionSnapshot,
    TrailPoint,
)
from polewright.session.snapshot_builder import FAILURE_KINDS
from polewright.session.states import Step

SIZES = {"phone": (390, 844), "small": (320, 568), "lying": (844, 390), "desktop": (1440, 900)}
UTC_S = 1_795_210_200.0
OWN_WORDS = AltitudeAdjuster(
    name="left knob", to_raise="left knob, clockwise", to_lower="left knob, against the clock"
)


class MadeUp(SessionRunner):
    """Shows one snapshot after the other; starts nothing."""

    def __init__(self, folder: str) -> None:
        super().__init__(
            lambda extra: config_from_text(
                "",
                overrides={
                    "run.journal_folder": folder,
                    "history.url": f"sqlite:///{folder}/history.sqlite",
                    **dict(extra),
                },
            ),
            SystemClock(1.0, UTC_S, time.time()),
        )
        self.now = SessionSnapshot(
            session_id="", version=0, step=Step.IDLE, utc_s=UTC_S, tolerance_arcmin=1.0
        )
        rng = np.random.default_rng(3)
        x, y, flux = random_stars(rng, 60, 900, 600)
        frame = mono_frame(Field(900, 600, x, y, flux), rng)
        self.picture = (1, frame, detect_stars(frame))
        self.record: RunRecord | None = None
        self.stops = 0

    def snapshot(self) -> SessionSnapshot:
        """Return the snapshot that was put last."""
        return self.now

    @property
    def session(self) -> Any:
        """Return a session that has nothing but a last frame."""
        return SimpleNamespace(
            session_id=self.now.session_id,
            last_frame=self.picture,
            last_plan=None,
            rig=None,
            record=self.record,
        )

    def hard_stop(self, reason: str) -> StopAnswer:
        """Confirm a stop at once, while the session takes longer to end."""
        self.stops += 1
        return StopAnswer(
            motion="stopped", message=reason, advice="", session_ended=False, took_s=0.0
        )

    def put(self, snapshot: SessionSnapshot) -> int:
        """Show a snapshot; return its version."""
        now_s = self.clock.utc_s()
        version = self.now.version + 1
        changes: dict[str, Any] = {
            "version": version,
            "version_but_moving": version,
            "utc_s": now_s,
        }
        if snapshot.error is not None:
            changes["error"] = snapshot.error.model_copy(update={"utc_s": now_s - 3.0})
        if snapshot.moving is not None:
            changes["moving"] = snapshot.moving.model_copy(update={"utc_s": now_s - 0.2})
        if snapshot.step is Step.SWEEPING:
            changes["sweep_ends_utc_s"] = now_s + 74.0
        self.now = snapshot.model_copy(update=changes)
        self.feed.wake()
        return self.now.version


@contextmanager
def made_up_service(language: str) -> Iterator[tuple[MadeUp, str]]:
    """Serve a page that has no rig; give what feeds it, and its address."""
    with tempfile.TemporaryDirectory() as folder:
        runner = MadeUp(folder)
        app = create_app(runner, configured_language=language)
        with RunningService(app, "127.0.0.1", 0, runner.feed) as service:
            yield runner, service.url


def _error(up: float, east: float, state: str = "settled") -> ErrorNow:
    total = float(np.hypot(up, east))
    return ErrorNow(
        d_alt_arcmin=up,
        d_az_sky_arcmin=east,
        d_az_base_arcmin=1.4 * east,
        total_arcmin=total,
        sigma_alt_arcmin=0.11,
        sigma_az_sky_arcmin=0.09,
        sigma_total_arcmin=0.1,
        upper95_arcmin=total + 0.2,
        state=state,
        utc_s=UTC_S,
    )


def _moving(error: ErrorNow) -> MovingNow:
    return MovingNow(**error.model_dump(), turning=True, resting=True)


def _snapshot(step: Step, **more: Any) -> SessionSnapshot:
    given: dict[str, Any] = {
        "session_id": "made-up",
        "version": 1,
        "step": step,
        "utc_s": UTC_S,
        "southern": False,
        "tolerance_arcmin": 1.0,
        "goal_arcmin": 1.0,
        "began_utc_s": UTC_S - 700.0,
        "motion": "tracking",
        "sweeps": 1,
        "notes": (say("The mount is parked: unparking."),),
        **more,
    }
    return SessionSnapshot(**given)


def _adjusting(advice: AdviceNow | None, error: ErrorNow, **more: Any) -> SessionSnapshot:
    far = 1.4 * error.total_arcmin
    return _snapshot(
        Step.ADJUSTING,
        advice=advice,
        error=error,
        pass_kind="final",
        before_arcmin=112.0,
        trail=tuple(
            TrailPoint(d_az_sky_arcmin=far - k * far / 9, d_alt_arcmin=-far / 2, settled=True)
            for k in range(4)
        ),
        frame=FrameNow(number=1, star_count=60, hfd_px=2.6, elongation=1.05, exposure_s=4.0),
        progress=ProgressNow(step="exposure", point=0, points=0, done_s=1.6, total_s=4.0),
        **more,
    )


def _advice(action: str, amount: float, **more: Any) -> AdviceNow:
    words = {"raise": OWN_WORDS.to_raise, "lower": OWN_WORDS.to_lower}
    return AdviceNow(
        **{
            "action": action,
            "sentence": say("The axis is moving. Let go and wait until it settles."),
            "axis": "altitude",
            "heading": action,
            "amount_arcmin": amount,
            "begin_arcmin": 24.0,
            "zone_arcmin": 0.4,
            "doing": words.get(action, ""),
            "cautions": (phrases.HANDS_OFF_TUBE, phrases.HEAVY_LOWER),
            "spoken": say("up"),
            "tone_hz": 440.0,
            "beat_period_s": 0.4,
            **more,
        }
    )


def _failed(error: PolewrightError, motion: str, *, early: bool = False) -> SessionSnapshot:
    kind = FAILURE_KINDS.get(error.code, "refused" if early else "failed")
    failure = Failure(
        code=error.code,
        kind=kind,
        brief=error.brief,
        message=str(error),
        advice=error.advice,
        exit_code=int(error.exit_code),
    )
    return _snapshot(Step.FAILED, failure=failure, motion=motion, sweeps=0)


def states() -> dict[str, SessionSnapshot]:
    """Return a snapshot of every state that the page tells apart."""
    turns = partial(phrases.turns_phrase, 1.26, 0.05)
    theirs = MountsSite((SiteAngle("longitude", 9.31, -9.31),), None, None)
    contradicts = MountContradicts(
        theirs.contradictions(0.5, 60.0, "configuration"), theirs.brief(0.5, 60.0)
    )
    clouds = PointNotSolved(2, (), "only 2 stars found", "Wait for clouds to pass.")
    wordless = AltitudeAdjuster()
    way_left = _error(-12.4, 6.6)
    still = phrases.slipped(5.0 * ARCMIN)
    tense: dict[str, Any] = {"amount": 0.0, "heading": None, "axis": None, "begin_arcmin": 0.0}
    return {
        "ready": _snapshot(Step.IDLE, session_id="", motion="unasked"),
        "checking": _snapshot(Step.CHECKING),
        "planning": _snapshot(Step.PLANNING),
        "sweeping": _snapshot(
            Step.SWEEPING,
            progress=ProgressNow(step="slew", point=2, points=3, done_s=3.0, total_s=9.0),
            plan=PlanNow(azimuths_deg=(120.0, 140.0, 160.0), altitudes_deg=(50.0, 52.0, 50.0)),
        ),
        "sweeping-clouds": _snapshot(
            Step.SWEEPING,
            progress=ProgressNow(step="exposure", point=2, points=3, done_s=3.0, total_s=9.0),
            unread=2,
        ),
        "reference": _adjusting(None, _error(-12.4, 6.6, "measured")),
        "turn": _adjusting(_advice("raise", 12.4, turns=1.26, turns_text=turns()), way_left),
        "turn-slack": _adjusting(
            _advice(
                "lower",
                2.35,
                brief=phrases.BY_HAND.brief(
                    phrases.AdjusterProfile(),
                    phrases.Axis.ALTITUDE,
                    phrases.Goal(phrases.Action.LOWER, 1e-3, 1e-3, 0.0),
                    first=False,
                    slack=True,
                ),
            ),
            _error(2.35, 0.2),
        ),
        "turn-default": _adjusting(
            _advice("raise", 12.4, doing=wordless.to_raise, turns_text=turns()), way_left
        ),
        "turn-east": _adjusting(
            _advice("east", 88.8, axis="azimuth", begin_arcmin=98.0, doing="right bolt in"),
            _error(12.4, -88.8),
        ),
        "turning": _adjusting(
            _advice("wait", 4.6, heading="raise", doing=OWN_WORDS.to_raise),
            _error(-4.6, 6.6, "moving"),
        ),
        "at-rest": _adjusting(
            _advice("raise", 4.6), way_left, moving=_moving(_error(-4.6, 6.6, "moving"))
        ),
        "mark": _adjusting(_advice("wait", 0.2, heading="raise"), _error(-0.2, 6.6, "moving")),
        "hold": _adjusting(_advice("wait", 1.4, heading="raise"), _error(-1.4, 6.6, "settling")),
        "past": _adjusting(
            _advice("wait", 3.1, heading="lower", passed=True), _error(3.1, 6.6, "moving")
        ),
        "clouds": _adjusting(
            _advice("wait", 0.0, heading="raise", sentence=phrases.lost_long(4)),
            _error(-4.6, 6.6, "lost"),
            unread=4,
            unread_why="only 2 stars found",
        ),
        "snug": _adjusting(
            _advice("snug_and_recheck", **tense, sentence=phrases.snug(0.4 * ARCMIN, 0.6 * ARCMIN)),
            _error(-0.3, 0.2),
        ),
        "there": _adjusting(
            _advice("done", **tense, sentence=phrases.done(1e-4, 1.5e-4, 3e-4)), _error(-0.3, 0.2)
        ),
        "sweep": _adjusting(
            _advice("stop_and_sweep", **tense, sentence=phrases.coarse_reached(4.2 * ARCMIN)),
            _error(-3.3, 2.2),
        ),
        "offer": _adjusting(
            _advice("done", **tense),
            _error(-0.3, 0.2),
            offer=say("The mount is parked: unparking."),
        ),
        "slipped": _adjusting(_advice("check_mount", **tense, sentence=still), way_left),
        "travel": _adjusting(
            _advice(
                "move_base",
                30.0,
                heading="raise",
                sentence=phrases.move_base(
                    wordless, phrases.Goal(phrases.Action.RAISE, 9e-3, 9e-3, 0.0), 3e-3
                ),
            ),
            way_left,
        ),
        "paused": _adjusting(_advice("raise", 12.4), way_left, paused=True),
        "done": _snapshot(
            Step.FINISHED,
            error=_error(0.25, -0.33, "measured"),
            before_arcmin=112.0,
            ended_utc_s=UTC_S + 40.0,
            sweeps=3,
        ),
        "stopped": _snapshot(Step.STOPPED, motion="still"),
        "unsafe": _failed(SafetyUnsafe("rain sensor", "before point 2"), "still"),
        "sun": _failed(
            TooNearSun("point 2", "the Sun is 12 degrees away", "30 are kept", 18.0, 90.0, 5.0),
            "unasked",
        ),
        "limit": _failed(
            BeyondAltitudeLimit("slewing", "altitude 14 deg", "15 is the limit", 1.0, 0.0, 14.0),
            "still",
        ),
        "clouded": _failed(clouds, "still"),
        "refused": _failed(MountBusy(), "unasked", early=True),
        "contradicts": _failed(contradicts, "unasked", early=True),
        "failed": _failed(SlewOverdue(90.0, 60.0, 4.2), "still"),
        "unknown": _failed(MotionUnknown("the mount did not confirm its stop"), "unknown"),
    }


def wait_shown(driver: Any, version: int, limit_s: float = 300.0) -> None:
    """Wait until the page shows this version."""
    deadline = time.monotonic() + limit_s
    while driver.execute_script("return Number(document.body.dataset.version ?? -1)") < version:
        assert time.monotonic() < deadline, version
        time.sleep(0.02)


def set_theme(driver: Any, theme: str) -> None:
    """Day or night, as its button does it."""
    driver.execute_script(
        "if (document.documentElement.dataset.theme !== arguments[0])"
        " document.getElementById('theme').click()",
        theme,
    )


def main(folder: Path, wanted: list[str]) -> None:
    """Take the pictures."""
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as profile, browser(Path(profile)) as driver:
        for language in ("en", "de"):
            with made_up_service(language) as (runner, url):
                driver.get(url)
                for name, snapshot in states().items():
                    if wanted and name not in wanted:
                        continue
                    wait_shown(driver, runner.put(snapshot))
                    for theme in ("day", "night"):
                        set_theme(driver, theme)
                        for size, pixels in SIZES.items():
                            resize(driver, *pixels)
                            time.sleep(0.25)
                            path = folder / f"{name}-{size}-{theme}-{language}.png"
                            driver.save_screenshot(str(path))
                sys.stdout.write(f"{language}: {driver.get_log('browser')}\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
