"""The smaller devices of a rig: safety monitor, cover with lamp, roof, focuser and others."""
# ruff: noqa: D102 - what get_ and put_ methods mean is said by the standard

from __future__ import annotations

import threading
from collections.abc import Callable
from enum import IntEnum

from polewright.calculation.sky.site import Atmosphere
from polewright.foundation.clock import Clock
from polewright_sim.mount.motion import Track
from polewright_sim.spec import (
    CoverSpec,
    FocuserSpec,
    RoofSpec,
    SensorName,
    SiteSpec,
    SwitchSpec,
    WeatherStationSpec,
)
from polewright_wire import Device
from polewright_wire.errors import NotSupported, ValueRefused
from polewright_wire.standard import (
    COVER_CALIBRATOR,
    DOME,
    FOCUSER,
    OBSERVING_CONDITIONS,
    SAFETY_MONITOR,
    SWITCH,
)


class SafetyMonitorDevice(Device):
    """Says what it is told; not safe while disconnected."""

    standard = SAFETY_MONITOR
    always_readable = frozenset({"issafe"})

    def __init__(
        self, is_safe: Callable[[], bool], clock: Clock, *, name: str, unique_id: str
    ) -> None:
        super().__init__(
            name=name,
            unique_id=unique_id,
            description="Simulated safety monitor",
            utc_s=clock.utc_s,
        )
        self._is_safe = is_safe

    def get_issafe(self) -> bool:
        return self.connected and self._is_safe()


class ShutterStatus(IntEnum):
    """As the standard numbers them."""

    OPEN = 0
    CLOSED = 1
    OPENING = 2
    CLOSING = 3
    ERROR = 4


class CoverState(IntEnum):
    """As the standard numbers them."""

    NOT_PRESENT = 0
    CLOSED = 1
    MOVING = 2
    OPEN = 3
    UNKNOWN = 4
    ERROR = 5


class CalibratorState(IntEnum):
    """As the standard numbers them."""

    NOT_PRESENT = 0
    OFF = 1
    NOT_READY = 2
    READY = 3
    UNKNOWN = 4
    ERROR = 5


class Lid:
    """What hides the sky and takes its time to move away: a cover, a roof."""

    def __init__(self, clock: Clock, move_s: float, *, starts_open: bool) -> None:
        self._clock, self._move_s = clock, move_s
        self._lock = threading.Lock()
        self._track = Track(clock.utc_s(), float(starts_open))
        self._rest_s = clock.utc_s()
        self.goal: bool | None = starts_open
        """Whether it was last told to open; None when it was halted on its way."""

    @property
    def open(self) -> bool:
        """Whether it is out of the way."""
        return self.was_open(self._clock.utc_s())

    def was_open(self, utc_s: float) -> bool:
        """Whether it was out of the way at a time (Unix s)."""
        return self._track.at(utc_s)[0] > 0.999

    @property
    def moving(self) -> bool:
        """Whether it is on its way."""
        return self._clock.utc_s() < self._rest_s

    def move(self, *, to_open: bool) -> None:
        """Open or close it."""
        now = self._clock.utc_s()
        with self._lock:
            wanted = float(to_open)
            distance = wanted - self._track.at(now)[0]
            self.goal = to_open
            self._rest_s = now + abs(distance) * self._move_s
            if self._rest_s > now:
                self._track.add(now, distance / (self._rest_s - now))
                self._track.add(self._rest_s, 0.0)
            else:  # one that takes no time, or is there already
                self._track = Track(now, wanted)

    def halt(self) -> None:
        """Leave it where it is."""
        now = self._clock.utc_s()
        with self._lock:
            if now < self._rest_s:
                self._track.add(now, 0.0)
                self._rest_s = now
                self.goal = None


class RoofDevice(Device):
    """A roll-off roof that says what it does; it does not know where the telescope is."""

    standard = DOME

    def __init__(self, spec: RoofSpec, clock: Clock, *, name: str, unique_id: str) -> None:
        super().__init__(
            name=name,
            unique_id=unique_id,
            description="Simulated roll-off roof",
            interface_version=spec.interface_version,
            utc_s=clock.utc_s,
        )
        self.lid = Lid(clock, spec.move_s, starts_open=spec.starts_open)

    def get_cansetshutter(self) -> bool:
        return True

    def get_shutterstatus(self) -> int:
        lid = self.lid
        if lid.moving:
            return int(ShutterStatus.OPENING if lid.goal else ShutterStatus.CLOSING)
        # A shutter that stands between its ends is in error (from memory of the interface).
        if lid.goal is None:
            return int(ShutterStatus.ERROR)
        return int(ShutterStatus.OPEN if lid.goal else ShutterStatus.CLOSED)

    def get_slewing(self) -> bool:
        return self.lid.moving

    def put_openshutter(self) -> None:
        self.lid.move(to_open=True)

    def put_closeshutter(self) -> None:
        self.lid.move(to_open=False)

    def put_abortslew(self) -> None:
        self.lid.halt()


