"""What guards stop a run for, and what is left when nothing solves.

::

    GuardError
    ├── AllowedSkyLeft     the mount is, or would go, where it may not: skyline, window, limits
    │   ├── TooNearSun
    │   ├── TooNearMeridian
    │   └── BeyondAltitudeLimit
    ├── WouldChangeSides   the mount says it would flip on the way to a point
    ├── FlipsOver          it was seen to do so, and left what is allowed on the way
    ├── SideChanged        it did
    ├── SlewOverdue        a slew did not end in time
    ├── StoppedElsewhere   the mount says it ended a slew away from its target
    ├── WentElsewhere      the stars say that it points elsewhere than it says
    ├── MovedBySomebodyElse  the mount moves although this program did not ask for it
    ├── ClockWasSet        this computer's clock jumped during the run
    └── SafetyUnsafe       the safety monitor says unsafe (exit code of its own)
    DeviceError
    └── RoofNotOpen        the roof or shutter is closed, or nobody knows
    SolveError
    ├── PointNotSolved     retries, other places and other sweeps did not help, or took too long
    ├── NoLight            a lens cap, a closed cover: the first frame shows neither stars nor sky
    └── TooBright          the Sun is up, or a lamp: every pixel of the first frame is full
"""

from __future__ import annotations

from polewright.foundation.errors import DeviceError, ExitCode, GuardError, SolveError
from polewright.foundation.language import say


class AllowedSkyLeft(GuardError):
    """The telescope points, or would point, where it may not."""

    code = "allowed_sky_left"
    advice = say(
        "Plan again (`polewright plan` shows what is open now), or correct [horizon] and "
        "[limits] if the place is in fact harmless."
    )

    def __init__(
        self, doing: str, sentence: str, fix: str, amount_deg: float, azimuth_deg: float,
        altitude_deg: float,
    ) -> None:  # fmt: skip
        super().__init__(doing, sentence, fix, amount_deg, azimuth_deg, altitude_deg)
        self.doing, self.sentence, self.fix = doing, sentence, fix
        self.amount_deg = amount_deg
        self.azimuth_deg, self.altitude_deg = azimuth_deg, altitude_deg

    def __str__(self) -> str:
        return say(
            "{doing}: {sentence} ({fix})", doing=self.doing, sentence=self.sentence, fix=self.fix
        )


class TooNearSun(AllowedSkyLeft):
    """The Sun is too near. Never switched off by default: it burns eyes and sensors."""

    code = "too_near_sun"
    advice = say(
        "First cover the telescope if the Sun may be in front of it. Then wait until the Sun "
        "is down, or start in a part of the sky far from it."
    )


class TooNearMeridian(AllowedSkyLeft):
    """The hour angle is where the mount may change sides or run into the pier."""

    code = "too_near_meridian"
    advice = say(
        "Start a new sweep well east or west of the meridian; [sweep] "
        "meridian_buffer_deg says how close it may come."
    )


class BeyondAltitudeLimit(AllowedSkyLeft):
    """The altitude is outside what the mount is allowed."""

    code = "beyond_altitude_limit"
    advice = say(
        "Bring the mount back by hand controller; [limits] mount_altitude_min_deg and "
        "mount_altitude_max_deg say what it may pass."
    )


class WouldChangeSides(GuardError):
    """The mount says that it would end a slew on the other side of the pier."""

    code = "would_change_sides"
    advice = say(
        "Sweep farther from the meridian, or check the mount's meridian settings, its "
        "clock and its longitude: they decide where it changes sides."
    )

    def __init__(self, point: int, hour_angle_deg: float, side: str, first: str) -> None:
        super().__init__(point, hour_angle_deg, side, first)
        self.point, self.hour_angle_deg, self.side, self.first = point, hour_angle_deg, side, first

    def __str__(self) -> str:
        return say(
            "the mount says it would reach point {point} (hour angle "
            "{hour_angle_deg:+.1f} deg) on side '{side}' of the pier, the first point "
            "was on '{first}'",
            point=self.point,
            hour_angle_deg=self.hour_angle_deg,
            side=self.side,
            first=self.first,
        )


class FlipsOver(GuardError):
    """The mount turns its declination axis between two points: it is changing sides."""

    code = "flips_over"
    advice = WouldChangeSides.advice

    def __init__(self, doing: str, declination_deg: float, goal_deg: float, limit: str) -> None:
        super().__init__(doing, declination_deg, goal_deg, limit)
        self.doing, self.limit = doing, limit
        self.declination_deg, self.goal_deg = declination_deg, goal_deg

    def __str__(self) -> str:
        return say(
            "{doing}: the mount is flipping to the other side of the pier: it reports "
            "declination {declination_deg:+.1f} deg on a slew that ends at {goal_deg:+.1f} "
            "and turns the RA axis only (stopped since {limit})",
            doing=self.doing,
            declination_deg=self.declination_deg,
            goal_deg=self.goal_deg,
            limit=self.limit,
        )


