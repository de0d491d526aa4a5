"""What devices, programs and files say is data: no terminal, page or document obeys it."""

from __future__ import annotations

import dataclasses
import io
import json
import re
import sys
import typing
import unicodedata
from pathlib import Path
from typing import Any

import pytest
from history.history_made import made_result, made_run
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pydantic import BaseModel
from rich.table import Table
from rich.text import Text
from typer.testing import CliRunner

import polewright.interfaces.cli
from polewright.devices.alpaca.errors import BadReply, Where, refusal
from polewright.devices.alpaca.models import DESCRIPTION, TEXT, TEXTS, convert, excerpt, parse_reply
from polewright.foundation.config import PublishSection
from polewright.foundation.errors import DeviceError, ExitCode
from polewright.foundation.plain_text import LONGEST, plain, plain_html
from polewright.foundation.programs import Program
from polewright.interfaces.cli.app import build_app
from polewright.interfaces.cli.console import TerminalListener, print_result, told_plainly
from polewright.interfaces.cli.live_view import KeysNow, view
from polewright.interfaces.cli.session_terminal import SessionLines
from polewright.interfaces.cli.terminal import Console
from polewright.interfaces.logs import without_secrets
from polewright.interfaces.publishing.mqtt import end_document, publish_end
from polewright.interfaces.report.page import report_of_result
from polewright.records import events
from polewright.records.history.run_record import DeviceUsed
from polewright.records.history.store import History
from polewright.session.snapshot import Failure, ProgressNow, SessionSnapshot
from polewright.session.states import Step

PIECES = (
    "[bold]", "[/]", "[/bold]", "[telescope]", "[fd12::5]", "[link=http://x]", "[", "]", "\\[",
    ":smile:", "\x1b[2J", "\x1b]0;title\x07", "\x1b[31m", "\x9b31m", "\b", "\x00", "\x7f", "\r",
    "\n", "\u2028", "\u202e", "\u2066", "\u200b", "\ufeff", "\ud800", "\udfff", "\U0010ffff",
    "<script>alert(1)</script>", "&lt;", '"', "'", "Within the tolerance", "é", "星", "x" * 2000,
)  # fmt: skip
HOSTILE = st.lists(st.sampled_from(PIECES) | st.text(max_size=8), min_size=1, max_size=8).map(
    "".join
)
ALL = "".join(PIECES)
#: What rich itself writes: colours, and cursor movements of progress bars and live pictures.
OWN = re.compile(r"\x1b\[[0-9;]*m|\x1b\[\?25[lh]|\x1b\[2K|\x1b\[[0-9]*[ABCDHK]|\x1b\[1A")


def harmless(text: str, *, own: bool = False) -> bool:
    """Whether a text can be encoded and holds nothing unseen but line feeds."""
    if own:
        text = OWN.sub("", text).replace("\r", "")
    text.encode("utf-8")
    return all(
        c == "\n" or unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
        for c in text
    )


def console(width: int = 100_000, *, terminal: bool = True) -> Console:
    return Console(
        file=io.StringIO(), width=width, force_terminal=terminal, _environ={}, soft_wrap=True
    )


def written(screen: Console) -> str:
    return screen.file.getvalue()  # type: ignore[attr-defined]


@given(HOSTILE, st.booleans(), st.none() | st.integers(1, 50))
@example(ALL, False, None)
def test_plain_text_is_harmless_and_stays_as_it_is(
    text: str, lines: bool, longest: int | None
) -> None:
    """Every string can then be shown and encoded; twice is once; readable words are untouched."""
    found = plain(text, longest, lines=lines)

    assert harmless(found)
    assert lines or "\n" not in found
    assert plain(found, lines=lines) == found
    assert plain("Tube 80/480 [left] ″é星", 50) == "Tube 80/480 [left] ″é星"
    assert plain("a\x1b[2J\u202eb") == "a␛[2J<U+202E>b"
    if longest is not None:
        assert len(found) <= longest + 3


@given(HOSTILE)
@example(ALL)
@example("\ud800" * 5000)
def test_what_a_device_says_comes_in_harmless_and_short(text: str) -> None:
    """Names, messages of drivers, lists, and what a page instead of an answer begins with."""
    where = Where("fd12::5", 11111, "telescope", 0, convert(TEXT, text, Where("h", 1), "name"))
    body = json.dumps({"ErrorNumber": 1280, "ErrorMessage": text}).encode()
    reply = parse_reply(bytearray(body), where, "slewing")
    error = refusal(where, "slewing", reply.ErrorNumber, reply.ErrorMessage)
    listed = convert(TEXTS, [text, None, 3], where, "gains")
    who = convert(DESCRIPTION, {"ServerName": text, "Location": text}, where, "description")

    for found in (where.name, str(error), *listed, who.ServerName, who.Location, excerpt(text)):
        assert harmless(found)
        assert "\n" not in found
        assert len(found) < 2 * LONGEST + 100
    with pytest.raises(BadReply) as caught:
        parse_reply(bytearray(text.encode("utf-8", "replace")), where, "name")
    assert harmless(str(caught.value))


def made(kind: type[Any], text: str) -> Any:
    """An event or a part of a snapshot with ``text`` wherever a string may stand."""
    hints = typing.get_type_hints(kind)
    names = (
        list(kind.model_fields)
        if issubclass(kind, BaseModel)
        else [field.name for field in dataclasses.fields(kind)]
    )
    values = {name: _value(hints[name], text) for name in names}
    return kind(**values)


