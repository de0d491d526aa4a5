"""Mounts that begin a slew long after they accepted it, and say so later still."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest
from support.alpaca_wire import Refuse, ScriptedMount, WireServer, wire_server

from polewright.devices.alpaca import errors
from polewright.devices.alpaca.client import AlpacaConnection
from polewright.devices.alpaca.mount_state import MountState
from polewright.devices.alpaca.slew_and_stop import MotionState
from polewright.devices.alpaca.telescope import Telescope
from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import Cancelled, MotionUnknown

LAGS_S = (0.3, 1.0, 3.0, 20.0)


class SteppedClock:
    """Time that passes by sleeping only, and a little with every look at it."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def utc_s(self) -> float:
        return self.monotonic_s()

    def monotonic_s(self) -> float:
        self.now_s += 1e-4
        return self.now_s

    def sleep(self, seconds: float, cancel: CancelToken | None = None) -> None:
        if cancel is not None:
            cancel.check()
        self.now_s += seconds
        if cancel is not None:
            cancel.check()


class Bench:
    def __init__(self, server: WireServer, mount: ScriptedMount, scope: Telescope) -> None:
        self.server, self.mount, self.scope = server, mount, scope

    @property
    def now_s(self) -> float:
        return self.scope.clock.monotonic_s()

    def moves(self) -> bool:
        """Whether the mount moves, or ever will by itself."""
        self.mount.advance()
        return self.mount.goal is not None


@pytest.fixture
def bench() -> Iterator[Bench]:
    clock = SteppedClock()
    mount = ScriptedMount(clock.monotonic_s)
    with (
        wire_server(mount.members()) as server,
        AlpacaConnection("127.0.0.1", server.port, timeout_s=2.0) as connection,
    ):
        yield Bench(server, mount, Telescope(connection, clock=clock))


@pytest.mark.parametrize("flag_lag_s", [0.0, 1.0, 30.0], ids=["flag at once", "1 s", "never"])
@pytest.mark.parametrize("lag_s", LAGS_S)
def test_a_slew_that_begins_late_is_waited_for(
    bench: Bench, lag_s: float, flag_lag_s: float
) -> None:
    """Whatever shows the begin first, Slewing or the position; the second slew, too."""
    bench.mount.lag_s, bench.mount.flag_lag_s = lag_s, flag_lag_s
    for goal in ((4.0, 30.0), (5.0, 30.0)):
        result = bench.scope.slew_and_wait(*goal)

        assert result.miss_deg == pytest.approx(0.0, abs=1e-6)
        assert not bench.moves()
    assert bench.server.order() == ["slewtocoordinatesasync"] * 2


@pytest.mark.parametrize("flag_lag_s", [0.0, 1.0])
def test_a_quick_mount_is_not_kept_waiting(bench: Bench, flag_lag_s: float) -> None:
    """Neither for a slew, nor where it is sent to where it stands, nor by a stop afterwards."""
    bench.mount.flag_lag_s = flag_lag_s
    took = bench.scope.slew_and_wait(4.0, 30.0)
    stays = bench.scope.slew_and_wait(4.0, 30.0)
    began_s = bench.now_s
    stopped = bench.scope.stop_motion()

    assert took.took_s < 30.0 / bench.mount.speed + 1.5
    assert stays.took_s < 3.0 + 2.0 * flag_lag_s
    assert stopped is MotionState.STOPPED
    assert bench.now_s - began_s < 3.0


def test_a_mount_known_to_be_slow_is_given_its_time_where_it_stands(bench: Bench) -> None:
    """It goes through the motions, late as ever: an exposure must not begin before."""
    bench.mount.lag_s = 8.0
    bench.scope.slew_and_wait(4.0, 30.0)

    assert bench.scope.slew_and_wait(4.0, 30.0).took_s > 8.0


def test_a_slew_that_never_begins_is_told_with_its_figure(bench: Bench) -> None:
    """After the longest begin allowed, and then the stop need not wait for it once more."""
    bench.mount.ignores_slews = True
    began_s = bench.now_s
    with pytest.raises(errors.SlewIgnored, match=r"waited 30 s, the target is 29\.\d\d degrees"):
        bench.scope.slew_and_wait(4.0, 10.0)

    assert 30.0 < bench.now_s - began_s < 35.0


def test_a_blocking_slew_that_is_refused_is_not_waited_for(bench: Bench) -> None:
    """What the driver has refused cannot begin any more."""

    refused: list[bool] = []

    def refuse(_params: dict[str, str]) -> None:
        refused.append(True)
        raise Refuse(0x40B, "tracking is off")

    def slewing(_params: dict[str, str]) -> bool:
        if refused:
            time.sleep(0.1)  # the refusal is there before the first look is
        return False

    bench.server.members |= {
        "GET telescope/0/slewing": slewing,
        "telescope/0/canslewasync": False,
        "telescope/0/canslew": True,
        "PUT telescope/0/slewtocoordinates": refuse,
    }
    began_s = bench.now_s
    with pytest.raises(errors.InvalidOperation, match="tracking is off"):
        bench.scope.slew_and_wait(4.0, 30.0)

    assert bench.now_s - began_s < 10.0


