"""Every message of the product in one list, made from the code.

    .venv/bin/python tests/tools/messages.py               # write the list; bring each .po up to it
    .venv/bin/python tests/tools/messages.py --list        # print the messages, by file
    .venv/bin/python tests/tools/messages.py --missing de  # print what a language lacks

Messages are the literal arguments of `say` and `say_count`, in Python and in the page's JavaScript,
the texts of the page's HTML, and what `--help` shows: help of options, docstrings of commands by
paragraph, descriptions of settings.
"""

from __future__ import annotations

import argparse
import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from itertools import chain
from pathlib import Path
from string import Formatter

import polib

from polewright.interfaces.cli.app import COMMANDS
from polewright.interfaces.cli.spoken_help import paragraph_of

ROOT = Path(__file__).resolve().parents[2]
SERVICE = ROOT / "service"
LANGUAGES = SERVICE / "polewright" / "foundation" / "languages"
TEMPLATE = LANGUAGES / "polewright.pot"
#: Commands that come with the product by entry point, and where they are.
PLUG_INS = dict.fromkeys(("simulate", "simulate_night"), "simulators/polewright_sim/command.py")
_WITH_HELP = (
    *(ROOT / name for name in set(PLUG_INS.values())),
    SERVICE / "polewright/foundation/config.py",
    SERVICE / "polewright/foundation/adjuster_profile.py",
)
#: Attributes of HTML elements that a person reads or hears.
SPOKEN_ATTRIBUTES = ("aria-label", "alt", "title", "placeholder")
#: Elements whose texts are not read.
_SILENT = ("script", "style")


@dataclass
class Message:
    """One message, and where it stands."""

    text: str
    plural: str = ""
    files: set[str] = field(default_factory=set)


class NoLiteral(Exception):
    """A call of `say` whose template is not a literal: no catalogue can have it."""


def _python(path: Path) -> Iterator[tuple[str, str]]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name):
            continue
        wanted = {"say": 1, "say_count": 2}.get(node.func.id, 0)
        if not wanted:
            continue
        texts = [
            arg.value
            for arg in node.args[:wanted]
            if isinstance(arg, ast.Constant) and isinstance(arg.value, str)
        ]
        if len(texts) != wanted:
            raise NoLiteral(f"{path}:{node.lineno}")
        yield texts[0], texts[1] if wanted > 1 else ""


def _help(path: Path) -> Iterator[tuple[str, str]]:
    """What typer makes help of: keywords of calls, and docstrings of commands."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            for keyword in node.keywords:
                text = keyword.value
                if keyword.arg in ("help", "description") and isinstance(text, ast.Constant):
                    yield paragraph_of(str(text.value)), ""
        elif isinstance(node, ast.FunctionDef) and _is_command(node):
            for piece in (ast.get_docstring(node) or "").split("\n\n"):
                yield paragraph_of(piece), ""


def _is_command(function: ast.FunctionDef) -> bool:
    named = {where.partition(":")[2] for where, _told in COMMANDS.values()}
    decorators = map(ast.unparse, function.decorator_list)
    return function.name in (*named, *PLUG_INS) or any(".command(" in one for one in decorators)


_JS_TEXT = r'"((?:[^"\\]|\\.)*)"'
_JS_CALL = re.compile(rf"\b(say|sayCount)\(\s*(?:{_JS_TEXT}(?:\s*,\s*{_JS_TEXT})?)?")


def _javascript(path: Path) -> Iterator[tuple[str, str]]:
    text = path.read_text(encoding="utf-8")
    for match in _JS_CALL.finditer(text):
        before = text[: match.start()].rstrip()
        if before.endswith(("function", ".")):
            continue
        kind, one, many = match.groups()
        if one is None or (kind == "sayCount" and many is None):
            raise NoLiteral(f"{path}:{text.count(chr(10), 0, match.start()) + 1}")
        yield _unescaped(one), _unescaped(many) if kind == "sayCount" else ""


def _unescaped(text: str) -> str:
    return text.replace('\\"', '"').replace("\\n", "\n").replace("\\\\", "\\")


class _Texts(HTMLParser):
    """The texts between tags and in spoken attributes, each with single spaces."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self._inside = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._inside = tag
        for name, value in attrs:
            if name in SPOKEN_ATTRIBUTES:
                self._take(value or "")

    def handle_endtag(self, tag: str) -> None:
        self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside not in _SILENT:
            self._take(data)

    def _take(self, text: str) -> None:
        text = " ".join(text.split())
        if sum(letter.isalpha() for letter in text) > 1 and text != "Polewright":
            self.found.append(text)


