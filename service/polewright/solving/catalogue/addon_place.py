"""Where add-on catalogues are kept, and which of them a run uses."""

from __future__ import annotations

import os
import re
from pathlib import Path

import platformdirs

from polewright.foundation.errors import in_words
from polewright.foundation.language import say
from polewright.solving.catalogue.addon import SUFFIX, AddOn
from polewright.solving.catalogue.catalogue import bundled_catalogue
from polewright.solving.errors import CatalogueUnusable

VARIABLE = "POLEWRIGHT_CATALOGUE"
"""Environment: a folder or file used instead of the user's folder; ``none`` for no add-on."""
NONE = "none"
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,60}")


def default_folder() -> Path:
    """Return the folder that holds add-on catalogues: the environment's, or the user's."""
    given = os.environ.get(VARIABLE, "")
    if given and given != NONE:
        path = Path(given).expanduser()
        return path.parent if path.suffix == SUFFIX else path
    return Path(platformdirs.user_data_dir("polewright")) / "catalogues"


def file_of(name: str, folder: Path | None = None) -> Path:
    """Return the file of a catalogue's name.

    Raises:
        CatalogueUnusable: the name could not be a file's, or not be chosen later.
    """
    if name.lower() == NONE:
        raise CatalogueUnusable(
            name,
            say("the word {none!r} stands for no catalogue", none=NONE),
            say("Give another --name."),
        )
    if name.lower().endswith(SUFFIX):
        raise CatalogueUnusable(
            name,
            say("a name that ends in {suffix} is taken for a file", suffix=SUFFIX),
            say("Leave {suffix} out.", suffix=SUFFIX),
        )
    return _file(name, folder)


def _file(name: str, folder: Path | None) -> Path:
    if not _NAME.fullmatch(name):
        raise CatalogueUnusable(
            name,
            say("a name is letters, digits, dot, dash and underscore, 61 at most"),
            say("Give another --name."),
        )
    return (folder or default_folder()) / f"{name}{SUFFIX}"


def installed(folder: Path | None = None) -> tuple[Path, ...]:
    """Return the files of the catalogues in a folder, sorted by name."""
    where = folder or default_folder()
    return tuple(sorted(where.glob(f"*{SUFFIX}"))) if where.is_dir() else ()


def looked_through(
    folder: Path | None = None,
) -> tuple[tuple[AddOn, ...], tuple[CatalogueUnusable, ...]]:
    """Open all that is installed; return the good ones, and what is wrong with the others."""
    good: list[AddOn] = []
    damaged: list[CatalogueUnusable] = []
    for path in installed(folder):
        try:
            good.append(AddOn(path))
        except CatalogueUnusable as error:
            damaged.append(error)
    return tuple(good), tuple(damaged)


def open_addons(option: str | Path | None) -> tuple[AddOn, ...]:
    """Open the catalogues that a run uses.

    Args:
        option: a file, a folder, ``none``, or None for the environment's or the user's folder.

    Raises:
        CatalogueUnusable: one is missing or damaged.
    """
    given = os.environ.get(VARIABLE) or None if option is None else str(option)
    if given == NONE:
        return ()
    if given is None:
        return tuple(AddOn(path) for path in installed())
    path = Path(given).expanduser()
    if path.is_dir():
        return tuple(AddOn(item) for item in installed(path))
    if option is None and not path.exists():
        return ()  # the folder named in the environment is made by the first build
    if not path.exists() and path.suffix != SUFFIX and path.parent == Path():
        path = file_of(given)  # the name of an installed one
    return (AddOn(path),)


def remove(name: str, folder: Path | None = None) -> Path:
    """Delete an installed catalogue; return the file it was.

    Raises:
        CatalogueUnusable: there is none of that name, or it cannot be deleted.
    """
    path = _file(name, folder)  # also of a name that can be no new one's
    if not path.exists():
        if name == bundled_catalogue().name:
            raise CatalogueUnusable(
                name,
                say("it is the bundled one, which cannot be removed"),
                say("Give an add-on's name."),
            )
        names = ", ".join(item.stem for item in installed(folder))
        raise CatalogueUnusable(
            str(path),
            say("it is not there; installed: {names}", names=names or "none"),
            say("Give one of the names that are installed.")
            if names
            else say("There is nothing to remove."),
        )
    try:
        path.unlink()
    except OSError as exc:
        raise CatalogueUnusable(
            str(path),
            say("it cannot be removed ({exc})", exc=in_words(exc)),
            say("End what uses it, then try again."),
        ) from exc
    return path
