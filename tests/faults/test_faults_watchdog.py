"""The watchdog process: what it lets pass, when it strikes, and what it tells when it cannot."""

from __future__ import annotations

import contextlib
import json
import queue
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pytest

from polewright.devices.alpaca.client import AlpacaConnection
from polewright.devices.alpaca.telescope import Telescope
from polewright.foundation.clock import CancelToken, SystemClock
from polewright.foundation.config import Config
from polewright.foundation.errors import (
    DeviceError,
    ExitCode,
    LeftInHaste,
    MotionUnknown,
    WatchdogEnded,
)
from polewright.foundation.rehearsal import REHEARSAL_VARIABLE
from polewright.observing.safety import watchdog_client as watching
from polewright.observing.safety import watchdog_process as watchdog
from polewright.observing.safety.watchdog_client import Watchdog, WatchedClock
from polewright.records.events import Event, Progress
from polewright_sim.rig import SimulatedRig
from polewright_sim.scenario import Fault, Scenario
from polewright_sim.server.server import RunningRig, serve
from polewright_sim.spec import RigSpec

SLEW_RATE = 0.02
"""Rad/s."""


@pytest.fixture
def running() -> Iterator[RunningRig]:
    """A mount whose RA axis turns, under a real clock."""
    spec = RigSpec.model_validate({"sensor": {"width": 64, "height": 48}})
    rig = SimulatedRig(spec, renderer=lambda *_a, **_k: np.zeros((48, 64), np.uint16))
    with serve(rig) as served:
        served.telescope._connected = True
        now = rig.clock.utc_s()
        rig.mount.unpark(now)
        rig.mount.set_tracking(True, now)
        rig.mount.move_axis(0, -SLEW_RATE, now)
        yield served


@pytest.fixture
def telescope(running: RunningRig) -> Iterator[Telescope]:
    with AlpacaConnection(running.host, running.port) as connection:
        yield Telescope(connection, 0)


def moving(running: RunningRig) -> bool:
    return running.rig.mount.still_moving(running.rig.clock.utc_s())


def until(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 300.0
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.02)


def state(path: Path) -> str:
    return str(json.loads(path.read_text())["state"]) if path.exists() else ""


def test_a_stop_that_is_not_confirmed_is_taken_over(running, telescope, tmp_path) -> None:
    """The mount stands and does not track, and the outcome is written: the program still lives."""
    status = tmp_path / "watchdog.json"
    dog = Watchdog(telescope, status, CancelToken())
    until(lambda: state(status) == "watching")
    assert moving(running)

    assert dog.take_over()

    assert not moving(running)
    assert not running.rig.mount.tracking
    assert state(status) == watchdog.STOPPED
    assert "could not confirm" in json.loads(status.read_text())["reason"]


def test_a_watchdog_that_fails_itself_has_seen_nothing(running, telescope, monkeypatch) -> None:
    """Python ends with 1 by itself, which was taken for a mount seen stopped."""
    failing = "import sys; sys.stdin.readline(); raise RuntimeError('no room for a thread')"
    started = watching._started
    monkeypatch.setattr(
        watching, "_started", lambda _command: started([sys.executable, "-c", failing])
    )

    assert not Watchdog(telescope, None, CancelToken()).take_over()


def test_a_stop_goes_out_although_there_is_no_room_for_a_thread(running, monkeypatch) -> None:
    """Neither a rehearsal's time nor the limit of an answer may keep it."""
    monkeypatch.setenv(REHEARSAL_VARIABLE, running.url)
    said: queue.Queue[str | None] = queue.Queue()
    said.put(None)
    begin = threading.Thread.start

    def no_room(thread: threading.Thread) -> None:
        if type(thread).__module__ == "threading":  # not the server's own
            raise RuntimeError("can't start new thread")
        begin(thread)

    monkeypatch.setattr(threading.Thread, "start", no_room)
    arguments = [running.host, str(running.port), "0", "1", "", "20", "1"]

    assert watchdog.guard(arguments, said) == watchdog.SAW_IT_STOPPED
    assert not moving(running)


def test_a_dismissed_watchdog_leaves_the_mount_alone(running, telescope, tmp_path) -> None:
    """After a good end the mount goes on as the run left it."""
    status = tmp_path / "watchdog.json"
    dog = Watchdog(telescope, status, CancelToken())
    dog.beat()

    dog.dismiss()

    assert state(status) == "dismissed"
    assert running.rig.mount.tracking


