"""The demonstration, as whoever looks at the project first runs it: in a pipe, and ended early."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from support.night import QUIET

pytestmark = pytest.mark.e2e

DEMO = Path(__file__).parents[2] / "demo"
#: The demonstration's garden with a smaller camera, which is quicker to simulate; its shutter keeps
#: glances away, of which a night has thousands. Nothing moves its mount by chance.
RIG = "\n".join(
    [
        (DEMO / "rig.toml")
        .read_text("utf-8")
        .replace("3124", "1100")
        .replace("2088", "740")
        .replace("7.52", "15.04")
        .replace(
            "[mount]", "\n".join(["[mount]", *(f"{k} = {v}" for k, v in QUIET["mount"].items())])
        ),
        "[camera]",
        "has_shutter = true",
    ]
)


@pytest.fixture
def demo(tmp_path):
    """Start the demonstration; its output is a pipe."""
    (tmp_path / "rig.toml").write_text(RIG, "utf-8")
    process = subprocess.Popen(
        [
            *(sys.executable, str(DEMO / "alignment.py"), "--rate", "40"),
            *("--rig", str(tmp_path / "rig.toml"), "--out", str(tmp_path / "out")),
        ],
        stdout=subprocess.PIPE,
        text=True,
    )
    with process:
        yield process, tmp_path / "out"
        process.kill()


def address_of(text: str) -> tuple[str, int]:
    found = re.search(r"http://(127\.0\.0\.1):(\d+) in the Alpaca protocol", text)
    assert found, text
    return found[1], int(found[2])


def answers(address: tuple[str, int]) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(address) == 0


def test_the_demonstration_aligns_by_its_own_advice_and_keeps_what_it_says(demo) -> None:
    """From 81 arcmin to within tolerance in truth; nothing that it started is left."""
    process, out = demo
    told = process.stdout.read()

    assert process.wait(300.0) == 0, told
    true = re.search(r"Within 1\.00 arcmin, true (\d+|\d\.\d+) arcsec", told)
    assert true, told
    assert float(true[1]) < 60.0
    for said in ("off (altitude", "tightens the locks", "minutes of the night", "Next: "):
        assert said in told
    assert not answers(address_of(told))
    assert (out / "plan.svg").read_text("utf-8").startswith("<?xml")
    assert "rehears" in (out / "report.html").read_text("utf-8").lower()
    assert len(list((out / "frames").glob("*.jpg"))) >= 9  # three sweeps of three points


def test_ended_early_it_ends_all_that_it_started(demo) -> None:
    """While the service runs a session: rig and service are gone before the demonstration is."""
    process, _out = demo
    told = ""
    while "sweep 1" not in told:
        line = process.stdout.readline()
        assert line, told
        told += line

    process.send_signal(signal.SIGTERM)

    assert process.wait(300.0) == 130, process.stdout.read()
    assert not answers(address_of(told))
