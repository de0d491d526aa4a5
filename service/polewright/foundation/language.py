"""Every sentence that a person reads: English here, other languages from a catalogue.

`say` makes a `Sentence`: an English string that remembers the template and the values it was made
of. Journals, results and logs store it as the English text it is. Whoever shows it (terminal,
page, report, notifications) calls `translated` with the reader's language, so that one session can
be followed in several languages at a time. What was stored and read again has only its text left;
`translated` then finds the template that fits the text.

A language is a file: ``languages/<code>.po`` (gettext). Its list of messages is
``languages/polewright.pot``, which `tests/tools/messages.py` makes from the code.
"""

from __future__ import annotations

import gettext
import io
import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache, lru_cache
from importlib.resources import files
from string import Formatter
from typing import Any

ENGLISH = "en"
FOLLOW_ENVIRONMENT = "auto"
#: A template with fewer letters of its own fits too many texts to be recognised in them.
LEAST_LETTERS = 4
#: A text of more lines or sentences is not one of ours put together: it is shown as it is.
MOST_PARTS = 12
#: Templates are not tried on a longer text (ours have 290 at most, before they are filled): one of
#: six fields takes up to 0.04 s for 600 characters that just fail to fit, and 30 s for 2000.
MOST_CHARACTERS = 600
_NUMBER = r"[-+−]?(?:\d[\d,]*(?:\.\d+)?(?:e[-+]?\d+)?|nan|inf) ?%?"


class Sentence(str):
    """An English sentence that can still be translated."""

    template: str
    plural: str | None
    number: int
    then: Callable[[str], str]
    values: Mapping[str, object]

    def __new__(  # noqa: D102 - the class says it
        cls,
        text: str,
        template: str = "",
        values: Mapping[str, object] | None = None,
        plural: str | None = None,
        count: int = 1,
        then: Callable[[str], str] = str,
    ) -> Sentence:
        self = super().__new__(cls, text)
        self.template = template
        self.values = values or {}
        self.plural = plural
        self.number = count
        self.then = then
        return self

    def __str__(self) -> str:
        """Return itself: what passes through an exception keeps its template."""
        return self

    def strip(self, chars: str | None = None, /) -> str:
        """Return the sentence without spaces at its ends, in every language."""
        stripped = super().strip(chars)
        if stripped == self:
            return self
        return Sentence(stripped, "{part}", {"part": self}, then=lambda text: text.strip(chars))

    def __add__(self, other: str) -> str:
        return joined("", (self, other))

    def __radd__(self, other: str) -> str:
        return joined("", (other, self))


def say(template: str, /, **values: object) -> str:
    """Return a sentence; ``template`` is a literal as for `str.format`, with named fields only."""
    return Sentence(template.format(**values), template, values)


def say_count(one: str, many: str, /, count: int, **values: object) -> str:
    """Return ``one`` or ``many``, by ``count``, which both may show as ``{count}``."""
    values["count"] = count
    return Sentence((one if count == 1 else many).format(**values), one, values, many, count)


def joined(separator: str, parts: Iterable[str]) -> str:
    """Join sentences as `str.join` does; each part is translated by itself."""
    found = tuple(parts)
    values = {f"part{index}": part for index, part in enumerate(found)}
    template = (
        separator.replace("{", "{{").replace("}", "}}").join(f"{{{name}}}" for name in values)
    )
    return Sentence(separator.join(found), template, values)


def capitalised(sentence: str) -> str:
    """Return a sentence with its first letter large, in every language."""
    return Sentence(_large(sentence), "{part}", {"part": sentence}, then=_large)


def _large(text: str) -> str:
    return text[:1].upper() + text[1:]


class _AsItIs(str):
    """A value that has its final form: a field's format is not applied to it again."""

    def __format__(self, _spec: str) -> str:
        return str.__str__(self)


class _Shown(_AsItIs):
    """A value that a stored sentence shows: its quotes are there already."""

    def __repr__(self) -> str:
        return str.__str__(self)


