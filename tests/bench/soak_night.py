"""One night of the soak: a rig, what goes wrong, a run, and what must hold at each of its moments.

All of it follows from the night's seed, under simulated time; `soak.py` runs many.
"""

from __future__ import annotations

import json
import math
import os
import random
import resource
import shlex
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

from support.hand import Hand
from support.watchdog_within import watchdog_within
from support.whole_night import crossed_untold, moved_after_stop
from support.without_sockets import without_sockets

from polewright.calculation.drift.decide import Predicted, StopRule
from polewright.calculation.geometry.rotation import tangent_basis
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, enu_from_azalt
from polewright.foundation.clock import CancelToken, Clock, SystemClock, threads_of
from polewright.foundation.config import Config, config_from_text
from polewright.foundation.errors import ExitCode, PolewrightError
from polewright.foundation.rehearsal import REHEARSAL_VARIABLE, clock_from_environment
from polewright.observing.rig.background_task import BackgroundTask
from polewright.observing.runs.connect import connect_rig
from polewright.observing.runs.drift_run import DriftSettings, run_drift
from polewright.observing.runs.startup import Startup
from polewright.records.events import AxisMeasured, Event, MotionStopped, Progress, ReadingTaken
from polewright.session.journal import Journal, read_journal
from polewright.session.session import AlignSession, Command
from polewright.session.states import ENDED, Step
from polewright_sim.mount.mechanics import AxisTruth
from polewright_sim.rig import SimulatedRig
from polewright_sim.scenario import Fault, Scenario
from polewright_sim.server.server import RunningRig, serve
from polewright_sim.simulated_clock import SimulatedClock
from polewright_sim.spec import RigSpec
from polewright_wire import Call, Reply

#: 2026-11-20 21:30 UTC: night at every place used here.
NIGHT_UTC_S = 1795210200.0
SOAK = Path(__file__).with_name("soak.py")
RATE = 10.0
"""How fast the night of a killed process goes."""
AT_ONCE = False
"""Whether frames are exposed before the mount is still."""
SOCKETS = os.environ.get("SOAK_SOCKETS")
"""1 has every night go over sockets, 0 none; without it one in four does."""
VERBOSE = bool(os.environ.get("SOAK_VERBOSE"))
LIMIT_S = 7200.0
"""Seconds of the night after which a run counts as hung."""
HAND_S = 1500.0
"""Seconds of the night that a hand may take to align."""
CHI2_9999_2D = 18.42
"""99.99 % of two normal variables, squared radius: a figure farther from the truth is a lie, not
bad luck."""
MOVED_ARCMIN = 0.05
"""An axis that moves by so much during a run is not the one that the run began with."""
KINDS = {"measure": 0.45, "align": 0.1, "motors": 0.06, "startup": 0.25, "drift": 0.14}
"""What is done in a night, and how often."""
TOLERANCE_ARCMIN = {"measure": 119.0, "kill": 119.0, "align": 1.5, "motors": 1.5}
"""Of each kind; 1 where none is given. A measurement is a session that calls any figure good."""
LATEST_S = {"measure": 90.0, "align": 400.0, "motors": 400.0, "startup": 120.0, "drift": 500.0}
"""Until when, seconds of the night, a fault may begin."""
DRIFT_LONGEST_S, DRIFT_PAUSE_S = 500.0, 18.0


@dataclass
class Outcome:
    """What a night came to."""

    seed: int
    kind: str
    faults: list[str]
    shaken: bool = False
    """Whether threads went on late, by random times."""
    struck: list[str] = field(default_factory=list)
    exit_code: int | None = None
    why: str = ""
    tolerance_arcmin: float = 0.0
    before_arcmin: float = 0.0
    """The true error of the axis as the night begins."""
    after_arcmin: float = 0.0
    """The same as the run ends."""
    said_within: bool = False
    """Whether the axis was called within its tolerance; of a drift check: the predicted one."""
    truly: bool = False
    """Whether it was."""
    moved: bool = False
    """Whether the axis moved without being turned: it sank."""
    figures: list[tuple[float, float]] = field(default_factory=list)
    """Of each figure: squared distance from the truth in units of its covariance, and arcmin."""
    readings: int = 0
    """Live readings at rest that were held against the truth."""
    readings_after_slip: int = 0
    """Of these, how many were off as the tube had slipped in declination: while somebody turns the
    adjusters no field tells that from a turn, and the sweep that confirms finds it out."""
    broken: list[str] = field(default_factory=list)
    """What must hold at every moment and did not."""
    night_s: float = 0.0
    real_s: float = 0.0
    processor_s: float = 0.0
    """Of this process and its children."""


