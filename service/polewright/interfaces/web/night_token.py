"""The night's token, kept in a file of its owner: a restart must not lock phones out of STOP."""

from __future__ import annotations

import contextlib
import logging
import os
import re
import secrets
import stat
import time
from dataclasses import dataclass
from pathlib import Path

import platformdirs

log = logging.getLogger(__name__)

KEPT_S = 24 * 3600.0
"""A token is forgotten so long after it was made: a night and the day before it."""
CRASHED_S = 600.0
"""But not by a service that ran for longer and was gone for no more than this."""
_TOKEN = re.compile(r"[A-Za-z0-9_-]{32,64}", re.ASCII)


def new_token() -> str:
    """Return a fresh token of 192 random bits, fit for a link."""
    return secrets.token_urlsafe(24)


@dataclass(frozen=True)
class NightToken:
    """A token, and the file that keeps it; None where it is not kept."""

    token: str
    path: Path | None = None

    def in_use(self) -> None:
        """Note in the file that a service runs with it."""
        if self.path is not None:
            with contextlib.suppress(OSError):
                os.utime(self.path)


def night_token(port: int, *, new: bool = False, folder: Path | None = None) -> NightToken:
    """Return the token that a service on this port had lately, or a new one.

    Only a file that nobody else can read is believed. It is kept for the port: two services on
    one computer have two. A service that takes any free port (0) keeps none.

    Args:
        port: TCP port that was asked for.
        new: forget the old one.
        folder: where files are kept; the user's state folder if left out.
    """
    if port == 0:
        return NightToken(new_token())
    path = (folder or Path(platformdirs.user_state_dir("polewright"))) / f"token-{port}"
    kept = None if new else _kept(path, time.time())
    if kept is not None:
        return NightToken(kept, path)
    token = new_token()
    try:
        _write(path, token)
    except OSError as error:
        log.warning("service.token_not_kept path=%s reason=%s", path, error)
        return NightToken(token)
    return NightToken(token, path)


def _kept(path: Path, now_s: float) -> str | None:
    """Return the token of a file that is young enough and its owner's alone."""
    try:
        number = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0))
    except OSError:
        return None
    try:
        found = os.fstat(number)
        owners = not hasattr(os, "getuid") or (
            found.st_uid == os.getuid() and not found.st_mode & 0o077
        )
        if not (owners and stat.S_ISREG(found.st_mode)):
            log.warning("service.token_not_believed path=%s: others can reach it", path)
            return None
        text = os.read(number, 1000).decode("ascii", "replace")
    finally:
        os.close(number)
    token, _, made = text.partition("\n")
    try:
        age_s, idle_s = abs(now_s - float(made)), abs(now_s - found.st_mtime)
    except ValueError:
        return None
    young = idle_s < KEPT_S and (age_s < KEPT_S or idle_s < CRASHED_S)
    return token if young and _TOKEN.fullmatch(token) else None


def _write(path: Path, token: str) -> None:
    """Write the file anew; at no time can others read it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f"{path.name}.{secrets.token_hex(4)}")
    number = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(number, "w", encoding="ascii") as file:
            file.write(f"{token}\n{time.time():.0f}\n")
        beside.replace(path)
    except OSError:
        beside.unlink(missing_ok=True)
        raise