def interrupted(bench: Bench, after_s: float) -> float:
    """Slew, be cancelled after so long, and return how long the stop took."""
    cancel = CancelToken()
    end_s = bench.now_s + after_s

    def watch(_state: MountState) -> None:
        if bench.now_s > end_s:
            cancel.cancel("enough")

    with pytest.raises(Cancelled):
        bench.scope.slew_and_wait(4.0, 60.0, cancel=cancel, watch=watch)
    return bench.now_s - end_s


@pytest.mark.parametrize("clears", [True, False], ids=["abort clears it", "begins all the same"])
@pytest.mark.parametrize("known", [False, True], ids=["first slew", "habit known"])
@pytest.mark.parametrize("lag_s", [3.0, 8.0, 20.0])
def test_a_stop_before_the_begin_is_confirmed_when_nothing_can_begin_any_more(
    bench: Bench, lag_s: float, known: bool, clears: bool
) -> None:
    """A queued slew may begin after the abort was accepted: it is stopped again."""
    mount = bench.mount
    mount.lag_s, mount.abort_clears_queue = lag_s, clears
    if known:
        bench.scope.slew_and_wait(3.0, 10.0)
    took_s = interrupted(bench, 2.0)

    assert not bench.moves()
    assert mount.dec_deg < 40.0  # of the 50 that it would have gone
    assert took_s > lag_s - 3.0 if not clears else took_s < 32.0
    assert len(bench.server.sent("abortslew")) == (1 if clears else 2)


def test_a_quick_mount_stopped_before_its_first_look_is_stopped_at_once(bench: Bench) -> None:
    """It says that it slews when it is asked before the stop: nothing is to be waited for."""
    original = bench.scope._until_still

    def interrupt(*args: object) -> object:
        raise KeyboardInterrupt

    bench.scope._until_still = interrupt  # type: ignore[method-assign,assignment]
    began_s = bench.now_s
    with pytest.raises(KeyboardInterrupt):
        bench.scope.slew_and_wait(4.0, 60.0)
    bench.scope._until_still = original  # type: ignore[method-assign]

    assert not bench.moves()
    assert bench.now_s - began_s < 3.0


def test_a_queued_slew_that_no_stop_reaches_is_motion_unknown(bench: Bench) -> None:
    """It begins after the abort and goes on in spite of another: go and look."""
    bench.mount.lag_s, bench.mount.deaf, bench.mount.speed = 8.0, True, 0.02
    with pytest.raises(MotionUnknown):
        interrupted(bench, 2.0)


def test_the_watcher_is_told_while_a_command_may_begin(bench: Bench) -> None:
    """Before it is sent, so that a program that dies then leaves the word behind."""
    told: list[tuple[float, int]] = []
    bench.scope.on_command = lambda seconds: told.append((seconds, len(bench.server.order())))
    bench.scope.slew_and_wait(4.0, 30.0)

    assert told == [(30.0, 0), (0.0, 1)]


def test_a_slew_whose_answer_is_lost_is_waited_for_where_the_mount_is_slow(bench: Bench) -> None:
    """That Slewing is False right after says nothing: it is looked up whether it begins."""
    bench.mount.lag_s = 3.0
    plain = bench.scope.slew_to_coordinates_async

    def lost(*goal: float) -> None:
        plain(*goal)
        raise errors.ConnectionDropped(bench.scope.where, "slewtocoordinatesasync", "made up")

    bench.scope.slew_to_coordinates_async = lost  # type: ignore[method-assign,assignment]
    result = bench.scope.slew_and_wait(4.0, 30.0)

    assert result.miss_deg == pytest.approx(0.0, abs=1e-6)
    assert bench.server.order() == ["slewtocoordinatesasync"]


def test_a_park_that_is_interrupted_before_it_begins_is_watched_too(bench: Bench) -> None:
    mount = bench.mount
    mount.lag_s, mount.abort_clears_queue = 8.0, False

    def queue(_params: dict[str, str]) -> None:
        mount.slew({"RightAscension": "4.0", "Declination": "60.0"})

    cancel = CancelToken()
    bench.server.members["PUT telescope/0/park"] = queue
    with pytest.raises(Cancelled):
        bench.scope.park(cancel=cancel, watch=lambda _state: cancel.cancel("enough"))

    assert not bench.moves()
    assert mount.dec_deg < 40.0
