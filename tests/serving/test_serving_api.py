"""The API in front of a real session on the small rig, over real HTTP on loopback."""

from __future__ import annotations

import io
import json
import shutil
import threading
import time
from typing import Any

import pytest
import requests
from PIL import Image
from serving.made_up import made_up_service, states

from polewright.observing.runs.connect import connect_rig
from polewright.session.journal import SITE_ACCEPTED, read_journal
from polewright.session.states import Step

pytestmark = pytest.mark.e2e


def wait_for(condition, limit_s: float = 300.0) -> Any:
    """Return the first true value of a condition."""
    deadline = time.monotonic() + limit_s
    while True:
        value = condition()
        if value:
            return value
        assert time.monotonic() < deadline, condition
        time.sleep(0.05)


def step_is(served, step: Step, limit_s: float = 300.0) -> dict[str, Any]:
    def there() -> dict[str, Any] | None:
        now = served.get("/api/session").json()
        if now["step"] == step.value:
            return now
        assert now["step"] != Step.FAILED.value, now["failure"]
        return None

    return wait_for(there, limit_s)


def test_an_idle_service_tells_so_in_the_same_document(start_night, start_service) -> None:
    """Snapshot, health and journals answer before any session; commands are refused."""
    served = start_service(start_night(real_rate=6.0))

    now = served.get("/api/session").json()
    assert now["step"] == "idle"
    assert now["version"] == 0
    assert served.get("/api/health").json()["running"] is False
    assert served.get("/api/sessions").json() == []
    for command in ("sweep", "pause", "resume", "snugged", "stop"):
        refused = served.post(f"/api/session/{command}")
        assert refused.status_code == 409
        assert refused.json()["code"] == "no_session"
    for picture, what in (("frame.png", "frame"), ("frame.jpg", "frame"), ("chart.svg", "chart")):
        missing = served.get(f"/api/session/{picture}")
        assert missing.status_code == 404
        assert what in missing.json()["message"]


def test_the_api_describes_itself(start_night, start_service) -> None:
    """Every path of the API is in its OpenAPI document, which names the snapshot's fields."""
    served = start_service(start_night(real_rate=6.0))

    document = served.get("/api/openapi.json").json()

    paths = document["paths"]
    for path in (
        "/api/session",
        "/api/session/sweep",
        "/api/session/turns",
        "/api/stop",
        "/api/session/events",
        "/api/session/frame.png",
        "/api/session/chart.svg",
        "/api/health",
        "/api/sessions",
    ):
        assert path in paths
    assert "tolerance_arcmin" in document["components"]["schemas"]["SessionSnapshot"]["properties"]
    assert "post" in paths["/api/session"]
    assert "get" in paths["/api/session"]


@pytest.mark.parametrize(
    ("document", "code", "word"),
    [
        ({"config": {"pole.tolerance_arcmin": -1}}, "bad_config", "tolerance_arcmin"),
        ({"config": {"pole.tolerance": 1}}, "bad_config", "tolerance"),
        ({"config": {"solver.name": "command"}}, "setting_not_allowed", "solver.name"),
        ({"config": {"solver": {"name": "command"}}}, "setting_not_allowed", "solver"),
        ({"config": {"run.journal_folder": "/x"}}, "setting_not_allowed", "run.journal_folder"),
        ({"config": {"limits.sun_avoid_deg": 1}}, "setting_not_allowed", "limits"),
        ({"config": {"horizon.file": "/etc/passwd"}}, "setting_not_allowed", "horizon.file"),
        ({"config": {"camera.host": "10.0.0.1"}}, "setting_not_allowed", "camera.host"),
        ({"config": {"camera": {"host": "10.0.0.1"}}}, "setting_not_allowed", "camera"),
        ({"config": {"site.latitude_deg": 1.0}}, "setting_not_allowed", "site.latitude_deg"),
        ({"config": {"site": {"latitude_deg": 1.0}}}, "setting_not_allowed", "site"),
        ({"config": {"accept_site": True}}, "setting_not_allowed", "accept_site"),
        ({"unknown": 1}, "bad_request", "unknown"),
        ({"resume": True}, "cannot_take_up", "journal"),
    ],
)
def test_a_start_with_unusable_settings_is_refused_and_nothing_runs(
    start_night, start_service, document, code, word
) -> None:
    """The answer names the key; what only the computer's owner may set stays as it is."""
    served = start_service(start_night(real_rate=6.0))

    answer = served.post("/api/session", document)

    assert answer.status_code in (409, 422)
    assert answer.json()["code"] == code
    assert word in answer.json()["message"]
    assert answer.json()["advice"]
    assert not served.runner.running


