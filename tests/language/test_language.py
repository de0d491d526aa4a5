"""Sentences carry their template; catalogues hold every message, with the same fields."""

from __future__ import annotations

import ast
import copy
import json
from functools import cache
from string import Formatter

import polib
import pytest
from tools import messages

from polewright.foundation import language
from polewright.foundation.angle_text import arcmin_text
from polewright.foundation.language import (
    Sentence,
    accepted,
    capitalised,
    joined,
    say,
    say_count,
    translated,
)
from polewright.records.result import WeatherResult

template = cache(messages.template)
TRANSLATIONS = sorted(messages.catalogues())


@pytest.fixture
def german():
    """Have the terminal speak German for one test."""
    language.use("de")
    yield
    language.use(None)


def entries(code: str) -> list[polib.POEntry]:
    return list(polib.pofile(messages.catalogues()[code].read_text(encoding="utf-8")))


def fields(template: str) -> set[tuple[str, str]]:
    return {(name, spec or "") for _, name, spec, _ in Formatter().parse(template) if name}


def test_a_sentence_is_its_english_text_and_can_be_read_in_german() -> None:
    told = say("Tolerance {tolerance}. The mount will move by itself.", tolerance=arcmin_text(1.5))

    assert told == "Tolerance 1.50 arcmin. The mount will move by itself."
    assert json.dumps([told]) == json.dumps([str.__str__(told)])
    assert translated(told, "de") == "Toleranz 1.50 Bogenmin. Die Montierung fährt von selbst."
    assert translated(told, "en") == told


def test_what_is_put_together_of_sentences_is_translated_in_all_its_parts() -> None:
    inner = say("too high")
    told = say("Reading of {time}: {state}.", time="04:00", state=inner)

    assert translated(told, "de") == "Messung von 04:00: zu hoch."
    assert translated(joined(", ", [inner, say("solved"), "M 13"]), "de") == "zu hoch, gelöst, M 13"
    assert translated(inner + " / " + say("solved"), "de") == "zu hoch / gelöst"
    assert translated("4.2′ " + inner, "de") == "4.2′ zu hoch"
    assert translated(capitalised(inner), "de") == "Zu hoch"
    assert capitalised(inner) == "Too high"


def test_counts_take_the_form_of_their_number() -> None:
    one = say_count("{count} star", "{count} stars", 1)
    many = say_count("{count} star", "{count} stars", 20)

    assert (one, many) == ("1 star", "20 stars")
    assert [translated(text, "de") for text in (one, many)] == ["1 Stern", "20 Sterne"]


def test_an_exception_keeps_its_sentence() -> None:
    error = ValueError(say("too high"))

    assert isinstance(str(error), Sentence)
    assert translated(str(error), "de") == "zu hoch"
    assert translated(copy.deepcopy(str(error)), "de") == "zu hoch"


def test_a_stored_sentence_is_recognised_by_its_wording() -> None:
    stored = json.loads(json.dumps(say("Reading of {time}: {state}.", time="04", state="settled")))

    assert type(stored) is str
    assert translated(stored, "de") == "Messung von 04: ausgeschwungen."
    assert translated("20 stars", "de") == "20 Sterne"
    assert (
        translated("Let go, then press NEW SWEEP. Go on?", "de")
        == "Loslassen, dann NEUER SCHWENK drücken. Fortsetzen?"
    )


def test_what_a_stored_sentence_quotes_is_quoted_once() -> None:
    told = say("no run of a pier {name!r} is recorded; known: {piers}", name="it's", piers="M 13")
    german = """von einem Pfeiler "it's" ist kein Lauf aufgezeichnet; bekannt: M 13"""

    assert translated(told, "de") == german
    assert translated(json.loads(json.dumps(told)), "de") == german


