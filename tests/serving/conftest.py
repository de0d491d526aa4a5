"""A service on loopback in front of the small simulated rig of the end-to-end tests."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
import requests
from support.night import start_night

from polewright.interfaces.web.app import create_app
from polewright.interfaces.web.runner import SessionRunner
from polewright.interfaces.web.server import RunningService

__all__ = ["start_night"]


class Served:
    """A service, its runner, and a client that is a program of this computer."""

    def __init__(self, runner: SessionRunner, service: RunningService) -> None:
        self.runner, self.service = runner, service
        self.url = service.url.rstrip("/")
        self.client = requests.Session()

    def get(self, path: str, **more: Any) -> requests.Response:
        return self.client.get(self.url + path, timeout=300, **more)

    def post(self, path: str, document: Any = None, **more: Any) -> requests.Response:
        return self.client.post(self.url + path, json=document, timeout=300, **more)


Serve = Callable[..., Served]


@pytest.fixture
def start_service(tmp_path) -> Iterator[Serve]:
    """Start services in front of a night, or of no rig at all; all are stopped afterwards."""
    running: list[Served] = []

    def start(
        night: Any, changes: dict[str, Any] | None = None, token: str | None = None, **more: Any
    ) -> Served:
        on_lan, port = more.pop("on_lan", False), more.pop("port", 0)
        speaks = more.pop("configured_language", None)

        def make(extra: Any) -> Any:
            own = {"run.journal_folder": str(tmp_path), **(changes or {}), **extra}
            return night.config(own)

        runner = SessionRunner(make, night.clock, **more)
        app = create_app(runner, token, on_lan=on_lan, configured_language=speaks)
        running.append(Served(runner, RunningService(app, "127.0.0.1", port, runner.feed)))
        return running[-1]

    yield start
    for served in running:
        served.client.close()
        served.runner.close()
        served.service.stop()
