"""The systemd units: what is in them, and that nobody else's is touched."""

from __future__ import annotations

from pathlib import Path

import pytest

from polewright.foundation.errors import ConfigError
from polewright.interfaces import systemd_units as systemd
from polewright.interfaces.systemd_units import NoSystemd, UnitIsForeign, Wanted


def exec_of(text: str) -> str:
    return next(line for line in text.splitlines() if line.startswith("ExecStart="))


def test_words_are_quoted_as_systemd_reads_them(tmp_path) -> None:
    """A blank is quoted; per cent and dollar signs are doubled (systemd.service(5))."""
    config = tmp_path / "my 5% $rig" / "polewright.toml"
    texts = systemd.units(Wanted(config, True, "18:30", "observer", ("--lan",)))

    assert set(texts) == set(systemd.UNITS)
    assert f'--config "{tmp_path}/my 5%% $$rig/polewright.toml" --lan' in exec_of(
        texts[systemd.SERVE]
    )
    assert "--wait-for-dark" in exec_of(texts[systemd.STARTUP])
    assert "User=observer" in texts[systemd.STARTUP]
    assert "OnCalendar=*-*-* 18:30" in texts[systemd.TIMER]
    for name in (systemd.SERVE, systemd.STARTUP):
        assert "KillSignal=SIGINT" in texts[name]  # the mount is stopped on the way out


def test_a_user_s_units_ask_for_nothing_of_the_system() -> None:
    """No user, no folders, no targets that only the system has; and no timer unasked."""
    texts = systemd.units(Wanted(None, False, run_as="observer"))

    assert set(texts) == {systemd.SERVE}
    for word in ("User=", "network-online", "ProtectSystem", "multi-user"):
        assert word not in texts[systemd.SERVE]


def test_a_unit_of_somebody_else_is_neither_replaced_nor_removed(tmp_path) -> None:
    """Nothing is written beside it either, unless force is used."""
    foreign = tmp_path / systemd.TIMER
    foreign.write_text("[Timer]\n")
    wanted = Wanted(None, False, "18:30")

    with pytest.raises(UnitIsForeign):
        systemd.install(wanted, tmp_path, force=False)
    assert list(tmp_path.iterdir()) == [foreign]
    assert systemd.uninstall(tmp_path) == []
    assert foreign.read_text() == "[Timer]\n"

    assert len(systemd.install(wanted, tmp_path, force=True)) == 3
    assert len(systemd.install(wanted, tmp_path, force=False)) == 3  # our own are written anew
    assert len(systemd.uninstall(tmp_path)) == 3
    assert list(tmp_path.iterdir()) == []


def test_where_systemd_does_not_run_it_is_refused(tmp_path, monkeypatch) -> None:
    """By the folder that sd_booted(3) looks at, whatever programs are installed."""
    monkeypatch.setattr(systemd, "BOOTED", tmp_path / "none")

    with pytest.raises(NoSystemd) as refused:
        systemd.need_systemd()
    assert "service show" in refused.value.advice


@pytest.mark.parametrize("given", ["25:00", "18", "18:30\nExecStart=x", ""])
def test_a_time_that_is_none_is_refused(given) -> None:
    """It would stand in a unit."""
    with pytest.raises(ConfigError):
        systemd.units(Wanted(Path("x.toml"), False, given))


@pytest.mark.parametrize(
    "name", ["observer\nExecStartPre=/bin/sh", "%h", "a b", "", "-x", "root\r", "a;b", "a" * 40]
)
def test_a_user_who_is_none_is_refused(name: str) -> None:
    """His name stands in a unit, where a line break begins a line and per cent means something."""
    with pytest.raises(ConfigError, match="--run-as"):
        systemd.units(Wanted(Path("x.toml"), True, run_as=name))
    assert "User=obs.er-1\n" in systemd.units(Wanted(None, True, run_as="obs.er-1"))[systemd.SERVE]


@pytest.mark.parametrize(
    "wanted",
    [
        Wanted(None, True, more=("--lan\nExecStartPre=/bin/sh",)),
        Wanted(Path("/rig\n/polewright.toml"), False),
        Wanted(None, False, more=("a\x7fb",)),
    ],
)
def test_a_word_with_a_line_break_is_refused(wanted: Wanted) -> None:
    """It would end the line of the unit and begin another."""
    with pytest.raises(ConfigError, match="line break"):
        systemd.units(wanted)