# -- what goes wrong -------------------------------------------------------------------------


def draw_faults(dice: random.Random, latest_s: float) -> list[dict[str, Any]]:
    """One, two or three faults; times are those of the rig's clock."""

    def when(longest_s: float = 150.0) -> dict[str, Any]:
        return {
            "after_s": round(dice.uniform(0.0, latest_s), 1),
            "duration_s": round(dice.uniform(10.0, longest_s), 1),
        }

    def storm() -> dict[str, Any]:
        return {**when(300.0), "probability": round(dice.uniform(0.05, 0.4), 2)}

    anywhere = {"device": dice.choice(["telescope", "camera"])}
    kinds: list[dict[str, Any]] = [
        {"kind": "latency", **anywhere, **storm(), "parameters": {"seconds": 0.8}},
        {"kind": "hang", **anywhere, **when(), "calls": 1},
        {"kind": "dropped", **anywhere, **storm()},
        {"kind": "half_sent", **anywhere, **storm()},
        {"kind": "http_500", **anywhere, **storm()},
        {"kind": "error_number", **anywhere, **storm()},
        {"kind": "error_number", "member": "slewtocoordinatesasync", "device": "telescope",
         "at_call": dice.randint(1, 3)},
        {"kind": "dropped", "member": "slewtocoordinatesasync", "device": "telescope",
         "at_call": dice.randint(1, 3)},
        {"kind": "error_number", "member": "startexposure", "device": "camera",
         "at_call": dice.randint(1, 3)},
        {"kind": "wrong_transaction", **anywhere, **storm()},
        {"kind": "not_json", **anywhere, **storm()},
        {"kind": "bad_value", **anywhere, **storm()},
        {"kind": "image_truncated", "at_call": dice.randint(1, 3)},
        {"kind": "image_mislabelled", "at_call": dice.randint(1, 3),
         "parameters": {"how": dice.choice(["transposed", "type"])}},
        {"kind": "image_empty", "at_call": dice.randint(1, 3)},
        {"kind": "image_late", **when()},
        {"kind": "image_old", **when()},
        {"kind": "slewing_stuck_true", **when()},
        {"kind": "slewing_false_early", **when()},
        {"kind": "connected_lies", **anywhere, **when(40.0)},
        {"kind": "connect_ignored", **anywhere},
        {"kind": "old_interface", **anywhere, "parameters": {"version": dice.randint(1, 3)}},
        {"kind": "members_missing", "device": "telescope"},
        {"kind": "camera_stuck", **when(), "parameters": {"state": dice.choice([2, 3, 5])}},
        {"kind": "device_restart", "device": "camera", **when(60.0)},
        {"kind": "device_restart", "device": "telescope", **when(60.0)},
        {"kind": "mount_power_cut", **when(90.0)},
        {"kind": "slew_stops_short", "at_call": dice.randint(1, 3)},
        {"kind": "slew_wrong_place", "at_call": dice.randint(1, 3),
         "parameters": {"dec_arcmin": dice.choice([0.0, 8.0, 90.0])}},
        {"kind": "declination_slip", **when(),
         "parameters": {"arcmin": round(dice.uniform(0.2, 10.0), 2)}},
        {"kind": "right_ascension_slip", **when()},
        {"kind": "tripod_sink", **when(),
         "parameters": {"east_arcmin": round(dice.uniform(-5.0, 5.0), 2)}},
        {"kind": "ra_backlash", **when()},
        {"kind": "clock_off", "parameters": {"hours": round(dice.uniform(-3.0, 3.0), 2)}},
        {"kind": "site_sign_wrong"},
        {"kind": "unsafe", **when()},
        {"kind": "cover_closed", **when()},
        {"kind": "roof_closes", **when()},
        {"kind": "out_of_focus", **when(), "parameters": {"disc_um": dice.uniform(20.0, 90.0)}},
        {"kind": "wind_shake", **when(), "parameters": {"arcsec": dice.uniform(3.0, 60.0)}},
        {"kind": "clouds_sudden", **when(),
         "parameters": {"transmission": dice.choice([0.0, 0.05, 0.3])}},
        {"kind": "clouds_gradual", **when()},
        {"kind": "dew", **when()},
        {"kind": "tree", **when()},
        {"kind": "satellite", **when(), "parameters": {"trails": 3.0}},
        {"kind": "aircraft", **when()},
        {"kind": "moonlight", **when()},
        {"kind": "shutter_stuck", **when(), "parameters": {"how": dice.choice(["closed", "open"])}},
        {"kind": "disk_full"},
        {"kind": "solver_crash"},
        {"kind": "solver_hang"},
        {"kind": "solver_garbage"},
    ]  # fmt: skip
    return dice.sample(kinds, dice.choice([1, 2, 3]))


