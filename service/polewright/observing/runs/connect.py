"""From a configuration to a connected rig: find the devices, connect, compare site and clock."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.mount_coordinates import (
    J2000,
    J2000_MIDWAY,
    J2000_TURNED,
    OTHER,
    aberration_of_mount,
    check_system,
)
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.calculation.tolerance.tolerance import CEILING_ARCMIN, beyond_ceiling, rate_words
from polewright.devices.alpaca.camera import Camera
from polewright.devices.alpaca.client import AlpacaConnection
from polewright.devices.alpaca.device import Device
from polewright.devices.alpaca.discovery import discover
from polewright.devices.alpaca.errors import AlpacaError
from polewright.devices.alpaca.management import list_servers
from polewright.devices.alpaca.models import ConfiguredDevice
from polewright.devices.alpaca.observing_conditions import ObservingConditions
from polewright.devices.alpaca.safety_monitor import SafetyMonitor
from polewright.devices.alpaca.telescope import DriveRate, Telescope
from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import ARCSEC, DEG
from polewright.foundation.clock import CancelToken, Clock, threads_of
from polewright.foundation.config import Config, DeviceSection
from polewright.foundation.errors import DeviceError, PolewrightError
from polewright.foundation.language import joined, say
from polewright.foundation.rehearsal import check_led
from polewright.observing.plan.rig_past import ask_history
from polewright.observing.rig.camera_setup import ready_camera
from polewright.observing.rig.mount_site import (
    check_site_and_clock,
    own_zone_s,
    zone_against_site,
)
from polewright.observing.rig.plate_solver import FocalClaim, PlateSolver
from polewright.observing.rig.rig import Rig, nominal_scale
from polewright.observing.rig.site_and_weather import site_of, weather_of
from polewright.observing.rig.solver_messages import SolverWords
from polewright.observing.rig.tonight_tolerance import (
    Known,
    sensor_diagonal_mm,
)
from polewright.observing.safety.guards import make_guards
from polewright.observing.safety.retry_policy import patience, repeating
from polewright.observing.sweep.solve_point import know_tonight
from polewright.records.events import Connected, EventSink, Note
from polewright.solving.base import Solver
from polewright.solving.registry import load_detector, load_solver

HALFWAY = 10.0 * ARCSEC
"""Half of the aberration by the Earth's motion, 20.5 arcsec at most."""
DISCOVERY_S = 2.5
DEFAULT_PORT = 11111  # common practice, no source
D = TypeVar("D", bound=Device)


_SECTIONS = {"safetymonitor": "safety", "observingconditions": "observing_conditions"}
"""Device types whose table of the configuration has another name."""


class NoDeviceFound(DeviceError):
    """Nothing on the network offers the device that is needed."""

    code = "no_device_found"

    def __init__(
        self, device: str, looked_at: Sequence[str | AlpacaError], *, named: bool = False
    ) -> None:
        super().__init__(device, tuple(looked_at), named)
        self.device = device
        silent = [item for item in looked_at if isinstance(item, AlpacaError)]
        self.looked_at = tuple(
            f"{item.where.address}: {item.situation}" if isinstance(item, AlpacaError) else item
            for item in looked_at
        )
        self.details = tuple(str(item) for item in silent)
        if len(silent) == 1 == len(looked_at):
            self.likely = silent[0].likely
        section = _SECTIONS.get(device, device)
        table = f"[{section}]"
        self.advice = say(
            "Switch mount and camera on and start their Alpaca servers; then try `polewright "
            "devices`. Discovery stays within one subnet: across a VPN, a guest network or a "
            "firewall give {table} host and port in the configuration instead.",
            table=table,
        )
        if device == "device":  # `polewright devices` itself says it
            self.advice = say(
                "Switch mount and camera on and start their Alpaca servers; then ask again. "
                "Discovery stays within one subnet: across a VPN, a guest network or a firewall "
                "name the server with --host and --port."
            )
        elif named:
            self.advice = say(
                "Start the devices' Alpaca server, and compare host and port of {table} with what "
                "it shows; `polewright devices` lists the servers that answer.",
                table=table,
            )

    def __str__(self) -> str:
        where = joined(", ", self.looked_at) or say("no Alpaca server answered the discovery query")
        return say("no {device} found ({where})", device=self.device, where=where)


class ServerSilent(DeviceError):
    """The server that was named does not answer as an Alpaca server does."""

    code = "server_silent"
    advice = say(
        "Start the devices' Alpaca server, and compare address and port with what it shows; "
        "a firewall may be in between. Without --host the network is searched."
    )

    def __init__(self, troubles: Sequence[AlpacaError]) -> None:
        super().__init__(tuple(troubles))
        self.troubles = tuple(str(trouble) for trouble in troubles)
        self.likely = troubles[0].likely if troubles else ""

    def __str__(self) -> str:
        return joined("; ", self.troubles)


