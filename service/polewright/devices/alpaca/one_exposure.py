"""One exposure: start, wait, download, check that the image is the one asked for."""

from __future__ import annotations

import logging
import re
import zlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from polewright.calculation.images.frame import Frame, SensorKind
from polewright.devices.alpaca import imagebytes
from polewright.devices.alpaca.camera_commands import CameraDevice, CameraSettings, PastExposure
from polewright.devices.alpaca.client import Request
from polewright.devices.alpaca.deadline import Deadline
from polewright.devices.alpaca.errors import (
    AlpacaError,
    BadReply,
    CameraBusy,
    ConnectionDropped,
    DeviceSilent,
    ExposureFailed,
    ExposureOutOfRange,
    ExposureTimedOut,
    ForeignAnswer,
    HttpRejected,
    MislabelledImage,
    RefusedByDevice,
    StaleImage,
)
from polewright.devices.alpaca.models import parse_utc
from polewright.foundation.clock import CancelToken, Clock
from polewright.foundation.language import say

log = logging.getLogger(__name__)

#: A camera's clock further off than this says nothing about our exposure.
SANE_OFFSET_S = 3.0
#: A clock that jumps by more than this against its timer was set.
CLOCK_SET_S = 1.5
#: Slowest transfer put up with, bytes per second (a poor wireless link).
SLOWEST_BYTES_S = 0.5e6
#: JSON spends at most so many characters on a pixel (sign, digits, comma).
JSON_BYTES_PER_PIXEL = 26
#: Cameras whose state lags behind their image are waited for so long.
BUSY_THOUGH_READY_S = 3.0
#: An image with fewer pixels than this between its darkest and its brightest value (a cap on, all
#: full) may well come twice: no noise shows in it. No star can be solved in it either.
LEAST_NOISY_PIXELS = 50
#: Between two questions whether the image is ready: this share of the time waited since the
#: exposure's end, so much later it is noticed; at least and at most so long, s (own choices).
LATE_SHARE, LEAST_PAUSE_S, MOST_PAUSE_S = 0.15, 0.03, 0.25
_EXPOSING_STATES, _UNFINISHED_STATES, _ERROR = (1, 2, 3, 4), (1, 2, 3), 5


@dataclass(frozen=True)
class ExposureProgress:
    """A look at a running exposure."""

    elapsed_s: float
    duration_s: float
    phase: str
    """"exposing", "reading" or "downloading"."""


