"""The connected rig of one run: devices, solver, site, clock and whoever listens."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

from polewright.calculation.images.detector import EmbeddedDetector, StarDetector
from polewright.calculation.images.frame import Frame, StarList
from polewright.calculation.planning.pointing import Sides
from polewright.calculation.planning.request import PlanRequest, SweepPlan
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.mount_coordinates import icrs_from_mount
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.calculation.sky.weather import Weather
from polewright.devices.alpaca.camera import Camera
from polewright.devices.alpaca.observing_conditions import ObservingConditions
from polewright.devices.alpaca.telescope import Telescope
from polewright.foundation.angles import Vector
from polewright.foundation.clock import CancelToken, Clock
from polewright.foundation.config import Config
from polewright.foundation.language import say
from polewright.observing.rig.background_task import BackgroundTask
from polewright.observing.rig.guard_interface import RunGuards
from polewright.observing.rig.past_sweeps import RigCheck, RigSweep
from polewright.observing.rig.patience import Patience
from polewright.observing.rig.plate_solver import PlateSolver
from polewright.observing.rig.settle_memory import SettleMemory
from polewright.observing.rig.site_and_weather import weather_of
from polewright.observing.rig.solver_messages import SolverWords
from polewright.observing.rig.timings import SweepTimes
from polewright.observing.rig.tonight_tolerance import Known
from polewright.records.events import EventSink, Note, Progress

CAMERA_LATE_S = 0.5
"""A camera that has not said so much after an exposure that it is over is waited for, s."""


@dataclass
class Rig:
    """What a run works with. One run owns one rig."""

    telescope: Telescope
    camera: Camera
    plates: PlateSolver
    site: Site
    site_source: str
    weather: Weather
    weather_station: ObservingConditions | None
    pole: PoleTarget
    equatorial_system: int
    config: Final[Config]
    """As it was given; what the run learns stands below."""

    clock: Clock
    cancel: CancelToken
    emit: EventSink
    notes: list[str] = field(default_factory=list)
    site_accepted: str = ""
    """What of site and clock contradicts the mount and was accepted for this session."""
    on_frame: Callable[[Frame, StarList], None] | None = None
    """Called with every frame and its stars, for whoever shows or keeps pictures."""

    detector: StarDetector = field(default_factory=EmbeddedDetector)
    """Finds the stars of every frame that is measured or solved."""

    on_plan: Callable[[PlanRequest, SweepPlan], None] | None = None
    """Called with every sweep about to be made, for whoever draws it."""

    times: SweepTimes = field(default_factory=SweepTimes)
    """Where the time of the present measurement went."""

    settle_memory: SettleMemory = field(default_factory=SettleMemory)
    """What is known of short looks at the stars that tell when the mount has settled."""

    solver_words: SolverWords = field(default_factory=SolverWords)
    """What the solver says of slow work goes through here."""

    sides: Sides = field(default_factory=Sides)
    """What the mount means by its pointing states."""

    patience: Patience | None = None
    """How long the present sweep may get nowhere; None outside sweeps."""

    past_sweeps: tuple[RigSweep, ...] = ()
    """What the history knows of this mount and camera, newest last."""

    known: Known | None = None
    """What tonight's tolerance was computed with; None where it is fixed."""

    past_checks: tuple[RigCheck, ...] = ()
    """The same of its drift checks."""

    exposure_s: float = field(init=False)
    """Exposure at a point, s: as configured, until the run finds or needs another."""

    exposure_open: bool = field(init=False)
    """Whether that is still to be found from sky and stars ([sweep] exposure_auto)."""

    tolerance_arcmin: float = field(init=False)
    """Axis error that is good enough: as configured, or as tonight's exposures demand."""

    glances_off: str = ""
    """Why this run takes no glances between its live frames; empty while it may."""

    light_seen: bool = False
    """Whether a frame has shown that light reaches the camera, where that was in doubt."""

    at_camera: list[BackgroundTask[Any]] = field(default_factory=list)
    """What may still be exposing, though nobody waits for it any more."""

    guards: RunGuards = field(init=False)
    """What watches the run; set by whoever connects the rig."""

    def __post_init__(self) -> None:
        """Begin with what is configured."""
        self.exposure_s = self.config.sweep.exposure_s
        self.exposure_open = self.config.sweep.exposure_auto
        self.tolerance_arcmin = self.config.pole.tolerance_arcmin

    @property
    def atmosphere(self) -> Atmosphere:
        """The air of `weather`."""
        return self.weather.air

    def read_weather(self) -> None:
        """Ask the weather station again, if there is one: nights cool. Counts from here on."""
        if self.weather_station is not None:
            now_s = self.clock.utc_s()
            self.weather = weather_of(self.config, self.site, now_s, self.weather_station)
            self.plates.atmosphere = self.weather.air
        for sentence in self.weather.warnings:
            self.note(sentence, warning=True)

    def sky_now(self) -> ObservedFrame:
        """Return the sky over the site at this moment."""
        return ObservedFrame.at(self.site, self.atmosphere, self.clock.utc_s())

    def note(self, text: str, *, warning: bool = False) -> None:
        """Tell a sentence, and keep it for the report."""
        if text not in self.notes:
            self.notes.append(text)
            severity = "warning" if warning else "info"
            self.emit(Note(utc_s=self.clock.utc_s(), severity=severity, text=text))  # type: ignore[arg-type]

    def progress(
        self, step: str, point: int, points: int, done_s: float, total_s: float | None
    ) -> None:
        """Tell how far a slow step is. Raises `OutOfPatience` where a sweep gets nowhere."""
        for device in (self.telescope, self.camera):
            while device.told:
                self.note(
                    say("{label}: {popleft}", label=device.label, popleft=device.told.popleft()),
                    warning=True,
                )
        if self.patience is not None:
            self.patience.check()
        late = step == "exposure" and total_s is not None and done_s > total_s + CAMERA_LATE_S
        self.emit(
            Progress(
                utc_s=self.clock.utc_s(),
                step=step,  # type: ignore[arg-type]
                point=point,
                points=points,
                done_s=done_s,
                total_s=total_s,
                text=say("waiting for the camera") if late else "",
            )
        )

    def mount_icrs(self, sky: ObservedFrame) -> Vector:
        """Return where the mount says it points, ICRS unit vector (3,)."""
        return icrs_from_mount(
            sky,
            self.equatorial_system,
            self.telescope.right_ascension_hours(),
            self.telescope.declination_deg(),
        )


def nominal_scale(focal_length_mm: float | None, pixel_um: float | None) -> float | None:
    """Radians per pixel of a frame, or None when focal length or pixel is unknown."""
    if not focal_length_mm or not pixel_um:
        return None
    return pixel_um * 1e-3 / focal_length_mm
