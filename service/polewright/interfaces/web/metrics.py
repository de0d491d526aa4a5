"""What a monitoring system of an observatory collects, in Prometheus' text format.

Gauges are read from the runner at each collection; counters grow with the events of all sessions.
Needs the package prometheus_client (extra ``metrics``).
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from importlib.util import find_spec
from typing import TYPE_CHECKING, Protocol

from polewright.foundation.clock import Clock
from polewright.foundation.errors import ConfigError
from polewright.records import events
from polewright.session.snapshot import SessionSnapshot
from polewright.session.states import ENDED, Step

if TYPE_CHECKING:
    from prometheus_client.core import GaugeMetricFamily, Metric

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
#: Upper edges, seconds; from a followed frame to a blind search on a slow computer.
SOLVE_EDGES_S = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0)
DEVICES = ("telescope", "camera")
DISCONNECTED = frozenset(step.value for step in (Step.CHECKING, *ENDED))


class MetricsMissing(ConfigError):
    """The package that writes metrics is not installed."""

    code = "metrics_missing"
    advice = "pip install prometheus_client (the extra `metrics`) where the service runs."

    def __str__(self) -> str:
        return "this service has no metrics: the package prometheus_client is not installed"


class Shows(Protocol):
    """What the gauges are read from, such as a `SessionRunner`."""

    clock: Clock

    @property
    def running(self) -> bool:
        """Whether a session is under way."""

    def snapshot(self) -> SessionSnapshot:
        """Return the present session's snapshot, or an idle one."""


class Metrics:
    """Hears the events of every session and answers collections. Thread-safe, never raises.

    Without prometheus_client it hears all the same and `text` raises `MetricsMissing`.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._connected: set[str] = set()
        self.available = find_spec("prometheus_client") is not None
        if not self.available:
            return
        from prometheus_client import CollectorRegistry, Counter, Histogram

        self._registry = CollectorRegistry()
        self._frames = Counter(
            "polewright_frames", "Frames in which stars were looked for", registry=self._registry
        )
        self._sweeps = Counter(
            "polewright_sweeps", "Sweeps that were fitted", registry=self._registry
        )
        self._solves = Histogram(
            "polewright_solve_seconds",
            "Time that solving a frame took",
            buckets=SOLVE_EDGES_S,
            registry=self._registry,
        )

    def __call__(self, event: events.Event) -> None:
        """Hear an event."""
        match event:
            case events.Connected():
                with self._lock:
                    self._connected.add(event.device)
            case events.StepChanged() if event.step in DISCONNECTED:
                with self._lock:
                    self._connected.clear()
            case events.FrameMeasured() if self.available:
                self._frames.inc()
            case events.PointSolved() if self.available:
                self._solves.observe(event.solve_s)
            case events.AxisMeasured() if self.available:
                self._sweeps.inc()

    def text(self, runner: Shows) -> bytes:
        """Return a page for the collector. Raises `MetricsMissing`."""
        if not self.available:
            raise MetricsMissing
        from prometheus_client import CollectorRegistry, generate_latest
        from prometheus_client.registry import Collector

        with self._lock:
            connected = frozenset(self._connected) if runner.running else frozenset()
        now = runner.snapshot()
        utc_s, running = runner.clock.utc_s(), runner.running

        class Gauges(Collector):
            def collect(self) -> Iterator[Metric]:
                yield from _gauges(now, utc_s, running, connected)

        momentary = CollectorRegistry()
        momentary.register(Gauges())
        return generate_latest(self._registry) + generate_latest(momentary)


def _gauge(name: str, text: str, value: float) -> GaugeMetricFamily:
    from prometheus_client.core import GaugeMetricFamily

    return GaugeMetricFamily(f"polewright_{name}", text, value=value)


def _gauges(
    now: SessionSnapshot, utc_s: float, running: bool, connected: frozenset[str]
) -> Iterator[Metric]:
    from prometheus_client.core import GaugeMetricFamily

    yield _gauge("session_running", "1 while a session runs", float(running))
    steps = GaugeMetricFamily(
        "polewright_session_step", "1 for the step the session is in", labels=["step"]
    )
    for step in Step:
        steps.add_metric([step.value], float(step is now.step))
    yield steps
    devices = GaugeMetricFamily(
        "polewright_device_connected",
        "1 while the running session has the device connected",
        labels=["device"],
    )
    for device in sorted({*DEVICES, *connected}):
        devices.add_metric([device], float(device in connected))
    yield devices
    yield _gauge("session_sweeps", "Sweeps of this session", now.sweeps)
    yield _gauge("session_moves", "Settled moves of the adjusters in this session", now.moves)
    yield _gauge("tolerance_arcmin", "Wanted total error", now.tolerance_arcmin)
    if now.frame is not None:
        yield _gauge("frame_stars", "Stars in the last frame", now.frame.star_count)
    error = now.error
    if error is None:
        return
    for name, text, value in (
        ("error_total_arcmin", "Angle between axis and pole", error.total_arcmin),
        ("error_altitude_arcmin", "Positive: axis too high", error.d_alt_arcmin),
        ("error_azimuth_sky_arcmin", "Positive: axis too far east", error.d_az_sky_arcmin),
        ("error_sigma_arcmin", "1 sigma along the error's direction", error.sigma_total_arcmin),
        ("error_upper95_arcmin", "Total error is below with 95 %", error.upper95_arcmin),
        ("error_age_seconds", "Since the error was read", utc_s - error.utc_s),
    ):
        yield _gauge(name, text, value)