class FullDisk:
    """A journal's file on a disk that has room for so many bytes more, and for more later."""

    def __init__(self, file: Any, room: int, refusals: int) -> None:
        self.file, self.room, self.refusals = file, room, refusals

    def write(self, data: bytes) -> int:
        """Take what fits."""
        if self.refusals <= 0:
            return int(self.file.write(data))
        taken = data[: self.room]
        self.room -= len(taken)
        if not taken:
            self.refusals -= 1
            raise OSError(28, "No space left on device")
        return int(self.file.write(taken))

    def fileno(self) -> int:
        """Of the real file."""
        return int(self.file.fileno())

    def close(self) -> None:
        """Close the real file."""
        self.file.close()


# -- one night -------------------------------------------------------------------------------


def rig_spec(dice: random.Random, kind: str) -> RigSpec:
    """A small rig somewhere: off by up to a degree, or for a startup by an arcminute."""
    latitude = dice.choice([52.1, 44.62, 28.3, -31.4, -43.5])
    most = {"startup": 0.8, "motors": 15.0}.get(kind, 40.0)
    motor = kind == "motors"
    return RigSpec.model_validate(
        {
            "name": "soak",
            "seed": dice.randrange(10_000),
            "site": {
                "latitude_deg": latitude,
                "longitude_deg": 9.31,
                "elevation_m": 420.0,
                "temperature_c": dice.uniform(-10.0, 20.0),
            },
            "misalignment": {
                "alt_arcmin": dice.uniform(-most, most),
                "az_arcmin": dice.uniform(-most, most),
            },
            "mount": {
                "pointing_offset_ra_arcmin": dice.uniform(-40.0, 40.0),
                "pointing_offset_dec_arcmin": dice.uniform(-40.0, 40.0),
                "cone_arcmin": dice.uniform(-10.0, 10.0),
                "sag_arcsec": dice.uniform(0.0, 12.0),
                "tipping_arcsec_per_hour": dice.gauss(0.0, 0.5),
                "past_meridian_deg": 30.0 if kind == "drift" else 15.0,
                "interface_version": dice.choice([3, 4]),
            },
            "adjusters": {
                axis: {
                    "backlash_arcmin": dice.uniform(0.0, 4.0),
                    "gain": dice.choice([-1.0, 1.0]) * dice.uniform(0.5, 1.8) if motor else 1.0,
                }
                for axis in ("altitude", "azimuth")
            },
            "optics": {
                "focal_length_mm": 200.0,
                "aperture_mm": 60.0,
                "roll_deg": dice.uniform(0.0, 360.0),
                "parity": dice.choice([1, -1]),
            },
            "sensor": {"width": 800, "height": 600, "pixel_um": 9.0, "hot_pixel_count": 20},
            "camera": {"interface_version": dice.choice([3, 4])},
            "cover": {"starts_open": dice.random() < 0.5, "move_s": 3.0}
            if kind == "startup"
            else None,
            "roof": {"starts_open": dice.random() < 0.5, "move_s": dice.uniform(5.0, 40.0)}
            if kind == "startup" and dice.random() < 0.5
            else None,
        }
    )


