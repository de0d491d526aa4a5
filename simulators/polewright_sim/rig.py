"""A whole simulated rig in this process: mount, knobs, sky and what the camera records."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from polewright.foundation.angles import ARCMIN, DEG, Matrix
from polewright.foundation.clock import Clock, SystemClock
from polewright_sim.camera.camera_device import Exposure
from polewright_sim.camera.render import render_frame
from polewright_sim.camera_spec import OpticsSpec, SensorSpec
from polewright_sim.mount.adjusters import Adjusters, Turn
from polewright_sim.mount.mechanics import AxisTruth, axis_truth
from polewright_sim.mount.mount_model import MountModel
from polewright_sim.sky.background import daylight
from polewright_sim.sky.disturbance import CLEAR, Disturbance
from polewright_sim.sky.silhouette import Silhouette
from polewright_sim.sky.stars import SkyModel
from polewright_sim.spec import RigSpec

_QUIET_SAMPLES = 5
_MOVING_SAMPLES = 96
_SAMPLES_A_SWING = 10
_MOST_SAMPLES = 400


class Renderer(Protocol):
    """Makes a frame; `polewright_sim.camera.render.render_frame` is the real one."""

    def __call__(
        self,
        sky: SkyModel,
        optics: OpticsSpec,
        sensor: SensorSpec,
        attitudes: NDArray[np.float64],
        utc_mid_s: float,
        exposure_s: float,
        rng: np.random.Generator,
        *,
        light: bool = True,
        binning: int = 1,
        subframe: tuple[int, int, int, int] | None = None,
        disturbance: Disturbance | None = None,
    ) -> NDArray[np.uint16]:
        """Return the counts (H, W)."""


DisturbanceAt = Callable[[float, float], Disturbance | None]
"""What spoils a frame with this mid time (Unix seconds UTC) and length (s)."""


@dataclass(frozen=True)
class Recorded:
    """The truth about a frame."""

    exposure: Exposure
    attitude: Matrix
    """Camera x, y, boresight as columns in the observed frame, mid exposure (3, 3)."""
    utc_mid_s: float
    axis: AxisTruth
    quiet: bool
    """Nothing but tracking went on."""


class SimulatedRig:
    """Everything behind the simulated devices. Hooks may be set at any time."""

    def __init__(
        self,
        spec: RigSpec | None = None,
        clock: Clock | None = None,
        seed: int | None = None,
        *,
        renderer: Renderer = render_frame,
    ) -> None:
        """Set a rig up.

        Args:
            spec: what it is made of; None takes the defaults.
            clock: the time that passes at the rig; None takes the computer's.
            seed: overrides the one in ``spec``.
            renderer: makes the frames.
        """
        self.spec = spec or RigSpec()
        self.clock: Clock = clock or SystemClock()
        now = self.clock.utc_s()
        self.adjusters = Adjusters(self.spec.adjusters, now)
        self.mount = MountModel(
            self.spec.mount,
            self.spec.site,
            self.spec.misalignment,
            self.adjusters,
            roll=self.spec.optics.roll_deg * DEG,
            utc_s=now,
        )
        horizon: Silhouette | None = None
        if self.spec.horizon or self.spec.overhang:
            horizon = Silhouette.from_pairs(
                self.spec.horizon or ((0.0, 0.0),), self.spec.overhang or None
            )
        self.sky = SkyModel(
            self.spec.site.site(), self.spec.site.atmosphere(), self.spec.sky, horizon
        )
        self.disturbance_at: DisturbanceAt | None = None
        """Hook for cloud, dew and wind; None is a clear night."""
        self.safe = True
        """What the safety monitor says."""
        self.cover_open: Callable[[], bool] = lambda: True
        self.defocus_um: Callable[[], float] = lambda: self.spec.optics.defocus_um
        self.recorded: deque[Recorded] = deque(maxlen=200)
        """The truth about the last frames."""
        self._renderer = renderer
        self._rng = np.random.default_rng(self.spec.seed if seed is None else seed)
        self._drawing = threading.Lock()

    def truth(self, utc_s: float | None = None) -> AxisTruth:
        """Return where the polar axis is now, or was at a time."""
        return axis_truth(
            self.spec.site, self.mount.axis(self.clock.utc_s() if utc_s is None else utc_s)
        )

    def turn_knobs(
        self, *, altitude_arcmin: float = 0.0, azimuth_arcmin: float = 0.0, wait: bool = False
    ) -> list[Turn]:
        """Turn the knobs (see `Adjusters.turn`); ``wait`` until they have come to rest."""
        now = self.clock.utc_s()
        turns = self.adjusters.turn(
            now, altitude_arcmin=altitude_arcmin, azimuth_arcmin=azimuth_arcmin
        )
        if wait:
            for turn in turns:
                self.clock.sleep(max(0.0, turn.done_s - self.clock.utc_s()))
        return turns

    def record(self, exposure: Exposure) -> NDArray[np.uint16]:
        """Return the frame of an exposure that has just ended."""
        start_s, length_s = exposure.start_s, exposure.duration_s
        end_s, middle_s = start_s + length_s, start_s + 0.5 * length_s
        quiet = self.mount.quiet_between(start_s, end_s) and self.adjusters.quiet_since(start_s)
        count = _QUIET_SAMPLES
        if not quiet:
            swings = _SAMPLES_A_SWING * self.spec.mount.vibration_hz * length_s
            count = int(min(_MOST_SAMPLES, max(_MOVING_SAMPLES, swings)))
        times = start_s + (np.arange(count) + 0.5) / count * length_s
        attitudes = self.mount.attitudes(times.tolist())
        spoilt = self.disturbance_at(middle_s, length_s) if self.disturbance_at else None
        disturbance = replace(spoilt or CLEAR, sunlight=daylight(self.sky, middle_s))
        self.recorded.append(
            Recorded(
                exposure=exposure,
                attitude=self.mount.attitude(middle_s),
                utc_mid_s=middle_s,
                axis=self.truth(middle_s),
                quiet=quiet,
            )
        )
        optics = self.spec.optics.model_copy(update={"defocus_um": self.defocus_um()})
        with self._drawing:
            return self._renderer(
                self.sky,
                optics,
                self.spec.sensor,
                attitudes,
                middle_s,
                length_s,
                self._rng,
                light=exposure.light and self.cover_open(),
                binning=exposure.binning,
                subframe=exposure.subframe,
                disturbance=disturbance,
            )

    def report(self) -> dict[str, object]:
        """Everything true about the rig right now, for the control API."""
        now = self.clock.utc_s()
        mount = self.mount
        hour_angle, dec = mount.hour_angle_dec(now)
        altitude, azimuth = mount.alt_az(now)
        return {
            "utc_s": now,
            "axis": asdict(self.truth(now)),
            "mount": {
                "tracking": mount.tracking,
                "slewing": mount.slewing(now),
                "moving": mount.still_moving(now),
                "at_park": mount.at_park,
                "side_of_pier": mount.side(now),
                "hour_angle_deg": hour_angle / DEG,
                "declination_deg": dec / DEG,
                "altitude_deg": altitude / DEG,
                "azimuth_deg": azimuth / DEG,
            },
            "adjusters": {
                knob.name: {
                    "position_arcmin": knob.position_arcmin(now),
                    "axis_arcmin": knob.axis_arcmin(now),
                    "moving": knob.moving(now),
                }
                for knob in (self.adjusters.altitude, self.adjusters.azimuth)
            },
            "safe": self.safe,
            "cover_open": self.cover_open(),
            "defocus_um": self.defocus_um(),
            "frames": len(self.recorded),
        }

    def disturb_mount(
        self,
        *,
        slip_declination_arcmin: float = 0.0,
        slip_right_ascension_arcmin: float = 0.0,
        sink_east_arcmin: float = 0.0,
        sink_north_arcmin: float = 0.0,
    ) -> None:
        """Let a clutch slip, or the tripod tip over to the east or the north, now."""
        now = self.clock.utc_s()
        if slip_declination_arcmin:
            self.mount.slip_declination(slip_declination_arcmin * ARCMIN, now)
        if slip_right_ascension_arcmin:
            self.mount.slip_right_ascension(slip_right_ascension_arcmin * ARCMIN, now)
        if sink_east_arcmin or sink_north_arcmin:
            rotation = np.array([-sink_north_arcmin, sink_east_arcmin, 0.0]) * ARCMIN
            self.mount.sink(rotation, now)
