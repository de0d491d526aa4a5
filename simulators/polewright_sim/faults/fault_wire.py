"""Faults of the wire: what becomes of an answer."""

from __future__ import annotations

import json
import struct
from dataclasses import replace
from typing import Any

from polewright_sim.faults.fault_case import Case, Effect, Proceed
from polewright_wire import Call, Reply
from polewright_wire.device import WITHOUT_CONNECTION
from polewright_wire.image_payload import HEADER_SIZE, IMAGE_BYTES

_DIMENSIONS_AT, _TRANSMITTED_TYPE_AT, _CLIENT_ID_AT = 32, 24, 8
_INT32_PIXELS = 2
_PAGE = b"<!DOCTYPE html><html><body><h1>Service unavailable</h1></body></html>"

#: Members that came with an interface version, from memory.
_CAME_WITH: dict[tuple[str, int], str] = {
    ("telescope", 2): "athome atpark axisrates canmoveaxis cansetguiderates cansetpierside "
    "cansetdeclinationrate cansetrightascensionrate canslewaltaz canslewaltazasync cansyncaltaz "
    "destinationsideofpier doesrefraction equatorialsystem guideratedeclination "
    "guideraterightascension ispulseguiding moveaxis sideofpier slewtoaltaz slewtoaltazasync "
    "synctoaltaz trackingrate trackingrates",
    ("camera", 2): "bayeroffsetx bayeroffsety canfastreadout exposuremax exposuremin "
    "exposureresolution fastreadout gain gainmax gainmin gains percentcompleted readoutmode "
    "readoutmodes sensorname sensortype",
    ("camera", 3): "offset offsetmax offsetmin offsets subexposureduration",
}
_CAME_WITH_THE_NEWEST = {"connect", "connecting", "disconnect", "devicestate"}
_OLDEST_WITH_ACTIONS = {"action", "commandblind", "commandbool", "commandstring"}


def envelope(call: Call, **values: object) -> Reply:
    """Return a proper JSON answer of our own."""
    return Reply.json(
        {
            "ClientTransactionID": call.client_transaction,
            "ServerTransactionID": call.server_transaction,
            "ErrorNumber": 0,
            "ErrorMessage": "",
            **values,
        }
    )


def _document(reply: Reply) -> dict[str, Any] | None:
    if not reply.media_type.startswith("application/json"):
        return None
    found = json.loads(b"".join(bytes(piece) for piece in reply.body))
    return found if isinstance(found, dict) else None


def _rewritten(reply: Reply, document: dict[str, Any]) -> Reply:
    """Return a reply with another document; dropped or cut it stays, if another fault did that."""
    return replace(reply, body=Reply.json(document).body)


def with_value(call: Call, reply: Reply, names: dict[str, object]) -> Reply:
    """Replace the Value, or the named entries of a devicestate; names are lower case."""
    document = _document(reply)
    if document is None or document.get("ErrorNumber") or "Value" not in document:
        return reply
    if call.member == "devicestate":
        for entry in document["Value"]:
            if entry["Name"].lower() in names:
                entry["Value"] = names[entry["Name"].lower()]
    elif call.member in names:
        document["Value"] = names[call.member]
    return _rewritten(reply, document)


def _carried_out(case: Case, proceed: Proceed) -> None:
    if case.fault.setting("carried_out"):
        proceed()


def _latency(case: Case, _call: Call, proceed: Proceed) -> Reply:
    case.removed.wait(case.fault.number("seconds"))
    return proceed()


def _hang(case: Case, call: Call, proceed: Proceed) -> Reply:
    _carried_out(case, proceed)
    case.removed.wait(case.fault.number("seconds"))
    return replace(envelope(call), dropped=True)


def _dropped(case: Case, call: Call, proceed: Proceed) -> Reply:
    _carried_out(case, proceed)
    return replace(envelope(call), dropped=True)


def _half_sent(case: Case, _call: Call, proceed: Proceed) -> Reply:
    reply = proceed()
    return replace(reply, cut_after=int(reply.length * case.fault.number("share")))


def _http_500(case: Case, _call: Call, proceed: Proceed) -> Reply:
    _carried_out(case, proceed)
    return Reply(500, "text/html", [_PAGE])


def _error_number(case: Case, call: Call, proceed: Proceed) -> Reply:
    _carried_out(case, proceed)
    fault = case.fault
    return envelope(
        call, ErrorNumber=int(fault.number("number")), ErrorMessage=str(fault.setting("message"))
    )


def _wrong_transaction(_case: Case, call: Call, proceed: Proceed) -> Reply:
    reply = proceed()
    wrong = (call.client_transaction + 1017) % 2**32
    if reply.media_type == IMAGE_BYTES:
        return _with_header(reply, _CLIENT_ID_AT, struct.pack("<I", wrong))
    document = _document(reply)
    return (
        reply if document is None else _rewritten(reply, {**document, "ClientTransactionID": wrong})
    )


def _not_json(_case: Case, _call: Call, proceed: Proceed) -> Reply:
    proceed()
    return Reply(200, "text/html", [_PAGE])


def _bad_value(case: Case, call: Call, proceed: Proceed) -> Reply:
    reply = proceed()
    document = _document(reply)
    value = case.fault.setting("value")
    return envelope(call) if document is None else _rewritten(reply, {**document, "Value": value})


# Images: only the form in bytes is spoilt; nobody who can have it asks for JSON.


def _with_header(reply: Reply, place: int, change: bytes) -> Reply:
    header = bytearray(reply.body[0])
    header[place : place + len(change)] = change
    return replace(reply, body=[bytes(header), *reply.body[1:]])