class Exposure:
    """The steps of `Camera.expose`.

    ``brisk`` asks the camera no more than it must, as each question takes its time over a link:
    what is wrong with such an image shows in its size or its pixels, and its time is our own.
    """

    def __init__(
        self,
        camera: CameraDevice,
        clock: Clock,
        cancel: CancelToken | None,
        on_progress: Callable[[ExposureProgress], None] | None,
        *,
        brisk: bool = False,
    ) -> None:
        self.camera, self.clock, self.cancel = camera, clock, cancel
        self.on_progress = on_progress
        self.brisk = brisk
        self.abandoned = False
        self._base_s = 0.0

    def expose(self, duration_s: float, light: bool, margin_s: float) -> WaitingImage:
        """Run the exposure up to the camera's word that the image is ready."""
        camera, clock = self.camera, self.clock
        duration_s = self._within_limits(duration_s)
        if not self.brisk:
            self._wait_idle("startexposure", 5.0)
        settings = camera.send_geometry(changed_only=self.brisk)
        if self.cancel is not None:
            self.cancel.check()
        try:
            before_s, timer_s = clock.utc_s(), clock.monotonic_s()
            self._base_s = before_s - timer_s
            self._start(duration_s, light)
            after_s = clock.utc_s()
            self._wait_ready(duration_s, timer_s, margin_s)
            self._tell("downloading", timer_s, duration_s)
        except BaseException:
            self._abort()
            raise
        return WaitingImage(self, settings, duration_s, before_s, after_s)

    def fetch(
        self,
        settings: CameraSettings,
        duration_s: float,
        before_s: float,
        after_s: float,
        on_handed_over: Callable[[], None] | None = None,
    ) -> Frame:
        """Download the image that waits in the camera and check that it is the one asked for."""
        camera = self.camera
        try:
            raw = self._download(settings, on_handed_over)
        except BaseException:
            # Who is not waited for any more leaves the camera to whoever has it now.
            if not self.abandoned and not (self.cancel is not None and self.cancel.cancelled):
                self._abort()
            raise
        image = imagebytes.decode(raw.content_type, raw.body, camera.where)
        camera.connection.check_id(
            camera.where,
            imagebytes.MEMBER,
            raw.transaction,
            image.client_transaction,
            image=True,
        )
        self._check_shape(image.pixels.shape, settings)
        self._check_new(image.pixels)
        mid_s, start_text = 0.5 * (before_s + after_s + duration_s), None
        if not self.brisk:
            mid_s, start_text = self._check_fresh(before_s, after_s, duration_s)
        return self._frame(image.pixels, settings, duration_s, mid_s, start_text)

    def _tell(self, phase: str, timer_s: float, duration_s: float) -> None:
        if self.on_progress is not None:
            elapsed = self.clock.monotonic_s() - timer_s
            self.on_progress(ExposureProgress(elapsed, duration_s, phase))

    def _within_limits(self, duration_s: float) -> float:
        info, where = self.camera.info(), self.camera.where
        low, high = info.exposure_min_s, info.exposure_max_s
        shown = say(
            "{duration_s:g} s asked, allowed {least_s:g} s to ",
            duration_s=duration_s,
            least_s=low if low is not None else 0,
        ) + (f"{high:g} s" if high is not None else "any")
        if not (np.isfinite(duration_s) and duration_s >= 0.0):
            raise ExposureOutOfRange(where, "startexposure", shown)
        if high is not None and high > 0.0 and duration_s > high:
            raise ExposureOutOfRange(where, "startexposure", shown)
        if low is not None and duration_s < low:
            self.camera.note(
                say(
                    "exposure of {duration_s:g} s raised to the camera's least, {low:g} s",
                    duration_s=duration_s,
                    low=low,
                )
            )
            return low
        return duration_s

    def _start(self, duration_s: float, light: bool) -> None:
        try:
            self.camera.start_exposure(duration_s, light)
        except (DeviceSilent, ConnectionDropped, ForeignAnswer):
            # The answer was lost, the command perhaps not: look before giving up, never repeat.
            if self.camera.state() not in _EXPOSING_STATES:
                raise
            self.camera.note(say("the answer to startexposure was lost, but the camera exposes"))

    def _wait_idle(self, member: str, timeout_s: float) -> None:
        deadline = Deadline(self.clock, timeout_s)
        while (state := self.camera.state()) in _EXPOSING_STATES:
            if deadline.passed:
                raise CameraBusy(self.camera.where, member, say("state {state}", state=state))
            self.clock.sleep(0.25, self.cancel)

    def _wait_ready(self, duration_s: float, timer_s: float, margin_s: float) -> None:
        camera, clock = self.camera, self.clock
        # An image that is "ready" earlier belongs to another exposure: not even asked for.
        end_s = timer_s + duration_s
        while (left := end_s - clock.monotonic_s()) > 0.0:
            self._tell("exposing", timer_s, duration_s)
            clock.sleep(min(0.5, left), self.cancel)
            if left > 1.0:
                self._raise_on_error_state()
        deadline = Deadline(clock, margin_s, real_share=1.0)
        busy_limit: Deadline | None = None
        while True:
            if self._ready():
                if self.brisk:
                    return
                # "Ready" while still exposing or reading speaks of an older image.
                if camera.state() not in _UNFINISHED_STATES:
                    return
                busy_limit = busy_limit or Deadline(clock, BUSY_THOUGH_READY_S, real_share=1.0)
                if busy_limit.passed:
                    camera.note(say("the camera calls itself busy although its image is ready"))
                    return
            if not self.brisk or clock.monotonic_s() - end_s > MOST_PAUSE_S:
                self._raise_on_error_state()
            self._tell("reading", timer_s, duration_s)
            if deadline.passed:
                raise ExposureTimedOut(
                    camera.where,
                    "imageready",
                    say(
                        "{margin_s:g} s after {duration_s:g} s of exposure",
                        margin_s=margin_s,
                        duration_s=duration_s,
                    ),
                )
            waited_s = clock.monotonic_s() - end_s
            clock.sleep(min(max(LEAST_PAUSE_S, LATE_SHARE * waited_s), MOST_PAUSE_S), self.cancel)

    def _ready(self) -> bool:
        try:
            return self.camera.image_ready()
        except RefusedByDevice as exc:
            raise ExposureFailed(self.camera.where, "imageready", str(exc)) from exc

    def _raise_on_error_state(self) -> None:
        if self.camera.state() == _ERROR:
            raise ExposureFailed(
                self.camera.where, "camerastate", say("the camera is in error state 5")
            )

    def _abort(self) -> None:
        """Leave the camera idle; what goes wrong here must not hide why we abort."""
        try:
            if self.camera.state() not in _EXPOSING_STATES:
                return
            self.camera.abort_exposure()
            deadline = Deadline(self.clock, 10.0)
            while self.camera.state() in _EXPOSING_STATES:
                if deadline.passed:
                    self.camera.note(say("the camera was not idle 10 s after an abort"))
                    return
                self.clock.sleep(0.25)
        except AlpacaError as exc:
            log.warning("camera.abort_failed device=%s: %s", self.camera.where, exc)

    def _download(
        self, settings: CameraSettings, on_handed_over: Callable[[], None] | None
    ) -> _Raw:
        pixels = settings.width * settings.height
        planes = 3
        expected = planes * pixels * 4
        # The first byte of a JSON image comes after all of it was written into memory.
        first_s = 30.0 + pixels * 1e-6
        transaction = self.camera.connection.next_id()
        request = Request(
            "GET",
            self.camera.image_path(),
            self.camera.where,
            timeout_s=first_s,
            total_s=first_s + 30.0 + expected / SLOWEST_BYTES_S,
            accept=f"{imagebytes.CONTENT_TYPE}, application/json;q=0.5",
            max_bytes=max(self._full_pixels(), pixels) * planes * JSON_BYTES_PER_PIXEL + 65536,
            transaction=transaction,
            image=True,
            on_head=on_handed_over,
        )
        raw = self.camera.connection.raw(request)
        return _Raw(raw.content_type, raw.body, transaction)

    def _full_pixels(self) -> int:
        info = self.camera.info()
        return info.width * info.height

    def _check_shape(self, shape: tuple[int, ...], settings: CameraSettings) -> None:
        """Refuse an image of another size than asked for, unless this camera always sends that.

        Where the middle of the picture lies depends on its size: images of different sizes in one
        run would look like a mount that has slipped.
        """
        camera = self.camera
        got, asked = (shape[1], shape[0]), (settings.width, settings.height)
        usual = camera.image_sizes.get(settings)
        if got == (usual or asked):
            camera.image_sizes[settings] = got
            return
        text = say(
            "{width} x {height} pixels came, {asked_width} x {asked_height} were asked",
            width=got[0],
            height=got[1],
            asked_width=asked[0],
            asked_height=asked[1],
        )
        if usual is not None and usual != asked:
            text += say(
                ", and {usual_width} x {usual_height} came before",
                usual_width=usual[0],
                usual_height=usual[1],
            )
        if got == asked[::-1]:
            raise MislabelledImage(
                camera.where, imagebytes.MEMBER, say("{sizes}: transposed", sizes=text)
            )
        if usual is None and camera.odd_sizes.get(settings) == got:
            camera.image_sizes[settings] = got
            camera.note(say("{sizes}, twice: taken as they come", sizes=text), tell=True)
            return
        camera.odd_sizes[settings] = got
        raise MislabelledImage(camera.where, imagebytes.MEMBER, text)

    # -- is it the right image, and of when? -------------------------------------------------

    def _check_new(self, pixels: np.ndarray) -> None:
        """Raise `StaleImage` when these pixels came before: noise never repeats itself."""
        key, seen = fingerprint(pixels), self.camera.seen_images
        ago = next((n for n, other in enumerate(reversed(seen), 1) if other == key), None)
        if ago is not None and _has_noise(pixels):
            which = (
                say("the one before") if ago == 1 else say("the one {ago} images before", ago=ago)
            )
            raise StaleImage(
                self.camera.where,
                imagebytes.MEMBER,
                say("every pixel is the same as in {frame}", frame=which),
            )
        seen.append(key)

    def _check_fresh(
        self, before_s: float, after_s: float, duration_s: float
    ) -> tuple[float, str | None]:
        """Return mid-exposure (Unix seconds UTC) and the camera's own start text.

        Own times around the start command are the base. The camera's start time replaces them
        when it is within `SANE_OFFSET_S` and has fractions of a second (whole seconds are
        worse than our own).
        """
        camera = self.camera
        past = camera.last_exposure
        text = self._own_start_text()
        took_s = self._own_duration(duration_s)
        asked_s = 0.5 * (before_s + after_s)
        started_s = _parsed(text)
        offset_s = None if started_s is None else started_s - asked_s
        now = PastExposure(asked_s, text, offset_s, self._base_s)
        if past is not None and _is_stale(past, now):
            raise StaleImage(
                camera.where,
                imagebytes.MEMBER,
                say("it says it started {start_time}", start_time=text),
            )
        camera.last_exposure = now
        mid_s = asked_s + 0.5 * duration_s
        if started_s is None or offset_s is None:
            return mid_s, text
        if abs(offset_s) > SANE_OFFSET_S:
            camera.note(
                say(
                    "camera's start time is {offset_s:+.0f} s from this computer's clock: ignored",
                    offset_s=offset_s,
                )
            )
            return mid_s, text
        if re.search(r"\.\d*[1-9]", text or ""):
            return started_s + 0.5 * took_s, text
        return mid_s, text

    def _own_start_text(self) -> str | None:
        try:
            return self.camera.last_exposure_start()
        except (RefusedByDevice, HttpRejected, BadReply):
            return None

    def _own_duration(self, duration_s: float) -> float:
        try:
            took_s = self.camera.last_exposure_duration_s()
        except (RefusedByDevice, HttpRejected, BadReply):
            took_s = None
        if took_s is None:
            return duration_s
        if abs(took_s - duration_s) > 0.5 + 0.1 * duration_s:
            self.camera.note(
                say(
                    "camera says it exposed {took_s:g} s where {duration_s:g} s were asked: "
                    "ignored",
                    took_s=took_s,
                    duration_s=duration_s,
                )
            )
            return duration_s
        return took_s

    def _frame(
        self,
        pixels: np.ndarray,
        settings: CameraSettings,
        duration_s: float,
        mid_s: float,
        start_text: str | None,
    ) -> Frame:
        camera, info = self.camera, self.camera.info()
        kind, mosaic = camera.sensor_kind(settings)
        if pixels.ndim == 3:
            if pixels.shape[2] == 1:
                pixels = pixels[:, :, 0]
            else:
                kind, mosaic = SensorKind.PLANES, (0, 0)
        full, gain = camera.levels(known=self.brisk)
        if pixels.dtype.kind == "f":
            pixels = _as_counts(pixels, full)
        meta = {"camera": info.name, "sensor": info.sensor_name}
        if start_text:
            meta["camera_start"] = start_text
        return Frame(
            pixels=pixels,
            utc_mid_s=mid_s,
            exposure_s=duration_s,
            sensor=kind,
            bayer_offset=mosaic,
            pixel_um=None if info.pixel_um is None else info.pixel_um[0] * settings.binning,
            binning=settings.binning,
            saturation_adu=full,
            gain_e_per_adu=gain,
            meta={key: value for key, value in meta.items() if value},
        )