def config_for(
    dice: random.Random,
    spec: RigSpec,
    running: RunningRig,
    folder: Path,
    kind: str,
    faults: list[str],
) -> dict[str, Any]:
    """Dotted keys of the run's configuration."""
    devices = ["telescope", "camera", "safety", *(["cover"] if kind == "startup" else [])]
    devices += [] if spec.roof is None else ["dome"]
    more: dict[str, Any] = {
        f"{device}.{key}": value
        for device in devices
        for key, value in (("host", running.host), ("port", running.port))
    }
    # Blind searches take their time while much else shares the machine.
    more |= {"solver.timeout_s": 25.0, "solver.hint_radius_deg": 3.0, "recovery.tries": 1}
    bad = next((fault for fault in faults if fault.startswith("solver_")), None)
    if bad is not None:
        how = bad.removeprefix("solver_")
        # The one word that comes from us is quoted for the template's own splitting.
        program = f"{shlex.quote(sys.executable)} -m polewright_sim.bad_solver {how}"
        options = {"command": program + (" {wcs}" if how == "garbage" else " {stars}")}
        more |= {
            "solver.name": "command",
            "solver.options": {**options, "blind_command": options["command"]},
            # Twenty times that, as a solver's time is the computer's; one that hangs need not wait.
            "solver.timeout_s": 0.1 if how == "hang" else 0.5,
        }
    if kind == "motors":
        more |= {"adjuster.name": "simulated", "adjuster.options": {"url": running.url}}
    if kind == "startup":
        more |= {
            "startup.open_cover": True,
            "startup.open_roof": dice.random() < 0.8,
            "startup.wait_s": 20.0,
            "startup.afterwards": dice.choice(["park", "track", "stop"]),
        }
    glances = kind == "align" and dice.random() < 0.25
    return {
        "site.latitude_deg": spec.site.latitude_deg,
        "site.longitude_deg": spec.site.longitude_deg,
        "site.elevation_m": spec.site.elevation_m,
        "optics.focal_length_mm": 202.0,
        "sweep.start_azimuth_deg": 115.0 if spec.site.latitude_deg > 0 else 65.0,
        "sweep.start_altitude_deg": 58.0,
        "sweep.direction": "east",
        "sweep.step_deg": 12.0 if kind == "measure" else 18.0,
        "sweep.settle_s": 9.0 if AT_ONCE else 6.0,
        "sweep.exposure_s": 3.0 if AT_ONCE else 2.0,
        "pole.tolerance_arcmin": TOLERANCE_ARCMIN.get(kind, 1.0),
        "adjusting.glances": "auto" if glances else "off",
        "run.journal_folder": str(folder),
        **more,
    }


def hand(rig: SimulatedRig, session: AlignSession, limit_s: float) -> None:
    """Turn the knobs as told until the session ends or the limit is over."""
    version, at_knobs = 0, Hand(rig)
    clock = rig.clock
    deadline = clock.monotonic_s() + limit_s
    while session.step not in ENDED and clock.monotonic_s() < deadline:
        now = session.snapshot()
        if now.version == version:
            clock.sleep(0.1)
            continue
        version = now.version
        action = at_knobs.follow(now)
        if action and session.step is Step.ADJUSTING:
            snug = action == "snug_and_recheck"
            session.command(Command.SNUGGED if snug else Command.SWEEP)
            # Hands off until the sweep has begun: one more reading may come before it does.
            while not snug and session.step is Step.ADJUSTING and clock.monotonic_s() < deadline:
                clock.sleep(0.1)


def distance(axis: dict[str, Any], truth: AxisTruth, southern: bool) -> tuple[float, float]:
    """Squared distance of a figure from the truth by its own covariance, and in arcmin."""
    east = -truth.az_sky_arcmin if southern else truth.az_sky_arcmin
    d_az, d_alt = axis["d_az_sky_arcmin"] - east, axis["d_alt_arcmin"] - truth.alt_arcmin
    s_az, s_alt, rho = axis["sigma_az_sky_arcmin"], axis["sigma_alt_arcmin"], axis["correlation"]
    u, v = d_az / s_az, d_alt / s_alt
    squared = (u * u - 2.0 * rho * u * v + v * v) / max(1e-9, 1.0 - rho * rho)
    return squared, math.hypot(d_az, d_alt)


