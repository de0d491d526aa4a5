"""The camera as Alpaca sees it (ICameraV3 or V4). What it records is asked from the rig."""
# ruff: noqa: D102 - what get_ and put_ methods mean is said by the standard

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polewright.foundation.clock import CancelToken, Clock, threads_of
from polewright.foundation.errors import Cancelled
from polewright_sim.camera.cooler import Cooler
from polewright_sim.camera_spec import SensorSpec
from polewright_sim.spec import CameraDriverSpec
from polewright_wire import Device, ImagePayload, to_wire_order, utc_text
from polewright_wire.errors import DriverTrouble, NotNow, NotSupported, ValueRefused
from polewright_wire.standard import CAMERA

_log = logging.getLogger(__name__)
_MONO, _RGGB = 0, 2


class CameraState(IntEnum):
    """As the standard numbers them."""

    IDLE = 0
    WAITING = 1
    EXPOSING = 2
    READING = 3
    DOWNLOAD = 4
    ERROR = 5


@dataclass(frozen=True)
class Exposure:
    """One exposure as it was commanded."""

    start_s: float
    """Unix seconds UTC."""
    duration_s: float
    light: bool
    binning: int
    subframe: tuple[int, int, int, int]
    """x, y, width, height in binned pixels."""


Record = Callable[[Exposure], NDArray[np.uint16]]
"""Makes the frame (H, W) of an exposure that has just ended."""


