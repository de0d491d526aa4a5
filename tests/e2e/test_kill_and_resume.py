"""The program is killed in each step and started again: nothing is lost, the mount is known.

``polewright align`` runs in a process of its own and is ended by SIGKILL; the rig lives on in this
process, as a mount would.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from support.printed import printed

from polewright.foundation.errors import ExitCode
from polewright.foundation.rehearsal import REHEARSAL_VARIABLE
from polewright.session.journal import Journal, Record, in_use, latest_journal, read_journal

pytestmark = [
    pytest.mark.e2e,
    pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGKILL"),
]

CONFIG = """
[site]
latitude_deg = 44.62
longitude_deg = 9.31
elevation_m = 420.0
[optics]
focal_length_mm = 202.0
[sweep]
settle_s = 4.0
exposure_s = 2.0
{sweep}
[telescope]
host = "127.0.0.1"
port = {port}
[camera]
host = "127.0.0.1"
port = {port}
[run]
journal_folder = "{folder}"
"""

GIVEN_SWEEP = """start_azimuth_deg = 140.0
start_altitude_deg = 55.0
direction = "east"
"""


class Program:
    """Starts and kills ``polewright align`` against one rig, and reads its journal."""

    def __init__(self, night, folder: Path, *, planned: bool) -> None:
        self.night, self.folder = night, folder
        self.config = folder / "rig.toml"
        text = CONFIG.format(
            port=night.running.port,
            folder=folder.as_posix(),
            sweep="" if planned else GIVEN_SWEEP,
        )
        self.config.write_text(text)
        clock = night.clock
        told = f"{clock.start_utc_s},{clock.origin_real_s},{clock.rate}"
        self.environment = {**os.environ, REHEARSAL_VARIABLE: told}
        self.process: subprocess.Popen[str] | None = None
        self._read: tuple[tuple[Path, int], list[Record]] | None = None

    def start(self, *options: str) -> None:
        self.process = subprocess.Popen(
            [
                *(sys.executable, "-m", "polewright", "align", "--plain", "--json"),
                *("--config", str(self.config), *options),
            ],
            env=self.environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    @property
    def records(self) -> list[Record]:
        path = latest_journal(self.folder, rehearsal=True)
        if path is None:
            return []
        now = path, path.stat().st_size
        if self._read is None or self._read[0] != now:  # reading it at each look costs more
            self._read = now, read_journal(path)
        return self._read[1]

    def steps(self, after: int = 0) -> list[str]:
        return [r.data["step"] for r in self.records[after:] if r.kind == "step"]

    def until(self, condition: Callable[[], bool], limit_s: float = 300.0) -> None:
        deadline = time.monotonic() + limit_s
        while not condition():
            assert self.process is not None
            if self.process.poll() is not None:
                pytest.fail(f"it ended by itself: {self.process.communicate()}")
            assert time.monotonic() < deadline, (self.steps(), self.night.truth["mount"])
            time.sleep(0.01)

    def kill(self, *, watchdog: bool = False) -> list[Record]:
        """End it as a power cut would; return what the journal holds then.

        With ``watchdog`` the process that watches it ends with it, as the whole computer's would.
        """
        assert self.process is not None
        watches = json.loads((self.folder / "watchdog.json").read_text())["pid"] if watchdog else 0
        if watches:
            os.kill(watches, signal.SIGSTOP)  # or it would stop the mount in between
        self.process.kill()
        if watches:
            os.kill(watches, signal.SIGKILL)
        self.process.communicate()
        path = latest_journal(self.folder, rehearsal=True)
        assert path is not None
        assert not in_use(path)
        return read_journal(path)

    def end(self, keys: str = "", limit_s: float = 300.0) -> tuple[int, dict, str]:
        """Let it end, or stop it by keys or a signal; return code, document and messages."""
        assert self.process is not None
        if not keys and self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        out, told = self.process.communicate(keys, timeout=limit_s)
        return self.process.returncode, printed("align", out), told


@pytest.fixture
def programs(start_night, tmp_path) -> Iterator[Callable[..., Program]]:
    """Make programs, each with a rig of its own; none is left running."""
    made: list[Program] = []

    def make(changes: dict | None = None, *, planned: bool = False) -> Program:
        night = start_night(changes, real_rate=12.0)
        made.append(Program(night, tmp_path, planned=planned))
        return made[-1]

    yield make
    for program in made:
        if program.process is not None and program.process.poll() is None:
            program.process.kill()
            program.process.communicate()


def slewing(program: Program) -> bool:
    return bool(program.night.truth["mount"]["slewing"])


def moving(program: Program) -> bool:
    mount = program.night.truth["mount"]
    return bool(mount["slewing"] or mount["moving"] or mount["tracking"])


@pytest.mark.parametrize("step", ["checking", "planning"])
def test_killed_before_anything_moved_it_begins_again(programs, step: str) -> None:
    """Killed while it checks or plans: the same journal goes on with a sweep; a signal stops it."""
    program = programs(planned=step == "planning")
    program.start()
    program.until(lambda: program.steps()[-1:] == [step])
    before = program.kill()
    assert before[-1].data["step"] == step or before[-1].kind != "step"

    program.start("--resume")
    program.until(lambda: "sweeping" in program.steps(len(before)) and slewing(program))
    code, document, told = program.end()

    assert code == 130
    assert program.records[: len(before)] == before
    assert program.steps(len(before)) == ["checking", "planning", "sweeping", "stopped"]
    assert f"interrupted while {step}: it starts with a new sweep" in told
    assert document["session"]["motion"] == "still"
    assert not moving(program)


def wait(condition: Callable[[], bool], limit_s: float = 300.0) -> None:
    deadline = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.01)


def test_killed_in_a_slew_the_watchdog_stops_the_mount(programs) -> None:
    """The process that watches the run stops a slew that its program no longer waits for."""
    program = programs({"mount": {"slew_deg_per_s": 0.1, "acceleration_deg_per_s2": 1.0}})
    program.start()
    program.until(lambda: program.steps()[-1:] == ["sweeping"] and slewing(program))

    before = program.kill()

    wait(lambda: not moving(program))
    assert before[-1].kind == "event"


def test_killed_in_a_slew_unwatched_the_mount_is_stopped_first(programs) -> None:
    """A mount that a dead program left slewing is stopped and told of before anything else."""
    program = programs({"mount": {"slew_deg_per_s": 0.1, "acceleration_deg_per_s2": 1.0}})
    program.start()
    program.until(lambda: program.steps()[-1:] == ["sweeping"] and slewing(program))
    before = program.kill(watchdog=True)
    assert slewing(program)

    program.start("--resume")

    def notes() -> list[str]:
        return [
            r.data["text"]
            for r in program.records[len(before) :]
            if r.kind == "event" and r.data["kind"] == "note"
        ]

    program.until(lambda: any("still slewing" in text for text in notes()))
    program.until(lambda: program.steps(len(before))[-1:] == ["planning"])
    assert not slewing(program)
    code, document, _told = program.end()

    # From where the slew was cut off the planner may refuse before the stop is heard.
    assert code in (ExitCode.INTERRUPTED, ExitCode.PLAN), document
    assert program.records[: len(before)] == before
    assert document["session"]["motion"] == "still"
    assert not moving(program)


def readings(records: list[Record]) -> list[Record]:
    return [
        r
        for r in records
        if r.kind == "event" and r.data["kind"] == "reading_taken" and r.data["state"] == "settled"
    ]


def test_killed_while_adjusting_it_goes_on_from_the_same_frame(programs) -> None:
    """Knobs turned while the program was dead are seen; no new sweep; the ended journal is done."""
    program = programs()
    program.start()
    program.until(lambda: len(readings(program.records)) >= 2)
    before = program.kill()
    program.night.rig.turn_knobs(altitude_arcmin=-9.0, azimuth_arcmin=14.0)

    program.start("--resume")
    program.until(lambda: len(readings(program.records[len(before) :])) >= 2)
    truth = program.night.truth["axis"]
    last = readings(program.records)[-1].data
    code, document, told = program.end("s\n")

    assert code == 130
    assert "the same reference frame is used" in told
    assert program.records[: len(before)] == before
    assert program.steps(len(before)) == ["checking", "adjusting", "stopped"]
    assert document["session"]["sweeps"] == 1
    assert document["session"]["result"]["axis"] == dict(
        next(r.data["axis"] for r in before if r.kind == "measured")
    )
    for found, sigma, true in (
        ("d_alt_arcmin", "sigma_alt_arcmin", "alt_arcmin"),
        ("d_az_sky_arcmin", "sigma_az_sky_arcmin", "az_sky_arcmin"),
    ):
        assert abs(last[found] - truth[true]) < 4.0 * last[sigma] + 0.02
    assert not moving(program)

    program.start("--resume")
    code, document, _told = program.end("\n")
    assert code == 2
    assert document["error"]["code"] == "cannot_take_up"
    assert "had already ended" in document["error"]["message"]


def test_a_mount_that_was_moved_meanwhile_is_not_adjusted(programs) -> None:
    """The declination axis stands elsewhere than in the journal: it says why it cannot go on."""
    program = programs()
    now_s = program.night.clock.utc_s()
    journal = Journal(program.folder / "dead-rehearsal.journal.jsonl")
    journal.write(now_s - 9.0, "step", {"step": "adjusting"})
    anchor = {
        "axis": [0.0, 0.7, 0.714],
        "covariance": [[0.0] * 3] * 3,
        "reference": [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        "reference_covariance": [[0.0] * 3] * 3,
        **{"utc_s": now_s - 9.0, "elongation": 1.1, "hfd_px": 2.0, "star_count": 40},
        **{"tracking": True, "declination_deg": 20.0, "side_of_pier": None},
    }
    journal.write(now_s - 8.0, "anchor", anchor)
    journal.close()
    before = program.records

    program.start("--resume")
    code, document, _told = program.end("\n")

    assert code == 2
    assert "declination axis was turned" in document["error"]["message"]
    assert document["session"]["step"] == "failed"
    assert program.records[: len(before)] == before
    assert not moving(program)


def test_the_live_picture_on_a_terminal(programs) -> None:
    """On a terminal the session is drawn, and s ends it at once with the mount stopped."""
    import pty

    program = programs()
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "polewright", "align", "--config", str(program.config)],
        env={**program.environment, "TERM": "xterm-256color", "COLUMNS": "100", "LINES": "40"},
        stdin=slave,
        stdout=slave,
        stderr=slave,
        start_new_session=True,
    )
    os.close(slave)
    drawn: list[bytes] = []

    def read() -> None:
        with contextlib.suppress(OSError):
            while data := os.read(master, 65536):
                drawn.append(data)

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    try:
        wait(lambda: b"hands off, the mount moves by itself" in b"".join(drawn))
        os.write(master, b"s")
        code = process.wait(300.0)
    finally:
        process.kill()
        process.wait()
        reader.join(5.0)
        os.close(master)
    text = b"".join(drawn).decode()

    assert code == 130
    assert "The mount stands still; tracking is off." in text
    assert not moving(program)
