"""The mount as an Alpaca telescope (ITelescopeV3 or V4)."""
# ruff: noqa: D102 - what get_ and put_ methods mean is said by the standard

from __future__ import annotations

import datetime as dt
import math
import re

from polewright.foundation.angles import DEG, HOUR, SIDEREAL_RATE
from polewright.foundation.clock import Clock
from polewright_sim.camera_spec import OpticsSpec
from polewright_sim.mount.mount_model import MountModel
from polewright_wire import Device, utc_text
from polewright_wire.errors import (
    NotNow,
    NotSupported,
    OperationAborted,
    Parked,
    ValueMissing,
    ValueRefused,
)
from polewright_wire.standard import TELESCOPE

_GERMAN, _FORK = 2, 1
_ISO = re.compile(r"(\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2})(\.\d{1,7})?Z?\Z")
_POLL_S = 0.05
_DRIVE_RATES = (0, 1, 2, 3)


def within(name: str, value: float, low: float, high: float, *, open_end: bool = False) -> float:
    """Return the value, or raise `ValueRefused` outside low to high."""
    if not low <= value <= high or (open_end and value == high):
        end = "under" if open_end else "to"
        raise ValueRefused(f"{name} must be {low:g} {end} {high:g}, not {value:g}")
    return value


class TelescopeDevice(Device):
    """Publishes a `MountModel`."""

    standard = TELESCOPE

    def __init__(
        self, mount: MountModel, optics: OpticsSpec, clock: Clock, *, name: str, unique_id: str
    ) -> None:
        super().__init__(
            name=name,
            unique_id=unique_id,
            description="Simulated equatorial mount",
            driver_info="Polewright's simulated rig: a mount with a crooked axis",
            interface_version=mount.spec.interface_version,
            utc_s=clock.utc_s,
        )
        self.mount = mount
        self._optics = optics
        self._clock = clock
        self._target_ra_hours: float | None = None
        self._target_dec_deg: float | None = None

    @property
    def _now(self) -> float:
        return self._clock.utc_s()

    @property
    def _asynchronous_only(self) -> bool:
        return self.interface_version >= TELESCOPE.latest

    # Place and time

    def get_rightascension(self) -> float:
        return self.mount.ra_dec(self._now)[0] / HOUR % 24.0

    def get_declination(self) -> float:
        return self.mount.ra_dec(self._now)[1] / DEG

    def get_altitude(self) -> float:
        return self.mount.alt_az(self._now)[0] / DEG

    def get_azimuth(self) -> float:
        return self.mount.alt_az(self._now)[1] / DEG % 360.0

    def get_siderealtime(self) -> float:
        return self.mount.belief.sidereal_time(self._now) / HOUR % 24.0

    def get_utcdate(self) -> str:
        return utc_text(self._now + self.mount.belief.clock_offset_s)

    def put_utcdate(self, text: str) -> None:
        match = _ISO.match(text)
        try:
            moment = dt.datetime.fromisoformat(match.group(1) + "+00:00") if match else None
        except ValueError:
            moment = None
        if match is None or moment is None:
            raise ValueRefused(f"UTCDate must look like 2030-01-31T23:59:59.9Z, not {text[:60]!r}")
        seconds = moment.timestamp() + float(match.group(2) or 0.0)
        self.mount.belief.clock_offset_s = seconds - self._now

    def get_sitelatitude(self) -> float:
        return self.mount.belief.latitude_deg

    def put_sitelatitude(self, value: float) -> None:
        self.mount.belief.latitude_deg = within("SiteLatitude", value, -90.0, 90.0)

    def get_sitelongitude(self) -> float:
        return self.mount.belief.longitude_deg

    def put_sitelongitude(self, value: float) -> None:
        self.mount.belief.longitude_deg = within("SiteLongitude", value, -180.0, 180.0)

    def get_siteelevation(self) -> float:
        return self.mount.belief.elevation_m

    def put_siteelevation(self, value: float) -> None:
        self.mount.belief.elevation_m = within("SiteElevation", value, -300.0, 10_000.0)

    def get_equatorialsystem(self) -> int:
        return self.mount.spec.equatorial_system

    def get_doesrefraction(self) -> bool:
        return False

    # What it is

    def get_alignmentmode(self) -> int:
        return _FORK if self.mount.spec.kind == "fork" else _GERMAN

    def get_aperturediameter(self) -> float:
        return self._optics.aperture_mm / 1000.0

    def get_aperturearea(self) -> float:
        return self._optics.collecting_area_cm2 / 1e4

    def get_focallength(self) -> float:
        return (self._optics.told_focal_length_mm or self._optics.focal_length_mm) / 1000.0

    def get_canfindhome(self) -> bool:
        return True

    def get_canpark(self) -> bool:
        return True

    def get_canpulseguide(self) -> bool:
        return True

    def get_cansetdeclinationrate(self) -> bool:
        return False

    def get_cansetguiderates(self) -> bool:
        return True

    def get_cansetpark(self) -> bool:
        return True

    def get_cansetpierside(self) -> bool:
        return False

    def get_cansetrightascensionrate(self) -> bool:
        return False

    def get_cansettracking(self) -> bool:
        return True

    def get_canslew(self) -> bool:
        return not self._asynchronous_only

    def get_canslewaltaz(self) -> bool:
        return not self._asynchronous_only

    def get_canslewaltazasync(self) -> bool:
        return True

    def get_canslewasync(self) -> bool:
        return self.mount.spec.slews_asynchronously

    def get_cansync(self) -> bool:
        return True

    def get_cansyncaltaz(self) -> bool:
        return False

    def get_canunpark(self) -> bool:
        return True

    # Tracking and guiding

    def get_tracking(self) -> bool:
        self.mount.keep_house(self._now)
        return self.mount.tracking

    def put_tracking(self, on: bool) -> None:
        self.mount.set_tracking(on, self._now)

    def get_trackingrate(self) -> int:
        return self.mount.tracking_rate

    def put_trackingrate(self, number: int) -> None:
        if number not in _DRIVE_RATES:
            raise ValueRefused(f"TrackingRate must be one of {_DRIVE_RATES}, not {number}")
        self.mount.set_tracking_rate(number, self._now)

    def get_trackingrates(self) -> list[int]:
        return list(_DRIVE_RATES)

    def get_rightascensionrate(self) -> float:
        return 0.0

    def get_declinationrate(self) -> float:
        return 0.0

    def get_guideraterightascension(self) -> float:
        return self.mount.guide_rates[0] / DEG

    def put_guideraterightascension(self, rate: float) -> None:
        self._set_guide_rate(0, rate)

    def get_guideratedeclination(self) -> float:
        return self.mount.guide_rates[1] / DEG

    def put_guideratedeclination(self, rate: float) -> None:
        self._set_guide_rate(1, rate)

    def _set_guide_rate(self, axis: int, rate: float) -> None:
        within("a guide rate (deg/s)", rate, 1e-6, SIDEREAL_RATE / DEG)
        self.mount.guide_rates[axis] = rate * DEG

    def get_ispulseguiding(self) -> bool:
        return self.mount.pulse_guiding(self._now)

    def put_pulseguide(self, direction: int, duration_ms: int) -> None:
        within("Direction", direction, 0, 3)
        within("Duration", duration_ms, 0, 600_000)
        self.mount.pulse(direction, duration_ms / 1000.0, self._now)

    # Pointing state

    def get_sideofpier(self) -> int:
        if self.mount.belief.fork or not self.mount.spec.reports_pier_side:
            raise NotSupported("this mount does not report its pointing state")
        return self.mount.side(self._now)

    def get_destinationsideofpier(self, ra_hours: float, dec_deg: float) -> int:
        if self.mount.belief.fork or not self.mount.spec.reports_destination_side:
            raise NotSupported("this mount does not tell the pointing state after a slew")
        ra, dec = _ra_dec(ra_hours, dec_deg)
        return self.mount.destination_side(ra, dec, self._now)

    # Slews

    def get_slewing(self) -> bool:
        return self.mount.slewing(self._now)

    def get_slewsettletime(self) -> int:
        return self.mount.settle_time_s

    def put_slewsettletime(self, seconds: int) -> None:
        self.mount.settle_time_s = int(within("SlewSettleTime", seconds, 0, 60))

    def get_targetrightascension(self) -> float:
        if self._target_ra_hours is None:
            raise ValueMissing("TargetRightAscension has not been set")
        return self._target_ra_hours

    def put_targetrightascension(self, hours: float) -> None:
        self._target_ra_hours = within("TargetRightAscension", hours, 0.0, 24.0, open_end=True)

    def get_targetdeclination(self) -> float:
        if self._target_dec_deg is None:
            raise ValueMissing("TargetDeclination has not been set")
        return self._target_dec_deg

    def put_targetdeclination(self, degrees: float) -> None:
        self._target_dec_deg = within("TargetDeclination", degrees, -90.0, 90.0)

    def put_slewtocoordinatesasync(self, ra_hours: float, dec_deg: float) -> None:
        if not self.mount.spec.slews_asynchronously:
            raise NotSupported("this mount's slews are answered on arrival only")
        self._begin_slew(ra_hours, dec_deg)

    def _begin_slew(self, ra_hours: float, dec_deg: float) -> None:
        ra, dec = _ra_dec(ra_hours, dec_deg)
        self.mount.slew_ra_dec(ra, dec, self._now)
        self._target_ra_hours, self._target_dec_deg = ra_hours, dec_deg

    def put_slewtotargetasync(self) -> None:
        self.put_slewtocoordinatesasync(
            self.get_targetrightascension(), self.get_targetdeclination()
        )

    def put_slewtoaltazasync(self, azimuth_deg: float, altitude_deg: float) -> None:
        within("Azimuth", azimuth_deg, 0.0, 360.0, open_end=True)
        within("Altitude", altitude_deg, -90.0, 90.0)
        self.mount.slew_alt_az(altitude_deg * DEG, azimuth_deg * DEG, self._now)

    def put_slewtocoordinates(self, ra_hours: float, dec_deg: float) -> None:
        self._refuse_synchronous()
        self._begin_slew(ra_hours, dec_deg)
        self._wait()

    def put_slewtotarget(self) -> None:
        self._refuse_synchronous()
        self._begin_slew(self.get_targetrightascension(), self.get_targetdeclination())
        self._wait()

    def put_slewtoaltaz(self, azimuth_deg: float, altitude_deg: float) -> None:
        self._refuse_synchronous()
        self.put_slewtoaltazasync(azimuth_deg, altitude_deg)
        self._wait()

    def _refuse_synchronous(self) -> None:
        if self._asynchronous_only:
            raise NotSupported("this mount slews asynchronously only; use the Async method")

    def _wait(self, want_parked: bool = False) -> None:
        while self.mount.slewing(self._now):
            self._clock.sleep(_POLL_S)
            if not self.connected:
                raise OperationAborted("the mount was disconnected during the slew")
        if want_parked and not self.mount.at_park:
            raise OperationAborted("the mount was stopped before it had parked")

    def put_abortslew(self) -> None:
        self.mount.abort(self._now)

    # Syncs

    def put_synctocoordinates(self, ra_hours: float, dec_deg: float) -> None:
        ra, dec = _ra_dec(ra_hours, dec_deg)
        self.mount.keep_house(self._now)
        if self.mount.at_park:
            raise Parked("the mount is parked; unpark it first")
        if not self.mount.tracking:
            raise NotNow("tracking is off; switch it on before a sync")
        self.mount.sync(ra, dec, self._now)
        self._target_ra_hours, self._target_dec_deg = ra_hours, dec_deg

    def put_synctotarget(self) -> None:
        self.put_synctocoordinates(self.get_targetrightascension(), self.get_targetdeclination())

    # Axis moves

    def get_canmoveaxis(self, axis: int) -> bool:
        within("Axis", axis, 0, 2)
        return self.mount.spec.can_move_axis and axis < 2

    def get_axisrates(self, axis: int) -> list[dict[str, float]]:
        if not self.get_canmoveaxis(axis):
            return []
        return [{"Maximum": self.mount.spec.slew_deg_per_s, "Minimum": 0.0}]

    def put_moveaxis(self, axis: int, rate_deg_per_s: float) -> None:
        if not self.get_canmoveaxis(axis):
            raise NotSupported(f"axis {axis} cannot be moved by MoveAxis")
        top = self.mount.spec.slew_deg_per_s
        within("Rate", rate_deg_per_s, -top, top)
        self.mount.move_axis(axis, math.radians(rate_deg_per_s), self._now)

    # Park and home

    def get_atpark(self) -> bool:
        self.mount.keep_house(self._now)
        return self.mount.at_park

    def get_athome(self) -> bool:
        self.mount.keep_house(self._now)
        return self.mount.at_home

    def put_park(self) -> None:
        self.mount.park(self._now)
        if not self._asynchronous_only:
            self._wait(want_parked=True)

    def put_unpark(self) -> None:
        self.mount.unpark(self._now)

    def put_setpark(self) -> None:
        self.mount.set_park(self._now)

    def put_findhome(self) -> None:
        self.mount.find_home(self._now)
        if not self._asynchronous_only:
            self._wait()


def _ra_dec(ra_hours: float, dec_deg: float) -> tuple[float, float]:
    within("RightAscension", ra_hours, 0.0, 24.0, open_end=True)
    within("Declination", dec_deg, -90.0, 90.0)
    return ra_hours * HOUR, dec_deg * DEG
