"""A page that nobody chose a look for: dark, unless the Sun is known to be up at the site."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
import requests

from polewright.foundation.clock import SystemClock
from polewright.foundation.config import Config
from polewright.interfaces.page_frame import LOOK_COOKIE
from polewright.interfaces.web.app import create_app
from polewright.interfaces.web.runner import SessionRunner
from polewright.interfaces.web.server import RunningService

TOKEN = "a-token-for-tests-0123456789"


class At(SystemClock):
    """Stands at one hour of 1 June 2026."""

    def __init__(self, hour_utc: int) -> None:
        super().__init__()
        self.hour_utc = hour_utc

    def utc_s(self) -> float:
        """Return that hour, Unix seconds."""
        return datetime(2026, 6, 1, self.hour_utc, tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("longitude_deg", "hour_utc", "up"),
    [(9.3, 12, True), (9.3, 23, False), (190.0, 23, True), (None, 12, False)],
)
def test_the_first_visit_may_become_light_only_while_the_sun_is_up(
    longitude_deg, hour_utc, up
) -> None:
    """The first bytes are dark; where the Sun is down or the site unknown it stays so."""
    site = {} if longitude_deg is None else {"latitude_deg": 44.6, "longitude_deg": longitude_deg}
    runner = SessionRunner(lambda _extra: Config.model_validate({"site": site}), At(hour_utc))
    service = RunningService(create_app(runner, TOKEN), "127.0.0.1", 0, runner.feed)

    def root(path: str, **cookies: str) -> str:
        url = f"{service.url.rstrip('/')}{path}"
        return requests.get(url, cookies=cookies, timeout=300).text.split(">", 2)[1]

    try:
        for path in (f"/?token={TOKEN}", "/handbook"):
            assert 'data-theme="night"' in root(path)
            assert ("data-sun-up" in root(path)) is up, path
        chosen = root("/handbook", **{LOOK_COOKIE: "day.0"})
        assert 'data-theme="day"' in chosen
        assert "data-sun-up" not in chosen
    finally:
        runner.close()
        service.stop()
