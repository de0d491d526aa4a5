"""A simulated rig on loopback, in this process, under a clock that rig and run share.

Its time is simulated, and its devices are reached by calls, unless a test asks for the computer's
time: for programs, pages and sockets that know no simulated time.
"""

from __future__ import annotations

import os
import shlex
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Any

import pytest

from polewright.foundation.clock import CancelToken, SystemClock, threads_of
from polewright.foundation.config import Config, config_from_text
from polewright.foundation.rehearsal import give_clock
from polewright.observing.rig.background_task import BackgroundTask
from polewright.observing.rig.rig import Rig
from polewright.observing.runs.connect import connect_rig
from polewright.observing.safety import keep_clear
from polewright.records.events import Event
from polewright.session.session import AlignSession
from polewright.session.snapshot import SessionSnapshot
from polewright.session.states import ENDED
from polewright_sim.rig import SimulatedRig
from polewright_sim.server.server import RunningRig, serve
from polewright_sim.simulated_clock import SimulatedClock
from polewright_sim.spec import RigSpec
from support.watchdog_within import watchdog_within
from support.whole_night import crossed_untold, moved_after_stop
from support.without_sockets import without_sockets

#: 2026-11-20 21:30 UTC: night at the invented site.
NIGHT_UTC_S = 1795210200.0
#: Set to a number, has a night's threads go on late by random times, as on a busy computer, with
#: that seed.
SHAKE_VARIABLE = "POLEWRIGHT_SHAKE"
#: A small, quick rig: 2.6 x 1.9 degrees on 1600 x 1200 pixels. Invented.
SMALL_RIG: dict[str, Any] = {
    "name": "bench rig",
    "site": {"latitude_deg": 44.62, "longitude_deg": 9.31, "elevation_m": 420.0},
    "misalignment": {"alt_arcmin": 31.0, "az_arcmin": -52.0},
    "mount": {"pointing_offset_ra_arcmin": 40.0, "pointing_offset_dec_arcmin": -25.0},
    "optics": {"focal_length_mm": 200.0, "aperture_mm": 60.0, "roll_deg": 118.0},
    "sensor": {"width": 1600, "height": 1200, "pixel_um": 5.8, "hot_pixel_count": 40},
}

#: What a mount lacks in the computer's time, where no night is like another: what moves a frame by
#: chance. A sweep then scatters by half of what is allowed for (chi-square 0.5 for 2 degrees of
#: freedom, measured over six seeds), so that none is refused by chance (13.8).
QUIET: dict[str, Any] = {
    "mount": {
        "unsteadiness_arcsec": 0.0,
        "vibration_arcsec": 1.0,
        "periodic_error_arcsec": 0.0,
    }
}

SMALL_CONFIG = """
[site]
latitude_deg = 44.62
longitude_deg = 9.31
elevation_m = 420.0
[optics]
focal_length_mm = 202.0
[sweep]
start_azimuth_deg = 140.0
start_altitude_deg = 55.0
direction = "east"
settle_s = 4.0
settle = "fixed"
exposure_s = 2.0
[recovery]
nowhere_s = 7200.0
[adjusting]
glances = "off"   # ten a second cost more computing than most tests need
[camera]
"""


