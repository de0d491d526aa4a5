"""The page in the language of the browser that shows it, and one session in two at a time."""

from __future__ import annotations

import threading
from typing import Any

import polib
import pytest
import requests
from serving.chromium import browser, needs_chromium
from tools import messages

from polewright.foundation import language
from polewright.interfaces.web import app

_TEXTS = """
const texts = [];
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walker.nextNode()) texts.push(walker.currentNode.data);
for (const one of document.querySelectorAll("[aria-label], [alt], [title]"))
  texts.push(...["aria-label", "alt", "title"].map((name) => one.getAttribute(name) ?? ""));
return texts.map((one) => one.trim().replace(/\\s+/g, " "));
"""


def english_only() -> set[str]:
    """Messages that read otherwise in German."""
    german = polib.pofile(messages.catalogues()["de"].read_text(encoding="utf-8"))
    return {entry.msgid for entry in german if entry.msgstr and entry.msgid != entry.msgstr}


@pytest.mark.e2e
@needs_chromium
def test_a_german_browser_shows_a_german_page(start_night, start_service, tmp_path) -> None:
    served = start_service(start_night(real_rate=6.0))
    with browser(tmp_path / "profile", language="de") as driver:
        driver.implicitly_wait(10)
        driver.get(served.url)
        driver.find_element("css selector", "#link[data-state=live]")
        texts = set(driver.execute_script(_TEXTS))
        lang = driver.execute_script("return document.documentElement.lang")
        problems = [one for one in driver.get_log("browser") if one["level"] == "SEVERE"]

    assert lang == "de"
    assert {"BEREIT", "Die Warnungen lesen, dann START drücken.", "Wohin die Achse zeigt"} <= texts
    assert texts & english_only() == set()
    assert not problems


def test_each_reader_is_answered_in_his_language(start_night, start_service) -> None:
    """A program that names no language gets English; codes are the same for all."""
    served = start_service(start_night(real_rate=6.0))
    german = served.post("/api/nothing", headers={"Accept-Language": "de-CH, en;q=0.5"}).json()
    english = served.post("/api/nothing").json()

    assert german["code"] == english["code"] == "not_found"
    assert german["advice"] == "Siehe /api/openapi.json."
    assert english["advice"] == "See /api/openapi.json."


def test_a_configured_language_wins_over_the_browsers(start_night, start_service) -> None:
    served = start_service(start_night(real_rate=6.0), configured_language="de")

    told = served.get("/language.json", headers={"Accept-Language": "en"}).json()

    assert told["language"] == "de"
    assert told["messages"]["READY"] == "BEREIT"
    assert told["plural"][:3] == [1, 0, 1]


def test_a_page_that_is_being_translated_does_not_delay_stop(
    start_night, start_service, monkeypatch: pytest.MonkeyPatch
) -> None:
    served = start_service(start_night(real_rate=6.0))
    begun, go_on, over = threading.Event(), threading.Event(), threading.Event()

    def slow(document: Any, _reader: str) -> Any:
        begun.set()
        go_on.wait(30.0)
        over.set()
        return document

    monkeypatch.setattr(language, "in_language", slow)
    german = {"Accept-Language": "de"}
    with served.get("/api/session/events", headers=german, stream=True):
        assert begun.wait(30.0)
        stopped = served.post("/api/stop")
        in_time = not over.is_set()
        go_on.set()

    assert stopped.status_code == 200
    assert in_time


def test_stop_waits_for_no_translation_and_no_free_worker(
    start_night, start_service, monkeypatch
) -> None:
    """A text that is slow to translate holds up whoever reads it, not STOP; nor do forty of them.

    Before that the answer is in English.
    """
    free = threading.Event()
    plainly = app._for

    def slowly(reader: str, document: Any) -> Any:
        free.wait(60.0)
        return plainly(reader, document)

    monkeypatch.setattr(app, "_for", slowly)
    served = start_service(start_night(), configured_language="de")
    readers = [
        threading.Thread(target=requests.get, args=(f"{served.url}/api/session",), daemon=True)
        for _ in range(50)  # the framework has 40 workers
    ]
    for one in readers:
        one.start()
    try:
        answer = served.post("/api/stop").json()
        assert not free.is_set()
    finally:
        free.set()

    assert answer["motion"] == "stopped"
    assert "stands still" in answer["message"]
    for one in readers:
        one.join()
    assert "steht still" in served.post("/api/stop").json()["message"]
