"""What the page leads to when a session is over: its report, and the runs before it."""

from __future__ import annotations

import requests
from history.history_made import NIGHT_UTC_S, made_run
from serving.made_up import made_up_service

from polewright.records.history.store import History


def test_a_finished_session_leads_to_its_report_and_to_the_runs_before_it() -> None:
    """In the reader's language; neither runs a script nor fetches anything."""
    run = made_run("b" * 32, NIGHT_UTC_S, (41.0, -60.0), (0.31, -0.42), pier="<west> pier")
    with made_up_service("de") as (runner, url):
        before = requests.get(f"{url}api/session/report.html", timeout=300)
        empty = requests.get(f"{url}api/history.html", timeout=300)
        runner.record = run
        report = requests.get(f"{url}api/session/report.html", timeout=300)
        with History(runner.history_url) as history:
            history.add(run)
        listed = requests.get(f"{url}api/history.html", timeout=300)

    assert before.status_code == 404
    assert empty.status_code == 200
    assert "Noch ist kein Lauf aufgezeichnet" in empty.text
    assert report.status_code == 200
    assert "Wohin die Polachse zeigt" in report.text
    assert "script-src" not in report.headers["Content-Security-Policy"]
    assert "sandbox" in report.headers["Content-Security-Policy"]
    assert "&lt;west&gt; pier" in listed.text
    assert "Frühere Läufe" in listed.text
    assert '<html lang="de"' in listed.text
    assert ">Handbuch</a>" in listed.text
