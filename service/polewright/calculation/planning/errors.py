"""What can go wrong while a sweep is planned.

::

    ConfigError
    ├── HorizonUnreadable   a line of a horizon profile is wrong
    └── LimitsInvalid       a limit or a wish given to the planner makes no sense
    PlanError
    ├── NoSweepFits         the whole usable sky was searched and nothing fits
    └── PlanRefused         the sweep asked for breaks limits; all of them are listed
"""

from __future__ import annotations

from polewright.calculation.planning.violations import Reason, Violation
from polewright.foundation.errors import ConfigError, PlanError
from polewright.foundation.language import joined, say


class HorizonUnreadable(ConfigError):
    """A horizon profile has a line that cannot be used."""

    code = "horizon_unreadable"
    advice = say(
        "Write one 'azimuth altitude' pair a line in degrees (azimuth 0 to 360 from "
        "north through east), optionally a third number for an overhang; '#' starts a "
        "comment. `polewright handbook obstacles` has an example."
    )

    def __init__(
        self,
        line: int | None,
        reason: str,
        text: str = "",
        *,
        others: tuple[HorizonUnreadable, ...] = (),
        more: int = 0,
        source: str = "",
    ) -> None:
        super().__init__(line, reason, text)
        self.line, self.reason, self.text = line, reason, text
        #: The next lines of the same profile that cannot be used, and how many more there are.
        self.others, self.more = others, more
        #: The file's name, empty when there is none.
        self.source = source

    @property
    def _what(self) -> str:
        shown = say(" ({text!r})", text=self.text.strip()[:60]) if self.text.strip() else ""
        return say("{reason}{shown}", reason=self.reason, shown=shown)

    def __str__(self) -> str:
        if self.line is None:
            where = self.source or say("the horizon profile")
        elif self.source:
            where = say("{source}, line {line}", source=self.source, line=self.line)
        else:
            where = say("horizon line {line}", line=self.line)
        others = joined(
            "",
            (
                say("; line {line}: {problem}", line=item.line, problem=item._what)
                for item in self.others
            ),
        )
        more = say("; and {more} more", more=self.more) if self.more else ""
        return joined("", (where, ": ", self._what, others, more))


class LimitsInvalid(ConfigError):
    """A limit or a wish given to the planner makes no sense."""

    code = "limits_invalid"
    advice = say("Correct the named value in the configuration or the option.")

    def __init__(self, name: str, value: float, allowed: str) -> None:
        super().__init__(name, value, allowed)
        self.name, self.value, self.allowed = name, value, allowed

    def __str__(self) -> str:
        return say(
            "{name} is {given:g}, but must be {allowed}",
            name=self.name,
            given=self.value,
            allowed=self.allowed,
        )


#: A skyline that hides this share of the sky is taken for a mistake (own choice).
NEARLY_ALL = 0.98


class NoSweepFits(PlanError):
    """Nowhere in the usable sky is there room for a sweep."""

    code = "no_sweep_fits"

    def __init__(self, smallest_step_deg: float, n_points: int, blocked: dict[str, float]) -> None:
        super().__init__(smallest_step_deg, n_points, blocked)
        self.smallest_step_deg, self.n_points = smallest_step_deg, n_points
        #: Share (0 to 1) of the reachable sky that each reason takes away; they overlap.
        self.blocked = blocked

    @property
    def _worst(self) -> str:
        return max(self.blocked, key=lambda name: self.blocked[name], default="")

    @property
    def likely(self) -> str:  # type: ignore[override]
        """What a skyline says that hides everything."""
        if self._worst != "skyline" or self.blocked["skyline"] < NEARLY_ALL:
            return ""
        return say(
            "the skyline of [horizon] is wrong: columns exchanged (azimuth comes first), heights "
            "that are no altitudes in degrees, or north not at 0."
        )

    @property
    def advice(self) -> str:  # type: ignore[override]
        """What to change, from what blocks most."""
        worst = self._worst
        if self.likely:
            return say(
                "Look at the skyline (`polewright plan --chart sky.svg`) and correct it, or make a "
                "new one with `polewright horizon`."
            )
        hints = {
            "sun": say(
                "Wait until the Sun is lower than -6 degrees, or farther from the open sky. "
            ),
            "stars": say("Take a deeper catalogue, or a wider field. "),
            "first_slew": say("Bring the mount by hand to another starting position. "),
            "pier_side": say("Check the mount's meridian settings. "),
        }
        return hints.get(worst, "") + (
            say(
                "Allow a smaller step, a lower minimum altitude or a smaller clearance; or "
                "set the tripod up where more sky is open. `polewright handbook obstacles` "
                "says more."
            )
        )

    def __str__(self) -> str:
        shares = joined(
            ", ",
            (
                say("{reason} {share:.0f} %", reason=name.replace("_", " "), share=100.0 * share)
                for name, share in sorted(self.blocked.items(), key=lambda item: -item[1])
                if share > 0.0
            ),
        )
        return say(
            "no sweep of {n_points} points fits, not even with steps of "
            "{smallest_step_deg:g} deg; the reachable sky is blocked by: {shares}",
            n_points=self.n_points,
            smallest_step_deg=self.smallest_step_deg,
            shares=shares or say("nothing"),
        )


class PlanRefused(PlanError):
    """The sweep asked for breaks one or more limits."""

    code = "plan_refused"

    def __init__(self, violations: tuple[Violation, ...], suggestion: str = "") -> None:
        super().__init__(violations, suggestion)
        self.violations, self.suggestion = violations, suggestion

    @property
    def advice(self) -> str:  # type: ignore[override]
        """A sweep close to the wanted one that breaks nothing, when there is one."""
        return self.suggestion or (
            say(
                "Let the planner choose (leave out start_azimuth_deg and "
                "start_altitude_deg), or pick another start. Near the pole the mount's paths "
                "are taken as wide as they may become: bring it to its home position first."
            )
        )

    def __str__(self) -> str:
        """Each limit once, where it is broken most, and the names of the other places."""
        by_reason: dict[Reason, list[Violation]] = {}
        for violation in self.violations:
            by_reason.setdefault(violation.reason, []).append(violation)
        told = []
        for group in by_reason.values():
            worst = max(group, key=lambda violation: violation.amount)
            others = dict.fromkeys(item.where for item in group if item.where != worst.where)
            also = say(", less so at {others}", others=joined(", ", others)) if others else ""
            told.append(say("{worst}{also}", worst=worst, also=also))
        return say("the sweep is refused: {reasons}", reasons=joined("; ", told))
