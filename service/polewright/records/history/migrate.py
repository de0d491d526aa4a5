"""Brings a database to the layout this version knows."""

from __future__ import annotations

from pathlib import Path

import sqlalchemy as sa

from polewright.records.history.tables import HEAD

FOLDER = Path(__file__).with_name("migrations")
#: Any number will do as long as every polewright takes the same ("pole" in ASCII).
_LOCK = 0x706F6C65


def stamped(connection: sa.Connection) -> str | None:
    """Return the database's revision, None when it is new or empty."""
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()


def upgrade(connection: sa.Connection) -> str | None:
    """Migrate within the connection's transaction: all of it happens or nothing.

    The caller's transaction must hold SQLite's write lock, so that of many processes that find an
    old database one migrates and the others wait; on a server an advisory lock does the same.

    Returns:
        The revision found when this version does not know it, else None.
    """
    # Slow to import, and needed once in the life of a database.
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    if connection.dialect.name == "postgresql":
        connection.execute(sa.text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _LOCK})
    found = stamped(connection)
    if found == HEAD:
        return None
    config = Config()
    config.set_main_option("script_location", str(FOLDER).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    if found is not None and found not in known:
        return found
    command.upgrade(config, "head")
    return None
