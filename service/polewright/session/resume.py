"""Taking up an interrupted session: what may go on, and why not where it may not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from pydantic import ValidationError

from polewright.calculation.adjusting.observation import Observation
from polewright.foundation.angles import Matrix, Vector
from polewright.foundation.errors import ExitCode, PolewrightError
from polewright.foundation.language import say
from polewright.observing.rig.rig import Rig
from polewright.records.result import MeasurementResult
from polewright.session.journal import Record

#: An older reference is not used: temperature, sag and people at the tripod (own choice).
OLDEST_S = 2.0 * 3600.0
#: The mount's own declination may differ so much: rounding, coordinates of date.
SAME_DECLINATION_DEG = 0.05
#: Steps after which an anchor of before is out of date: a new sweep is under way.
MOVES_ON = frozenset({"planning", "sweeping"})


class CannotTakeUp(PolewrightError):
    """An interrupted session cannot go on where it was."""

    code = "cannot_take_up"
    exit_code = ExitCode.USAGE
    advice = say("Start a new session: its sweep measures the axis again, and nothing is lost.")

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason

    def __str__(self) -> str:
        return say(
            "the interrupted session cannot resume where it was: {reason}", reason=self.reason
        )


@dataclass(frozen=True, eq=False)
class _Attitude:
    matrix: Matrix
    covariance: Matrix
    utc_s: float


@dataclass(frozen=True, eq=False)
class Anchor:
    """The axis of a sweep, the reference frame taken after it, and how the mount stood."""

    axis: Vector
    covariance: Matrix
    reference: Matrix
    reference_covariance: Matrix
    utc_s: float
    elongation: float | None
    hfd_px: float | None
    star_count: int | None
    tracking: bool | None
    declination_deg: float
    side_of_pier: int | None

    @classmethod
    def from_sweep(
        cls, rig: Rig, axis: Vector, covariance: Matrix, reference: Observation
    ) -> Anchor:
        """Note down where an adjustment starts from."""
        side = rig.telescope.side_of_pier()
        return cls(
            axis,
            covariance,
            reference.attitude.matrix,
            reference.attitude.covariance,
            reference.utc_s,
            reference.elongation,
            reference.hfd_px,
            reference.star_count,
            reference.tracking,
            rig.telescope.declination_deg(),
            None if side is None else int(side),
        )

    def observation(self, *, interrupted: bool = False) -> Observation:
        """The reference frame as the engine takes it.

        After an interruption nobody knows whether the mount has tracked all along.
        """
        return Observation(
            _Attitude(self.reference, self.reference_covariance, self.utc_s),
            elongation=self.elongation,
            star_count=self.star_count,
            hfd_px=self.hfd_px,
            tracking=None if interrupted else self.tracking,
        )

    def check_unmoved(self, rig: Rig) -> None:
        """Raise `CannotTakeUp` unless the declination axis stands as it stood.

        Only a turn of that axis spoils the reference; the RA axis may have turned at will.
        """
        age_s = rig.clock.utc_s() - self.utc_s
        if not 0.0 <= age_s <= OLDEST_S:
            raise CannotTakeUp(
                say(
                    "its reference frame is {age_s:.1f} h old; at most {most_h:.0f} h is allowed",
                    age_s=age_s / 3600.0,
                    most_h=OLDEST_S / 3600.0,
                )
            )
        declination = rig.telescope.declination_deg()
        if abs(declination - self.declination_deg) > SAME_DECLINATION_DEG:
            raise CannotTakeUp(
                say(
                    "the mount's declination is {declination:+.2f}°, it was "
                    "{declination_deg:+.2f}°: the declination axis was turned, or the mount "
                    "lost its position in a power failure",
                    declination=declination,
                    declination_deg=self.declination_deg,
                )
            )
        side = rig.telescope.side_of_pier()
        if self.side_of_pier is not None and side is not None and int(side) != self.side_of_pier:
            raise CannotTakeUp(say("the mount has changed pier side"))


def anchor_record(anchor: Anchor) -> dict[str, Any]:
    """Return an anchor as plain values for the journal."""
    return {
        name: value.tolist() if isinstance(value, np.ndarray) else value
        for name, value in vars(anchor).items()
    }


_SHAPES = {
    "axis": (3,),
    "covariance": (3, 3),
    "reference": (3, 3),
    "reference_covariance": (3, 3),
}


def _numbers(value: Any, shape: tuple[int, ...], name: str) -> Vector:
    found = np.asarray(value, dtype=np.float64)
    if found.shape != shape or not np.isfinite(found).all():
        raise ValueError(say("{name} is not {shape} finite numbers", name=name, shape=shape))
    return found


def anchor_from_record(data: Mapping[str, Any]) -> Anchor:
    """Return the anchor of a journal's record. Raises `CannotTakeUp` when it is not whole."""
    try:
        values = {name: data[name] for name in Anchor.__dataclass_fields__}
        for name, shape in _SHAPES.items():
            values[name] = _numbers(values[name], shape, name)
        for name in ("utc_s", "declination_deg"):
            values[name] = float(values[name])
        return Anchor(**values)
    except (KeyError, TypeError, ValueError) as exc:
        raise CannotTakeUp(
            say("its reference frame is incomplete in the journal ({exc})", exc=exc)
        ) from exc


def find_anchor(records: Sequence[Record]) -> tuple[Anchor | None, str]:
    """Decide how an interrupted session may go on.

    Returns:
        The anchor to go on adjusting from, or None to begin with a new sweep; and the reason,
        a sentence.

    Raises:
        CannotTakeUp: there is nothing to take up (it had come to its end, or never began).
    """
    steps = [record.data.get("step") for record in records if record.kind == "step"]
    if not steps:
        raise CannotTakeUp(say("its journal has no step"))
    if any(record.kind == "end" for record in records):
        raise CannotTakeUp(say("it had already ended ({steps})", steps=steps[-1]))
    anchor = None
    for record in records:
        if record.kind == "anchor":
            anchor = record
        elif record.kind == "step" and record.data.get("step") in MOVES_ON:
            anchor = None
    if anchor is not None:
        return (
            anchor_from_record(anchor.data),
            say("it was interrupted while adjusting: the same reference frame is used"),
        )
    # A try to go on that was refused leaves its steps behind.
    last = next((step for step in reversed(steps) if step not in ("stopped", "failed")), steps[-1])
    return None, say("it was interrupted while {steps}: it starts with a new sweep", steps=last)


@dataclass(frozen=True)
class Recalled:
    """What an interrupted session had come to."""

    result: MeasurementResult | None
    """Of its last sweep."""
    sweeps: int
    moves: int
    """Settled moves of the adjusters."""


def recall(records: Sequence[Record]) -> Recalled:
    """Read from a journal what the board should show when the session goes on."""
    result, sweeps, moves = None, 0, 0
    for record in records:
        if record.kind == "measured":
            sweeps += 1
            try:
                result = MeasurementResult.model_validate(record.data)
            except ValidationError:
                result = None
        elif record.kind == "moved":
            told = record.data.get("moves")
            moves = told if isinstance(told, int) else moves
    return Recalled(result, sweeps, moves)
