"""The axis, night by night, from exposures of ordinary targets: no sky time, and nothing moves."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from polewright import __version__
from polewright.calculation.field_rotation.expected import (
    Stretch,
    expected_covariance,
    widest95,
)
from polewright.calculation.field_rotation.groups import (
    Group,
    SkyFrame,
    group_frames,
    night_of,
    tracked,
)
from polewright.calculation.field_rotation.tracked_axis import (
    Change,
    Moved,
    TrackedFit,
    TrackedFrame,
    fit_tracked,
)
from polewright.calculation.geometry.axis_error import AxisError, axis_error
from polewright.calculation.geometry.errors import TooFewDirections
from polewright.calculation.geometry.learnt_noise import FrameNoise
from polewright.calculation.geometry.shared_errors import SharedErrors
from polewright.calculation.sky.frame import hour_angle_dec
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.site import Site
from polewright.calculation.sky.weather import Weather
from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import (
    ARCMIN,
    ARCSEC,
    DEG,
    HOUR,
    TAU,
    fold_pi,
    spherical,
)
from polewright.foundation.clock import CancelToken
from polewright.foundation.config import Config
from polewright.foundation.language import joined, say, say_count
from polewright.observing.frames.contradictions import Doubt, doubts_about, refused_by
from polewright.observing.frames.header import (
    FrameHeader,
    FrameUnusable,
    frame_files,
    read_header,
)
from polewright.observing.frames.solving import (
    FrameSolver,
    KeptSolutions,
    Solved,
    depends_on,
    solve_all,
)
from polewright.observing.plan.rig_errors import shared_errors
from polewright.observing.rig.site_and_weather import site_given, weather_of
from polewright.observing.runs.measurement import utc_text
from polewright.observing.sweep.axis_as_data import axis_result
from polewright.records.passive_result import (
    GroupResult,
    LeftOut,
    MovedResult,
    PassiveResult,
    Verdict,
)
from polewright.records.result import SiteResult, WeatherResult

#: Frames whose WCS is compared with our own solution before the others' are believed.
WCS_SAMPLE = 6
#: A WCS is used where its roll scatters by no more than this against our own (own choice).
WCS_ROLL = 20.0 * ARCSEC
#: A night with fewer frames that count tells nothing that could be checked.
FEWEST = 4

OnProgress = Callable[[int, int], None]
"""Frames read so far, and all."""


@dataclass(frozen=True, eq=False)
class _Read:
    """The frames of one night, read and solved; oldest first."""

    headers: list[FrameHeader]
    solved: list[Solved]
    left_out: Counter[str]


@dataclass(frozen=True)
class Wanted:
    """What is asked of the frames."""

    unguided: bool = False
    """Whether nothing but tracking moved the mount between frames of a target."""
    within: float | None = None
    """Longest half-axis (rad) of the 95 % region up to which a figure is given; None: the
    tolerance."""
    later_s: float = 0.0
    """Added to the times in the headers."""


def headers_of(places: Iterable[Path], later_s: float, left_out: Counter[str]) -> list[FrameHeader]:
    """Return the headers of all frames in files and folders, oldest first, each file once.

    Args:
        places: files and folders; folders are searched with all below them.
        later_s: added to the times.
        left_out: counts what cannot be used, by reason.

    Raises:
        FrameUnusable: there is no such file or folder.
    """
    paths = {path.resolve(): path for place in places for path in frame_files(place)}
    found = []
    for path in paths.values():
        try:
            header = read_header(path)
        except FrameUnusable as exc:
            left_out[exc.kind] += 1
        else:
            found.append(replace(header, utc_mid_s=header.utc_mid_s + later_s))
    return sorted(found, key=lambda header: (header.utc_mid_s, str(header.path)))


def axis_from_frames(
    places: Sequence[Path],
    config: Config,
    wanted: Wanted,
    cancel: CancelToken,
    progress: OnProgress = lambda _done, _all: None,
) -> list[PassiveResult]:
    """Return what frames tell of the axis, one result for each night, oldest first.

    Args:
        places: files and folders.
        config: site, optics, solver, tolerance.
        wanted: what is asked.
        cancel: ends the reading; what was solved is kept for the next time.
        progress: hears how far it is.

    Raises:
        SiteUnknown: the configuration has no site.
        FrameUnusable: there is no such file or folder.
        Cancelled: it was asked to stop.
        ConfigError: the solver's options are wrong.
    """
    site = site_given(config)
    unread: Counter[str] = Counter()
    headers = headers_of(places, wanted.later_s, unread)
    nights: dict[int, list[FrameHeader]] = {}
    for header in headers:
        nights.setdefault(night_of(header.utc_mid_s, site.longitude_deg), []).append(header)
    results = []
    done = 0
    for number, (night, of_night) in enumerate(sorted(nights.items())):
        before = done
        weather = weather_of(config, site, of_night[len(of_night) // 2].utc_mid_s)

        def told(count: int, before: int = before) -> None:
            progress(before + count, len(headers))

        read = _read(of_night, places[0], config, site, weather, cancel, told)
        done += len(of_night)
        if number == 0:  # what has no time belongs to no night
            read.left_out.update(unread)
        results.append(result_of(read, night, config, site, weather, wanted))
    if not nights and unread:
        reasons = joined(
            "; ", (say("{count}: {reason}", count=n, reason=why) for why, n in unread.items())
        )
        raise FrameUnusable(
            str(places[0]), say("no frame can be used ({reasons})", reasons=reasons)
        )
    return results


def _read(
    headers: Sequence[FrameHeader],
    folder: Path,
    config: Config,
    site: Site,
    weather: Weather,
    cancel: CancelToken,
    told: Callable[[int], None],
) -> _Read:
    """Solve a night's frames, those with a good WCS by their headers alone."""
    kept = KeptSolutions(folder, depends_on(config, site, weather.air))
    left_out: Counter[str] = Counter()
    found: dict[Path, Solved] = {}

    def solve(some: Sequence[FrameHeader]) -> None:
        new = []
        for header in some:
            known = kept.get(header)
            if known is None:
                new.append(header)
            else:
                found[header.path] = known
        told(len(found))

        def ready(header: FrameHeader, solved: Solved) -> None:
            found[header.path] = solved
            kept.put(header, solved)
            told(len(found))

        if new:
            solve_all(new, config, site, weather.air, cancel, ready)

    with_wcs = [header for header in headers if header.has_wcs]
    if len(with_wcs) > 2 * WCS_SAMPLE:
        places = np.linspace(0, len(with_wcs) - 1, WCS_SAMPLE).round().astype(int)
        sample = [with_wcs[int(i)] for i in places]
        solve(sample)
        solver = FrameSolver(config, site, weather.air)
        good = _by_wcs(solver, with_wcs, [(header, found[header.path]) for header in sample])
        found.update(good)
    solve([header for header in headers if header.path not in found])
    return _sorted_out(headers, found, left_out)


