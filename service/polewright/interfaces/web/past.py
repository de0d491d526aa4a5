"""What the page leads to when a session is over: its report, and the runs before it."""

from __future__ import annotations

from datetime import UTC, datetime
from html import escape
from typing import Any

from polewright.foundation import language
from polewright.foundation.angle_text import arcmin_text
from polewright.foundation.language import say, translated
from polewright.interfaces.page_frame import Look, framed
from polewright.records.history.run_record import RunRecord

NEWEST = 40
"""So many runs are listed: some weeks (own choice)."""
WENT_WELL = 0


def report_page(record: RunRecord, look: Look, reader: str) -> str:
    """Return a run's report in the reader's language and light."""
    # Late: what draws takes seconds to load, and no one may ever ask.
    from polewright.interfaces.report.page import Telling, report_of_run

    with language.speaking(reader):
        return report_of_run(record, telling=Telling(theme=look.theme))


def history_page(url: str | None, look: Look, reader: str) -> str:
    """Return the newest runs as a page. Raises what opening a history raises."""
    from polewright.records.history.store import History, RunFilter, file_missing

    rows: list[dict[str, Any]] = []
    if not file_missing(url):
        with History(url, only_read=True) as history:
            rows = history.list_runs(RunFilter(limit=NEWEST, rehearsals=True))

    def told(sentence: str) -> str:
        return escape(translated(sentence, reader))

    heads = (say("When (UTC)"), say("Pier"), say("Total error"), say("Ended"))
    lines = [
        "".join(
            f"<td>{cell}</td>"
            for cell in (
                datetime.fromtimestamp(row["started_utc_s"], UTC).strftime("%Y-%m-%d %H:%M"),
                escape(row["pier"]),
                "" if row["total_arcmin"] is None else told(arcmin_text(row["total_arcmin"])),
                told(say("well") if row["outcome"] == WENT_WELL else _ending(row["outcome"])),
            )
        )
        for row in rows
    ]
    table = (
        f"<table><tr>{''.join(f'<th>{told(head)}</th>' for head in heads)}</tr>"
        f"{''.join(f'<tr>{line}</tr>' for line in lines)}</table>"
        if rows
        else f"<p>{told(say('No run is recorded yet.'))}</p>"
    )
    more = told(
        say(
            "`polewright history plot` draws them, `polewright history export` writes them to a "
            "file."
        )
    )
    title = told(say("Past runs"))
    body = f"<h1>{title}</h1><div class='wide'>{table}</div><p>{more}</p>"
    return framed(look, title, body, reader=reader)


def _ending(outcome: int) -> str:
    return say("with exit code {outcome}", outcome=outcome)