class CameraDevice(Device):
    """Publishes a camera."""

    standard = CAMERA

    def __init__(
        self,
        sensor: SensorSpec,
        spec: CameraDriverSpec,
        record: Record,
        clock: Clock,
        *,
        name: str,
        unique_id: str,
    ) -> None:
        super().__init__(
            name=name,
            unique_id=unique_id,
            description="Simulated camera",
            driver_info="Polewright's simulated rig: a camera that sees the real sky",
            interface_version=spec.interface_version,
            utc_s=clock.utc_s,
        )
        self.spec = spec
        self.sensor = sensor
        self._record = record
        self._clock = clock
        self._cooler = Cooler(spec.ambient_c, clock.utc_s()) if spec.cooler else None
        self._lock = threading.RLock()
        self._binning = 1
        self._start = [0, 0]
        self._size = [sensor.width, sensor.height]
        self._gain = spec.gain
        self._offset = spec.offset
        self._state = CameraState.IDLE
        self._failure = ""
        self._image: ImagePayload | None = None
        self._running: Exposure | None = None
        self._ending = CancelToken()
        self._last: Exposure | None = None
        self.last_frame: NDArray[np.uint16] | None = None
        """(H, W) view of the last image, for tests and displays in this process."""
        self.shutter_moves = 0
        """How often the shutter was opened and closed."""
        self._read_before = (1, (0, 0, sensor.width, sensor.height))
        """Binning and subframe of the exposure before."""

    # Exposing

    def put_startexposure(self, duration_s: float, light: bool) -> None:
        spec = self.spec
        if not spec.exposure_min_s <= duration_s <= spec.exposure_max_s:
            raise ValueRefused(
                f"Duration must be {spec.exposure_min_s:g} to {spec.exposure_max_s:g} s, "
                f"not {duration_s:g} s"
            )
        with self._lock:
            if self._state not in (CameraState.IDLE, CameraState.ERROR):
                raise NotNow("an exposure is under way; wait for it or abort it")
            subframe = self._checked_subframe()
            start_s = self._clock.utc_s()
            if spec.subframes == "restart" and (self._binning, subframe) != self._read_before:
                start_s += spec.restart_s
            self._read_before = (self._binning, subframe)
            exposure = Exposure(start_s, duration_s, light, self._binning, subframe)
            self.shutter_moves += light and spec.has_shutter
            self._image = None
            self.last_frame = None
            self._failure = ""
            self._state = CameraState.EXPOSING
            self._running = exposure
            self._ending = CancelToken()
            ending = self._ending
            threads_of(self._clock).start(lambda: self._expose(exposure, ending), "exposure")

    def _checked_subframe(self) -> tuple[int, int, int, int]:
        for letter, start, size, whole in zip(
            "XY", self._start, self._size, (self.sensor.width, self.sensor.height), strict=True
        ):
            most = whole // self._binning
            if not 1 <= size <= most:
                raise ValueRefused(
                    f"Num{letter} must be 1 to {most} at {self._binning}x binning, not {size}"
                )
            if not 0 <= start <= most - size:
                raise ValueRefused(
                    f"Start{letter} must be 0 to {most - size} with Num{letter} {size}, not {start}"
                )
            if size < most and self.spec.subframes == "refused":
                raise ValueRefused(f"Num{letter} must be {most}: this camera reads all of it")
        if self.spec.subframes == "ignored":
            return (0, 0, self.sensor.width // self._binning, self.sensor.height // self._binning)
        return (self._start[0], self._start[1], self._size[0], self._size[1])

    def _expose(self, exposure: Exposure, ending: CancelToken) -> None:
        try:
            self._wait_until(exposure.start_s + exposure.duration_s, ending)
        except Cancelled:
            if ending.reason == "abort":
                return
            done_s = min(exposure.duration_s, self._clock.utc_s() - exposure.start_s)
            exposure = Exposure(
                exposure.start_s, done_s, exposure.light, exposure.binning, exposure.subframe
            )
        _x, _y, columns, rows = exposure.subframe
        megapixels = columns * rows * exposure.binning**2 * 1e-6
        ready_s = exposure.start_s + exposure.duration_s + self.spec.readout_s
        ready_s += self.spec.readout_s_per_megapixel * megapixels
        with self._lock:
            if self._ending is not ending or ending.reason == "abort":
                return
            self._state = CameraState.READING
        try:
            frame = self._as_handed_out(self._record(exposure))
            wire = to_wire_order(frame)
            image = ImagePayload(wire)
        except Exception as trouble:  # noqa: BLE001 - told to the client by ImageReady
            _log.exception("the simulated exposure failed")
            with self._lock:
                if self._ending is ending:
                    self._state = CameraState.ERROR
                    self._failure = f"the exposure failed: {trouble}"
                    self._running = None
            return
        self._clock.sleep(max(0.0, ready_s - self._clock.utc_s()))
        with self._lock:
            if self._ending is not ending or ending.reason == "abort":
                return
            self._image = image
            self.last_frame = np.swapaxes(wire, 0, 1)
            self._last = exposure
            self._running = None
            self._state = CameraState.IDLE

    def _wait_until(self, utc_s: float, ending: CancelToken) -> None:
        while (left_s := utc_s - self._clock.utc_s()) > 0.0:
            self._clock.sleep(left_s, ending)

    def put_abortexposure(self) -> None:
        if not self.spec.can_abort:
            raise NotSupported("this camera cannot abort an exposure")
        with self._lock:
            self._ending.cancel("abort")
            # A reason given by an earlier stop stays: what is read out is then thrown away.
            self._ending = CancelToken()
            self._running = None
            self._state = CameraState.IDLE

    def put_stopexposure(self) -> None:
        if not self.spec.can_stop:
            raise NotSupported("this camera cannot stop an exposure early")
        with self._lock:
            if self._state is CameraState.EXPOSING:
                self._ending.cancel("stop")

    def on_disconnect(self) -> None:
        """End what runs."""
        with self._lock:
            self._ending.cancel("abort")
            self._ending = CancelToken()
            self._running = None
            self._state = CameraState.IDLE

    def get_canabortexposure(self) -> bool:
        return self.spec.can_abort

    def get_canstopexposure(self) -> bool:
        return self.spec.can_stop

    def get_camerastate(self) -> int:
        return int(self._state)

    def get_percentcompleted(self) -> int:
        with self._lock:
            if self._running is not None and self._state is CameraState.EXPOSING:
                passed = (self._clock.utc_s() - self._running.start_s) / max(
                    self._running.duration_s, 1e-3
                )
                return max(0, min(100, int(100 * passed)))
            if self._state is CameraState.READING or self._image is not None:
                return 100
        raise NotNow("no exposure is under way")

    # The image

    def _as_handed_out(self, counts: NDArray[np.uint16]) -> NDArray[Any]:
        if self.spec.pixel_type == "uint8":
            return (counts >> 8).astype(np.uint8)
        pixels = counts.astype(self.spec.pixel_type, copy=False)
        if self.spec.counts_to_one and pixels.dtype.kind == "f":
            pixels /= self.get_maxadu()
        return pixels

    def get_imageready(self) -> bool:
        with self._lock:
            if self._state is CameraState.ERROR:
                raise DriverTrouble(self._failure)
            return self._image is not None

    def get_imagearray(self) -> ImagePayload:
        with self._lock:
            image = self._image
            if image is None:
                raise NotNow("there is no image yet; start an exposure and wait for ImageReady")
        if self.spec.handover_mb_per_s is not None:
            self._clock.sleep(image.array.nbytes * 1e-6 / self.spec.handover_mb_per_s)
        return image

    def get_imagearrayvariant(self) -> ImagePayload:
        return self.get_imagearray()

    def _finished(self) -> Exposure:
        if self._last is None:
            raise NotNow("no exposure has been finished yet")
        return self._last

    def get_lastexposureduration(self) -> float:
        return self._finished().duration_s

    def get_lastexposurestarttime(self) -> str:
        return utc_text(self._finished().start_s, zone="")

    # Geometry

    def get_cameraxsize(self) -> int:
        return self.sensor.width

    def get_cameraysize(self) -> int:
        return self.sensor.height

    def get_canasymmetricbin(self) -> bool:
        return False

    def get_maxbinx(self) -> int:
        return self.sensor.max_binning

    def get_maxbiny(self) -> int:
        return self.sensor.max_binning

    def get_binx(self) -> int:
        return self._binning

    def get_biny(self) -> int:
        return self._binning

    def put_binx(self, value: int) -> None:
        if not 1 <= value <= self.sensor.max_binning:
            raise ValueRefused(f"binning must be 1 to {self.sensor.max_binning}, not {value}")
        self._binning = value

    def put_biny(self, value: int) -> None:
        self.put_binx(value)

    def get_startx(self) -> int:
        return self._start[0]

    def put_startx(self, value: int) -> None:
        self._start[0] = value

    def get_starty(self) -> int:
        return self._start[1]

    def put_starty(self, value: int) -> None:
        self._start[1] = value

    def get_numx(self) -> int:
        return self._size[0]

    def put_numx(self, value: int) -> None:
        self._size[0] = value

    def get_numy(self) -> int:
        return self._size[1]

    def put_numy(self, value: int) -> None:
        self._size[1] = value

    # The sensor

    def get_pixelsizex(self) -> float:
        return self.sensor.pixel_um

    def get_pixelsizey(self) -> float:
        return self.sensor.pixel_um

    def get_sensorname(self) -> str:
        return "simulated sensor"

    def get_sensortype(self) -> int:
        return _RGGB if self.sensor.bayer else _MONO

    def get_bayeroffsetx(self) -> int:
        return self._bayer_offset(0)

    def get_bayeroffsety(self) -> int:
        return self._bayer_offset(1)

    def _bayer_offset(self, index: int) -> int:
        if not self.sensor.bayer:
            raise NotSupported("a monochrome sensor has no colour mosaic")
        return self.sensor.bayer_offset[index]

    def get_maxadu(self) -> int:
        return self.sensor.max_adu >> 8 if self.spec.pixel_type == "uint8" else self.sensor.max_adu

    def get_electronsperadu(self) -> float:
        eight = 256.0 if self.spec.pixel_type == "uint8" else 1.0
        return self.sensor.gain_e_per_adu * eight

    def get_fullwellcapacity(self) -> float:
        return self.sensor.full_well_e

    def get_exposuremin(self) -> float:
        told_s = self.spec.exposure_min_told_s
        return self.spec.exposure_min_s if told_s is None else told_s

    def get_exposuremax(self) -> float:
        return self.spec.exposure_max_s

    def get_exposureresolution(self) -> float:
        return 0.001

    def get_hasshutter(self) -> bool:
        return self.spec.has_shutter

    def get_canfastreadout(self) -> bool:
        return False

    def get_readoutmode(self) -> int:
        return 0

    def put_readoutmode(self, value: int) -> None:
        if value != 0:
            raise ValueRefused(f"there is one readout mode, number 0, not {value}")

    def get_readoutmodes(self) -> list[str]:
        return ["Normal"]

    def get_canpulseguide(self) -> bool:
        return False

    # Gain and offset: values, names, or nothing

    def get_gain(self) -> int:
        _needs(self.spec.gain_mode, "values", "names")
        return self._gain

    def put_gain(self, value: int) -> None:
        self._gain = _setting("Gain", value, self.spec.gain_mode, *self._gain_ends())

    def _gain_ends(self) -> tuple[tuple[int, int], tuple[str, ...]]:
        return self.spec.gain_range, self.spec.gain_names

    def get_gainmin(self) -> int:
        _needs(self.spec.gain_mode, "values")
        return self.spec.gain_range[0]

    def get_gainmax(self) -> int:
        _needs(self.spec.gain_mode, "values")
        return self.spec.gain_range[1]

    def get_gains(self) -> list[str]:
        _needs(self.spec.gain_mode, "names")
        return list(self.spec.gain_names)

    def get_offset(self) -> int:
        _needs(self.spec.offset_mode, "values", "names")
        return self._offset

    def put_offset(self, value: int) -> None:
        ends = (self.spec.offset_range, self.spec.offset_names)
        self._offset = _setting("Offset", value, self.spec.offset_mode, *ends)

    def get_offsetmin(self) -> int:
        _needs(self.spec.offset_mode, "values")
        return self.spec.offset_range[0]

    def get_offsetmax(self) -> int:
        _needs(self.spec.offset_mode, "values")
        return self.spec.offset_range[1]

    def get_offsets(self) -> list[str]:
        _needs(self.spec.offset_mode, "names")
        return list(self.spec.offset_names)

    # Cooling

    def _cooling(self) -> Cooler:
        if self._cooler is None:
            raise NotSupported("this camera is not cooled")
        return self._cooler

    def get_cansetccdtemperature(self) -> bool:
        return self._cooler is not None

    def get_cangetcoolerpower(self) -> bool:
        return self._cooler is not None

    def get_ccdtemperature(self) -> float:
        return self._cooling().temperature_c(self._clock.utc_s())

    def get_heatsinktemperature(self) -> float:
        return self._cooling().ambient_c

    def get_cooleron(self) -> bool:
        return self._cooling().on

    def put_cooleron(self, on: bool) -> None:
        self._cooling().set(self._clock.utc_s(), on=on)

    def get_coolerpower(self) -> float:
        return self._cooling().power_percent(self._clock.utc_s())

    def get_setccdtemperature(self) -> float:
        return self._cooling().target_c

    def put_setccdtemperature(self, celsius: float) -> None:
        cooler = self._cooling()
        if not -60.0 <= celsius <= cooler.ambient_c:
            raise ValueRefused(
                f"SetCCDTemperature must be -60 to {cooler.ambient_c:g} C, not {celsius:g} C"
            )
        cooler.set(self._clock.utc_s(), target_c=celsius)


def _needs(mode: str, *modes: str) -> None:
    if mode not in modes:
        raise NotSupported(f"not in the mode of this camera ({mode})")


def _setting(
    name: str, value: int, mode: str, ends: tuple[int, int], names: tuple[str, ...]
) -> int:
    _needs(mode, "values", "names")
    low, high = ends if mode == "values" else (0, len(names) - 1)
    if not low <= value <= high:
        raise ValueRefused(f"{name} must be {low} to {high}, not {value}")
    return value