def _by_wcs(
    solver: FrameSolver,
    headers: Sequence[FrameHeader],
    sample: Sequence[tuple[FrameHeader, Solved]],
) -> Mapping[Path, Solved]:
    """Return attitudes from WCS where those of a sample agree with our own; else nothing.

    Their roll may be off by one and the same angle, which the camera's angle takes up: what counts
    is how it scatters, and that is the noise of all of them.
    """
    off = []
    for header, ours in sample:
        theirs = solver.by_wcs(header)
        if ours.attitude is None or theirs.attitude is None:
            continue
        turn = ours.attitude.matrix.T @ theirs.attitude.matrix
        if ours.attitude.parity != theirs.attitude.parity:
            return {}
        off.append([turn[2, 1], -turn[2, 0], 0.5 * (turn[1, 0] - turn[0, 1])])
    if len(off) < WCS_SAMPLE - 1:
        return {}
    scatter = np.std(np.array(off), axis=0, ddof=1)
    if scatter[2] > WCS_ROLL or np.abs(np.array(off)).max() > 0.5 * DEG:
        return {}
    sigma = np.maximum(scatter, 0.1 * ARCSEC)
    good: dict[Path, Solved] = {}
    for header in headers:
        theirs = solver.by_wcs(header)
        if theirs.attitude is not None:
            attitude = replace(theirs.attitude, covariance=np.diag(sigma**2))
            good[header.path] = replace(theirs, attitude=attitude)
    return good


def _sorted_out(
    headers: Sequence[FrameHeader], found: Mapping[Path, Solved], left_out: Counter[str]
) -> _Read:
    """Leave out what was not solved, and what is there twice."""
    kept_headers, kept = [], []
    seen: set[str] = set()
    for header in headers:
        solved = found[header.path]
        marks = {f"{header.camera} {header.utc_mid_s:.3f} {header.exposure_s:g}"}
        if solved.content:
            marks.add(solved.content)
        if solved.attitude is None:
            left_out[solved.failed] += 1
        elif marks & seen:
            left_out[say("the same exposure is there under another name")] += 1
        else:
            seen |= marks
            kept_headers.append(header)
            kept.append(replace(solved, attitude=replace(solved.attitude, utc_s=header.utc_mid_s)))
    return _Read(kept_headers, kept, left_out)


