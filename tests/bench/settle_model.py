"""What ringing is left in a frame that is exposed as soon as looks agree, over many modelled rigs.

``python tests/bench/settle_model.py --rigs 1500`` prints Markdown, in seconds: no images and no
devices, only the swing of two axes (an exponential envelope about a sine, as the simulated rig's),
looks at it with the product's own spacing, limit and judgement, and the mean of the swing over the
exposure that counts: by so much ringing shifts the whole frame. ``--creep 15`` adds a slide of up
to 15 arcsec in one direction that dies out within 0.3 to 6 s. Ranges, noise of a look and the
seconds that a look costs beside its exposure are invented.

Two ways: "looks first" exposes once looks agree; "at once" exposes after the slew and has looks
tell whether the stars lie where they rest. "lost" is what each takes beside one exposure.
"""

from __future__ import annotations

import argparse
import dataclasses
import math
import sys
from itertools import cycle

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.images.stillness import (
    REST_LOOKS,
    Look,
    Rest,
    judge_looks,
    judge_rest,
)
from polewright.observing.rig.settle_memory import LOOK_S
from polewright.observing.settling.blur_weighting import TELLING
from polewright.observing.settling.expose_on_arrival import (
    LENGTHENED,
    LONG_LOOK_S,
    LONG_LOOKS,
    REST_OF_FLOOR,
    SHORTEST_S,
    swinging_look,
)
from polewright.observing.settling.still_stars import (
    GAPS_S,
    agreeing_looks,
    limit_factor,
)

#: Amplitude (arcsec), frequency (Hz), decay to 1/e (s); low and high.
RINGING = {
    "stiff": ((3.0, 8.0), (2.0, 5.0), (0.3, 0.8)),
    "usual": ((10.0, 20.0), (1.5, 3.0), (1.0, 2.0)),
    "belt": ((25.0, 50.0), (0.8, 2.0), (2.5, 4.0)),
    "slow pier": ((10.0, 40.0), (0.2, 0.8), (2.0, 5.0)),
}
ARCSEC_PER_PX, FLOOR_ARCSEC, NOISE_PX, STAR_PX = 6.0, 1.0, 0.015, 2.0
#: A look costs so much beside its exposure, and a slew is believed over so long after it is, s.
COST_S, BELIEVED_S = 0.35, 0.25
EXPOSURES_S = (8.0, 4.0, 3.0, 2.0, 1.0, 0.5)


