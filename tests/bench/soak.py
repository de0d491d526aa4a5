"""Whole unattended runs with random faults: does anything move afterwards, lie, hang, or vanish?

``python tests/bench/soak.py RUNS [--first SEED] [--out FILE]`` runs and prints the tables;
``python tests/bench/soak.py --report FILE...`` prints them for what was run before.

Each run is a session against a small simulated rig of its own, with one, two or three faults drawn
by its seed, under simulated time: the same seed goes the same way again. One in eight aligns, with
a hand that does what the advice says; the others measure. With ``--kill`` one in twenty is a
process of its own that is killed, in real time.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import random
import shlex
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, TypeVar, cast

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from support.whole_night import crossed_untold, moved_after_stop

from polewright.foundation.clock import (
    REHEARSAL_VARIABLE,
    Clock,
    SystemClock,
    clock_from_environment,
    threads_of,
)
from polewright.foundation.config import Config, config_from_text
from polewright.foundation.errors import ExitCode
from polewright.observing.rig.background_task import BackgroundTask
from polewright.observing.runs.connect import connect_rig
from polewright.observing.settling import expose_on_arrival as at_once
from polewright.records.events import AxisMeasured, Event, Progress
from polewright.session.journal import Journal, read_journal
from polewright.session.session import AlignSession, Command
from polewright.session.states import ENDED, Step
from polewright_sim.mount.mechanics import AxisTruth
from polewright_sim.rig import SimulatedRig
from polewright_sim.scenario import Fault, Scenario
from polewright_sim.server.server import RunningRig, serve
from polewright_sim.simulated_clock import SimulatedClock
from polewright_sim.spec import RigSpec

#: 2026-11-20 21:30 UTC: night at every place used here.
NIGHT_UTC_S = 1795210200.0
RATE = 10.0
"""How fast the night of a killed process goes."""
KILLS = False
AT_ONCE = False
VERBOSE = bool(os.environ.get("SOAK_VERBOSE"))
LIMIT_S = 7200.0
"""Seconds of the night after which a run counts as hung."""
HAND_S = 1500.0
"""Seconds of the night that a hand may take to align."""
CHI2_95_2D = 5.991
"""95 % of two normal variables, squared radius."""
CHI2_9999_2D = 18.42
"""99.99 % of them: a figure farther from the truth is a lie, not bad luck."""
TURN = {
    "raise": ("altitude_arcmin", 1.0),
    "lower": ("altitude_arcmin", -1.0),
    "east": ("azimuth_arcmin", 1.0),
    "west": ("azimuth_arcmin", -1.0),
}

OutcomeT = TypeVar("OutcomeT", bound=Any)


@dataclass
class Outcome:
    """What a run came to."""

    seed: int
    mode: str
    faults: list[str]
    struck: list[str] = field(default_factory=list)
    exit_code: int | None = None
    why: str = ""
    real_s: float = 0.0
    hung: bool = False
    moving: bool = False
    tracking: bool = False
    """Still tracking although the run failed and its stop was called confirmed."""
    journal: bool = False
    broken: list[str] = field(default_factory=list)
    """What must hold at every moment and did not."""
    said_within: bool = False
    """Whether an alignment was called finished, within its tolerance."""
    truly_arcmin: float | None = None
    """The true error then."""
    figures: list[tuple[float, float]] = field(default_factory=list)
    """Of each figure: squared distance from the truth in units of its covariance, and arcmin."""


# -- what goes wrong -------------------------------------------------------------------------


def draw_faults(dice: random.Random) -> list[dict[str, Any]]:
    """Two or three faults; times are those of the rig's clock."""

    def when(longest_s: float = 150.0) -> dict[str, Any]:
        return {
            "after_s": round(dice.uniform(0.0, 90.0), 1),
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


# -- one run ---------------------------------------------------------------------------------


def rig_spec(dice: random.Random) -> RigSpec:
    """A small rig somewhere, off by up to a degree."""
    latitude = dice.choice([52.1, 44.62, 28.3, -31.4, -43.5])
    return RigSpec.model_validate(
        {
            "name": "soak",
            "seed": dice.randrange(10_000),
            "site": {"latitude_deg": latitude, "longitude_deg": 9.31, "elevation_m": 420.0},
            "misalignment": {
                "alt_arcmin": dice.uniform(-40.0, 40.0),
                "az_arcmin": dice.uniform(-40.0, 40.0),
            },
            "mount": {
                "pointing_offset_ra_arcmin": dice.uniform(-40.0, 40.0),
                "pointing_offset_dec_arcmin": dice.uniform(-40.0, 40.0),
                "cone_arcmin": dice.uniform(-10.0, 10.0),
                "interface_version": dice.choice([3, 4]),
            },
            "adjusters": {
                "altitude": {"backlash_arcmin": dice.uniform(0.0, 4.0)},
                "azimuth": {"backlash_arcmin": dice.uniform(0.0, 4.0)},
            },
            "optics": {
                "focal_length_mm": 200.0,
                "aperture_mm": 60.0,
                "roll_deg": dice.uniform(0.0, 360.0),
                "parity": dice.choice([1, -1]),
            },
            "sensor": {"width": 800, "height": 600, "pixel_um": 9.0, "hot_pixel_count": 20},
            "camera": {"interface_version": dice.choice([3, 4])},
        }
    )


def config_for(
    spec: RigSpec, running: RunningRig, folder: Path, mode: str, kinds: list[str]
) -> dict[str, Any]:
    """Dotted keys of the run's configuration."""
    address = {
        f"{kind}.{key}": value
        for kind in ("telescope", "camera", "safety")
        for key, value in (("host", running.host), ("port", running.port))
    }
    # Blind searches take their time while so many runs share the machine.
    more: dict[str, Any] = {
        "solver.timeout_s": 25.0,
        "solver.hint_radius_deg": 3.0,
        "recovery.tries": 1,
    }
    bad = next((kind for kind in kinds if kind.startswith("solver_")), None)
    if bad is not None:
        how = bad.removeprefix("solver_")
        # The one word that comes from us is quoted for the template's own splitting.
        program = f"{shlex.quote(sys.executable)} -m polewright_sim.bad_solver {how}"
        options = {"command": program + (" {wcs}" if how == "garbage" else " {stars}")}
        more |= {
            "solver.name": "command",
            "solver.options": {**options, "blind_command": options["command"]},
            "solver.timeout_s": 3.0,
        }
    return {
        **address,
        "site.latitude_deg": spec.site.latitude_deg,
        "site.longitude_deg": spec.site.longitude_deg,
        "site.elevation_m": spec.site.elevation_m,
        "optics.focal_length_mm": 202.0,
        "sweep.start_azimuth_deg": 115.0 if spec.site.latitude_deg > 0 else 65.0,
        "sweep.start_altitude_deg": 50.0,
        "sweep.direction": "east",
        "sweep.step_deg": 12.0,
        "sweep.settle_s": 9.0 if AT_ONCE else 6.0,
        "sweep.exposure_s": 3.0 if AT_ONCE else 2.0,
        # A measurement is a session that calls any figure good.
        "pole.tolerance_arcmin": 119.0 if mode != "align" else 1.0,
        "run.journal_folder": str(folder),
        **more,
    }


def hand(rig: SimulatedRig, session: AlignSession, limit_s: float) -> None:
    """Turn the knobs as told until the session ends or the limit is over."""
    version, told, let_go_s = 0, None, 0.0
    southern = rig.spec.site.latitude_deg < 0
    clock = rig.clock
    deadline = clock.monotonic_s() + limit_s
    while session.step not in ENDED and clock.monotonic_s() < deadline:
        now = session.snapshot()
        if now.version == version:
            clock.sleep(0.1)
            continue
        version = now.version
        if now.step is not Step.ADJUSTING or now.advice is None or now.error is None:
            continue
        stamp = (now.error.utc_s, now.advice.sentence)
        if stamp == told or now.error.state not in ("settled", "bumped"):
            continue
        if now.error.utc_s <= let_go_s:  # exposed before the hand let go: says nothing of the turn
            continue
        told = stamp
        if now.advice.action in TURN:
            knob, sign = TURN[now.advice.action]
            if knob == "azimuth_arcmin" and southern:
                sign = -sign
            rig.turn_knobs(**{knob: sign * now.advice.amount_arcmin}, wait=True)
            let_go_s = rig.clock.utc_s()
        elif session.step is Step.ADJUSTING:
            snug = now.advice.action == "snug_and_recheck"
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


def one_run(seed: int) -> Outcome:
    """Make a rig, let things go wrong, run, and look at what is left."""
    dice = random.Random(seed)
    mode = "kill" if KILLS and seed % 20 == 7 else "align" if seed % 8 == 3 else "measure"
    spec, faults = rig_spec(dice), draw_faults(dice)
    kinds = [fault["kind"] for fault in faults]
    outcome = Outcome(seed, mode, [*kinds, "process_kill"] if mode == "kill" else kinds)
    started = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="soak") as name:
        folder = Path(name)
        os.environ["XDG_STATE_HOME"] = os.environ["XDG_DATA_HOME"] = str(folder / "home")
        origin = time.time()
        clock: SystemClock | SimulatedClock = SimulatedClock(NIGHT_UTC_S)
        if mode == "kill":
            clock = SystemClock(RATE, NIGHT_UTC_S, origin)
        rig = SimulatedRig(spec, clock=clock)
        with serve(rig) as running:
            on_wire = [
                Fault.model_validate(fault)
                for fault in faults
                if fault["kind"] != "disk_full" and not fault["kind"].startswith("solver_")
            ]
            numbers = running.load_faults(Scenario(fault=tuple(on_wire), seed=seed))
            overrides = config_for(spec, running, folder, mode, kinds)
            if mode == "kill":
                os.environ[REHEARSAL_VARIABLE] = f"{NIGHT_UTC_S},{origin},{RATE}"
                _killed(dice, overrides, folder, rig, outcome)
            else:
                config = config_from_text("", overrides=overrides)
                _in_thread(config, clock, folder, rig, kinds, dice, outcome)
            for case in running.faults.report():
                if case["number"] in numbers and (case["calls_changed"] or case["began_s"]):
                    outcome.struck.append(str(case["fault"]["kind"]))  # type: ignore[index]
            if isinstance(clock, SimulatedClock):
                clock.close()
            outcome.struck += [kind for kind in outcome.faults if kind.startswith("solver_")]
            outcome.struck += [k for k in outcome.faults if k in ("disk_full", "process_kill")]
    outcome.real_s = round(time.monotonic() - started, 1)
    return outcome


