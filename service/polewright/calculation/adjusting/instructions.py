"""The plain sentences that page and terminal show. One place, so that both say the same."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from polewright.calculation.adjusting.axis_at_rest import State
from polewright.foundation.adjuster_profile import Adjuster, AdjusterProfile, Axis
from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import DEG
from polewright.foundation.language import say, say_count


class Action(Enum):
    """What the user is asked to do."""

    WAIT = "wait"
    RAISE = "raise"
    LOWER = "lower"
    EAST = "east"
    WEST = "west"
    STOP_AND_SWEEP = "stop_and_sweep"
    SNUG_AND_RECHECK = "snug_and_recheck"
    DONE = "done"
    CHECK_MOUNT = "check_mount"
    MOVE_BASE = "move_base"


@dataclass(frozen=True)
class Goal:
    """How far one adjuster has to go. Radians, positive."""

    heading: Action
    """RAISE, LOWER, EAST or WEST."""
    amount: float
    """On the sky."""
    amount_base: float
    """Turn of the base."""
    beyond: float
    """Part of the amount that goes below the pole, so that the last move raises the axis."""

    @property
    def plus(self) -> bool:
        """Whether it raises or goes east."""
        return self.heading in (Action.RAISE, Action.EAST)


#: The turn of the base is told where it is so much larger than the way on the sky (own choice).
BASE_TELLS = 1.05

HANDS_OFF_TUBE = say(
    "Do not loosen the clutches or push the tube by hand: turn the two adjusters only."
)
HANDS_OFF_SWEEP = say("Hands off during the sweep: the mount moves by itself.")
SNUG_MOVES = say(
    "Tightening moves the axis: go a little at a time, alternate, and watch the reading."
)
CHECK_MOUNT = say(
    "Leave the adjusters alone: the reading cannot be trusted until a new sweep is done."
)
MOVE_BASE = say("Mind the weight before you shift anything; keep cables free.")
OPPOSING = say(
    "Loosen the opposite screw slightly before you tighten this one. If the reading stands "
    "still, loosen the opposite one a little more; never force a screw."
)
HEAVY = say("Heavy load: never unlock it fully, loosen only as much as the move needs.")
HEAVY_LOWER = say("Heavy load: hold the weight while lowering, it may drop suddenly.")


def turns_phrase(turns: float, sigma: float | None) -> str:
    """Number of turns as a person makes them, to an eighth of a turn at best."""
    eighths = round(turns * 8.0)
    if eighths < 1:
        return say("less than 1/8 turn")
    if turns < 2.0:
        whole, rest = divmod(eighths, 8)
        parts = {0: "", 1: "1/8", 2: "1/4", 3: "3/8", 4: "1/2", 5: "5/8", 6: "3/4", 7: "7/8"}
        text = " ".join(p for p in (str(whole) if whole else "", parts[rest]) if p)
    else:
        text = f"{turns:.1f}" if turns < 10.0 else f"{turns:.0f}"
    count = 1 if text in ("1", "1/8", "1/4", "3/8", "1/2", "5/8", "3/4", "7/8") else 2
    if sigma is not None and sigma > 0.15 * turns:
        return say_count("roughly {turns} turn", "roughly {turns} turns", count, turns=text)
    return say_count("about {turns} turn", "about {turns} turns", count, turns=text)


def heading_text(goal: Goal) -> str:
    """Such as "Raise the axis 4.2 arcmin" or "Move the axis 35 arcsec east"."""
    if goal.heading is Action.RAISE:
        return say("Raise the axis {amount}", amount=angle_text(goal.amount))
    if goal.heading is Action.LOWER:
        return say("Lower the axis {amount}", amount=angle_text(goal.amount))
    return say(
        "Move the axis {amount} {heading}",
        amount=angle_text(goal.amount),
        heading=goal.heading.value,
    )


def slack_first(adjuster: Adjuster, backlash: float | None, *, counted: bool) -> str:
    """The way back begins with lost motion, in which nothing moves.

    Args:
        adjuster: which one turns back.
        backlash: its lost motion, rad of the base; None when nobody knows.
        counted: whether the number of turns that is told contains it.
    """
    if backlash is None:
        slack = say("its slack")
    elif counted:
        slack = say("its slack ({backlash}, included in the turns)", backlash=angle_text(backlash))
    else:
        slack = say("its slack ({backlash})", backlash=angle_text(backlash))
    return say(
        "The {adjuster} changes direction and takes up {slack} first: if the reading stands "
        "still, turn on slowly until it follows.",
        adjuster=adjuster.name,
        slack=slack,
    )


def turning(goal: Goal, *, there: bool, passed: bool, resting: bool) -> str:
    """What to say at each glance while the user is turning."""
    rest = _way_left(goal)
    if passed:
        return say("Let go: the axis has passed the mark, {rest}.", rest=rest)
    if there:
        return say("On the mark, {rest}: let go, and a full frame confirms it.", rest=rest)
    if resting:
        return say("At rest, {rest}: hands off while a full frame is taken.", rest=rest)
    return say("Turn on: {rest}.", rest=rest)


def _in_brackets(goal: Goal, *, base: bool) -> str:
    """What is to be known of a way: as a turn of the base if ``base``, and what is on purpose."""
    text = ""
    if base and goal.amount_base > BASE_TELLS * goal.amount:
        text = say(
            " (on the sky; {amount_base} as a turn of the base)",
            amount_base=angle_text(goal.amount_base),
        )
    if goal.beyond > 0.0:
        text += say(
            " (on purpose {beyond} too low: the last move raises)",
            beyond=angle_text(goal.beyond),
        )
    return text


def _way_left(goal: Goal) -> str:
    return say("{amount} {heading}", amount=angle_text(goal.amount), heading=_still(goal.heading))


_ASKED = {
    Action.RAISE: say("up"),
    Action.LOWER: say("down"),
    Action.EAST: say("east"),
    Action.WEST: say("west"),
}


def glance_caution(hidden: tuple[Axis, ...], *, odd: bool) -> str:
    """What limits the moving reading; empty where nothing does."""
    if odd:
        return say(
            "The stars move as no adjuster moves them: has a clutch slipped, has tracking "
            "stopped, was the tripod bumped? Let go; a full frame tells more."
        )
    if len(hidden) > 1:
        return say(
            "Where the telescope points both adjusters move the stars alike: let go now and "
            "then, full frames tell them apart."
        )
    if hidden:
        return say(
            "Where the telescope points the {axis} adjuster hardly moves the stars: let go now "
            "and then, full frames show it.",
            axis=say("altitude") if hidden[0] is Axis.ALTITUDE else say("azimuth"),
        )
    return ""


def _still(heading: Action) -> str:
    return {
        Action.RAISE: say("to raise"),
        Action.LOWER: say("to lower"),
        Action.EAST: say("to go east"),
        Action.WEST: say("to go west"),
    }[heading]


def coarse_reached(total: float) -> str:
    """End of the first pass."""
    return say(
        "Near enough for now, {total} off: after a move this long the reading needs a new sweep.",
        total=angle_text(total),
    )


def noise_hides(total: float, bound: float, tolerance: float) -> str:
    """The rest cannot be told from noise."""
    return say(
        "Good but uncertain: {total} off, could be {bound}; the tolerance is {tolerance}. "
        "Turning more would chase noise: a new sweep with more points, a wider arc or longer "
        "exposures tells more.",
        total=angle_text(total),
        bound=angle_text(bound),
        tolerance=angle_text(tolerance),
    )


def large_move(moved: float) -> str:
    """The end of a pass that went far."""
    return say(
        "Looks good, but the base has moved {moved} since the sweep, and flexure changes "
        "with it: a new sweep must confirm it.",
        moved=angle_text(moved),
    )


def unexpected_sweep() -> str:
    """The end of a pass in which the wrong thing moved."""
    return say(
        "Looks good, but something moved on the way that should not have: a new sweep must "
        "confirm it."
    )


def snug(total: float, bound: float, *, there: bool = True) -> str:
    """Within tolerance, or so near that the next sweep may be the last: tighten."""
    if not there:
        return say(
            "Near the mark: {total} off, and the next sweep may be the last. Snug the adjusters "
            "and locks gently, then let go and say that it is done.",
            total=angle_text(total),
        )
    return say(
        "On the mark: {total} off, under {bound} (95 %). Snug the adjusters and locks "
        "gently, then let go and say that it is done.",
        total=angle_text(total),
        bound=angle_text(bound),
    )


def done(total: float, bound: float, tolerance: float) -> str:
    """The end."""
    return say(
        "Done: {total} off, under {bound} (95 %); the tolerance is {tolerance}. A last sweep "
        "confirms it.",
        total=angle_text(total),
        bound=angle_text(bound),
        tolerance=angle_text(tolerance),
    )


def move_base(adjuster: Adjuster, goal: Goal, left: float) -> str:
    """The adjuster's travel does not suffice."""
    how = (
        say("turn the whole base or tripod")
        if goal.heading in (Action.EAST, Action.WEST)
        else say("change the length of a tripod leg or the coarse altitude setting")
    )
    return say(
        "{goal}: the {adjuster} has only {left} of travel left. Bring it back to "
        "mid-travel, {direction}, and start again with a new sweep.",
        goal=heading_text(goal),
        adjuster=adjuster.name,
        left=angle_text(left),
        direction=how,
    )