def test_a_contradicting_mount_is_refused_until_that_is_accepted_for_one_session(
    start_night, start_service, tmp_path
) -> None:
    """Nothing moves; acceptance is asked once, holds for that session alone, and is recorded."""
    night = start_night({"mount": {"clock_offset_s": 3600.0}}, real_rate=12.0)
    served = start_service(night)

    def ended() -> str:
        wait_for(lambda: not served.runner.running)
        return (served.get("/api/session").json()["failure"] or {}).get("code", "")

    served.post("/api/session", {})
    assert ended() == "mount_contradicts"
    assert night.truth["mount"]["at_park"]

    served.post("/api/session", {"accept_site": True})
    step_is(served, Step.SWEEPING)
    served.post("/api/session/stop")
    assert ended() == "cancelled"
    records = [read_journal(path) for path in sorted(tmp_path.glob("*.jsonl*"))]
    accepted = [[one.data["what"] for one in each if one.kind == SITE_ACCEPTED] for each in records]
    assert [len(each) for each in accepted] == [0, 1]
    assert "daylight saving" in accepted[1][0]

    served.post("/api/session", {})
    assert ended() == "mount_contradicts"


def test_a_session_is_started_steered_and_stopped_through_the_api(
    start_night, start_service
) -> None:
    """Start, refuse a second, follow, show pictures, pause, resume, tell turns, stop."""
    night = start_night(real_rate=20.0)
    served = start_service(night)

    started = served.post("/api/session", {"config": {"pole.tolerance_arcmin": 0.5}, "by": "a"})
    second = served.post("/api/session", {"by": "b"})
    early = served.post("/api/session/pause")

    assert started.status_code == 201
    assert started.json()["tolerance_arcmin"] == 0.5
    assert second.status_code == 409
    assert second.json()["code"] == "session_busy"
    assert "a (127.0.0.1)" in second.json()["message"]
    assert "UTC" in second.json()["message"]
    assert early.status_code == 409
    assert early.json()["code"] == "not_now"

    step_is(served, Step.ADJUSTING)

    def advised():
        now = served.get("/api/session").json()
        return now if now["advice"] and now["advice"]["heading"] else None

    now = wait_for(advised)
    assert now["southern"] is False
    assert now["advice"]["heading"] in ("raise", "lower", "east", "west")

    plain = served.get("/api/session/frame.png")
    ringed = served.get("/api/session/frame.jpg", params={"stars": 1})
    chart = served.get("/api/session/chart.svg", params={"theme": "night"})
    assert plain.headers["content-type"] == "image/png"
    with Image.open(io.BytesIO(plain.content)) as image:
        assert image.size == (800, 600)  # half of 1600 x 1200
    with Image.open(io.BytesIO(ringed.content)) as image:
        assert image.format == "JPEG"
        red, _green, blue = image.convert("RGB").split()
        # Rings are the only colour in a grey picture.
        assert max(r - b for r, b in zip(red.tobytes(), blue.tobytes(), strict=True)) > 60
    assert b"<svg" in chart.content[:600]
    assert served.get("/api/session/chart.svg?theme=dusk").status_code == 422

    assert served.post("/api/session/turns", {"axis": "up", "turns": 1}).status_code == 422
    assert served.post("/api/session/turns", {"axis": "azimuth", "turns": 1e9}).status_code == 422
    assert served.post("/api/session/turns", {"axis": "azimuth", "turns": 0.5}).status_code == 200
    assert served.post("/api/session/pause").status_code == 200
    wait_for(lambda: served.get("/api/session").json()["paused"])
    assert served.post("/api/session/resume").status_code == 200
    wait_for(lambda: not served.get("/api/session").json()["paused"])

    assert served.post("/api/session/stop").status_code == 200
    assert step_is(served, Step.STOPPED)["motion"] == "still"
    wait_for(lambda: not served.runner.running)
    assert not night.truth["mount"]["moving"]
    assert not night.truth["mount"]["tracking"]
    journals = served.get("/api/sessions").json()
    assert [item["last_step"] for item in journals] == ["stopped"]
    assert journals[0]["outcome"] == 130
    assert not journals[0]["interrupted"]


