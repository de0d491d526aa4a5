"""What a reading brought to light stays on show until it can have been read."""

from __future__ import annotations

import math

import numpy as np
from adjusting.hand import Hand, ToyKnob, ToyMount, still_frames, toy_mount

from polewright.calculation.adjusting.engine import AdjustmentEngine
from polewright.calculation.sky.site import Site
from polewright.foundation.adjuster_profile import Axis
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG
from polewright.foundation.clock import SystemClock
from polewright.session.snapshot_builder import NOTICE_S, Board


def test_a_turn_the_wrong_way_is_said_long_enough_to_be_read() -> None:
    """The engine says it once; frames come every few seconds, a person looks up now and then."""
    mount: ToyMount = toy_mount(
        np.random.default_rng(1), latitude_deg=45.0, error_deg=0.0, tilt_deg=0.0, tracking=True
    )
    hand = Hand(mount, ToyKnob(60.0, 0.0), ToyKnob(60.0, 0.0), cross_talk=0.0)
    hand.push(Axis.AZIMUTH, 20.0 * ARCMIN / math.cos(mount.latitude))
    axis, covariance = mount.swept(2.0 * ARCSEC)
    engine = AdjustmentEngine(axis, covariance, mount.look(), Site(mount.latitude / DEG, 0.0))
    board = Board("night", 1.0, SystemClock())
    board.begins_pass(engine)

    def said(frames: int) -> list[tuple[float, bool]]:
        found = []
        for frame in still_frames(mount, frames):
            reading = engine.update(frame)
            board.read(reading)
            advice = board.snapshot().advice
            assert advice is not None
            found.append((frame.utc_s, any("the other way" in word for word in advice.cautions)))
        return found

    assert not any(shown for _utc_s, shown in said(4))
    hand.push(Axis.AZIMUTH, 15.0 * ARCMIN / math.cos(mount.latitude))  # west was asked

    after = said(20)

    shown_s = [utc_s for utc_s, shown in after if shown]
    assert len(shown_s) >= 3
    assert 0.5 * NOTICE_S <= shown_s[-1] - shown_s[0] <= NOTICE_S
    assert not after[-1][1]
