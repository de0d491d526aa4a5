"""How long a three-point measurement takes, over the slews and exposures it cannot do without.

``python tests/bench/sweep_time.py --rigs 4`` prints Markdown. The whole product against the
simulated rig under simulated time; what a frame costs to hand over, to search and to solve is
charged as in `time_to_aligned`. Each rig is measured twice: the fixed way (``settle = "fixed"``,
``overlap = false``) and the present defaults.

- slews: what the rig's own motion needed, from the command to the axes' arrival;
- ringing: for how long after an arrival the swing of the axes (an exponential envelope, both ways)
  was over the motion that the product says does not matter between looks (`still_stars.limit_px`):
  no way to wait for it can be shorter;
- settled, again: seconds spent on settling, whole exposures among them that were of no use, and
  how many of those there were;
- shift by ringing: of the frames that counted;
- axis error: distance of the axis found from the true one; stated sigma: of that distance, both
  ways together;
- exposures: as long as was asked for; what a longer one takes more counts as settling;
- ratio: from the first slew's start to the axis, over slews and exposures, or over slews, exposures
  and ringing.

Rigs are invented: misalignment, roll and vibration are drawn within the ranges below. So that the
axis error shows what settling does to it, nothing else moves the tube: no periodic error, and axes
that always come to rest alike; the stated sigma knows nothing of that.
"""

from __future__ import annotations

import argparse
import dataclasses
import math
import sys
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
from time_to_aligned import FRAME_S_PER_MP, charging

from polewright.foundation.angles import ARCSEC
from polewright.foundation.clock import CancelToken
from polewright.foundation.config import config_from_text
from polewright.foundation.errors import PolewrightError
from polewright.observing.plan.plan_from_config import planned_points
from polewright.observing.runs.measurement import measure_axis
from polewright.observing.settling.still_stars import limit_px
from polewright.records.events import Event, Progress
from polewright_sim.rig import SimulatedRig
from polewright_sim.server.server import serve
from polewright_sim.simulated_clock import SimulatedClock
from polewright_sim.spec import RigSpec

NIGHT_UTC_S = 1795210200.0
FIXED_S = 15.0
#: Ringing by kind of mount: amplitude (arcsec), frequency (Hz), decay to 1/e (s); low and high.
RINGING = {
    "stiff": ((3.0, 8.0), (2.0, 5.0), (0.3, 0.8)),
    "usual": ((10.0, 20.0), (1.5, 3.0), (1.0, 2.0)),
    "belt": ((25.0, 50.0), (0.8, 2.0), (2.5, 4.0)),
}
WAYS = {
    "fixed": {"sweep.settle": "fixed", "sweep.overlap": False},
    "new": {"sweep.settle": "measured", "sweep.overlap": True},
}


@dataclasses.dataclass(frozen=True)
class Run:
    """One measurement."""

    kind: str
    way: str
    wall_s: float
    slews_s: float
    exposures_s: float
    ringing_s: float
    settle_s: float
    hidden_s: float
    again: int
    shift_arcsec: float
    error_arcsec: float
    sigma_arcsec: float
    notes: tuple[str, ...]

    @property
    def ratio(self) -> float:
        """Over what cannot be avoided, ringing not counted as such."""
        return self.wall_s / (self.slews_s + self.exposures_s)

    @property
    def ratio_rung_out(self) -> float:
        """The same with the ringing counted as unavoidable."""
        return self.wall_s / (self.slews_s + self.exposures_s + self.ringing_s)


