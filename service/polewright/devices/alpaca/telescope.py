"""A mount. Angles at this edge are degrees, right ascension hours, as Alpaca has them.

Right ascension and declination are in the mount's own `equatorial_system`: converting is the
caller's work (this room knows no geometry).
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntEnum
from typing import Any, ClassVar, Literal

from polewright.devices.alpaca.client import AlpacaConnection
from polewright.devices.alpaca.deadline import Deadline
from polewright.devices.alpaca.errors import (
    AlpacaError,
    CannotSlew,
    SettingNotTaken,
    is_absent,
)
from polewright.devices.alpaca.models import BOOL, FLOAT, INT, TEXT, parse_utc
from polewright.devices.alpaca.mount_state import MountState, PierSide
from polewright.devices.alpaca.slew_and_stop import LOST, Motion, OpenCall, Watch
from polewright.foundation.clock import CancelToken, Clock
from polewright.foundation.language import say


class EquatorialSystem(IntEnum):
    """The frame of the mount's coordinates."""

    OTHER = 0
    TOPOCENTRIC = 1
    """True equator and equinox of date, as seen from the site."""
    J2000 = 2
    J2050 = 3
    B1950 = 4


class DriveRate(IntEnum):
    """The rate at which a tracking mount drives in right ascension (Alpaca's names)."""

    SIDEREAL = 0
    LUNAR = 1
    SOLAR = 2
    KING = 3
    """Slower than the sidereal rate by what refraction does on average."""


