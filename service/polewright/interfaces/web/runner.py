"""Runs one session at a time in a thread of its own, and stops the mount whatever that one does."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from polewright.calculation.sky.bodies import sun_enu
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.devices.alpaca.client import AlpacaConnection
from polewright.devices.alpaca.slew_and_stop import MotionState
from polewright.devices.alpaca.telescope import Telescope
from polewright.foundation.clock import Clock
from polewright.foundation.config import Config
from polewright.foundation.errors import ExitCode, MotionUnknown, PolewrightError
from polewright.foundation.language import say
from polewright.interfaces.publishing.mqtt import Telling, check_mqtt, end_document
from polewright.interfaces.web.errors import NoSession, SessionBusy, SettingNotAllowed
from polewright.interfaces.web.feed import Feed
from polewright.interfaces.web.journals import session_items
from polewright.interfaces.web.memory import give_back
from polewright.interfaces.web.models import SessionItem, StopAnswer
from polewright.observing.runs.connect import connect_rig, locate
from polewright.records.events import Event, EventSink
from polewright.records.history.run_recorder import is_rehearsal
from polewright.session.opening import Opened, journal_folder, open_interrupted, open_new
from polewright.session.session import AlignSession, Command, Connect
from polewright.session.snapshot import SessionSnapshot
from polewright.session.states import Step

log = logging.getLogger(__name__)

#: What a request may set. Not: solver (it can run programs), files and folders, addresses of
#: devices, and the limits that keep the mount from harm; those are the computer owner's to say.
#: Nor the site: the Sun, the horizon and the limits are where it says.
MAY_SET = ("pole", "sweep", "adjusting", "profile", "optics", "camera")
MAY_NOT_SET = frozenset({"camera.host", "camera.port", "camera.device_number"})
JOIN_S = 1.4
"""A stop's answer waits for the session's end until so long after the press."""
SECOND_STOP_S = 120.0
TELL_S = 5.0
"""How long the service's end waits for a broker to take a session's end."""
END_S = 20.0
"""And for a session's thread that waits for a device to answer."""

MakeConfig = Callable[[Mapping[str, Any]], Config]
"""From settings by dotted key to a checked configuration; raises `BadConfig`."""


def check_settings(settings: Mapping[str, Any]) -> None:
    """Raise `SettingNotAllowed` for a key that a request may not set."""
    for key, value in settings.items():
        names = [f"{key}.{inner}" for inner in value] if isinstance(value, dict) else []
        for name in (key, *names):
            if name.partition(".")[0] not in MAY_SET or name in MAY_NOT_SET:
                raise SettingNotAllowed(name, MAY_SET)


def _ignore(_event: Event) -> None:
    """Listen to nothing."""