def draw(kind: str, seed: int, focal_mm: float = 200.0) -> dict[str, Any]:
    """Return a rig's specification."""
    rng = np.random.default_rng([seed, sorted(RINGING).index(kind)])
    amplitude, frequency, decay = (float(rng.uniform(*ends)) for ends in RINGING[kind])
    return {
        "site": {"latitude_deg": 44.62, "longitude_deg": 9.31, "elevation_m": 420.0},
        "misalignment": {
            "alt_arcmin": float(rng.uniform(-60.0, 60.0)),
            "az_arcmin": float(rng.uniform(-60.0, 60.0)),
        },
        "mount": {
            "pointing_offset_ra_arcmin": float(rng.uniform(-60.0, 60.0)),
            "pointing_offset_dec_arcmin": float(rng.uniform(-60.0, 60.0)),
            "unsteadiness_arcsec": 0.0,
            "periodic_error_arcsec": 0.0,
            "vibration_arcsec": amplitude,
            "vibration_hz": frequency,
            "vibration_decay_s": decay,
        },
        "optics": {
            "focal_length_mm": focal_mm,
            "aperture_mm": 0.3 * focal_mm,
            "roll_deg": float(rng.uniform(0.0, 360.0)),
        },
        "sensor": {"width": 1600, "height": 1200, "pixel_um": 5.8, "hot_pixel_count": 40},
        "camera": {"readout_s": 0.05, "readout_s_per_megapixel": FRAME_S_PER_MP},
        "seed": seed,
    }


def ring_shift_arcsec(rig: SimulatedRig, middles_s: list[float]) -> float:
    """Return how far ringing shifted the middle of the frame that it shifted most, arcsec.

    The mean of the true attitude over each whole exposure, with the ringing and without it; of
    the exposures whose middles (Unix seconds UTC) are given: the others were of no use.
    """
    mount, worst = rig.mount, 0.0
    for frame in rig.recorded:
        start_s, length_s = frame.exposure.start_s, frame.exposure.duration_s
        if all(abs(frame.utc_mid_s - middle_s) > 0.5 for middle_s in middles_s):
            continue
        times = (start_s + (np.arange(400) + 0.5) / 400.0 * length_s).tolist()
        rung = mount.attitudes(times)[:, :, 2].mean(axis=0)
        rings, mount._rings = mount._rings, []
        calm = mount.attitudes(times)[:, :, 2].mean(axis=0)
        mount._rings = rings
        worst = max(worst, float(np.linalg.norm(rung - calm)) / ARCSEC)
    return worst


class Slews:
    """Writes down every motion that the rig makes."""

    def __init__(self, rig: SimulatedRig) -> None:
        self.mount = rig.mount
        self.took_s: list[float] = []
        start = self.mount._start_slew

        def watched(goal: Any, utc_s: float) -> None:
            start(goal, utc_s)
            self.took_s.append(self.mount._arrive_s - utc_s)

        self.mount._start_slew = watched  # type: ignore[method-assign]

    def ringing_s(self, limit: float) -> float:
        """Seconds in all for which a swing of both ways exceeded ``limit`` (rad)."""
        decay_s = self.mount.spec.vibration_decay_s
        return sum(
            decay_s * max(0.0, math.log(max(2.0 * ring.amplitude, 1e-12) / limit))
            for ring in self.mount._rings
        )