def slipped(turn_angle: float) -> str:
    """A turn about RA that tracking does not explain."""
    return say(
        "Something other than the adjusters turned, {turn_angle} about the RA axis: check "
        "clutches, cables and tripod feet, then start a new sweep.",
        turn_angle=angle_text(abs(turn_angle)),
    )


def mount_was_moved(angle: float) -> str:
    """The mount's own word changed by so much (rad) without this program's doing."""
    return say(
        "The mount was moved or synchronised by someone else, by {angle:.1f} degrees: the "
        "reading no longer holds. Let nobody else drive it, then start a new sweep.",
        angle=angle / DEG,
    )


def _or_declination(before: float) -> str:
    return say(
        "Or the declination clutch slipped: then the axis is where it was, {before} off. "
        "Only a new sweep can tell.",
        before=angle_text(before),
    )


def stars_long() -> str:
    """The yardstick for smear changed."""
    return say(
        "Stars stay long or large although nothing moves: tracking off, wind or focus. "
        "Taken as normal from now on."
    )


def large_move_notice() -> str:
    """Said once when the way since the sweep gets long."""
    return say("The base has moved far since the sweep: a new sweep must confirm the end.")


def lost_long(frames: int) -> str:
    """Several frames in a row gave nothing."""
    return say(
        "No reading from the last {frames} frames. Check for cloud, dew, the lens cap, "
        "focus, and that no one stands in front of the telescope.",
        frames=frames,
    )