def merged(base: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    """Return ``base`` with nested ``changes`` applied."""
    out = dict(base)
    for key, value in changes.items():
        inner = out.get(key)
        out[key] = merged(inner, value) if isinstance(value, dict) and inner else value
    return out


class Night:
    """A running rig, the clock, and ways to use them."""

    def __init__(
        self, running: RunningRig, rig: SimulatedRig, clock: SystemClock | SimulatedClock
    ) -> None:
        self.running, self.rig, self.clock = running, rig, clock
        self.events: list[Event] = []
        self.cancel = CancelToken()
        self.runs_away = False
        """Whether this mount crosses the meridian by itself, whatever it is told."""

    def config(self, changes: dict[str, Any] | None = None) -> Config:
        """The small configuration, pointed at this rig, with dotted ``changes``."""
        address = {
            f"{kind}.{key}": value
            for kind in ("telescope", "camera")
            for key, value in (("host", self.running.host), ("port", self.running.port))
        }
        return config_from_text(SMALL_CONFIG, overrides={**address, **(changes or {})})

    def connect(self, changes: dict[str, Any] | None = None) -> Rig:
        """Connect as a command would."""
        return self.connect_with(self.config(changes))

    def connect_with(self, config: Config) -> Rig:
        """Connect as a command would that was told this."""
        return connect_rig(config, self.clock, self.cancel, self.events.append)

    def beside(self, work: Callable[[], object]) -> BackgroundTask[object]:
        """Run ``work`` in a thread of its own; wait for it by its `wait`."""
        return BackgroundTask("beside the test", lambda _task: work(), threads_of(self.clock))

    def until(self, happened: Callable[[], object], within_s: float = 600.0) -> None:
        """Let the night go on until something has happened."""
        end_s = self.clock.monotonic_s() + within_s
        while not happened():
            assert self.clock.monotonic_s() < end_s, f"not within {within_s:g} s of the night"
            self.clock.sleep(0.05)

    def next_snapshot(self, session: AlignSession, version: int) -> SessionSnapshot:
        """Let the night go on until a session's snapshot is newer than ``version``, or it ends."""
        self.until(lambda: session.snapshot().version > version or session.step in ENDED)
        return session.snapshot()

    def solves_in(self, rig: Rig, seconds: float) -> None:
        """Have each solve of a rig take so long: a simulated time knows no computing."""
        solver: Any = rig.plates.solver
        solve = solver.solve

        def takes_its_time(*args: Any, **more: Any) -> Any:
            self.clock.sleep(seconds, more.get("cancel"))
            return solve(*args, **more)

        solver.solve = takes_its_time

    @property
    def truth(self) -> dict[str, Any]:
        """What the rig knows about its axis and mount."""
        return self.rig.report()

    def of_kind(self, kind: type[Event]) -> list[Any]:
        """Events of one type so far."""
        return [event for event in self.events if isinstance(event, kind)]


StartNight = Callable[..., Night]


def how_to_replay(nights: list[Night], test: str) -> str:
    """Return what seeds a test's nights came from, and the command that has them again.

    Args:
        nights: of the test.
        test: its node id.
    """
    shake = os.environ.get(SHAKE_VARIABLE, "")
    order = f"threads shaken, seed {shake}" if shake else "threads in turn"
    lines = []
    for night in nights:
        at_s = night.clock.monotonic_s()
        simulated = isinstance(night.clock, SimulatedClock)
        time_told = f"simulated time, at {at_s:.3f} s, {order}" if simulated else "real time"
        lines.append(f"rig seed {night.rig.spec.seed}; {time_told}")
    again = f"{SHAKE_VARIABLE}={shake} " if shake else ""
    command = f".venv/bin/python -m pytest -q {shlex.quote(test)}"
    return "\n".join([*lines, f"again: {again}{command}"])


@pytest.fixture
def start_night(
    monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> Iterator[StartNight]:
    """Start rigs by nested changes to the small one; all are stopped afterwards.

    With ``real_rate`` the night goes so many times as fast as the computer's own time, and the
    mount is `QUIET`; with ``sockets`` a simulated one reaches its devices as a real one does.

    Then every night is looked through: no slew crossed the meridian untold, and nothing moved
    after the product had said that all stands still.
    """
    nights: list[Night] = []
    request.node.how_to_replay = lambda: how_to_replay(nights, request.node.nodeid)
    monkeypatch.setattr(keep_clear, "CLEAR_S", 1.0)
    shake = int(os.environ.get(SHAKE_VARIABLE) or -1)

    def start(
        changes: dict[str, Any] | None = None,
        utc_s: float = NIGHT_UTC_S,
        *,
        real_rate: float | None = None,
        sockets: bool = False,
    ) -> Night:
        clock: SystemClock | SimulatedClock = SimulatedClock(utc_s, None if shake < 0 else shake)
        if real_rate is not None:
            clock = SystemClock(real_rate, utc_s, time.time())
            wanted = merged(QUIET, changes or {})
        else:
            give_clock(clock)
            wanted = changes or {}
        rig = SimulatedRig(RigSpec.model_validate(merged(SMALL_RIG, wanted)), clock=clock)
        running = serve(rig)
        if isinstance(clock, SimulatedClock):
            within.enter_context(watchdog_within(clock))
            if not sockets:
                within.enter_context(without_sockets(running))
        nights.append(Night(running, rig, clock))
        return nights[-1]

    with ExitStack() as within:
        yield start
    give_clock(None)
    for night in nights:
        night.running.stop()
        if isinstance(night.clock, SimulatedClock):
            night.clock.close()
    for night in nights:
        assert night.runs_away or crossed_untold(night.rig, night.events) == []
        assert moved_after_stop(night.rig, night.events) == []