class CoverDevice(Device):
    """A lid that takes its time, and a lamp that has to warm up."""

    standard = COVER_CALIBRATOR

    def __init__(self, spec: CoverSpec, clock: Clock, *, name: str, unique_id: str) -> None:
        super().__init__(
            name=name,
            unique_id=unique_id,
            description="Simulated cover with lamp",
            interface_version=spec.interface_version,
            utc_s=clock.utc_s,
        )
        self._spec = spec
        self._clock = clock
        self._lid = Lid(clock, spec.move_s, starts_open=spec.starts_open)
        self._brightness = 0
        self._lamp_s: float | None = None

    @property
    def open(self) -> bool:
        """Whether the lid is out of the way."""
        return self._lid.open

    def get_coverstate(self) -> int:
        if self._lid.moving:
            return int(CoverState.MOVING)
        if self._lid.goal is None:
            return int(CoverState.UNKNOWN)
        return int(CoverState.OPEN if self._lid.goal else CoverState.CLOSED)

    def get_covermoving(self) -> bool:
        return self._lid.moving

    def put_opencover(self) -> None:
        self._lid.move(to_open=True)

    def put_closecover(self) -> None:
        self._lid.move(to_open=False)

    def put_haltcover(self) -> None:
        self._lid.halt()

    def get_maxbrightness(self) -> int:
        return self._spec.max_brightness

    def get_brightness(self) -> int:
        return self._brightness

    def get_calibratorstate(self) -> int:
        if self._lamp_s is None:
            return int(CalibratorState.OFF)
        ready = self._clock.utc_s() >= self._lamp_s
        return int(CalibratorState.READY if ready else CalibratorState.NOT_READY)

    def get_calibratorchanging(self) -> bool:
        return self.get_calibratorstate() == CalibratorState.NOT_READY

    def put_calibratoron(self, brightness: int) -> None:
        if not 0 <= brightness <= self._spec.max_brightness:
            raise ValueRefused(
                f"Brightness must be 0 to {self._spec.max_brightness}, not {brightness}"
            )
        self._brightness = brightness
        self._lamp_s = self._clock.utc_s() + self._spec.warm_up_s

    def put_calibratoroff(self) -> None:
        self._brightness = 0
        self._lamp_s = None


class FocuserDevice(Device):
    """An absolute focuser. Moves beyond an end stop at the end (from memory of the interface)."""

    standard = FOCUSER

    def __init__(self, spec: FocuserSpec, clock: Clock, *, name: str, unique_id: str) -> None:
        super().__init__(
            name=name,
            unique_id=unique_id,
            description="Simulated focuser",
            interface_version=spec.interface_version,
            utc_s=clock.utc_s,
        )
        self._spec = spec
        self._clock = clock
        self._drive = threading.Lock()
        self._track = Track(clock.utc_s(), float(spec.start_step))
        self._rest_s = clock.utc_s()

    @property
    def travel_um(self) -> float:
        """How far the focuser stands from where it started."""
        position = self._track.at(self._clock.utc_s())[0]
        return (position - self._spec.start_step) * self._spec.step_um

    def get_absolute(self) -> bool:
        return True

    def get_ismoving(self) -> bool:
        return self._clock.utc_s() < self._rest_s

    def get_position(self) -> int:
        return round(self._track.at(self._clock.utc_s())[0])

    def get_maxstep(self) -> int:
        return self._spec.max_step

    def get_maxincrement(self) -> int:
        return self._spec.max_step

    def get_stepsize(self) -> float:
        return self._spec.step_um

    def get_tempcomp(self) -> bool:
        return False

    def put_tempcomp(self, on: bool) -> None:
        del on
        raise NotSupported("this focuser does not follow the temperature")

    def get_tempcompavailable(self) -> bool:
        return False

    def get_temperature(self) -> float:
        return self._spec.temperature_c

    def put_move(self, position: int) -> None:
        now = self._clock.utc_s()
        goal = max(0, min(self._spec.max_step, position))
        with self._drive:
            distance = goal - self._track.at(now)[0]
            self._rest_s = now + abs(distance) / self._spec.steps_per_s
            if self._rest_s > now:
                self._track.add(now, distance / (self._rest_s - now))
                self._track.add(self._rest_s, 0.0)

    def put_halt(self) -> None:
        now = self._clock.utc_s()
        with self._drive:
            if now < self._rest_s:
                self._track.add(now, 0.0)
                self._rest_s = now


