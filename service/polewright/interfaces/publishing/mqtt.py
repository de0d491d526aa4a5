"""Tells an observatory's message broker how a session ended, as one retained JSON message.

Whoever subscribes later gets it at once. Every session's begin and end replace it, so that an
alignment that was verified once does not stay on the broker after a session that moved the axis
and failed, or was killed.
Needs the package paho-mqtt (extra ``mqtt``). The password comes from the environment only.
"""

from __future__ import annotations

import importlib
import json
import os
import threading
from typing import Any

from polewright.foundation.broker import Broker
from polewright.foundation.config import PublishSection
from polewright.foundation.errors import ConfigError, ExitCode
from polewright.foundation.language import say
from polewright.records.passive_result import PassiveResult
from polewright.records.result import AxisResult, MeasurementResult

PASSWORD_VARIABLE = "POLEWRIGHT_MQTT_PASSWORD"  # noqa: S105 - the variable's name
TIMEOUT_S = 10.0


class MqttMissing(ConfigError):
    """A broker is named and the package that talks to it is not installed."""

    code = "mqtt_missing"
    advice = say("pip install paho-mqtt (the extra `mqtt`), or take mqtt out of [publish].")

    def __str__(self) -> str:
        return say("[publish] mqtt is set and the package paho-mqtt is not installed")


def check_mqtt(section: PublishSection) -> None:
    """See at the start of a run that its end can be told. Raises `MqttMissing`."""
    if section.broker is not None:
        _client_module()


def end_document(
    session_id: str, code: ExitCode, result: MeasurementResult | None, utc_s: float
) -> dict[str, Any]:
    """Return what is told of a session's end.

    Args:
        session_id: which one; empty for a run that is not a session.
        code: how it ended.
        result: what its last finished sweep came to, if there was one.
        utc_s: now.

    The site is left out: a broker may be shared. ``verified`` is true only when the run ended
    well and its last sweep found the axis within tolerance and its points in agreement.
    """
    verified = (
        code is ExitCode.OK
        and result is not None
        and result.within_tolerance
        and result.axis.trusted
    )
    document: dict[str, Any] = {
        "schema_version": "1",
        "session_id": session_id,
        "ended_utc_s": round(utc_s, 3),
        "exit_code": int(code),
        "outcome": code.name.lower(),
        "verified": verified,
        "last_sweep": None,
    }
    if result is not None:
        document["last_sweep"] = {
            "finished_utc": result.finished_utc,
            **_axis_figures(result, result.axis),
        }
    return document


def begin_document(session_id: str, utc_s: float) -> dict[str, Any]:
    """Return what is told while a session is under way: the members of `end_document`."""
    return {
        "schema_version": "1",
        "session_id": session_id,
        "began_utc_s": round(utc_s, 3),
        "ended_utc_s": None,
        "exit_code": None,
        "outcome": "under_way",
        "verified": False,
        "last_sweep": None,
    }


def _axis_figures(result: MeasurementResult | PassiveResult, axis: AxisResult) -> dict[str, Any]:
    """Return what is published of an axis, whatever it was found by."""
    return {
        "pole": axis.pole,
        "total_arcmin": axis.total_arcmin,
        "sigma_total_arcmin": axis.sigma_total_arcmin,
        "total_upper95_arcmin": axis.total_upper95_arcmin,
        "d_alt_arcmin": axis.d_alt_arcmin,
        "d_az_sky_arcmin": axis.d_az_sky_arcmin,
        "tolerance_arcmin": result.tolerance_arcmin,
        "within_tolerance": result.within_tolerance,
    }


def passive_document(section: PublishSection, result: PassiveResult) -> dict[str, Any]:
    """Return what is told of a night's frames, without the site.

    ``verified`` is true only where [publish] passive_counts says that frames verify the axis.
    """
    return {
        "schema_version": "1",
        "night": result.night,
        "verdict": result.verdict,
        "sentence": str(result.sentence),
        "verified": section.passive_counts and result.within_tolerance,
        "finished_utc": result.finished_utc,
        "frames": result.frames,
        "hours": result.hours,
        "axis": None if result.axis is None else _axis_figures(result, result.axis),
    }


def publish_passive(section: PublishSection, result: PassiveResult) -> str | None:
    """Publish a night's word under the topic and /passive; as `publish_end`."""
    return _publish(section, passive_document(section, result), "/passive")


class Telling:
    """Tells of one session: that it began, behind its back, and how it ended."""

    def __init__(self, section: PublishSection, session_id: str, utc_s: float) -> None:
        """Begin to tell; waits for nothing. What goes wrong is told at the end."""
        self._section = section
        begun = begin_document(session_id, utc_s)
        self._begin = threading.Thread(
            target=publish_end, args=(section, begun), name="broker", daemon=True
        )
        if section.broker is not None:
            self._begin.start()

    def ended(self, document: dict[str, Any]) -> str | None:
        """Tell the end, after the begin; as `publish_end`."""
        if self._section.broker is None:
            return None
        self._begin.join()
        return publish_end(self._section, document)


_ORDER = threading.Lock()
"""One message after the other: one session's end comes before the next one's begin."""


def publish_end(section: PublishSection, document: dict[str, Any]) -> str | None:
    """Publish; return a sentence when that failed, None when done or no broker is named.

    Blocks for 10 s at most; never raises an Exception and never tells the password.
    """
    return _publish(section, document, "")


def _publish(section: PublishSection, document: dict[str, Any], below: str) -> str | None:
    broker = section.broker
    if broker is None:
        return None
    try:
        with _ORDER:
            trouble = _send(broker, broker.topic + below, json.dumps(document, allow_nan=False))
    except (ConfigError, OSError, ValueError) as error:
        trouble = str(error)
    if trouble is None:
        return None
    where = f"{broker.host}:{broker.port}"
    return say(
        "the result was not published to the broker {where}: {trouble}",
        where=where,
        trouble=trouble,
    )


def _client_module() -> Any:
    try:
        return importlib.import_module("paho.mqtt.client")
    except ImportError as exc:
        raise MqttMissing from exc


def _send(broker: Broker, topic: str, payload: str) -> str | None:
    mqtt = _client_module()
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    if broker.username is not None:
        client.username_pw_set(broker.username, os.environ.get(PASSWORD_VARIABLE))
    if broker.tls:
        client.tls_set()
    answered = threading.Event()
    refused: list[str] = []

    def on_connect(_client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            refused.append(str(reason))
        answered.set()

    client.on_connect = on_connect
    client.connect_timeout = TIMEOUT_S
    client.connect(broker.host, broker.port, keepalive=30)
    client.loop_start()
    try:
        if not answered.wait(TIMEOUT_S):
            return say("it took the connection and did not answer")
        if refused:
            return say("it refused: {refused}", refused=refused[0])
        told = client.publish(topic, payload, qos=1, retain=True)
        try:
            told.wait_for_publish(TIMEOUT_S)
        except RuntimeError as error:
            return str(error)
        return None if told.is_published() else say("it did not confirm the message")
    finally:
        client.disconnect()
        client.loop_stop()
