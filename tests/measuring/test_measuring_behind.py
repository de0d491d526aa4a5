"""Work behind a slew: when the mount may move while an image comes, and solvers that hang."""

from __future__ import annotations

import threading
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from polewright.calculation.images.frame import Frame
from polewright.calculation.planning.request import Pointing
from polewright.devices.alpaca.errors import BadReply, DeviceSilent, Where
from polewright.foundation.clock import CancelToken, SystemClock
from polewright.observing.rig.solver_messages import SolverWords
from polewright.observing.rig.timings import SweepTimes
from polewright.observing.sweep import background_solve as behind
from polewright.observing.sweep.background_solve import FrameLost, SolveHangs, Work

WHERE = Where("127.0.0.1", 11111)
FRAME = Frame(np.zeros((40, 60), dtype=np.uint16), 0.0, 1.0)


def rig_with(slewing: Any = lambda: False, timeout_s: float = 60.0) -> Any:
    """What `Work` needs of a rig."""
    told: list[str] = []
    return SimpleNamespace(
        telescope=SimpleNamespace(slewing=slewing),
        clock=SystemClock(),
        cancel=CancelToken(),
        times=SweepTimes(),
        config=SimpleNamespace(
            run=SimpleNamespace(keep_frames=None), solver=SimpleNamespace(timeout_s=timeout_s)
        ),
        guards=SimpleNamespace(while_tracking=lambda: told.append("looked")),
        progress=lambda step, *_: told.append(step),
        emit=lambda _event: None,
        on_frame=None,
        solver_words=SolverWords(),
        note=told.append,
        told=told,
    )


def work_on(rig: Any, fetch: Any) -> Work:
    image = SimpleNamespace(fetch=fetch, abandon=lambda: None)
    return Work(rig, Pointing(-0.5, 0.3), 2, 3, image, (1.0, 20.0))


def test_a_mount_that_answers_meanwhile_does_not_wait_for_the_image() -> None:
    """One question during the download tells that the server does both."""
    comes = threading.Event()
    rig = rig_with()
    work = work_on(rig, lambda: comes.wait(20.0) and FRAME)

    work.until_the_mount_may_move()

    assert not comes.is_set()
    assert rig.told == []
    comes.set()


def test_what_a_solver_says_comes_out_in_the_runs_own_thread() -> None:
    """A sentence said behind the slew waits until the run looks; said in the run, it is told."""
    rig = rig_with()
    rig.solver_words.tell = lambda sentence: rig.told.append(f"solver: {sentence}")
    said = threading.Event()

    def fetch() -> Frame:
        rig.solver_words("building")
        said.set()
        raise DeviceSilent(WHERE, "imagearray", "nothing for 5 s")

    work = work_on(rig, fetch)
    assert said.wait(20.0)
    assert rig.told == []

    work.look()
    rig.solver_words("ready")

    assert rig.told == ["solver: building", "solver: ready"]


@pytest.mark.parametrize("silent", [True, False], ids=["no answer", "slow answer"])
def test_a_server_that_does_one_thing_at_a_time_has_the_slew_wait(silent, monkeypatch) -> None:
    """Nothing could stop a slew while the image comes: it begins after it."""
    monkeypatch.setattr(behind, "PROMPT_S", 0.05)
    comes, over = threading.Event(), threading.Event()
    # The image is followed by work that this rig has nothing for.
    monkeypatch.setattr(behind, "measure_stars", lambda _rig, _frame: over.wait(20.0))
    threading.Timer(0.3, comes.set).start()

    def slewing() -> bool:
        threading.Event().wait(0.1)
        if silent:
            raise DeviceSilent(WHERE, "slewing", "nothing for 5 s")
        return False

    rig = rig_with(slewing)
    work = work_on(rig, lambda: comes.wait(20.0) and FRAME)

    work.until_the_mount_may_move()

    assert comes.is_set()
    assert set(rig.told) == {"download"}
    assert rig.times.download > 0.05
    over.set()


def test_a_solver_that_hangs_ends_the_run(monkeypatch) -> None:
    """The watchdog hears of the run meanwhile, so the wait has a limit of its own."""
    monkeypatch.setattr(behind, "SOLVE_SPARE_S", 0.2)
    monkeypatch.setattr(behind, "TELL_S", 0.0)
    for_ever = threading.Event()
    monkeypatch.setattr(behind, "measure_stars", lambda _rig, _frame: for_ever.wait(20.0))
    rig = rig_with(timeout_s=0.05)

    with pytest.raises(SolveHangs) as caught:
        work_on(rig, lambda: FRAME).finish()

    assert "point 2" in str(caught.value)
    assert caught.value.waited_s > 0.3
    assert {"solve", "looked"} == set(rig.told)
    for_ever.set()


def test_only_what_another_exposure_cures_waits_for_the_end_of_the_slew() -> None:
    """A lost image is kept for later; a fault of the program comes out with the next look."""

    def lost() -> Frame:
        raise BadReply(WHERE, "imagearray", "made up")

    def broken() -> Frame:
        raise RuntimeError("made up")

    work = work_on(rig_with(), lost)
    work._task.wait(5.0)
    work.look()
    with pytest.raises(FrameLost):
        work.finish()

    work = work_on(rig_with(), broken)
    work._task.wait(5.0)
    with pytest.raises(RuntimeError):
        work.look()
