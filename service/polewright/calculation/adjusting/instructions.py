"""The plain sentences that page and terminal show. One place, so that both say the same."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from polewright.calculation.adjusting.axis_at_rest import State
from polewright.foundation.adjuster_profile import Adjuster, AdjusterProfile, Axis
from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import DEG


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

HANDS_OFF_TUBE = (
    "Do not loosen the clutches and do not push the tube by hand: only the two adjusters may move."
)
HANDS_OFF_SWEEP = "Hands off during the sweep: the mount moves by itself."
SNUG_MOVES = "Tightening moves the axis: go a little at a time, in turn, and watch the reading."
CHECK_MOUNT = (
    "Do not go on with the adjusters: the reading cannot be trusted until a new sweep is done."
)
MOVE_BASE = "Take the weight into account before shifting anything; keep cables free."
OPPOSING = (
    "Loosen the opposite screw slightly before tightening this one. If the reading stands still, "
    "loosen the opposite one a little more; never force a screw."
)
HEAVY = "Heavy load: never unlock it fully, slacken only as much as the move needs."
HEAVY_LOWER = "Heavy load: hold the weight while lowering, it may sink with a jump."


def turns_phrase(turns: float, sigma: float | None) -> str:
    """Number of turns as a person makes them, to an eighth of a turn at best."""
    eighths = round(turns * 8.0)
    if eighths < 1:
        return "less than an eighth of a turn"
    if turns < 2.0:
        whole, rest = divmod(eighths, 8)
        parts = {0: "", 1: "1/8", 2: "1/4", 3: "3/8", 4: "1/2", 5: "5/8", 6: "3/4", 7: "7/8"}
        text = " ".join(p for p in (str(whole) if whole else "", parts[rest]) if p)
    else:
        text = f"{turns:.1f}" if turns < 10.0 else f"{turns:.0f}"
    unit = "turn" if text in ("1", "1/8", "1/4", "3/8", "1/2", "5/8", "3/4", "7/8") else "turns"
    rough = sigma is not None and sigma > 0.15 * turns
    return f"{'roughly' if rough else 'about'} {text} {unit}"


def heading_text(goal: Goal) -> str:
    """Such as "Raise the axis 4.2 arcmin" or "Move the axis 35 arcsec east"."""
    if goal.heading is Action.RAISE:
        return f"Raise the axis {angle_text(goal.amount)}"
    if goal.heading is Action.LOWER:
        return f"Lower the axis {angle_text(goal.amount)}"
    return f"Move the axis {angle_text(goal.amount)} {goal.heading.value}"


def turn(adjuster: Adjuster, goal: Goal, turns: float | None, sigma: float | None) -> str:
    """The instruction for one adjuster."""
    text = f"{heading_text(goal)}: {adjuster.doing(goal.plus)}"
    if turns is not None:
        text += f", {turns_phrase(turns, sigma)}"
    elif goal.amount_base > BASE_TELLS * goal.amount:
        text += f" (on the sky; a turn of the base by {angle_text(goal.amount_base)})"
    if goal.beyond > 0.0:
        text += f" (this goes {angle_text(goal.beyond)} too low on purpose: the last move raises)"
    return text + "."


def slack_first(adjuster: Adjuster, backlash: float | None, *, counted: bool) -> str:
    """The way back begins with lost motion, in which nothing moves.

    Args:
        adjuster: which one turns back.
        backlash: its lost motion, rad of the base; None when nobody knows.
        counted: whether the number of turns that is told contains it.
    """
    text = f"The {adjuster.name} changes direction and has to take up its slack first"
    if backlash is not None:
        text += f" (about {angle_text(backlash)} of the base"
        text += ", contained in the turns)" if counted else ")"
    return text + ": if the reading stands still, turn on slowly until it follows."


def cautions(
    profile: AdjusterProfile, axis: Axis, goal: Goal, *, first: bool, slack: str = ""
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


def wait(state: State, reason: str) -> str:
    """What to say while there is nothing to turn."""
    if state is State.LOST:
        why = f" ({reason})" if reason else ""
        return f"No reading from the last frame{why}. Hands off until the next one."
    if state is State.MOVING:
        return "The axis is moving. Let go and wait until it settles."
    return "Hands off: waiting for a second frame that agrees."


def wait_on_the_way(state: State, goal: Goal, *, passed: bool) -> str:
    """What to say while the user is turning."""
    rest = f"{angle_text(goal.amount)} {_still(goal.heading)}"
    if passed:
        return f"Stop turning: the axis has gone past the mark, {rest}."
    if state is State.MOVING:
        return f"Moving: {rest}. Let go to get a reading that counts."
    return f"Hands off: {rest}, waiting for a second frame that agrees."


def _still(heading: Action) -> str:
    return {
        Action.RAISE: "to raise",
        Action.LOWER: "to lower",
        Action.EAST: "to go east",
        Action.WEST: "to go west",
    }[heading]


def coarse_reached(total: float) -> str:
    """End of the first pass."""
    return (
        f"Near enough for now, {angle_text(total)} off. Stop turning and start a new sweep: "
        "after such a way the reading needs a fresh start."
    )


def noise_hides(total: float, bound: float, tolerance: float) -> str:
    """The rest cannot be told from noise."""
    return (
        f"Good but unsure: {angle_text(total)} off, yet it could be {angle_text(bound)} and the "
        f"tolerance is {angle_text(tolerance)}. Turning more would follow noise: start a new "
        "sweep, with more points, wider, or with longer exposures."
    )


def large_move(moved: float) -> str:
    """The end of a pass that went far."""
    return (
        f"Looks good, but the base has been moved {angle_text(moved)} since the sweep, and "
        "flexure changes with it. Stop turning and start a new sweep to confirm."
    )


def unexpected_sweep() -> str:
    """The end of a pass in which the wrong thing moved."""
    return (
        "Looks good, but on the way something moved that was not asked to. "
        "Stop turning and start a new sweep to confirm."
    )


def snug(total: float, bound: float) -> str:
    """Within tolerance: tighten."""
    return (
        f"On the mark: {angle_text(total)} off, surely under {angle_text(bound)}. Now snug the "
        "adjusters and locks gently, then let go and tell that you have."
    )


def done(total: float, bound: float, tolerance: float) -> str:
    """The end."""
    return (
        f"Done: {angle_text(total)} off and, with 95 % certainty, under {angle_text(bound)}; the "
        f"tolerance is {angle_text(tolerance)}. A last sweep confirms it."
    )


def move_base(adjuster: Adjuster, goal: Goal, left: float) -> str:
    """The adjuster's travel does not suffice."""
    how = (
        "turn the whole base or tripod"
        if goal.heading in (Action.EAST, Action.WEST)
        else "change the length of a tripod leg or the coarse altitude setting"
    )
    return (
        f"{heading_text(goal)}: the {adjuster.name} has only {angle_text(left)} left. Stop, bring "
        f"it back to the middle of its travel, {how}, and start again with a new sweep."
    )


