"""A camera as a device: what it is, its settings, its single commands."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from enum import IntEnum
from functools import cached_property
from typing import ClassVar, TypeVar

from pydantic import TypeAdapter

from polewright.calculation.images.frame import SensorKind
from polewright.devices.alpaca.device import Device
from polewright.devices.alpaca.errors import (
    BadGeometry,
    HttpRejected,
    InvalidValue,
    RefusedByDevice,
    is_absent,
)
from polewright.devices.alpaca.models import BOOL, FLOAT, INT, TEXT, TEXTS
from polewright.foundation.language import joined, say

T = TypeVar("T")

#: So many images are remembered, to recognise one that is handed out again.
IMAGES_REMEMBERED = 1000


class CameraState(IntEnum):
    """What the camera is doing."""

    IDLE = 0
    WAITING = 1
    EXPOSING = 2
    READING = 3
    DOWNLOADING = 4
    ERROR = 5


class SensorType(IntEnum):
    """How the sensor sees colour, as Alpaca numbers it."""

    MONO = 0
    COLOUR = 1
    """Three planes in each image."""
    RGGB = 2
    CMYG = 3
    CMYG2 = 4
    LRGB = 5


@dataclass(frozen=True)
class CameraInfo:
    """What does not change while the camera is connected; None where it does not tell."""

    name: str
    sensor_name: str
    width: int
    """Unbinned columns."""
    height: int
    pixel_um: tuple[float, float] | None
    """Unbinned pixel width and height, micrometres."""
    sensor_type: SensorType
    bayer_offset: tuple[int, int]
    """(x, y) of the mosaic's first pixel on the full sensor."""
    max_binning: int
    exposure_min_s: float | None
    exposure_max_s: float | None
    can_abort: bool
    can_stop: bool
    gains: tuple[str, ...] | None
    """Names of gains when gain is an index into names."""
    gain_range: tuple[int, int] | None
    """Lowest and highest gain when gain is a number."""
    offsets: tuple[str, ...] | None
    offset_range: tuple[int, int] | None


@dataclass(frozen=True)
class CameraSettings:
    """Binning and subframe of the coming exposures."""

    binning: int
    x: int
    """First column, binned pixels."""
    y: int
    width: int
    height: int


@dataclass(frozen=True)
class PastExposure:
    """What is remembered of an exposure to recognise its image when it is handed out again."""

    asked_utc_s: float
    start_text: str | None
    offset_s: float | None
    """Camera's start time minus ours."""
    base_s: float
    """Our clock minus our timer: another one means that the clock was set meanwhile."""


