"""What a monitoring system reads from the service."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
import requests

pytest.importorskip("prometheus_client")

from prometheus_client.parser import text_string_to_metric_families

from polewright.foundation.clock import SystemClock
from polewright.foundation.config import config_from_text
from polewright.interfaces.web import metrics as metrics_module
from polewright.interfaces.web.app import create_app
from polewright.interfaces.web.metrics import Metrics, MetricsMissing
from polewright.interfaces.web.runner import SessionRunner
from polewright.interfaces.web.server import RunningService
from polewright.records import events
from polewright.session.snapshot import ErrorNow, FrameNow, SessionSnapshot
from polewright.session.states import Step

NOW_S = 1795210200.0
ERROR = ErrorNow(
    d_alt_arcmin=-3.0,
    d_az_sky_arcmin=4.0,
    d_az_base_arcmin=5.6,
    total_arcmin=5.0,
    sigma_alt_arcmin=0.1,
    sigma_az_sky_arcmin=0.1,
    sigma_total_arcmin=0.1,
    upper95_arcmin=5.2,
    state="settled",
    utc_s=NOW_S - 30.0,
)


def shown(running=True, **changes):
    """Something with a clock that stands and a snapshot."""
    snapshot = SessionSnapshot(
        session_id="s", version=1, utc_s=NOW_S, tolerance_arcmin=1.0, **changes
    )
    return SimpleNamespace(
        clock=SimpleNamespace(utc_s=lambda: NOW_S), running=running, snapshot=lambda: snapshot
    )


def samples(text: bytes):
    return {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(text.decode())
        for sample in family.samples
    }


def solved(solve_s: float) -> events.PointSolved:
    return events.PointSolved(
        utc_s=NOW_S,
        point=1,
        points=3,
        ra_deg=10.0,
        dec_deg=20.0,
        azimuth_deg=30.0,
        altitude_deg=40.0,
        scale_arcsec_per_px=4.0,
        parity=1,
        matched=20,
        rms_arcsec=0.5,
        sigma_pointing_arcsec=0.2,
        sigma_roll_arcsec=9.0,
        solve_s=solve_s,
        mount_offset_arcmin=3.0,
    )


def test_gauges_tell_the_session_as_it_is_now() -> None:
    """Step, error with its uncertainty and age, sweeps, moves, stars."""
    frame = FrameNow(number=3, star_count=55, exposure_s=2.0)
    seen = samples(
        Metrics().text(shown(step=Step.ADJUSTING, error=ERROR, frame=frame, sweeps=2, moves=7))
    )

    assert seen["polewright_session_running",] == 1.0
    assert seen["polewright_session_step", "adjusting"] == 1.0
    assert seen["polewright_session_step", "sweeping"] == 0.0
    assert seen["polewright_error_total_arcmin",] == 5.0
    assert seen["polewright_error_azimuth_sky_arcmin",] == 4.0
    assert seen["polewright_error_sigma_arcmin",] == 0.1
    assert seen["polewright_error_age_seconds",] == 30.0
    assert seen["polewright_session_sweeps",] == 2.0
    assert seen["polewright_session_moves",] == 7.0
    assert seen["polewright_frame_stars",] == 55.0


def test_there_is_no_error_before_one_is_measured() -> None:
    """Rather than a zero that reads as perfect."""
    seen = samples(Metrics().text(shown(step=Step.IDLE, running=False)))

    assert not [name for name in seen if name[0].startswith("polewright_error")]


def test_counters_grow_with_the_events_of_all_sessions() -> None:
    """Frames, sweeps, and solve times by size."""
    metrics = Metrics()
    for solve_s in (0.02, 0.05, 5.0):
        metrics(solved(solve_s))
    metrics(
        events.FrameMeasured(
            utc_s=NOW_S,
            point=1,
            star_count=9,
            hfd_px=None,
            elongation=None,
            background_adu=1.0,
            exposure_s=1.0,
        )
    )
    seen = samples(metrics.text(shown(step=Step.SWEEPING)))

    assert seen["polewright_frames_total",] == 1.0
    assert seen["polewright_sweeps_total",] == 0.0
    assert seen["polewright_solve_seconds_count",] == 3.0
    assert seen["polewright_solve_seconds_bucket", "0.1"] == 2.0
    assert seen["polewright_solve_seconds_sum",] == pytest.approx(5.07)


def test_devices_are_connected_from_their_event_to_the_sessions_end() -> None:
    """A session that died without an event counts as ended too."""
    metrics = Metrics()
    metrics(
        events.Connected(
            utc_s=NOW_S, device="telescope", name="t", address="a", interface_version=3
        )
    )
    during = samples(metrics.text(shown(step=Step.SWEEPING)))
    died = samples(metrics.text(shown(step=Step.SWEEPING, running=False)))
    metrics(events.StepChanged(utc_s=NOW_S, step="failed", was="sweeping", why="x"))
    after = samples(metrics.text(shown(step=Step.FAILED)))

    assert during["polewright_device_connected", "telescope"] == 1.0
    assert during["polewright_device_connected", "camera"] == 0.0
    assert died["polewright_device_connected", "telescope"] == 0.0
    assert after["polewright_device_connected", "telescope"] == 0.0


def test_the_service_gives_them_to_whoever_has_the_token() -> None:
    """As plain text that a collector takes; a session's figures are for nobody else."""
    metrics = Metrics()
    runner = SessionRunner(
        lambda extra: config_from_text("", overrides=extra), SystemClock(), listener=metrics
    )
    app = create_app(runner, "a-token", metrics=metrics)
    with RunningService(app, "127.0.0.1", 0, runner.feed) as service:
        url = f"{service.url}metrics"
        locked = requests.get(url, timeout=300)
        answer = requests.get(url, headers={"Authorization": "Bearer a-token"}, timeout=300)
    runner.close()

    assert locked.status_code == 401
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    assert samples(answer.content)["polewright_session_step", "idle"] == 1.0


def test_without_the_package_the_answer_says_what_to_install(monkeypatch) -> None:
    """Everything else works; events are still heard."""
    monkeypatch.setattr(metrics_module, "find_spec", lambda _name: None)
    metrics = Metrics()
    metrics(solved(0.1))

    with pytest.raises(MetricsMissing) as caught:
        metrics.text(shown(step=Step.IDLE))
    assert "prometheus_client" in str(caught.value)
