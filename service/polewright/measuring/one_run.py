"""One run a mount: a lock that other runs on this computer see, and that ends with its program."""

from __future__ import annotations

import logging
import os
import re
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import platformdirs

from polewright.alpaca.errors import Where
from polewright.errors import DeviceError
from polewright.file_lock import try_lock

log = logging.getLogger(__name__)


class MountTaken(DeviceError):
    """Another run on this computer moves the mount."""

    code = "mount_taken"
    advice = (
        "Let the other run end, or stop it (Ctrl-C where it was started, or its page), and start "
        "this one again. Two runs that send one mount about endanger it."
    )

    def __init__(self, where: Where, holder: str) -> None:
        super().__init__(where, holder)
        self.where, self.holder = where, holder

    def __str__(self) -> str:
        by = f" (process {self.holder})" if self.holder else ""
        return f"{self.where}: another run of this computer has the mount{by}"


@contextmanager
def only_run(where: Where) -> Iterator[None]:
    """Hold the mount for the block.

    Where the lock's file cannot be written the run goes on without.

    Raises:
        MountTaken: another run holds it.
    """
    path = _lock_file(where)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as error:
        log.warning("run.no_lock path=%s: %s", path, error)
        yield
        return
    try:
        if not try_lock(descriptor):
            raise MountTaken(where, path.read_text(encoding="utf-8", errors="replace")[:20].strip())
        os.ftruncate(descriptor, 0)
        os.write(descriptor, str(os.getpid()).encode())
        yield
    finally:
        os.close(descriptor)


def _lock_file(where: Where) -> Path:
    try:
        host = str(socket.getaddrinfo(where.host, None, type=socket.SOCK_STREAM)[0][4][0])
    except OSError:
        host = where.host
    name = re.sub(r"[^0-9A-Za-z.-]", "_", f"{host}-{where.port}-{where.number}")
    return Path(platformdirs.user_state_dir("polewright")) / "mounts" / f"{name}.lock"
