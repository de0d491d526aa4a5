"""How often a pier that stands still is told to move: pier-years looked at after each measurement.

python tests/bench/quiet_piers.py --years 1000
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np


def main() -> None:
    """Count false alarms: years in which anything but "still" was told at least once."""
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    from history.test_history_trend import looked_at, quiet

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--years", type=int, default=1000)
    parser.add_argument("--every-days", type=float, default=14.0)
    given = parser.parse_args()
    dice = np.random.default_rng(1)
    alarms = 0
    for _ in range(given.years):
        alarms += set(looked_at(quiet(dice, 1.0, given.every_days), 4)) != {"still"}
    print(f"{alarms} false alarms in {given.years} pier-years, looked at after each measurement")


if __name__ == "__main__":
    main()
