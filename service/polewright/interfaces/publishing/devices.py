"""The published devices: a safety monitor and a switch whose values can only be read."""
# ruff: noqa: D102 - what get_ and put_ methods mean is said by the standard

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from polewright import __version__
from polewright.foundation.clock import Clock
from polewright.interfaces.publishing.status import (
    CLOCK_SET_BACK,
    FUTURE_S,
    AlignmentStatus,
    Rules,
    RunState,
    StatusSource,
    Verified,
    why_unsafe,
)
from polewright_wire.device import ClientsDevice
from polewright_wire.errors import NotSupported, ValueMissing, ValueRefused
from polewright_wire.standard import SAFETY_MONITOR, SWITCH

DRIVER_VERSION = ".".join(__version__.split(".")[:2])
WHY = "WhyUnsafe"
PASSIVE = "PassiveAxis"


class AlignmentMonitor(ClientsDevice):
    """Safe only while the last sweep verified the axis within tolerance and is fresh.

    Anything else is unsafe: no sweep, a session since that has not confirmed the axis, a journal
    that cannot be read, a clock that went back. The action ``WhyUnsafe`` returns the reason,
    ``PassiveAxis`` what the newest night's frames of tracked targets told. A
    verification that was seen in the future stays unsafe when the clock has caught up with it.
    """

    standard = SAFETY_MONITOR
    always_readable = frozenset({"issafe"})
    actions = (WHY, PASSIVE)

    def __init__(
        self, source: StatusSource, rules: Rules, clock: Clock, *, name: str, unique_id: str
    ) -> None:
        super().__init__(
            name=name,
            unique_id=unique_id,
            description="Safe while the polar axis is verified and fresh",
            driver_info=f"Polewright {__version__}: safe only while the last sweep verified the "
            "polar axis within tolerance and is fresh enough",
            driver_version=DRIVER_VERSION,
            utc_s=clock.utc_s,
        )
        self._source, self._rules, self._clock = source, rules, clock
        self._from_the_future: Verified | None = None

    def _why(self) -> str:
        status, utc_s = self._source.status(), self._clock.utc_s()
        seen = status.verified
        if seen is not None and seen.utc_s > utc_s + FUTURE_S:
            self._from_the_future = seen
        if seen is not None and seen == self._from_the_future:
            return status.doubt or CLOCK_SET_BACK
        return why_unsafe(status, self._rules, utc_s)

    def get_issafe(self) -> bool:
        return self.connected and not self._why()

    def run_action(self, action: str, parameters: str) -> str:
        del parameters
        if action.lower() == PASSIVE.lower():
            passive = self._source.status().passive
            return "" if passive is None else passive.sentence
        return self._why()


_REACH_ARCMIN = 10800.0
_OLDEST_MIN = 10_000_000.0
Value = Callable[[AlignmentStatus, float], float | None]


def _total(status: AlignmentStatus, _utc_s: float) -> float | None:
    return None if status.figures is None else status.figures.total_arcmin


def _altitude(status: AlignmentStatus, _utc_s: float) -> float | None:
    return None if status.figures is None else status.figures.d_alt_arcmin


def _azimuth(status: AlignmentStatus, _utc_s: float) -> float | None:
    return None if status.figures is None else status.figures.d_az_sky_arcmin


def _uncertainty(status: AlignmentStatus, _utc_s: float) -> float | None:
    return None if status.figures is None else status.figures.sigma_total_arcmin


def _age(status: AlignmentStatus, utc_s: float) -> float | None:
    if status.figures is None:
        return None
    age_s = utc_s - status.figures.utc_s
    if age_s < -FUTURE_S:
        raise ValueMissing("Age is not known: the figures were recorded in the future")
    return age_s / 60.0


def _passive_total(status: AlignmentStatus, _utc_s: float) -> float | None:
    figures = None if status.passive is None else status.passive.figures
    return None if figures is None else figures.total_arcmin


def _passive_uncertainty(status: AlignmentStatus, _utc_s: float) -> float | None:
    figures = None if status.passive is None else status.passive.figures
    return None if figures is None else figures.sigma_total_arcmin


def _passive_age(status: AlignmentStatus, utc_s: float) -> float | None:
    figures = None if status.passive is None else status.passive.figures
    return None if figures is None else max(0.0, utc_s - figures.utc_s) / 60.0


def _run_state(status: AlignmentStatus, _utc_s: float) -> float | None:
    return float(status.run_state)


@dataclass(frozen=True)
class Figure:
    """One read-only value."""

    name: str
    description: str
    minimum: float
    maximum: float
    step: float
    value: Value