class Watcher:
    """Hears a run and holds what it is told against the truth of the rig."""

    def __init__(self, rig: SimulatedRig, running: RunningRig, outcome: Outcome) -> None:
        self.rig, self.running, self.outcome = rig, running, outcome
        self.heard: list[Event] = []
        self.truths: list[AxisTruth] = []
        """Of the axis, at each figure that was told."""
        self.commands: list[tuple[float, str]] = []
        """What devices were told, and when."""
        faults = running.faults.intercept

        def intercept(call: Call, proceed: Callable[[], Reply]) -> Reply:
            if call.method == "PUT" and call.device_type:
                self.commands.append((rig.clock.utc_s(), f"{call.device_type}/{call.member}"))
            return faults(call, proceed)

        running.set_interceptor(intercept)

    def __call__(self, event: Event) -> None:
        """Hear an event."""
        self.heard.append(event)
        if isinstance(event, AxisMeasured) and event.trusted:
            self.truths.append(self.rig.truth())
        if isinstance(event, ReadingTaken) and event.state == "settled":
            self._reading(event)
        if VERBOSE and not isinstance(event, Progress):
            sys.stderr.write(f"{event}\n")

    def _reading(self, event: ReadingTaken) -> None:
        figure = {
            "d_az_sky_arcmin": event.d_az_sky_arcmin,
            "d_alt_arcmin": event.d_alt_arcmin,
            "sigma_az_sky_arcmin": event.sigma_az_sky_arcmin,
            "sigma_alt_arcmin": event.sigma_alt_arcmin,
            "correlation": 0.0,
        }
        self.outcome.readings += 1
        squared, off = distance(figure, self.rig.truth(event.utc_s), southern(self.rig))
        # Without the correlation a distance may come out up to twice too long.
        if squared <= 2.0 * CHI2_9999_2D:
            return
        if off <= self._slipped_arcmin():
            self.outcome.readings_after_slip += 1
        else:
            at_s = event.utc_s - NIGHT_UTC_S
            self.outcome.broken.append(
                f"a live reading at {at_s:.0f} s {off:.2f} arcmin off, squared distance "
                f"{squared:.0f}"
            )

    def _slipped_arcmin(self) -> float:
        """By how much a reading may be off as the tube has slipped in declination by now.

        What looks like a slip along one adjuster may be three times as much of a turn (own choice).
        """
        parts = [
            abs(case["fault"]["parameters"]["arcmin"])
            for case in cast("list[dict[str, Any]]", self.running.faults.report())
            if case["fault"]["kind"] == "declination_slip" and case["began_s"] is not None
        ]
        return 3.0 * sum(parts)

    def figure(self, axis: dict[str, Any], truth: AxisTruth) -> None:
        """Hold a figure against the truth."""
        squared, off = distance(axis, truth, southern(self.rig))
        self.outcome.figures.append((squared, off))
        if squared > CHI2_9999_2D:
            self.outcome.broken.append(
                f"a figure {off:.2f} arcmin off, squared distance {squared:.0f}"
            )

    def look_back(self, ended_s: float, config: Config) -> None:
        """Look through the whole night for what must hold at each moment of it."""
        rig, broken = self.rig, self.outcome.broken
        broken += [f"moved {told}" for told in moved_after_stop(rig, self.heard)]
        broken += [f"crossed untold, {told}" for told in crossed_untold(rig, self.heard)]
        late = [told.what for told in rig.mount.told if told.utc_s > ended_s]
        late += [what for utc_s, what in self.commands if utc_s > ended_s]
        broken += [f"told to {what} after the end" for what in late]
        low = _too_low(rig, ended_s, config)
        broken += [told for told in (low, _under_roof(self, ended_s)) if told]


def _too_low(rig: SimulatedRig, ended_s: float, config: Config) -> str:
    """Say where the tube was lower than it may be, in truth; empty where it never was.

    By two degrees more than the limit: encoders and slips of the rigs here lie by up to 1.7.
    """
    if not rig.mount.told:
        return ""
    limit = math.sin((config.limits.mount_altitude_min_deg - 2.0) * DEG)
    at_s = rig.mount.told[0].utc_s
    while at_s < ended_s:
        height = float(rig.mount.attitude(at_s)[2, 2])
        if height < limit:
            return f"the tube at {math.asin(height) / DEG:.1f} deg at {at_s - NIGHT_UTC_S:.0f} s"
        at_s += 1.0
    return ""


def southern(rig: SimulatedRig) -> bool:
    """Whether the rig stands in the south."""
    return rig.spec.site.latitude_deg < 0


def kind_of(seed: int, *, kills: bool = False) -> str:
    """What is done in the night of a seed."""
    if kills and seed % 20 == 7:
        return "kill"
    return random.Random(f"kind {seed}").choices(list(KINDS), list(KINDS.values()))[0]