def test_the_hard_stop_ends_a_slew_and_says_that_the_mount_stands(
    start_night, start_service
) -> None:
    """Pressed in the middle of a slew: the mount stands still when the answer comes."""
    night = start_night(real_rate=4.0)
    served = start_service(night)
    served.post("/api/session", {})
    wait_for(lambda: night.truth["mount"]["slewing"])

    answer = served.post("/api/stop").json()

    assert answer["motion"] == "stopped"
    assert not night.truth["mount"]["moving"]
    assert not night.truth["mount"]["tracking"]
    assert wait_for(lambda: not served.runner.running)
    assert served.get("/api/session").json()["step"] == "stopped"


def test_the_hard_stop_needs_no_help_from_the_sessions_thread(start_night, start_service) -> None:
    """A session that hangs with the mount slewing: the stop goes past it, and says it hangs."""
    night = start_night(real_rate=4.0)
    release = threading.Event()

    def connect(*arguments):
        rig = connect_rig(*arguments)
        slew = rig.telescope.slew_to_coordinates_async

        def slew_and_hang(*target):
            slew(*target)
            release.wait(60.0)

        rig.telescope.slew_to_coordinates_async = slew_and_hang  # type: ignore[method-assign]
        return rig

    served = start_service(night, connect=connect)
    try:
        served.post("/api/session", {})
        wait_for(lambda: night.truth["mount"]["slewing"])

        answer = served.post("/api/stop").json()

        assert answer["motion"] == "stopped"
        assert answer["session_ended"] is False
        assert not night.truth["mount"]["moving"]
    finally:
        release.set()
    wait_for(lambda: not served.runner.running)


def test_the_hard_stop_works_without_any_session(start_night, start_service) -> None:
    """A mount that another program left slewing is stopped from the idle page."""
    night = start_night(real_rate=4.0)
    served = start_service(night)
    rig = night.connect()
    rig.telescope.unpark()
    rig.telescope.set_tracking(True)
    rig.telescope.slew_to_coordinates_async(
        (rig.telescope.right_ascension_hours() + 3.0) % 24.0, 30.0
    )
    assert night.truth["mount"]["slewing"]

    answer = served.post("/api/stop").json()

    assert answer["motion"] == "stopped"
    assert answer["session_ended"] is True
    assert not night.truth["mount"]["moving"]


def test_the_hard_stop_says_unknown_when_the_mount_does_not_answer(
    start_night, start_service
) -> None:
    """Nothing is claimed of a mount that cannot be reached; the advice is to go and look."""
    night = start_night(real_rate=6.0)
    served = start_service(night)
    night.running.stop()

    answer = served.post("/api/stop").json()

    assert answer["motion"] == "unknown"
    assert "look at the mount" in answer["advice"]