def _in_thread(
    config: Config,
    clock: Clock,
    folder: Path,
    rig: SimulatedRig,
    kinds: list[str],
    dice: random.Random,
    outcome: Outcome,
) -> None:
    path = folder / "run.journal.jsonl"
    journal = Journal(path)
    if "disk_full" in kinds:
        room, refusals = dice.randrange(200, 6000), dice.choice([3, 10, 10_000])
        cast("Any", journal)._file = FullDisk(journal._file, room, refusals)
    truths: list[AxisTruth] = []
    heard: list[Event] = []

    def hear(event: Event) -> None:
        heard.append(event)
        if isinstance(event, AxisMeasured) and event.trusted:
            truths.append(rig.truth())
        if VERBOSE and not isinstance(event, Progress):
            sys.stderr.write(f"{event}\n")

    session = AlignSession(
        connect_rig, config, clock, journal, hear, session_id=f"soak-{outcome.seed}"
    )
    running = BackgroundTask("session", lambda _task: session.run(), threads_of(clock))
    if outcome.mode == "align":
        hand(rig, session, HAND_S)
        if session.step not in ENDED:
            session.stop("the soak's time for an alignment is over")
    deadline = clock.monotonic_s() + LIMIT_S
    while not running.wait(0.5) and clock.monotonic_s() < deadline:
        if session.step is Step.ADJUSTING and outcome.mode != "align":
            session.stop("measured, and too uncertain even for this")
    outcome.hung = not running.done
    outcome.exit_code = None if session.outcome is None else int(session.outcome)
    failure = session.snapshot().failure
    outcome.why = "" if failure is None else f"{failure.code}: {failure.message}"[:300]
    _look(rig, outcome)
    ended_s = clock.utc_s()
    clock.sleep(60.0)
    journal.close()
    _read(path, truths, rig, outcome)
    outcome.broken += [f"moved {told}" for told in moved_after_stop(rig, heard)]
    outcome.broken += [f"crossed untold, {told}" for told in crossed_untold(rig, heard)]
    late = [told.what for told in rig.mount.told if told.utc_s > ended_s]
    outcome.broken += [f"told to {what} after the end" for what in late]
    outcome.broken += _unreadable(path, dice)
    outcome.broken += [
        f"a figure {off:.2f} arcmin off, squared distance {squared:.0f}"
        for squared, off in outcome.figures
        if squared > CHI2_9999_2D
    ]
    if outcome.mode == "align" and outcome.exit_code == int(ExitCode.OK):
        outcome.said_within, outcome.truly_arcmin = True, rig.truth(ended_s).total_arcmin


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