class Catalogue:
    """One language."""

    def __init__(self, code: str) -> None:
        """Read ``languages/<code>.po``."""
        import polib

        self.code = code
        path = _folder() / f"{code}.po"
        entries = polib.pofile(path.read_text(encoding="utf-8"), encoding="utf-8")
        self._table = gettext.GNUTranslations(io.BytesIO(entries.to_binary()))
        self._exact = {entry.msgid: entry.msgstr for entry in entries if not entry.msgid_plural}
        self._page = {
            entry.msgid: [entry.msgstr_plural[key] for key in sorted(entry.msgstr_plural)]
            if entry.msgid_plural
            else entry.msgstr
            for entry in entries
            if any(name.endswith((".js", ".html")) for name, _line in entry.occurrences)
        }
        texts = [
            (text, entry)
            for entry in entries
            for text in (entry.msgid, entry.msgid_plural)
            if text and "{" in text
        ]
        patterns = [
            _Pattern(text, entry.msgid, entry.msgid_plural or None) for text, entry in texts
        ]
        self._patterns = sorted(
            (one for one in patterns if one.letters >= LEAST_LETTERS),
            key=lambda one: one.letters,
            reverse=True,
        )
        self.read = lru_cache(maxsize=4096)(self._read)

    def translated(self, text: str) -> str:
        """Return a text in this language; what is not in the catalogue comes back as it is."""
        if not isinstance(text, Sentence) or not text.template:
            return self.read(str.__str__(text))
        if text.plural is not None:
            template = self._table.ngettext(text.template, text.plural, text.number)
        else:
            template = self._table.gettext(text.template) if text.template else ""
        values = {name: self._value(value) for name, value in text.values.items()}
        return text.then(template.format(**values))

    def _value(self, value: object) -> object:
        if isinstance(value, (int, float)):
            return value
        text = str(value)  # an error's is a sentence
        told = isinstance(value, str) or isinstance(text, Sentence)
        return _AsItIs(self.translated(text)) if told else value

    def _read(self, text: str) -> str:
        """Translate a text that was stored: by its wording, whole or sentence by sentence."""
        if not any(letter.isalpha() for letter in text):
            return text
        whole = self._recognised(text)
        if whole is not None:
            return whole
        for parts, between in ((text.split("\n"), "\n"), (re.split(r"(?<=[.!?:;]) ", text), " ")):
            if 1 < len(parts) <= MOST_PARTS:
                return between.join(self._runs(parts, between))
        return text

    def _runs(self, parts: list[str], between: str) -> Iterable[str]:
        """Yield the longest runs of parts that are a message of the catalogue, and the rest."""
        start = 0
        while start < len(parts):
            for end in range(len(parts), start + 1, -1):
                found = self._recognised(between.join(parts[start:end]))
                if found is not None:
                    yield found
                    start = end
                    break
            else:
                yield self.read(parts[start])
                start += 1

    def _recognised(self, text: str) -> str | None:
        exact = self._exact.get(text)
        if exact is not None and "{" not in text:
            return exact
        if len(text) > MOST_CHARACTERS:
            return None
        for pattern in self._patterns:
            values = pattern.values(text)
            if values is None:
                continue
            given = {name: _Shown(self.read(value)) for name, value in values.items()}
            if pattern.plural is None:
                return self._table.gettext(pattern.template).format(**given)
            number = values.get("count", "2")
            count = int(number) if number.isdigit() else 2
            return self._table.ngettext(pattern.template, pattern.plural, count).format(**given)
        return None

    def for_page(self) -> dict[str, Any]:
        """Return the page's part: texts by template, and which form 0 to 199 things take."""
        plural = [self._table.plural(count) for count in range(200)]  # type: ignore[attr-defined]
        return {"language": self.code, "messages": self._page, "plural": plural}


