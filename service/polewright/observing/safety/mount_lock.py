"""One run a mount: a lock that all users of this computer see, and that ends with its program.

The lock is a file in a folder that all users share. Every such folder that can be used is used:
a service may have a private one of its own in place of one of them. Nobody may trust what lies
in such a folder, so links are not followed, only plain files with one name are touched, and what
a file says of its holder is only shown.
"""

from __future__ import annotations

import contextlib
import getpass
import logging
import os
import re
import socket
import stat
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from polewright.devices.alpaca.errors import Where
from polewright.foundation.errors import DeviceError, in_words
from polewright.foundation.file_lock import locked, try_lock_patiently
from polewright.foundation.language import joined, say
from polewright.foundation.plain_text import plain

log = logging.getLogger(__name__)

#: Longest text of a holder that is read and shown, bytes.
LONGEST = 120
_PREFIX, _SUFFIX = "polewright-mount-", ".lock"


def shared_folders() -> tuple[Path, ...]:
    """Return the folders that all users of this computer share, for locks; some may be missing.

    The Filesystem Hierarchy Standard 3.0 has /run/lock for lock files (section 5.9) and /tmp
    (3.18). The user's own variables do not count: all users must agree.
    """
    if sys.platform == "win32":
        return (Path(os.environ.get("PROGRAMDATA", r"C:\ProgramData")),)
    return (Path("/run/lock"), Path("/tmp"))  # noqa: S108 - opened with care, see `_opened`


class MountTaken(DeviceError):
    """Another run on this computer moves the mount."""

    code = "mount_taken"
    advice = say(
        "Let the other run end, or stop it (Ctrl-C where it was started, or its page), and "
        "start this one again. Two runs that drive one mount endanger it."
    )

    def __init__(self, where: Where, holder: str) -> None:
        super().__init__(where, holder)
        self.where, self.holder = where, holder

    def __str__(self) -> str:
        by = say(": {holder}", holder=self.holder) if self.holder else ""
        return say("another run on this computer drives {where}{by}", where=self.where, by=by)


@dataclass(frozen=True)
class HeldMount:
    """A mount that a run of this computer holds."""

    mount: str
    """Host, port and device number, as the lock is named; ``here`` is this computer."""
    holder: str
    """Process and user, as the run wrote them; may be empty."""
    since_utc_s: float
    """Of the computer's clock."""


def held_mounts() -> tuple[HeldMount, ...]:
    """Return the mounts that runs of this computer hold, whoever's they are."""
    found: dict[str, HeldMount] = {}
    for folder in shared_folders():
        try:
            paths = sorted(folder.glob(f"{_PREFIX}*{_SUFFIX}"))
        except OSError:
            continue
        for path in paths:
            held = _held(path)
            if held is not None:
                found.setdefault(path.name, held)
    return tuple(found.values())


def _held(path: Path) -> HeldMount | None:
    """Return who holds a lock, None when nobody does or it is no lock of ours."""
    flags = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        descriptor = os.open(path, os.O_RDONLY | flags)
    except OSError:
        return None
    try:
        about = os.fstat(descriptor)
        if not stat.S_ISREG(about.st_mode) or not locked(descriptor):
            return None
        name = plain(path.name.removeprefix(_PREFIX).removesuffix(_SUFFIX))
        return HeldMount(name, _holder(descriptor), about.st_mtime)
    finally:
        os.close(descriptor)


@contextmanager
def only_run(where: Where, tell: Callable[[str], None] | None = None) -> Iterator[None]:
    """Hold the mount for the block.

    Args:
        where: the mount.
        tell: takes a sentence when no folder takes the lock: the run then goes on without.

    Raises:
        MountTaken: another run holds it.
    """
    name = _name(where)
    folders = shared_folders()
    with ExitStack() as held:
        troubles = []
        for folder in folders:
            try:
                held.enter_context(_locked(folder / name, where))
            except OSError as error:
                troubles.append(
                    say("{folder}: {error}", folder=folder / name, error=in_words(error))
                )
        if len(troubles) == len(folders):
            log.warning("run.no_lock %s", "; ".join(troubles))
            if tell is not None:
                tell(
                    say(
                        "Other runs on this computer cannot be kept off this mount: no lock "
                        "could be made ({troubles}). Do not start another one meanwhile.",
                        troubles=joined("; ", troubles),
                    )
                )
        yield


