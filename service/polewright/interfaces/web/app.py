"""The API and the page, put together."""

from __future__ import annotations

import asyncio
import json
import logging
import socket
import threading
from collections.abc import AsyncIterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from importlib.resources import files
from typing import Annotated, Any, Literal, TypeVar

from fastapi import Depends, FastAPI, Query, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import (
    HTMLResponse,
    JSONResponse,
    PlainTextResponse,
    Response,
    StreamingResponse,
)
from pydantic import BaseModel
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp

from polewright import __version__
from polewright.calculation.images.preview import MOST_PX, PictureFormat, frame_picture
from polewright.foundation import language
from polewright.foundation.errors import ConfigError, DeviceError, PolewrightError
from polewright.foundation.language import say
from polewright.interfaces.handbook.html import index_html, page_html
from polewright.interfaces.handbook.pages import NoSuchPage
from polewright.interfaces.page_frame import Look
from polewright.interfaces.web.errors import NoSession, NothingToShow, SessionBusy, TooManyPages
from polewright.interfaces.web.metrics import CONTENT_TYPE, Metrics, MetricsMissing
from polewright.interfaces.web.models import (
    Health,
    Problem,
    SessionItem,
    StartRequest,
    StopAnswer,
    TurnsRequest,
)
from polewright.interfaces.web.past import history_page, report_page
from polewright.interfaces.web.problem_page import problem_page, wants_page
from polewright.interfaces.web.runner import SessionRunner, not_confirmed_yet
from polewright.interfaces.web.security import Gate
from polewright.session.resume import CannotTakeUp
from polewright.session.session import Command
from polewright.session.snapshot import MovingUpdate, SessionSnapshot
from polewright.session.states import NotNow

log = logging.getLogger(__name__)

HEARTBEAT_S = 1.5
"""The page takes two that are missing for a lost line (``BEAT_MS`` in link.js)."""
STOP_ANSWER_S = 1.5
"""A stop is answered after this time at the latest; what is not confirmed by then goes on."""
#: Changes that come quicker than this reach a page as one, s: what a phone draws without trouble
#: (own choice).
COALESCE_S = 0.08
STOP_WORDS_S = 0.2
"""A stop's answer waits for its translation so long, then it is given in English."""
#: Bytes of events that may wait for a slow line: some glances (own choice).
UNSENT_BYTES = 4096
STOPS_AT_ONCE = 3
"""More would only wait for each other at the mount: who asks later shares an answer."""
PAGE_FILES = {
    "page.css": ("page.css", "text/css; charset=utf-8"),
    "page.js": ("page.js", "text/javascript; charset=utf-8"),
    "early_stop.js": ("early_stop.js", "text/javascript; charset=utf-8"),
    "picture.js": ("picture.js", "text/javascript; charset=utf-8"),
    "plate.js": ("plate.js", "text/javascript; charset=utf-8"),
    "words.js": ("words.js", "text/javascript; charset=utf-8"),
    "sound.js": ("sound.js", "text/javascript; charset=utf-8"),
    "language.js": ("language.js", "text/javascript; charset=utf-8"),
    "announcer.js": ("announcer.js", "text/javascript; charset=utf-8"),
    "awake.js": ("awake.js", "text/javascript; charset=utf-8"),
    "link.js": ("link.js", "text/javascript; charset=utf-8"),
    "handbook.css": ("handbook.css", "text/css; charset=utf-8"),
    "theme.js": ("theme.js", "text/javascript; charset=utf-8"),
    "icon.svg": ("icon.svg", "image/svg+xml"),
    "page.webmanifest": ("page.webmanifest", "application/manifest+json"),
}
#: A report and an SVG drawn here style themselves; opened on their own they may do nothing else.
REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox"
SVG_POLICY = "default-src 'none'; style-src 'unsafe-inline'; sandbox"

#: A problem is a page for a browser that asks for one, and JSON else, wherever it happens.
_PROBLEM: dict[str, Any] = {
    "model": Problem,
    "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Problem"}}},
}
PROBLEMS: dict[int | str, dict[str, Any]] = dict.fromkeys(
    (400, 401, 403, 409, 413, 421, 422), _PROBLEM
)
NOTHING_YET: dict[int | str, dict[str, Any]] = {404: _PROBLEM}


