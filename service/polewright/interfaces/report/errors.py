"""What can go wrong with a report."""

from __future__ import annotations

from polewright.foundation.errors import ConfigError
from polewright.foundation.language import say


class NothingToReport(ConfigError):
    """The run came to no measurement."""

    code = "nothing_to_report"
    advice = say("Choose a run that measured the axis: `polewright history list` shows them.")

    def __init__(self, run_id: str) -> None:
        super().__init__(run_id)
        self.run_id = run_id

    def __str__(self) -> str:
        return say("run {run_id} came to no measurement", run_id=self.run_id)


class ResultUnreadable(ConfigError):
    """A file is neither a measurement nor a run."""

    code = "result_unreadable"
    advice = say(
        "Give what `polewright measure --json` or `polewright history show --json` prints."
    )

    def __init__(self, path: str, reason: str) -> None:
        super().__init__(path, reason)
        self.path, self.reason = path, reason

    def __str__(self) -> str:
        return say("{path} cannot be reported: {reason}", path=self.path, reason=self.reason)