def servers_to_ask(section: DeviceSection) -> list[tuple[str, int]]:
    """Return the servers a device may be on: the one configured, else all that are discovered."""
    if section.host is not None:
        return [(section.host, section.port or DEFAULT_PORT)]
    found = [(server.host, server.port) for server in discover(timeout_s=DISCOVERY_S)]
    return [(host, port) for host, port in found if section.port in (None, port)]


def locate(
    kind: str, section: DeviceSection, known: Sequence[tuple[str, int]] = ()
) -> tuple[str, int, int]:
    """Return host, port and number of the device to use.

    Args:
        kind: Alpaca device type in lower case, ``telescope`` or ``camera``.
        section: what the configuration says of it.
        known: servers to look at before discovering any, when the configuration names none.

    Raises:
        NoDeviceFound: none is offered; says what was looked at.
    """
    if section.host is not None and section.port is not None and section.device_number is not None:
        return section.host, section.port, section.device_number
    looked_at: list[str | AlpacaError] = []
    if section.host is None and known:
        found = _offered_by(kind, section.device_number, known, looked_at)
        if found is not None:
            return found
    found = _offered_by(kind, section.device_number, servers_to_ask(section), looked_at)
    if found is None:
        raise NoDeviceFound(kind, looked_at, named=section.host is not None)
    return found


def _offered_by(
    kind: str,
    wanted: int | None,
    servers: Sequence[tuple[str, int]],
    looked_at: list[str | AlpacaError],
) -> tuple[str, int, int] | None:
    """Look for the device on these servers; what was there instead goes to ``looked_at``."""
    listings, troubles = list_servers(servers)
    looked_at += troubles
    for listing in listings:
        number = _pick(listing.of_type(kind), wanted)
        if number is not None:
            return listing.host, listing.port, number
        names = ", ".join(f"{item.DeviceType} {item.DeviceNumber}" for item in listing.devices)
        looked_at.append(
            say(
                "{host}:{port} offers {devices}",
                host=listing.host,
                port=listing.port,
                devices=names or "nothing",
            )
        )
    return None


def _pick(offered: Sequence[ConfiguredDevice], wanted: int | None) -> int | None:
    numbers = [item.DeviceNumber for item in offered]
    if wanted is not None:
        return wanted if wanted in numbers else None
    return min(numbers) if numbers else None


def connect_one(
    kind: type[D],
    section: DeviceSection,
    clock: Clock,
    cancel: CancelToken,
    beside: Sequence[Device] = (),
) -> D:
    """Find and connect a single device, by a connection of its own.

    Args:
        kind: its class.
        section: what the configuration says of it.
        clock: for its waits.
        cancel: ends them.
        beside: devices whose servers are looked at before any is searched for.

    Raises:
        DeviceError: it is missing or refuses.
    """
    known = [(device.where.host, device.where.port) for device in beside]
    where = locate(kind.device_type, section, known)
    device = kind(_connection(where, clock), where[2], clock=clock)
    device.connect(cancel=cancel)
    return device


def connect_rig(config: Config, clock: Clock, cancel: CancelToken, emit: EventSink) -> Rig:
    """Find, connect and compare; return the rig. Nothing has moved.

    Raises:
        MountContradicts: site or clock of the mount are not ours, and that was not accepted.
        DeviceError: a device is missing or refuses.
        ConfigError: the site is unknown, or the solver's options are wrong.
    """
    rig = connect_devices(config, clock, cancel, emit)
    check_site_and_clock(rig)
    return rig


