"""A camera over real HTTP: settings, exposures that end, images that are the right ones."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler
from typing import Any

import numpy as np
import pytest
from support.alpaca_wire import Raw, Refuse, Status, WireServer, wire_server

from polewright.calculation.images.frame import SensorKind
from polewright.devices.alpaca import errors
from polewright.devices.alpaca.camera import Camera
from polewright.devices.alpaca.camera_commands import CameraSettings, CameraState, SensorType
from polewright.devices.alpaca.client import AlpacaConnection
from polewright.devices.alpaca.one_exposure import ExposureProgress
from polewright.foundation.clock import CancelToken, SystemClock
from polewright.foundation.errors import Cancelled

RATE = 10.0
WIDTH, HEIGHT = 12, 8


class ScriptedCamera:
    """A sensor whose pixel at column x, row y reads 100 x + y, plus the exposure's number."""

    def __init__(self, clock: SystemClock) -> None:
        self.clock = clock
        self.geometry = {"binx": 1, "biny": 1, "startx": 0, "starty": 0, "numx": 1, "numy": 1}
        self.started_s: float | None = None
        self.started_utc_s = 0.0
        self.duration_s = 0.0
        self.count = 0
        self.fails = False
        self.never_ready = False
        self.always_ready = False
        self.clock_offset_s = 0.0
        self.frozen_start: str | None = None
        self.planes = 0
        self.as_json = False
        self.swap = False
        self.cut = False

    def put(self, name: str) -> Any:
        def member(params: dict[str, str]) -> None:
            (key,) = (k for k in params if k.lower() == name)
            self.geometry[name] = int(params[key])

        return member

    def start(self, params: dict[str, str]) -> None:
        self.started_s = self.clock.monotonic_s()
        self.started_utc_s = self.clock.utc_s()
        self.duration_s = float(params["Duration"])
        self.count += 1

    def abort(self, _params: dict[str, str]) -> None:
        self.started_s = None

    def ready(self, _params: dict[str, str]) -> bool:
        if self.always_ready:
            return True
        if self.started_s is None or self.never_ready:
            return False
        return self.clock.monotonic_s() >= self.started_s + self.duration_s

    def state(self, _params: dict[str, str]) -> int:
        if self.fails and self.started_s is not None:
            return 5
        if self.never_ready and self.started_s is not None:
            return 2
        busy = self.started_s is not None and not self.ready({})
        return 2 if busy else 0

    def start_text(self, _params: dict[str, str]) -> str:
        if self.frozen_start is not None:
            return self.frozen_start
        if not self.count:
            raise Refuse(0x40B, "no image yet")
        moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(
            seconds=self.started_utc_s + self.clock_offset_s
        )
        return moment.strftime("%Y-%m-%dT%H:%M:%S.%f")

    def array(self) -> np.ndarray:
        g = self.geometry
        x = np.arange(g["startx"], g["startx"] + g["numx"])
        y = np.arange(g["starty"], g["starty"] + g["numy"])
        data = 100 * x[:, None] + y[None, :] + self.count - 1
        if self.planes:
            data = np.repeat(data[:, :, None], self.planes, axis=2)
        return data.astype("<u2").swapaxes(0, 1) if self.swap else data.astype("<u2")

    def image(self, params: dict[str, str]) -> Any:
        data = self.array()
        if self.as_json:
            return data.tolist()
        shape = (*data.shape, 0)[:3]
        transaction = int(params["ClientTransactionID"])
        head = struct.pack("<iiIIiiiiiii", 1, 0, transaction, 1, 44, 2, 8, data.ndim, *shape)
        body = head + data.tobytes()
        if self.cut:
            body = body[:-10]

        def write(handler: BaseHTTPRequestHandler) -> None:
            handler.send_response(200)
            handler.send_header("Content-Type", "application/imagebytes")
            handler.send_header("Content-Length", str(len(body)))
            handler.end_headers()
            handler.wfile.write(body)

        raise Raw(write)

    def members(self) -> dict[str, Any]:
        found: dict[str, Any] = {f"PUT camera/0/{name}": self.put(name) for name in self.geometry}
        return found | {
            "camera/0/interfaceversion": 3,
            "camera/0/name": "Scripted camera",
            "camera/0/connected": True,
            "camera/0/cameraxsize": WIDTH,
            "camera/0/cameraysize": HEIGHT,
            "camera/0/maxbinx": 4,
            "camera/0/maxbiny": 4,
            "camera/0/pixelsizex": 3.76,
            "camera/0/pixelsizey": 3.76,
            "camera/0/maxadu": 65535,
            "camera/0/electronsperadu": 0.25,
            "camera/0/exposuremin": 0.001,
            "camera/0/exposuremax": 3600,
            "camera/0/canabortexposure": True,
            "camera/0/canstopexposure": True,
            "camera/0/sensortype": 0,
            "camera/0/imageready": self.ready,
            "camera/0/camerastate": self.state,
            "camera/0/lastexposurestarttime": self.start_text,
            "camera/0/lastexposureduration": lambda p: self.duration_s,
            "camera/0/imagearray": self.image,
            "PUT camera/0/startexposure": self.start,
            "PUT camera/0/abortexposure": self.abort,
        }


