"""Faults of mount, camera, tripod and sky: what the rig does, and what spoils its frames."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from polewright.foundation.angles import ARCSEC, HOUR, TAU, fold_pi
from polewright_sim.camera.camera_device import CameraDevice
from polewright_sim.faults.fault_case import Case, Effect, Proceed
from polewright_sim.faults.fault_wire import envelope, with_value
from polewright_sim.mount.mount_model import MountModel
from polewright_sim.mount.telescope_device import TelescopeDevice
from polewright_sim.sky.disturbance import Aircraft, Disturbance, SatelliteTrail, Shutter
from polewright_sim.sky.silhouette import Silhouette
from polewright_wire import Call, Reply
from polewright_wire.errors import DeviceFault
from polewright_wire.parameters import Parameters

_FROZEN = (
    "rightascension",
    "declination",
    "altitude",
    "azimuth",
    "slewing",
    "tracking",
    "siderealtime",
    "atpark",
    "athome",
    "sideofpier",
    "ispulseguiding",
)


def _halt(mount: MountModel, now: float) -> None:
    """Stop the axes and the drive, parked or not; what was queued is lost."""
    mount.drop_queued()
    with contextlib.suppress(DeviceFault):
        mount.abort(now)
    mount.set_tracking(False, now)


# Devices that fail


def _restart_begins(case: Case) -> None:
    for kind, device in case.devices.items():
        if not case.fault.takes(kind, "GET", "connected"):
            continue
        device._connected = False
        if isinstance(device, CameraDevice):
            device.on_disconnect()
        if isinstance(device, TelescopeDevice):
            _halt(case.rig.mount, case.rig.clock.utc_s())


def _restarting(_case: Case, call: Call, _proceed: Proceed) -> Reply:
    return replace(envelope(call), dropped=True)


def _power_goes(case: Case) -> None:
    telescope = case.devices["telescope"]
    now = case.rig.clock.utc_s()
    for member in _FROZEN:
        with contextlib.suppress(DeviceFault):
            case.memory[member] = getattr(telescope, f"get_{member}")()
    _halt(case.rig.mount, now)


def _without_power(case: Case, call: Call, proceed: Proceed) -> Reply:
    if call.method == "PUT" and call.member not in ("connected", "connect", "disconnect"):
        return envelope(call)
    return with_value(call, proceed(), case.memory)


def _slew_elsewhere(case: Case, call: Call, ra: float, dec: float) -> Reply:
    """Answer a slew as if another target (rad) had been given."""
    top = 0.5 * math.pi
    pairs = [
        ("RightAscension", repr(ra / HOUR % 24.0)),
        ("Declination", repr(math.degrees(max(-top, min(top, dec))))),
    ]
    return case.answer(replace(call, parameters=Parameters(pairs, any_casing=False)))


def _target(call: Call) -> tuple[float, float] | None:
    """Right ascension and declination (rad) of a slew command; None when it is none."""
    try:
        return (
            float(call.parameters.raw("RightAscension") or "") * HOUR,
            math.radians(float(call.parameters.raw("Declination") or "")),
        )
    except ValueError:
        return None


def _stops_short(case: Case, call: Call, proceed: Proceed) -> Reply:
    target = _target(call)
    if target is None:
        return proceed()
    share = case.fault.number("share")
    ra, dec = case.rig.mount.ra_dec(case.rig.clock.utc_s())
    return _slew_elsewhere(
        case, call, ra + share * fold_pi(target[0] - ra), dec + share * (target[1] - dec)
    )


def _wrong_place(case: Case, _call: Call, proceed: Proceed) -> Reply:
    reply = proceed()
    case.rig.disturb_mount(
        slip_right_ascension_arcmin=case.fault.number("ra_arcmin"),
        slip_declination_arcmin=case.fault.number("dec_arcmin"),
    )
    return reply


# Mechanics and electronics


def _slips(axis: str) -> Effect:
    def begin(case: Case) -> None:
        case.rig.disturb_mount(**{f"slip_{axis}_arcmin": case.fault.number("arcmin")})

    return Effect(begin=begin)


def _sinks(case: Case) -> None:
    case.rig.disturb_mount(
        sink_east_arcmin=case.fault.number("east_arcmin"),
        sink_north_arcmin=case.fault.number("north_arcmin"),
    )


def _gains_play(case: Case) -> None:
    case.rig.mount.set_ra_backlash(case.fault.number("arcsec") * ARCSEC, case.rig.clock.utc_s())


def _loses_play(case: Case) -> None:
    play = case.rig.spec.mount.ra_backlash_arcsec * ARCSEC
    case.rig.mount.set_ra_backlash(play, case.rig.clock.utc_s())


def _clock(sign: float) -> Callable[[Case], None]:
    def change(case: Case) -> None:
        case.rig.mount.belief.clock_offset_s += sign * case.fault.number("hours") * 3600.0

    return change


def _mirror_longitude(case: Case) -> None:
    belief = case.rig.mount.belief
    belief.longitude_deg = -belief.longitude_deg


def _safe(value: bool) -> Callable[[Case], None]:
    def change(case: Case) -> None:
        case.rig.safe = value

    return change


def _cover_closes(case: Case) -> None:
    case.memory["before"] = case.rig.cover_open
    case.rig.cover_open = lambda: False


def _cover_opens(case: Case) -> None:
    case.rig.cover_open = case.memory["before"]


def _roof_closes(case: Case) -> None:
    roof: Any = case.devices.get("dome")
    if roof is not None:
        roof.put_closeshutter()


def _focus_moves(case: Case) -> None:
    before = case.memory["before"] = case.rig.defocus_um
    disc = case.fault.number("disc_um")
    case.rig.defocus_um = lambda: min(3000.0, math.hypot(before(), disc))


def _focus_returns(case: Case) -> None:
    case.rig.defocus_um = case.memory["before"]


def _wind_comes(case: Case) -> None:
    before = case.memory["before"] = case.rig.mount.shake
    size = case.fault.number("arcsec") * ARCSEC
    pace = TAU / case.fault.number("period_s")
    first, second = case.rng.uniform(0.0, TAU, 2)

    def shake(utc_s: float) -> tuple[float, float]:
        calm = (0.0, 0.0) if before is None else before(utc_s)
        # Two periods that do not divide each other: gusts never repeat.
        gust = 0.5 + 0.5 * math.sin(0.37 * pace * utc_s + second)
        return (
            calm[0] + size * gust * math.sin(pace * utc_s + first),
            calm[1] + 0.6 * size * gust * math.sin(1.618 * pace * utc_s + second),
        )

    case.rig.mount.shake = shake


def _wind_goes(case: Case) -> None:
    case.rig.mount.shake = case.memory["before"]


def _tree_stands(case: Case) -> None:
    _altitude, azimuth = case.rig.mount.alt_az(case.rig.clock.utc_s())
    middle, half = math.degrees(azimuth), case.fault.number("width_deg") / 2.0
    top = case.fault.number("altitude_deg")
    edge = [(middle - half - 2.0, 0.0), (middle - half, top), (middle + half, top)]
    before = case.memory["before"] = case.rig.sky
    tree = Silhouette.from_pairs([*edge, (middle + half + 2.0, 0.0)])
    case.rig.sky = replace(before, horizon=tree)


def _tree_falls(case: Case) -> None:
    case.rig.sky = case.memory["before"]


# The sky


def _ramp(case: Case, utc_s: float) -> float:
    began_s = case.began_s if case.began_s is not None else utc_s
    return max(0.0, min(1.0, (utc_s - began_s) / max(case.fault.number("ramp_s"), 1e-6)))


def _cloud(case: Case, spoil: Disturbance, _utc_s: float) -> Disturbance:
    share = case.fault.number("transmission")
    return replace(spoil, transmission=spoil.transmission * share)


def _clouds_come(case: Case, spoil: Disturbance, utc_s: float) -> Disturbance:
    share = case.fault.number("transmission") ** _ramp(case, utc_s)
    return replace(spoil, transmission=spoil.transmission * share)


def _dew(case: Case, spoil: Disturbance, utc_s: float) -> Disturbance:
    return replace(spoil, dew=max(spoil.dew, case.fault.number("amount") * _ramp(case, utc_s)))


def _across(case: Case) -> tuple[tuple[float, float], tuple[float, float]]:
    """Two ends of a random line through the frame (unbinned pixels), well outside of it."""
    width, height = case.rig.spec.sensor.width, case.rig.spec.sensor.height
    angle = case.rng.uniform(0.0, TAU)
    middle = (case.rng.uniform(0.2, 0.8) * width, case.rng.uniform(0.2, 0.8) * height)
    reach = float(width + height)
    step = (reach * math.cos(angle), reach * math.sin(angle))
    return (
        (middle[0] - step[0], middle[1] - step[1]),
        (middle[0] + step[0], middle[1] + step[1]),
    )


def _satellites(case: Case, spoil: Disturbance, _utc_s: float) -> Disturbance:
    bright = case.fault.number("e_per_px")
    trails = [
        SatelliteTrail(*_across(case), e_per_px=bright)
        for _ in range(round(case.fault.number("trails")))
    ]
    return replace(spoil, satellites=(*spoil.satellites, *trails))


def _aircraft(case: Case, spoil: Disturbance, _utc_s: float) -> Disturbance:
    return replace(spoil, aircraft=(*spoil.aircraft, Aircraft(*_across(case))))


def _moon(case: Case, spoil: Disturbance, _utc_s: float) -> Disturbance:
    return replace(spoil, moonlight=spoil.moonlight + case.fault.number("times"))


def _shutter(case: Case, spoil: Disturbance, _utc_s: float) -> Disturbance:
    closed = case.fault.setting("how") == "closed"
    return replace(spoil, shutter=Shutter.STUCK_CLOSED if closed else Shutter.STUCK_OPEN)


RIG_EFFECTS: dict[str, Effect] = {
    "device_restart": Effect(begin=_restart_begins, wire=_restarting),
    "mount_power_cut": Effect(begin=_power_goes, wire=_without_power),
    "slew_stops_short": Effect(wire=_stops_short),
    "slew_wrong_place": Effect(wire=_wrong_place),
    "declination_slip": _slips("declination"),
    "right_ascension_slip": _slips("right_ascension"),
    "tripod_sink": Effect(begin=_sinks),
    "ra_backlash": Effect(begin=_gains_play, end=_loses_play),
    "clock_off": Effect(begin=_clock(1.0), end=_clock(-1.0)),
    "site_sign_wrong": Effect(begin=_mirror_longitude, end=_mirror_longitude),
    "unsafe": Effect(begin=_safe(False), end=_safe(True)),
    "cover_closed": Effect(begin=_cover_closes, end=_cover_opens),
    "roof_closes": Effect(begin=_roof_closes),
    "out_of_focus": Effect(begin=_focus_moves, end=_focus_returns),
    "wind_shake": Effect(begin=_wind_comes, end=_wind_goes),
    "tree": Effect(begin=_tree_stands, end=_tree_falls),
    "clouds_sudden": Effect(spoil=_cloud),
    "clouds_gradual": Effect(spoil=_clouds_come),
    "dew": Effect(spoil=_dew),
    "satellite": Effect(spoil=_satellites),
    "aircraft": Effect(spoil=_aircraft),
    "moonlight": Effect(spoil=_moon),
    "shutter_stuck": Effect(spoil=_shutter),
}