def connect_devices(config: Config, clock: Clock, cancel: CancelToken, emit: EventSink) -> Rig:
    """As `connect_rig`, but leave it to the caller to compare site and clock with the mount."""
    telescope, camera, monitor = _connected(config, clock, cancel, emit)
    site, source = site_of(config, telescope)
    station = _weather_station(config, telescope, clock, cancel, emit)
    weather = weather_of(config, site, clock.utc_s(), station)
    system = telescope.equatorial_system()
    check_system(system)
    ready_camera(camera, config.camera)
    focal_mm = config.optics.focal_length_mm or mount_focal_length_mm(telescope)
    info = camera.info()
    pixel_um = config.optics.pixel_um or (info.pixel_um or (None,))[0]
    binned_um = None if pixel_um is None else pixel_um * config.camera.binning
    drive = telescope.tracking_rate()
    known = None
    if config.pole.tolerance_from_tonight:
        rate = None if drive is None else drive.name.lower()
        known = Known(focal_mm, pixel_um, sensor_diagonal_mm(info), rate)
    words = SolverWords()
    plates = _plate_solver(config, words, site, weather.air, focal_mm, binned_um, clock)
    rig = Rig(
        telescope=telescope,
        camera=camera,
        plates=plates,
        site=site,
        site_source=source,
        weather=weather,
        weather_station=station,
        pole=PoleTarget(config.pole.target),
        equatorial_system=settled_system(system, telescope, site, weather.air, clock),
        config=config,
        clock=clock,
        cancel=cancel,
        emit=emit,
        solver_words=words,
        detector=load_detector(config.solver.detector),
    )
    words.tell = rig.note
    for sentence in config.notes:
        rig.note(sentence)
    if known is not None:
        know_tonight(rig, known)
    _tell_tolerance(rig, drive)
    _tell_system(rig)
    if plates.scale is None:
        rig.note(
            say(
                "Focal length or pixel size is unknown: the stars of the first frame will "
                "give the scale, which may take a few seconds more."
            )
        )
    zone = zone_against_site(site, own_zone_s())
    if zone:
        rig.note(zone, warning=True)
    for sentence in ObservedFrame.at(site, rig.atmosphere, clock.utc_s()).warnings:
        rig.note(sentence)
    _tell_weather(rig)
    ask_history(rig)
    rig.guards = make_guards(rig, monitor)
    return rig


def _connected(
    config: Config, clock: Clock, cancel: CancelToken, emit: EventSink
) -> tuple[Telescope, Camera, SafetyMonitor | None]:
    """Find mount, camera and, where one is configured, safety monitor, and connect them."""
    telescope_at = locate("telescope", config.telescope)
    # Most rigs have one server: ask the telescope's first.
    camera_at = locate("camera", config.camera, [telescope_at[:2]])
    telescope = Telescope(_connection(telescope_at, clock), telescope_at[2], clock=clock)
    client_id = telescope.connection.client_id
    # A way of its own, to the same server too: while an image comes the mount has to be watched.
    camera = Camera(_connection(camera_at, clock, client_id), camera_at[2], clock=clock)
    monitor: SafetyMonitor | None = None
    if config.safety.wanted:
        safety_at = locate("safetymonitor", config.safety, [telescope_at[:2]])
        shared = safety_at[:2] == telescope_at[:2]
        way = telescope.connection if shared else _connection(safety_at, clock, client_id)
        monitor = SafetyMonitor(way, safety_at[2], clock=clock)
    for device in (telescope, camera) if monitor is None else (monitor, telescope, camera):
        _connect(device, clock, cancel, emit)
    return telescope, camera, monitor


def _plate_solver(
    config: Config,
    words: SolverWords,
    site: Site,
    air: Atmosphere,
    focal_mm: float | None,
    pixel_um: float | None,
    clock: Clock,
) -> PlateSolver:
    """Return the configured solver with its hints; the pixel (µm) is one of the frame."""
    return PlateSolver(
        configured_solver(config, words),
        site,
        air,
        nominal_scale=nominal_scale(focal_mm, pixel_um),
        claim=_focal_claim(config, focal_mm, pixel_um),
        hint_radius=config.solver.hint_radius_deg * DEG,
        blind=True,
        timeout_s=config.solver.timeout_s,
        k1=config.optics.distortion_k1 or 0.0,
        threads=threads_of(clock),
    )


def _tell_tolerance(rig: Rig, drive: DriveRate | None) -> None:
    """Note what is odd about the tolerance, and what else bears on what trails."""
    tolerance = rig.tolerance_arcmin
    if tolerance > CEILING_ARCMIN:
        rig.note(
            say("The tolerance is wide: {tolerance}", tolerance=beyond_ceiling(tolerance)),
            warning=True,
        )
    if drive not in (None, DriveRate.SIDEREAL):
        rig.note(
            say(
                "The mount tracks at the {drive} rate, not the sidereal one.",
                drive=rate_words(drive.name),
            ),
            warning=True,
        )


def _tell_system(rig: Rig) -> None:
    """Note what stays open of the mount's coordinates."""
    if rig.equatorial_system == J2000_MIDWAY:
        rig.note(
            say(
                "The mount does not show whether its J2000 coordinates include aberration: "
                "taken halfway, so the axis is up to {less} less certain. Set its driver to "
                "coordinates of date (JNow) to avoid that.",
                less=angle_text(HALFWAY),
            )
        )
    if rig.equatorial_system == OTHER:
        rig.note(
            say("The mount does not say which coordinates it uses; topocentric assumed."),
            warning=True,
        )


