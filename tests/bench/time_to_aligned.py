"""How long from START to an axis confirmed within an arcminute, and where the time goes.

``python tests/bench/time_to_aligned.py --nights 60`` prints Markdown, with and without glances.
Whole sessions of the product against the simulated rig under simulated time, with a hand that sees
the screen 0.7 s late and turns by what it says. Computing takes no simulated time, so what a frame
of 26 megapixels costs to hand over, to search and to solve is charged: see `FRAME_S_PER_MP` and
`SOLVE_S`. All ranges are invented; see `drawn`.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import json
import math
import random
import shutil
import statistics
import sys
import tempfile
from collections import defaultdict
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.hand import TURN, knob_for

from polewright.foundation.config import config_from_text
from polewright.foundation.errors import ExitCode
from polewright.observing.rig.background_task import BackgroundTask
from polewright.observing.rig.rig import Rig
from polewright.observing.runs.connect import connect_rig
from polewright.session.journal import Journal, read_journal
from polewright.session.session import AlignSession, Command
from polewright.session.snapshot import SessionSnapshot
from polewright.session.states import ENDED, Step
from polewright_sim.rig import SimulatedRig
from polewright_sim.server.server import serve
from polewright_sim.simulated_clock import SimulatedClock
from polewright_sim.spec import RigSpec

NIGHT_UTC_S = 1795210200.0
LIMIT_S = 1200.0
REACTION_S = 0.7
LOOK_S = 0.1
#: The rig's own frames are small; one costs as much as 26 megapixels do: 0.6 s to hand over and
#: search (2 megapixels at 0.3 s each), and 0.15 s to solve.
FRAME_S_PER_MP, SOLVE_S = 0.3, 0.15
#: Ringing: amplitude (arcsec), frequency (Hz), decay to 1/e (s).
MOUNTS = {
    "stiff": ((3.0, 8.0), (2.0, 5.0), (0.3, 0.8)),
    "usual": ((10.0, 20.0), (1.5, 3.0), (1.0, 2.0)),
    "belt": ((25.0, 50.0), (0.8, 2.0), (2.5, 4.0)),
}
FASTEST_ARCMIN_S, SLOWEST_ARCMIN_S = 8.0, 0.15
SNUG_S = 6.0


@dataclass
class Night:
    """What came of one alignment; seconds of the rig's clock."""

    seed: int
    mount: str
    glances: str
    off_deg: float
    exit_code: int | None = None
    total_s: float = 0.0
    truly_arcmin: float = 0.0
    moves: int = 0
    overshoots: int = 0
    sweeps: int = 0
    retaken: int = 0
    """First points of sweeps that were taken again, as if the axis had been turned before them."""
    parts_s: dict[str, float] = field(default_factory=dict)
    sweep_s: dict[str, list[float]] = field(default_factory=dict)
    """Of each sweep: all of it, its slews, settling, exposures."""
    why: str = ""


def drawn(seed: int) -> tuple[RigSpec, str, float, random.Random]:
    """Return a rig, its kind of mount, how far it is off (degrees), and the hand's dice."""
    dice = random.Random(seed)
    kind = list(MOUNTS)[seed % 3]
    amplitude, hertz, decay = (dice.uniform(*limits) for limits in MOUNTS[kind])
    off_deg = math.exp(dice.uniform(math.log(0.3), math.log(3.0)))
    way = dice.uniform(0.0, 2.0 * math.pi)
    latitude = dice.choice([52.1, 44.62, 28.3, -31.4, -43.5])
    slack = {"backlash_arcmin": dice.uniform(0.0, 6.0), "rate_arcmin_per_s": FASTEST_ARCMIN_S}
    spec = RigSpec.model_validate(
        {
            "name": "stopwatch",
            "seed": dice.randrange(10_000),
            "site": {"latitude_deg": latitude, "longitude_deg": 9.31, "elevation_m": 420.0},
            "misalignment": {
                "alt_arcmin": 60.0 * off_deg * math.sin(way),
                "az_arcmin": 60.0 * off_deg * math.cos(way),
            },
            "mount": {
                "pointing_offset_ra_arcmin": dice.uniform(-40.0, 40.0),
                "pointing_offset_dec_arcmin": dice.uniform(-40.0, 40.0),
                "vibration_arcsec": amplitude,
                "vibration_hz": hertz,
                "vibration_decay_s": decay,
                "tripod_tilt_deg": dice.uniform(0.0, 2.0),
                "tripod_tilt_azimuth_deg": dice.uniform(0.0, 360.0),
            },
            "adjusters": {"altitude": slack, "azimuth": slack},
            "optics": {"focal_length_mm": 200.0, "aperture_mm": 60.0},
            "sensor": {"width": 1600, "height": 1200, "pixel_um": 5.8, "hot_pixel_count": 40},
            "camera": {"readout_s": 0.05, "readout_s_per_megapixel": FRAME_S_PER_MP},
        }
    )
    return spec, kind, off_deg, dice