class Bench:
    def __init__(
        self, server: WireServer, sensor: ScriptedCamera, camera: Camera, clock: SystemClock
    ) -> None:
        self.server, self.sensor, self.camera, self.clock = server, sensor, camera, clock


@pytest.fixture
def bench() -> Iterator[Bench]:
    clock = SystemClock(rate=RATE)
    sensor = ScriptedCamera(clock)
    with (
        wire_server(sensor.members()) as server,
        AlpacaConnection("127.0.0.1", server.port, timeout_s=2.0) as connection,
    ):
        yield Bench(server, sensor, Camera(connection, clock=clock), clock)


def refuse(number: int) -> Any:
    def member(_params: dict[str, str]) -> None:
        raise Refuse(number, "no")

    return member


# -- exposures -----------------------------------------------------------------------------


def test_exposure_becomes_a_frame_with_its_facts(bench: Bench) -> None:
    before_s = bench.clock.utc_s()
    frame = bench.camera.expose(2.0)
    after_s = bench.clock.utc_s()

    assert (frame.width, frame.height) == (WIDTH, HEIGHT)
    assert frame.pixels[3, 7] == 703
    assert frame.pixels.dtype == np.uint16
    assert frame.exposure_s == 2.0
    assert before_s + 1.0 <= frame.utc_mid_s <= after_s - 1.0
    assert frame.sensor is SensorKind.MONO
    assert frame.pixel_um == 3.76
    assert frame.saturation_adu == 65535
    assert frame.gain_e_per_adu == 0.25
    assert frame.meta["camera"] == "Scripted camera"
    sent = bench.server.sent("startexposure")[0]
    assert (sent["Duration"], sent["Light"]) == ("2.0", "True")


def test_an_image_may_wait_in_the_camera(bench: Bench) -> None:
    """The exposure is over before anything is downloaded; the frame is of when it was exposed."""
    before_s = bench.clock.utc_s()
    waiting = bench.camera.expose_only(2.0)
    after_s = bench.clock.utc_s()
    assert not [r for r in bench.server.requests if r.member == "imagearray"]

    bench.clock.sleep(3.0)
    frame = waiting.fetch()

    assert frame.exposure_s == 2.0
    assert before_s + 1.0 <= frame.utc_mid_s <= after_s - 1.0


def test_imagebytes_are_asked_for(bench: Bench) -> None:
    bench.camera.expose(0.5)

    (request,) = [r for r in bench.server.requests if r.member == "imagearray"]
    assert request.headers["Accept"].startswith("application/imagebytes")


def test_json_in_spite_of_the_request_gives_the_same_frame(bench: Bench) -> None:
    first = bench.camera.expose(0.5)
    bench.sensor.as_json = True
    second = bench.camera.expose(0.5)

    assert np.array_equal(first.pixels + 1, second.pixels)


