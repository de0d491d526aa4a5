"""Where the configuration is found when nobody names it, and the language it is told in."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import platformdirs

from polewright.foundation.language import FOLLOW_ENVIRONMENT, languages, say

FILE = "polewright.toml"
VARIABLE = "POLEWRIGHT_CONFIG"
NONE = "none"
"""Instead of a file's name: no configuration, wherever one lies."""


@dataclass(frozen=True)
class Found:
    """A configuration file, or none."""

    path: Path | None
    how: str = ""
    """Why this one, as a part of a sentence; empty where it was named, or there is none."""


def users_file() -> Path:
    """Return the file in the user's own folder, which may not exist."""
    return Path(platformdirs.user_config_dir("polewright")) / FILE


def find_config(named: Path | None) -> Found:
    """Return the configuration to use: the one named, else the first that is there.

    After the name come the variable POLEWRIGHT_CONFIG, ``polewright.toml`` in the current folder
    and the one in the user's folder. A file that is named, by either way, need not exist: reading
    it then says so. The word ``none`` is no file.
    """
    if named is not None:
        return Found(None if str(named) == NONE else named)
    if variable := os.environ.get(VARIABLE):
        if variable == NONE:
            return Found(None)
        return Found(Path(variable).expanduser(), say("named by {variable}", variable=VARIABLE))
    here = Path(FILE)
    if here.is_file():
        return Found(here, say("found in this folder"))
    own = users_file()
    return Found(own, say("found in your own folder")) if own.is_file() else Found(None)


def wanted_language(path: Path | None, overrides: Mapping[str, Any]) -> str:
    """Return ``[display] language`` without a check, so that errors are told in it, too.

    What is unreadable or no language gives the environment's; `config_from_file` then says what is
    wrong.
    """
    wanted = overrides.get("display.language")
    if wanted is None and path is not None:
        try:
            display = tomllib.loads(path.read_text(encoding="utf-8-sig")).get("display")
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError):
            return FOLLOW_ENVIRONMENT
        wanted = display.get("language") if isinstance(display, dict) else None
    return wanted if wanted in languages() else FOLLOW_ENVIRONMENT
