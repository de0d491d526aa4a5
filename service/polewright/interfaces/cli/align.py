"""``polewright align``: the whole way, from the first look to the confirming sweep."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from polewright.foundation.angle_text import arcmin_text
from polewright.foundation.errors import ExitCode
from polewright.foundation.language import say, say_count
from polewright.interfaces.cli.console import (
    MOUNT_WORDS,
    exit_with,
    print_failure,
    print_result,
    run_clock,
    told_plainly,
    write_out,
)
from polewright.interfaces.cli.options import ConfigPath, next_step, report_step, with_rig_options
from polewright.interfaces.cli.terminal import Console
from polewright.records.result import MeasurementResult
from polewright.session.snapshot import SessionSnapshot

AsJson = Annotated[
    bool,
    typer.Option("--json", help="print one JSON document at the end; the rest goes to stderr"),
]
Plain = Annotated[
    bool, typer.Option("--plain", help="lines instead of the live picture, also on a terminal")
]


@with_rig_options
def align(
    config: ConfigPath = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="take up the session that was interrupted last")
    ] = False,
    resume_from: Annotated[
        Path | None,
        typer.Option(help="take up the session of this journal instead", show_default=False),
    ] = None,
    plain: Plain = False,
    as_json: AsJson = False,
    unattended: Annotated[
        bool,
        typer.Option(
            "--unattended",
            help="nobody is there: the adjuster that [adjuster] names turns the axis by itself",
        ),
    ] = False,
    *,
    overrides: dict[str, Any],
) -> None:
    """Align the axis: check, plan, sweep, adjust by the live reading, and sweep again to confirm.

    The mount moves. See that the tube is free to turn, that no cable can catch, and never point
    an unfiltered telescope near the Sun. Keys: s stops at once (q too), n new sweep (asks
    first), p pause or go on, k adjusters snugged, u note turns of an adjuster (the reading then
    tells turns). Once the reading says "Done", the sweep that confirms it starts by itself after
    15 seconds: n starts it now, p does not. Where there is no terminal, send the same letters as
    lines; no sweep starts by itself then. Ctrl-C stops all motion.

    The session is written to a journal, step by step; after a crash or a power cut, --resume
    goes on where that is safe and says why not where it is not.

    With --unattended motors turn the adjusters: small steps first, from which sign, gain and lost
    motion are learned, then on by the live reading, within the travel of [adjuster]. It stops
    (exit code 7) on any rotation that the motors do not explain, and never turns while unsafe.
    """
    run_session(
        config,
        overrides,
        resume=resume or resume_from is not None,
        resume_from=resume_from,
        plain=plain,
        as_json=as_json,
        may_finish=False,
        attended=not unattended,
    )


def run_session(
    config: Path | None,
    overrides: dict[str, Any],
    *,
    resume: bool,
    resume_from: Path | None,
    plain: bool,
    as_json: bool,
    may_finish: bool,
    attended: bool = True,
) -> None:
    """Run a session in this terminal and end the command as it ended."""
    from polewright.foundation.config import config_from_file
    from polewright.interfaces.cli.console import stop_on_signals
    from polewright.interfaces.cli.session_terminal import run_in_terminal
    from polewright.interfaces.publishing.mqtt import Telling, check_mqtt, end_document
    from polewright.observing.runs.connect import connect_rig
    from polewright.records.events import EventSink
    from polewright.session.opening import open_interrupted, open_new
    from polewright.session.session import AlignSession

    console = Console(stderr=True)
    with told_plainly(console, as_json=as_json):
        settings = config_from_file(config, overrides)
        check_mqtt(settings.publish)
        clock = run_clock(console)
        opened = (
            open_interrupted(settings, clock, resume_from) if resume else open_new(settings, clock)
        )
        settings = opened.config(settings)
        telling = Telling(settings.publish, opened.session_id, clock.utc_s())
        console.print(say("Journal: {path}", path=opened.journal.path), soft_wrap=True)
        if opened.why:
            told = say("Resuming the interrupted session: {why}.", why=opened.why)
            console.print(told, soft_wrap=True)

        def make(listener: EventSink) -> AlignSession:
            return AlignSession(
                connect_rig,
                settings,
                clock,
                opened.journal,
                listener,
                session_id=opened.session_id,
                anchor=opened.anchor,
                resumed=opened.resumed,
                attended=attended,
            )

        session, outcome, keyboard = run_in_terminal(
            console,
            make,
            plain=plain,
            may_finish=may_finish,
            around=lambda session: stop_on_signals(session.cancel),
        )
    code = unconfirmed(session, outcome) if keyboard.finished else outcome
    ending = end_document(session.session_id, code, session.snapshot().result, clock.utc_s())
    again = "adjust" if may_finish else "align"
    end = Told(session, code, keyboard.finished, opened.journal.path, again)
    if as_json:
        write_out(json.dumps(end.document(), default=str))
    end.print(console, Console(stderr=as_json))
    untold = telling.ended(ending)
    if untold is not None:
        console.print(untold)
    exit_with(code)


def unconfirmed(session: Any, outcome: ExitCode) -> ExitCode:
    """Return the code of a session that was finished without a confirming sweep.

    The last settled reading counts then.
    """
    if outcome is not ExitCode.INTERRUPTED:
        return outcome
    now = session.snapshot()
    error = now.error
    good = (
        error is not None
        and error.state in ("settled", "measured")
        and error.upper95_arcmin <= now.tolerance_arcmin
    )
    return ExitCode.OK if good else ExitCode.OUT_OF_TOLERANCE


class Told:
    """How a session ended, for a person and for a script."""

    def __init__(
        self, session: Any, code: ExitCode, unconfirmed_end: bool, journal: Path, again: str
    ) -> None:
        self.now: SessionSnapshot = session.snapshot()
        self.kept_as: str | None = session.kept_as
        self.code, self.unconfirmed_end, self.journal = code, unconfirmed_end, journal
        self._again = again

    def document(self) -> dict[str, Any]:
        """Return the JSON document."""
        failure = self.now.failure
        failed = failure is not None and not self.unconfirmed_end
        document: dict[str, Any] = {
            "schema_version": "1",
            "ok": self.code is ExitCode.OK,
            "exit_code": int(self.code),
            "confirmed": self.now.step.value == "finished",
            "journal": str(self.journal),
            "session": self.now.model_dump(mode="json"),
        }
        if failed and failure is not None:
            document["error"] = failure.model_dump(mode="json")
        return document

    def _way_come(self, result: MeasurementResult) -> str:
        """Say from what to what the session came, in what time."""
        now = self.now
        minutes, seconds = divmod(round((now.ended_utc_s or 0.0) - (now.began_utc_s or 0.0)), 60)
        sweeps = say_count("{count} sweep", "{count} sweeps", now.sweeps)
        moves = say_count("{count} move", "{count} moves", now.moves)
        return say(
            "From {before} to {after} in {minutes} min {seconds} s, with {sweeps} and {moves} of "
            "the adjusters.",
            before=arcmin_text(now.before_arcmin or result.axis.total_arcmin),
            after=arcmin_text(result.axis.total_arcmin),
            minutes=minutes,
            seconds=seconds,
            sweeps=sweeps,
            moves=moves,
        )

    def print(self, console: Console, out: Console) -> None:
        """Tell a person: the result to ``out``, trouble to ``console``."""
        now = self.now
        if now.result is not None and now.step.value == "finished":
            print_result(out, now.result, with_times=False)
            out.print(self._way_come(now.result))
        elif now.error is not None:
            error = now.error
            out.print(
                say(
                    "Last reading ({state}): total {total_arcmin}, under {upper95_arcmin} "
                    "(95 %); not confirmed by a sweep.",
                    state=error.state,
                    total_arcmin=arcmin_text(error.total_arcmin),
                    upper95_arcmin=arcmin_text(error.upper95_arcmin),
                ),
            )
        if now.failure is not None and not self.unconfirmed_end:
            told = now.failure
            print_failure(console, self.code, told.message, told.likely, told.advice, told.details)
        if now.failure is not None and now.failure.code == "mount_taken":
            console.print(say("This run has moved nothing: the mount is the other run's."))
        else:
            console.print(MOUNT_WORDS[now.motion])
        console.print(self._next())

    def _next(self) -> str:
        if self.now.step.value == "finished":
            return report_step(self.kept_as)
        if self.unconfirmed_end:
            return next_step("measure", say("a sweep confirms what the reading says"))
        return next_step(self._again, say("starts anew"))