def one_night(seed: int, *, kills: bool = False) -> Outcome:
    """Make a rig, let things go wrong, run, and look at what is left."""
    dice = random.Random(seed)
    kind = kind_of(seed, kills=kills)
    spec, faults = rig_spec(dice, kind), draw_faults(dice, LATEST_S.get(kind, 90.0))
    kinds = [fault["kind"] for fault in faults]
    shaken = kind != "kill" and dice.random() < 0.5
    outcome = Outcome(seed, kind, kinds, shaken)
    began_s, before_s = time.monotonic(), _processor_s()
    with tempfile.TemporaryDirectory(prefix="soak") as name:
        folder = Path(name)
        os.environ["XDG_STATE_HOME"] = os.environ["XDG_DATA_HOME"] = str(folder / "home")
        origin = time.time()
        clock: SystemClock | SimulatedClock
        if kind == "kill":
            clock = SystemClock(RATE, NIGHT_UTC_S, origin)
        else:
            clock = SimulatedClock(NIGHT_UTC_S, seed if shaken else None)
        rig = SimulatedRig(spec, clock=clock)
        outcome.before_arcmin = rig.truth().total_arcmin
        by_call = kind != "kill" and (SOCKETS == "0" if SOCKETS else seed % 4 != 0)
        with ExitStack() as within:
            running = within.enter_context(serve(rig))
            if by_call:
                within.enter_context(without_sockets(running))
            if isinstance(clock, SimulatedClock):
                within.enter_context(watchdog_within(clock))
            on_wire = [
                Fault.model_validate(fault)
                for fault in faults
                if fault["kind"] != "disk_full" and not fault["kind"].startswith("solver_")
            ]
            numbers = running.load_faults(Scenario(fault=tuple(on_wire), seed=seed))
            overrides = config_for(dice, spec, running, folder, kind, kinds)
            if kind == "kill":
                os.environ[REHEARSAL_VARIABLE] = f"{NIGHT_UTC_S},{origin},{RATE}"
                _killed(dice, overrides, folder, rig, outcome)
            else:
                config = config_from_text("", overrides=overrides)
                outcome.tolerance_arcmin = config.pole.tolerance_arcmin or 0.0
                try:
                    _run(config, clock, folder, rig, running, dice, outcome)
                except Exception:
                    outcome.broken.append(f"the night itself failed: {traceback.format_exc()}")
            for case in running.faults.report():
                if case["number"] in numbers and (case["calls_changed"] or case["began_s"]):
                    outcome.struck.append(str(case["fault"]["kind"]))  # type: ignore[index]
            if isinstance(clock, SimulatedClock):
                clock.close()
            off_wire = ("disk_full", "solver_crash", "solver_hang", "solver_garbage")
            outcome.struck += [kind for kind in kinds if kind in off_wire]
    outcome.real_s = round(time.monotonic() - began_s, 1)
    outcome.processor_s = round(_processor_s() - before_s, 2)
    return outcome


def _processor_s() -> float:
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(item.ru_utime + item.ru_stime for item in used)


def _run(
    config: Config,
    clock: Clock,
    folder: Path,
    rig: SimulatedRig,
    running: RunningRig,
    dice: random.Random,
    outcome: Outcome,
) -> None:
    """Do what the night is for, and look at it."""
    watcher = Watcher(rig, running, outcome)
    if outcome.kind == "startup":
        work = _startup(config, clock, watcher)
    elif outcome.kind == "drift":
        work = _drift(config, clock, watcher, dice)
    else:
        work = _session(config, clock, folder, watcher, dice)
    ended_s = work()
    outcome.night_s = round(ended_s - NIGHT_UTC_S, 1)
    outcome.after_arcmin = rig.truth(ended_s).total_arcmin
    if outcome.kind not in ("drift",):
        outcome.truly = outcome.after_arcmin <= outcome.tolerance_arcmin
    outcome.moved = "tripod_sink" in outcome.faults and (
        bool(rig.adjusters.history)
        or abs(outcome.after_arcmin - outcome.before_arcmin) > MOVED_ARCMIN
    )
    if rig.mount.still_moving(ended_s):
        outcome.broken.append("ended with the mount moving")
    stops = [event for event in watcher.heard if isinstance(event, MotionStopped)]
    rig.mount.keep_house(clock.utc_s())
    if stops and stops[-1].state == "stopped" and rig.mount.tracking:
        outcome.broken.append("said stopped, and tracks")
    clock.sleep(60.0)
    watcher.look_back(ended_s, config)


Work = Callable[[], float]
"""Does what a night is for; returns when it was over (Unix s)."""