@dataclass(frozen=True)
class WaitingImage:
    """An exposure that is over, its image still in the camera: the telescope may move again."""

    exposure: Exposure
    settings: CameraSettings
    duration_s: float
    before_s: float
    """Just before the start command, Unix seconds UTC."""
    after_s: float

    def fetch(self, on_handed_over: Callable[[], None] | None = None) -> Frame:
        """Download the image; once, before the camera exposes again. Any thread may.

        Args:
            on_handed_over: called when the camera has given the image to its server, which begins
                to send it: from here on the camera may expose again, if somebody else has it now.

        Raises as `Camera.expose` does for what may be wrong with an image.
        """
        return self.exposure.fetch(
            self.settings, self.duration_s, self.before_s, self.after_s, on_handed_over
        )

    def abandon(self) -> None:
        """Let a fetch that goes on in another thread leave the camera alone when it fails."""
        self.exposure.abandoned = True


def fingerprint(pixels: np.ndarray) -> tuple[object, ...]:
    """Return what tells an image from any other: its size, type, and a checksum of all pixels.

    A view of the download is read where it lies, at 4 GB/s.
    """
    stored = np.ascontiguousarray(pixels.swapaxes(0, 1))
    return pixels.shape, pixels.dtype.str, zlib.crc32(stored.data)