def test_geometry_is_sent_whole_and_binning_first(bench: Bench) -> None:
    """Values of other programs survive in the camera, so every one is set."""
    bench.camera.configure(binning=2, subframe=(1, 2, 4, 2))
    frame = bench.camera.expose(0.5)

    assert bench.server.order()[:6] == ["binx", "biny", "startx", "starty", "numx", "numy"]
    assert (frame.width, frame.height, frame.binning) == (4, 2, 2)
    assert frame.pixel_um == pytest.approx(7.52)
    assert frame.pixels[0, 0] == 102


def test_geometry_changed_by_another_program_is_set_back(bench: Bench) -> None:
    bench.camera.configure(binning=2)
    bench.sensor.geometry |= {"binx": 1, "numx": 3, "numy": 3}
    frame = bench.camera.expose(0.2)

    assert (frame.width, frame.height) == (WIDTH // 2, HEIGHT // 2)


def test_whole_frames_are_left_where_a_part_was_sent_and_nothing_is_sent_else(
    bench: Bench,
) -> None:
    """Also after a refusal half-way, and after a reconnection that forgets what was sent."""
    bench.camera.configure(binning=1)
    before = len(bench.server.order())
    bench.camera.leave_whole(1)
    assert len(bench.server.order()) == before

    whole = {"binx": 1, "biny": 1, "startx": 0, "starty": 0, "numx": WIDTH, "numy": HEIGHT}
    bench.camera.set_geometry(2, (1, 1, 2, 2))
    bench.camera.leave_whole(1)
    assert bench.sensor.geometry == whole

    set_height = bench.server.members["PUT camera/0/numy"]
    bench.server.members["PUT camera/0/numy"] = refuse(0x401)
    with pytest.raises(errors.InvalidValue):
        bench.camera.set_geometry(1, (1, 1, 2, 2))
    bench.server.members["PUT camera/0/numy"] = set_height
    bench.camera._forget()
    bench.camera.leave_whole(1)
    assert bench.sensor.geometry == whole


@pytest.mark.parametrize(
    ("binning", "subframe"),
    [
        (0, None),
        (5, None),
        (-1, None),
        (1, (0, 0, WIDTH + 1, 2)),
        (1, (0, 0, 2, HEIGHT + 1)),
        (1, (-1, 0, 2, 2)),
        (1, (0, 0, 0, 2)),
        (2, (4, 0, 3, 2)),
    ],
)
def test_impossible_geometry_is_refused_with_the_limits(
    bench: Bench, binning: int, subframe: tuple[int, int, int, int] | None
) -> None:
    with pytest.raises(errors.BadGeometry, match="binning 1 to 4"):
        bench.camera.set_geometry(binning, subframe)

    assert bench.server.order() == []


@pytest.mark.parametrize(
    ("sensor_type", "offset", "start", "expected"),
    [
        (2, (0, 0), (0, 0), (0, 0)),
        (2, (1, 0), (0, 0), (1, 0)),
        (2, (1, 0), (1, 0), (0, 0)),
        (2, (0, 1), (3, 4), (1, 1)),
        (3, (1, 1), (1, 1), (0, 0)),
    ],
)
def test_mosaic_offset_follows_the_subframe(
    bench: Bench,
    sensor_type: int,
    offset: tuple[int, int],
    start: tuple[int, int],
    expected: tuple[int, int],
) -> None:
    """The driver's offset belongs to the full sensor (ASCOM Alpaca API, BayerOffsetX)."""
    bench.server.members |= {
        "camera/0/sensortype": sensor_type,
        "camera/0/bayeroffsetx": offset[0],
        "camera/0/bayeroffsety": offset[1],
    }
    bench.camera.configure(subframe=(*start, 4, 4))
    frame = bench.camera.expose(0.2)

    assert frame.sensor is SensorKind.BAYER
    assert frame.bayer_offset == expected


def test_binned_mosaic_counts_as_mono(bench: Bench) -> None:
    bench.server.members |= {"camera/0/sensortype": 2}
    bench.camera.info()

    kind, _ = bench.camera.sensor_kind(CameraSettings(2, 0, 0, 4, 4))

    assert bench.camera.info().sensor_type is SensorType.RGGB
    assert kind is SensorKind.MONO


def test_colour_planes_become_a_three_plane_frame(bench: Bench) -> None:
    bench.sensor.planes = 3
    bench.server.members["camera/0/sensortype"] = 1
    frame = bench.camera.expose(0.2)

    assert frame.pixels.shape == (HEIGHT, WIDTH, 3)
    assert frame.sensor is SensorKind.PLANES


def test_progress_is_told(bench: Bench) -> None:
    looks: list[ExposureProgress] = []
    bench.camera.expose(3.0, on_progress=looks.append)

    assert {look.phase for look in looks} >= {"exposing", "downloading"}
    assert [look.elapsed_s for look in looks] == sorted(look.elapsed_s for look in looks)
    assert all(look.duration_s == 3.0 for look in looks)


def test_cancel_aborts_the_exposure(bench: Bench) -> None:
    cancel = CancelToken()

    def on_progress(_look: ExposureProgress) -> None:
        cancel.cancel("enough")

    with pytest.raises(Cancelled):
        bench.camera.expose(60.0, cancel=cancel, on_progress=on_progress)

    assert len(bench.server.sent("abortexposure")) == 1
    assert bench.camera.state() is CameraState.IDLE


def test_camera_that_can_only_stop_is_stopped_on_cancel(bench: Bench) -> None:
    bench.server.members |= {
        "camera/0/canabortexposure": False,
        "PUT camera/0/stopexposure": bench.sensor.abort,
    }

    def on_progress(_look: ExposureProgress) -> None:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        bench.camera.expose(60.0, on_progress=on_progress)

    assert bench.server.order()[-1] == "stopexposure"


def test_error_state_ends_the_wait(bench: Bench) -> None:
    bench.sensor.fails = True
    with pytest.raises(errors.ExposureFailed, match="error state"):
        bench.camera.expose(60.0)


def test_image_ready_that_errors_is_a_failed_exposure(bench: Bench) -> None:
    bench.server.members["camera/0/imageready"] = refuse(0x500)
    with pytest.raises(errors.ExposureFailed, match="no"):
        bench.camera.expose(0.5)


def test_image_that_never_comes_is_a_timeout_and_aborted(bench: Bench) -> None:
    bench.sensor.never_ready = True
    with pytest.raises(errors.ExposureTimedOut):
        bench.camera.expose(1.0, margin_s=1.0)

    assert bench.server.order()[-1] == "abortexposure"


def test_busy_camera_is_not_interrupted(bench: Bench) -> None:
    """Another program's exposure is its own."""
    bench.server.members["camera/0/camerastate"] = 2
    with pytest.raises(errors.CameraBusy):
        bench.camera.expose(1.0)

    assert "startexposure" not in bench.server.order()
    assert "abortexposure" not in bench.server.order()


def test_exposure_limits(bench: Bench) -> None:
    """Too long is an error that shows the range; too short is raised, with a note."""
    for wrong in (3601.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(errors.ExposureOutOfRange, match=r"0\.001 s to 3600 s"):
            bench.camera.expose(wrong)
    frame = bench.camera.expose(0.0)

    assert frame.exposure_s == 0.001
    assert any("raised" in note for note in bench.camera.notes)


def test_lost_answer_to_start_is_followed_not_repeated(bench: Bench) -> None:
    def dropped(params: dict[str, str]) -> None:
        bench.sensor.start(params)

        def hang_up(handler: BaseHTTPRequestHandler) -> None:
            handler.close_connection = True

        raise Raw(hang_up)

    bench.server.members["PUT camera/0/startexposure"] = dropped
    frame = bench.camera.expose(5.0)

    assert frame.exposure_s == 5.0
    assert len(bench.server.sent("startexposure")) == 1


def test_start_refused_by_the_camera_comes_through(bench: Bench) -> None:
    bench.server.members["PUT camera/0/startexposure"] = refuse(0x401)
    with pytest.raises(errors.InvalidValue):
        bench.camera.expose(1.0)


def test_image_ready_too_early_is_not_believed(bench: Bench) -> None:
    """Such an image is an older one."""
    bench.sensor.always_ready = True
    start_s = bench.clock.monotonic_s()
    bench.camera.expose(3.0)

    assert bench.clock.monotonic_s() - start_s >= 2.8


def test_image_ready_while_still_reading_is_waited_for(bench: Bench) -> None:
    """The old image is ready, the new one is being read: seen after an abort was ignored."""
    states = [0, 2, 3, 3, 3]
    bench.sensor.always_ready = True
    bench.server.members["camera/0/camerastate"] = lambda p: states.pop(0) if states else 0
    bench.camera.expose(1.5)

    assert states == []
    assert bench.camera.notes == []


def test_camera_that_stays_busy_though_ready_is_used_with_a_note(bench: Bench) -> None:
    bench.sensor.always_ready = True
    states = [0]
    bench.server.members["camera/0/camerastate"] = lambda p: states.pop(0) if states else 3
    bench.camera.expose(0.2)

    assert bench.camera.notes == ["the camera calls itself busy although its image is ready"]


# -- times and stale images ----------------------------------------------------------------


def test_start_time_of_the_camera_is_used_when_sane(bench: Bench) -> None:
    bench.sensor.clock_offset_s = 1.25  # a shutter that opens late
    before_s = bench.clock.utc_s()
    frame = bench.camera.expose(2.0)

    assert frame.utc_mid_s == pytest.approx(bench.sensor.started_utc_s + 1.25 + 1.0, abs=1e-3)
    assert frame.utc_mid_s > before_s
    assert bench.camera.notes == []


@pytest.mark.parametrize("offset_s", [-3600.0, 7.0, 86400.0])
def test_start_time_far_off_is_ignored_with_a_note(bench: Bench, offset_s: float) -> None:
    bench.sensor.clock_offset_s = offset_s
    frame = bench.camera.expose(2.0)

    assert frame.utc_mid_s == pytest.approx(bench.sensor.started_utc_s + 1.0, abs=1.0)
    assert any("ignored" in note for note in bench.camera.notes)


@pytest.mark.parametrize("text", ["", "yesterday", None, 5])
def test_unreadable_start_time_is_ignored(bench: Bench, text: Any) -> None:
    bench.server.members["camera/0/lastexposurestarttime"] = text
    frame = bench.camera.expose(1.0)

    assert frame.utc_mid_s == pytest.approx(bench.sensor.started_utc_s + 0.5, abs=1.0)


def test_old_image_handed_out_again_is_recognised_by_its_start(bench: Bench) -> None:
    bench.camera.expose(1.0)
    bench.sensor.frozen_start = bench.sensor.start_text({})
    with pytest.raises(errors.StaleImage):
        bench.camera.expose(6.0)


@pytest.mark.parametrize("jump_s", [3600.0, -3600.0])
def test_a_clock_that_was_set_makes_no_image_old(bench: Bench, jump_s: float) -> None:
    """The camera stamps by its own clock: its images are fresh, whatever this computer's says."""
    bench.camera.expose(1.0)
    bench.clock.start_utc_s += jump_s
    bench.sensor.clock_offset_s = -jump_s
    bench.camera.expose(1.0)


@pytest.mark.parametrize("start", ["fresh", "missing", "of another clock"])
@pytest.mark.parametrize("as_json", [False, True])
def test_old_image_is_recognised_by_its_pixels(bench: Bench, start: str, as_json: bool) -> None:
    """Whatever is told about its start, in both forms, two images later and after a reconnect."""
    bench.sensor.as_json = as_json
    if start == "missing":
        bench.server.members["camera/0/lastexposurestarttime"] = refuse(0x400)
    elif start == "of another clock":
        bench.sensor.clock_offset_s = -500.0
    bench.camera.expose(1.0)
    bench.camera.expose(1.0)
    bench.camera.disconnect()
    bench.camera.connect()
    bench.sensor.count = 0  # the first image comes next

    with pytest.raises(errors.StaleImage, match=r"camera 0.* in the one 2 images before"):
        bench.camera.expose(1.0)
    bench.sensor.count = 10
    bench.camera.expose(1.0)


@pytest.mark.parametrize("level", [0, 65535])
def test_images_without_noise_may_come_twice(bench: Bench, level: int) -> None:
    """A cap on, or everything full, but for a few hot pixels: no sign of an older image."""
    data = np.full((WIDTH, HEIGHT), level, "<u2")
    data[3, 4], data[5, 5] = 200, 65535
    bench.server.members["camera/0/imagearray"] = _constant_image(data)
    for _ in range(2):
        assert bench.camera.expose(0.2).pixels[4, 3] == 200


def _constant_image(data: np.ndarray) -> Any:
    head = struct.pack("<iiIIiiiiiii", 1, 0, 0, 1, 44, 2, 8, data.ndim, *(*data.shape, 0)[:3])
    body = head + data.tobytes()

    def member(_params: dict[str, str]) -> None:
        raise Status(200, body, {"Content-Type": "application/imagebytes"})

    return member


def test_camera_that_never_updates_its_start_time_still_works(bench: Bench) -> None:
    bench.sensor.frozen_start = "2020-01-01T00:00:00"
    first = bench.camera.expose(4.0)
    second = bench.camera.expose(4.0)

    assert second.utc_mid_s > first.utc_mid_s + 3.0


# -- wrong images --------------------------------------------------------------------------


def test_transposed_image_is_refused(bench: Bench) -> None:
    """It would be a mirror image of the sky."""
    bench.sensor.swap = True
    with pytest.raises(errors.MislabelledImage, match="transposed"):
        bench.camera.expose(0.2)


def test_cut_image_is_refused(bench: Bench) -> None:
    bench.sensor.cut = True
    with pytest.raises(errors.TruncatedImage):
        bench.camera.expose(0.2)


def test_image_of_another_size_is_refused_unless_it_is_the_cameras_way(bench: Bench) -> None:
    """Once it may be another program's image; twice the same it is how this camera is."""
    bench.server.members["camera/0/imagearray"] = _constant_image(np.zeros((6, 6), "<u2"))
    with pytest.raises(errors.MislabelledImage, match="6 x 6 pixels came"):
        bench.camera.expose(0.2)
    frame = bench.camera.expose(0.2)

    assert (frame.width, frame.height) == (6, 6)
    assert list(bench.camera.told) == [
        f"6 x 6 pixels came, {WIDTH} x {HEIGHT} were asked, twice: taken as they come"
    ]


@pytest.mark.parametrize("first", [(WIDTH, HEIGHT), (6, 6)])
def test_images_of_mixed_sizes_are_the_cameras_fault(bench: Bench, first: tuple[int, int]) -> None:
    """The middle of a picture of another size lies elsewhere: that must not pass for motion."""
    sizes = [first, first]

    def image(params: dict[str, str]) -> None:
        shape = sizes.pop(0) if sizes else (7, 5)
        _constant_image(np.zeros(shape, "<u2"))(params)

    bench.server.members["camera/0/imagearray"] = image
    if first != (WIDTH, HEIGHT):
        with pytest.raises(errors.MislabelledImage):
            bench.camera.expose(0.2)
    else:
        bench.camera.expose(0.2)
    bench.camera.expose(0.2)
    for _again in range(3):
        with pytest.raises(errors.MislabelledImage, match="7 x 5 pixels came"):
            bench.camera.expose(0.2)


@pytest.mark.parametrize("kind", ["<f4", "<f8"])
@pytest.mark.parametrize("full", [1.0, 65535.0])
def test_floating_images_are_counts(bench: Bench, kind: str, full: float) -> None:
    """Some drivers scale them so that a full pixel has 1: MaxADU and gain are of counts."""
    data = np.linspace(0.01, 1.0, WIDTH * HEIGHT).reshape(WIDTH, HEIGHT)
    wire = {"<f4": 4, "<f8": 3}[kind]
    head = struct.pack("<iiIIiiiiiii", 1, 0, 0, 1, 44, 3, wire, 2, WIDTH, HEIGHT, 0)
    body = head + (data * full).astype(kind).tobytes()

    def member(_params: dict[str, str]) -> None:
        raise Status(200, body, {"Content-Type": "application/imagebytes"})

    bench.server.members |= {"camera/0/imagearray": member, "camera/0/maxadu": 65535}
    frame = bench.camera.expose(0.2)

    assert np.allclose(frame.pixels, 65535.0 * data.T, rtol=1e-6)
    assert frame.saturation_adu == 65535.0


@pytest.mark.parametrize("members", [("binx", "biny"), ("numx", "numy", "startx", "starty")])
def test_a_camera_without_geometry_is_used_as_it_is(bench: Bench, members: tuple[str, ...]) -> None:
    """It serves the whole sensor unbinned, and says before anything else what it cannot do."""
    bench.server.members |= {f"PUT camera/0/{member}": refuse(0x400) for member in members}
    bench.server.members["camera/0/imagearray"] = _constant_image(np.zeros((WIDTH, HEIGHT), "<u2"))
    frame = bench.camera.expose(0.2)

    assert (frame.width, frame.height) == (WIDTH, HEIGHT)
    assert len(bench.camera.told) == len(members)
    changed = (2, None) if "binx" in members else (1, (0, 0, 4, 4))
    with pytest.raises(errors.BadGeometry, match="cannot set it"):
        bench.camera.set_geometry(*changed)


def test_large_image_is_downloaded_whole(bench: Bench) -> None:
    data = np.arange(2000 * 1500, dtype="<u2").reshape(2000, 1500)
    bench.server.members |= {
        "camera/0/cameraxsize": 2000,
        "camera/0/cameraysize": 1500,
        "camera/0/imagearray": _constant_image(data),
    }
    frame = bench.camera.expose(0.2)

    assert np.array_equal(frame.pixels, data.T)


# -- gain and offset -----------------------------------------------------------------------


def test_gain_as_a_number(bench: Bench) -> None:
    bench.server.members |= {
        "camera/0/gainmin": 0,
        "camera/0/gainmax": "570",
        "camera/0/gains": refuse(0x400),
        "GET camera/0/gain": 100,
        "PUT camera/0/gain": lambda p: None,
    }
    bench.camera.set_gain(120)

    assert bench.server.sent("gain")[0]["Gain"] == "120"
    assert bench.camera.gain() == 100
    for wrong in (571, -1, "high"):
        with pytest.raises(errors.InvalidValue, match="0 to 570"):
            bench.camera.set_gain(wrong)


def test_gain_by_name(bench: Bench) -> None:
    bench.server.members |= {
        "camera/0/gains": ["ISO 100", "ISO 800"],
        "PUT camera/0/gain": lambda p: None,
    }
    bench.camera.set_gain("iso 800")
    bench.camera.set_gain(0)

    assert [p["Gain"] for p in bench.server.sent("gain")] == ["1", "0"]
    with pytest.raises(errors.InvalidValue, match="ISO 100, ISO 800"):
        bench.camera.set_gain("ISO 400")


def test_missing_gain_is_a_note(bench: Bench) -> None:
    bench.camera.configure(gain=100, offset=10)

    assert bench.camera.notes[:2] == [
        "camera has no gain to set; gain 100 is ignored",
        "camera has no offset to set; offset 10 is ignored",
    ]


def test_offset_as_a_number(bench: Bench) -> None:
    bench.server.members |= {
        "camera/0/offsetmin": 0,
        "camera/0/offsetmax": 255,
        "PUT camera/0/offset": lambda p: None,
    }
    bench.camera.set_offset(10)

    assert bench.server.sent("offset")[0]["Offset"] == "10"


def test_camera_of_the_first_interface_works(bench: Bench) -> None:
    """Only the members of interface version 1 exist."""
    for member in (
        "sensortype", "maxadu", "electronsperadu", "exposuremin", "exposuremax", "interfaceversion",
        "lastexposureduration", "lastexposurestarttime", "canstopexposure", "name",
    ):  # fmt: skip
        del bench.server.members[f"camera/0/{member}"]
    frame = bench.camera.expose(0.3)

    assert frame.sensor is SensorKind.MONO
    assert frame.saturation_adu is None
    assert frame.gain_e_per_adu is None