def _waited(
    task: BackgroundTask[Any], clock: Clock, outcome: Outcome, meanwhile: Callable[[], None]
) -> float:
    """Wait for the end of a run; return when it was."""
    deadline = clock.monotonic_s() + LIMIT_S
    while not task.wait(0.5) and clock.monotonic_s() < deadline:
        meanwhile()
    ended_s = clock.utc_s()
    if not task.done:
        outcome.broken.append("hung")
    elif isinstance(task.error, PolewrightError):
        outcome.exit_code = int(task.error.exit_code)
        outcome.why = f"{task.error.code}: {task.error}"[:300]
    elif task.error is not None:
        told = "".join(traceback.format_exception(task.error))
        outcome.broken.append(f"unexpected: {told}")
    return ended_s


def _startup(config: Config, clock: Clock, watcher: Watcher) -> Work:
    outcome = watcher.outcome

    def work() -> float:
        startup = Startup(config, clock, CancelToken(), watcher)
        task = BackgroundTask("startup", lambda _task: startup.run(), threads_of(clock))
        ended_s = _waited(task, clock, outcome, lambda: None)
        if task.done and task.error is None:
            result = task.result()
            outcome.said_within = result.within_tolerance
            good = ExitCode.OK if outcome.said_within else ExitCode.OUT_OF_TOLERANCE
            outcome.exit_code = int(good)
            watcher.figure(result.axis.model_dump(), watcher.truths[-1])
            mount, wish = watcher.rig.mount, config.startup.afterwards
            left = "park" if mount.at_park else "track" if mount.tracking else "stop"
            if left != wish and not _power_fails(outcome):
                outcome.broken.append(f"left in state {left}, not {wish}")
        return ended_s

    return work


def _under_roof(watcher: Watcher, ended_s: float) -> str:
    """Say when the mount was moved under a roof that was not open; empty where it never was."""
    roof = watcher.running.roof
    if roof is None:
        return ""
    for told in watcher.rig.mount.told:
        if told.utc_s <= ended_s and not roof.lid.was_open(told.utc_s):
            return f"told to {told.what} at {told.utc_s - NIGHT_UTC_S:.0f} s under the roof"
    return ""


def _power_fails(outcome: Outcome) -> bool:
    """Whether a mount may stand still whatever it is told."""
    return bool({"mount_power_cut", "device_restart"} & set(outcome.faults))


def _drift(config: Config, clock: Clock, watcher: Watcher, dice: random.Random) -> Work:
    outcome, rig = watcher.outcome, watcher.rig
    off_arcmin = dice.choice([0.0, 0.0, 12.0])
    rule = StopRule(goal=40.0 * ARCSEC, shortest_s=60.0, longest_s=DRIFT_LONGEST_S)
    two = dice.random() < 0.4

    def work() -> float:
        truth = rig.truth()
        true = enu_from_azalt(truth.azimuth_deg * DEG, truth.altitude_deg * DEG)
        basis = tangent_basis(true)
        east = basis.T @ [1.0, 0.0, 0.0]
        guess = true + basis @ (east / math.hypot(*east)) * off_arcmin * ARCMIN
        guess /= math.sqrt(float(guess @ guess))
        predicted = Predicted.of(guess, basis @ basis.T * (4.0 * ARCSEC) ** 2)
        settings = DriftSettings(rule, two_fields=two, pause_s=DRIFT_PAUSE_S)

        def check(_task: object) -> Any:
            connected = connect_rig(config, clock, CancelToken(), watcher)
            return run_drift(connected, predicted, settings).result

        task: BackgroundTask[Any] = BackgroundTask("drift", check, threads_of(clock))
        ended_s = _waited(task, clock, outcome, lambda: None)
        if task.done and task.error is None:
            result = task.result()
            outcome.exit_code = int(result.exit_code)
            outcome.why = f"{result.verdict}: {result.sentence}"[:300]
            outcome.said_within = result.verdict == "agrees"
            if result.one_axis:
                watcher.figure(result.model_dump(), rig.truth())
        now = rig.truth()
        gone = math.hypot(
            now.az_sky_arcmin - truth.az_sky_arcmin, now.alt_arcmin - truth.alt_arcmin
        )
        outcome.truly = off_arcmin == 0.0 and gone < 1.0
        return ended_s

    return work


