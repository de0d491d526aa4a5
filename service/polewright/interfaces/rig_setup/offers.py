"""What mount, camera and the computer's clock know already, offered as answers. Nothing moves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from polewright.devices.alpaca.camera import Camera
from polewright.devices.alpaca.device import Device
from polewright.devices.alpaca.telescope import Telescope
from polewright.foundation.clock import CancelToken, Clock
from polewright.foundation.config import Config
from polewright.foundation.errors import Cancelled, ConfigError, PolewrightError
from polewright.foundation.language import say
from polewright.observing.rig.mount_site import SIDEREAL_S_PER_DEG, own_zone_s
from polewright.observing.rig.site_and_weather import site_of
from polewright.observing.runs.connect import connect_one, mount_focal_length_mm

OFFERED = (
    "site.latitude_deg",
    "site.longitude_deg",
    "site.elevation_m",
    "optics.focal_length_mm",
    "optics.pixel_um",
)
"""Keys that a device may know."""


@dataclass
class Offers:
    """Answers by dotted key, and what is to be said before they are offered."""

    values: dict[str, Any] = field(default_factory=dict)
    sentences: list[str] = field(default_factory=list)
    mounts: dict[str, float] = field(default_factory=dict)
    """Latitude and longitude as the mount itself has them, degrees by dotted key."""


def offers(config: Config, clock: Clock, cancel: CancelToken) -> Offers:
    """Ask the mount and the camera that are there what nobody should have to type.

    A device that is not there, or does not tell, offers nothing; that is said.
    """
    found = Offers()
    mount = _device(Telescope, config.telescope, (), clock, cancel, found)
    beside = () if mount is None else (mount,)
    camera = _device(Camera, config.camera, beside, clock, cancel, found)
    if mount is not None:
        _asked(lambda: _of_mount(config, mount, found), found)
    if camera is not None:
        _asked(lambda: _of_camera(camera, found), found)
    if "site.longitude_deg" not in found.values:
        found.sentences.append(
            say(
                "By this computer's time zone (UTC{zone:+g} h) the longitude is about "
                "{longitude:+.0f}°, give or take a zone.",
                zone=own_zone_s() / 3600.0,
                longitude=own_zone_s() / SIDEREAL_S_PER_DEG,
            )
        )
    return found


def _asked(ask: Callable[[], None], found: Offers) -> None:
    try:
        ask()
    except Cancelled:
        raise
    except PolewrightError as error:
        found.sentences.append(str(error))


def _device(
    kind: Any, section: Any, beside: Any, clock: Clock, cancel: CancelToken, found: Offers
) -> Any:
    try:
        device: Device = connect_one(kind, section, clock, cancel, beside)
        name = device.name()
    except Cancelled:
        raise
    except PolewrightError as error:
        found.sentences.append(say("Not asked: {error}.", error=error))
        return None
    found.sentences.append(say("{name} is asked what it knows.", name=name))
    return device


def _of_mount(config: Config, mount: Telescope, found: Offers) -> None:
    try:
        theirs, _source = site_of(Config(), mount)
        found.mounts["site.latitude_deg"] = theirs.latitude_deg
        found.mounts["site.longitude_deg"] = theirs.longitude_deg
        site, _source = site_of(config, mount)
    except ConfigError:
        found.sentences.append(say("The mount was told no site."))
    else:
        found.values["site.latitude_deg"] = round(site.latitude_deg, 4)
        found.values["site.longitude_deg"] = round(site.longitude_deg, 4)
        if site.elevation_told:
            found.values["site.elevation_m"] = round(site.elevation_m)
    focal_mm = mount_focal_length_mm(mount)
    if focal_mm is not None:
        found.values["optics.focal_length_mm"] = round(focal_mm, 1)


def _of_camera(camera: Camera, found: Offers) -> None:
    pixel_um = camera.info().pixel_um
    if pixel_um is not None:
        found.values["optics.pixel_um"] = round(pixel_um[0], 3)