class Hand:
    """Turns by what the screen said a moment ago."""

    def __init__(self, rig: SimulatedRig, session: AlignSession, night: Night) -> None:
        self.rig, self.session, self.night = rig, session, night
        self._seen: list[tuple[float, SessionSnapshot]] = []
        self._acted: tuple[float, str] | None = None
        self._let_go_s = 0.0
        self._way: tuple[str, float] | None = None

    def now(self) -> SessionSnapshot:
        """Return what was on the screen `REACTION_S` ago."""
        clock = self.rig.clock
        self._seen.append((clock.monotonic_s(), self.session.snapshot()))
        while len(self._seen) > 1 and self._seen[1][0] <= clock.monotonic_s() - REACTION_S:
            self._seen.pop(0)
        return self._seen[0][1]

    def work(self) -> str:
        """Do for `LOOK_S` what is said; return what the time went into."""
        seen, clock = self.now(), self.rig.clock
        if seen.step is not Step.ADJUSTING:
            clock.sleep(LOOK_S)
            return "sweeps" if seen.step is not Step.CHECKING else "start"
        advice, error = seen.advice, seen.error
        if advice is None or error is None:
            clock.sleep(LOOK_S)
            return "waiting"
        moving = seen.moving
        if advice.action in TURN and (moving is not None or error.state in ("settled", "bumped")):
            reading_s = error.utc_s if moving is None else moving.utc_s
            stamp = (reading_s, advice.sentence)
            if stamp != self._acted and reading_s > self._let_go_s:
                self._acted = stamp
                return self._turn(advice.action, advice.amount_arcmin, steered=moving is not None)
        elif error.state in ("settled", "bumped") and error.utc_s > self._let_go_s:
            if advice.action == "snug_and_recheck":
                clock.sleep(SNUG_S)
                self.session.command(Command.SNUGGED)
                self._wait_for_news(seen)
                return "snugging"
            if advice.action in ("stop_and_sweep", "done"):
                self.session.command(Command.SWEEP)
                self._wait_for_news(seen)
                return "sweeps"
        clock.sleep(LOOK_S)
        return "waiting"

    def _wait_for_news(self, seen: SessionSnapshot) -> None:
        """What was asked for is not asked for again before something else is said."""
        clock = self.rig.clock
        end_s = clock.monotonic_s() + 10.0
        while clock.monotonic_s() < end_s and _said(self.session.snapshot()) == _said(seen):
            clock.sleep(LOOK_S)
        self._seen.clear()

    def _turn(self, action: str, amount_arcmin: float, *, steered: bool) -> str:
        knob, sign = knob_for(self.rig, action)
        clock, way = self.rig.clock, (knob, sign)
        if way != self._way:
            self.night.moves += 1
            if self._way is not None and self._way == (knob, -sign):
                self.night.overshoots += 1
            self._way = way
        if not steered:
            turn: dict[str, Any] = {knob: sign * amount_arcmin}
            self.rig.turn_knobs(**turn, wait=True)
            self._way = None
            self._let_go_s = clock.utc_s()
            return "turning"
        # By a reading that moves: as fast as the way left allows, in pieces that it can correct.
        speed = min(FASTEST_ARCMIN_S, max(SLOWEST_ARCMIN_S, amount_arcmin / (2.0 * REACTION_S)))
        piece = min(amount_arcmin, speed * LOOK_S)
        steered_turn: dict[str, Any] = {knob: sign * piece}
        self.rig.turn_knobs(**steered_turn)
        clock.sleep(LOOK_S)
        return "turning"


def _said(shown: SessionSnapshot) -> tuple[Step, str]:
    return shown.step, "" if shown.advice is None else shown.advice.action