def sky_frames(read_headers: Sequence[FrameHeader], solved: Sequence[Solved]) -> list[SkyFrame]:
    """Return solved frames as they are put into groups."""
    frames = []
    for header, item in zip(read_headers, solved, strict=True):
        if item.attitude is None:
            continue
        frames.append(
            SkyFrame(
                attitude=item.attitude,
                icrs=item.icrs,
                field=min(header.width, header.height) * item.attitude.scale,
                camera=f"{header.camera} {header.width}x{header.height}",
                pier_side=header.pier_side,
                rotator_deg=header.rotator_deg,
            )
        )
    return frames


def focal_length_mm(config: Config, header: FrameHeader, scale: float) -> float | None:
    """Return the focal length that the stars tell, where the pixels are known."""
    pixel_um = header.pixel_um
    if pixel_um is None and config.optics.pixel_um is not None:
        pixel_um = config.optics.pixel_um * config.camera.binning
    return config.optics.focal_length_mm if pixel_um is None else pixel_um * 1e-3 / scale


def result_of(
    read: _Read, night: int, config: Config, site: Site, weather: Weather, wanted: Wanted
) -> PassiveResult:
    """Fit one night and say what it came to."""
    pole_target = PoleTarget(config.pole.target)
    true_pole = pole_enu(site, PoleTarget.TRUE, weather.air)
    frames = sky_frames(read.headers, read.solved)
    groups = group_frames(frames, true_pole, site)
    used = tracked(frames, groups, true_pole, unguided=wanted.unguided)
    alone = sum(1 for group in groups if len(group.members) < 2)
    if alone:
        read.left_out[say("the only one of its target and camera angle")] += alone
    within = wanted.within or config.pole.tolerance_arcmin * ARCMIN
    base = _Base(config, site, weather, wanted, within, night)
    fit: TrackedFit | None = None
    error: AxisError | None = None
    shared = _shared(config, weather, read, frames)
    if len(used) >= FEWEST:
        try:
            fit = fit_tracked(
                used,
                true_pole,
                shared=shared,
                shift_floor=config.sweep.frame_floor_arcsec * ARCSEC,
            )
            error = axis_error(fit.axis, fit.covariance, site, pole_target, weather.air)
        except TooFewDirections:
            fit = None
    doubts: list[Doubt] = []
    if frames:
        doubts = doubts_about(
            read.headers,
            [frame.attitude for frame in frames],
            [frame.icrs for frame in frames],
            site,
            weather.air,
        )
    return base.told(read, frames, groups, used, fit, error, doubts, shared)


def _shared(
    config: Config, weather: Weather, read: _Read, frames: Sequence[SkyFrame]
) -> SharedErrors:
    focal_mm = config.optics.focal_length_mm
    if frames:
        focal_mm = focal_length_mm(config, read.headers[0], frames[0].attitude.scale)
    return shared_errors(config, weather, focal_mm)


