"""Why an axis cannot be computed, or must not be believed.

::

    GeometryError
    ├── TooFewDirections    not enough stars or attitudes for the unknowns
    ├── MixedParity         some frames of one sweep are mirrored and some are not
    ├── TurnTooSmall        the turn between the attitudes does not fix an axis
    ├── FitDiverged         the least squares did not settle
    └── SweepNotRigid       the attitudes contradict a turn about one fixed axis
"""

from __future__ import annotations

from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import DEG
from polewright.foundation.errors import GeometryError
from polewright.foundation.language import say


class TooFewDirections(GeometryError):
    """There are fewer stars or attitudes than unknowns."""

    code = "too_few_directions"
    advice = say(
        "Take another point of the sweep, or expose longer so that more stars are matched."
    )

    def __init__(self, what: str, found: int, needed: int) -> None:
        super().__init__(what, found, needed)
        self.what, self.found, self.needed = what, found, needed

    def __str__(self) -> str:
        return say(
            "{found} {kind} given, at least {needed} needed",
            found=self.found,
            kind=self.what,
            needed=self.needed,
        )


class MixedParity(GeometryError):
    """Some attitudes come from mirrored images and some do not, so one of them is a wrong solve."""

    code = "mixed_parity"
    advice = say(
        "Repeat the point that differs; a camera does not change whether it mirrors the sky."
    )

    def __init__(self, parities: tuple[int, ...]) -> None:
        super().__init__(parities)
        self.parities = parities

    def __str__(self) -> str:
        return say(
            "The attitudes disagree on whether the image is mirrored (parities {parities})",
            parities=self.parities,
        )


class TurnTooSmall(GeometryError):
    """The attitudes hardly differ, so any axis would fit."""

    code = "turn_too_small"
    advice = say("Turn further in right ascension between the points, 20 degrees or more each.")

    def __init__(self, turn: float, sigma: float) -> None:
        super().__init__(turn, sigma)
        self.turn, self.sigma = turn, sigma
        """Largest turn and the axis uncertainty it leads to, rad."""

    def __str__(self) -> str:
        return say(
            "The largest turn is {turn:.4f} deg, which leaves the axis uncertain by "
            "{sigma:.1f} deg",
            turn=self.turn / DEG,
            sigma=min(self.sigma / DEG, 180.0),
        )


class FitDiverged(GeometryError):
    """The least squares did not settle."""

    code = "fit_diverged"
    advice = say("Repeat the sweep; if it happens again, keep the frames and report them.")

    def __init__(self, rounds: int) -> None:
        super().__init__(rounds)
        self.rounds = rounds

    def __str__(self) -> str:
        return say(
            "The fit did not converge in {rounds} rounds; the data do not suit its model",
            rounds=self.rounds,
        )


class SweepNotRigid(GeometryError):
    """The attitudes contradict a turn about one fixed axis."""

    code = "sweep_not_rigid"
    likely = say(
        "something else moved: an adjuster, a clutch that slips, the tripod, or the wind did it."
    )
    advice = say(
        "Leave the adjusters alone during a sweep; check that the declination clutch is locked "
        "and that nothing touches the tripod, and repeat the sweep. If it persists, take more "
        "points: the one that stands out is a wrong solve or a shifted mirror. `polewright "
        "handbook trouble` says more."
    )

    def __init__(
        self, chi2: float, dof: int, p_value: float, largest_residual: float, worst: int | None
    ) -> None:
        super().__init__(chi2, dof, p_value, largest_residual, worst)
        self.chi2, self.dof, self.p_value = chi2, dof, p_value
        self.largest_residual = largest_residual
        """Length of the largest residual rotation, rad."""
        self.worst = worst
        """Index of the point without which the rest agrees best; None when it cannot be told."""

    def __str__(self) -> str:
        told = (
            ""
            if self.worst is None
            else say("; without point {worst} the rest agrees best", worst=self.worst + 1)
        )
        return say(
            "The sweep is not a turn about one fixed axis: a point lies {largest_residual} "
            "off{told}",
            largest_residual=angle_text(self.largest_residual),
            told=told,
        )

    @property
    def details(self) -> tuple[str, ...]:  # type: ignore[override]
        """The test that failed."""
        return (
            say(
                "Chi-square {chi2:.1f} for {dof} degrees of freedom (chance {p_value:.1e}).",
                chi2=self.chi2,
                dof=self.dof,
                p_value=self.p_value,
            ),
        )
