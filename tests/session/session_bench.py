"""A whole session on a rig whose devices, solver, planner and sweeps are made up.

The session is the real one, made and asked as page and terminal do it; so are its rig, its
adjustment engine and the thread that exposes ahead. Frames are all the same picture: where they
point is told by a toy mount instead of a solver.
"""

from __future__ import annotations

import dataclasses
from collections import deque
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from adjusting.hand import ToyMount, toy_mount
from history.history_made import made_result
from images.starfield import Field, mono_frame, random_stars

from polewright.calculation.adjusting.observation import Observation
from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.images.frame import Frame
from polewright.calculation.planning.request import Pointing
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.calculation.sky.weather import Weather
from polewright.devices.alpaca.slew_and_stop import MotionState
from polewright.foundation.angles import ARCSEC, DEG
from polewright.foundation.clock import CancelToken
from polewright.foundation.config import Config, config_from_text
from polewright.foundation.errors import ExitCode
from polewright.observing.plan.plan_from_config import pointing_now
from polewright.observing.rig.rig import Rig
from polewright.observing.sweep.sweep import AtRest
from polewright.records.events import Event, Note, ReadingTaken
from polewright.session import session as session_module
from polewright.session.journal import Journal, Record, read_journal
from polewright.session.resume import Anchor
from polewright.session.session import AlignSession
from polewright.solving.errors import TooFewStars

NIGHT_S = 1_790_000_000.0
CONFIG = """
[history]
enabled = false
[adjusting]
exposure_s = 5.0
glances = "off"
"""


class QuickClock:
    """Sleeping takes no real time."""

    def __init__(self) -> None:
        self.now_s = NIGHT_S

    def utc_s(self) -> float:
        return self.now_s

    monotonic_s = utc_s

    def sleep(self, seconds: float, cancel: CancelToken | None = None) -> None:
        if cancel is not None:
            cancel.check()
        self.now_s += seconds