def _image_truncated(case: Case, _call: Call, proceed: Proceed) -> Reply:
    reply = proceed()
    if reply.media_type != IMAGE_BYTES:
        return reply
    whole = b"".join(bytes(piece) for piece in reply.body)
    kept = int((len(whole) - HEADER_SIZE) * case.fault.number("share"))
    return replace(reply, body=[whole[: HEADER_SIZE + kept]])


def _image_mislabelled(case: Case, _call: Call, proceed: Proceed) -> Reply:
    reply = proceed()
    if reply.media_type != IMAGE_BYTES:
        return reply
    if case.fault.setting("how") == "type":
        return _with_header(reply, _TRANSMITTED_TYPE_AT, struct.pack("<i", _INT32_PIXELS))
    width, height = struct.unpack_from("<ii", bytes(reply.body[0]), _DIMENSIONS_AT)
    return _with_header(reply, _DIMENSIONS_AT, struct.pack("<ii", height, width))


def _image_empty(_case: Case, _call: Call, proceed: Proceed) -> Reply:
    reply = proceed()
    if reply.media_type != IMAGE_BYTES:
        return reply
    return replace(reply, body=[reply.body[0], bytes(reply.length - len(reply.body[0]))])


def _image_old(case: Case, call: Call, proceed: Proceed) -> Reply:
    """Put the pixels of the first image of each size into the answer about a later one."""
    reply, start = proceed(), case.fault.setting("start")
    if call.member == "lastexposurestarttime":
        if start == "missing":
            return envelope(call, ErrorNumber=0x400, ErrorMessage="no LastExposureStartTime")
        document = _document(reply)
        if start != "old" or document is None or document.get("ErrorNumber"):
            return reply
        first = case.memory.setdefault(call.member, document.get("Value"))
        return _rewritten(reply, {**document, "Value": first})
    if reply.media_type != IMAGE_BYTES:
        return reply
    head, *pixels = (bytes(piece) for piece in reply.body)
    width, height = struct.unpack_from("<ii", head, _DIMENSIONS_AT)
    sensor, size = case.rig.spec.sensor, f"{width} x {height}"
    whole = any((width, height) == (sensor.width // b, sensor.height // b) for b in range(1, 9))
    if whole and case.fault.setting("only") == "subframes":
        return reply
    first, seen = case.memory.get(size, (pixels, 0))
    case.memory[size] = first, seen + 1
    old = seen % max(1, int(case.fault.number("every"))) == 0
    return replace(reply, body=[head, *(first if old else pixels)])


# Drivers that lie or lack


def _reading(**names: object) -> Effect:
    return Effect(wire=lambda _case, call, proceed: with_value(call, proceed(), names))


def _camera_stuck(case: Case, call: Call, proceed: Proceed) -> Reply:
    return with_value(call, proceed(), {"camerastate": int(case.fault.number("state"))})


def _connected_lies(_case: Case, call: Call, proceed: Proceed) -> Reply:
    if call.member == "connected" and call.method == "GET":
        return envelope(call, Value=True)
    if not call.device_type or call.member in WITHOUT_CONNECTION - {"devicestate"}:
        return proceed()
    return envelope(call, ErrorNumber=0x407, ErrorMessage="not connected")


def _connect_ignored(_case: Case, call: Call, proceed: Proceed) -> Reply:
    return envelope(call) if call.method == "PUT" else proceed()


def _old_interface(case: Case, call: Call, proceed: Proceed) -> Reply:
    version = int(case.fault.number("version"))
    if call.member == "interfaceversion":
        return with_value(call, proceed(), {"interfaceversion": version})
    unknown = set(_CAME_WITH_THE_NEWEST)
    if version < 2 and call.device_type == "camera":
        unknown |= _OLDEST_WITH_ACTIONS
    for (device_type, came_with), members in _CAME_WITH.items():
        if device_type == call.device_type and version < came_with:
            unknown |= set(members.split())
    if call.device_type and call.member in unknown:
        return Reply.text(400, f"{call.member} is not a member of this device")
    return proceed()


def _members_missing(case: Case, call: Call, _proceed: Proceed) -> Reply:
    if case.fault.setting("how") == "400":
        return Reply.text(400, f"unknown member {call.member}")
    return envelope(call, ErrorNumber=0x400, ErrorMessage=f"{call.member} is not implemented")


WIRE_EFFECTS: dict[str, Effect] = {
    "latency": Effect(wire=_latency),
    "hang": Effect(wire=_hang),
    "dropped": Effect(wire=_dropped),
    "half_sent": Effect(wire=_half_sent),
    "http_500": Effect(wire=_http_500),
    "error_number": Effect(wire=_error_number),
    "wrong_transaction": Effect(wire=_wrong_transaction),
    "not_json": Effect(wire=_not_json),
    "bad_value": Effect(wire=_bad_value),
    "image_truncated": Effect(wire=_image_truncated),
    "image_mislabelled": Effect(wire=_image_mislabelled),
    "image_empty": Effect(wire=_image_empty),
    "image_late": _reading(imageready=False),
    "image_old": Effect(wire=_image_old),
    "slewing_stuck_true": _reading(slewing=True),
    "slewing_false_early": _reading(slewing=False),
    "connected_lies": Effect(wire=_connected_lies),
    "connect_ignored": Effect(wire=_connect_ignored),
    "old_interface": Effect(wire=_old_interface),
    "members_missing": Effect(wire=_members_missing),
    "camera_stuck": Effect(wire=_camera_stuck),
}
