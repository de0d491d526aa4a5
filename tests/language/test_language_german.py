"""A night in German: what terminal, page and report show has no English sentence left."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from types import SimpleNamespace

import pytest
from history.history_made import NIGHT_UTC_S, made_reading, made_result, made_run
from language.german import english_in
from session.session_bench import SessionBench

from polewright.foundation import language
from polewright.foundation.errors import ExitCode
from polewright.interfaces.cli.console import print_result
from polewright.interfaces.cli.live_view import KeysNow, view
from polewright.interfaces.cli.session_terminal import SessionLines
from polewright.interfaces.cli.status import _lines, _watchdog
from polewright.interfaces.cli.terminal import Console
from polewright.interfaces.publishing.journal_status import INTERRUPTED
from polewright.interfaces.publishing.status import RunState
from polewright.interfaces.report.page import Place, Telling, report_of_run
from polewright.interfaces.web.models import Problem
from polewright.observing.safety.watchdog_process import DISMISSED, STOPPING, UNKNOWN, WATCHING
from polewright.records.result import MeasurementResult


@pytest.fixture(autouse=True)
def german() -> Iterator[None]:
    language.use("de")
    yield
    language.use(None)


def printed(*what: object) -> str:
    """What a wide terminal shows."""
    out = io.StringIO()
    console = Console(file=out, width=300)
    for one in what:
        console.print(one)
    return out.getvalue()


def stored(result: MeasurementResult) -> MeasurementResult:
    """Return a result as it is read from a file: English sentences, without their templates."""
    told = result.model_copy(
        update={"advice": ("Move the axis 1.20 arcmin down with the altitude adjuster.",)}
    )
    return MeasurementResult.model_validate_json(told.model_dump_json())


def test_english_is_found_where_it_is() -> None:
    assert english_in(
        "Point 3: stars not seen at rest\nafter 15 s (still moving); exposing anyway."
    )
    assert not english_in("Punkt 3: Sterne nach 15 s noch nicht in Ruhe.")


def test_a_session_is_shown_and_told_in_german(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """From a sweep half a degree off to three readings; the journal stays English."""
    bench = SessionBench(monkeypatch, tmp_path)
    bench.on_reading = lambda number: bench.session.stop() if number == 3 else None

    assert bench.run() is ExitCode.INTERRUPTED

    now = bench.session.snapshot()
    out = io.StringIO()
    with SessionLines(Console(file=out, width=300)) as lines:
        for event in bench.events:
            lines(event)
    document = str(language.in_language(now.model_dump(), "de"))
    for shown in (out.getvalue(), printed(view(now, KeysNow())), document):
        assert english_in(shown) == []
    told = next(one.sentence for one in bench.readings if "the axis" in one.sentence)
    assert re.search(
        r"Achse [\d.]+( Bogenmin| Bogensek|°) (heben|nach Osten|nach Westen)", out.getvalue()
    )
    (journal,) = tmp_path.rglob("*.jsonl")
    assert told in journal.read_text(encoding="utf-8")


def test_a_direction_is_the_same_in_german() -> None:
    """East and west, up and down must not be swapped by a translation."""
    catalogue = language.catalogue("de").translated
    for english, german in (
        ("east", "Osten"),
        ("west", "Westen"),
        ("too far east", "zu weit östlich"),
        ("too far west", "zu weit westlich"),
        ("too high", "zu hoch"),
        ("too low", "zu tief"),
        ("to go east", "nach Osten"),
        ("to go west", "nach Westen"),
        ("RAISE", "HEBEN"),
        ("LOWER", "SENKEN"),
        ("raises the axis", "hebt die Achse"),
        ("moves it east", "bewegt sie nach Osten"),
    ):
        assert catalogue(english) == german


def test_a_measurement_is_printed_in_german() -> None:
    out = io.StringIO()
    print_result(Console(file=out, width=300), stored(made_result()))

    assert "Polachse gegen den Pol" in out.getvalue()
    assert english_in(out.getvalue()) == []


def test_a_report_is_german_and_its_numbers_are_the_same() -> None:
    readings = tuple(
        made_reading(NIGHT_UTC_S + 20.0 * k, 41.0 - 3.6 * k, -60.0 + 5.4 * k, 1) for k in range(12)
    )
    run = made_run("session-01", NIGHT_UTC_S, (41.0, -60.0), (0.31, -0.42), readings=readings)
    sweeps = tuple(one.model_copy(update={"result": stored(one.result)}) for one in run.sweeps)
    run = run.model_copy(update={"sweeps": sweeps})
    exact = Telling(Place.EXACT)
    german = report_of_run(run, (), exact)
    language.use("en")
    english = report_of_run(run, (), exact)

    def shown(html: str) -> str:
        return unescape(
            re.sub(r"<script.*?</script>|<style.*?</style>|<[^>]+>", " ", html, flags=re.S)
        )

    def data(html: str) -> str:
        return re.findall(r'<script type="application/json".*?</script>', html, re.S)[0]

    assert '<html lang="de">' in german
    assert "Wohin die Polachse zeigt" in german
    assert english_in(shown(german)) == []
    assert len(english_in(shown(english))) > 20
    assert data(german) == data(english)


def test_an_answer_of_the_service_keeps_its_code() -> None:
    problem = Problem(code="no_session", message=language.say("no session is running"))

    told = language.in_language(problem.model_dump(), "de")

    assert told == {"code": "no_session", "message": "es läuft keine Sitzung", "advice": ""}


@pytest.mark.parametrize("state", list(RunState))
def test_what_runs_on_a_computer_is_told_in_german(state: RunState) -> None:
    """The words of journals, locks and the watchdog's file, too; names stay as they are."""
    holder = "polewright align, process 7 of ilse, since 21:30"
    now = SimpleNamespace(
        utc_s=NIGHT_UTC_S,
        runs=[SimpleNamespace(kind="session", session_id="x", since_utc_s=NIGHT_UTC_S)],
        run_state=state.name.lower(),
        mounts=[SimpleNamespace(mount="here-11111-0", holder=holder, since_utc_s=NIGHT_UTC_S)],
        watchdog=None,
        journal_folder="pi",
        service=None,
        verified=None,
        verified_before=SimpleNamespace(
            upper95_arcmin=0.6,
            tolerance_arcmin=1.0,
            age_s=7200.0,
            invalid_since_utc_s=NIGHT_UTC_S,
        ),
        safe=False,
        why_unsafe=INTERRUPTED,
    )
    lines = _lines(now)
    now.runs, now.verified_before.invalid_since_utc_s = [], None
    lines += _lines(now)
    for alive, said in ((True, WATCHING), (True, STOPPING), (False, DISMISSED), (False, UNKNOWN)):
        dog = SimpleNamespace(alive=alive, pid=5, state=said, telescope="pi")
        lines.append(_watchdog(dog))

    told = printed(*lines).replace("polewright align", "")
    assert not english_in(told)
    assert state.name.lower() not in told
    for word in ("process", WATCHING, STOPPING, DISMISSED, "go and look"):
        assert word not in told
