"""Memory goes back to the system when a session is over."""

from __future__ import annotations

import ctypes
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from polewright.interfaces.web.memory import give_back


def resident_mb() -> float:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS:")) / 1024.0


@pytest.mark.skipif(
    not sys.platform.startswith("linux") or not hasattr(ctypes.CDLL(None), "malloc_trim"),
    reason="the C library gives nothing back",
)
def test_what_a_thread_has_freed_goes_back_to_the_system() -> None:
    """Small arrays stay in the thread's arena after they are freed, until it is trimmed."""
    kept: list[np.ndarray] = []

    def work() -> None:
        arrays = [np.ones(4000) for _ in range(3000)]  # 96 MB, each below glibc's mmap limit
        kept.append(arrays[-1])  # holds the end of the arena
        arrays.clear()

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    before = resident_mb()

    give_back()

    assert resident_mb() < before - 50.0
    assert kept[0].sum() == 4000.0