def one_night(seed: int, glances: str, keep: Path | None = None) -> Night:
    """Align once; the journal is left in ``keep``."""
    spec, kind, off_deg, _dice = drawn(seed)
    night = Night(seed, kind, glances, off_deg)
    clock = SimulatedClock(NIGHT_UTC_S)
    rig = SimulatedRig(spec, clock=clock)
    parts: dict[str, float] = defaultdict(float)
    with tempfile.TemporaryDirectory(prefix="aligned") as name, serve(rig) as running:
        address = {
            f"{device}.{key}": value
            for device in ("telescope", "camera")
            for key, value in (("host", running.host), ("port", running.port))
        }
        overrides = {
            **address,
            "site.latitude_deg": spec.site.latitude_deg,
            "site.longitude_deg": spec.site.longitude_deg,
            "site.elevation_m": spec.site.elevation_m,
            "optics.focal_length_mm": 200.0,
            "sweep.exposure_s": 1.0,
            "pole.tolerance_arcmin": 1.0,
            "adjusting.glances": glances,
            "run.journal_folder": name,
            "history.enabled": False,
        }
        journal = Journal(Path(name) / "night.journal.jsonl")
        session = AlignSession(
            charging,
            config_from_text("", overrides=overrides),
            clock,
            journal,
            lambda _event: None,
            session_id="stopwatch",
        )
        running_session = BackgroundTask("session", lambda _task: session.run(), clock.threads)
        hand = Hand(rig, session, night)
        while session.step not in ENDED and clock.monotonic_s() < LIMIT_S:
            before_s = clock.monotonic_s()
            parts[hand.work()] += clock.monotonic_s() - before_s
        night.total_s = clock.monotonic_s()
        if session.step not in ENDED:
            session.stop("too slow")
        running_session.wait(60.0)
        snapshot = session.snapshot()
        night.exit_code = None if session.outcome is None else int(session.outcome)
        night.truly_arcmin = rig.truth().total_arcmin
        night.sweeps = snapshot.sweeps
        night.parts_s = {part: round(seconds, 1) for part, seconds in parts.items()}
        night.why = "" if snapshot.failure is None else snapshot.failure.message[:200]
        journal.close()
        clock.close()
        records = read_journal(journal.path)
        if keep is not None:
            shutil.copy(journal.path, keep / f"{seed}_{glances}.jsonl")
        times = [r.data["time"] for r in records if r.kind == "measured"]
        night.retaken = sum(
            "between the last reading and the first frame" in step
            for r in records
            if r.kind == "measured"
            for step in r.data["story"]
        )
        night.sweep_s = {
            part: [round(time[f"{part}_s"], 1) for time in times]
            for part in ("total", "slew", "settle", "expose")
        }
    return night


def charging(*given: Any) -> Rig:
    """Connect, and have each solve take its time."""
    rig = connect_rig(*given)
    solver: Any = rig.plates.solver
    for member in ("solve", "track"):
        plain = getattr(solver, member)

        def slow(*args: Any, _plain: Any = plain, **more: Any) -> Any:
            rig.clock.sleep(SOLVE_S)
            return _plain(*args, **more)

        setattr(solver, member, slow)
    return rig


def report(nights: list[Night]) -> str:
    """Return the table."""
    lines = [
        "| glances | mount | nights | confirmed | median s | longest s | moves | overshoots "
        "| sweeps | sweeps s | slews s | settling s | waiting s | turning s | snugging s "
        "| untrue |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for glances in sorted({n.glances for n in nights}):
        for kind in (*MOUNTS, "all"):
            here = [n for n in nights if n.glances == glances and kind in (n.mount, "all")]
            good = [n for n in here if n.exit_code == int(ExitCode.OK)]
            if not good:
                continue

            def middle(part: str, of: list[Night] = good) -> str:
                return f"{statistics.median(n.parts_s.get(part, 0.0) for n in of):.0f}"

            lines.append(
                f"| {glances} | {kind} | {len(here)} | {len(good)} "
                f"| {statistics.median(n.total_s for n in good):.0f} "
                f"| {max(n.total_s for n in good):.0f} "
                f"| {statistics.median(n.moves for n in good):.0f} "
                f"| {sum(n.overshoots for n in good)} "
                f"| {statistics.mean(n.sweeps for n in good):.1f} | {middle('sweeps')} "
                f"| {statistics.median(sum(n.sweep_s['slew']) for n in good):.0f} "
                f"| {statistics.median(sum(n.sweep_s['settle']) for n in good):.0f} "
                f"| {middle('waiting')} "
                f"| {middle('turning')} | {middle('snugging')} "
                f"| {sum(n.truly_arcmin > 1.0 for n in good)} |"
            )
    lines += [
        f"seed {n.seed} ({n.mount}, glances {n.glances}, {n.off_deg:.1f} degrees off): exit code "
        f"{n.exit_code} after {n.total_s:.0f} s, {n.why}"
        for n in nights
        if n.exit_code != int(ExitCode.OK)
    ]
    return "\n".join(lines)


def main() -> int:
    """Run and report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=60)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--glances", nargs="+", default=["off", "auto"])
    parser.add_argument("--keep", type=Path, help="folder for the nights' journals")
    given = parser.parse_args()
    if given.keep is not None:
        given.keep.mkdir(parents=True, exist_ok=True)
    asked = [
        (seed, glances, given.keep)
        for seed in range(given.first, given.first + given.nights)
        for glances in given.glances
    ]
    nights = []
    with concurrent.futures.ProcessPoolExecutor(given.jobs) as pool:
        for night in pool.map(one_night, *zip(*asked, strict=True)):
            nights.append(night)
            sys.stderr.write(json.dumps(asdict(night)) + "\n")
    sys.stdout.write(report(nights) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
