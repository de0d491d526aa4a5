"""A mount over real HTTP: reading it leniently, moving it watched, stopping it for certain."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import pytest
from support.alpaca_wire import Refuse, ScriptedMount, Status, WireServer, wire_server

from polewright.devices.alpaca import errors
from polewright.devices.alpaca.client import AlpacaConnection
from polewright.devices.alpaca.mount_state import MountState, PierSide
from polewright.devices.alpaca.slew_and_stop import MotionState, stands_still
from polewright.devices.alpaca.telescope import EquatorialSystem, Telescope
from polewright.foundation.angles import ARCSEC, SIDEREAL_RATE
from polewright.foundation.clock import CancelToken, SystemClock
from polewright.foundation.errors import Cancelled, GuardError, MotionUnknown

RATE = 10.0  # the tests' clock runs faster than the wall's


class Bench:
    """A scripted mount, its server and a client on one accelerated clock."""

    def __init__(self, server: WireServer, mount: ScriptedMount, scope: Telescope) -> None:
        self.server, self.mount, self.scope = server, mount, scope


@pytest.fixture
def bench() -> Iterator[Bench]:
    clock = SystemClock(rate=RATE)
    mount = ScriptedMount(clock.monotonic_s)
    with (
        wire_server(mount.members()) as server,
        AlpacaConnection("127.0.0.1", server.port, timeout_s=2.0) as connection,
    ):
        scope = Telescope(connection, clock=clock)
        yield Bench(server, mount, scope)


def refuse(number: int, message: str = "no") -> Any:
    def member(_params: dict[str, str]) -> None:
        raise Refuse(number, message)

    return member


def status(code: int) -> Any:
    def member(_params: dict[str, str]) -> None:
        raise Status(code, b"nope")

    return member


# -- connecting ----------------------------------------------------------------------------


def test_connected_device_is_left_to_its_other_users(bench: Bench) -> None:
    bench.scope.connect()
    bench.scope.disconnect()

    assert bench.server.order() == []
    assert bench.scope.label == "Scripted mount"
    assert not bench.scope.connected_by_us


def test_older_interface_connects_and_disconnects_by_connected(bench: Bench) -> None:
    state = [False]

    def put(params: dict[str, str]) -> None:
        state[0] = params["Connected"] == "True"

    bench.server.members |= {
        "GET telescope/0/connected": lambda p: state[0],
        "PUT telescope/0/connected": put,
    }
    bench.scope.connect()
    assert state[0]
    bench.scope.disconnect()

    assert not state[0]
    assert [p["Connected"] for p in bench.server.sent("connected")] == ["True", "False"]


def test_newer_interface_connects_without_blocking(bench: Bench) -> None:
    polls = iter([True, True, False])
    state = [False]

    def connecting(_params: dict[str, str]) -> bool:
        state[0] = not (busy := next(polls))
        return busy

    bench.server.members |= {
        "telescope/0/interfaceversion": 4,
        "GET telescope/0/connected": lambda p: state[0],
        "PUT telescope/0/connect": lambda p: None,
        "GET telescope/0/connecting": connecting,
    }
    bench.scope.connect()

    assert bench.server.order() == ["connect"]
    assert bench.scope.connected_by_us
    assert bench.scope.interface_version() == 4


def test_new_version_without_connect_falls_back(bench: Bench) -> None:
    state = [False]
    bench.server.members |= {
        "telescope/0/interfaceversion": 4,
        "GET telescope/0/connected": lambda p: state[0],
        "PUT telescope/0/connected": lambda p: state.__setitem__(0, True),
        "PUT telescope/0/connect": status(404),
    }
    bench.scope.connect()

    assert bench.server.order() == ["connect", "connected"]
    assert any("older way" in note for note in bench.scope.notes)


def test_connect_that_never_ends_is_a_timeout(bench: Bench) -> None:
    bench.server.members |= {
        "telescope/0/interfaceversion": 4,
        "GET telescope/0/connected": False,
        "PUT telescope/0/connect": lambda p: None,
        "GET telescope/0/connecting": True,
    }
    with pytest.raises(errors.NotConnectedInTime, match="waited 3 s"):
        bench.scope.connect(timeout_s=3.0)


def test_connect_failure_comes_with_the_drivers_words(bench: Bench) -> None:
    bench.server.members |= {
        "GET telescope/0/connected": False,
        "PUT telescope/0/connected": refuse(0x500, "COM7 does not exist"),
    }
    with pytest.raises(errors.DriverFault, match="COM7 does not exist"):
        bench.scope.connect()


def test_missing_device_is_not_found(bench: Bench) -> None:
    other = Telescope(bench.scope.connection, 3)
    with pytest.raises(errors.DeviceNotFound, match="telescope 3"):
        other.connect()


@pytest.mark.parametrize("answer", [status(400), status(404), refuse(0x400)])
def test_unknown_interface_version_counts_as_one(bench: Bench, answer: Any) -> None:
    bench.server.members["telescope/0/interfaceversion"] = answer

    assert bench.scope.interface_version() == 1


# -- reading -------------------------------------------------------------------------------


def test_sloppy_values_are_read(bench: Bench) -> None:
    """Numbers as strings, 0/1 booleans, RA of 24 h and azimuth of 360 degrees occur."""
    bench.server.members |= {
        "GET telescope/0/rightascension": "24.0",
        "GET telescope/0/declination": "-12.5",
        "GET telescope/0/slewing": 0,
        "GET telescope/0/tracking": "True",
        "telescope/0/azimuth": 360,
        "telescope/0/utcdate": "2026-11-25T21:00:00.1234567",
        "telescope/0/sideofpier": "1",
        "telescope/0/equatorialsystem": "2",
    }
    scope = bench.scope

    assert scope.right_ascension_hours() == 0.0
    assert scope.declination_deg() == -12.5
    assert scope.slewing() is False
    assert scope.tracking() is True
    assert scope.azimuth_deg() == 0.0
    # 2026-11-25 21:00:00 UTC by `date -u -d ... +%s`.
    assert scope.utc_date() == pytest.approx(1795640400.1234567, abs=1e-6)
    assert scope.side_of_pier() is PierSide.THROUGH_POLE
    assert scope.equatorial_system() is EquatorialSystem.J2000


def test_required_value_that_is_no_number_is_a_bad_reply(bench: Bench) -> None:
    for value in ("NaN", None, "abc", [1], True, float("nan")):
        bench.server.members["GET telescope/0/rightascension"] = value
        with pytest.raises(errors.BadReply, match="rightascension"):
            bench.scope.right_ascension_hours()


@pytest.mark.parametrize("answer", [refuse(0x400), status(400), status(403), status(404)])
def test_missing_optional_member_is_none_noted_once_and_not_asked_again(
    bench: Bench, answer: Any
) -> None:
    bench.server.members["telescope/0/altitude"] = answer

    assert bench.scope.altitude_deg() is None
    assert bench.scope.altitude_deg() is None

    assert bench.scope.notes == ["telescope does not offer altitude"]
    assert len(bench.server.sent("altitude", "GET")) == 1


def test_optional_member_without_value_now_is_asked_again(bench: Bench) -> None:
    answers = [refuse(0x402), refuse(0x40B), lambda p: 33.0]

    def next_answer(params: dict[str, str]) -> Any:
        return answers.pop(0)(params)

    bench.server.members["telescope/0/altitude"] = next_answer

    assert [bench.scope.altitude_deg() for _ in range(3)] == [None, None, 33.0]


def test_failing_optional_member_is_an_error_not_a_none(bench: Bench) -> None:
    bench.server.members["telescope/0/altitude"] = refuse(0x407)
    with pytest.raises(errors.NotConnected):
        bench.scope.altitude_deg()


def test_everything_optional_may_be_missing(bench: Bench) -> None:
    """A mount of the first interface still measures."""
    state = bench.scope.state()
    scope = bench.scope

    assert state.right_ascension_hours == 2.0
    assert state.altitude_deg is None
    assert scope.equatorial_system() is EquatorialSystem.OTHER
    assert scope.side_of_pier() is None
    assert scope.destination_side_of_pier(1.0, 2.0) is None
    assert scope.site_latitude_deg() is None
    assert scope.site_longitude_deg() is None
    assert scope.site_elevation_m() is None
    assert scope.utc_date() is None
    assert scope.focal_length_m() is None
    assert scope.sidereal_time_hours() is None
    assert scope.driver_version() == ""


def test_device_state_saves_calls_and_gaps_are_filled(bench: Bench) -> None:
    bench.server.members |= {
        "telescope/0/interfaceversion": 4,
        "telescope/0/devicestate": [
            {"Name": "RightAscension", "Value": 5.5},
            {"Name": "Declination", "Value": "20"},
            {"Name": "Slewing", "Value": True},
            {"Name": "Tracking", "Value": None},
            {"Name": "Altitude", "Value": 40.0},
            {"Name": "Azimuth", "Value": 90.0},
            {"Name": "AtPark", "Value": False},
            {"Name": "SideOfPier", "Value": 0},
            {"Name": "SiderealTime", "Value": 6.0},
            {"Name": "TimeStamp", "Value": "2026-11-25T21:00:00Z"},
            "rubbish",
            {"Value": 1},
        ],
    }
    bench.scope.interface_version()
    before = len(bench.server.requests)
    state = bench.scope.state()

    assert (state.right_ascension_hours, state.declination_deg) == (5.5, 20.0)
    assert state.slewing
    assert state.tracking is True  # read singly: the entry had no value
    assert [r.member for r in bench.server.requests[before:]] == ["devicestate", "tracking"]


@pytest.mark.parametrize("answer", [refuse(0x400), status(404), lambda p: {"a": 1}])
def test_unusable_device_state_is_given_up(bench: Bench, answer: Any) -> None:
    bench.server.members |= {
        "telescope/0/interfaceversion": 4,
        "telescope/0/devicestate": answer,
    }
    bench.scope.state()
    bench.scope.state()

    assert len(bench.server.sent("devicestate", "GET")) == 1
    assert any("devicestate" in note for note in bench.scope.notes)


# -- slewing -------------------------------------------------------------------------------


def test_slew_ends_where_it_should_and_tells_its_looks(bench: Bench) -> None:
    looks: list[MountState] = []
    result = bench.scope.slew_and_wait(4.0, 30.0, watch=looks.append)

    assert result.seen_moving
    assert result.miss_deg == pytest.approx(0.0, abs=1e-6)
    assert any(look.slewing for look in looks)
    sent = bench.server.sent("slewtocoordinatesasync")
    assert [(p["RightAscension"], p["Declination"]) for p in sent] == [("4.0", "30.0")]
    assert bench.server.order() == ["slewtocoordinatesasync"]


def test_late_slewing_flag_is_waited_for(bench: Bench) -> None:
    """Real mounts read "not slewing" for up to a second after a slew began."""
    bench.mount.lag_s = 1.0
    result = bench.scope.slew_and_wait(4.0, 30.0)

    assert result.seen_moving
    assert result.miss_deg == pytest.approx(0.0, abs=1e-6)


def test_a_mount_at_its_target_is_believed_at_the_first_look(bench: Bench) -> None:
    """Seen slewing, and now "not slewing" where it was sent: no second look is waited for."""
    looks: list[MountState] = []
    bench.scope.slew_and_wait(4.0, 30.0, watch=looks.append)

    ended = [look.slewing for look in looks[1:]]
    assert ended[0]
    assert ended == [True] * (len(ended) - 1) + [False]


def test_a_mount_that_arrives_while_it_is_asked_has_not_stopped_short(bench: Bench) -> None:
    """Whether it slews is asked before where it is: "not slewing" is never older than the place."""
    mount, plain = bench.mount, bench.mount.now
    arrived: list[bool] = []

    def now(name: str) -> Any:
        value = plain(name)
        if (
            name == "Declination"
            and mount.goal is not None
            and mount.clock() > mount.start[0] + 0.5
        ):
            mount.ra_hours, mount.dec_deg = mount.goal
            mount.goal = None
            arrived.append(True)
        return value

    mount.now = now  # type: ignore[method-assign]
    looks: list[MountState] = []
    bench.scope.slew_and_wait(4.0, 30.0, watch=looks.append)

    assert arrived == [True]
    assert [look.slewing for look in looks[1:]][-2:] == [True, False]
    assert sum(not look.slewing for look in looks[1:]) == 1


@pytest.mark.parametrize("goal", [(2.0, 10.0), (4.0, 30.0)], ids=["where it stood", "told at once"])
def test_a_mount_that_reads_its_target_from_the_start_needs_the_second_look(
    bench: Bench, goal: tuple[float, float]
) -> None:
    """A flip in place, or a driver that tells the goal as the position; the flag drops once."""
    began_s: list[float] = []
    clock = bench.scope.clock
    bench.server.members |= {
        "PUT telescope/0/slewtocoordinatesasync": lambda p: began_s.append(clock.monotonic_s()),
        "GET telescope/0/rightascension": lambda p: goal[0] if began_s else 2.0,
        "GET telescope/0/declination": lambda p: goal[1] if began_s else 10.0,
        # Moving for 8 s, with a flag that drops for 0.4 s in between.
        "GET telescope/0/slewing": lambda p: (
            bool(began_s)
            and clock.monotonic_s() - began_s[0] < 8.0
            and not 3.0 < clock.monotonic_s() - began_s[0] < 3.4
        ),
    }
    result = bench.scope.slew_and_wait(*goal)

    assert result.seen_moving
    assert clock.monotonic_s() - began_s[0] > 8.0


def test_a_mount_that_reads_still_on_its_way_is_not_believed(bench: Bench) -> None:
    """Some drivers drop the flag for a moment between two legs of a slew."""
    legs: list[float] = []

    def slewing(_params: dict[str, str]) -> bool:
        moving = bench.mount.now("Slewing")
        if moving:
            legs.append(bench.mount.dec_deg)
        return moving and len(legs) != 4

    bench.server.members["GET telescope/0/slewing"] = slewing
    looks: list[MountState] = []
    result = bench.scope.slew_and_wait(4.0, 30.0, watch=looks.append)

    dropped = [look for look in looks if not look.slewing and 10.5 < look.declination_deg < 29.5]
    assert len(dropped) == 1
    assert result.miss_deg == pytest.approx(0.0, abs=1e-6)


def test_slew_to_where_the_mount_stands_is_done(bench: Bench) -> None:
    bench.mount.speed = 1e6
    result = bench.scope.slew_and_wait(2.0, 10.0)

    assert result.miss_deg == pytest.approx(0.0, abs=1e-6)


def test_mount_that_takes_the_slew_but_stays_is_an_error(bench: Bench) -> None:
    bench.mount.ignores_slews = True
    with pytest.raises(errors.SlewIgnored) as caught:
        bench.scope.slew_and_wait(4.0, 10.0)

    assert caught.value.distance_deg == pytest.approx(29.5, abs=0.1)


def test_parked_mount_refuses_at_once(bench: Bench) -> None:
    bench.mount.parked = True
    with pytest.raises(errors.Parked):
        bench.scope.slew_and_wait(4.0, 30.0)

    assert bench.server.order() == ["slewtocoordinatesasync"]


def test_mount_without_async_slews_is_told_before_anything_moves(bench: Bench) -> None:
    bench.server.members["telescope/0/canslewasync"] = False
    with pytest.raises(errors.CannotSlew):
        bench.scope.slew_and_wait(4.0, 30.0)

    assert bench.server.order() == []


def blocking(bench: Bench, canslewasync: Any) -> None:
    """Make it a mount whose slews are answered when it has arrived."""
    mount = bench.mount

    def slew(params: dict[str, str]) -> None:
        mount.slew(params)
        while mount.now("Slewing"):
            time.sleep(0.01)

    bench.server.members |= {
        "telescope/0/canslewasync": canslewasync,
        "telescope/0/canslew": True,
        "PUT telescope/0/slewtocoordinatesasync": refuse(0x400),
        "PUT telescope/0/slewtocoordinates": slew,
    }


@pytest.mark.parametrize("canslewasync", [False, refuse(0x400), status(404)])
@pytest.mark.parametrize("tells", [True, False], ids=["tells", "Slewing always False"])
def test_a_slew_that_blocks_is_watched_like_another(
    bench: Bench, canslewasync: Any, tells: bool
) -> None:
    """The answer comes when the mount has arrived; looks go on meanwhile."""
    blocking(bench, canslewasync)
    if not tells:
        bench.server.members["GET telescope/0/slewing"] = False
    looks: list[MountState] = []
    result = bench.scope.slew_and_wait(4.0, 30.0, watch=looks.append)

    assert result.seen_moving
    assert result.miss_deg == pytest.approx(0.0, abs=1e-6)
    assert len([look for look in looks if look.slewing]) > 3
    assert any("only slews whose answer" in told for told in bench.scope.told)


def test_a_slew_that_blocks_is_stopped_by_another_connection(bench: Bench) -> None:
    blocking(bench, False)
    bench.mount.speed = 2.0
    cancel = CancelToken()

    def watch(state: MountState) -> None:
        if state.declination_deg > 11.0:
            cancel.cancel("enough")

    with pytest.raises(Cancelled, match="enough"):
        bench.scope.slew_and_wait(8.0, 30.0, cancel=cancel, watch=watch)

    assert bench.mount.goal is None
    assert bench.server.order()[:2] == ["slewtocoordinates", "abortslew"]


def test_a_blocking_slew_that_is_refused_is_told_as_refused(bench: Bench) -> None:
    blocking(bench, False)
    bench.server.members["PUT telescope/0/slewtocoordinates"] = refuse(0x40B, "tracking is off")
    with pytest.raises(errors.InvalidOperation, match="tracking is off"):
        bench.scope.slew_and_wait(8.0, 30.0)


def test_a_blocking_slew_without_an_answer_is_not_called_stopped(bench: Bench) -> None:
    """As long as the command is open it may be carried out."""
    blocking(bench, False)
    ended: list[bool] = []

    def hangs(params: dict[str, str]) -> None:
        bench.mount.slew(params)
        while not ended:
            time.sleep(0.01)

    bench.server.members["PUT telescope/0/slewtocoordinates"] = hangs
    with pytest.raises(MotionUnknown):
        bench.scope.slew_and_wait(4.0, 30.0, timeout_s=20.0)
    ended.append(True)


def test_an_asynchronous_slew_is_tried_where_the_mount_does_not_say(bench: Bench) -> None:
    bench.server.members["telescope/0/canslewasync"] = refuse(0x400)
    result = bench.scope.slew_and_wait(4.0, 30.0)

    assert result.miss_deg == pytest.approx(0.0, abs=1e-6)
    assert bench.server.order() == ["slewtocoordinatesasync"]


def test_tracking_whose_answer_is_lost_is_read_back(bench: Bench) -> None:
    """The command is not repeated: what became of it is looked up."""
    bench.mount.tracking = False
    plain = bench.scope._put

    def lost(member: str, **kwargs: Any) -> Any:
        plain(member, **kwargs)
        raise errors.ForeignAnswer(bench.scope.where, member, 3, 2)

    bench.scope._put = lost  # type: ignore[method-assign]
    bench.scope.set_tracking(True)

    assert bench.server.order() == ["tracking"]
    bench.server.members["PUT telescope/0/tracking"] = lambda _p: None
    with pytest.raises(errors.ForeignAnswer):
        bench.scope.set_tracking(False)


def test_slew_that_never_ends_is_stopped(bench: Bench) -> None:
    bench.mount.runaway = True
    with pytest.raises(errors.SlewTimedOut) as caught:
        bench.scope.slew_and_wait(4.0, 30.0, timeout_s=5.0)

    assert caught.value.waited_s >= 5.0
    assert bench.server.order() == ["slewtocoordinatesasync", "abortslew", "moveaxis", "moveaxis"]
    assert bench.mount.goal is None


def test_cancel_stops_the_mount(bench: Bench) -> None:
    cancel = CancelToken()
    bench.mount.speed = 2.0

    def watch(state: MountState) -> None:
        if state.slewing:
            cancel.cancel("enough")

    with pytest.raises(Cancelled, match="enough"):
        bench.scope.slew_and_wait(8.0, 30.0, cancel=cancel, watch=watch)

    assert bench.mount.goal is None
    assert "abortslew" in bench.server.order()


@pytest.mark.parametrize("kind", [GuardError, KeyboardInterrupt, ZeroDivisionError])
def test_anything_raised_while_watching_stops_the_mount(
    bench: Bench, kind: type[BaseException]
) -> None:
    bench.mount.speed = 2.0

    def watch(state: MountState) -> None:
        if state.slewing:
            raise kind("too low")

    with pytest.raises(kind):
        bench.scope.slew_and_wait(8.0, 30.0, watch=watch)

    assert bench.mount.goal is None


def test_guard_that_objects_beforehand_keeps_the_mount_still(bench: Bench) -> None:
    def watch(_state: MountState) -> None:
        raise GuardError("too low")

    with pytest.raises(GuardError):
        bench.scope.slew_and_wait(8.0, 30.0, watch=watch)

    assert bench.server.order() == []


def test_mount_that_does_not_stop_is_motion_unknown(bench: Bench) -> None:
    bench.mount.speed = 1.0
    bench.mount.deaf = True
    with pytest.raises(MotionUnknown) as caught:
        bench.scope.slew_and_wait(12.0, 30.0, timeout_s=2.0)

    assert isinstance(caught.value.__cause__, errors.SlewTimedOut)
    assert "cut its power" in caught.value.advice


def test_the_drivers_own_words_are_in_what_is_told_of_a_stop(bench: Bench) -> None:
    bench.mount.speed = 1.0
    bench.server.members["PUT telescope/0/abortslew"] = refuse(0x500, "axis stalled")
    bench.mount.deaf = True
    with pytest.raises(MotionUnknown, match="axis stalled"):
        bench.scope.slew_and_wait(12.0, 30.0, timeout_s=2.0)


def test_lost_answer_to_a_slew_is_not_repeated_but_followed(bench: Bench) -> None:
    def slow(params: dict[str, str]) -> None:
        bench.mount.slew(params)
        time.sleep(0.6)

    bench.mount.speed = 5.0
    bench.server.members["PUT telescope/0/slewtocoordinatesasync"] = slow
    original = bench.scope._put

    def hasty(member: str, **kwargs: Any) -> Any:
        if member == "slewtocoordinatesasync":
            kwargs["timeout_s"] = 0.2
        return original(member, **kwargs)

    bench.scope._put = hasty  # type: ignore[method-assign]
    result = bench.scope.slew_and_wait(4.0, 30.0)

    assert result.miss_deg == pytest.approx(0.0, abs=1e-6)
    assert len(bench.server.sent("slewtocoordinatesasync")) == 1
    assert any("was lost" in note for note in bench.scope.notes)


def test_a_slew_whose_answer_is_lost_is_stopped_though_the_mount_then_refuses(
    bench: Bench,
) -> None:
    """A driver that took the slew and then lost its mount refuses to be asked: it may move."""

    def lost(member: str, **kwargs: Any) -> Any:
        if member == "slewtocoordinatesasync":
            raise errors.DeviceSilent(bench.scope.where, member, "no answer within 1 s")
        return original_put(member, **kwargs)

    def refused(member: str, *args: Any, **kwargs: Any) -> Any:
        if member == "slewing" and not kwargs.get("urgent"):
            raise errors.NotConnected(bench.scope.where, member, "no link")
        return original_get(member, *args, **kwargs)

    original_put, original_get = bench.scope._put, bench.scope._get
    bench.scope._put = lost  # type: ignore[method-assign]
    state = bench.scope.state()
    bench.scope.state = lambda: state  # type: ignore[method-assign]
    bench.scope._get = refused  # type: ignore[method-assign]

    with pytest.raises(errors.DeviceSilent):
        bench.scope.slew_and_wait(4.0, 30.0)

    assert "abortslew" in bench.server.order()


# -- stopping ------------------------------------------------------------------------------


def test_stop_of_a_standing_mount_is_stopped(bench: Bench) -> None:
    assert bench.scope.stop_motion() is MotionState.STOPPED
    assert bench.server.order() == ["abortslew", "moveaxis", "moveaxis"]
    assert [(p["Axis"], p["Rate"]) for p in bench.server.sent("moveaxis")] == [
        ("0", "0.0"),
        ("1", "0.0"),
    ]


def test_stop_can_end_tracking_too(bench: Bench) -> None:
    assert bench.scope.stop_motion(tracking_off=True) is MotionState.STOPPED
    assert bench.mount.tracking is False


def test_stop_of_a_parked_mount_is_stopped(bench: Bench) -> None:
    bench.mount.parked = True

    assert bench.scope.stop_motion() is MotionState.STOPPED


def test_stop_without_axis_moves_is_stopped(bench: Bench) -> None:
    bench.server.members["PUT telescope/0/moveaxis"] = refuse(0x400)

    assert bench.scope.stop_motion() is MotionState.STOPPED


def test_deaf_mount_is_moving(bench: Bench) -> None:
    bench.mount.speed = 1.0
    bench.scope.slew_to_coordinates_async(12.0, 30.0)
    bench.mount.deaf = True

    assert bench.scope.stop_motion(confirm_s=3.0) is MotionState.MOVING


def test_slewing_flag_stuck_on_a_standing_mount_is_unknown(bench: Bench) -> None:
    bench.mount.stuck_slewing = True

    assert bench.scope.stop_motion(confirm_s=3.0) is MotionState.UNKNOWN


def test_moving_mount_that_denies_slewing_is_not_stopped(bench: Bench) -> None:
    """The position is believed over the flag."""
    bench.mount.rate = [0.5, 0.0]
    bench.mount.deaf = True
    bench.server.members["GET telescope/0/slewing"] = False

    assert bench.scope.stop_motion(confirm_s=3.0) is MotionState.MOVING


@pytest.mark.parametrize(
    ("d_ra", "d_dec", "still"),
    [
        (0.0, 0.0, True),
        (4.0 * SIDEREAL_RATE, 0.0, True),  # tracking is off: the sky passes by
        (-4.0 * SIDEREAL_RATE, 0.0, False),
        (60.0 * ARCSEC, 60.0 * ARCSEC, False),
        (100.0 * ARCSEC, 0.0, False),
        (0.0, 30.0 * ARCSEC, False),
        (15.0 * ARCSEC, -15.0 * ARCSEC, True),  # mounts that round to 1 s of right ascension
        (2.0 * 3.141592653589793, 0.0, True),
    ],
)
def test_standing_is_against_the_sky_or_against_the_ground(
    d_ra: float, d_dec: float, still: bool
) -> None:
    """Two looks 4 s apart, on the equator."""
    first, second = (10.0, False, 1.0, 0.0), (14.0, False, 1.0 + d_ra, d_dec)

    assert stands_still(first, second) is still


def test_vanished_server_is_unknown_and_nothing_is_raised() -> None:
    clock = SystemClock(rate=RATE)
    with wire_server() as server:
        port = server.port
    with AlpacaConnection("127.0.0.1", port) as connection:
        scope = Telescope(connection, clock=clock)

        assert scope.stop_motion(confirm_s=2.0) is MotionState.UNKNOWN


def test_first_abort_that_fails_is_sent_again(bench: Bench) -> None:
    """Stopping is safe to repeat, and too important not to."""
    failures = [1]

    def flaky(params: dict[str, str]) -> None:
        if failures:
            failures.pop()
            raise Status(500, b"busy")
        bench.mount.abort(params)

    bench.server.members["PUT telescope/0/abortslew"] = flaky

    assert bench.scope.stop_motion() is MotionState.STOPPED
    assert len(bench.server.sent("abortslew")) == 2


# -- axes, tracking, parking ---------------------------------------------------------------


def test_tracking_is_read_back(bench: Bench) -> None:
    bench.scope.set_tracking(False)
    assert bench.mount.tracking is False

    bench.server.members["PUT telescope/0/tracking"] = lambda p: None
    with pytest.raises(errors.SettingNotTaken, match="asked True"):
        bench.scope.set_tracking(True)


def test_unpark_waits_until_unparked(bench: Bench) -> None:
    bench.mount.parked = True
    asked = [0]

    def at_park(_params: dict[str, str]) -> bool:
        asked[0] += 1
        return asked[0] < 3

    bench.server.members |= {
        "PUT telescope/0/unpark": lambda p: None,
        "GET telescope/0/atpark": at_park,
    }
    bench.scope.unpark()

    assert asked[0] == 3


def test_mount_that_stays_parked_is_a_timeout(bench: Bench) -> None:
    bench.mount.parked = True
    bench.server.members["PUT telescope/0/unpark"] = lambda p: None
    with pytest.raises(errors.DeviceTimedOut, match="unpark"):
        bench.scope.unpark(timeout_s=2.0)


def test_park_waits_until_parked_and_a_stuck_one_is_stopped(bench: Bench) -> None:
    bench.server.members["PUT telescope/0/park"] = lambda p: setattr(bench.mount, "parked", True)
    bench.scope.park()
    assert bench.mount.parked

    bench.mount.parked = False
    bench.server.members["PUT telescope/0/park"] = lambda p: None
    with pytest.raises(errors.DeviceTimedOut):
        bench.scope.park(timeout_s=2.0)
    assert "abortslew" in bench.server.order()