class SideChanged(GuardError):
    """The mount changed its side of the pier during a sweep."""

    code = "side_changed"
    advice = say(
        "The points taken so far are worthless now. Sweep farther from the meridian; first "
        "check cables and the mount's meridian settings."
    )

    def __init__(self, point: int, side: str, first: str) -> None:
        super().__init__(point, side, first)
        self.point, self.side, self.first = point, side, first

    def __str__(self) -> str:
        return say(
            "the mount is on side '{side}' of the pier at point {point}, it was on "
            "'{first}' before",
            side=self.side,
            point=self.point,
            first=self.first,
        )


class SlewOverdue(GuardError):
    """A slew did not end in the time allowed."""

    code = "slew_overdue"
    advice = say(
        "Check whether the mount is stalled or caught; lower [limits] slew_deg_per_s only if "
        "it is known to be this slow."
    )

    def __init__(self, took_s: float, limit_s: float, left_deg: float) -> None:
        super().__init__(took_s, limit_s, left_deg)
        self.took_s, self.limit_s, self.left_deg = took_s, limit_s, left_deg

    def __str__(self) -> str:
        return say(
            "the slew was not over after {took_s:.0f} s ({limit_s:.0f} s allowed); the mount "
            "reports {left_deg:.1f} degrees left",
            took_s=self.took_s,
            limit_s=self.limit_s,
            left_deg=self.left_deg,
        )


class StoppedElsewhere(GuardError):
    """The mount ended a slew away from its target."""

    code = "stopped_elsewhere"
    advice = say(
        "Look for a limit, an obstacle or a stalled motor before you try again; widen "
        "[sweep] arrival_tolerance_deg only if this mount is known to stop so far off."
    )

    def __init__(self, off_deg: float, tolerance_deg: float) -> None:
        super().__init__(off_deg, tolerance_deg)
        self.off_deg, self.tolerance_deg = off_deg, tolerance_deg

    def __str__(self) -> str:
        return say(
            "the mount reports that it stopped {off_deg:.2f} degrees from its target "
            "(tolerance {tolerance_deg:.2f})",
            off_deg=self.off_deg,
            tolerance_deg=self.tolerance_deg,
        )


class WentElsewhere(GuardError):
    """The stars show another pointing than the mount's word makes expect."""

    code = "went_elsewhere"
    advice = say(
        "Look for a slipping clutch, a caught cable or a tube that touches something; "
        "tighten or free it, then start again. Do not trust the mount's own position until "
        "then."
    )

    def __init__(self, what: str, off_deg: float, tolerance_deg: float) -> None:
        super().__init__(what, off_deg, tolerance_deg)
        self.what, self.off_deg, self.tolerance_deg = what, off_deg, tolerance_deg

    def __str__(self) -> str:
        return say(
            "{comparison}: {off_deg:.2f} degrees apart (tolerance {tolerance_deg:.2f})",
            comparison=self.what,
            off_deg=self.off_deg,
            tolerance_deg=self.tolerance_deg,
        )


class MovedBySomebodyElse(GuardError):
    """The mount moves between this program's slews."""

    code = "moved_by_somebody_else"
    advice = say(
        "End the other program, or leave the hand controller alone: only one may drive "
        "the mount. Then start a new sweep."
    )

    def __init__(self, moved_deg: float, *, slewing: bool) -> None:
        super().__init__(moved_deg, slewing)
        self.moved_deg, self.slewing = moved_deg, slewing

    def __str__(self) -> str:
        now = say("is slewing, and reports a move") if self.slewing else say("reports a move")
        return say(
            "someone else moved or synchronised the mount: it {reports} by {moved_deg:.1f} "
            "degrees, which this program did not ask for",
            reports=now,
            moved_deg=self.moved_deg,
        )


class ClockWasSet(GuardError):
    """This computer's clock jumped while frames were taken that belong together."""

    code = "clock_was_set"
    advice = say(
        "Make sure this computer's clock is right and kept by a time server (or was it "
        "asleep?); then start again. Camera and mount are not to blame."
    )

    def __init__(self, jump_s: float) -> None:
        super().__init__(jump_s)
        self.jump_s = jump_s

    def __str__(self) -> str:
        how = "forward" if self.jump_s > 0.0 else "back"
        return say(
            "this computer's clock was set {forward_or_back} by {jump_s:.1f} s during the run",
            forward_or_back=how,
            jump_s=abs(self.jump_s),
        )


