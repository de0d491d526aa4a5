"""A night goes the same way again, however busy the computer is and whoever it lets run first."""

from __future__ import annotations

import json
import random
import re
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from support import night as nights

from polewright.foundation.rehearsal import give_clock
from polewright.observing.runs.connect import connect_rig
from polewright.session.journal import Journal
from polewright.session.session import AlignSession
from polewright.session.states import Step
from polewright_sim.simulated_clock import SimulatedClock

pytestmark = pytest.mark.e2e


BUSY = "while True: pass"


class Shaken(SimulatedClock):
    """Threads that take their turn late, by what the computer's scheduler might do."""

    dice = random.Random(1)

    def wait(self, waiting: Any, until_s: float | None) -> bool:
        """Wait, after a pause of up to 2 ms."""
        if self.dice.random() < 0.05:
            time.sleep(self.dice.uniform(0.0, 0.002))
        return super().wait(waiting, until_s)


def journal_of(start_night, folder: Path, *, sockets: bool = False) -> list[str]:
    """Measure once in a session that nobody turns the adjusters of; return what it wrote down."""
    night = start_night(sockets=sockets)
    give_clock(night.clock)
    config = night.config({"sweep.settle_s": 2.0})
    journal = Journal(folder / "night.journal.jsonl")
    session = AlignSession(
        connect_rig, config, night.clock, journal, night.events.append, session_id="replay"
    )
    running = night.beside(session.run)
    night.until(lambda: session.step is Step.ADJUSTING and session.snapshot().error is not None)
    night.clock.sleep(20.0)
    session.stop("the test is over")
    assert running.wait(60.0)
    journal.close()
    address = f"{night.running.host}:{night.running.port}"
    return [
        _without_addresses(line, address)
        for line in journal.path.read_text(encoding="utf-8").splitlines()
    ]


def _without_addresses(line: str, address: str) -> str:
    record = json.loads(line)
    text = json.dumps(record, sort_keys=True).replace(address, "ADDRESS")
    return re.sub(r'"(pid|software|client_id)": [^,}]+', r'"\1": 0', text)


def test_the_same_night_is_had_again_on_a_busy_computer_over_sockets(
    start_night, tmp_path, monkeypatch
) -> None:
    """The same journal twice: by calls, and over sockets beside a busy program and with threads
    that take their turn late."""
    for name in ("alone", "busy"):
        (tmp_path / name).mkdir()
    alone = journal_of(start_night, tmp_path / "alone")
    monkeypatch.setattr(nights, "SimulatedClock", Shaken)
    load = subprocess.Popen([sys.executable, "-c", BUSY])
    try:
        busy = journal_of(start_night, tmp_path / "busy", sockets=True)
    finally:
        load.kill()
        load.wait()

    assert len(alone) > 20
    assert busy == alone