class SessionRunner:
    """Starts and stops sessions; keeps the last one to be looked at. Every method is thread-safe.

    Args:
        make_config: the configuration, with a request's settings on top.
        clock: shared by all sessions.
        connect: makes a connected rig.
        listener: hears every event of every session.
    """

    def __init__(
        self,
        make_config: MakeConfig,
        clock: Clock,
        *,
        connect: Connect = connect_rig,
        listener: EventSink = _ignore,
    ) -> None:
        self.clock = clock
        self.feed = Feed()
        self._make_config, self._connect, self._listener = make_config, connect, listener
        self._config = make_config({})
        self._lock = threading.Lock()
        self._session: AlignSession | None = None
        self._thread: threading.Thread | None = None
        self._watcher: threading.Thread | None = None
        self._started = ("", "")

    # -- looking -----------------------------------------------------------------------------

    @property
    def running(self) -> bool:
        """Whether a session is under way."""
        return self._thread is not None and self._thread.is_alive()

    @property
    def session(self) -> AlignSession | None:
        """The session that runs, or the last one that ran."""
        return self._session

    def snapshot(self) -> SessionSnapshot:
        """Return the present session's snapshot, the last one's, or an idle one."""
        session = self._session
        if session is not None:
            return session.snapshot()
        return SessionSnapshot(
            session_id="",
            version=0,
            step=Step.IDLE,
            utc_s=self.clock.utc_s(),
            tolerance_arcmin=self._config.pole.tolerance_arcmin,
        )

    def sun_up(self) -> bool:
        """Whether the Sun is up now at the configured site; False where there is none."""
        site = self._config.site
        if site.latitude_deg is None or site.longitude_deg is None:
            return False
        place = Site(site.latitude_deg, site.longitude_deg)
        sky = ObservedFrame.at(place, Atmosphere(pressure_hpa=0.0), self.clock.utc_s())
        return bool(sun_enu(sky)[2] > 0.0)

    @property
    def history_url(self) -> str | None:
        """Where runs are recorded; None: the user's own place."""
        return self._config.history.url

    @property
    def folder(self) -> Path:
        """Where the journals are."""
        return journal_folder(self._config)

    def sessions(self) -> list[SessionItem]:
        """Return the journals, newest first."""
        session = self._session
        running_id = session.session_id if session is not None and self.running else None
        return session_items(self.folder, running_id, rehearsal=is_rehearsal(self.clock))

    # -- running -----------------------------------------------------------------------------

    def start(
        self,
        settings: Mapping[str, Any],
        by: str,
        *,
        resume: bool = False,
        accept_site: bool = False,
    ) -> SessionSnapshot:
        """Start a session and return its first snapshot.

        Args:
            settings: by dotted key, on top of the configuration.
            by: who asks.
            resume: take up the interrupted session that was written last.
            accept_site: go on although the mount contradicts site or clock.

        Raises:
            SessionBusy: one is running.
            SettingNotAllowed, BadConfig: the settings are not usable.
            CannotTakeUp: there is no session to take up, or it is over.
            JournalUnusable: the journal cannot be written.
        """
        check_settings(settings)
        config = self._make_config(settings)
        if accept_site:
            config = config.accepting_site()
        check_mqtt(config.publish)
        with self._lock:
            if self.running:
                raise SessionBusy(*self._started)
            opened = (
                open_interrupted(config, self.clock) if resume else open_new(config, self.clock)
            )
            session = self._make(opened.config(config), opened)
            now = datetime.fromtimestamp(self.clock.utc_s(), UTC)
            self._started = (now.strftime("%H:%M UTC"), by or "somebody")
            self._session = session
            self._thread = threading.Thread(
                target=self._run, args=(session,), name=f"session {session.session_id}", daemon=True
            )
            self._thread.start()
            self._watcher = threading.Thread(
                target=self._watch, args=(session, self._thread), name="session feed", daemon=True
            )
            self._watcher.start()
        return session.snapshot()

    def _make(self, config: Config, opened: Opened) -> AlignSession:
        return AlignSession(
            self._connect,
            config,
            self.clock,
            opened.journal,
            self._listener,
            session_id=opened.session_id,
            anchor=opened.anchor,
            resumed=opened.resumed,
        )

    def _run(self, session: AlignSession) -> None:
        try:
            session.run()
        except Exception:  # the session has stopped the mount on its way out
            log.exception("session.crashed id=%s", session.session_id)
        finally:
            session.journal.close()

    def _watch(self, session: AlignSession, thread: threading.Thread) -> None:
        telling = Telling(session.config.publish, session.session_id, self.clock.utc_s())
        version = -1
        while thread.is_alive():
            now = session.wait_for_change(version, 0.5)
            if now.version != version:
                version = now.version
                self.feed.wake()
        self.feed.wake()
        self._publish(session, telling)
        give_back()

    def _publish(self, session: AlignSession, telling: Telling) -> None:
        """Tell a broker; not in the session's thread, which a slow one would keep from ending."""
        code = ExitCode.UNEXPECTED if session.outcome is None else session.outcome
        result = session.snapshot().result
        document = end_document(session.session_id, code, result, self.clock.utc_s())
        untold = telling.ended(document)
        if untold is not None:
            log.warning("service.not_published: %s", untold)

    def _running_session(self) -> AlignSession:
        session = self._session
        if session is None or not self.running:
            raise NoSession
        return session

    def command(self, command: Command, **details: Any) -> SessionSnapshot:
        """Pass a person's wish on to the running session.

        Raises:
            NoSession: none runs.
            NotNow: it does not fit the session's step.
        """
        session = self._running_session()
        session.command(command, **details)
        return session.snapshot()

    def stop(self, reason: str) -> SessionSnapshot:
        """End the running session in good order; it stops the mount. Raises `NoSession`."""
        session = self._running_session()
        session.stop(reason)
        return session.snapshot()

    # -- the hard stop -----------------------------------------------------------------------

    def hard_stop(self, reason: str) -> StopAnswer:
        """Stop the mount now, whatever the session's thread is doing; never raises an Exception.

        The session is cancelled, and beside it the mount is told to stop, tracking included, over
        the connection's urgent lane, which waits for no other request.
        """
        began_s = time.monotonic()
        session, thread = self._session, self._thread
        if session is not None:
            session.stop(reason)
        message, advice = "", ""
        telescope: Telescope | None = None
        try:
            telescope = self._telescope(session)
            state = telescope.stop_motion(tracking_off=True)
        except PolewrightError as error:
            state = MotionState.UNKNOWN
            message, advice = (
                say("The mount could not be reached: {error}", error=error),
                MotionUnknown.advice,
            )
        except Exception as error:
            log.exception("service.hard_stop_failed")
            state = MotionState.UNKNOWN
            message, advice = (
                say("The stop failed unexpectedly: {error!r}", error=error),
                MotionUnknown.advice,
            )
        if session is not None:
            session.stopped_from_outside(state, reason)
        if thread is not None:
            thread.join(max(0.1, JOIN_S - (time.monotonic() - began_s)))
        ended = thread is None or not thread.is_alive()
        if not ended and telescope is not None and thread is not None:
            self._stop_again_later(telescope, thread, session)
        if not message:
            message, advice = _STOP_WORDS[state]
        self.feed.wake()
        return StopAnswer(
            motion=state.value,
            message=message,
            advice=advice,
            session_ended=ended,
            took_s=time.monotonic() - began_s,
        )

    def _telescope(self, session: AlignSession | None) -> Telescope:
        """The connected mount, or the one that a session would connect to."""
        rig = session.rig if session is not None else None
        if rig is not None:
            return rig.telescope
        config = session.config if session is not None else self._config
        host, port, number = locate("telescope", config.telescope)
        return Telescope(AlpacaConnection(host, port), number, clock=self.clock)

    def _stop_again_later(
        self, telescope: Telescope, thread: threading.Thread, session: AlignSession | None
    ) -> None:
        """A slew command may have been on its way when the stop came: stop once more after it."""

        def again() -> None:
            thread.join(SECOND_STOP_S)
            if self._thread is not thread:
                return  # the mount belongs to a session that was started since
            state = telescope.stop_motion(tracking_off=True)
            if state is not MotionState.STOPPED:
                log.error("service.motion_unknown after a second stop")
            if session is not None:
                session.stopped_from_outside(state, say("stopped once more"))
                self.feed.wake()

        threading.Thread(target=again, name="second stop", daemon=True).start()

    def close(self) -> None:
        """End the service's work: stop a running session and its motion."""
        if self.running:
            self.hard_stop(say("the service was ended"))
            self._outlive(self._thread)
        if self._watcher is not None:
            self._watcher.join(TELL_S)
        self.feed.close()

    def _outlive(self, thread: threading.Thread | None) -> None:
        """Wait for a session that was stopped while it waited for a device: it stops it again."""
        if thread is not None:
            thread.join(END_S)
            if thread.is_alive():
                log.error("service.session_outlived after %.0f s", END_S)


def not_confirmed_yet(took_s: float) -> StopAnswer:
    """Return the answer to a stop that is still under way."""
    return StopAnswer(
        motion=MotionState.UNKNOWN.value,
        message=say("The mount has not yet confirmed that it stands still; it is told again."),
        advice=MotionUnknown.advice,
        session_ended=False,
        took_s=took_s,
    )


_STOP_WORDS = {
    MotionState.STOPPED: (say("The mount stands still; tracking is off."), ""),
    MotionState.MOVING: (
        say("The mount was told to stop and is STILL MOVING."),
        say("Cut the mount's power now."),
    ),
    MotionState.UNKNOWN: (
        say("The mount was told to stop but has not confirmed it."),
        MotionUnknown.advice,
    ),
}