def _html(path: Path) -> Iterator[tuple[str, str]]:
    parser = _Texts()
    parser.feed(path.read_text(encoding="utf-8"))
    for text in parser.found:
        yield text, ""


def messages() -> dict[str, Message]:
    """Return all messages by their text, in the order of files.

    Raises:
        NoLiteral: a template is put together at run time.
    """
    readers = {".py": _python, ".js": _javascript, ".html": _html}
    found: dict[str, Message] = {}
    for path in (*sorted(SERVICE.rglob("*")), *(ROOT / name for name in set(PLUG_INS.values()))):
        if path.suffix not in readers or path.name == "language.py":
            continue
        told = readers[path.suffix](path)
        if path.parent.name == "cli" or path in _WITH_HELP:
            told = chain(told, _help(path))
        for text, plural in told:
            if not _letters(text):
                continue  # such as "{where}: {what}": nothing to translate
            message = found.setdefault(text, Message(text))
            message.plural = message.plural or plural
            message.files.add(path.relative_to(ROOT).as_posix().removeprefix("service/"))
    return found


def _letters(template: str) -> int:
    literals = [literal for literal, *_rest in Formatter().parse(template)]
    return sum(letter.isalpha() for literal in literals for letter in literal)


def _entry(message: Message) -> polib.POEntry:
    places = [(name, "") for name in sorted(message.files)]
    if message.plural:
        forms = {0: "", 1: ""}
        return polib.POEntry(
            msgid=message.text,
            msgid_plural=message.plural,
            msgstr_plural=forms,
            occurrences=places,
        )
    return polib.POEntry(msgid=message.text, occurrences=places)


def template() -> polib.POFile:
    """Return the list of all messages, as it has to stand in the repository."""
    made = polib.POFile(wrapwidth=0)
    made.metadata = {
        "Project-Id-Version": "polewright",
        "Content-Type": "text/plain; charset=UTF-8",
        "Content-Transfer-Encoding": "8bit",
    }
    made.extend(_entry(message) for message in messages().values())
    return made


def catalogues() -> dict[str, Path]:
    """Return the file of each translation, by its code."""
    return {path.stem: path for path in sorted(LANGUAGES.glob("*.po"))}


def _read(path: Path) -> polib.POFile:
    return polib.pofile(path.read_text(encoding="utf-8"), wrapwidth=0)


def _bring_up_to(new: polib.POFile, path: Path) -> None:
    old = {entry.msgid: entry for entry in _read(path)}
    merged = polib.POFile(wrapwidth=0)
    merged.metadata = _read(path).metadata
    for entry in new:
        was = old.get(entry.msgid)
        made = polib.POEntry(
            msgid=entry.msgid,
            msgid_plural=entry.msgid_plural,
            msgstr=was.msgstr if was else "",
            msgstr_plural=dict((was and was.msgstr_plural) or entry.msgstr_plural),
            occurrences=entry.occurrences,
        )
        merged.append(made)
    merged.save(str(path), newline="\n")


def untranslated(code: str) -> list[str]:
    """Return the messages that a language lacks."""
    return [
        entry.msgid
        for entry in _read(catalogues()[code])
        if not entry.msgstr and not all(entry.msgstr_plural.values() or [""])
    ]


def main() -> None:
    """Write, list, or say what is missing."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--missing", metavar="CODE")
    asked = parser.parse_args()
    if asked.list:
        for message in messages().values():
            print(f"{', '.join(sorted(message.files))}\n    {message.text}")
        return
    if asked.missing:
        print("\n".join(untranslated(asked.missing)))
        return
    new = template()
    new.save(str(TEMPLATE), newline="\n")
    for code, path in catalogues().items():
        _bring_up_to(new, path)
        print(f"{code}: {len(new)} messages, {len(untranslated(code))} without translation")


if __name__ == "__main__":
    main()