class ByHand:
    """What is said to a person who turns the adjusters."""

    by_hand = True

    def doing(self, adjuster: Adjuster, *, plus: bool) -> str:
        """What is to be done to an adjuster, in its owner's words."""
        return adjuster.doing(plus)

    def turn(self, adjuster: Adjuster, goal: Goal, turns: float | None, sigma: float | None) -> str:
        """The instruction for one adjuster."""
        text = say("{goal}: {plus}", goal=heading_text(goal), plus=adjuster.doing(goal.plus))
        if turns is not None:
            text += say(", {turns}", turns=turns_phrase(turns, sigma))
        return text + _in_brackets(goal, base=turns is None) + "."

    def cautions(
        self, profile: AdjusterProfile, axis: Axis, goal: Goal, *, first: bool, slack: str = ""
    ) -> tuple[str, ...]:
        """What to watch out for with this move; ``slack`` is `slack_first` where it applies."""
        found = []
        if first:
            found.append(HANDS_OFF_TUBE)
        if profile.adjuster(axis).opposing_pair:
            found.append(OPPOSING)
        elif slack:
            found.append(slack)
        if profile.heavy_load:
            found.append(HEAVY_LOWER if goal.heading is Action.LOWER else HEAVY)
        return tuple(found)

    def brief(
        self, profile: AdjusterProfile, axis: Axis, goal: Goal, *, first: bool, slack: bool
    ) -> str:
        """The most pressing of those cautions in a few words; empty where there is none."""
        if profile.adjuster(axis).opposing_pair:
            return say("Loosen the opposite screw a little first.")
        if slack:
            return say("Slack first: turn on slowly until the figure follows.")
        if profile.heavy_load:
            lowers = goal.heading is Action.LOWER
            return say("Hold the weight.") if lowers else say("Heavy load: never unlock it fully.")
        if first:
            return say("Turn the adjusters only: leave clutches and tube alone.")
        return ""

    def wait(self, state: State, reason: str) -> str:
        """What to say while there is nothing to turn."""
        if state is State.LOST:
            if reason:
                return say("No reading ({reason}). Hands off until the next frame.", reason=reason)
            return say("No reading. Hands off until the next frame.")
        if state is State.MOVING:
            return say("The axis is moving. Let go and wait until it settles.")
        return say("Hands off: waiting for a second frame that agrees.")

    def wait_on_the_way(self, state: State, goal: Goal, *, passed: bool) -> str:
        """What to say while the user is turning."""
        rest = _way_left(goal)
        if passed:
            return say("Let go: the axis has passed the mark, {rest}.", rest=rest)
        if state is State.MOVING:
            return say("Moving: {rest}. Let go to get a reading that counts.", rest=rest)
        return say("Hands off: {rest}; waiting for a second frame that agrees.", rest=rest)

    def other_axis_moved(self, moved: Axis, other: Axis, amount: float, before: float) -> str:
        """Both components changed in one move; ``before`` it the error was so large (rad)."""
        return say(
            "The {other_angle} changed by {amount} while the {moved} was turned. If you did not "
            "touch that adjuster, a lock is loose or the tripod was bumped. {before}",
            other_angle=other.value,
            amount=angle_text(amount),
            moved=moved.value,
            before=_or_declination(before),
        )

    def moved_unasked(self, amount: float, before: float) -> str:
        """The axis moved after the user was told to stop; ``before`` as above."""
        return say(
            "The axis moved by {amount} although nothing was to be turned. If you touched no "
            "adjuster, check the locks and the tripod feet. {before}",
            amount=angle_text(amount),
            before=_or_declination(before),
        )

    def overshot(self, amount: float) -> str:
        """The move went past the mark."""
        return say("{amount} too far. Turn less next time, and slowly.", amount=angle_text(amount))

    def wrong_way(self, heading: Action, amount: float) -> str:
        """The move went against the advice."""
        return say(
            "The axis went {amount} the other way; {asked} was asked. Turn the other way; if you "
            "turned as told, the two directions are swapped in the rig profile.",
            amount=angle_text(amount),
            asked=_ASKED[heading],
        )


