"""Closed loop on random rigs with motor adjusters: true error, moves, simulated minutes.

    .venv/bin/python tests/bench/closed_loop.py [rigs]

The rigs are those of tests/adjusting/hand.py (toy attitudes, base out of level, cross-talk,
noise) with motors of either sign, gain off by up to 2, and lost motion: all invented.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from adjusters.toy_motors import align, random_motor_rig

from polewright.foundation.angles import ARCSEC


def main() -> None:
    rigs = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    rows = []
    for seed in range(rigs):
        rig = random_motor_rig(np.random.default_rng(seed))
        before = rig.hand.mount.error() / ARCSEC
        start_s = rig.hand.mount.utc_s
        try:
            loop = align(rig)
        except Exception as trouble:
            print(f"rig {seed}: {type(trouble).__name__}: {trouble}")
            continue
        minutes = (rig.hand.mount.utc_s - start_s) / 60.0
        after = rig.hand.mount.error() / ARCSEC
        rows.append((after, loop.moves, rig.hand.sweeps, minutes, before))
    table = np.array(rows)
    print(f"{len(rows)} of {rigs} rigs ended with DONE")
    print("| | true error at the end (arcsec) | turns | sweeps | simulated minutes | at start |")
    print("|---|---|---|---|---|---|")
    for name, how in (("median", np.median), ("largest", np.max)):
        after, moves, sweeps, minutes, before = how(table, axis=0)
        print(
            f"| {name} | {after:.1f} | {moves:.0f} | {sweeps:.0f} | {minutes:.1f} | {before:.0f} |"
        )


if __name__ == "__main__":
    main()
