"""Recording the skyline by pointing the mount at it, and planning with devices asked."""

from __future__ import annotations

import json
import sys

import pytest
from typer.testing import CliRunner

from polewright.calculation.planning.horizon_text import parse_horizon
from polewright.foundation.angles import DEG
from polewright.interfaces.cli.app import build_app

pytestmark = pytest.mark.e2e

DAY_UTC_S = 1795210200.0 - 10.0 * 3600.0


class Person:
    """Lines as a person types them, with something done at the mount before each."""

    def __init__(self, *deeds) -> None:
        self.deeds = list(deeds)

    def __iter__(self):
        for act, line in self.deeds:
            act()
            yield line

    def isatty(self) -> bool:
        """A person sits there."""
        return True


def test_the_skyline_is_recorded_from_the_mounts_pointing(
    start_night, monkeypatch, tmp_path
) -> None:
    """Each Enter notes azimuth and altitude; u takes one back; the Sun is cautioned of; the
    command itself moves nothing."""
    night = start_night(utc_s=DAY_UTC_S)
    night.runs_away = True  # a person moves the mount here, across the meridian, too
    mount, clock = night.rig.mount, night.clock
    mount.unpark(clock.utc_s())

    def point(azimuth_deg: float, altitude_deg: float):
        def act() -> None:
            mount.slew_alt_az(altitude_deg * DEG, azimuth_deg * DEG, clock.utc_s())
            clock.sleep(120.0)
            assert not mount.slewing(clock.utc_s())

        return act

    person = Person(
        (point(60.0, 20.0), "\n"),
        (point(175.0, 22.0), "\n"),
        (lambda: None, "u\n"),
        (lambda: None, "what?\n"),
        (point(250.0, 35.0), "\n"),
        (lambda: None, "q\n"),
    )
    commands: list[str] = []
    for name in ("slew_ra_dec", "set_tracking", "move_axis", "park", "find_home", "unpark"):
        monkeypatch.setattr(mount, name, lambda *_args, _name=name, **_kw: commands.append(_name))
    out = tmp_path / "garden.txt"
    words = [
        *("horizon", "--record", "--json", "--out", str(out)),
        *("--telescope-host", night.running.host, "--telescope-port", str(night.running.port)),
        *("--site-latitude-deg", "44.62", "--site-longitude-deg", "9.31"),
    ]
    runner = CliRunner()
    honest = runner.isolation

    def isolation(*args, **kwargs):
        context = honest(*args, **kwargs)
        enter = context.__enter__

        class Inside:
            def __enter__(self):
                opened = enter()
                monkeypatch.setattr(sys, "stdin", person)
                return opened

            def __exit__(self, *exc):
                return context.__exit__(*exc)

        return Inside()

    monkeypatch.setattr(runner, "isolation", isolation)

    done = runner.invoke(build_app(), words)

    assert done.exit_code == 0, done.output
    recorded = parse_horizon(out.read_text(encoding="utf-8").splitlines())
    assert recorded.azimuth_deg == pytest.approx((60.0, 250.0), abs=0.15)
    assert recorded.altitude_deg == pytest.approx((20.0, 35.0), abs=0.15)
    assert json.loads(done.stdout)["ok"] is True
    assert "never point an unfiltered telescope" in done.stderr
    assert "The Sun is up and" in done.stderr
    assert "'what?' is none of" in done.stderr
    assert commands == []


def test_planning_with_the_devices_asks_them_and_moves_nothing(start_night, monkeypatch) -> None:
    """The first slew is judged from where the mount points; it stays parked; nothing is assumed."""
    night = start_night()
    words = ["plan", "--connect", "--json", "--optics-focal-length-mm", "200"]
    for kind in ("telescope", "camera"):
        words += [f"--{kind}-host", night.running.host, f"--{kind}-port", str(night.running.port)]

    done = CliRunner().invoke(build_app(), words)

    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout.splitlines()[-1])
    assert document["site"]["latitude_deg"] == pytest.approx(44.62)
    assert document["plans"]
    for plan in document["plans"]:
        assert not any("not checked" in warning for warning in plan["warnings"])
    assert not any("no camera was asked" in note for note in document["notes"])
    assert night.rig.mount.at_park
    assert not night.rig.mount.tracking