class CameraDevice(Device):
    """A camera of interface version 1 to 4."""

    device_type: ClassVar[str] = "camera"
    platform7_version: ClassVar[int] = 4

    def _forget(self) -> None:
        super()._forget()
        self._info: CameraInfo | None = None
        self._settings: CameraSettings | None = None
        self._sent: CameraSettings | None = None
        """The geometry that the camera has for certain, unless another program changed it."""
        self._levels: tuple[float | None, float | None] | None = None
        #: The previous exposure, to recognise stale images by their time.
        self.last_exposure: PastExposure | None = None

    @cached_property
    def seen_images(self) -> deque[object]:
        """Fingerprints of the last images; a driver that restarts may hand out an older one."""
        return deque(maxlen=IMAGES_REMEMBERED)

    @cached_property
    def image_sizes(self) -> dict[CameraSettings, tuple[int, int]]:
        """Columns and rows that images with given settings have; a restart changes nothing."""
        return {}

    @cached_property
    def may_have(self) -> set[CameraSettings]:
        """What of the geometries sent the camera may have now; more than one after trouble."""
        return set()

    @cached_property
    def odd_sizes(self) -> dict[CameraSettings, tuple[int, int]]:
        """Columns and rows other than asked that came once only."""
        return {}

    # -- what it is ------------------------------------------------------------------------

    def info(self) -> CameraInfo:
        """Return the camera's properties, read once a session."""
        if self._info is None:
            self._info = self._read_info()
        return self._info

    def _read_info(self) -> CameraInfo:
        sensor = self._sensor_type()
        pixel_x = self._optional("pixelsizex", FLOAT)
        pixel_y = self._optional("pixelsizey", FLOAT)
        bayer = (0, 0)
        if sensor not in {SensorType.MONO, SensorType.COLOUR}:
            bayer = (
                self._optional("bayeroffsetx", INT) or 0,
                self._optional("bayeroffsety", INT) or 0,
            )
        gains, gain_range = self._mode("gains", "gainmin", "gainmax")
        offsets, offset_range = self._mode("offsets", "offsetmin", "offsetmax")
        known = pixel_x is not None and pixel_y is not None and min(pixel_x, pixel_y) > 0.0
        return CameraInfo(
            name=self.name(),
            sensor_name=self._optional("sensorname", TEXT, quiet=True) or "",
            width=self._get("cameraxsize", INT),
            height=self._get("cameraysize", INT),
            pixel_um=(pixel_x, pixel_y) if known and pixel_x and pixel_y else None,
            sensor_type=sensor,
            bayer_offset=bayer,
            max_binning=min(
                self._optional("maxbinx", INT) or 1, self._optional("maxbiny", INT) or 1
            ),
            exposure_min_s=self._optional("exposuremin", FLOAT),
            exposure_max_s=self._optional("exposuremax", FLOAT),
            can_abort=self._flag("canabortexposure"),
            can_stop=self._flag("canstopexposure"),
            gains=gains,
            gain_range=gain_range,
            offsets=offsets,
            offset_range=offset_range,
        )

    def _sensor_type(self) -> SensorType:
        number = self._optional("sensortype", INT)
        try:
            return SensorType.MONO if number is None else SensorType(number)
        except ValueError:
            self.note(
                say(
                    "camera has unknown sensortype {sensor_type}; taken as mono", sensor_type=number
                )
            )
            return SensorType.MONO

    def _mode(
        self, names: str, low: str, high: str
    ) -> tuple[tuple[str, ...] | None, tuple[int, int] | None]:
        """Find out whether gain (offset) is a number, an index into names, or nothing."""
        found = self._named(names)
        least = self._number(low) if not found else None
        most = self._number(high) if not found else None
        numbers = (least, most) if least is not None and most is not None else None
        return (tuple(found) if found else None), numbers

    def _named(self, member: str) -> list[str] | None:
        return self._quiet(member, TEXTS)

    def _number(self, member: str) -> int | None:
        return self._quiet(member, INT)

    # Two of the three modes make members fail: that is by design, not worth a note.
    def _quiet(self, member: str, kind: TypeAdapter[T]) -> T | None:
        try:
            return self._optional(member, kind, quiet=True)
        except RefusedByDevice:
            return None

    def state(self) -> CameraState | None:
        """Return what the camera is doing; None when it does not tell."""
        number = self._optional("camerastate", INT)
        return CameraState(number) if number is not None and 0 <= number <= 5 else None

    def image_ready(self) -> bool:
        """Return whether an image waits. May raise after a failed exposure."""
        return self._get("imageready", BOOL)

    def temperature_c(self) -> float | None:
        """Return the sensor's temperature, degrees Celsius."""
        return self._optional("ccdtemperature", FLOAT)

    def max_adu(self) -> float | None:
        """Return the highest count a pixel can have in the present mode."""
        value = self._optional("maxadu", FLOAT)
        return value if value is not None and value > 0 else None

    def has_shutter(self) -> bool:
        """Return whether it tells of a mechanical shutter."""
        return self._flag("hasshutter")

    def levels(self, *, known: bool = False) -> tuple[float | None, float | None]:
        """Return `max_adu` and `electrons_per_adu`; as asked last where that is ``known``."""
        if self._levels is None or not known:
            self._levels = self.max_adu(), self.electrons_per_adu()
        return self._levels

    def electrons_per_adu(self) -> float | None:
        """Return electrons per count at the present gain."""
        value = self._optional("electronsperadu", FLOAT)
        return value if value is not None and value > 0 else None

    # -- settings --------------------------------------------------------------------------

    def set_geometry(
        self, binning: int = 1, subframe: tuple[int, int, int, int] | None = None
    ) -> CameraSettings:
        """Set binning and subframe: always all of it, other programs' values survive otherwise.

        Args:
            binning: both directions.
            subframe: (x, y, width, height) in binned pixels; None for the whole sensor.

        Raises: `BadGeometry`, `InvalidValue`.
        """
        self.choose_geometry(binning, subframe)
        return self.send_geometry()

    def choose_geometry(
        self, binning: int = 1, subframe: tuple[int, int, int, int] | None = None
    ) -> None:
        """Choose what the next exposure sends; the same as `set_geometry`, without sending now.

        Raises: `BadGeometry`.
        """
        info = self.info()
        full = (info.width // binning, info.height // binning) if binning >= 1 else (0, 0)
        x, y, width, height = subframe or (0, 0, *full)
        limits = say(
            "binning 1 to {max_binning}, {width} x {height} binned pixels",
            max_binning=info.max_binning,
            width=full[0],
            height=full[1],
        )
        if not 1 <= binning <= info.max_binning:
            raise BadGeometry(
                self.where,
                "binx",
                say("binning {binning} asked; {limits}", binning=binning, limits=limits),
            )
        if min(x, y) < 0 or min(width, height) < 1 or x + width > full[0] or y + height > full[1]:
            raise BadGeometry(
                self.where,
                "numx",
                say(
                    "{width} x {height} from ({left}, {top}) asked; {limits}",
                    width=width,
                    height=height,
                    left=x,
                    top=y,
                    limits=limits,
                ),
            )
        self._settings = CameraSettings(binning, x, y, width, height)

    def send_geometry(self, *, changed_only: bool = False) -> CameraSettings:
        """Send the geometry set last (again): another program may have changed it meanwhile.

        The whole sensor, unbinned, when none was set. ``changed_only`` leaves out what was sent
        before and cannot have changed since without showing in the image's size.
        """
        wanted = self._settings
        if wanted is None:
            return self.set_geometry()
        has, self._sent = self._sent if changed_only else None, None
        self.may_have.add(wanted)
        whole = self._is_whole(wanted)
        if has is None or has.binning != wanted.binning:
            self._set("binx", wanted.binning == 1, BinX=wanted.binning)
            self._set("biny", wanted.binning == 1, BinY=wanted.binning)
        for member, parameter, value, old in (
            ("startx", "StartX", wanted.x, None if has is None else has.x),
            ("starty", "StartY", wanted.y, None if has is None else has.y),
            ("numx", "NumX", wanted.width, None if has is None else has.width),
            ("numy", "NumY", wanted.height, None if has is None else has.height),
        ):
            if value != old:
                self._set(member, whole, **{parameter: value})
        self._sent = wanted
        self.may_have.clear()
        self.may_have.add(wanted)
        return wanted

    def leave_whole(self, binning: int) -> None:
        """Have the camera take whole frames where a part was sent: for whoever exposes next.

        Raises as `set_geometry`.
        """
        self.choose_geometry(binning)
        if self.may_have - {self._settings}:
            self.send_geometry()

    def _is_whole(self, wanted: CameraSettings) -> bool:
        info = self.info()
        full = (0, 0, info.width // wanted.binning, info.height // wanted.binning)
        return (wanted.x, wanted.y, wanted.width, wanted.height) == full

    def _set(self, member: str, as_it_is: bool, **params: int) -> None:
        """Send a setting; a camera that lacks the member is taken to be ``as_it_is`` by itself.

        Raises: `BadGeometry`, telling what is missing, when it would have to change.
        """
        if member not in self._absent:
            try:
                self.connection.set(self._path(member), params, where=self.where)
            except (RefusedByDevice, HttpRejected) as exc:
                if not is_absent(exc):
                    raise
                self._absent.add(member)
            else:
                return
        if not as_it_is:
            raise BadGeometry(self.where, member, say("the camera cannot set it"))
        self.note(
            say(
                "camera does not offer {member}: taken to use the whole sensor, unbinned",
                member=member,
            ),
            tell=True,
        )

    def configure(
        self,
        *,
        binning: int = 1,
        subframe: tuple[int, int, int, int] | None = None,
        gain: int | str | None = None,
        offset: int | str | None = None,
    ) -> CameraSettings:
        """Set everything for the coming exposures; None leaves gain or offset as they are.

        Raises: `BadGeometry`, `InvalidValue`.
        """
        if gain is not None:
            self.set_gain(gain)
        if offset is not None:
            self.set_offset(offset)
        return self.set_geometry(binning, subframe)

    def set_gain(self, gain: int | str) -> None:
        """Set the gain by number, or by name where the camera has named gains.

        A camera without gain control leaves a note. Raises `InvalidValue`.
        """
        info = self.info()
        number = self._chosen("gain", gain, info.gains, info.gain_range)
        if number is not None:
            self._put("gain", Gain=number)

    def set_offset(self, offset: int | str) -> None:
        """Set the offset by number or name; as `set_gain`."""
        info = self.info()
        number = self._chosen("offset", offset, info.offsets, info.offset_range)
        if number is not None:
            self._put("offset", Offset=number)

    def _chosen(
        self,
        member: str,
        wanted: int | str,
        names: tuple[str, ...] | None,
        limits: tuple[int, int] | None,
    ) -> int | None:
        text = str(wanted).strip()
        if names is not None:
            for index, name in enumerate(names):
                if name.strip().lower() == text.lower():
                    return index
            if text.isdecimal() and int(text) < len(names):
                return int(text)
            raise InvalidValue(
                self.where,
                member,
                say("'{wanted}' asked; choices: {names}", wanted=text, names=joined(", ", names)),
                0x401,
            )
        if limits is None:
            self.note(
                say(
                    "camera has no {member} to set; {member} {wanted} is ignored",
                    member=member,
                    wanted=text,
                )
            )
            return None
        if not text.lstrip("-").isdecimal() or not limits[0] <= int(text) <= limits[1]:
            raise InvalidValue(
                self.where,
                member,
                say(
                    "'{wanted}' asked; {least} to {most}",
                    wanted=text,
                    least=limits[0],
                    most=limits[1],
                ),
                0x401,
            )
        return int(text)

    def gain(self) -> int | None:
        """Return the gain's number, or its index where gains have names."""
        return self._quiet("gain", INT)

    def offset(self) -> int | None:
        """Return the offset's number, or its index where offsets have names."""
        return self._quiet("offset", INT)

    # -- exposures -------------------------------------------------------------------------

    def abort_exposure(self) -> bool:
        """Discard the running exposure; return False when the camera cannot."""
        try:
            if self.info().can_abort:
                self._put("abortexposure", timeout_s=10.0, urgent=True)
            elif self.info().can_stop:
                self._put("stopexposure", timeout_s=10.0, urgent=True)
            else:
                return False
        except (RefusedByDevice, HttpRejected):
            return False
        return True

    def start_exposure(self, duration_s: float, light: bool) -> None:
        """Start only; prefer `camera.Camera.expose`."""
        self._put("startexposure", timeout_s=15.0, Duration=float(duration_s), Light=light)

    def last_exposure_start(self) -> str | None:
        """Return the camera's own text for when the last exposure started."""
        return self._optional("lastexposurestarttime", TEXT)

    def last_exposure_duration_s(self) -> float | None:
        """Return how long the camera says the last exposure took, seconds."""
        return self._optional("lastexposureduration", FLOAT)

    def image_path(self) -> str:
        """Return the path that hands out the image."""
        return self._path("imagearray")

    def sensor_kind(self, settings: CameraSettings) -> tuple[SensorKind, tuple[int, int]]:
        """Return how a 2-D frame with these settings is to be read, and its mosaic offset.

        The driver's offset belongs to the full sensor, so an odd start of the subframe shifts it.
        Binned mosaics mix colours and count as mono.
        """
        info = self.info()
        if info.sensor_type in {SensorType.MONO, SensorType.COLOUR} or settings.binning > 1:
            return SensorKind.MONO, (0, 0)
        x, y = info.bayer_offset
        return SensorKind.BAYER, ((x - settings.x) % 2, (y - settings.y) % 2)
