"""Writes the systemd units of the service and of a night's start, and takes them away again.

Sources: systemd.unit(5), systemd.service(5) for quoting, systemd.timer(5), sd_booted(3).
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from polewright.foundation.errors import ConfigError, in_words
from polewright.foundation.files import write_whole
from polewright.foundation.language import say

MARK = "# Written by `polewright service install`."
SERVE = "polewright.service"
STARTUP, TIMER = "polewright-startup.service", "polewright-startup.timer"
UNITS = (SERVE, STARTUP, TIMER)
SYSTEM_FOLDER = Path("/etc/systemd/system")
BOOTED = Path("/run/systemd/system")
SYSTEMCTL_S = 60.0
_TIME = re.compile(r"([01]?[0-9]|2[0-3]):[0-5][0-9]")
#: A user's name as systemd takes it, or a number (systemd: "User/Group Name Syntax"). What has a
#: meaning in units, per cent signs and line breaks, is in none.
_USER = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,30}")


class NoSystemd(ConfigError):
    """This computer's services are not run by systemd."""

    code = "no_systemd"
    advice = say(
        "`polewright service show` prints the units for a computer that has it. Elsewhere let the "
        "system's own scheduler run `polewright serve` and `polewright startup`; for Windows see "
        "`polewright handbook unattended`."
    )

    def __str__(self) -> str:
        return say("systemd does not run on this computer, so no unit can be installed")


class UnitIsForeign(ConfigError):
    """A unit of this name is there that this program did not write."""

    code = "unit_is_foreign"
    advice = say("Look at it, rename it if it is still wanted, or replace it with --force.")

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.path = str(path)

    def __str__(self) -> str:
        return say("{path} was not written by this program and is left as it is", path=self.path)


class UnitUntouched(ConfigError):
    """A unit cannot be written or removed."""

    code = "unit_untouched"
    advice = say("System units need root (sudo); --user keeps them in your own folder.")

    def __init__(self, path: Path, reason: str) -> None:
        super().__init__(path, reason)
        self.path, self.reason = str(path), reason

    def __str__(self) -> str:
        return say("{path}: {reason}", path=self.path, reason=self.reason)


@dataclass(frozen=True)
class Wanted:
    """What the units are to run.

    Args:
        config: configuration file; None: as `polewright` finds it.
        system: units of the whole system, not of one user.
        startup_at: local time, such as 18:30, at which the start of a night begins; None: no
            timer.
        run_as: user of system units; None: root.
        more: further arguments of `polewright serve`.
    """

    config: Path | None
    system: bool
    startup_at: str | None = None
    run_as: str | None = None
    more: Sequence[str] = ()


def folder_of(*, system: bool) -> Path:
    """Return where units belong."""
    if system:
        return SYSTEM_FOLDER
    home = os.environ.get("XDG_CONFIG_HOME")
    return (Path(home) if home else Path.home() / ".config") / "systemd" / "user"


def units(wanted: Wanted) -> dict[str, str]:
    """Return the units by file name.

    Raises:
        ConfigError: the time of the start is none, the user's name is none, or a word has a line
            break or another control character, which would end its line in the unit.
    """
    if wanted.run_as is not None and not _USER.fullmatch(wanted.run_as):
        raise ConfigError(say("--run-as {given!r} is no name of a user", given=wanted.run_as))
    found = {SERVE: _serve(wanted)}
    if wanted.startup_at is not None:
        if not _TIME.fullmatch(wanted.startup_at):
            raise ConfigError(
                say("--startup-at {given} is no time such as 18:30", given=wanted.startup_at)
            )
        found |= {STARTUP: _startup(wanted), TIMER: _timer(wanted.startup_at)}
    return found


def _serve(wanted: Wanted) -> str:
    return (
        _unit(
            wanted,
            "Polewright: the page at the mount",
            "Type=notify",
            "NotifyAccess=main",
            f"ExecStart={_command(wanted, 'serve', *wanted.more)}",
            "WatchdogSec=30",
            "Restart=on-failure",
        )
        + f"\n[Install]\nWantedBy={'multi-user' if wanted.system else 'default'}.target\n"
    )


def _startup(wanted: Wanted) -> str:
    return _unit(
        wanted,
        "Polewright: check devices and polar alignment before the night",
        "Type=oneshot",
        f"ExecStart={_command(wanted, 'startup', '--wait-for-dark', '--json')}",
        "# The wait for the Sun is in it.",
        "TimeoutStartSec=12h",
    )