class Swing:
    """Two axes that ring out, and slide to their rest by up to ``creep`` (arcsec)."""

    def __init__(
        self, kind: str, rng: np.random.Generator, creep: float = 0.0, drift: float = 0.0
    ) -> None:
        self.drift = drift
        ranges = RINGING[kind]
        self.amplitude, self.hz, self.decay_s = (float(rng.uniform(*ends)) for ends in ranges)
        way = float(rng.uniform(0.0, 2.0 * math.pi))
        slide = creep * float(rng.uniform(0.0, 1.0))
        self.slide = slide * np.array([[math.cos(way)], [math.sin(way)]])
        self.slide_s = float(np.exp(rng.uniform(np.log(0.3), np.log(6.0))))

    def at(self, t: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the pointing's offset (2, N), arcsec, so long (N,) after the arrival."""
        size = self.amplitude * np.exp(-t / self.decay_s)
        phase = 2.0 * np.pi * self.hz * t
        ringing = np.stack([size * np.sin(phase), 0.7 * size * np.sin(1.3 * phase)])
        return np.asarray(ringing + self.slide * np.exp(-t / self.slide_s))

    def look(self, t: float, rng: np.random.Generator, exposure_s: float = LOOK_S) -> Look:
        """Return a look that begins so long after the arrival."""
        times = t + np.linspace(0.0, exposure_s, max(12, round(60 * exposure_s)))
        seen = self.at(times) / ARCSEC_PER_PX
        x, y = seen.mean(axis=1) + rng.normal(0.0, NOISE_PX, 2)
        x += self.drift * (t + 0.5 * exposure_s) / ARCSEC_PER_PX
        return Look(float(x), float(y), NOISE_PX, width_px(seen), t + 0.5 * exposure_s)


def width_px(seen: NDArray[np.float64]) -> float:
    """Return the half-flux diameter of stars that were there (2, N), pixels."""
    return math.hypot(STAR_PX, 2.35 * float(np.hypot(*seen.std(axis=1))))


def settled(
    swing: Swing,
    exposure_s: float,
    ceiling_s: float,
    rng: np.random.Generator,
    cost_s: float = COST_S,
) -> tuple[float, float, bool]:
    """Return how long it settled (s), the shift of the frame after it (arcsec), if seen still."""
    limit_px = limit_factor(exposure_s) * FLOOR_ARCSEC / ARCSEC_PER_PX
    looks: list[Look] = []
    begun_s = t = BELIEVED_S * float(rng.uniform(0.7, 1.3))
    still = False
    for gap_s in cycle(GAPS_S):
        if t - begun_s + gap_s + cost_s + LOOK_S > ceiling_s:
            t = begun_s + ceiling_s
            break
        t += gap_s
        looks.append(swing.look(t, rng))
        t += LOOK_S + cost_s * float(rng.uniform(0.8, 1.3))
        agreeing = agreeing_looks(exposure_s)
        still = judge_looks(looks, limit_px, agreeing).still
        if still:
            break
    during = t + 0.15 + np.linspace(0.0, exposure_s, 4000)
    shift = float(np.hypot(*swing.at(during).mean(axis=1)))
    return t - begun_s, shift, still


def at_once(
    swing: Swing,
    exposure_s: float,
    ceiling_s: float,
    rng: np.random.Generator,
    cost_s: float = COST_S,
) -> tuple[float, float, bool]:
    """Return what exposing at once loses beside one exposure (s), the shift, if seen at rest."""
    limit_px = REST_OF_FLOOR * FLOOR_ARCSEC / ARCSEC_PER_PX
    at_once_s = max(exposure_s, SHORTEST_S)
    begun_s = t = BELIEVED_S * float(rng.uniform(0.7, 1.3))
    before: Rest | None = None
    while True:
        exposed = swing.at(t + 0.15 + np.linspace(0.0, at_once_s, 2000))
        middle, middle_s = exposed.mean(axis=1) / ARCSEC_PER_PX, t + 0.15 + 0.5 * at_once_s
        shift = float(np.hypot(*exposed.mean(axis=1)))
        t += at_once_s + cost_s
        looks: list[Look] = []
        sharpest_px: float | None = None
        while True:
            look_s = LOOK_S if sharpest_px is None else LONG_LOOK_S
            seen = swing.look(t, rng, look_s)
            drifted = swing.drift * middle_s / ARCSEC_PER_PX
            wide_px = width_px(exposed / ARCSEC_PER_PX)
            look = dataclasses.replace(
                seen, x=seen.x - float(middle[0]) - drifted, y=seen.y - float(middle[1])
            )
            looks.append(swinging_look(look, wide_px, sharpest_px))
            t += look_s + cost_s * float(rng.uniform(0.8, 1.3))
            rest = judge_rest(
                looks,
                wide_px,
                middle_s,
                limit_px,
                before=before,
                fewer_stars=False,
                enough=REST_LOOKS if sharpest_px is None else LONG_LOOKS,
            )
            if not rest.good and sharpest_px is None and rest.wider > TELLING:
                sharpest_px, looks = look.hfd_px, []
            elif rest.verdict != "unsure":
                break
        if rest.good:
            return t - begun_s - exposure_s, shift, True
        before = rest
        if t - begun_s + at_once_s > ceiling_s:
            t = max(t, begun_s + ceiling_s)
            during = t + 0.15 + np.linspace(0.0, exposure_s, 2000)
            return t - begun_s, float(np.hypot(*swing.at(during).mean(axis=1))), False


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rigs", type=int, default=300, help="rigs of each kind")
    parser.add_argument("--ceiling", type=float, default=15.0, help="longest wait, s")
    parser.add_argument(
        "--drift", type=float, default=0.0, help="of the sky, arcsec a second (0.26 a degree off)"
    )
    parser.add_argument(
        "--cost", type=float, default=COST_S, help="of a look beside its exposure, s"
    )
    parser.add_argument("--creep", type=float, default=0.0, help="largest slide, arcsec")
    given = parser.parse_args()
    out = [
        f"{given.rigs} modelled rigs a row, ceiling {given.ceiling:g} s, frame floor "
        f"{FLOOR_ARCSEC:g} arcsec, slide up to {given.creep:g} arcsec",
        "",
        "| exposure | mount | way | lost mean / median / p95, s | seen still "
        "| shift of the frame median / p95 / worst, arcsec |",
        "|---|---|---|---|---|---|",
    ]
    for exposure_s in EXPOSURES_S:
        for kind in RINGING:
            rng = np.random.default_rng([7, list(RINGING).index(kind)])
            swings = [Swing(kind, rng, given.creep, given.drift) for _ in range(given.rigs)]
            ways = {
                "looks first": [
                    settled(swing, exposure_s, given.ceiling, rng, given.cost) for swing in swings
                ]
            }
            if LENGTHENED * exposure_s >= SHORTEST_S:
                ways["at once"] = [
                    at_once(swing, exposure_s, given.ceiling, rng, given.cost) for swing in swings
                ]
            for way, runs in ways.items():
                took, shift, still = (np.array([run[k] for run in runs]) for k in range(3))
                out.append(
                    f"| {exposure_s:g} s | {kind} | {way} | {took.mean():.1f} / "
                    f"{np.median(took):.1f} / {np.percentile(took, 95):.1f} | "
                    f"{100.0 * still.mean():.0f} % | {np.median(shift):.3f} / "
                    f"{np.percentile(shift, 95):.3f} / {shift.max():.3f} |"
                )
    sys.stdout.write("\n".join(out) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