class SessionBench:
    """One session; change what is scripted, then `run` it.

    Args:
        monkeypatch: puts scripted sweeps in the place of the session's, with no watchdog.
        folder: for the journal.
        changes: of the configuration, by dotted key.
        error_deg: how far the axis is off.
        attended: as the session's.
        swept: begin with a sweep; else adjusting goes on from a reference frame.
    """

    def __init__(
        self,
        monkeypatch: pytest.MonkeyPatch,
        folder: Path,
        changes: dict[str, Any] | None = None,
        *,
        error_deg: float = 0.5,
        attended: bool = True,
        swept: bool = False,
    ) -> None:
        self.clock = QuickClock()
        self.config = config_from_text(CONFIG, overrides=changes or {})
        rng = np.random.default_rng(3)
        self.mount: ToyMount = toy_mount(rng, latitude_deg=44.0, error_deg=error_deg, tracking=True)
        self.events: list[Event] = []
        self.planned: list[dict[str, Any]] = []
        self.at_rest: list[AtRest | None] = []
        """What each sweep was told of the telescope where it begins."""
        self.frames = 0
        self._taken: dict[int, tuple[int, Frame, Attitude]] = {}
        """By the frame's id: number, the frame itself, where it points."""

        # What is scripted.
        self.frame_times_s: Callable[[int], float] = lambda _number: self.clock.now_s
        """Time stamp of the so-manieth frame."""
        self.solves: Callable[[int], bool] = lambda _number: True
        self.fetch_s = 0.0
        """How long a frame takes to come from the camera."""
        self.max_binning = 4
        self.look_at_mount: Callable[[], None] = lambda: None
        """What the guards do at each look at the tracking mount."""
        self.crosses = False
        """Whether the next sweep crosses the meridian."""
        self.told_declination_deg = 30.0
        """The mount's word."""
        self.after_sweep: Callable[[], None] = lambda: None
        """Called when a sweep is over, before anything else is exposed."""
        self.on_plan: Callable[[dict[str, Any]], None] = lambda _how: None
        self.on_event: Callable[[Event], None] = lambda _event: None
        self.on_reading: Callable[[int], None] = lambda _number: None
        """Told the number of each live frame that was read."""

        x, y, flux = random_stars(rng, 12, 300, 200, faint_e=2e4)
        self._picture = mono_frame(Field(300, 200, x, y, flux), rng)
        monkeypatch.setattr(session_module, "planned_sweep", self._plan)
        monkeypatch.setattr(session_module, "measure", self._measure)
        monkeypatch.setattr(session_module, "watched", lambda _rig: nullcontext())
        self.rig = self._rig(self.config, CancelToken(), self.events.append)
        self.journal = Journal(folder / "one.journal.jsonl")
        self.session = AlignSession(
            self._connect,
            self.config,
            self.clock,
            self.journal,
            self._hear,
            session_id="one",
            anchor=None if swept else self._anchor(),
            attended=attended,
        )

    def run(self) -> ExitCode:
        """Run the session to its end."""
        outcome = self.session.run()
        self.journal.close()
        return outcome

    @property
    def readings(self) -> list[ReadingTaken]:
        return [event for event in self.events if isinstance(event, ReadingTaken)]

    def notes(self, part: str = "") -> list[Note]:
        """Sentences told so far with some words in them."""
        return [e for e in self.events if isinstance(e, Note) and part in e.text]

    def records(self, kind: str) -> list[Record]:
        """What the journal has of one kind."""
        return [record for record in read_journal(self.journal.path) if record.kind == kind]

    # -- the made-up rig -----------------------------------------------------------------------

    def _connect(self, config: Config, _clock: Any, cancel: CancelToken, emit: Any) -> Rig:
        self.rig = self._rig(config, cancel, emit)
        return self.rig

    def _rig(self, config: Config, cancel: CancelToken, emit: Any) -> Rig:
        air = Atmosphere.none()
        rig = Rig(
            telescope=cast("Any", self._telescope()),
            camera=cast(
                "Any", SimpleNamespace(expose_only=self._expose, told=deque(), info=lambda: self)
            ),
            plates=cast("Any", self._plates()),
            site=Site(44.0, 9.0),
            site_source="test",
            weather=Weather(air, 0.0, 0.0, "test"),
            weather_station=None,
            pole=PoleTarget.TRUE,
            equatorial_system=2,
            config=config,
            clock=self.clock,
            cancel=cancel,
            emit=emit,
        )
        guards = SimpleNamespace(begin=lambda: None, while_tracking=self._guard)
        rig.guards = cast("Any", guards)
        return rig

    def _guard(self) -> None:
        self.look_at_mount()

    def _telescope(self) -> SimpleNamespace:
        return SimpleNamespace(
            told=deque(),
            slewing=lambda: False,
            tracking=lambda: True,
            at_park=lambda: False,
            way_to_slew=lambda: None,
            side_of_pier=lambda: None,
            right_ascension_hours=lambda: 3.0,
            declination_deg=lambda: self.told_declination_deg,
            stop_motion=lambda **_how: MotionState.STOPPED,
        )

    def _plates(self) -> SimpleNamespace:
        return SimpleNamespace(
            claim_corrected="",
            look_near=lambda *_args, **_how: None,
            sky_at=lambda utc_s: ObservedFrame.at(Site(44.0, 9.0), Atmosphere.none(), utc_s),
            follow=self._solve,
        )

    def _expose(self, exposure_s: float, *, clock: Any, cancel: CancelToken, **_how: Any) -> Any:
        clock.sleep(exposure_s, cancel)
        self.frames += 1
        assert self.frames < 300, "the session does not end"
        self.mount.wait(exposure_s)
        utc_s = self.frame_times_s(self.frames)
        frame = dataclasses.replace(self._picture, utc_mid_s=utc_s, exposure_s=exposure_s)
        self._taken[id(frame)] = self.frames, frame, self._attitude(utc_s)

        def fetch() -> Frame:
            clock.sleep(self.fetch_s)
            return frame

        return SimpleNamespace(fetch=fetch)

    def _solve(self, _stars: Any, frame: Frame, *_args: Any, **_how: Any) -> Any:
        number, _, attitude = self._taken[id(frame)]
        if not self.solves(number):
            raise TooFewStars(0, 8)
        solution = SimpleNamespace(centre_icrs=np.array([1.0, 0.0, 0.0]))
        return SimpleNamespace(
            attitude=attitude, solution=solution, solve_s=0.1, mount_offset=0.0, light=None
        )

    def _attitude(self, utc_s: float) -> Attitude:
        return dataclasses.replace(cast("Attitude", self.mount.look().attitude), utc_s=utc_s)

    # -- the made-up sweeps --------------------------------------------------------------------

    def _anchor(self) -> Anchor:
        axis, covariance = self.mount.swept(2.0 * ARCSEC)
        reference = Observation(self._attitude(self.clock.now_s), tracking=True)
        return Anchor.from_sweep(self.rig, axis, covariance, reference)

    def _plan(self, rig: Rig, **how: Any) -> SimpleNamespace:
        rig.cancel.check()
        self.planned.append(how)
        self.on_plan(how)
        points = [SimpleNamespace(hour_angle=k * 20.0 * DEG, declination=0.5) for k in range(3)]
        return SimpleNamespace(
            points=points,
            duration_s=120.0,
            crosses_meridian=self.crosses,
            begins_here=how.get("circle") is not None,
        )

    def _measure(self, rig: Rig, _points: object, at_rest: AtRest | None) -> SimpleNamespace:
        rig.cancel.check()
        self.at_rest.append(at_rest)
        axis, covariance = self.mount.swept(2.0 * ARCSEC)
        fit = SimpleNamespace(axis=axis, covariance=covariance)
        last = SimpleNamespace(
            plate=SimpleNamespace(attitude=self._attitude(self.clock.now_s)),
            quality=SimpleNamespace(elongation=1.1, star_count=60, hfd_px=3.0),
            mount_declination=cast("Any", pointing_now(rig)).declination,
            target=Pointing(0.0, 0.5),
            rest=None,
        )
        self.after_sweep()
        result = made_result(self.clock.utc_s())
        attitudes = (last.plate.attitude,)
        return SimpleNamespace(result=result, fit=fit, solved=(last,), attitudes=attitudes)

    def _hear(self, event: Event) -> None:
        self.events.append(event)
        self.on_event(event)
        if isinstance(event, ReadingTaken):
            self.on_reading(len(self.readings))