def status_of(error: PolewrightError) -> int:
    """Return the HTTP status for an error."""
    match error:
        case SessionBusy() | NoSession() | NotNow() | CannotTakeUp():
            return 409
        case NothingToShow() | MetricsMissing():
            return 404
        case TooManyPages():
            return 503
        case ConfigError():
            return 422
        case DeviceError():
            return 502
    return 422 if "turns" in error.code else 500


Document = TypeVar("Document", bound=BaseModel)


async def _reader(request: Request) -> str:
    """Return the language of whoever asks: the configured one, or the browser's.

    On the event loop: a dependency that is no coroutine waits for a free worker, and so would STOP.
    """
    return _language_of(request)


def _language_of(request: Request) -> str:
    configured: str | None = request.app.state.language
    return configured or language.accepted(request.headers.get("accept-language", ""))


Reader = Annotated[str, Depends(_reader)]


def _for(reader: str, document: Document) -> Document:
    """Return a document with its sentences in the reader's language."""
    if reader == language.ENGLISH:
        return document
    return type(document).model_validate(language.in_language(document.model_dump(), reader))


def _json_for(reader: str, document: BaseModel) -> str:
    return _for(reader, document).model_dump_json()


def _problem(request: Request, status: int, code: str, message: str, advice: str = "") -> Response:
    reader = _language_of(request)
    if wants_page(request.headers):
        return problem_page(request.headers, status, message, advice, reader)
    document = _for(reader, Problem(code=code, message=message, advice=advice))
    return JSONResponse(document.model_dump(), status_code=status)


LongerSide = Annotated[int, Query(ge=100, le=MOST_PX, description="longest side, pixels")]


class _Pictures:
    """The last few pictures made, so that many pages do not each make their own."""

    def __init__(self, most: int = 6) -> None:
        self._kept: dict[tuple[object, ...], bytes] = {}
        self._most = most
        self._lock = threading.Lock()

    def get(self, key: tuple[object, ...], make: Any) -> bytes:
        with self._lock:  # one at a time: two at once would each take twice as long
            if key not in self._kept:
                while len(self._kept) >= self._most:
                    self._kept.pop(next(iter(self._kept)))
                self._kept[key] = make()
            return self._kept[key]


def create_app(
    runner: SessionRunner,
    token: str | None = None,
    *,
    on_lan: bool = False,
    metrics: Metrics | None = None,
    configured_language: str | None = None,
) -> ASGIApp:
    """Return the service as an ASGI application.

    Args:
        runner: what it shows and steers.
        token: asked from everybody when given; must be given when ``on_lan``.
        on_lan: whether it is reached by other addresses than loopback.
        metrics: the runner's listener that counts what /metrics tells; without it counts stay 0.
        configured_language: of the page and the answers; None: as each browser asks.
    """
    app = FastAPI(
        title="Polewright",
        version=__version__,
        description="Aligns the polar axis of an equatorial mount. Angles are in the units that "
        "the names say; signs of errors: + too high, + too far east.",
        openapi_url="/api/openapi.json",
        # The usual viewers come from a content network; this service works offline.
        docs_url=None,
        redoc_url=None,
        responses=PROBLEMS,
    )
    app.state.language = configured_language
    _tell_problems(app)
    _add_session(app, runner)
    _add_events(app, runner)
    _add_pictures(app, runner)
    _add_past(app, runner)
    _add_metrics(app, runner, metrics or Metrics())
    _add_page(app, runner)
    _add_handbook(app, runner)
    return Gate(app, token=token, on_lan=on_lan, speaks=configured_language)


def _tell_problems(app: FastAPI) -> None:
    @app.exception_handler(PolewrightError)
    async def known(request: Request, error: PolewrightError) -> Response:
        return _problem(request, status_of(error), error.code, str(error), error.advice)

    @app.exception_handler(RequestValidationError)
    async def invalid(request: Request, error: RequestValidationError) -> Response:
        parts = [
            f"{'.'.join(str(part) for part in item['loc'])}: {item['msg']}"
            for item in error.errors()
        ]
        return _problem(
            request,
            422,
            "bad_request",
            "; ".join(parts),
            say("See /api/openapi.json for what is expected."),
        )

    @app.exception_handler(HTTPException)
    async def other(request: Request, error: HTTPException) -> Response:
        code = {404: "not_found", 405: "method_not_allowed"}.get(error.status_code, "refused")
        advice = say("See /api/openapi.json.")
        if code == "not_found" and wants_page(request.headers):
            return _problem(
                request,
                404,
                code,
                say("there is no such page here"),
                say("Go back to the session."),
            )
        return _problem(request, error.status_code, code, str(error.detail), advice)

    @app.exception_handler(Exception)
    async def unexpected(request: Request, error: Exception) -> Response:
        log.error("service.request_failed", exc_info=error)
        return _problem(
            request,
            500,
            "unexpected",
            say("unexpected fault of the service"),
            say("The log says more."),
        )


