"""Motors on a simulated rig's knobs, driven through the rig's control API over HTTP.

Registered under the entry point group ``polewright.adjusters``; the contract is a Protocol, so
nothing of the product's orchestration is needed here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import requests

from polewright.foundation.clock import Clock
from polewright.foundation.errors import ConfigError, DeviceError

LOOK_S = 0.5
TIMEOUT_S = 20.0


class MotorSilent(DeviceError):
    """The rig does not answer to its control API."""

    code = "motor_silent"
    advice = "Start the simulated rig, and give its address in [adjuster.options] url."

    def __init__(self, url: str, why: str) -> None:
        super().__init__(url, why)
        self.url, self.why = url, why

    def __str__(self) -> str:
        return f"the rig's motors at {self.url} do not answer: {self.why}"


class RigMotors:
    """Both knobs of a rig at ``url``; ``signs`` and ``gains`` make a badly wired motor of them."""

    automatic = True

    def __init__(self, url: str, clock: Clock, factors: Mapping[str, float]) -> None:
        self._url, self._clock, self._factors = url.rstrip("/") + "/rig/adjusters", clock, factors

    def turn(self, axis: str, arcmin: float, tick: Callable[[], None]) -> None:
        """Turn one knob and wait until it rests."""
        amount = arcmin * self._factors[axis]
        self._ask("POST", {f"{axis}_arcmin": amount})
        while self._state()[axis]["moving"]:
            tick()
            self._clock.sleep(LOOK_S)

    def position_arcmin(self, axis: str, tick: Callable[[], None]) -> float | None:
        """Where the knob stands, from where the rig started, by this motor's own count."""
        del tick  # it answers at once
        position: float = self._state()[axis]["position_arcmin"]
        return position / self._factors[axis]

    def travel_arcmin(self, axis: str) -> tuple[float, float] | None:
        """Not told by the rig."""
        del axis
        return None

    def _state(self) -> dict[str, Any]:
        now: dict[str, Any] = self._ask("GET")["now"]
        return now

    def _ask(self, method: str, body: dict[str, float] | None = None) -> dict[str, Any]:
        try:
            reply = requests.request(method, self._url, json=body, timeout=TIMEOUT_S)
            reply.raise_for_status()
            answer: dict[str, Any] = reply.json()
        except (requests.RequestException, ValueError) as exc:
            raise MotorSilent(self._url, str(exc)) from exc
        return answer


def create(options: Mapping[str, object], clock: Clock) -> RigMotors:
    """Make them from ``url``, and ``altitude_factor`` and ``azimuth_factor`` (1 if left out)."""
    known = {"url", "altitude_factor", "azimuth_factor"}
    wrong = sorted(set(options) - known)
    url = options.get("url")
    if wrong or not isinstance(url, str):
        what = f"unknown option {wrong[0]}" if wrong else "url is missing"
        raise ConfigError(f"[adjuster.options] {what}; known: {', '.join(sorted(known))}")
    factors = {}
    for axis in ("altitude", "azimuth"):
        value = options.get(f"{axis}_factor", 1.0)
        if not isinstance(value, int | float) or value == 0:
            raise ConfigError(f"[adjuster.options] {axis}_factor must be a number other than 0")
        factors[axis] = float(value)
    return RigMotors(url, clock, factors)
