"""The database of runs: SQLite in the user's data folder, or any server SQLAlchemy can reach.

A run is one transaction. SQLite works with a write-ahead log and ``synchronous = FULL``: in that
mode ``NORMAL`` could lose the last runs (never the database) when the power fails, and one flush
a run costs nothing (https://www.sqlite.org/pragma.html#pragma_synchronous).
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import platformdirs
import sqlalchemy as sa
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import IntegrityError, NoSuchModuleError, SQLAlchemyError

from polewright.foundation.errors import in_words
from polewright.foundation.language import say
from polewright.records.history.errors import (
    ExtraMissing,
    HistoryKindUnknown,
    HistoryMissing,
    HistoryNewer,
    HistoryUnusable,
    RunUnknown,
)
from polewright.records.history.migrate import stamped, upgrade
from polewright.records.history.rows import measurement_rows, reading_rows, run_row, solve_rows
from polewright.records.history.run_record import RunRecord
from polewright.records.history.tables import HEAD, measurements, readings, runs, solves

URL_VARIABLE = "POLEWRIGHT_HISTORY_URL"
BUSY_S = 30.0
CONNECT_S = 8


def default_folder() -> Path:
    """Return the folder of the history when neither configuration nor environment says."""
    return Path(platformdirs.user_data_dir("polewright"))


def default_url() -> str:
    """Return the database of the environment's variable, or the file in the user's folder."""
    given = os.environ.get(URL_VARIABLE)
    return given or f"sqlite:///{_default_file()}"


def _default_file() -> Path:
    return default_folder() / "history.sqlite3"


def file_missing(url: str | None) -> bool:
    """Whether the history is a file that no run has made yet.

    Raises:
        ValueError, SQLAlchemyError: it is no database URL.
    """
    parts = make_url(url or default_url())
    name = parts.database
    return parts.get_backend_name() == "sqlite" and bool(name) and not Path(str(name)).exists()


@dataclass(frozen=True)
class RunFilter:
    """Which runs; None leaves a thing open."""

    pier: str | None = None
    kind: str | None = None
    since_utc_s: float | None = None
    until_utc_s: float | None = None
    rehearsals: bool = False
    limit: int | None = None

    def clauses(self) -> list[Any]:
        """Conditions for a query on ``runs``."""
        found: list[Any] = []
        if self.pier is not None:
            found.append(runs.c.pier == self.pier)
        if self.kind is not None:
            found.append(runs.c.kind == self.kind)
        if self.since_utc_s is not None:
            found.append(runs.c.started_utc_s >= self.since_utc_s)
        if self.until_utc_s is not None:
            found.append(runs.c.started_utc_s < self.until_utc_s)
        if not self.rehearsals:
            found.append(runs.c.rehearsal.is_(False))
        return found


class History:
    """An open history. Safe to share between threads; any number of processes may have it open.

    Args:
        url: SQLAlchemy URL; `default_url` when None.
        only_read: a file that does not exist is an error, and is not made; the file in the
            user's own folder is made all the same.

    Raises:
        HistoryUnusable: it cannot be opened; says why.
        HistoryKindUnknown: the URL's kind of database is not known here.
        HistoryMissing: there is no such file to read.
        HistoryNewer: a newer version of the program made it.
        ExtraMissing: the server's driver is not installed.
    """

    def __init__(self, url: str | None = None, *, only_read: bool = False) -> None:
        given = url or default_url()
        try:
            self._url = _usable(make_url(given))
        except (SQLAlchemyError, ValueError) as exc:
            # The text may hold a password, so it is not repeated.
            raise HistoryUnusable("[history] url", say("it is no database URL")) from exc
        #: The URL without its password, for messages.
        self.where = self._url.render_as_string(hide_password=True)
        self._engine = self._make_engine(only_read=only_read)
        try:
            with self._told():
                self._bring_up_to_date()
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> History:
        return self

    def __exit__(self, *_exc: object) -> None:
        self.close()

    def close(self) -> None:
        """Close every connection."""
        self._engine.dispose()

    # -- writing -----------------------------------------------------------------------------

    def add(self, record: RunRecord) -> bool:
        """Store a run; when this returns, the disk has it.

        What frames tell of a night takes the place of what fewer of them told before.

        Returns:
            Whether it was new. A run whose id is there already is left as it is.

        Raises:
            HistoryUnusable: it could not be written; nothing of it was.
        """
        with self._told():
            try:
                with self._writing() as connection:
                    if _has(connection, record.run_id):
                        if not _tells_more(connection, record):
                            return False
                        connection.execute(sa.delete(runs).where(runs.c.run_id == record.run_id))
                    connection.execute(sa.insert(runs), run_row(record))
                    for table, rows in (
                        (measurements, measurement_rows(record)),
                        (solves, solve_rows(record)),
                        (readings, reading_rows(record)),
                    ):
                        if rows:
                            connection.execute(sa.insert(table), rows)
            except IntegrityError:
                # Another process stored the same run between the look and the insert.
                with self._engine.begin() as connection:
                    if _has(connection, record.run_id):
                        return False
                raise
        return True

    # -- reading -----------------------------------------------------------------------------

    def get(self, run_id: str) -> RunRecord:
        """Return the run with this id, or with the only id that begins so.

        Raises:
            RunUnknown: there is none, or more than one.
        """
        with self._told(), self._engine.begin() as connection:
            exact = connection.execute(
                sa.select(runs.c.document).where(runs.c.run_id == run_id)
            ).scalar_one_or_none()
            if exact is not None:
                return RunRecord.model_validate(exact)
            found = (
                connection.execute(
                    sa.select(runs.c.document)
                    .where(runs.c.run_id.startswith(run_id, autoescape=True))
                    .limit(20)
                )
                .scalars()
                .all()
            )
        if len(found) != 1 or not run_id:
            raise RunUnknown(run_id, len(found))
        return RunRecord.model_validate(found[0])

    def list_runs(self, wanted: RunFilter | None = None) -> list[dict[str, Any]]:
        """Return the runs' columns, newest first, with those of their last measurement."""
        wanted = wanted or RunFilter()
        last = (
            sa.select(measurements.c.run_id, sa.func.max(measurements.c.number).label("number"))
            .group_by(measurements.c.run_id)
            .subquery()
        )
        columns = [column for column in runs.c if column.name != "document"]
        kept = ("utc_s", "d_alt_arcmin", "d_az_sky_arcmin", "total_arcmin", "upper95_arcmin")
        query = (
            sa.select(
                *columns,
                last.c.number.label("sweeps"),
                *(measurements.c[name] for name in kept),
                measurements.c.within_tolerance,
            )
            .select_from(
                runs.outerjoin(last, last.c.run_id == runs.c.run_id).outerjoin(
                    measurements,
                    sa.and_(
                        measurements.c.run_id == last.c.run_id,
                        measurements.c.number == last.c.number,
                    ),
                )
            )
            .where(*wanted.clauses())
            .order_by(runs.c.started_utc_s.desc(), runs.c.run_id)
        )
        if wanted.limit is not None:
            query = query.limit(wanted.limit)
        return self._rows(query)

    def list_measurements(self, wanted: RunFilter | None = None) -> list[dict[str, Any]]:
        """Return every measurement of the runs wanted, oldest first, with its run's columns."""
        wanted = wanted or RunFilter()
        columns = [column for column in runs.c if column.name != "document"]
        own = [column for column in measurements.c if column.name != "run_id"]
        query = (
            sa.select(*columns, *own)
            .join(measurements, measurements.c.run_id == runs.c.run_id)
            .where(*wanted.clauses())
            .order_by(measurements.c.utc_s, runs.c.run_id, measurements.c.number)
        )
        return self._rows(query)

    def count_runs(self, wanted: RunFilter | None = None) -> int:
        """Return how many runs there are, whatever the filter's limit."""
        wanted = wanted or RunFilter()
        query = sa.select(sa.func.count().label("runs")).select_from(runs).where(*wanted.clauses())
        return int(self._rows(query)[0]["runs"])

    def piers(self, *, rehearsals: bool = False) -> list[str]:
        """Return the names of the piers that have runs; those of rehearsals only if asked for."""
        wanted = RunFilter(rehearsals=rehearsals)
        query = sa.select(runs.c.pier).where(*wanted.clauses()).distinct().order_by("pier")
        return [row["pier"] for row in self._rows(query)]

    def records(self, wanted: RunFilter | None = None) -> Iterator[RunRecord]:
        """Yield whole runs, oldest first."""
        wanted = wanted or RunFilter()
        query = (
            sa.select(runs.c.run_id)
            .where(*wanted.clauses())
            .order_by(runs.c.started_utc_s, runs.c.run_id)
        )
        for row in self._rows(query):
            yield self.get(row["run_id"])

    def _rows(self, query: sa.Select[Any]) -> list[dict[str, Any]]:
        with self._told(), self._engine.begin() as connection:
            return [dict(row) for row in connection.execute(query).mappings()]

    # -- the database ------------------------------------------------------------------------

    def _make_engine(self, *, only_read: bool) -> sa.Engine:
        sqlite = self._url.get_backend_name() == "sqlite"
        arguments: dict[str, Any] = {"timeout": BUSY_S} if sqlite else {}
        library = self._url.drivername
        try:
            library = self._url.get_driver_name()
            if library == "psycopg":
                arguments = {"connect_timeout": CONNECT_S}
            engine = sa.create_engine(
                self._url, connect_args=arguments, pool_pre_ping=not sqlite, hide_parameters=True
            )
        except NoSuchModuleError as exc:
            kind = say(
                "the kind of database {drivername!r} is unknown here",
                drivername=self._url.drivername,
            )
            raise HistoryKindUnknown(self.where, kind) from exc
        except ImportError as exc:
            if library == "psycopg":
                raise ExtraMissing(
                    say("the history {where}", where=self.where), library, "postgres"
                ) from exc
            missing = exc.name or library
            raise HistoryKindUnknown(
                self.where,
                say("it needs the library {missing}, which is not installed", missing=missing),
            ) from exc
        except SQLAlchemyError as exc:
            raise HistoryUnusable(self.where, _first_line(exc)) from exc
        if sqlite:
            if only_read:
                _must_exist(self._url, self.where)
            _make_folder(self._url, self.where)
            _set_up_sqlite(engine)
        return engine

    def _bring_up_to_date(self) -> None:
        with self._engine.begin() as connection:
            found = stamped(connection)
        if found == HEAD:
            return
        with self._writing() as connection:
            found = upgrade(connection)
        if found is not None:
            raise HistoryNewer(self.where, found, HEAD)

    @contextmanager
    def _writing(self) -> Iterator[sa.Connection]:
        """A transaction that holds SQLite's write lock from its beginning.

        One that begins by reading and then writes would fail, not wait, when another process
        has written meanwhile.
        """
        engine = self._engine.execution_options(polewright_write=True)
        with engine.begin() as connection:
            yield connection

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Turn the library's errors into one that tells what to do."""
        try:
            yield
        except SQLAlchemyError as exc:
            raise HistoryUnusable(self.where, _first_line(exc)) from exc