def test_a_run_that_hangs_is_stopped_and_told_to_end(running, telescope, tmp_path) -> None:
    """An overdue beat stops the mount; a run that wakes up again is cancelled."""
    status, cancel = tmp_path / "watchdog.json", CancelToken()
    dog = Watchdog(telescope, status, cancel)

    dog.beat(1.0)
    until(lambda: state(status) == watchdog.STOPPED)

    assert not moving(running)
    assert not cancel.cancelled
    dog.process.wait(5.0)
    clock = WatchedClock(SystemClock(), dog)
    with pytest.raises(WatchdogEnded, match="watchdog") as ended:
        clock.sleep(1.0, cancel)
    assert ended.value.exit_code is ExitCode.DEVICE, "nobody asked for this stop"
    dog.dismiss()


def test_long_steps_of_a_healthy_run_are_left_alone(running, telescope, tmp_path) -> None:
    """An announced silence, and a long sleep, do not bring the watchdog up."""
    status, cancel = tmp_path / "watchdog.json", CancelToken()
    dog = Watchdog(telescope, status, cancel, solve_s=30.0)
    dog.beat(1.5)
    WatchedClock(SystemClock(4.0), dog).sleep(8.0, cancel)
    progress = Progress(utc_s=0.0, step="solve", point=1, points=3, done_s=0.0, total_s=None)
    dog.heard(progress)
    time.sleep(2.0)  # the solve hogs everything

    assert state(status) == "watching"
    assert moving(running)
    dog.dismiss()
    assert state(status) == "dismissed"


def test_a_mount_that_does_not_answer_is_told_as_unknown(telescope, running, tmp_path) -> None:
    """With the server gone nothing can be confirmed, and that is what is said."""
    status = tmp_path / "watchdog.json"
    dog = Watchdog(telescope, status, CancelToken(), give_up_s=2.0)
    running.stop()

    assert not dog.take_over()

    told = json.loads(status.read_text())
    assert told["state"] == watchdog.UNKNOWN
    assert told["troubles"]


def test_a_watchdog_that_ended_before_vouches_for_nothing(running, telescope, tmp_path) -> None:
    """It stopped the mount once; what was sent since, nobody saw."""
    status = tmp_path / "watchdog.json"
    dog = Watchdog(telescope, status, CancelToken())
    dog.beat(1.0)
    until(lambda: dog.process.poll() is not None)
    assert state(status) == watchdog.STOPPED

    assert not dog.take_over()


def test_a_driver_that_restarted_is_connected_and_stopped(running, telescope, tmp_path) -> None:
    """An unconnected driver refuses every stop; it is connected first."""
    running.telescope._connected = False
    dog = Watchdog(telescope, tmp_path / "watchdog.json", CancelToken())

    assert dog.take_over()

    assert not moving(running)
    assert running.telescope.connected


def test_the_stop_goes_on_through_a_storm_of_errors(running, telescope, tmp_path) -> None:
    """Half of all answers are errors: the stop is repeated until the mount is seen to stand."""
    running.load_faults(
        Scenario(fault=(Fault(kind="error_number", device="telescope", probability=0.5),), seed=1)
    )
    dog = Watchdog(telescope, tmp_path / "watchdog.json", CancelToken(), give_up_s=40.0)

    assert dog.take_over()

    assert not moving(running)


def test_a_mount_that_says_it_slews_for_ever_is_told_as_unknown(
    running, telescope, tmp_path
) -> None:
    """Standing or not: a mount that says it moves is not called stopped."""
    running.load_faults(Scenario(fault=(Fault(kind="slewing_stuck_true"),)))
    status = tmp_path / "watchdog.json"
    dog = Watchdog(telescope, status, CancelToken(), give_up_s=2.0)

    assert not dog.take_over()

    assert state(status) == watchdog.UNKNOWN


def test_standing_still_knows_the_drift_of_the_sky() -> None:
    """RA of an untracked mount drifts with the sky; anything faster is motion."""
    seconds = 10.0
    drift = watchdog.SIDEREAL_DEG_S * seconds
    first = (0.0, False, 359.99, 20.0)
    for turned, dec, still in (
        (0.0, 0.0, True),
        (drift, 0.0, True),
        (3.0 * drift, 0.0, False),
        (-0.05, 0.0, False),
        (0.0, 0.01, False),
    ):
        second = (seconds, False, (359.99 + turned) % 360.0, 20.0 + dec)
        assert watchdog.stands_still(first, second, 1.0) is still
    assert watchdog.stands_still(first, (seconds, False, (359.99 + 6 * drift) % 360.0, 20.0), 6.0)
    assert not watchdog.stands_still(first, (seconds, True, 359.99, 20.0), 1.0)


