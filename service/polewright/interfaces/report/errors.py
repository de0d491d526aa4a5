"""What can go wrong with a report."""

from __future__ import annotations

from polewright.foundation.errors import ConfigError


class NothingToReport(ConfigError):
    """The run came to no measurement."""

    code = "nothing_to_report"
    advice = "Choose a run that measured the axis: `polewright history list` shows them."

    def __init__(self, run_id: str) -> None:
        super().__init__(run_id)
        self.run_id = run_id

    def __str__(self) -> str:
        return f"run {self.run_id} came to no measurement"


class ResultUnreadable(ConfigError):
    """A file is neither a measurement nor a run."""

    code = "result_unreadable"
    advice = "Give what `polewright measure --json` or `polewright history show --json` prints."

    def __init__(self, path: str, reason: str) -> None:
        super().__init__(path, reason)
        self.path, self.reason = path, reason

    def __str__(self) -> str:
        return f"{self.path} cannot be reported: {self.reason}"
