"""What can go wrong with the history."""

from __future__ import annotations

from polewright.foundation.errors import ConfigError, ExitCode, PolewrightError, counted


class HistoryUnusable(ConfigError):
    """The database cannot be opened, read or written."""

    code = "history_unusable"
    advice = (
        "Check [history] url, the folder's permissions and free space; [history] enabled = false "
        "runs without a history."
    )

    def __init__(self, url: str, reason: str) -> None:
        super().__init__(url, reason)
        self.url, self.reason = url, reason

    def __str__(self) -> str:
        return f"the history {self.url} is not usable: {self.reason}"


class HistoryKindUnknown(HistoryUnusable):
    """No such kind of database, or no library for it, is known here."""

    advice = (
        "Give [history] url or --url as sqlite:////folder/history.sqlite3 (a file), or as "
        "postgresql+psycopg://user@host/database (a server); left out, it is a file in the "
        "user's data folder."
    )


class HistoryMissing(HistoryUnusable):
    """A history to read is a file that does not exist."""

    code = "history_missing"
    advice = (
        "Check the file's name in --url, [history] url or POLEWRIGHT_HISTORY_URL: three slashes "
        "come before a relative path, four before one from the root. The first run recorded "
        "there, or `polewright history import`, makes the file."
    )

    def __init__(self, url: str, path: str) -> None:
        super().__init__(url, f"there is no file {path}")
        self.args = (url, path)
        self.path = path


class HistoryNewer(ConfigError):
    """A newer version of the program has changed the database's layout."""

    code = "history_newer"
    advice = "Update polewright on this machine, or point [history] url at another database."

    def __init__(self, url: str, found: str, known: str) -> None:
        super().__init__(url, found, known)
        self.url, self.found, self.known = url, found, known

    def __str__(self) -> str:
        return f"the history {self.url} has layout {self.found}; this version knows {self.known}"


class ExtraMissing(ConfigError):
    """A library that comes with an optional extra is not installed."""

    code = "extra_missing"

    def __init__(self, what: str, library: str, extra: str) -> None:
        super().__init__(what, library, extra)
        self.what, self.library, self.extra = what, library, extra
        self.advice = f'Install it with: pip install "polewright[{extra}]"'

    def __str__(self) -> str:
        return f"{self.what} needs the library {self.library}, which is not installed"


class RunUnknown(ConfigError):
    """No run, or more than one, has this id."""

    code = "run_unknown"
    advice = "`polewright history list` shows the runs; the first letters of an id are enough."

    def __init__(self, run_id: str, found: int) -> None:
        super().__init__(run_id, found)
        self.run_id, self.found = run_id, found

    def __str__(self) -> str:
        if self.found:
            return f"{self.found} runs have an id that begins with {self.run_id!r}"
        return f"no run has the id {self.run_id!r}"


class ImportUnreadable(ConfigError):
    """A file to import is not what `polewright history export` writes."""

    code = "import_unreadable"
    advice = "Import JSON lines, as `polewright history export --format jsonl` writes them."

    def __init__(self, path: str, line: int, reason: str) -> None:
        super().__init__(path, line, reason)
        self.path, self.line, self.reason = path, line, reason

    def __str__(self) -> str:
        where = f", line {self.line}," if self.line else ""
        return f"{self.path}{where} cannot be imported: {self.reason}"


class OutputExists(ConfigError):
    """A file to write exists already."""

    code = "output_exists"
    advice = "Give another name, or overwrite it with --force."

    def __init__(self, path: str) -> None:
        super().__init__(path)
        self.path = path

    def __str__(self) -> str:
        return f"{self.path} exists already"


class TooFewRuns(PolewrightError):
    """A trend needs more runs."""

    code = "too_few_runs"
    exit_code = ExitCode.USAGE
    advice = "Measure again on other nights without touching the adjusters."

    def __init__(self, found: int, needed: int) -> None:
        super().__init__(found, needed)
        self.found, self.needed = found, needed

    def __str__(self) -> str:
        return (
            f"{counted(self.found, 'measurement')} since the adjusters were last turned; "
            f"a trend needs {self.needed}"
        )
