"""The benchmarks can at least be started: what they import is there."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

import pytest

BENCH = Path(__file__).resolve().parent / "bench"


@pytest.mark.parametrize("name", sorted(path.stem for path in BENCH.glob("*.py")))
def test_a_benchmark_finds_what_it_imports(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """None does anything before `main` is called."""
    monkeypatch.syspath_prepend(str(BENCH))
    before = set(sys.modules)
    try:
        module = importlib.import_module(name)
    finally:
        for other in set(sys.modules) - before:
            if getattr(sys.modules[other], "__file__", None) and str(BENCH) in str(
                sys.modules[other].__file__
            ):
                del sys.modules[other]
    assert module.__doc__