def slipped(turn_angle: float) -> str:
    """A turn about RA that tracking does not explain."""
    return (
        f"Something other than the adjusters turned, {angle_text(abs(turn_angle))} about the RA "
        "axis: check that the clutches are tight, the cables free and the tripod's feet firm, then "
        "start a new sweep."
    )


def mount_was_moved(angle: float) -> str:
    """The mount's own word changed by so much (rad) without this program's doing."""
    return (
        f"Somebody else moved or synchronised the mount, by {angle / DEG:.1f} degrees: the "
        "reading does not hold any more. Let nobody else drive it, then start a new sweep."
    )


def _or_declination(before: float) -> str:
    return (
        "Or the declination clutch slipped: then the axis is where it was, "
        f"{angle_text(before)} off. Only a new sweep tells."
    )


def other_axis_moved(moved: Axis, other: Axis, amount: float, before: float) -> str:
    """Both components changed in one move; ``before`` it the error was so large (rad)."""
    return (
        f"The {other.value} changed by {angle_text(amount)} while the {moved.value} was turned. If "
        "you did not touch that adjuster, a lock is loose or the tripod was bumped. "
        f"{_or_declination(before)}"
    )


def moved_unasked(amount: float, before: float) -> str:
    """The axis moved after the user was told to stop; ``before`` the error was so large (rad)."""
    return (
        f"The axis moved by {angle_text(amount)} although nothing was to be turned. If you touched "
        f"no adjuster, check the locks and the tripod's feet. {_or_declination(before)}"
    )


def overshot(amount: float) -> str:
    """The move went past the mark."""
    return f"That went {angle_text(amount)} too far. Turn less next time, and slowly."


def wrong_way(heading: Action, amount: float) -> str:
    """The move went against the advice."""
    asked = {
        Action.RAISE: "up",
        Action.LOWER: "down",
        Action.EAST: "east",
        Action.WEST: "west",
    }[heading]
    return (
        f"The axis went {angle_text(amount)} the other way; {asked} was asked. Turn the other way; "
        "if you did as told, the two directions are swapped in the rig profile."
    )


def stars_long() -> str:
    """The yardstick for smear changed."""
    return (
        "Stars stay long or large although nothing moves: tracking off, wind or focus. "
        "Taken as normal from now on."
    )


def large_move_notice() -> str:
    """Said once when the way since the sweep gets long."""
    return "The base has moved far since the sweep: go on, but a new sweep must confirm the end."


def lost_long(frames: int) -> str:
    """Several frames in a row gave nothing."""
    return (
        f"No reading from the last {frames} frames. Check for cloud, dew, the lens cap, focus, "
        "and that no one stands in front of the telescope."
    )
