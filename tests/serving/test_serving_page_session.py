"""A whole session in a browser, by a person who does only what the page says."""

from __future__ import annotations

import json

import pytest
from serving.chromium import PICTURES, Person, browser, needs_chromium

pytestmark = [pytest.mark.e2e, needs_chromium]


def test_a_person_who_follows_the_page_aligns_the_mount(
    start_night, start_service, tmp_path
) -> None:
    """With backlash and jumpy lowering, to within the tolerance in truth, from two degrees off.

    In the south, where the hand turns the other way; the demonstration goes by the API in the
    north (`test_demo.py`).
    """
    latitude, off_arcmin = -31.4, 85.0
    night = start_night(
        {
            "site": {"latitude_deg": latitude},
            "sensor": {"width": 1200, "height": 900},
            "misalignment": {"alt_arcmin": off_arcmin, "az_arcmin": -off_arcmin},
            "adjusters": {
                "altitude": {
                    "backlash_arcmin": 3.0,
                    "lowering_jump_arcmin": 2.0,
                    "rate_arcmin_per_s": 30.0,
                },
                "azimuth": {"backlash_arcmin": 5.0, "rate_arcmin_per_s": 30.0},
            },
        },
        real_rate=20.0,
    )
    served = start_service(
        night,
        {
            "site.latitude_deg": latitude,
            "sweep.start_azimuth_deg": 40.0,
            "sweep.settle_s": 8.0,
            # The hand's least step alone is 10 to 20 arcsec; a sweep is sure to about 20.
            "pole.tolerance_arcmin": 0.6,
        },
    )
    before_arcmin = night.truth["axis"]["total_arcmin"]
    with browser(tmp_path / "profile") as driver:
        driver.get(served.url)
        person = Person(driver, night)
        while not person.look().start:
            pass
        assert person.press_and_confirm("go")

        last = person.follow(600.0)
        complaints = driver.get_log("browser")

    after = night.truth["axis"]["total_arcmin"]
    PICTURES.mkdir(exist_ok=True)
    (PICTURES / "page-session.json").write_text(
        json.dumps(
            {
                "before_arcmin": before_arcmin,
                "after_arcsec": 60.0 * after,
                "moves": person.moves,
                "turned_on": person.turned_on,
                "sweeps": served.runner.snapshot().sweeps,
                "said": person.said,
            },
            indent=1,
        )
    )
    assert before_arcmin > 1.35 * off_arcmin
    assert last.word == "DONE", last
    assert after < 0.6
    assert 2 <= person.moves <= 25, person.said
    assert person.warned_of_slack  # altitude comes back from below, so there is a turn back
    # 5 arcmin of slack are 15 of the hand's least steps; more than thrice that is no way to end.
    assert person.turned_on <= 45, person.said
    assert complaints == []
