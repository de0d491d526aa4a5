"""What a solver says while it works, passed on to whoever listens to the run."""

from __future__ import annotations

from collections.abc import Callable

from polewright.observing.rig.background_task import tell_in_run


class SolverWords:
    """Tells a solver's sentences in the run's own thread."""

    def __init__(self) -> None:
        self.tell: Callable[[str], None] = lambda _sentence: None
        """Who is told; set by whoever makes the rig."""

    def __call__(self, sentence: str) -> None:
        """Pass a sentence on."""
        tell_in_run(lambda: self.tell(sentence))