@contextmanager
def _locked(path: Path, where: Where) -> Iterator[None]:
    """Hold one file's lock.

    Raises:
        MountTaken: another run holds it.
        OSError: it cannot be had.
    """
    while True:
        descriptor = _opened(path)
        try:
            if not try_lock_patiently(descriptor):
                raise MountTaken(where, _holder(descriptor))
            if not _is(path, descriptor):
                continue  # its holder ended meanwhile and took the file away
            _say_who(descriptor)
            try:
                yield
            finally:
                with contextlib.suppress(OSError):
                    path.unlink()
            return
        finally:
            os.close(descriptor)


def _is(path: Path, descriptor: int) -> bool:
    """Whether a path still leads to an open file."""
    try:
        return os.path.samestat(path.lstat(), os.fstat(descriptor))
    except FileNotFoundError:
        return False


def _opened(path: Path) -> int:
    """Open a file that any user may have made, and make it where there is none.

    It is opened without being made first: where the folder is sticky, some systems refuse to
    "make" another user's file that is there already.

    Raises:
        OSError: it cannot be had, or is no plain file with one name.
    """
    flags = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        try:
            descriptor = os.open(path, os.O_RDWR | flags)
        except PermissionError:
            descriptor = os.open(path, os.O_RDONLY | flags)  # enough to lock it
    except FileNotFoundError:
        try:
            descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | flags, 0o666)
        except FileExistsError:
            return _opened(path)  # another run was faster
        if hasattr(os, "fchmod"):
            with contextlib.suppress(OSError):
                os.fchmod(descriptor, 0o666)  # whatever the umask: others write their name
    about = os.fstat(descriptor)
    if not stat.S_ISREG(about.st_mode) or about.st_nlink > 1:
        os.close(descriptor)
        raise OSError(None, say("something else is stored under the lock's name"))
    return descriptor


def _say_who(descriptor: int) -> None:
    """Write into the lock whose run it is; a full disk keeps that from nobody but the reader."""
    with contextlib.suppress(OSError):
        os.ftruncate(descriptor, 0)
        os.lseek(descriptor, 0, os.SEEK_SET)
        run = say("{run}process {pid} of {user}", run=_command(), pid=os.getpid(), user=_user())
        who = say("{run}, since {time}", run=run, time=time.strftime("%H:%M"))
        os.write(descriptor, f"{who}\n".encode())


def _command() -> str:
    """Name the command that this program was started with, such as "polewright align, "."""
    program, *words = [Path(sys.argv[0]).name, *sys.argv[1:2]]
    named = program == "polewright" and words and words[0].isalpha()
    return f"{program} {words[0]}, " if named else ""


def _user() -> str:
    try:
        import pwd

        return pwd.getpwuid(os.geteuid()).pw_name
    except (ImportError, KeyError):
        pass
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return say("an unnamed user")


def _holder(descriptor: int) -> str:
    try:
        os.lseek(descriptor, 0, os.SEEK_SET)
        told = os.read(descriptor, LONGEST).decode("utf-8", errors="replace")
    except OSError:
        return ""
    return "".join(sign for sign in told if sign.isprintable()).strip()


def _name(where: Where) -> str:
    """Name a mount's lock by its address; this computer's own addresses are one."""
    try:
        found = socket.getaddrinfo(where.host, None, type=socket.SOCK_STREAM)[0]
        family, host = found[0], str(found[4][0])
        if _is_this_computers(family, host):
            host = "here"
    except OSError:
        host = where.host
    name = re.sub(r"[^0-9A-Za-z.-]", "_", f"{host}-{where.port}-{where.number}")
    return f"{_PREFIX}{name}{_SUFFIX}"


def _is_this_computers(family: int, host: str) -> bool:
    """Whether an address is one of this computer: only those can be bound."""
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as probe:
            probe.bind((host, 0))
    except OSError:
        return False
    return True