def _asked_by(request: Request, given: str) -> str:
    where = request.client.host if request.client else "unknown"
    # It is shown to others and in their terminals, which obey control characters.
    given = "".join(letter for letter in given if letter.isprintable()).strip()
    return f"{given} ({where})" if given else where


def _add_session(app: FastAPI, runner: SessionRunner) -> None:
    # A stop must never wait for a free worker behind pictures.
    stoppers = ThreadPoolExecutor(max_workers=STOPS_AT_ONCE, thread_name_prefix="stop")
    wording = ThreadPoolExecutor(max_workers=1, thread_name_prefix="stop wording")
    for code in language.languages():  # reading a catalogue takes a second, and STOP has not got it
        if code != language.ENGLISH:
            wording.submit(language.catalogue, code)
    under_way: list[asyncio.Future[StopAnswer]] = []

    @app.get("/api/health", tags=["service"])
    def health() -> Health:
        """A sign of life; needs no token."""
        return Health(software=f"polewright {__version__}", running=runner.running)

    @app.get("/api/session", tags=["session"])
    def snapshot(reader: Reader) -> SessionSnapshot:
        """Everything about the session that runs, or the last one."""
        return _for(reader, runner.snapshot())

    @app.post("/api/session", tags=["session"], status_code=201)
    def start(wanted: StartRequest, request: Request, reader: Reader) -> SessionSnapshot:
        """Start a session. THE MOUNT WILL MOVE: see that the tube is free to turn."""
        by = _asked_by(request, wanted.by)
        return _for(
            reader,
            runner.start(wanted.config, by, resume=wanted.resume, accept_site=wanted.accept_site),
        )

    @app.post("/api/session/sweep", tags=["session"])
    def sweep(reader: Reader) -> SessionSnapshot:
        """End adjusting and sweep again. THE MOUNT WILL MOVE."""
        return _for(reader, runner.command(Command.SWEEP))

    @app.post("/api/session/pause", tags=["session"])
    def pause(reader: Reader) -> SessionSnapshot:
        """Take no more frames until resumed; tracking goes on."""
        return _for(reader, runner.command(Command.PAUSE))

    @app.post("/api/session/resume", tags=["session"])
    def resume(reader: Reader) -> SessionSnapshot:
        """Go on after a pause."""
        return _for(reader, runner.command(Command.RESUME))

    @app.post("/api/session/snugged", tags=["session"])
    def snugged(reader: Reader) -> SessionSnapshot:
        """Tell that the adjusters and locks have been tightened."""
        return _for(reader, runner.command(Command.SNUGGED))

    @app.post("/api/session/turns", tags=["session"])
    def turns(made: TurnsRequest, reader: Reader) -> SessionSnapshot:
        """Tell how many turns an adjuster was just given."""
        return _for(reader, runner.command(Command.TURNS, axis=made.axis, turns=made.turns))

    @app.post("/api/session/stop", tags=["session"])
    def stop(reader: Reader) -> SessionSnapshot:
        """End the session; it stops the mount on its way out."""
        return _for(reader, runner.stop(say("stopped through the service")))

    @app.post("/api/stop", tags=["service"])
    async def hard_stop(reader: Reader) -> StopAnswer:
        """Stop all motion now, tracking included, and end the session. Works in every state.

        Answers within two seconds: ``unknown`` while the mount has not confirmed it. The service
        then goes on trying by itself, and asking again tells what has come of it.
        """
        loop = asyncio.get_running_loop()
        under_way[:] = [one for one in under_way if not one.done()]
        if len(under_way) < STOPS_AT_ONCE:
            under_way.append(
                loop.run_in_executor(stoppers, runner.hard_stop, say("STOP was pressed"))
            )
        asked_s = loop.time()
        done, _ = await asyncio.wait(
            under_way, timeout=STOP_ANSWER_S, return_when=asyncio.FIRST_COMPLETED
        )
        answer = next(iter(done)).result() if done else not_confirmed_yet(loop.time() - asked_s)
        if reader == language.ENGLISH:
            return answer
        # Neither on this loop, which others' STOPs need, nor for long: a stop is worth more.
        words = loop.run_in_executor(wording, _for, reader, answer)
        told, _ = await asyncio.wait([words], timeout=STOP_WORDS_S)
        return words.result() if told and words.exception() is None else answer

    @app.get("/api/sessions", tags=["service"])
    def sessions() -> list[SessionItem]:
        """The journals of past sessions, newest first."""
        return runner.sessions()


