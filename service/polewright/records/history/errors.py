"""What can go wrong with the history."""

from __future__ import annotations

from polewright.foundation.errors import ConfigError, ExitCode, PolewrightError
from polewright.foundation.language import say, say_count


class HistoryUnusable(ConfigError):
    """The database cannot be opened, read or written."""

    code = "history_unusable"
    advice = say(
        "Check [history] url, the folder's permissions and free space; [history] enabled "
        "= false runs without a history."
    )

    def __init__(self, url: str, reason: str) -> None:
        super().__init__(url, reason)
        self.url, self.reason = url, reason

    def __str__(self) -> str:
        return say("the history {url} is not usable: {reason}", url=self.url, reason=self.reason)


class HistoryKindUnknown(HistoryUnusable):
    """No such kind of database, or no library for it, is known here."""

    advice = say(
        "Give [history] url or --url as sqlite:////folder/history.sqlite3 (a file), or "
        "as postgresql+psycopg://user@host/database (a server); left out, it is a file "
        "in the user's data folder."
    )


class HistoryMissing(HistoryUnusable):
    """A history to read is a file that does not exist."""

    code = "history_missing"
    advice = say(
        "Check the file's name in --url, [history] url or POLEWRIGHT_HISTORY_URL: three "
        "slashes come before a relative path, four before one from the root. The first "
        "run recorded there, or `polewright history import`, makes the file."
    )

    def __init__(self, url: str, path: str) -> None:
        super().__init__(url, say("there is no file {path}", path=path))
        self.args = (url, path)
        self.path = path


class HistoryNewer(ConfigError):
    """A newer version of the program has changed the database's layout."""

    code = "history_newer"
    advice = say("Update polewright on this machine, or point [history] url at another database.")

    def __init__(self, url: str, found: str, known: str) -> None:
        super().__init__(url, found, known)
        self.url, self.found, self.known = url, found, known

    def __str__(self) -> str:
        return say(
            "the history {url} has layout {found}; this version knows {known}",
            url=self.url,
            found=self.found,
            known=self.known,
        )


class ExtraMissing(ConfigError):
    """A library that comes with an optional extra is not installed."""

    code = "extra_missing"

    def __init__(self, what: str, library: str, extra: str) -> None:
        super().__init__(what, library, extra)
        self.what, self.library, self.extra = what, library, extra
        self.advice = say('Install it with: pip install "polewright[{extra}]"', extra=extra)

    def __str__(self) -> str:
        return say(
            "{task} needs the library {library}, which is not installed",
            task=self.what,
            library=self.library,
        )


class RunUnknown(ConfigError):
    """No run, or more than one, has this id."""

    code = "run_unknown"
    advice = say("`polewright history list` shows the runs; the first letters of an id are enough.")

    def __init__(self, run_id: str, found: int) -> None:
        super().__init__(run_id, found)
        self.run_id, self.found = run_id, found

    def __str__(self) -> str:
        if self.found:
            return say(
                "{found} runs have an id that begins with {run_id!r}",
                found=self.found,
                run_id=self.run_id,
            )
        return say("no run has the id {run_id!r}", run_id=self.run_id)


class ImportUnreadable(ConfigError):
    """A file to import is not what `polewright history export` writes."""

    code = "import_unreadable"
    advice = say("Import JSON lines, as `polewright history export --format jsonl` writes them.")

    def __init__(self, path: str, line: int, reason: str) -> None:
        super().__init__(path, line, reason)
        self.path, self.line, self.reason = path, line, reason

    def __str__(self) -> str:
        where = say(", line {line},", line=self.line) if self.line else ""
        return say(
            "{path}{where} cannot be imported: {reason}",
            path=self.path,
            where=where,
            reason=self.reason,
        )


class TooFewRuns(PolewrightError):
    """A trend needs more runs."""

    code = "too_few_runs"
    exit_code = ExitCode.USAGE
    advice = say("Measure again on other nights without touching the adjusters.")

    def __init__(self, found: int, needed: int) -> None:
        super().__init__(found, needed)
        self.found, self.needed = found, needed

    def __str__(self) -> str:
        return say_count(
            "{count} measurement since the adjusters were last turned; a trend needs {needed}",
            "{count} measurements since the adjusters were last turned; a trend needs {needed}",
            self.found,
            needed=self.needed,
        )
