"""The catalogue of faults the rig can be given: what each does, where, and its parameters.

Sizes are plausible and invented. ``seconds`` of wire faults are the computer's, since the network
is no faster in a rehearsal; all other times are those of the rig's clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Layer = Literal["wire", "rig", "sky", "host"]
Setting = float | str | bool


@dataclass(frozen=True)
class Parameter:
    """One parameter of a fault; the default fixes its type."""

    default: Setting
    meaning: str


@dataclass(frozen=True)
class Kind:
    """One kind of fault."""

    layer: Layer
    """wire: answers are changed; rig: mount, camera or tripod do something; sky: the frame is
    spoilt; host: happens to the computer the program runs on, which a rig cannot bring about."""
    line: str
    """What it does, in a sentence."""
    device: str = "*"
    """Device type whose calls it takes when the scenario does not say."""
    members: str = "*"
    """Members it takes when the scenario does not say, separated by blanks."""
    parameters: Mapping[str, Parameter] = field(default_factory=dict)


def _p(**given: tuple[Setting, str]) -> dict[str, Parameter]:
    return {name: Parameter(default, meaning) for name, (default, meaning) in given.items()}


_CARRIED_OUT = (True, "whether the device does what it was asked before the answer is lost")

KINDS: Mapping[str, Kind] = {
    # Answers
    "latency": Kind(
        "wire", "answers come late", parameters=_p(seconds=(1.0, "delay of each answer, s"))
    ),
    "hang": Kind(
        "wire",
        "the request is taken and never answered",
        parameters=_p(
            seconds=(30.0, "how long the connection is held before it is closed, s"),
            carried_out=_CARRIED_OUT,
        ),
    ),
    "dropped": Kind(
        "wire",
        "the connection is closed without a byte",
        parameters=_p(carried_out=_CARRIED_OUT),
    ),
    "half_sent": Kind(
        "wire",
        "the connection is closed in the middle of the answer",
        parameters=_p(share=(0.5, "share of the answer that is sent")),
    ),
    "http_500": Kind(
        "wire",
        "the server answers HTTP 500 with a page of its framework",
        parameters=_p(carried_out=(False, "whether the device does what it was asked")),
    ),
    "error_number": Kind(
        "wire",
        "the driver answers with an error number; for a while: a storm of them",
        parameters=_p(
            number=(1280.0, "ErrorNumber, 1280 (0x500) is the first of the drivers' own"),
            message=("the controller does not answer", "ErrorMessage"),
            carried_out=(False, "whether the device does what it was asked"),
        ),
    ),
    "wrong_transaction": Kind("wire", "answers carry the transaction id of another question"),
    "not_json": Kind("wire", "the answer is a web page instead of JSON"),
    "bad_value": Kind(
        "wire",
        "the Value has a type nobody expects",
        parameters=_p(value=("not available", "what stands there instead")),
    ),
    # Images
    "image_truncated": Kind(
        "wire",
        "ImageBytes end early although the connection stays whole",
        device="camera",
        members="imagearray",
        parameters=_p(share=(0.7, "share of the pixels that come")),
    ),
    "image_mislabelled": Kind(
        "wire",
        "the header of ImageBytes does not fit the pixels",
        device="camera",
        members="imagearray",
        parameters=_p(how=("transposed", "transposed: axes exchanged; type: a wrong pixel type")),
    ),
    "image_empty": Kind(
        "wire",
        "all pixels are zero",
        device="camera",
        members="imagearray",
    ),
    "image_late": Kind(
        "wire",
        "ImageReady stays False long after the exposure",
        device="camera",
        members="imageready devicestate",
    ),
    "image_old": Kind(
        "wire",
        "the first image of its size is handed out again",
        device="camera",
        members="imagearray lastexposurestarttime",
        parameters=_p(
            start=("old", "LastExposureStartTime: old, fresh, or missing"),
            every=(1.0, "2: every second image is the old one"),
            only=("all", "all, or subframes"),
        ),
    ),
    # Drivers that lie or lack
    "slewing_stuck_true": Kind(
        "wire",
        "Slewing reads True for ever",
        device="telescope",
        members="slewing devicestate",
    ),
    "slewing_false_early": Kind(
        "wire",
        "Slewing reads False while the mount still slews",
        device="telescope",
        members="slewing devicestate",
    ),
    "connected_lies": Kind(
        "wire",
        "Connected reads True, every other member says it is not connected",
        members="*",
    ),
    "connect_ignored": Kind(
        "wire",
        "connecting is answered without an error and does nothing",
        members="connect connected connecting",
    ),
    "old_interface": Kind(
        "wire",
        "the driver has an old interface version: newer members do not exist",
        parameters=_p(version=(2.0, "interface version told: 1, 2 or 3")),
    ),
    "members_missing": Kind(
        "wire",
        "members answer that they are not implemented",
        members="sideofpier destinationsideofpier siderealtime utcdate altitude azimuth",
        parameters=_p(how=("0x400", "0x400: by error number; 400: by HTTP status")),
    ),
    "camera_stuck": Kind(
        "wire",
        "CameraState stays what it is told here",
        device="camera",
        members="camerastate devicestate",
        parameters=_p(state=(2.0, "2 exposing, 3 reading, 5 error")),
    ),
    # Devices that fail
    "device_restart": Kind(
        "rig",
        "a driver restarts: nobody answers for a while, then it is not connected any more",
        device="camera",
    ),
    "mount_power_cut": Kind(
        "rig",
        "the mount stands still without power; its driver goes on answering as before",
        device="telescope",
    ),
    "slew_stops_short": Kind(
        "rig",
        "the mount meets a limit and stops on its way, without a word",
        device="telescope",
        members="slewtocoordinatesasync",
        parameters=_p(share=(0.4, "share of the way it goes")),
    ),
    "slew_wrong_place": Kind(
        "rig",
        "the mount slews past its target and believes it is there",
        device="telescope",
        members="slewtocoordinatesasync",
        parameters=_p(
            ra_arcmin=(30.0, "how far past it in right ascension"),
            dec_arcmin=(0.0, "how far past it in declination"),
        ),
    ),
    "declination_slip": Kind(
        "rig",
        "the declination clutch slips",
        parameters=_p(arcmin=(5.0, "by how much")),
    ),
    "right_ascension_slip": Kind(
        "rig",
        "the right ascension clutch slips",
        parameters=_p(arcmin=(5.0, "by how much")),
    ),
    "tripod_sink": Kind(
        "rig",
        "a tripod foot gives way",
        parameters=_p(
            east_arcmin=(2.0, "tilt to the east"), north_arcmin=(1.0, "tilt to the north")
        ),
    ),
    "ra_backlash": Kind(
        "rig",
        "the right ascension gear has play",
        parameters=_p(arcsec=(120.0, "full width of the play")),
    ),
    "clock_off": Kind(
        "rig",
        "the mount's clock is wrong",
        parameters=_p(hours=(1.0, "how far ahead, hours")),
    ),
    "site_sign_wrong": Kind("rig", "the mount's longitude has the wrong sign"),
    "unsafe": Kind("rig", "the safety monitor says unsafe"),
    "cover_closed": Kind("rig", "the cover is closed, whatever its driver says"),
    "roof_closes": Kind("rig", "the roof closes by itself, as at the first drops of rain"),
    "out_of_focus": Kind(
        "rig",
        "the focus has moved",
        parameters=_p(disc_um=(60.0, "diameter of a star on the sensor, micrometres")),
    ),
    "wind_shake": Kind(
        "rig",
        "wind shakes the mount",
        parameters=_p(arcsec=(20.0, "amplitude"), period_s=(1.3, "time of one swing, s")),
    ),
    # The sky
    "clouds_sudden": Kind(
        "sky",
        "a cloud is there at once",
        parameters=_p(transmission=(0.0, "share of starlight that passes")),
    ),
    "clouds_gradual": Kind(
        "sky",
        "clouds come in",
        parameters=_p(
            transmission=(0.02, "share of starlight that passes in the end"),
            ramp_s=(120.0, "time they take to come in, s"),
        ),
    ),
    "dew": Kind(
        "sky",
        "dew settles on the lens",
        parameters=_p(
            amount=(0.9, "0 clear to 1 fogged"), ramp_s=(60.0, "time it takes to settle, s")
        ),
    ),
    "tree": Kind(
        "rig",
        "a tree stands where the tube points",
        parameters=_p(
            width_deg=(20.0, "how wide it is in azimuth"),
            altitude_deg=(85.0, "how high it reaches"),
        ),
    ),
    "satellite": Kind(
        "sky",
        "satellites leave trails",
        parameters=_p(trails=(1.0, "trails in each frame"), e_per_px=(2000.0, "brightness")),
    ),
    "aircraft": Kind("sky", "an aircraft with lights crosses each frame"),
    "moonlight": Kind(
        "sky",
        "the Moon lights the sky up",
        parameters=_p(times=(15.0, "added light, in units of the dark sky at the zenith")),
    ),
    "shutter_stuck": Kind(
        "sky",
        "the shutter is stuck",
        parameters=_p(how=("closed", "closed: no light; open: light while it reads out, too")),
    ),
    # The computer the program runs on: brought about by the tests, or by hand
    "disk_full": Kind("host", "the disk with the journal is full (give the program a small disk)"),
    "solver_crash": Kind(
        "host", "the solver ends with an error (python -m polewright_sim.bad_solver crash)"
    ),
    "solver_hang": Kind(
        "host", "the solver does not come back (python -m polewright_sim.bad_solver hang)"
    ),
    "solver_garbage": Kind(
        "host", "the solver leaves nonsense (python -m polewright_sim.bad_solver garbage {wcs})"
    ),
    "process_kill": Kind("host", "the program is killed (kill -9) while the mount moves"),
}


def catalogue_text() -> str:
    """Return the catalogue as lines for a terminal."""
    lines = []
    for name, kind in KINDS.items():
        lines.append(f"{name:<22} {kind.layer:<5} {kind.line}")
        lines += [
            f"{'':<28} {key} = {parameter.default!r}: {parameter.meaning}"
            for key, parameter in kind.parameters.items()
        ]
    return "\n".join(lines)
