"""How a session's end reaches a message broker: a real one where Debian's mosquitto is there."""

from __future__ import annotations

import copy
import json
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

import pytest
import requests
from support.measured import RESULT

from polewright.foundation.broker import Broker
from polewright.foundation.clock import SystemClock
from polewright.foundation.config import BadConfig, PublishSection, config_from_text
from polewright.foundation.errors import ExitCode
from polewright.interfaces.publishing import mqtt as publishing_mqtt
from polewright.interfaces.publishing.mqtt import (
    PASSWORD_VARIABLE,
    MqttMissing,
    Telling,
    check_mqtt,
    end_document,
    publish_end,
)
from polewright.interfaces.web.app import create_app
from polewright.interfaces.web.runner import SessionRunner
from polewright.interfaces.web.server import RunningService
from polewright.records.result import MeasurementResult

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
PASSWORD = "invented for tests"
needs_broker = pytest.mark.skipif(MOSQUITTO is None, reason="no mosquitto here")


def measured(**changes: Any) -> MeasurementResult:
    document = copy.deepcopy(RESULT)
    document["axis"].update(changes.pop("axis", {}))
    return MeasurementResult.model_validate({**document, **changes})


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[int]:
    """A broker on loopback that asks for a name and a password; gives its port."""
    pytest.importorskip("paho.mqtt.client")
    passwords = tmp_path / "passwords"
    program = shutil.which("mosquitto_passwd") or "/usr/bin/mosquitto_passwd"
    subprocess.run(
        [program, "-b", "-c", str(passwords), "pier", PASSWORD],
        check=True,
        capture_output=True,
    )
    passwords.chmod(0o644)  # a broker started by root reads it as another user
    tmp_path.chmod(0o755)
    port = free_port()
    config = tmp_path / "broker.conf"
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {passwords}\n"
        f"user {_user()}\npersistence false\n"
    )
    with subprocess.Popen(
        [str(MOSQUITTO), "-c", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as process:
        try:
            deadline = time.monotonic() + 300.0
            while True:
                try:
                    socket.create_connection(("127.0.0.1", port), 1.0).close()
                    break
                except OSError:
                    assert process.poll() is None, "the broker did not start"
                    assert time.monotonic() < deadline
                    time.sleep(0.05)
            yield port
        finally:
            process.terminate()
            process.wait(10)


def _user() -> str:
    import getpass

    return getpass.getuser()


def retained(port: int, topic: str) -> tuple[dict[str, Any], bool]:
    """Subscribe late, as another program would; return the message and whether it was kept."""
    import paho.mqtt.client as mqtt

    got: list[tuple[dict[str, Any], bool]] = []
    arrived = threading.Event()
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    client.username_pw_set("pier", PASSWORD)

    def hear(_client: Any, _data: Any, message: Any) -> None:
        got.append((json.loads(message.payload), bool(message.retain)))
        arrived.set()

    client.on_message = hear
    cast("Any", client).on_connect = lambda *_: client.subscribe(topic, qos=1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert arrived.wait(10.0), "no message is kept under this topic"
    finally:
        client.disconnect()
        client.loop_stop()
    return got[0]


def section(port: int, **changes: Any) -> PublishSection:
    return PublishSection.model_validate(
        {
            "mqtt": f"mqtt://pier@127.0.0.1:{port}/dome/pier%203/axis",
            **changes,
        }
    )


@needs_broker
def test_the_result_stays_on_the_broker_for_whoever_comes_later(broker, monkeypatch) -> None:
    """And the end of the next session takes its place, whatever that came to."""
    monkeypatch.setenv(PASSWORD_VARIABLE, PASSWORD)
    good = end_document("a", ExitCode.OK, measured(), 1795210300.0)
    bad = end_document("b", ExitCode.DEVICE, measured(), 1795210400.0)

    assert publish_end(section(broker), good) is None
    document, kept = retained(broker, "dome/pier 3/axis")
    assert publish_end(section(broker), bad) is None
    after, _ = retained(broker, "dome/pier 3/axis")

    assert kept
    assert document == good
    assert document["verified"] is True
    assert document["last_sweep"]["total_arcmin"] == 0.5
    assert (after["session_id"], after["verified"]) == ("b", False)


@needs_broker
def test_a_session_under_way_replaces_an_earlier_verification(broker, monkeypatch) -> None:
    """It may be killed and never tell its end: what was verified before holds no more."""
    monkeypatch.setenv(PASSWORD_VARIABLE, PASSWORD)
    assert publish_end(section(broker), end_document("a", ExitCode.OK, measured(), 1.0)) is None

    telling = Telling(section(broker), "b", 2.0)
    deadline = time.monotonic() + 300.0
    while (now := retained(broker, "dome/pier 3/axis")[0])["session_id"] == "a":
        assert time.monotonic() < deadline
    assert telling.ended(end_document("b", ExitCode.OK, measured(), 3.0)) is None
    after, _ = retained(broker, "dome/pier 3/axis")

    assert (now["outcome"], now["verified"], now["exit_code"]) == ("under_way", False, None)
    assert (after["session_id"], after["verified"]) == ("b", True)
    assert set(end_document("b", ExitCode.OK, None, 3.0)) <= set(now)


@needs_broker
def test_a_wrong_password_is_told_without_telling_it(broker, monkeypatch) -> None:
    """The broker refuses; the sentence names it, not the secret."""
    monkeypatch.setenv(PASSWORD_VARIABLE, "wrong secret")

    told = publish_end(section(broker), end_document("a", ExitCode.OK, None, 0.0))

    assert told is not None
    assert "refused" in told
    assert f"127.0.0.1:{broker}" in told
    assert "secret" not in told


@needs_broker
def test_a_served_session_is_told_at_its_end(broker, monkeypatch, tmp_path) -> None:
    """Nothing listens where the mount should be: the broker hears that nothing is verified."""
    monkeypatch.setenv(PASSWORD_VARIABLE, PASSWORD)
    fixed = {
        "telescope.host": "127.0.0.1",
        "telescope.port": 9,
        "telescope.device_number": 0,
        "run.journal_folder": str(tmp_path),
        **{f"publish.{key}": value for key, value in section(broker).model_dump().items()},
    }
    runner = SessionRunner(
        lambda extra: config_from_text("", overrides={**fixed, **extra}), SystemClock()
    )
    with RunningService(create_app(runner), "127.0.0.1", 0, runner.feed) as service:
        started = requests.post(f"{service.url}api/session", json={}, timeout=300)
        assert started.status_code == 201, started.text
        document, _ = retained(broker, "dome/pier 3/axis")
        runner.close()

    assert document["session_id"] == started.json()["session_id"]
    assert document["verified"] is False
    assert document["exit_code"] != 0


def test_nothing_is_sent_and_nothing_needed_without_a_broker(monkeypatch) -> None:
    """The package may be missing then; with a broker named it is asked for at the start."""
    monkeypatch.setattr(publishing_mqtt.importlib, "import_module", _missing)

    check_mqtt(PublishSection())
    assert publish_end(PublishSection(), {}) is None
    with pytest.raises(MqttMissing, match="paho-mqtt"):
        check_mqtt(section(1883))


def _missing(_name: str) -> None:
    raise ImportError


def test_a_broker_that_is_not_there_is_told() -> None:
    """As a sentence: the run has ended well, whoever hears of it."""
    pytest.importorskip("paho.mqtt.client")
    port = free_port()

    told = publish_end(section(port), end_document("a", ExitCode.OK, measured(), 0.0))

    assert told is not None
    assert f"127.0.0.1:{port}" in told


@pytest.mark.parametrize(
    ("code", "result", "verified"),
    [
        (ExitCode.OK, measured(), True),
        (ExitCode.OK, None, False),
        (ExitCode.OK, measured(within_tolerance=False), False),
        (ExitCode.OK, measured(axis={"trusted": False}), False),
        (ExitCode.INTERRUPTED, measured(), False),
        (ExitCode.OUT_OF_TOLERANCE, measured(within_tolerance=False), False),
    ],
)
def test_only_a_good_end_with_a_good_sweep_is_verified(code, result, verified) -> None:
    """Everything else says that the axis must not be relied on; the site is never told."""
    document = end_document("x", code, result, 1.0)

    assert document["verified"] is verified
    assert "latitude" not in json.dumps(document)


@pytest.mark.parametrize("topic", ["a/#", "a/+/b", "a%00b", "a?b", "a" * 201])
def test_a_topic_that_cannot_be_published_to_is_refused(topic) -> None:
    """Wildcards are for those who subscribe."""
    with pytest.raises(BadConfig, match=r"publish\.mqtt .*topic"):
        config_from_text("", overrides={"publish.mqtt": f"mqtt://broker/{topic}"})


def test_an_address_has_all_that_a_broker_needs() -> None:
    assert Broker.from_url("mqtt://broker.lan") == Broker("broker.lan", 1883)
    assert Broker.from_url("mqtts://a%40b@[fd12::5]:99/x/y z") == Broker(
        "fd12::5", 99, "x/y z", "a@b", tls=True
    )


@pytest.mark.parametrize("url", ["broker", "http://broker/x", "mqtt:///x", "mqtt://u:secret@b/x"])
def test_what_is_no_address_or_has_a_password_is_refused(url: str) -> None:
    with pytest.raises(BadConfig, match=r"publish\.mqtt") as caught:
        config_from_text("", overrides={"publish.mqtt": url})
    told = "POLEWRIGHT_MQTT_PASSWORD" if "secret" in url else "mqtt://host/topic"
    assert told in str(caught.value)