def _has(connection: sa.Connection, run_id: str) -> bool:
    query = sa.select(runs.c.run_id).where(runs.c.run_id == run_id)
    return connection.execute(query).first() is not None


def _tells_more(connection: sa.Connection, record: RunRecord) -> bool:
    """Whether a night's frames are as many as those that the history has of it, and differ."""
    if record.passive is None:
        return False
    query = sa.select(runs.c.document).where(runs.c.run_id == record.run_id)
    before = (connection.execute(query).scalar_one().get("passive") or {}).get("frames", 0)
    return record.passive.frames >= int(before)


def _first_line(error: SQLAlchemyError) -> str:
    cause = getattr(error, "orig", None) or error
    lines: Sequence[str] = str(cause).strip().splitlines()
    return lines[0] if lines else type(error).__name__


def _usable(url: URL) -> URL:
    if url.drivername in ("postgresql", "postgres"):
        return url.set(drivername="postgresql+psycopg")
    return url


def _must_exist(url: URL, where: str) -> None:
    name = url.database
    if not name or name.startswith((":memory:", "file:")) or Path(name) == _default_file():
        return
    try:
        Path(name).stat()
    except (FileNotFoundError, NotADirectoryError) as exc:
        raise HistoryMissing(where, name) from exc
    except OSError as exc:
        raise HistoryUnusable(where, in_words(exc)) from exc


def _make_folder(url: URL, where: str) -> None:
    if url.database and url.database != ":memory:":
        try:
            Path(url.database).expanduser().parent.mkdir(parents=True, exist_ok=True)
        except OSError as exc:
            raise HistoryUnusable(where, str(exc)) from exc


def _set_up_sqlite(engine: sa.Engine) -> None:
    @sa.event.listens_for(engine, "connect")
    def _connected(connection: Any, _record: Any) -> None:
        # Transactions begin where we say (below), not where the driver guesses.
        connection.isolation_level = None
        cursor = connection.cursor()
        # On a folder that cannot share memory (some network drives) this stays a rollback
        # journal, which is as safe.
        cursor.execute("PRAGMA journal_mode = WAL")
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.close()

    @sa.event.listens_for(engine, "begin")
    def _begun(connection: sa.Connection) -> None:
        writes = connection.get_execution_options().get("polewright_write", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