def measure_once(
    kind: str, way: str, spec: dict[str, Any], exposure_s: float, settle_s: float
) -> Run:
    """Start a rig, measure it, and compare with what is true."""
    clock = SimulatedClock(NIGHT_UTC_S)
    sim = SimulatedRig(RigSpec.model_validate(spec), clock=clock)
    slews = Slews(sim)
    running = serve(sim)
    first: list[float] = []

    def hear(event: Event) -> None:
        if isinstance(event, Progress) and event.step == "slew" and not first:
            first.append(clock.monotonic_s())

    overrides: dict[str, Any] = {
        f"{device}.{key}": value
        for device in ("telescope", "camera")
        for key, value in (("host", running.host), ("port", running.port))
    }
    overrides |= {
        "site.latitude_deg": 44.62,
        "site.longitude_deg": 9.31,
        "site.elevation_m": 420.0,
        "optics.focal_length_mm": 1.01 * spec["optics"]["focal_length_mm"],
        "sweep.start_azimuth_deg": 140.0,
        "sweep.start_altitude_deg": 55.0,
        "sweep.direction": "east",
        "sweep.settle_s": settle_s,
        "sweep.exposure_s": exposure_s,
        **WAYS[way],
    }
    try:
        rig = charging(config_from_text("", overrides=overrides), clock, CancelToken(), hear)
        result = measure_axis(rig, planned_points(rig))
        wall_s = clock.monotonic_s() - first[0]
        truth = sim.report()["axis"]
        limit = limit_px(rig) * (rig.plates.scale or 0.0)
    finally:
        running.stop()
        clock.close()
    axis = result.axis
    error_arcmin = math.hypot(
        axis.d_alt_arcmin - truth["alt_arcmin"],  # type: ignore[index]
        axis.d_az_sky_arcmin - truth["az_sky_arcmin"],  # type: ignore[index]
    )
    if result.time is None:
        raise PolewrightError("the measurement does not tell where its time went")
    return Run(
        kind=kind,
        way=way,
        wall_s=wall_s,
        slews_s=sum(slews.took_s),
        exposures_s=exposure_s * len(result.points),
        ringing_s=slews.ringing_s(limit),
        settle_s=result.time.settle_s,
        hidden_s=result.time.overlap_saved_s,
        again=sum(one.exposure.duration_s > 0.9 * exposure_s for one in sim.recorded)
        - len(result.points),
        shift_arcsec=ring_shift_arcsec(
            sim, [datetime.fromisoformat(point.utc).timestamp() for point in result.points]
        ),
        error_arcsec=error_arcmin * 60.0,
        sigma_arcsec=math.hypot(axis.sigma_alt_arcmin, axis.sigma_az_sky_arcmin) * 60.0,
        notes=tuple(note for note in result.notes if "stood still" in note or "looks" in note),
    )


def table(runs: list[Run]) -> str:
    """Return the runs, gathered by kind and way, as a Markdown table."""
    lines = [
        "| mount | way | runs | s in all | slews | exposures | ringing | settled | hidden | again "
        "| ratio | ratio, rung out | largest shift by ringing median / worst, arcsec "
        "| axis error median / p95, arcsec | stated sigma, arcsec "
        "| not seen still |",
        "|" + "---|" * 16,
    ]
    for kind in (*RINGING, "all"):
        for way in WAYS:
            some = [run for run in runs if run.way == way and kind in (run.kind, "all")]
            if not some:
                continue

            def mean(name: str, these: list[Run] = some) -> float:
                return float(np.mean([getattr(run, name) for run in these]))

            errors = [run.error_arcsec for run in some]
            shifts = [run.shift_arcsec for run in some]
            cells = (
                kind,
                way,
                f"{len(some)}",
                *(
                    f"{mean(name):.1f}"
                    for name in (
                        "wall_s", "slews_s", "exposures_s", "ringing_s", "settle_s", "hidden_s",
                        "again",
                    )
                ),
                f"{mean('ratio'):.2f}",
                f"{mean('ratio_rung_out'):.3f}",
                f"{np.median(shifts):.2f} / {max(shifts):.2f}",
                f"{np.median(errors):.2f} / {np.percentile(errors, 95):.2f}",
                f"{mean('sigma_arcsec'):.2f}",
                f"{sum(bool(run.notes) for run in some)}",
            )  # fmt: skip
            lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rigs", type=int, default=2, help="rigs of each kind of mount")
    parser.add_argument("--exposure", type=float, default=4.0, help="s")
    parser.add_argument("--focal", type=float, default=200.0, help="focal length, mm")
    parser.add_argument("--settle", type=float, default=FIXED_S, help="fixed wait and ceiling, s")
    parser.add_argument("--kinds", nargs="*", default=list(RINGING), choices=list(RINGING))
    parser.add_argument("--ways", nargs="*", default=list(WAYS), choices=list(WAYS))
    given = parser.parse_args()
    runs: list[Run] = []
    for seed in range(given.rigs):
        for kind in given.kinds:
            for way in given.ways:
                spec = draw(kind, seed, given.focal)
                run = measure_once(kind, way, spec, given.exposure, given.settle)
                runs.append(run)
                sys.stderr.write(f"{seed} {run}\n")
    sys.stdout.write(
        f"{given.rigs} rigs a kind, exposure {given.exposure:g} s, "
        f"fixed wait {given.settle:g} s, {given.focal:g} mm\n\n{table(runs)}\n"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