def test_a_text_of_many_parts_is_not_searched_in_all_its_runs(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A device's long message must not keep who waits for STOP; twelve sentences are understood."""
    german = language.Catalogue("de")
    tried: list[str] = []
    recognised = language.Catalogue._recognised

    def counted(self: language.Catalogue, text: str) -> str | None:
        tried.append(text)
        return recognised(self, text)

    monkeypatch.setattr(language.Catalogue, "_recognised", counted)
    for text in ("x. " * 200, "x\n" * 200, "\n".join(["x: " * 12] * 12), "too high: " * 2000):
        tried.clear()
        assert german.translated(text) == text
        assert len(tried) < 2000
    known = " ".join(["20 stars. Go on?"] * 5)
    assert german.translated(known + " M 13. x.").startswith("20 stars. Fortsetzen? 20 stars.")


def test_words_of_devices_stay_as_they_are(german: None) -> None:
    for words in ("Mount {0} of Bob", "{", "Teleskop 7", "", "12.5", "§ {x!r} {y:.3f}"):
        assert translated(words) == words
        assert translated(joined(": ", [words, say("solved")])) == f"{words}: gelöst"


def test_a_document_keeps_english_and_its_reader_gets_german() -> None:
    weather = WeatherResult(
        temperature_c=4.0,
        sigma_temperature_c=1.0,
        pressure_hpa=950.0,
        sigma_pressure_hpa=5.0,
        sigma_refraction_percent=1.0,
        source=say("No reading yet."),
    )
    again = WeatherResult.model_validate_json(weather.model_dump_json())

    assert json.loads(weather.model_dump_json())["source"] == "No reading yet."
    for document in (weather, again):
        shown = language.in_language(document.model_dump(), "de")
        assert shown["source"] == "Noch keine Messung."


@pytest.mark.parametrize(
    ("header", "code"),
    [
        ("de-DE,de;q=0.9,en;q=0.8", "de"),
        ("en-GB,en;q=0.9,de;q=0.1", "en"),
        ("fr, de;q=0.4, en;q=0.7", "en"),
        ("tlh", "en"),
        ("", "en"),
        ("de;q=nonsense, en", "en"),
        ("de;q=0", "en"),
        ("de; q=0.5", "de"),
        ("en ;q=0.4 , de\t; Q=0.5", "de"),
        ("de; q=0.0, en; q=0.1", "en"),
        ("*", "en"),
    ],
)
def test_the_browser_is_understood(header: str, code: str) -> None:
    assert accepted(header) == code


def test_the_environment_is_followed_only_when_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("LC_ALL", raising=False)
    monkeypatch.delenv("LC_MESSAGES", raising=False)
    monkeypatch.setenv("LANG", "de_DE.UTF-8")
    try:
        language.use(None)
        assert language.active() == "en"
        language.use("auto")
        assert language.active() == "de"
        monkeypatch.setenv("LC_ALL", "C")
        language.use("auto")
        assert language.active() == "en"
    finally:
        language.use(None)


def test_the_list_of_messages_is_that_of_the_code() -> None:
    listed = messages.TEMPLATE.read_text(encoding="utf-8")

    assert listed.strip() == str(template()).strip(), (
        "run tests/tools/messages.py, then translate what is new"
    )


@pytest.mark.parametrize("code", TRANSLATIONS)
def test_every_translation_has_every_message(code: str) -> None:
    there = {entry.msgid for entry in entries(code)}

    assert there == {entry.msgid for entry in template()}
    assert not messages.untranslated(code)


@pytest.mark.parametrize("code", TRANSLATIONS)
def test_a_translation_shows_the_same_values_in_the_same_form(code: str) -> None:
    wrong = [
        (entry.msgid, text)
        for entry in entries(code)
        for text in (list(entry.msgstr_plural.values()) or [entry.msgstr])
        if fields(text) != fields(entry.msgid)
    ]
    assert not wrong


def test_every_call_fills_its_templates_fields() -> None:
    """A missing value would be found only when the sentence is said: at night, in trouble."""
    wrong = []
    for path in messages.SERVICE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name):
                continue
            texts = {"say": 1, "say_count": 2}.get(node.func.id, 0)
            given = {item.arg for item in node.keywords}
            if not texts or None in given or path.name == "language.py":
                continue
            shown = set()
            for arg in node.args[:texts]:
                template = ast.literal_eval(arg)
                shown |= {name for name, _ in fields(template)} | inner_fields(template)
            if shown - {"count"} != given - {"count"}:
                wrong.append(f"{path.name}:{node.lineno}: {sorted(map(str, shown ^ given))}")
    assert not wrong


def inner_fields(template: str) -> set[str]:
    """Fields inside a field's format, as in ``{size:.{places}f}``."""
    return {
        name
        for _, _, spec, _ in Formatter().parse(template)
        for _, name, _, _ in Formatter().parse(spec or "")
        if name
    }