class WeatherStation(Device):
    """Tells the rig's own air, with the faults it is given."""

    standard = OBSERVING_CONDITIONS

    def __init__(
        self,
        spec: WeatherStationSpec,
        site: SiteSpec,
        clock: Clock,
        *,
        name: str,
        unique_id: str,
    ) -> None:
        super().__init__(
            name=name,
            unique_id=unique_id,
            description="Simulated weather station",
            interface_version=spec.interface_version,
            utc_s=clock.utc_s,
        )
        self._spec, self._site = spec, site

    def _told(self, sensor: SensorName, value: float) -> float | str:
        if sensor in self._spec.missing:
            raise NotSupported(f"this station has no {sensor} sensor")
        return "NaN" if sensor in self._spec.not_a_number else value

    def get_temperature(self) -> float | str:
        celsius = self._site.atmosphere().temperature_c + self._spec.temperature_off_c
        return self._told("temperature", celsius)

    def get_pressure(self) -> float | str:
        hpa = self._site.atmosphere().pressure_hpa
        if self._spec.sea_level_pressure:
            sea = Atmosphere.standard(0.0).pressure_hpa
            hpa *= sea / Atmosphere.standard(self._site.elevation_m).pressure_hpa
        return self._told("pressure", hpa + self._spec.pressure_off_hpa)

    def get_humidity(self) -> float | str:
        return self._told("humidity", 100.0 * self._site.relative_humidity)

    def get_averageperiod(self) -> float:
        return 0.0

    def put_averageperiod(self, hours: float) -> None:
        if hours != 0.0:
            raise ValueRefused(f"averages over {hours:g} h are not made; only 0 is")

    def put_refresh(self) -> None:
        pass  # what it tells is always of this moment

    def get_sensordescription(self, sensor: str) -> str:
        return f"simulated {self._known(sensor)} sensor"

    def get_timesincelastupdate(self, sensor: str) -> float:
        if sensor:
            self._known(sensor)
        if self._spec.age_s is None:
            raise NotSupported("this station does not tell how old its values are")
        return self._spec.age_s

    def _known(self, sensor: str) -> str:
        name = sensor.lower()
        if name not in ("temperature", "pressure", "humidity") or name in self._spec.missing:
            raise NotSupported(f"this station has no {sensor} sensor")
        return name


class SwitchDevice(Device):
    """Switches that act at once."""

    standard = SWITCH

    def __init__(
        self, switches: tuple[SwitchSpec, ...], clock: Clock, *, name: str, unique_id: str
    ) -> None:
        super().__init__(
            name=name,
            unique_id=unique_id,
            description="Simulated switches",
            utc_s=clock.utc_s,
        )
        self._switches = switches
        self.names = [switch.name for switch in switches]
        self.values = [switch.value for switch in switches]

    def _checked(self, number: int) -> SwitchSpec:
        if not 0 <= number < len(self._switches):
            raise ValueRefused(f"Id must be 0 to {len(self._switches) - 1}, not {number}")
        return self._switches[number]

    def get_maxswitch(self) -> int:
        return len(self._switches)

    def get_canwrite(self, number: int) -> bool:
        return self._checked(number).can_write

    def get_canasync(self, number: int) -> bool:
        self._checked(number)
        return False

    def get_getswitch(self, number: int) -> bool:
        return self.get_getswitchvalue(number) > self._checked(number).minimum

    def get_getswitchvalue(self, number: int) -> float:
        self._checked(number)
        return self.values[number]

    def get_getswitchname(self, number: int) -> str:
        self._checked(number)
        return self.names[number]

    def get_getswitchdescription(self, number: int) -> str:
        return self._checked(number).description

    def get_minswitchvalue(self, number: int) -> float:
        return self._checked(number).minimum

    def get_maxswitchvalue(self, number: int) -> float:
        return self._checked(number).maximum

    def get_switchstep(self, number: int) -> float:
        return self._checked(number).step

    def put_setswitch(self, number: int, on: bool) -> None:
        switch = self._checked(number)
        self.put_setswitchvalue(number, switch.maximum if on else switch.minimum)

    def put_setswitchvalue(self, number: int, value: float) -> None:
        switch = self._checked(number)
        if not switch.can_write:
            raise NotSupported(f"switch {number} ({switch.name}) can only be read")
        if not switch.minimum <= value <= switch.maximum:
            raise ValueRefused(
                f"switch {number} takes {switch.minimum:g} to {switch.maximum:g}, not {value:g}"
            )
        self.values[number] = value

    def put_setswitchname(self, number: int, name: str) -> None:
        self._checked(number)
        self.names[number] = name

    def put_setasync(self, number: int, on: bool) -> None:
        del on
        self._no_async(number)

    def put_setasyncvalue(self, number: int, value: float) -> None:
        del value
        self._no_async(number)

    def put_cancelasync(self, number: int) -> None:
        self._no_async(number)

    def get_statechangecomplete(self, number: int) -> bool:
        self._no_async(number)
        return True

    def _no_async(self, number: int) -> None:
        self._checked(number)
        raise NotSupported(f"switch {number} acts at once and has no asynchronous form")

    def state_values(self) -> list[tuple[str, object]]:
        """Name and value of every switch."""
        if not self.connected:
            return []
        values: list[tuple[str, object]] = []
        for number in range(len(self._switches)):
            values.append((f"GetSwitch{number}", self.get_getswitch(number)))
            values.append((f"GetSwitchValue{number}", self.values[number]))
        return values