def test_a_mount_that_tracks_on_is_not_called_stopped(running, telescope, tmp_path) -> None:
    """As long as tracking cannot be switched off nothing is stopped; afterwards it is."""
    running.rig.mount.move_axis(0, 0.0, running.rig.clock.utc_s())
    running.load_faults(
        Scenario(fault=(Fault(kind="http_500", member="tracking", method="PUT", calls=8),))
    )
    dog = Watchdog(telescope, tmp_path / "watchdog.json", CancelToken(), give_up_s=40.0)

    assert dog.take_over()

    assert not running.rig.mount.tracking


def test_a_run_that_is_killed_has_its_mount_stopped(running, telescope, tmp_path) -> None:
    """When the pipe breaks without a word, that is what is said."""
    status = tmp_path / "watchdog.json"
    dog = Watchdog(telescope, status, CancelToken())
    assert dog.process.stdin is not None
    dog.process.stdin.close()

    assert dog.process.wait(30.0) == watchdog.SAW_IT_STOPPED
    assert "has ended without a word" in json.loads(status.read_text())["reason"]
    assert not moving(running)


def test_what_ends_the_whole_service_does_not_end_its_watchdog(
    running, telescope, tmp_path
) -> None:
    """systemd sends these to every process of a service that is stopped, or that hangs."""
    status = tmp_path / "watchdog.json"
    dog = Watchdog(telescope, status, CancelToken())
    while not status.exists():
        time.sleep(0.05)
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGABRT):
        dog.process.send_signal(number)
    assert dog.process.stdin is not None
    dog.process.stdin.close()

    assert dog.process.wait(30.0) == watchdog.SAW_IT_STOPPED
    assert not moving(running)


# -- against drivers with ways of their own ------------------------------------------------


class Driver:
    """A telescope with a sloppy driver, answered in this process; it moves from ``begins_s`` on."""

    def __init__(self, **values: object) -> None:
        self.values: dict[str, object] = {
            "slewing": False, "rightascension": 2.0, "declination": 10.0, "tracking": False,
            **values,
        }  # fmt: skip
        self.begins_s = float("inf")
        self.stops_s: list[float] = []
        self.refused: dict[str, int] = {}
        self.foreign = False
        self.drips = 0
        """Blanks that an answer begins with, sent one by one."""

    def answer(self, method: str, member: str, transaction: int) -> tuple[int, bytes]:
        now_s = time.monotonic()
        if self.refused.get(member):
            return self.refused[member], b"no such member"
        if method == "PUT" and member == "abortslew":
            self.stops_s.append(now_s)
            if now_s >= self.begins_s:
                self.begins_s = float("inf")
        value = self.values.get(member)
        if member == "slewing" and now_s >= self.begins_s:
            value = "True"
        sent = transaction + 1 if self.foreign else transaction
        document = {"Value": value, "ErrorNumber": "0", "ClientTransactionID": sent}
        return 200, json.dumps(document).encode()


@pytest.fixture
def served() -> Iterator[tuple[Driver, watchdog.Mount]]:
    driver = Driver()

    class Handler(BaseHTTPRequestHandler):
        def log_message(self, *_args: object) -> None:
            pass

        def do_GET(self) -> None:
            self.reply("GET", urlsplit(self.path).query)

        def do_PUT(self) -> None:
            length = int(self.headers.get("Content-Length", 0))
            self.reply("PUT", self.rfile.read(length).decode())

        def reply(self, method: str, text: str) -> None:
            member = urlsplit(self.path).path.rsplit("/", 1)[-1]
            number = int(parse_qs(text)["ClientTransactionID"][0])
            status, body = driver.answer(method, member, number)
            self.send_response(status)
            self.send_header("Content-Length", str(driver.drips + len(body)))
            self.end_headers()
            with contextlib.suppress(OSError):  # who asked may have given up
                for _blank in range(driver.drips):
                    self.wfile.write(b" ")
                    time.sleep(0.05)
                self.wfile.write(body)

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    yield driver, watchdog.Mount("127.0.0.1", server.server_address[1], 0, 7)
    server.shutdown()
    server.server_close()


@pytest.mark.parametrize(
    ("values", "refused"),
    [
        ({"rightascension": "2.0", "declination": "10.0"}, {}),
        ({"slewing": 0, "tracking": 0}, {}),
        ({"slewing": "False", "tracking": "false"}, {}),
        ({}, {"tracking": 400}),
        ({}, {"tracking": 404, "moveaxis": 400}),
    ],
    ids=["numbers as text", "0 and 1", "text", "no Tracking", "no Tracking and MoveAxis"],
)
def test_a_standing_mount_is_seen_to_stand_whatever_its_driver_writes(
    served, values, refused
) -> None:
    """The watchdog reads as leniently as the client does."""
    driver, mount = served
    driver.values.update(values)
    driver.refused.update(refused)

    assert watchdog.stop_and_see(mount, 3.0, 1.0, 0.0) == watchdog.STOPPED