def _has_noise(pixels: np.ndarray) -> bool:
    low, high = pixels.min(), pixels.max()
    return int(np.count_nonzero((pixels > low) & (pixels < high))) >= LEAST_NOISY_PIXELS


@dataclass(frozen=True)
class _Raw:
    content_type: str
    body: bytearray
    transaction: int


def _as_counts(pixels: np.ndarray, full: float | None) -> np.ndarray:
    """Return floating pixels as counts: some drivers scale them so that a full pixel has 1."""
    highest = float(np.max(pixels, where=np.isfinite(pixels), initial=0.0))
    if not 0.0 < highest <= 1.0:
        return pixels
    scale = full if full is not None and full > 1.0 else 65535.0
    return pixels.astype(np.float32) * np.float32(scale)


def _is_stale(past: PastExposure, now: PastExposure) -> bool:
    """Whether the image of ``now`` must be that of ``past``.

    Cameras whose clock is wrong, or that never update their start time, must not be caught, nor
    any other one when this computer's clock was set.
    """
    if abs(now.base_s - past.base_s) > CLOCK_SET_S:
        return False
    elapsed_s = now.asked_utc_s - past.asked_utc_s
    clock_was_right = past.offset_s is not None and abs(past.offset_s) <= SANE_OFFSET_S
    # Start times are told to the second at worst.
    same_start = now.start_text is not None and now.start_text == past.start_text
    same_start = same_start and elapsed_s > 1.0
    too_old = now.offset_s is not None and now.offset_s < -SANE_OFFSET_S
    too_old = too_old and elapsed_s > SANE_OFFSET_S
    return clock_was_right and (same_start or too_old)


def _parsed(text: str | None) -> float | None:
    try:
        return parse_utc(text) if text else None
    except (ValueError, OverflowError):
        return None