class Telescope(Motion):
    """An equatorial mount of interface version 1 to 4."""

    device_type: ClassVar[str] = "telescope"
    platform7_version: ClassVar[int] = 4

    def _forget(self) -> None:
        super()._forget()
        self._refused_async = False

    # -- where it points -------------------------------------------------------------------

    def right_ascension_hours(self) -> float:
        """Right ascension in [0, 24) hours, in the mount's own system."""
        return self._get("rightascension", FLOAT) % 24.0

    def declination_deg(self) -> float:
        """Declination, degrees, in the mount's own system."""
        return self._get("declination", FLOAT)

    def altitude_deg(self) -> float | None:
        """Altitude, degrees."""
        return self._optional("altitude", FLOAT)

    def azimuth_deg(self) -> float | None:
        """Azimuth in [0, 360), north 0, east 90."""
        azimuth = self._optional("azimuth", FLOAT)
        return None if azimuth is None else azimuth % 360.0

    def sidereal_time_hours(self) -> float | None:
        """Local apparent sidereal time in [0, 24) as the mount sees it."""
        hours = self._optional("siderealtime", FLOAT)
        return None if hours is None else hours % 24.0

    def equatorial_system(self) -> EquatorialSystem:
        """Frame of the mount's coordinates; `EquatorialSystem.OTHER`, with a note, if unknown."""
        number = self._optional("equatorialsystem", INT)
        try:
            system = EquatorialSystem.OTHER if number is None else EquatorialSystem(number)
        except ValueError:
            system = EquatorialSystem.OTHER
        if system is EquatorialSystem.OTHER:
            self.note(say("the mount does not say which coordinates it uses; of-date is the usual"))
        return system

    def tracking_rate(self) -> DriveRate | None:
        """The rate at which it drives while it tracks; None when it does not tell."""
        number = self._optional("trackingrate", INT)
        return DriveRate(number) if number in tuple(DriveRate) else None

    def side_of_pier(self) -> PierSide | None:
        """Pointing state as the mount claims: often unknown, sometimes wrong."""
        return _pier(self._optional("sideofpier", INT))

    def destination_side_of_pier(
        self, right_ascension_hours: float, declination_deg: float
    ) -> PierSide | None:
        """Pointing state that a slew started now would end in; None when the mount cannot say."""
        number = self._optional(
            "destinationsideofpier",
            INT,
            RightAscension=float(right_ascension_hours),
            Declination=float(declination_deg),
        )
        return _pier(number)

    def state(self) -> MountState:
        """Look at everything that guards need, by one call when the mount can do that."""
        utc_s = self.clock.utc_s()
        found: Mapping[str, Any] | None = self.device_state()
        ra = self._from_state(found, "RightAscension", FLOAT)
        dec = self._from_state(found, "Declination", FLOAT)
        slewing = self._from_state(found, "Slewing", BOOL)
        tracking = self._from_state(found, "Tracking", BOOL)
        altitude = self._from_state(found, "Altitude", FLOAT)
        azimuth = self._from_state(found, "Azimuth", FLOAT)
        side = _pier(self._from_state(found, "SideOfPier", INT))
        parked = self._from_state(found, "AtPark", BOOL)
        sidereal = self._from_state(found, "SiderealTime", FLOAT)
        # Asked before the place: a mount that arrives in between must not seem to have stopped
        # short of where it is.
        moving = self.slewing() if slewing is None else slewing
        return MountState(
            utc_s=utc_s,
            right_ascension_hours=self.right_ascension_hours() if ra is None else ra % 24.0,
            declination_deg=self.declination_deg() if dec is None else dec,
            slewing=moving,
            tracking=self.tracking() if tracking is None else tracking,
            altitude_deg=self.altitude_deg() if altitude is None else altitude,
            azimuth_deg=self.azimuth_deg() if azimuth is None else azimuth % 360.0,
            side_of_pier=self.side_of_pier() if side is None else side,
            at_park=self.at_park() if parked is None else parked,
            sidereal_time_hours=(
                self.sidereal_time_hours() if sidereal is None else sidereal % 24.0
            ),
        )

    # -- site and time ---------------------------------------------------------------------

    def site_latitude_deg(self) -> float | None:
        """Latitude set in the mount, degrees north; may be wrong, compare with the user's."""
        return self._optional("sitelatitude", FLOAT)

    def site_longitude_deg(self) -> float | None:
        """Longitude set in the mount, degrees east by the standard, west in some drivers."""
        return self._optional("sitelongitude", FLOAT)

    def site_elevation_m(self) -> float | None:
        """Elevation set in the mount, metres."""
        return self._optional("siteelevation", FLOAT)

    def utc_date(self) -> float | None:
        """The mount's clock, Unix seconds UTC."""
        text = self._optional("utcdate", TEXT)
        if text is None:
            return None
        try:
            return parse_utc(text)
        except (ValueError, OverflowError) as exc:
            self.note(say("telescope gives no usable utcdate: {exc}", exc=exc))
            return None

    def focal_length_m(self) -> float | None:
        """Focal length set in the driver, metres by the standard; often 0 or in millimetres."""
        return self._optional("focallength", FLOAT)

    # -- tracking --------------------------------------------------------------------------

    def tracking(self) -> bool | None:
        """Whether the mount follows the sky."""
        return self._optional("tracking", BOOL)

    def set_tracking(
        self, on: bool, *, clock: Clock | None = None, cancel: CancelToken | None = None
    ) -> None:
        """Switch tracking and wait up to 5 s for it to read back.

        Raises: `SettingNotTaken`, `Parked`, `NotImplementedByDevice`.
        """
        timer = clock or self.clock
        lost: AlpacaError | None = None
        try:
            self._put("tracking", timeout_s=15.0, Tracking=on)
        except LOST as error:
            lost = error
        deadline = Deadline(timer, 5.0)
        while (now := self.tracking()) is not on:
            if now is None and lost is None:
                return  # it does not tell
            if now is None or deadline.passed:
                if lost is not None:
                    raise lost
                raise SettingNotTaken(
                    self.where,
                    "tracking",
                    say("asked {asked}, still reads {read}", asked=on, read=now),
                )
            timer.sleep(0.25, cancel)

    # -- park and home ---------------------------------------------------------------------

    def at_park(self) -> bool | None:
        """Whether the mount is parked."""
        return self._optional("atpark", BOOL)

    def unpark(self, *, timeout_s: float = 60.0, cancel: CancelToken | None = None) -> None:
        """Leave the park state; tracking is usually off afterwards. Raises when it cannot."""
        self._put("unpark", timeout_s=timeout_s)
        self._wait("unpark", lambda: self.at_park() is not True, timeout_s, None, cancel, None)

    def park(
        self,
        *,
        timeout_s: float = 180.0,
        clock: Clock | None = None,
        cancel: CancelToken | None = None,
        watch: Watch | None = None,
    ) -> None:
        """Move to the park position and wait until there; stopped on any failure or cancel."""
        self._guarded_move("park", lambda: self.at_park() is True, timeout_s, clock, cancel, watch)

    # -- slews and axis moves --------------------------------------------------------------

    def slew_to_coordinates_async(
        self, right_ascension_hours: float, declination_deg: float
    ) -> None:
        """Start a slew (mount's own system); the caller polls `slewing` and must stop it.

        Raises: `Parked`, `InvalidValue`, `InvalidOperation` (tracking is off).
        """
        self._put(
            "slewtocoordinatesasync",
            timeout_s=30.0,
            RightAscension=float(right_ascension_hours) % 24.0,
            Declination=float(declination_deg),
        )

    def start_slew(
        self, right_ascension_hours: float, declination_deg: float, timeout_s: float
    ) -> OpenCall | None:
        """Start a slew the way this mount can; see `Motion.start_slew`."""
        way = self.way_to_slew()
        if way != "blocking":
            try:
                self.slew_to_coordinates_async(right_ascension_hours, declination_deg)
            except AlpacaError as exc:
                if way == "async" or not is_absent(exc):
                    raise
                self._refused_async = True
                self.way_to_slew()
            else:
                return None
        return OpenCall(
            lambda: self._slew_blocking(right_ascension_hours, declination_deg, timeout_s),
            self.clock,
        )

    def _slew_blocking(
        self, right_ascension_hours: float, declination_deg: float, timeout_s: float
    ) -> None:
        """Slew by a connection of its own, which is taken up until the mount has arrived."""
        server = self.connection
        with AlpacaConnection(server.host, server.port, client_id=server.client_id) as own:
            Telescope(own, self.number)._put(
                "slewtocoordinates",
                timeout_s=timeout_s,
                RightAscension=float(right_ascension_hours) % 24.0,
                Declination=float(declination_deg),
            )

    def way_to_slew(self) -> Literal["async", "try", "blocking"]:
        """Return how this mount slews: ``try`` the asynchronous slew where it does not say.

        Raises: `CannotSlew`, saying what is missing.
        """
        if self.can_slew_async():
            return "async"
        if "canslewasync" in self._absent and not self._refused_async:
            return "try"
        if self._flag("canslew", needed=True):
            self.note(
                say(
                    "the mount offers only slews whose answer comes when it has arrived; it "
                    "is watched and can be stopped meanwhile only if its server answers two "
                    "at a time"
                ),
                tell=True,
            )
            return "blocking"
        raise CannotSlew(
            self.where, "slewtocoordinatesasync", say("neither CanSlewAsync nor CanSlew is True")
        )

    def stop_axis(self, axis: int) -> None:
        """End a turn of one axis: rate 0."""
        self._put("moveaxis", timeout_s=5.0, urgent=True, Axis=axis, Rate=0.0)

    # -- abilities -------------------------------------------------------------------------

    def can_slew_async(self) -> bool:
        """Whether slews by right ascension and declination return at once."""
        return self._flag("canslewasync", needed=True)

    def can_set_tracking(self) -> bool:
        """Whether it says that tracking can be switched."""
        return self._flag("cansettracking")

    def can_unpark(self) -> bool:
        """Whether it says that it can be unparked."""
        return self._flag("canunpark")


def _pier(number: int | None) -> PierSide | None:
    if number is None:
        return None
    return PierSide(number) if number in {0, 1} else PierSide.UNKNOWN