def test_an_answer_that_drips_in_is_cut_off(served, monkeypatch) -> None:
    """One after which the server closes the connection may not hold the watchdog up, either."""
    monkeypatch.setattr(watchdog, "ANSWER_S", 0.5)
    driver, mount = served
    driver.drips = 200

    with pytest.raises(watchdog.TROUBLE):
        mount.ask("GET", "slewing")


def test_answers_to_other_questions_confirm_nothing(served) -> None:
    driver, mount = served
    driver.foreign = True

    assert watchdog.stop_and_see(mount, 1.0, 1.0, 0.0) == watchdog.UNKNOWN
    assert any("another question" in said for said in mount.said)


def test_a_queued_slew_that_begins_after_the_stop_is_stopped_again(served) -> None:
    """A mount that may still begin what was sent is watched until it cannot any more."""
    driver, mount = served
    began_s = time.monotonic()
    driver.begins_s = began_s + 1.5

    assert watchdog.stop_and_see(mount, 5.0, 1.0, began_s + 4.0) == watchdog.STOPPED

    assert time.monotonic() - began_s > 4.0
    assert driver.begins_s == float("inf")
    assert driver.stops_s[-1] > began_s + 1.5


def test_the_watchdog_knows_until_when_a_command_may_begin() -> None:
    """Seconds of the run's clock; what has begun needs no more watching."""
    heard = watchdog.Heard()
    lines: queue.Queue[str | None] = queue.Queue()
    for line in ("beat 9", "command 30", "take over"):
        lines.put(line)

    before_s = time.monotonic()
    reason = watchdog.watch(lines, heard, 10.0)
    assert reason is not None
    assert "could not confirm" in reason
    assert before_s + 3.0 <= heard.begins_until_s <= time.monotonic() + 3.0
    assert heard.allowed_s == 9.0

    lines.put("command 0")
    lines.put("bye")
    assert watchdog.watch(lines, heard, 10.0) is None
    assert heard.begins_until_s == 0.0


@pytest.mark.parametrize(
    ("chain", "told"),
    [
        ((DeviceError("axis stalled"),), "axis stalled"),
        ((DeviceError("axis stalled"), MotionUnknown("the slew's own stop")), "axis stalled"),
        ((), "the watchdog saw it stopped"),
        ((MotionUnknown("the slew's own stop"),), "the watchdog saw it stopped"),
    ],
    ids=["the trouble", "a stop before it", "the stop itself", "two stops"],
)
def test_once_the_watchdog_has_seen_the_stop_nobody_is_sent_to_the_mains(
    running, telescope, tmp_path, chain, told
) -> None:
    """What had ended the run comes through, however many stops were not confirmed before."""
    events: list[Event] = []
    rig = SimpleNamespace(
        telescope=telescope,
        camera=SimpleNamespace(clock=None),
        clock=SystemClock(),
        emit=events.append,
        cancel=CancelToken(),
        config=Config.model_validate({"run": {"journal_folder": str(tmp_path)}}),
    )
    error: BaseException | None = None
    for one in (*chain, MotionUnknown("the run's stop")):
        one.__cause__ = error
        error = one
    assert error is not None

    with pytest.raises(DeviceError, match=told) as caught, watching._dogged(cast("Any", rig)):
        raise error

    assert "power" not in caught.value.advice
    assert not moving(running)


def test_a_status_that_finds_no_room_leaves_no_older_word(tmp_path, monkeypatch, capsys) -> None:
    """An earlier run's "stopped" must not be read as this one's, and no half file stays."""
    path = tmp_path / "watchdog.json"
    watchdog.write_status(path, state=watchdog.STOPPED)
    assert json.loads(path.read_text())["state"] == watchdog.STOPPED

    def full(self: Path, *_args: Any, **_kwargs: Any) -> int:
        self.touch()
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_text", full)
    watchdog.write_status(path, state=watchdog.UNKNOWN)

    assert "no space left" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_run_left_in_haste_leaves_the_mount_to_the_watchdog(running, telescope, tmp_path) -> None:
    """Nobody waits for it; it stops the mount and leaves word."""
    rig = SimpleNamespace(
        telescope=telescope,
        camera=SimpleNamespace(clock=None),
        clock=SystemClock(),
        emit=lambda _event: None,
        cancel=CancelToken(),
        config=Config.model_validate({"run": {"journal_folder": str(tmp_path)}}),
    )
    with pytest.raises(LeftInHaste), watching._dogged(cast("Any", rig)):
        raise LeftInHaste("interrupted twice")

    until(lambda: state(tmp_path / "watchdog.json") == watchdog.STOPPED)
    assert not moving(running)