class SafetyUnsafe(GuardError):
    """The safety monitor says that it is not safe, or says nothing usable."""

    code = "safety_unsafe"
    exit_code = ExitCode.UNSAFE
    advice = say(
        "See to weather, roof or whatever the monitor watches; start again when it says "
        "safe. Remove [safety] only if nothing depends on it."
    )

    def __init__(self, monitor: str, doing: str, reason: str = "") -> None:
        super().__init__(monitor, doing, reason)
        self.monitor, self.doing, self.reason = monitor, doing, reason

    def __str__(self) -> str:
        why = say(" ({reason})", reason=self.reason) if self.reason else ""
        return say(
            "{doing}: the safety monitor {monitor} says unsafe{why}",
            doing=self.doing,
            monitor=self.monitor,
            why=why,
        )


class RoofNotOpen(DeviceError):
    """The roof or shutter is not open."""

    code = "roof_not_open"
    advice = say(
        "Open it and see that the telescope is clear of it; only [startup] open_roof = "
        "true lets it be opened from here (`polewright handbook unattended`)."
    )

    def __init__(self, state: str) -> None:
        super().__init__(state)
        self.state = state

    def __str__(self) -> str:
        return say("the roof or dome shutter is not open (it says: {state})", state=self.state)


class PointNotSolved(SolveError):
    """A point of the sweep was not solved, and nothing that was tried helped.

    ``after_s``: what ended it was that nothing had been solved for so long; None: nothing was left
    to try.
    """

    code = "point_not_solved"

    def __init__(
        self,
        point: int,
        story: tuple[str, ...],
        last: str,
        hint: str,
        after_s: float | None = None,
        likely: str = "",
    ) -> None:
        super().__init__(point, story, last, hint, after_s, likely)
        self.point, self.story, self.last, self.hint = point, story, last, hint
        self.after_s, self.likely = after_s, likely

    @property
    def advice(self) -> str:  # type: ignore[override]
        """What the last trouble asks for."""
        if self.after_s is None:
            return self.hint
        return say(
            "{hint} If clouds are only passing, or mount and solver are slow, raise "
            "[recovery] nowhere_s.",
            hint=self.hint,
        )

    def __str__(self) -> str:
        within = (
            "" if self.after_s is None else say(" within {after_s:.0f} s", after_s=self.after_s)
        )
        return say(
            "point {point} could not be solved{within}: {last}",
            point=self.point,
            within=within,
            last=self.last,
        )


class NoLight(SolveError):
    """A frame without stars is hardly brighter than one of a fraction of its exposure."""

    code = "no_light"
    likely = say("the lens cap is on, or cover, roof or the camera's shutter is closed.")
    advice = say(
        "Open them, check that the telescope does not point at a wall close by, and start "
        "again. No other place was tried."
    )

    def __init__(
        self, exposure_s: float, level_adu: float, short_s: float, short_adu: float
    ) -> None:
        super().__init__(exposure_s, level_adu, short_s, short_adu)
        self.exposure_s, self.level_adu = exposure_s, level_adu
        self.short_s, self.short_adu = short_s, short_adu

    def __str__(self) -> str:
        return say(
            "no light reaches the camera: a frame of {exposure_s:g} s shows no stars and no sky",
            exposure_s=self.exposure_s,
        )

    @property
    def details(self) -> tuple[str, ...]:  # type: ignore[override]
        """The levels that were compared."""
        return (
            say(
                "Level {level_adu:.1f} counts after {exposure_s:g} s, {short_adu:.1f} after "
                "{short_s:g} s.",
                level_adu=self.level_adu,
                exposure_s=self.exposure_s,
                short_adu=self.short_adu,
                short_s=self.short_s,
            ),
        )


class TooBright(SolveError):
    """The pixels of a frame are full."""

    code = "too_bright"
    likely = say("the Sun is up or it is still twilight, or a lamp shines into the telescope.")
    advice = say(
        "Wait until it is dark, and check this computer's date and time; in late twilight a "
        "shorter [sweep] exposure_s may do. No other place was tried."
    )

    def __init__(self, exposure_s: float, level_adu: float) -> None:
        super().__init__(exposure_s, level_adu)
        self.exposure_s, self.level_adu = exposure_s, level_adu

    def __str__(self) -> str:
        return say(
            "the sky is too bright: a frame of {exposure_s:g} s is full ({level_adu:.0f} counts "
            "in every pixel)",
            exposure_s=self.exposure_s,
            level_adu=self.level_adu,
        )