def _look(rig: SimulatedRig, outcome: Outcome) -> None:
    now = rig.clock.utc_s()
    outcome.moving = rig.mount.still_moving(now)
    rig.mount.keep_house(now)
    good = outcome.exit_code in (int(ExitCode.OK), int(ExitCode.MOTION_UNKNOWN))
    outcome.tracking = rig.mount.tracking and not good


def _read(path: Path, truths: list[AxisTruth], rig: SimulatedRig, outcome: Outcome) -> None:
    records = read_journal(path)
    ended = any(record.kind == "end" for record in records)
    full = "disk_full" in outcome.faults
    outcome.journal = bool(records) and (ended or full or outcome.mode == "kill")
    southern = rig.spec.site.latitude_deg < 0
    measured = [record.data["axis"] for record in records if record.kind == "measured"]
    if len(measured) == len(truths):
        pairs = zip(measured, truths, strict=True)
        outcome.figures = [distance(axis, truth, southern) for axis, truth in pairs]


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
        [sys.executable, __file__, "--child", str(folder / "run.json"), str(path)],
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
    _look(rig, outcome)
    records = read_journal(path) if path.exists() else []
    outcome.journal = bool(records)


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


# -- the report ------------------------------------------------------------------------------


def report(outcomes: list[Outcome]) -> str:
    """Return the tables."""
    lines = [f"runs: {len(outcomes)}"]
    real = sorted(outcome.real_s for outcome in outcomes)
    lines.append(f"real seconds a run: median {real[len(real) // 2]}, longest {real[-1]}")
    for name, found in (
        ("ended with the mount moving", [o for o in outcomes if o.moving]),
        ("failed, said stopped, and tracked on", [o for o in outcomes if o.tracking]),
        ("hung", [o for o in outcomes if o.hung]),
        ("lost the journal", [o for o in outcomes if not o.journal]),
        ("broke what must always hold", [o for o in outcomes if o.broken]),
    ):
        seeds = ", ".join(str(o.seed) for o in found)
        lines.append(f"{name}: {len(found)}{f' (seeds {seeds})' if found else ''}")
    figures = [(d2, off, o) for o in outcomes for d2, off in o.figures]
    outside = [(round(d2, 1), round(off, 3), o.seed) for d2, off, o in figures if d2 > CHI2_95_2D]
    lines.append(f"figures reported: {len(figures)}, outside their 95 % ellipse: {len(outside)}")
    lines += [f"  d2 {d2}, {off} arcmin off, seed {seed}" for d2, off, seed in outside]
    if figures:
        offs = sorted(off for _d2, off, _o in figures)
        lines.append(f"true error of a figure: median {offs[len(offs) // 2]:.3f} arcmin, "
                     f"largest {offs[-1]:.3f} arcmin")  # fmt: skip
    lines += [f"  seed {o.seed}: {told}" for o in outcomes for told in o.broken]
    said = [o for o in outcomes if o.said_within]
    untrue = [o for o in said if (o.truly_arcmin or 0.0) > 1.0]
    lines.append(f"alignments called within 1 arcmin: {len(said)}, untrue: {len(untrue)}")
    lines += [f"  seed {o.seed}: truly {o.truly_arcmin:.2f} arcmin" for o in untrue]
    lines.append(f"exit codes: {sorted(Counter(str(o.exit_code) for o in outcomes).items())}")
    lines.append(f"modes: {dict(Counter(o.mode for o in outcomes))}")
    lines.append("| fault | drawn | struck | exit codes of runs it struck |")
    lines.append("|---|---|---|---|")
    for kind in sorted({kind for o in outcomes for kind in o.faults}):
        drawn = sum(kind in o.faults for o in outcomes)
        hit = [o for o in outcomes if kind in o.struck]
        codes = Counter(str(o.exit_code) for o in hit)
        shown = ", ".join(f"{code} x {count}" for code, count in sorted(codes.items()))
        lines.append(f"| {kind} | {drawn} | {len(hit)} | {shown} |")
    return "\n".join(lines)


