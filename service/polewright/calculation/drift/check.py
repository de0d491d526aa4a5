"""The check as it goes on: frames in, a decision out after each."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from polewright.calculation.drift.decide import Decision, Predicted, StopRule, Verdict, decide
from polewright.calculation.drift.errors import TurnTooShort
from polewright.calculation.drift.estimator import (
    FEWEST,
    DriftAxis,
    DriftNoise,
    FieldFit,
    combine,
    fit_field,
)
from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import Vector


@dataclass
class DriftCheck:
    """Takes the frames of one field after another. Not shared between threads."""

    site: Site
    atmosphere: Atmosphere
    predicted: Predicted | None
    rule: StopRule
    noise: DriftNoise
    n_fields: int
    """How many fields are going to be looked at."""
    frames: list[list[Attitude]] = field(default_factory=list)
    _done: list[FieldFit] = field(default_factory=list)
    measured: DriftAxis | None = None
    decision: Decision | None = None

    def begin_field(self) -> None:
        """Go on to the next field; the one before keeps its fit."""
        if self.measured is not None and self.frames:
            self._done = list(self.measured.fields)
        self.frames.append([])

    def drop_frames(self) -> None:
        """Forget the frames of the present field."""
        self.frames[-1].clear()

    def add(self, attitude: Attitude) -> Decision | None:
        """Take a frame of the present field; None while there are too few to say anything."""
        frames = self.frames[-1]
        frames.append(attitude)
        if len(frames) < FEWEST:
            return None
        trial = (
            self.predicted.vector
            if self.predicted is not None
            else pole_enu(self.site, PoleTarget.TRUE, self.atmosphere)
        )
        if self.measured is not None:  # nearer, so that the fit settles sooner
            trial = self.measured.axis
        time_is_up = frames[-1].utc_s - frames[0].utc_s >= self.rule.longest_s
        try:
            fit = fit_field(frames, trial, self.noise)
        except TurnTooShort:
            if time_is_up:
                raise
            return None
        self.measured = combine([*self._done, fit])
        self.decision = decide(
            self.measured,
            self.predicted,
            self.rule,
            self.site,
            self.atmosphere,
            more_fields=len(self.frames) < self.n_fields,
            time_is_up=time_is_up,
        )
        return self.decision

    def with_droop_out(self, droop: float) -> Vector:
        """Return the axis (3,) as it would be if the tube were known to droop by so much more.

        Args:
            droop: of a level tube, rad.
        """
        assert self.measured is not None  # noqa: S101 - asked only when something was measured
        shared = replace(self.noise.shared, droop=self.noise.shared.droop + droop)
        noise = replace(self.noise, shared=shared)
        axis = self.measured.axis
        fits = [
            fit_field(frames, axis, noise) for frames in self.frames[: len(self.measured.fields)]
        ]
        return combine(fits).axis

    @property
    def field_is_done(self) -> bool:
        """Whether the present field has told enough, or has had its time."""
        frames = self.frames[-1] if self.frames else []
        if self.decision is None or len(frames) < FEWEST:
            return False
        up = frames[-1].utc_s - frames[0].utc_s >= self.rule.longest_s
        return up or self.decision.verdict is not Verdict.NEEDS_LONGER

    @property
    def is_done(self) -> bool:
        """Whether nothing more need be looked at."""
        if not self.field_is_done or self.decision is None:
            return False
        last = len(self.frames) >= self.n_fields
        return last or self.decision.verdict is Verdict.DISAGREES