def _keep_line_short(request: Request) -> None:
    """Let what a slow line has not taken yet wait in the session, not behind older events.

    Otherwise system and event loop would take some hundred readings, and a page draw each of them
    late. Systems that cannot leave it at the event loop's share.
    """
    transport = request.scope.get("state", {}).get("transport")
    if transport is None:
        return
    transport.set_write_buffer_limits(high=0)
    option = getattr(socket, "TCP_NOTSENT_LOWAT", None)
    if option is not None:
        line = transport.get_extra_info("socket")
        line.setsockopt(socket.IPPROTO_TCP, option, UNSENT_BYTES)


def _event_id(snapshot: SessionSnapshot) -> str:
    return f"{snapshot.session_id}:{snapshot.version}"


def _add_events(app: FastAPI, runner: SessionRunner) -> None:
    async def messages(seen: str, reader: str) -> AsyncIterator[str]:
        yield "retry: 1000\n\n"
        known: tuple[object, int] | None = None
        with runner.feed.listening() as changed:
            while not runner.feed.closed:
                changed.clear()
                now = runner.snapshot()
                if _event_id(now) != seen:
                    seen = _event_id(now)
                    # A glance comes alone to whoever has the rest.
                    # A session that is taken up again counts its versions anew.
                    run = (now.session_id, now.began_utc_s)
                    thin = known is not None and (
                        known[0] == run and known[1] >= now.version_but_moving
                    )
                    known = (run, now.version)
                    kind, part = ("moving", MovingUpdate.of(now)) if thin else ("snapshot", now)
                    # On a thread: STOP is answered on this loop.
                    document = await asyncio.to_thread(_json_for, reader, part)
                    yield f"id: {seen}\nevent: {kind}\ndata: {document}\n\n"
                    await asyncio.sleep(COALESCE_S)
                    continue
                try:
                    await asyncio.wait_for(changed.wait(), HEARTBEAT_S)
                except TimeoutError:
                    beat = {"utc_s": runner.clock.utc_s(), "running": runner.running}
                    yield f"event: heartbeat\ndata: {json.dumps(beat)}\n\n"

    @app.get("/api/session/events", tags=["session"], response_class=StreamingResponse)
    async def events(request: Request, reader: Reader) -> StreamingResponse:
        """Server-sent events: ``snapshot`` at every change, ``heartbeat`` when nothing changes.

        Between two snapshots a glance comes as ``moving``: what it replaces in the last snapshot.

        The id of a snapshot is ``session_id:version``; sent back as Last-Event-ID it keeps a
        snapshot that is known from being sent again.
        """
        if runner.feed.full:
            raise TooManyPages(runner.feed.most)
        _keep_line_short(request)
        return StreamingResponse(
            messages(request.headers.get("last-event-id", ""), reader),
            media_type="text/event-stream",
        )


def _add_pictures(app: FastAPI, runner: SessionRunner) -> None:
    pictures = _Pictures()

    def frame(picture: PictureFormat, stars: bool, px: int) -> Response:
        session = runner.session
        last = session.last_frame if session is not None else None
        if session is None or last is None:
            raise NothingToShow("frame")
        number, image, found = last
        data = pictures.get(
            ("frame", session.session_id, number, picture, stars, px),
            lambda: frame_picture(image, found if stars else None, picture, px),
        )
        return Response(data, media_type=f"image/{picture}", headers={"X-Frame": str(number)})

    @app.get(
        "/api/session/frame.png",
        tags=["pictures"],
        response_class=Response,
        responses=NOTHING_YET,
    )
    def frame_png(stars: bool = False, px: LongerSide = MOST_PX) -> Response:
        """The last frame, small and stretched; with ``stars=1`` its stars are ringed."""
        return frame("png", stars, px)

    @app.get(
        "/api/session/frame.jpg",
        tags=["pictures"],
        response_class=Response,
        responses=NOTHING_YET,
    )
    def frame_jpg(stars: bool = False, px: LongerSide = MOST_PX) -> Response:
        """The last frame, small and stretched; with ``stars=1`` its stars are ringed."""
        return frame("jpeg", stars, px)

    @app.get(
        "/api/session/chart.svg",
        tags=["pictures"],
        response_class=Response,
        responses=NOTHING_YET,
    )
    def chart(reader: Reader, theme: Literal["day", "night"] = "day") -> Response:
        """The sky and the sweep on it: north up, east to the left."""
        session = runner.session
        plan = session.last_plan if session is not None else None
        if session is None or plan is None:
            raise NothingToShow("chart")
        request, sweep = plan

        def draw() -> bytes:
            # Late: drawing takes seconds to load and no one may ever ask.
            from polewright.calculation.planning.chart import sky_chart

            with language.speaking(reader):
                return sky_chart(
                    replace(request, destination_side=None), [sweep], night=theme == "night"
                )

        data = pictures.get(("chart", session.session_id, request.utc_s, theme, reader), draw)
        return Response(
            data, media_type="image/svg+xml", headers={"Content-Security-Policy": SVG_POLICY}
        )