@dataclass(frozen=True)
class _Base:
    """What is known before any frame."""

    config: Config
    site: Site
    weather: Weather
    wanted: Wanted
    within: float
    night: int

    def told(
        self,
        read: _Read,
        frames: Sequence[SkyFrame],
        groups: Sequence[Group],
        used: Sequence[TrackedFrame],
        fit: TrackedFit | None,
        error: AxisError | None,
        doubts: Sequence[Doubt],
        shared: SharedErrors,
    ) -> PassiveResult:
        """Judge, and put it into the document."""
        refused = refused_by(
            doubts,
            0.0 if error is None else error.total,
            math.inf if error is None else error.sigma_total,
        )
        widest = None if fit is None else widest95(fit.covariance)
        verdict, sentence, advice = self._verdict(used, fit, error, widest, refused, shared)
        axis = None
        if verdict == "measured" and fit is not None and error is not None:
            noise = FrameNoise(self.config.sweep.frame_floor_arcsec * ARCSEC, shared.noise_dof)
            axis = axis_result(fit, error, noise, None)
        tolerance = self.config.pole.tolerance_arcmin
        times = [frame.attitude.utc_s for frame in used] or [
            frame.attitude.utc_s for frame in frames
        ]
        first_s = times[0] if times else (self.night + 1) * 86400.0
        return PassiveResult(
            software=f"polewright {__version__}",
            night=night_text(self.night),
            started_utc=utc_text(first_s),
            finished_utc=utc_text(times[-1] if times else first_s),
            site=SiteResult(
                latitude_deg=self.site.latitude_deg,
                longitude_deg=self.site.longitude_deg,
                elevation_m=self.site.elevation_m,
                source="configuration",
            ),
            weather=WeatherResult.of(self.weather),
            telescope=_commonest(header.telescope for header in read.headers),
            camera=_commonest(header.camera for header in read.headers),
            verdict=verdict,
            sentence=sentence,
            advice=advice,
            axis=axis,
            widest95_arcmin=None if widest is None else widest / ARCMIN,
            asked_arcmin=self.within / ARCMIN,
            frames=len(used),
            hours=sum(_minutes(frames, group) for group in groups) / 60.0,
            unguided=self.wanted.unguided,
            groups=_groups(frames, groups, used, fit, self.site),
            left_out=tuple(
                LeftOut(frames=count, reason=reason)
                for reason, count in read.left_out.most_common()
            ),
            moved=_moved(fit, verdict),
            doubts=tuple(doubt.text for doubt in doubts),
            tolerance_arcmin=tolerance,
            within_tolerance=axis is not None and axis.total_upper95_arcmin <= tolerance,
        )

    def _verdict(
        self,
        used: Sequence[TrackedFrame],
        fit: TrackedFit | None,
        error: AxisError | None,
        widest: float | None,
        refused: Sequence[Doubt],
        shared: SharedErrors,
    ) -> tuple[Verdict, str, tuple[str, ...]]:
        if refused:
            return (
                "contradicted",
                say("No figure: {doubt}", doubt=refused[0].text),
                (
                    say(
                        "Correct clock, time zone or site where the frames are taken; "
                        "--times-later-hours takes frames whose times are off by a known amount."
                    ),
                ),
            )
        if fit is None or widest is None:
            return (
                "too few",
                say(
                    "No figure: {frames} that can be compared; at least {fewest} of one target are "
                    "needed.",
                    frames=say_count("{count} frame", "{count} frames", len(used)),
                    fewest=FEWEST,
                ),
                (self._would_help(used, None, shared),),
            )
        if not fit.trusted:
            return ("moved", _what_moved(fit), (_after_a_move(fit),))
        if widest > self.within:
            return (
                "too uncertain",
                say(
                    "No figure: the 95 % region of the axis reaches {widest} to either side, more "
                    "than the {within} asked for.",
                    widest=angle_text(widest),
                    within=angle_text(self.within),
                ),
                (self._would_help(used, widest, shared),),
            )
        hours = sum(stretch.hours for stretch in self._tracked(used))
        total = 0.0 if error is None else error.total
        return (
            "measured",
            say(
                "The axis is {total} from the pole, below {upper} (95 %): {frames} over "
                "{hours:.1f} h.",
                total=angle_text(total, None if error is None else error.sigma_total),
                upper=angle_text(0.0 if error is None else error.total_upper()),
                frames=say_count("{count} frame", "{count} frames", len(used)),
                hours=hours,
            ),
            (),
        )

    def _would_help(
        self, used: Sequence[TrackedFrame], widest: float | None, shared: SharedErrors
    ) -> str:
        """Say what more frames would bring, by the covariance of the fit."""
        if len(used) < 2 or widest is None:
            return say(
                "Take more frames of one target, over hours, and of a second target at another "
                "declination."
            )
        best: tuple[float, str] | None = None
        for words, more in self._more(used):
            found = widest95(
                expected_covariance(
                    self.site,
                    more,
                    every_s=600.0,
                    roll_sigma=_usual_roll_sigma(used),
                    shared=shared,
                    shift_floor=self.config.sweep.frame_floor_arcsec * ARCSEC,
                    air=self.weather.air,
                )
            )
            if best is None or found < best[0]:
                best = found, words
        if best is None or best[0] > 0.9 * widest:
            return say("Take frames of a second target at another declination and hour angle.")
        return say(
            "{words} would bring it to about {found}.", words=best[1], found=angle_text(best[0])
        )

    def _more(self, used: Sequence[TrackedFrame]) -> list[tuple[str, list[Stretch]]]:
        """What might be added, with what is there already."""
        have = self._tracked(used)
        last = have[-1]
        longer = replace(
            last, hours=last.hours + 2.0, hour_angle=fold_pi(last.hour_angle + 1.0 * HOUR)
        )
        near = math.copysign(60.0, self.site.latitude_deg) * DEG
        other = Stretch(-1.5 * HOUR if last.hour_angle > 0 else 1.5 * HOUR, near, 2.0)
        return [
            (say("Two hours more of the same target"), [*have[:-1], longer]),
            (
                say(
                    "Two hours of a second target, at declination {dec:+.0f}° on the other side "
                    "of the meridian,",
                    dec=near / DEG,
                ),
                [*have, other],
            ),
        ]

    def _tracked(self, used: Sequence[TrackedFrame]) -> list[Stretch]:
        """What was tracked, group by group."""
        have = []
        for number in sorted({frame.group for frame in used}):
            mine = [frame.attitude for frame in used if frame.group == number]
            middle = mine[len(mine) // 2]
            angle, dec = hour_angle_dec(self.site, middle.boresight)
            hours = (mine[-1].utc_s - mine[0].utc_s) / 3600.0
            have.append(Stretch(float(angle), float(dec), max(hours, 0.1)))
        return have


def night_text(night: int) -> str:
    """Date of a night's evening (see `night_of`)."""
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=night)).date().isoformat()


