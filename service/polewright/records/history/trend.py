"""How a permanent pier's axis moves over months: still, creeping, settling, stepped, or seasonal.

Six models are fitted to altitude and azimuth together, and the one with the smallest Bayesian
information criterion (Schwarz 1978, Annals of Statistics 6, 461) is told, if a pier that stands
still would hardly ever look like it (`SURE_P`). Pure: arrays in, dataclass out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, fdtrc

from polewright.foundation.angle_text import arcmin_text
from polewright.foundation.angles import Vector
from polewright.foundation.language import say, say_count
from polewright.records.history.errors import TooFewRuns

FEWEST = 3
DAY_S = 86400.0
MONTH_D = 30.0
YEAR_D = 365.25
#: How well an axis comes back to the same reading on another night, beyond what a sweep's own
#: errors tell: temperature, seeing, load (own choice, no source).
NIGHT_TO_NIGHT_ARCMIN = 0.1
#: A rate is called movement when it is this many times its own uncertainty.
SURE = 3.0

#: Chance at which a pier that stands still may be told to move, for one look and all models tried:
#: looked at after every night of 100 years, hardly one is (tests/history holds it).
SURE_P = 1e-6
WEEK_D = 7.0
#: A measurement is outside the noise so many sigmas off (95 % in the plane).
OUTSIDE = 2.45

_WORDS = {
    "still": say("The pier stands still"),
    "creeping": say("The pier keeps moving"),
    "began": say("The pier stood still, and moves now"),
    "settling": say("The pier is settling"),
    "stepped": say("The pier moved at once"),
    "seasonal": say("The pier moves with the seasons"),
}


@dataclass(frozen=True, eq=False)
class AxisSeries:
    """Measurements of one pier since its adjusters were last turned. Arcmin on the sky."""

    utc_s: Vector
    """(n,), ascending."""
    error: Vector
    """(n, 2): azimuth (+ east), altitude (+ high) from the true pole."""
    covariance: Vector
    """(n, 2, 2) of the same."""


@dataclass(frozen=True, eq=False)
class Trend:
    """The model that explains a series best. Arcmin and days."""

    model: str
    points: int
    span_d: float
    now: NDArray[np.float64]
    """(2,) azimuth and altitude at the last measurement, by the model."""
    now_covariance: NDArray[np.float64]
    rate: NDArray[np.float64]
    """(2,) arcmin per 30 days at the last measurement."""
    rate_sigma: NDArray[np.float64]
    scatter: float
    """Square root of chi-square per degree of freedom; about 1 when the stated errors are true."""
    when_utc_s: float | None
    """When it stepped; for the other models None."""
    moving_since_utc_s: float | None
    """Since when its motion is outside the noise, or when it began; None unless it creeps."""
    time_constant_d: float | None
    """How long settling takes to fall to a third; for the other models None."""
    step: NDArray[np.float64] | None
    """(2,) how far it stepped, azimuth and altitude; for the other models None."""
    predict: Callable[[Vector], NDArray[np.float64]]
    """(m,) Unix seconds to (m, 2)."""

    @property
    def total(self) -> float:
        """Size of the error at the last measurement."""
        return float(np.hypot(*self.now))

    @property
    def total_sigma(self) -> float:
        """1 sigma of `total`, in the direction of the error."""
        if self.total == 0.0:
            return math.sqrt(float(np.linalg.eigvalsh(self.now_covariance)[-1]))
        along = self.now / self.total
        return math.sqrt(float(along @ self.now_covariance @ along))

    @property
    def speed(self) -> float:
        """Arcmin per 30 days, whichever way."""
        return float(np.hypot(*self.rate))

    @property
    def moving(self) -> bool:
        """Whether the rate is surely not nothing."""
        return bool(np.any(np.abs(self.rate) > SURE * self.rate_sigma))

    def crosses_in_d(self, limit_arcmin: float, within_d: float = 2.0 * YEAR_D) -> float | None:
        """Days until the model reaches the limit; None when not within that time."""
        if self.model == "seasonal":
            within_d = min(within_d, YEAR_D)
        ahead = np.linspace(0.0, within_d, 2001)
        totals = np.linalg.norm(self.predict(self._last_utc_s + ahead * DAY_S), axis=1)
        beyond = np.flatnonzero(totals > limit_arcmin)
        return float(ahead[beyond[0]]) if beyond.size else None

    @property
    def sentence(self) -> str:
        """What a person wants to know."""
        words = say(
            "{words}: {total} off",
            words=_WORDS[self.model],
            total=arcmin_text(self.total, self.total_sigma),
        )
        if self.model in ("creeping", "settling", "began"):
            words += say(
                ", now moving {speed} a week {where}",
                speed=arcmin_text(self.speed * WEEK_D / MONTH_D),
                where=_direction(self.rate),
            )
        if self.moving_since_utc_s is not None:
            since = datetime.fromtimestamp(self.moving_since_utc_s, UTC).date().isoformat()
            words += say(", outside its noise since {since}", since=since)
        if self.step is not None:
            words += say(
                "; it moved by {size} {where}",
                size=arcmin_text(float(np.hypot(*self.step))),
                where=_direction(self.step),
            )
        if self.time_constant_d is not None:
            words += say(
                "; what is left of it falls to a third every {time_constant_d:.0f} days",
                time_constant_d=self.time_constant_d,
            )
        days = say_count("{count} day", "{count} days", round(self.span_d))
        return say(
            "{words} ({points} in {days}).",
            words=words,
            points=say_count("{count} measurement", "{count} measurements", self.points),
            days=days,
        )

    _last_utc_s: float = 0.0


def series_since_adjusting(
    rows: Sequence[Mapping[str, Any]],
) -> tuple[AxisSeries, list[AxisSeries]]:
    """Cut a pier's measurements where its adjusters were turned.

    Args:
        rows: of `History.list_measurements` for one pier, oldest first.

    Returns:
        The series since the adjusters were last turned, and the earlier ones. A run's second and
        later sweeps follow an adjustment, and so does the next run when the axis was still being
        followed at the end of the one before.
    """
    pieces: list[list[Mapping[str, Any]]] = []
    before: Mapping[str, Any] | None = None
    for row in rows:
        turned = before is None or row["number"] > 1
        if before is not None and row["run_id"] != before["run_id"]:
            turned = bool(before["adjusted_after"])
        if turned:
            pieces.append([])
        pieces[-1].append(row)
        before = row
    made = [_series(piece) for piece in pieces]
    if not made:
        return _series([]), []
    return made[-1], made[:-1]


def _series(rows: Sequence[Mapping[str, Any]]) -> AxisSeries:
    error = np.zeros((len(rows), 2))
    covariance = np.zeros((len(rows), 2, 2))
    for i, row in enumerate(rows):
        altitude = row["d_alt_arcmin"]
        if row["pole"] != "true":
            altitude = 60.0 * (row["axis_altitude_deg"] - abs(row["latitude_deg"]))
        error[i] = row["d_az_sky_arcmin"], altitude
        cross = row["cov_az_alt_arcmin2"]
        covariance[i] = [[row["var_az_sky_arcmin2"], cross], [cross, row["var_alt_arcmin2"]]]
    return AxisSeries(np.array([row["utc_s"] for row in rows]), error, covariance)


@dataclass(frozen=True, eq=False)
class _Candidate:
    model: str
    basis: Callable[[Vector], NDArray[np.float64]]
    """(m,) days since the first measurement to (m, k)."""
    hidden: int = 0
    """Parameters found by trying, beside those of the basis."""
    detail: float | None = None


def fit_trend(series: AxisSeries) -> Trend:
    """Choose and fit the model. Raises `TooFewRuns` below `FEWEST` measurements."""
    n = len(series.utc_s)
    if n < FEWEST:
        raise TooFewRuns(n, FEWEST)
    days = (np.asarray(series.utc_s) - series.utc_s[0]) / DAY_S
    noise = series.covariance + NIGHT_TO_NIGHT_ARCMIN**2 * np.eye(2)
    whiten = np.linalg.inv(np.linalg.cholesky(noise))
    data = np.einsum("nij,nj->ni", whiten, series.error).ravel()
    best: _Tried | None = None
    still: _Tried | None = None
    candidates = _candidates(days)
    for candidate in candidates:
        k = 2 * candidate.basis(days[:1]).shape[1]
        free = 2 * n - k - candidate.hidden
        if free < 1:
            continue
        design = _design(candidate.basis(days), whiten)
        found, *_ = np.linalg.lstsq(design, data, rcond=None)
        chi2 = float(np.sum((data - design @ found) ** 2))
        # The stated errors hold (chi-square), but a scatter beyond them must not look like
        # structure: BIC with both, the worse counts.
        scale = max(1.0, chi2 / free)
        bic = chi2 / scale + 2 * n * math.log(scale) + (k + candidate.hidden) * math.log(2 * n)
        tried = _Tried(bic, candidate, found, chi2, free, k + candidate.hidden)
        still = still or tried
        if best is None or bic < best.bic:
            best = tried
    if best is None or still is None:
        raise TooFewRuns(n, FEWEST)
    if best is not still and _chance(still, best, len(candidates)) > SURE_P:
        best = still
    chosen, found, reduced = best.candidate, best.found, best.chi2 / best.free
    design = _design(chosen.basis(days), whiten)
    covariance = np.linalg.pinv(design.T @ design) * max(1.0, reduced)
    last = float(days[-1])
    step = 0.5  # days; the steepest basis settles over several
    here = np.kron(chosen.basis(np.array([last])), np.eye(2))
    slope = np.kron(
        (chosen.basis(np.array([last + step])) - chosen.basis(np.array([last - step])))
        * (MONTH_D / (2.0 * step)),
        np.eye(2),
    )
    if chosen.model == "stepped":
        slope = np.zeros_like(slope)
    first_utc_s = float(series.utc_s[0])

    def predict(utc_s: Vector) -> NDArray[np.float64]:
        basis = chosen.basis((np.asarray(utc_s) - first_utc_s) / DAY_S)
        return np.asarray(basis @ found.reshape(-1, 2))

    when = chosen.detail if chosen.model == "stepped" else None
    speed = float(np.hypot(*(slope @ found))) / MONTH_D
    since = None
    if chosen.model == "began":
        since = chosen.detail
    elif chosen.model == "creeping" and speed > 0.0:
        usual = math.sqrt(float(np.median(np.trace(noise, axis1=1, axis2=2))) / 2.0)
        since = min(last, OUTSIDE * usual / speed)
    return Trend(
        model=chosen.model,
        points=n,
        span_d=last,
        now=here @ found,
        now_covariance=here @ covariance @ here.T,
        rate=slope @ found,
        rate_sigma=np.sqrt(np.diag(slope @ covariance @ slope.T)),
        scatter=math.sqrt(reduced),
        when_utc_s=None if when is None else first_utc_s + when * DAY_S,
        moving_since_utc_s=None if since is None else first_utc_s + since * DAY_S,
        step=None if when is None else np.asarray(found[2:4]),
        time_constant_d=chosen.detail if chosen.model == "settling" else None,
        predict=predict,
        _last_utc_s=float(series.utc_s[-1]),
    )


@dataclass(frozen=True, eq=False)
class _Tried:
    bic: float
    candidate: _Candidate
    found: NDArray[np.float64]
    chi2: float
    free: int
    parameters: int


def _chance(still: _Tried, other: _Tried, tried: int) -> float:
    """Chance that a pier that stands still gives data that speak so much for another model.

    The stated errors hold, or what scatters about the other model where that is more; times how
    many models were tried (Bonferroni).
    """
    more = max(1, other.parameters - still.parameters)
    gained = (still.chi2 - other.chi2) / more
    reduced = other.chi2 / other.free
    by_errors = float(chdtrc(more, gained * more))
    by_scatter = float(fdtrc(more, other.free, gained / reduced)) if reduced > 1.0 else 0.0
    return min(1.0, tried * max(by_errors, by_scatter))


def _direction(move: Vector) -> str:
    """Which way (2,) azimuth and altitude go, the smaller part left out where it is small."""
    east = say("to the east") if move[0] > 0 else say("to the west")
    up = say("up") if move[1] > 0 else say("down")
    if abs(move[0]) < 0.4 * abs(move[1]):
        return up
    if abs(move[1]) < 0.4 * abs(move[0]):
        return east
    return say("{up} and {east}", up=up, east=east)


def _design(basis: Vector, whiten: Vector) -> NDArray[np.float64]:
    """Whitened design (2n, 2k): unknowns are (azimuth, altitude) of each column of the basis."""
    n, k = basis.shape
    return np.asarray(np.einsum("nij,nk->nikj", whiten, basis).reshape(2 * n, 2 * k))


def _candidates(days: Vector) -> list[_Candidate]:
    span = float(days[-1])
    n = len(days)

    def column(*parts: Callable[[Vector], Vector]) -> Callable[[Vector], NDArray[np.float64]]:
        return lambda t: np.stack([np.ones_like(t), *(part(t) for part in parts)], axis=-1)

    found = [_Candidate("still", column())]
    if span <= 0.0:
        return found
    found.append(_Candidate("creeping", column(lambda t: t / span)))
    if n >= 5:
        for tau in span * np.array([0.05, 0.08, 0.12, 0.18, 0.27, 0.4]):
            found.append(
                _Candidate("settling", column(lambda t, c=tau: np.exp(-t / c)), 1, float(tau))  # type: ignore[misc]
            )
        for i in range(2, n - 1):
            at = float(0.5 * (days[i - 1] + days[i]))
            found.append(
                _Candidate("stepped", column(lambda t, a=at: (t > a).astype(float)), 1, at)  # type: ignore[misc]
            )
    if n >= 8:
        for at in span * np.linspace(0.2, 0.8, 7):
            found.append(
                _Candidate(
                    "began",
                    column(lambda t, a=at: np.maximum(0.0, t - a) / span),  # type: ignore[misc]
                    1,
                    float(at),
                )
            )
    if n >= 8 and span > 0.9 * YEAR_D:
        turn = 2.0 * math.pi / YEAR_D
        found.append(
            _Candidate("seasonal", column(lambda t: np.sin(turn * t), lambda t: np.cos(turn * t)))
        )
    return found
