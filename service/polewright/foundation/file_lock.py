"""A lock on an open file that ends with the program that holds it, even when that is killed."""

from __future__ import annotations

import os
import sys
import time

if sys.platform == "win32":
    import msvcrt

    #: Windows locks bytes for reading too, so a byte is taken that no journal ever reaches.
    _FAR = 0x7FFF_FFFF - 1

    def try_lock(descriptor: int) -> bool:
        """Lock an open file; return False when another one holds it."""
        os.lseek(descriptor, _FAR, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

    def _unlock(descriptor: int) -> None:
        os.lseek(descriptor, _FAR, os.SEEK_SET)
        msvcrt.locking(descriptor, msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def try_lock(descriptor: int) -> bool:
        """Lock an open file; return False when another one holds it."""
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError:
            return True  # a file system without locks must not keep a session from running
        return True

    def _unlock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_UN)


def try_lock_patiently(descriptor: int) -> bool:
    """Lock as `try_lock` does, bearing with somebody who only looks whether it is locked."""
    for _ in range(5):
        if try_lock(descriptor):
            return True
        time.sleep(0.02)
    return False


def locked(descriptor: int) -> bool:
    """Whether somebody else holds the lock of an open file."""
    if not try_lock(descriptor):
        return True
    _unlock(descriptor)
    return False
