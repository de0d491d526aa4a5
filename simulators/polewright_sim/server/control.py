"""The rig's own control API, beside Alpaca: the truth, the knobs, and mishaps.

- ``GET /rig/truth``: where the axis really is, mount state, knobs.
- ``GET /rig/spec``: what the rig is made of.
- ``GET /rig/clock``: the TCP port of its time where it leads one (`server/time_lead.py`).
- ``POST /rig/adjusters``: JSON with ``altitude_arcmin`` and/or ``azimuth_arcmin`` (or
  ``altitude_turns``, ``azimuth_turns``), and ``wait`` (true answers when the knobs rest).
- ``POST /rig/mishaps``: JSON with any of ``slip_declination_arcmin``,
  ``slip_right_ascension_arcmin``, ``sink_east_arcmin``, ``sink_north_arcmin``.
- ``POST /rig/safety``: JSON ``{"safe": false}`` makes the safety monitor say so.
- ``GET /rig/faults``: the faults that are loaded, and how often each struck.
- ``POST /rig/faults``: a scenario as JSON (see `polewright_sim.scenario`) is added.
- ``DELETE /rig/faults`` or ``/rig/faults/<number>``: all of them, or one, end.
"""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable
from dataclasses import asdict
from typing import Annotated, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from polewright.foundation.rehearsal import CLOCK_PATH, RehearsalClock
from polewright_sim.faults.faults import FaultLayer
from polewright_sim.rig import SimulatedRig
from polewright_sim.scenario import Scenario

_BODY_LIMIT = 64 * 1024
Model = TypeVar("Model", bound=BaseModel)
Finite = Annotated[float, Field(allow_inf_nan=False, ge=-1e4, le=1e4)]


class KnobTurns(BaseModel):
    """Body of POST /rig/adjusters."""

    model_config = ConfigDict(extra="forbid")

    altitude_arcmin: Finite = 0.0
    azimuth_arcmin: Finite = 0.0
    altitude_turns: Finite = 0.0
    azimuth_turns: Finite = 0.0
    wait: bool = False


class Mishap(BaseModel):
    """Body of POST /rig/mishaps."""

    model_config = ConfigDict(extra="forbid")

    slip_declination_arcmin: Finite = 0.0
    slip_right_ascension_arcmin: Finite = 0.0
    sink_east_arcmin: Finite = 0.0
    sink_north_arcmin: Finite = 0.0


class Safety(BaseModel):
    """Body of POST /rig/safety."""

    model_config = ConfigDict(extra="forbid")

    safe: bool


def control_routes(rig: SimulatedRig) -> list[Route]:
    """Return the routes for a rig."""

    def truth(_: Request) -> Response:
        return JSONResponse(rig.report())

    def spec(_: Request) -> Response:
        return JSONResponse(rig.spec.model_dump(mode="json"))

    def time_port(_: Request) -> Response:
        if not isinstance(rig.clock, RehearsalClock):
            return PlainTextResponse("this rig was started without --rate", 404)
        return JSONResponse({"port": rig.clock.port})

    def turn(wanted: KnobTurns) -> Response:
        knobs = rig.adjusters
        turns = rig.turn_knobs(
            altitude_arcmin=wanted.altitude_arcmin
            + wanted.altitude_turns * knobs.altitude.spec.arcmin_per_turn,
            azimuth_arcmin=wanted.azimuth_arcmin
            + wanted.azimuth_turns * knobs.azimuth.spec.arcmin_per_turn,
            wait=wanted.wait,
        )
        rest_s = max((done.done_s for done in turns), default=-math.inf)
        left_s = max(0.0, rest_s - rig.clock.utc_s())
        return JSONResponse({"turns": [asdict(done) for done in turns], "rest_in_s": left_s})

    def mishap(wanted: Mishap) -> Response:
        rig.disturb_mount(**wanted.model_dump())
        return JSONResponse(rig.report())

    def safety(wanted: Safety) -> Response:
        rig.safe = wanted.safe
        return JSONResponse(rig.report())

    def knobs(_: Request) -> Response:
        return JSONResponse(
            {
                "history": [asdict(done) for done in list(rig.adjusters.history)],
                "now": rig.report()["adjusters"],
            }
        )

    return [
        Route("/rig/truth", truth, methods=["GET"]),
        Route("/rig/spec", spec, methods=["GET"]),
        Route(CLOCK_PATH, time_port, methods=["GET"]),
        Route("/rig/adjusters", knobs, methods=["GET"]),
        Route("/rig/adjusters", posted(KnobTurns, turn), methods=["POST"]),
        Route("/rig/mishaps", posted(Mishap, mishap), methods=["POST"]),
        Route("/rig/safety", posted(Safety, safety), methods=["POST"]),
    ]


def fault_routes(layer: FaultLayer, switch_on: Callable[[], None]) -> list[Route]:
    """Return the routes of a rig's fault layer; ``switch_on`` puts it before the answers."""

    def told(_: Request) -> Response:
        return JSONResponse({"faults": layer.report()})

    def load(wanted: Scenario) -> Response:
        switch_on()
        return JSONResponse({"numbers": layer.load(wanted), "faults": layer.report()})

    def clear(_: Request) -> Response:
        layer.clear()
        return JSONResponse({"faults": layer.report()})

    def remove(request: Request) -> Response:
        number = request.path_params["number"]
        if not layer.remove(number):
            return PlainTextResponse(f"there is no fault number {number}", 404)
        return JSONResponse({"faults": layer.report()})

    return [
        Route("/rig/faults", told, methods=["GET"]),
        Route("/rig/faults", posted(Scenario, load), methods=["POST"]),
        Route("/rig/faults", clear, methods=["DELETE"]),
        Route("/rig/faults/{number:int}", remove, methods=["DELETE"]),
    ]


def posted(
    kind: type[Model], work: Callable[[Model], Response]
) -> Callable[[Request], Awaitable[Response]]:
    """Make an endpoint that checks a JSON body and works in a thread; 400 tells what is wrong."""

    async def endpoint(request: Request) -> Response:
        body = await request.body()
        if len(body) > _BODY_LIMIT:
            return PlainTextResponse("the body is too long", 400)
        try:
            wanted = kind.model_validate_json(body)
        except ValidationError as fault:
            return PlainTextResponse(str(fault), 400)
        return await run_in_threadpool(work, wanted)

    return endpoint