class ByMotor(ByHand):
    """What is said where motors turn the adjusters: nobody is asked to do anything."""

    by_hand = False

    def doing(self, adjuster: Adjuster, *, plus: bool) -> str:  # noqa: ARG002
        """Nobody is at the adjusters."""
        return ""

    def turn(
        self,
        adjuster: Adjuster,  # noqa: ARG002 - what its owner does to it is not asked for
        goal: Goal,
        turns: float | None,  # noqa: ARG002
        sigma: float | None,  # noqa: ARG002
    ) -> str:
        """What its motor is to do."""
        return heading_text(goal) + _in_brackets(goal, base=True) + "."

    def cautions(self, *_about: object, **_more: object) -> tuple[str, ...]:
        """Nobody is at the adjusters."""
        return ()

    def brief(self, *_about: object, **_more: object) -> str:
        """Nobody is at the adjusters."""
        return ""

    def wait(self, state: State, reason: str) -> str:
        """Why no motor turns."""
        if state is State.LOST:
            if reason:
                return say("No reading ({reason}): waiting for the next frame.", reason=reason)
            return say("No reading: waiting for the next frame.")
        if state is State.MOVING:
            return say("The axis is moving: waiting until it settles.")
        return say("Waiting for a second frame that agrees.")

    def wait_on_the_way(self, state: State, goal: Goal, *, passed: bool) -> str:
        """How far the axis is while no reading counts."""
        rest = _way_left(goal)
        if passed:
            return say("The axis has passed the mark, {rest}: waiting until it settles.", rest=rest)
        if state is State.MOVING:
            return say("Moving: {rest}; waiting until it settles.", rest=rest)
        return say("{rest}; waiting for a second frame that agrees.", rest=rest)

    def other_axis_moved(self, moved: Axis, other: Axis, amount: float, before: float) -> str:
        """Both components changed in one move of one motor."""
        return say(
            "The {other_angle} changed by {amount} while the {moved} motor turned: a lock is "
            "loose, the tripod was bumped, or a motor turns the other adjuster as well. {before}",
            other_angle=other.value,
            amount=angle_text(amount),
            moved=moved.value,
            before=_or_declination(before),
        )

    def moved_unasked(self, amount: float, before: float) -> str:
        """The axis moved while no motor was to turn."""
        return say(
            "The axis moved by {amount} although no motor was told to turn: check the locks and "
            "the tripod feet. {before}",
            amount=angle_text(amount),
            before=_or_declination(before),
        )

    def overshot(self, amount: float) -> str:
        """The motor went past the mark."""
        return say("{amount} too far: the next turn allows for it.", amount=angle_text(amount))

    def wrong_way(self, heading: Action, amount: float) -> str:
        """The motor turned the other way: its sign is learned from that."""
        return say(
            "The axis went {amount} the other way; {asked} was asked. The motor's direction is "
            "learned from it.",
            amount=angle_text(amount),
            asked=_ASKED[heading],
        )


BY_HAND, BY_MOTOR = ByHand(), ByMotor()