class _Pattern:
    """What texts of a template look like."""

    def __init__(self, text: str, template: str, plural: str | None) -> None:
        self.template, self.plural = template, plural
        pieces: list[str] = []
        literals: list[str] = []
        seen: set[str] = set()
        for literal, field, spec, _conversion in Formatter().parse(text):
            pieces.append(re.escape(literal))
            literals.append(literal)
            if field is None:
                continue
            name = re.split(r"[.\[]", field)[0]
            number = bool(spec) and str(spec)[-1] in "fgd%"
            what = _NUMBER if number else ".+?"
            pieces.append(f"(?P={name})" if name in seen else f"(?P<{name}>{what})")
            seen.add(name)
        self._longest = max(literals, key=len)
        self._shape = re.compile("".join(pieces), re.DOTALL)
        self.letters = sum(letter.isalpha() for literal in literals for letter in literal)

    def values(self, text: str) -> dict[str, str] | None:
        """Return the values by name if the text is one of this template."""
        if self._longest not in text:
            return None
        match = self._shape.fullmatch(text)
        return None if match is None else match.groupdict()


def _folder() -> Any:
    return files(__package__) / "languages"


@cache
def languages() -> tuple[str, ...]:
    """Return the codes of all languages there are."""
    others = (item.name.removesuffix(".po") for item in _folder().iterdir())
    return (ENGLISH, *sorted(code for code in others if "." not in code and len(code) == 2))


@cache
def catalogue(code: str) -> Catalogue:
    """Return a language other than English."""
    return Catalogue(code)


_active = ENGLISH
_reader: ContextVar[str | None] = ContextVar("reader", default=None)


def use(language: str | None) -> None:
    """Choose the language of terminal, report and notifications.

    Args:
        language: a code, ``"auto"`` for what the environment says, None for English.
    """
    global _active  # noqa: PLW0603 - one program talks one language to its terminal
    _active = of_environment() if language == FOLLOW_ENVIRONMENT else language or ENGLISH


def active() -> str:
    """Return the code of the language in use."""
    return _reader.get() or _active


@contextmanager
def speaking(code: str) -> Iterator[None]:
    """Use another language for a while, in this thread or task only."""
    token = _reader.set(code)
    try:
        yield
    finally:
        _reader.reset(token)


def of_environment() -> str:
    """Return what POLEWRIGHT_LANGUAGE or the locale asks for; English if it is not there."""
    for name in ("POLEWRIGHT_LANGUAGE", "LC_ALL", "LC_MESSAGES", "LANG"):
        if wanted := os.environ.get(name):
            return _known(wanted) or ENGLISH
    return ENGLISH


def accepted(header: str) -> str:
    """Return the language that suits an Accept-Language header (RFC 9110, 12.5.4) best."""
    wanted: list[tuple[float, str]] = []
    for item in header.split(","):
        tag, _, quality = re.sub(r"\s", "", item.lower()).partition(";q=")
        try:
            wanted.append((float(quality or 1.0), tag))
        except ValueError:
            continue
    for weight, tag in sorted(wanted, key=lambda one: -one[0]):
        code = _known(tag)
        if weight > 0.0 and code:
            return code
    return ENGLISH


def _known(tag: str) -> str | None:
    code = re.split(r"[-_.@]", tag)[0].lower()
    return code if code in languages() else None


def translated(text: str, language: str | None = None) -> str:
    """Return a text as the reader should see it.

    Args:
        text: a `Sentence`, or text that was stored; a device's words come back as they are.
        language: the reader's; None for the one in `use`.
    """
    code = language or active()
    return str.__str__(text) if code == ENGLISH else catalogue(code).translated(text)


def translate_figure(figure: Any) -> None:
    """Put every text of a matplotlib figure into the language in use."""
    for artist in figure.findobj(lambda one: hasattr(one, "set_text")):
        artist.set_text(translated(artist.get_text()))


def in_language(document: Any, language: str) -> Any:
    """Return plain values (dicts, lists, texts) with every `Sentence` in it translated."""
    if isinstance(document, Sentence):
        return translated(document, language)
    if isinstance(document, Mapping):
        return {key: in_language(value, language) for key, value in document.items()}
    if isinstance(document, (list, tuple)):
        return [in_language(item, language) for item in document]
    return document