def _commonest(names: Iterable[str]) -> str:
    counted = Counter(names).most_common(1)
    return counted[0][0] if counted else ""


def _minutes(frames: Sequence[SkyFrame], group: Group) -> float:
    first, last = frames[group.members[0]], frames[group.members[-1]]
    return (last.attitude.utc_s - first.attitude.utc_s) / 60.0


def _usual_roll_sigma(used: Sequence[TrackedFrame]) -> float:
    return float(np.median([math.sqrt(frame.attitude.covariance[2, 2]) for frame in used]))


def _groups(
    frames: Sequence[SkyFrame],
    groups: Sequence[Group],
    used: Sequence[TrackedFrame],
    fit: TrackedFit | None,
    site: Site,
) -> tuple[GroupResult, ...]:
    told = []
    for number, group in enumerate(groups):
        looks = [frames[i].attitude.boresight for i in (group.members[0], group.members[-1])]
        begins, ends = (float(hour_angle_dec(site, look)[0]) / HOUR for look in looks)
        ra, dec = spherical(group.icrs)
        left = np.zeros(1)
        if fit is not None:
            mine = [i for i, frame in enumerate(used) if frame.group == number]
            left = fit.residuals[mine] if mine else left
        told.append(
            GroupResult(
                ra_deg=float(ra) % TAU / DEG,
                dec_deg=float(dec) / DEG,
                frames=len(group.members),
                minutes=_minutes(frames, group),
                hour_angle_from_hours=begins,
                hour_angle_to_hours=ends,
                side="west" if group.turned_over else "east",
                camera_turned=group.other_angle,
                rms_arcsec=float(np.sqrt(np.mean(left**2))) / ARCSEC,
            )
        )
    return tuple(told)


def _moved(fit: TrackedFit | None, verdict: Verdict) -> MovedResult | None:
    if fit is None or verdict != "moved" or fit.change is None:
        return None
    change = fit.change
    return MovedResult(
        what=change.what.value,
        size_arcmin=change.size / ARCMIN,
        utc=utc_text(change.utc_s),
        between_targets=change.between_groups,
        p_value=change.p_value,
    )


def _when(change: Change) -> str:
    return datetime.fromtimestamp(change.utc_s, UTC).strftime("%H:%M")


def _what_moved(fit: TrackedFit) -> str:
    change = fit.change
    if change is None or change.p_value > fit.p_value * 1.001:
        return say(
            "No figure: the frames scatter more than their stars allow (chance {p_value:.0e}), "
            "without one step that explains it.",
            p_value=fit.p_value,
        )
    size = angle_text(change.size)
    if change.what is Moved.CREEP:
        return say(
            "No figure: the axis kept moving while the frames were taken, by about {size} from the "
            "first to the last (chance of an accident {p_value:.0e}).",
            size=size,
            p_value=change.p_value,
        )
    if change.what is Moved.CAMERA:
        return say(
            "No figure: the camera turned on the tube by about {size} at {when} UTC (chance of an "
            "accident {p_value:.0e}).",
            size=size,
            when=_when(change),
            p_value=change.p_value,
        )
    if change.between_groups:
        return say(
            "No figure: the axis moved by about {size}, most likely between the last frame of one "
            "target and the first of the next at {when} UTC: pier, tripod or adjusters (chance of "
            "an accident {p_value:.0e}).",
            size=size,
            when=_when(change),
            p_value=change.p_value,
        )
    return say(
        "No figure: the axis moved by about {size} around {when} UTC: pier, tripod or adjusters "
        "(chance of an accident {p_value:.0e}).",
        size=size,
        when=_when(change),
        p_value=change.p_value,
    )


def _after_a_move(fit: TrackedFit) -> str:
    change = fit.change
    if change is not None and change.what is Moved.CAMERA:
        return say("Tighten camera and focuser; frames before and after it count by themselves.")
    return say(
        "Look what happened then. Frames before and after it count by themselves: put them into "
        "folders of their own. `polewright measure` tells where the axis is now."
    )