def settled_system(
    system: int, mount: Telescope, site: Site, atmosphere: Atmosphere, clock: Clock
) -> int:
    """Return which coordinates a mount means where its EquatorialSystem leaves that open.

    Its own words tell which J2000; where they do not, it is taken halfway.
    """
    if system != J2000:
        return system
    latitude = mount.site_latitude_deg()
    seen = mount.state()
    if seen.altitude_deg is None or seen.azimuth_deg is None:
        return J2000_MIDWAY
    aberration = aberration_of_mount(
        ObservedFrame.at(site, atmosphere, clock.utc_s()),
        site.latitude_deg if latitude is None else latitude,
        seen.right_ascension_hours,
        seen.declination_deg,
        seen.altitude_deg,
        seen.azimuth_deg,
    )
    if aberration is None:
        return J2000_MIDWAY
    return J2000 if aberration else J2000_TURNED


def _focal_claim(
    config: Config, focal_mm: float | None, binned_um: float | None
) -> FocalClaim | None:
    if not focal_mm or not binned_um:
        return None
    return FocalClaim(focal_mm, binned_um, config.optics.focal_length_mm is None)


def _connection(
    address: tuple[str, int, int], clock: Clock, client_id: int | None = None
) -> AlpacaConnection:
    host, port, _ = address
    check_led(host, port)
    return AlpacaConnection(
        host, port, client_id=client_id, patience=patience(), threads=threads_of(clock)
    )


def configured_solver(config: Config, on_progress: Callable[[str], None] | None = None) -> Solver:
    """Return the solver that the configuration names; slow work is told to ``on_progress``.

    Raises:
        ConfigError: there is none of that name, or its options are wrong.
        SolverMissing: what it needs is not installed.
    """
    options = dict(config.solver.options)
    if config.solver.name == "embedded":
        if config.solver.catalogue is not None:
            options.setdefault("catalogue", config.solver.catalogue)
        if on_progress is not None:
            options["on_progress"] = on_progress
    return load_solver(config.solver.name, options)


def _connect(device: Device, clock: Clock, cancel: CancelToken, emit: EventSink) -> None:
    def tell(_rule: str, error: PolewrightError) -> None:
        text = say(
            "The {device_type} did not connect ({error}); trying again.",
            device_type=device.device_type,
            error=error,
        )
        emit(Note(utc_s=clock.utc_s(), severity="warning", text=text))

    repeating(
        ("connect",),
        lambda: device.connect(cancel=cancel),
        clock=clock,
        cancel=cancel,
        tell=tell,
    )
    emit(
        Connected(
            utc_s=clock.utc_s(),
            device=device.device_type,
            name=device.name(),
            address=device.where.address,
            interface_version=device.interface_version(),
        )
    )


def _weather_station(
    config: Config, telescope: Telescope, clock: Clock, cancel: CancelToken, emit: EventSink
) -> ObservingConditions | None:
    """Connect the weather station that is configured; without it the run goes on, less sure."""
    section = config.observing_conditions
    if not section.wanted:
        return None
    try:
        host, port, number = locate(
            ObservingConditions.device_type, section, [(telescope.where.host, telescope.where.port)]
        )
        way = telescope.connection
        if (host, port) != (telescope.where.host, telescope.where.port):
            way = _connection((host, port, number), clock, telescope.connection.client_id)
        station = ObservingConditions(way, number, clock=clock)
        _connect(station, clock, cancel, emit)
    except DeviceError as error:
        text = say(
            "The weather station is not used ({error}): refraction is less certain. {advice}",
            error=error,
            advice=error.advice,
        )
        emit(Note(utc_s=clock.utc_s(), severity="warning", text=text))
        return None
    return station


def _tell_weather(rig: Rig) -> None:
    text = say("Air, for refraction: {source}.", source=rig.weather.source)
    rig.emit(Note(utc_s=rig.clock.utc_s(), severity="info", text=text))
    for sentence in rig.weather.warnings:
        rig.note(sentence, warning=True)


def mount_focal_length_mm(telescope: Telescope) -> float | None:
    """Return the focal length the mount tells, mm; None when it is missing or not believable.

    The standard says metres; drivers that send millimetres are seen and understood.
    """
    value = telescope.focal_length_m()
    if value is None or value <= 0.0:
        return None
    millimetres = value * 1000.0 if value < 20.0 else value
    return millimetres if 20.0 <= millimetres <= 20_000.0 else None