_STATES = ", ".join(f"{int(state)} {state.name.lower()}" for state in RunState)
FIGURES = (
    Figure("Total error", "Polar axis error, arcmin", 0.0, _REACH_ARCMIN, 0.001, _total),
    Figure(
        "Altitude error",
        "Altitude part, arcmin; positive: the axis is too high",
        -_REACH_ARCMIN,
        _REACH_ARCMIN,
        0.001,
        _altitude,
    ),
    Figure(
        "Azimuth error",
        "Azimuth part on the sky, arcmin; positive: the axis is too far east",
        -_REACH_ARCMIN,
        _REACH_ARCMIN,
        0.001,
        _azimuth,
    ),
    Figure(
        "Uncertainty", "1 sigma of the total error, arcmin", 0.0, _REACH_ARCMIN, 0.001, _uncertainty
    ),
    Figure("Age", "Age of these figures, minutes", 0.0, _OLDEST_MIN, 0.1, _age),
    Figure("Run state", f"What the session does: {_STATES}", 0.0, 9.0, 1.0, _run_state),
    Figure(
        "Passive total error",
        "Polar axis error by a night's frames of tracked targets, arcmin; for information",
        0.0,
        _REACH_ARCMIN,
        0.001,
        _passive_total,
    ),
    Figure(
        "Passive uncertainty",
        "1 sigma of the passive total error, arcmin",
        0.0,
        _REACH_ARCMIN,
        0.001,
        _passive_uncertainty,
    ),
    Figure(
        "Passive age", "Age of the last of these frames, min", 0.0, _OLDEST_MIN, 0.1, _passive_age
    ),
)


class AlignmentFigures(ClientsDevice):
    """The latest figures, by sweep or live reading. What is not known yet is an error, not 0."""

    standard = SWITCH

    def __init__(self, source: StatusSource, clock: Clock, *, name: str, unique_id: str) -> None:
        super().__init__(
            name=name,
            unique_id=unique_id,
            description="Polar axis error and run state, read only",
            driver_info=f"Polewright {__version__}: polar axis error, its uncertainty and age, "
            "and what the session does; read only",
            driver_version=DRIVER_VERSION,
            utc_s=clock.utc_s,
        )
        self._source, self._clock = source, clock

    def _figure(self, number: int) -> Figure:
        if not 0 <= number < len(FIGURES):
            raise ValueRefused(f"Id must be 0 to {len(FIGURES) - 1}, not {number}")
        return FIGURES[number]

    def get_maxswitch(self) -> int:
        return len(FIGURES)

    def get_canwrite(self, number: int) -> bool:
        self._figure(number)
        return False

    def get_canasync(self, number: int) -> bool:
        self._figure(number)
        return False

    def get_getswitch(self, number: int) -> bool:
        return self.get_getswitchvalue(number) > self._figure(number).minimum

    def get_getswitchvalue(self, number: int) -> float:
        figure = self._figure(number)
        value = figure.value(self._source.status(), self._clock.utc_s())
        if value is None:
            raise ValueMissing(f"{figure.name} is not known: nothing has measured the axis yet")
        digits = 0 if figure.step >= 1.0 else 3
        return round(max(figure.minimum, min(figure.maximum, value)), digits)

    def get_getswitchname(self, number: int) -> str:
        return self._figure(number).name

    def get_getswitchdescription(self, number: int) -> str:
        return self._figure(number).description

    def get_minswitchvalue(self, number: int) -> float:
        return self._figure(number).minimum

    def get_maxswitchvalue(self, number: int) -> float:
        return self._figure(number).maximum

    def get_switchstep(self, number: int) -> float:
        return self._figure(number).step

    def put_setswitch(self, number: int, on: bool) -> None:
        del on
        self._read_only(number)

    def put_setswitchvalue(self, number: int, value: float) -> None:
        figure = self._figure(number)
        if not figure.minimum <= value <= figure.maximum:
            raise ValueRefused(
                f"Value must be {figure.minimum:g} to {figure.maximum:g}, not {value:g}"
            )
        self._read_only(number)

    def put_setswitchname(self, number: int, name: str) -> None:
        del name
        self._figure(number)
        raise NotSupported("the names are fixed")

    def put_setasync(self, number: int, on: bool) -> None:
        del on
        self._read_only(number)

    def put_setasyncvalue(self, number: int, value: float) -> None:
        del value
        self._read_only(number)

    def put_cancelasync(self, number: int) -> None:
        self._figure(number)
        raise NotSupported("nothing here takes time")

    def get_statechangecomplete(self, number: int) -> bool:
        self._figure(number)
        raise NotSupported("nothing here takes time")

    def _read_only(self, number: int) -> None:
        raise NotSupported(f"{self._figure(number).name} can only be read")