def _value(hint: Any, text: str) -> Any:
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if origin is typing.Literal:
        return arguments[-1]
    if origin is tuple:
        return (_value(arguments[0], text),) * 3
    if hint is str or (arguments and str in arguments):
        return text
    if hint is bool:
        return True
    return 1


EVENTS = [
    kind
    for kind in vars(events).values()
    if isinstance(kind, type) and issubclass(kind, events.Event) and kind is not events.Event
]


@settings(max_examples=30, deadline=None)
@given(HOSTILE)
@example(ALL)
@example("[/]")
def test_every_line_about_a_run_shows_what_was_said(text: str) -> None:
    """Each kind of event, as a command and as a session tells it: no markup, no control; and the
    words of a note are there with their brackets."""
    screen = console()
    for listener in (TerminalListener(screen), SessionLines(screen)):
        with listener:
            for kind in EVENTS:
                listener(made(kind, text))

    shown = written(screen)
    assert harmless(shown, own=True)
    said = plain(text, lines=True).expandtabs()
    assert all(line in OWN.sub("", shown) for line in said.split("\n"))


@settings(max_examples=30, deadline=None)
@given(HOSTILE)
@example(ALL)
def test_the_live_picture_the_tables_and_the_errors_obey_nothing(text: str) -> None:
    """Snapshot, table cells and titles, ready-made text, results and the end of a command."""
    screen = console(120)
    now = SessionSnapshot(
        session_id=text,
        version=1,
        step=Step.FAILED,
        utc_s=0.0,
        tolerance_arcmin=1.0,
        progress=made(ProgressNow, text),
        notes=(text,),
        failure=Failure(code="x", message=text, advice=text, exit_code=3),
    )
    screen.print(view(now, KeysNow(text, text, text, text)))
    table = Table(title=text)
    table.add_column(text)
    table.add_row(text)
    screen.print(table)
    screen.print(Text(text, style="bold"))
    print_result(screen, made_result().model_copy(update={"advice": (text,), "telescope": text}))

    class Told(DeviceError):
        advice = text

    with pytest.raises(SystemExit) as ended, told_plainly(screen, as_json=False):
        raise Told(text)

    assert ended.value.code == int(ExitCode.DEVICE)
    assert harmless(written(screen), own=True)


@settings(max_examples=8, deadline=None)
@given(HOSTILE)
@example(ALL)
def test_reports_logs_and_programs_obey_nothing(text: str) -> None:
    """The report is a document without scripts and turned lines; a log holds plain text."""
    page = report_of_result(
        made_result().model_copy(update={"telescope": text, "camera": text, "notes": (text,)})
    )

    assert harmless(page)
    assert "<script>alert" not in page
    assert plain_html("<b>&") == "&lt;b&gt;&amp;"
    assert all(harmless(str(v)) for v in without_secrets({"name": text, "more": [text]}).values())


def test_what_programs_print_is_shown_plainly() -> None:
    """Colours of a solver or of an adjuster's command reach no terminal."""
    code = r"print('\x1b[31mno match\x1b[0m\n[solver] \u202e')"
    ended = Program([sys.executable, "-X", "utf8", "-c", code]).finish(30.0)
    assert ended is not None

    assert ended.last_lines == ("␛[31mno match␛[0m", "[solver] <U+202E>")


def test_a_hostile_name_stays_in_the_history_and_is_listed(tmp_path: Path) -> None:
    """Recorded, listed and shown; brackets are there, controls are not obeyed."""
    name = plain(ALL.replace("x" * 2000, ""), LONGEST)  # as it comes in from a device
    url = f"sqlite:///{tmp_path / 'runs.db'}"
    with History(url) as history:
        history.add(
            made_run(
                pier=name,
                devices=(
                    DeviceUsed(
                        device="telescope", name=name, address="[fd12::5]:1", interface_version=4
                    ),
                ),
            )
        )

    for words in (["list"], ["list", "--json"], ["show", "a" * 8]):
        answer = CliRunner().invoke(
            build_app(), ["history", *words, "--url", url], env={"COLUMNS": "400"}
        )
        assert harmless(answer.output.encode("utf-8", "replace").decode()), answer.output


def test_the_message_for_a_broker_is_ascii(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the session is called."""
    sent: list[str] = []
    monkeypatch.setattr(
        "polewright.interfaces.publishing.mqtt._send",
        lambda _broker, _topic, payload: sent.append(payload),
    )
    document = end_document(ALL, ExitCode.OK, made_result(), 0.0)
    publish_end(PublishSection(mqtt="mqtt://h"), document)

    assert sent[0].isascii()
    assert sent[0].isprintable()
    assert json.loads(sent[0])["session_id"].endswith("x" * 2000)


def test_every_command_writes_to_the_console_that_obeys_nothing() -> None:
    """No module of the commands makes a console of rich's own, or markup."""
    modules = list(Path(polewright.interfaces.cli.__file__).parent.rglob("*.py"))

    assert len(modules) > 10
    for path in modules:
        text = path.read_text(encoding="utf-8")
        if path.name != "terminal.py":
            assert not re.search(r"rich\.console import .*\bConsole\b(?!Options)", text), path
        assert "rich.markup" not in text, path
        assert "from rich import print" not in text, path
