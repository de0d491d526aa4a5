"""Changes keys of a configuration file and leaves every other character as it was."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AbstractTable

from polewright.foundation.config import BadConfig, config_from_text
from polewright.foundation.errors import in_words
from polewright.foundation.files import write_whole as replace_file
from polewright.foundation.language import say
from polewright.interfaces.rig_setup.errors import FileChangedMeanwhile, ProfileNotWritten


def read_text(path: Path) -> str:
    """Return the file's text, empty when there is none. Raises `BadConfig`."""
    try:
        return path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        return ""
    except (OSError, UnicodeDecodeError) as exc:
        raise BadConfig(str(path), [say("cannot be read: {exc}", exc=in_words(exc))]) from exc


def with_changes(text: str, changes: Mapping[str, Any], source: str) -> str:
    """Return the text with values (by dotted key) set; comments, order and the rest stay.

    Values that are there already are not touched, so their spelling stays too.

    Raises:
        BadConfig: the text is no configuration, before or after.
    """
    config_from_text(text, source=source)
    mark = text[:1] if text.startswith("\ufeff") else ""
    try:
        document = tomlkit.parse(text[len(mark) :])
    except TOMLKitError as exc:
        raise BadConfig(source, [say("not valid TOML: {exc}", exc=exc)]) from exc
    for dotted, value in changes.items():
        *tables, key = dotted.split(".")
        table: Any = document
        for name in tables:
            if name not in table:
                fresh = tomlkit.table(is_super_table=False)
                if isinstance(table, AbstractTable) or table is document:
                    table[name] = fresh
            table = table[name]
        if key not in table or table[key] != value:
            table[key] = value
    after = mark + tomlkit.dumps(document)
    config_from_text(after, source=say("{source} as it would become", source=source))
    return after


def difference(before: str, after: str, name: str) -> str:
    """Return what would change, as a unified diff; empty when nothing would."""
    return "".join(
        difflib.unified_diff(
            before.splitlines(keepends=True),
            after.splitlines(keepends=True),
            say("{name} (now)", name=name),
            say("{name} (new)", name=name),
            n=2,
        )
    )


def write_whole(path: Path, before: str, after: str) -> None:
    """Replace the file in one step: a crash leaves the old one or the new one, never half of one.

    Raises:
        FileChangedMeanwhile: the file is no longer what was read.
        ProfileNotWritten: it cannot be written; the old file is untouched.
    """
    if read_text(path) != before:
        raise FileChangedMeanwhile(str(path))
    try:
        replace_file(path, after.encode())
    except OSError as exc:
        raise ProfileNotWritten(str(path), str(exc)) from exc