def _add_past(app: FastAPI, runner: SessionRunner) -> None:
    @app.get(
        "/api/session/report.html",
        tags=["past"],
        response_class=HTMLResponse,
        responses=NOTHING_YET,
    )
    def report(request: Request, reader: Reader) -> Response:
        """The report of the session that ended last, as `polewright report` writes it."""
        session = runner.session
        record = session.record if session is not None else None
        if record is None or not record.sweeps:
            raise NothingToShow("report")
        html = report_page(record, Look.of(request.headers), reader)
        return HTMLResponse(html, headers={"Content-Security-Policy": REPORT_POLICY})

    @app.get("/api/history.html", tags=["past"], response_class=HTMLResponse)
    def history(request: Request, reader: Reader) -> Response:
        """The newest runs of the history, as `polewright history list` shows them."""
        look = Look.of(request.headers, sun_up=runner.sun_up())
        return _page(look, history_page(runner.history_url, look, reader))


def _add_metrics(app: FastAPI, runner: SessionRunner, metrics: Metrics) -> None:
    @app.get(
        "/metrics",
        tags=["service"],
        response_class=PlainTextResponse,
        responses=NOTHING_YET,
    )
    def collected() -> Response:
        """Prometheus' text format; a collector sends the token as its bearer token."""
        return Response(metrics.text(runner), headers={"Content-Type": CONTENT_TYPE})


def _add_page(app: FastAPI, runner: SessionRunner) -> None:
    folder = files("polewright.interfaces.web.page")
    loaded = {
        path: ((folder / name).read_bytes(), kind) for path, (name, kind) in PAGE_FILES.items()
    }

    def served(path: str) -> Any:
        data, kind = loaded[path]

        def page_file() -> Response:
            return Response(data, media_type=kind, headers={"Cache-Control": "no-cache"})

        return page_file

    page = (folder / "index.html").read_text(encoding="utf-8")

    @app.get("/", include_in_schema=False)
    def index(request: Request) -> HTMLResponse:
        look = Look.of(request.headers, sun_up=runner.sun_up())
        return _page(look, page.replace("{root}", look.root).replace("{head}", look.head))

    @app.get("/language.json", include_in_schema=False)
    def page_language(reader: Reader) -> JSONResponse:
        english = {"language": language.ENGLISH, "messages": {}, "plural": []}
        known = reader != language.ENGLISH
        return JSONResponse(
            language.catalogue(reader).for_page() if known else english,
            headers={"Cache-Control": "no-cache", "Vary": "Accept-Language"},
        )

    for path in loaded:
        app.get(f"/{path}", include_in_schema=False)(served(path))


def _page(look: Look, html: str, status: int = 200) -> HTMLResponse:
    return HTMLResponse(html, status, headers={"Cache-Control": "no-cache", **look.headers})


def _add_handbook(app: FastAPI, runner: SessionRunner) -> None:
    @app.get("/handbook", include_in_schema=False)
    def pages(request: Request) -> HTMLResponse:
        look = Look.of(request.headers, sun_up=runner.sun_up())
        return _page(look, index_html(look))

    @app.get("/handbook/{name}", include_in_schema=False)
    def page(name: str, request: Request) -> HTMLResponse:
        look = Look.of(request.headers, sun_up=runner.sun_up())
        try:
            return _page(look, page_html(name, look))
        except NoSuchPage:
            return _page(look, index_html(look), 404)