def _timer(at: str) -> str:
    return (
        f"{MARK}\n[Unit]\nDescription=Polewright: the start of a night\n\n"
        f"[Timer]\nOnCalendar=*-*-* {at}\n\n[Install]\nWantedBy=timers.target\n"
    )


def _unit(wanted: Wanted, description: str, *lines: str) -> str:
    head = [MARK, "[Unit]", f"Description={description}"]
    if wanted.system:
        head += ["After=network-online.target time-sync.target",
                 "Wants=network-online.target time-sync.target"]  # fmt: skip
    body = ["", "[Service]"]
    if wanted.system and wanted.run_as:
        body.append(f"User={wanted.run_as}")
    body += lines
    body += [
        "# The way out of Ctrl-C: the mount is stopped before the program ends.",
        "KillSignal=SIGINT",
        "TimeoutStopSec=120",
        "NoNewPrivileges=true",
    ]
    if wanted.system:
        body += ["ProtectSystem=full", "LogsDirectory=polewright", "StateDirectory=polewright"]
    return "\n".join([*head, *body]) + "\n"


def _command(wanted: Wanted, name: str, *arguments: str) -> str:
    script = Path(sys.executable).with_name("polewright")
    program = [str(script)] if script.exists() else [sys.executable, "-m", "polewright"]
    config = [] if wanted.config is None else ["--config", str(wanted.config.resolve())]
    return " ".join(_quoted(word) for word in (*program, name, *config, *arguments))


def _quoted(word: str) -> str:
    """Quote a word for ExecStart: per cent and dollar signs have a meaning there.

    Raises:
        ConfigError: it has a control character.
    """
    if any(ord(letter) < 32 or ord(letter) == 127 for letter in word):
        raise ConfigError(
            say("{word!r} has a line break or a control character: no unit can hold it", word=word)
        )
    word = word.replace("\\", "\\\\").replace("%", "%%").replace("$", "$$").replace('"', '\\"')
    return word if re.fullmatch(r"[\w@%+=:,./$-]+", word, re.ASCII) else f'"{word}"'


def need_systemd() -> None:
    """Raise `NoSystemd` where systemd does not run (sd_booted(3) looks at the same folder)."""
    if not BOOTED.is_dir() or shutil.which("systemctl") is None:
        raise NoSystemd


def install(wanted: Wanted, folder: Path, *, force: bool) -> list[Path]:
    """Write the units; return their files. All are checked before one is written.

    Raises:
        UnitIsForeign: one is there that this did not write, and not ``force``.
        UnitUntouched: it cannot be written.
        ConfigError: as `units`.
    """
    texts = units(wanted)
    for name in texts:
        if not force and _is_foreign(folder / name):
            raise UnitIsForeign(folder / name)
    written = []
    for name, text in texts.items():
        try:
            write_whole(folder / name, text.encode())
        except OSError as exc:
            raise UnitUntouched(folder / name, in_words(exc, told=folder / name)) from exc
        written.append(folder / name)
    return written


def written_here(folder: Path) -> list[str]:
    """Return the names of the units in a folder that this program wrote."""
    return [name for name in UNITS if (folder / name).exists() and not _is_foreign(folder / name)]


def uninstall(folder: Path) -> list[Path]:
    """Delete the units that this program wrote; return their files.

    Raises:
        UnitUntouched: one cannot be deleted.
    """
    gone = []
    for name in written_here(folder):
        path = folder / name
        try:
            path.unlink()
        except OSError as exc:
            raise UnitUntouched(path, in_words(exc, told=path)) from exc
        gone.append(path)
    return gone


def _is_foreign(path: Path) -> bool:
    try:
        return not path.read_text(encoding="utf-8", errors="replace").startswith(MARK)
    except FileNotFoundError:
        return False
    except OSError as exc:
        raise UnitUntouched(path, in_words(exc, told=path)) from exc


def systemctl(*arguments: str, system: bool) -> str:
    """Run systemctl; return what went wrong, empty when nothing did."""
    command = ["systemctl", *([] if system else ["--user"]), *arguments]
    try:
        done = subprocess.run(  # noqa: S603 - our own arguments
            command, capture_output=True, text=True, timeout=SYSTEMCTL_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as exc:
        return str(exc)
    return "" if done.returncode == 0 else done.stderr.strip() or say("it failed")
