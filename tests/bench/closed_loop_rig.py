"""The closed loop on the whole simulated rig: HTTP, rendered frames, real solves.

    .venv/bin/python tests/bench/closed_loop_rig.py

Invented rigs; a simulated night runs 12 times faster. `closed_loop.py` has many more, without
pictures.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path
from typing import Any, cast

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support import night as rigs

from polewright.foundation.clock import SystemClock
from polewright.observing.runs.connect import connect_rig
from polewright.session import hands_free
from polewright.session.journal import Journal
from polewright.session.session import AlignSession
from polewright_sim.motors import create
from polewright_sim.rig import SimulatedRig
from polewright_sim.server.server import serve
from polewright_sim.spec import RigSpec

RATE = 12.0
#: Latitude (deg); error in altitude and azimuth (arcmin); gains; lost motion (arcmin).
RIGS = (
    (44.62, 40.0, -55.0, -1.8, 0.55, 4.0, 6.0),
    (-31.4, -22.0, 35.0, 0.5, -2.0, 2.0, 8.0),
)


def main() -> None:
    cast("Any", hands_free).load_adjuster = lambda _name, options, clock: create(options, clock)
    print("| latitude | error before (arcsec) | outcome | true error after (arcsec) | turns |"
          " simulated minutes |")  # fmt: skip
    print("|---|---|---|---|---|---|")
    for latitude, alt, az, gain_alt, gain_az, play_alt, play_az in RIGS:
        clock = SystemClock(RATE, rigs.NIGHT_UTC_S, time.time())
        changes = {
            "site": {"latitude_deg": latitude},
            "misalignment": {"alt_arcmin": alt, "az_arcmin": az},
            "adjusters": {
                "altitude": {"gain": gain_alt, "backlash_arcmin": play_alt},
                "azimuth": {"gain": gain_az, "backlash_arcmin": play_az},
            },
        }
        spec = RigSpec.model_validate(rigs.merged(rigs.SMALL_RIG, changes))
        rig = SimulatedRig(spec, clock=clock)
        night = rigs.Night(serve(rig), rig, clock)
        before = night.truth["axis"]["total_arcmin"] * 60.0
        config = night.config(
            {
                "site.latitude_deg": latitude,
                "sweep.start_azimuth_deg": 140.0 if latitude > 0 else 40.0,
                "sweep.settle_s": 8.0,
                "pole.tolerance_arcmin": 0.4,
                "adjuster.options": {"url": night.running.url},
            }
        )
        with tempfile.TemporaryDirectory() as folder:
            journal = Journal(Path(folder) / "n.journal.jsonl")
            session = AlignSession(
                connect_rig, config, clock, journal, lambda _event: None,
                session_id="bench", attended=False,
            )  # fmt: skip
            outcome = session.run()
            journal.close()
        minutes = (clock.utc_s() - rigs.NIGHT_UTC_S) / 60.0
        after = night.truth["axis"]["total_arcmin"] * 60.0
        night.running.stop()
        failure = session.snapshot().failure
        print(
            f"| {latitude} | {before:.0f} | {outcome.name} {failure.message if failure else ''} "
            f"| {after:.1f} | {len(rig.adjusters.history)} | {minutes:.1f} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