def _session(
    config: Config, clock: Clock, folder: Path, watcher: Watcher, dice: random.Random
) -> Work:
    outcome, rig = watcher.outcome, watcher.rig
    path = folder / "run.journal.jsonl"
    journal = Journal(path)
    full = "disk_full" in outcome.faults
    if full:
        room, refusals = dice.randrange(200, 6000), dice.choice([3, 10, 10_000])
        cast("Any", journal)._file = FullDisk(journal._file, room, refusals)
    session = AlignSession(
        connect_rig,
        config,
        clock,
        journal,
        watcher,
        session_id=f"soak-{outcome.seed}",
        attended=outcome.kind != "motors",
    )

    def meanwhile() -> None:
        if session.step is Step.ADJUSTING and outcome.kind == "measure":
            session.stop("measured, and too uncertain even for this")
        if outcome.kind == "motors" and clock.utc_s() > NIGHT_UTC_S + 2.0 * HAND_S:
            session.stop("the soak's time for motors is over")

    def work() -> float:
        task: BackgroundTask[Any] = BackgroundTask(
            "session", lambda _task: session.run(), threads_of(clock)
        )
        if outcome.kind == "align":
            hand(rig, session, HAND_S)
            if session.step not in ENDED:
                session.stop("the soak's time for an alignment is over")
        ended_s = _waited(task, clock, outcome, meanwhile)
        outcome.exit_code = None if session.outcome is None else int(session.outcome)
        failure = session.snapshot().failure
        outcome.why = "" if failure is None else f"{failure.code}: {failure.message}"[:300]
        outcome.said_within = outcome.exit_code == int(ExitCode.OK)
        journal.close()
        records = read_journal(path)
        ended = any(record.kind == "end" for record in records)
        if not records or not (ended or full):
            outcome.broken.append("lost the journal")
        outcome.broken += _unreadable(path, dice)
        measured = [record.data["axis"] for record in records if record.kind == "measured"]
        if len(measured) == len(watcher.truths):
            for axis, truth in zip(measured, watcher.truths, strict=True):
                watcher.figure(axis, truth)
        elif not full:
            outcome.broken.append("the journal lacks a figure")
        return ended_s

    return work


def _unreadable(path: Path, dice: random.Random) -> list[str]:
    """Say where a kill could have left a journal that cannot be read; tries thirty places."""
    whole = path.read_bytes()
    cut = path.with_suffix(".cut")
    broken = []
    for _ in range(30):
        length = dice.randrange(len(whole) + 1)
        cut.write_bytes(whole[:length])
        try:
            read_journal(cut)
        except Exception as error:
            broken.append(f"journal cut at byte {length}: {error!r}")
    return broken


# -- a process that is killed ----------------------------------------------------------------


def _killed(
    dice: random.Random,
    overrides: dict[str, Any],
    folder: Path,
    rig: SimulatedRig,
    outcome: Outcome,
) -> None:
    """Run a session in a process of its own and kill it while the mount is out of its park."""
    path = folder / "run.journal.jsonl"
    (folder / "run.json").write_text(json.dumps(overrides))
    child = subprocess.Popen(
        [
            sys.executable,
            str(Path(__file__).with_name("soak.py")),
            "--child",
            str(folder / "run.json"),
            str(path),
        ],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    deadline = time.monotonic() + 90.0
    while rig.mount.at_park and child.poll() is None and time.monotonic() < deadline:
        time.sleep(0.05)
    time.sleep(dice.uniform(0.0, 3.0))
    child.send_signal(signal.SIGKILL)
    child.wait()
    outcome.exit_code = child.returncode
    status = folder / "watchdog.json"
    deadline = time.monotonic() + 70.0
    state = ""
    while time.monotonic() < deadline and state not in ("stopped", "dismissed"):
        time.sleep(0.2)
        state = json.loads(status.read_text())["state"] if status.exists() else "not begun"
        if state == "not begun" and rig.mount.at_park:
            break
    outcome.why = f"watchdog: {state}"
    if rig.mount.still_moving(rig.clock.utc_s()):
        outcome.broken.append("ended with the mount moving")
    if not path.exists() or not read_journal(path):
        outcome.broken.append("lost the journal")


def child(config_file: Path, journal_file: Path) -> int:
    """Be the process that is killed."""
    config = config_from_text("", overrides=json.loads(config_file.read_text()))
    session = AlignSession(
        connect_rig,
        config,
        clock_from_environment(),
        Journal(journal_file),
        lambda _event: None,
        session_id="soak-child",
    )
    return int(session.run())