def _messages(response) -> Any:
    """Yield (event, id, data) of a stream of server-sent events."""
    event, ident, data = "message", "", ""
    for line in response.iter_lines(chunk_size=1, decode_unicode=True):
        if not line:
            if data:
                yield event, ident, json.loads(data)
            event, data = "message", ""
            continue
        name, _, value = line.partition(": ")
        if name == "event":
            event = value
        elif name == "id":
            ident = value
        elif name == "data":
            data += value


def test_events_bring_every_state_and_beat_when_nothing_changes(start_night, start_service) -> None:
    """The first message is the present; then each change; known states are not sent again."""
    night = start_night(real_rate=20.0)
    served = start_service(night)
    with served.get("/api/session/events", stream=True) as response:
        assert response.headers["content-type"].startswith("text/event-stream")
        stream = _messages(response)
        kind, _, now = next(stream)
        assert (kind, now["step"]) == ("snapshot", "idle")
        kind, _, beat = next(stream)
        assert kind == "heartbeat"
        assert beat["running"] is False
        assert abs(beat["utc_s"] - night.clock.utc_s()) < 20.0 * 5.0

        served.post("/api/session", {})
        steps, versions = [], []
        for kind, last_id, now in stream:
            if kind != "snapshot":
                continue
            versions.append(now["version"])
            assert last_id == f"{now['session_id']}:{now['version']}"
            if now["step"] not in steps:
                steps.append(now["step"])
            if now["step"] == "sweeping" and now["progress"]:
                break
        assert steps[-2:] == ["planning", "sweeping"]
        assert versions == sorted(versions)
    served.post("/api/stop")
    wait_for(lambda: not served.runner.running)
    now = served.get("/api/session").json()
    last = f"{now['session_id']}:{now['version']}"

    headers = {"Last-Event-ID": last}
    with served.get("/api/session/events", stream=True, headers=headers) as response:
        kind, _, _ = next(_messages(response))
    assert kind == "heartbeat"
    wait_for(lambda: served.runner.feed.listeners == 0, 10.0)


def test_a_session_that_is_taken_up_again_is_told_in_full() -> None:
    """Its id is the same and its versions begin anew: a page that had seen more of them before
    would take a glance of it, and nothing else."""
    with made_up_service("en") as (runner, url):
        runner.put(states()["turn-east"])
        runner.now = runner.now.model_copy(update={"version": 900})
        with requests.get(f"{url}api/session/events", stream=True, timeout=30.0) as response:
            stream = _messages(response)
            assert next(stream)[2]["version"] == 900
            runner.now = runner.now.model_copy(update={"version": 0})
            again = states()["sweeping"]
            later_s = (again.began_utc_s or 0.0) + 900.0
            runner.put(again.model_copy(update={"began_utc_s": later_s}))
            kind, _, now = next(message for message in stream if message[0] != "heartbeat")
    assert (kind, now["version"], now["step"]) == ("snapshot", 1, "sweeping")


def test_an_interrupted_session_is_offered_and_taken_up(
    start_night, start_service, tmp_path
) -> None:
    """A journal without an end is marked; starting with resume goes on in the same journal."""
    night = start_night(real_rate=20.0)
    first = start_service(night)
    first.post("/api/session", {})
    step_is(first, Step.ADJUSTING)
    wait_for(lambda: first.get("/api/session").json()["advice"])
    journal = first.runner.session.journal.path
    left = tmp_path / "after the power cut"
    left.mkdir()
    shutil.copy(journal, left)  # what the disk holds at this moment
    session_id = first.runner.session.session_id
    first.post("/api/stop")

    second = start_service(night, {"run.journal_folder": str(left)})
    items = second.get("/api/sessions").json()
    assert items[0]["session_id"] == session_id
    assert items[0]["interrupted"] is True

    answer = second.post("/api/session", {"resume": True})
    assert answer.status_code == 201, answer.text
    assert answer.json()["session_id"] == session_id
    now = step_is(second, Step.ADJUSTING)
    assert now["sweeps"] == 1  # that of before: none was needed
    second.post("/api/stop")
