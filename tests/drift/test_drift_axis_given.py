"""What `drift` is given: an axis of the history, and limits told by the option's own name."""

from __future__ import annotations

from io import StringIO

import pytest
from history.history_made import made_check
from support.measured import RESULT
from typer.testing import CliRunner

from polewright.calculation.drift.errors import PredictionUnreadable
from polewright.foundation.clock import SystemClock
from polewright.foundation.config import config_from_text
from polewright.foundation.errors import PolewrightError
from polewright.interfaces.cli.app import build_app
from polewright.interfaces.cli.drift import _print, axis_document
from polewright.interfaces.cli.terminal import Console
from polewright.observing.runs.drift_run import DriftResult
from polewright.records import events
from polewright.records.history.run_recorder import RunRecorder
from polewright.records.result import MeasurementResult


@pytest.mark.parametrize(
    ("option", "value", "allowed"),
    [("--minutes", "1", "between 1.5 and 120"), ("--goal-arcsec", "0.1", "between 1 and 600")],
)
def test_a_limit_is_told_by_the_options_name_and_in_its_unit(option, value, allowed) -> None:
    """ "longest time (s) is 60" names no option, and not what was typed."""
    told = CliRunner().invoke(build_app(), ["drift", option, value])

    assert told.exit_code == 2
    assert f"{option} is {value}; it must be {allowed}" in told.output


def test_a_run_of_the_history_is_what_drift_compares_with(tmp_path) -> None:
    """By the last word, or the first letters of its id; not where it was adjusted after."""
    config = config_from_text("", overrides={"history.url": f"sqlite:///{tmp_path / 'h.db'}"})
    clock, result = SystemClock(), MeasurementResult.model_validate(RESULT)
    recorder = RunRecorder(config, clock, "align")
    recorder.measured(result)
    assert recorder.finish(recorder.verdict) is None
    assert recorder.run is not None
    run_id = recorder.run.run_id

    for named in ("last", run_id, run_id[:10]):
        assert MeasurementResult.model_validate_json(axis_document(named, config, clock)) == result
    with pytest.raises(PolewrightError, match="no run has the id"):
        axis_document("nosuchrun", config, clock)
    with pytest.raises(PredictionUnreadable, match=r"axis\.json"):
        axis_document("axis.json", config, clock)

    turned = RunRecorder(config, clock, "align")
    turned.measured(result)
    turned(
        events.ReadingTaken(
            utc_s=clock.utc_s(), state="settled", d_alt_arcmin=1.0, d_az_sky_arcmin=0.0,
            total_arcmin=1.0, sigma_alt_arcmin=0.1, sigma_az_sky_arcmin=0.1, upper95_arcmin=1.2,
            verdict="", action="", sentence="",
        )
    )  # fmt: skip
    assert turned.finish(turned.verdict) is None
    with pytest.raises(PredictionUnreadable, match="may have been turned"):
        axis_document("last", config, clock)


@pytest.mark.parametrize(
    ("cause", "figures"), [("axis", True), ("jump", False), ("bend", False), ("fields", False)]
)
def test_a_drift_that_no_one_axis_explains_gives_no_figure(cause, figures) -> None:
    """The tripod sank by 2.3 arcmin amid a check: the axis that was told was 4.5 arcmin off."""
    written = StringIO()
    document = {key: value for key, value in made_check().drifts[-1].items() if key != "svg"}
    result = DriftResult.model_validate(
        {
            **document,
            "verdict": "disagrees",
            "cause": cause,
            "sentence": "Disagrees.",
            "total_upper95_arcmin": 0.7,
            "tolerance_arcmin": 1.0,
        }
    )

    _print(Console(file=written, width=100), result, None)

    assert ("Axis by drift" in written.getvalue()) is figures
    assert ("within the tolerance" in written.getvalue()) is figures
    assert "Disagrees." in written.getvalue()
    assert result.within_tolerance is (True if figures else None)