def add_run_options(parser: argparse.ArgumentParser) -> None:
    """Let the command line say which runs, or the files of earlier ones."""
    parser.add_argument("runs", type=int, nargs="?", default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--step", type=int, default=1, help="take every so-many-th seed")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--report", type=Path, nargs="+")


def gathered(
    given: argparse.Namespace, kind: Callable[..., OutcomeT], one_run: Callable[[int], OutcomeT]
) -> list[OutcomeT]:
    """Make the runs that were asked for, each told and written down at once, or read old ones."""
    if given.report:
        lines = [line for file in given.report for line in file.read_text().splitlines()]
        return [kind(**json.loads(line)) for line in lines]
    outcomes = []
    for seed in range(given.first, given.first + given.runs * given.step, given.step):
        outcomes.append(one_run(seed))
        line = json.dumps(asdict(outcomes[-1])) + "\n"
        sys.stderr.write(line)
        if given.out:
            with given.out.open("a", encoding="utf-8") as file:
                file.write(line)
    return outcomes


def main() -> int:
    """Run or report."""
    parser = argparse.ArgumentParser(description=__doc__)
    add_run_options(parser)
    parser.add_argument("--at-once", action="store_true", help="expose before the mount is still")
    parser.add_argument("--kill", action="store_true", help="kill the process of one in twenty")
    parser.add_argument("--child", type=Path, nargs=2)
    given = parser.parse_args()
    if given.child:
        return child(*given.child)
    global KILLS, AT_ONCE  # noqa: PLW0603 - one process, one soak
    KILLS = given.kill
    if given.at_once:
        AT_ONCE, at_once.QUICK_FETCH_S = True, math.inf
    outcomes = gathered(given, Outcome, one_run)
    sys.stdout.write(report(outcomes) + "\n")
    bad = [o for o in outcomes if o.moving or o.tracking or o.hung or not o.journal or o.broken]
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
