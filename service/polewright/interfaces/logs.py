"""The log of unattended work: one JSON document a line, rotated, without secrets."""

from __future__ import annotations

import contextlib
import logging
import re
import sys
from collections.abc import Callable, Iterator, MutableMapping
from contextlib import contextmanager
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import Any

import structlog

from polewright.foundation.config import LogSection
from polewright.foundation.errors import ConfigError, full_or_read_only, in_words
from polewright.foundation.plain_text import plain
from polewright.records.events import Event, Progress

NAME = "polewright"
HIDDEN = "(hidden)"
MAX_BYTES, KEPT_FILES = 10_000_000, 5
"""Size at which a new file is begun, and old ones kept: some hundred nights, and a small card holds
it (own choice)."""
#: Values of keys like these, and of such parts of an address, are never written.
_SECRET_KEY = re.compile(r"(token|password|passwd|secret|authorization|api_?key|cookie)", re.I)
_IN_TEXT = (
    re.compile(r"((?:token|password|passwd|secret|api_?key|key)=)[^\s&\"']+", re.I),
    re.compile(r"(#t(?:oken)?=)[^\s\"']+", re.I),
    re.compile(r"(Bearer\s+)[A-Za-z0-9._~+/=-]+", re.I),
    re.compile(r"(://[^/\s:@]+:)[^/\s@]+(?=@)"),
)


class LogNotWritable(ConfigError):
    """The log file cannot be opened."""

    code = "log_not_writable"
    advice = "Correct [log] file: the folder must exist or be one that may be made."

    def __init__(self, path: str, reason: str) -> None:
        super().__init__(path, reason)
        self.path, self.reason = path, reason

    def __str__(self) -> str:
        return f"the log {self.path} cannot be written: {self.reason}"


_run = ""
"""Id of the run that goes on in this process; a process has one at a time."""


def set_run(run_id: str) -> None:
    """Have every line of the log carry this id from now on; empty: none."""
    global _run  # noqa: PLW0603 - lines come from every thread, and from other libraries
    _run = run_id


def _with_run(_logger: Any, _method: str, entry: MutableMapping[str, Any]) -> Any:
    if _run:
        entry["run"] = _run
    return entry


def without_secrets(value: Any) -> Any:
    """Return a value with every secret part replaced, and plain; mappings and lists, too."""
    if isinstance(value, str):
        for pattern in _IN_TEXT:
            value = pattern.sub(rf"\1{HIDDEN}", value)
        return plain(value, lines=True)
    if isinstance(value, dict):
        return {
            key: HIDDEN if _SECRET_KEY.search(str(key)) else without_secrets(item)
            for key, item in value.items()
        }
    if isinstance(value, list | tuple):
        return [without_secrets(item) for item in value]
    return value


def _clean(_logger: Any, _method: str, entry: MutableMapping[str, Any]) -> dict[str, Any]:
    cleaned: dict[str, Any] = without_secrets(dict(entry))
    return cleaned


class _File(RotatingFileHandler):
    """A log file. That its disk takes no line is told once, and each further line is tried."""

    def __init__(self, path: Path, tell: Callable[[str], None]) -> None:
        super().__init__(
            path,
            maxBytes=MAX_BYTES,
            backupCount=KEPT_FILES,
            encoding="utf-8",
            delay=True,
        )
        self._tell: Callable[[str], None] | None = tell

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - logging's name
        """Tell in words instead of a traceback a line."""
        error = sys.exc_info()[1]
        if not isinstance(error, OSError):
            super().handleError(record)
            return
        tell, self._tell = self._tell, None
        if tell is not None:
            told = LogNotWritable(self.baseFilename, in_words(error, told=Path(self.baseFilename)))
            tell(f"{told}. The run goes on; lines of the log are lost.")

    def close(self) -> None:
        """Close the file, whatever its disk says to the last lines."""
        with contextlib.suppress(OSError):
            super().close()


def _ignore(_sentence: str) -> None:
    """Tell nobody."""


def start_log(
    section: LogSection, tell: Callable[[str], None] = _ignore
) -> structlog.stdlib.BoundLogger:
    """Begin the log that the configuration asks for and return a logger.

    What the standard library's loggers say goes to the same file, warnings and worse.

    Args:
        section: what the configuration says.
        tell: takes a sentence when the file's place is full or read-only; the run goes on.

    Raises:
        LogNotWritable: the file's path is wrong.
    """
    shared: list[structlog.typing.Processor] = [
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.format_exc_info,
        _with_run,
        _clean,
    ]
    structlog.configure(
        processors=[*shared, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=False,
    )
    root, own = logging.getLogger(), logging.getLogger(NAME)
    if section.file is None:
        own.addHandler(logging.NullHandler())
    else:
        path = Path(section.file).expanduser()
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.open("a").close()
        except OSError as exc:
            if not full_or_read_only(exc):
                raise LogNotWritable(section.file, in_words(exc)) from exc
        handler = _File(path, tell)
        handler.setFormatter(
            structlog.stdlib.ProcessorFormatter(
                foreign_pre_chain=shared,
                processors=[
                    structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                    structlog.processors.JSONRenderer(default=str),
                ],
            )
        )
        root.addHandler(handler)
        own.setLevel(logging.INFO)
    logger: structlog.stdlib.BoundLogger = structlog.stdlib.get_logger(NAME)
    return logger


@contextmanager
def logging_to(
    section: LogSection, tell: Callable[[str], None] = _ignore
) -> Iterator[structlog.stdlib.BoundLogger]:
    """Log during the block, as `start_log` says."""
    try:
        yield start_log(section, tell)
    finally:
        end_log()


def end_log() -> None:
    """Close what `start_log` opened."""
    set_run("")
    for handler in list(logging.getLogger().handlers):
        if isinstance(handler, RotatingFileHandler):
            logging.getLogger().removeHandler(handler)
            handler.close()


def logged_event(logger: structlog.stdlib.BoundLogger, event: Event) -> None:
    """Write an event of a run by its own name; progress is left out."""
    if not isinstance(event, Progress):
        fields = {key: value for key, value in event.to_dict().items() if key != "kind"}
        logger.info(event.kind, **fields)
