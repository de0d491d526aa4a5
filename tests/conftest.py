"""What every test shares: none writes into the folders of whoever runs it."""

from __future__ import annotations

import gc
import os
import sys
import tempfile
from collections.abc import Callable, Generator, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from polewright.foundation import clock, language, rehearsal

# Modules and tests stay to the end: looking through them for garbage costs each worker a second
# of processor while it collects, and more with every test (`pytest_collection_finish`).
gc.disable()

pytest.register_assert_rewrite("support")  # its asserts show what they saw, too

#: For .ci/run: the same examples each time. Other runs look for new ones. No example has to be
#: quick: hypothesis' own limit of 0.2 s is missed now and then beside busy programs.
settings.register_profile("same-examples", derandomize=True, deadline=None)
settings.register_profile("new-examples", deadline=None)
settings.load_profile("new-examples")

#: Where platformdirs puts state (locks, journals), data (history, catalogues) and configuration on
#: Linux.
OWN_FOLDERS = ("XDG_STATE_HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME")


#: Folders none of whose files takes more than 5 s of processor, or waits (measured).
SOON_OVER = frozenset(
    {
        "adjusters",
        "adjusting",
        "config",
        "field_rotation",
        "foundation",
        "geometry",
        "language",
        "preset",
        "profile",
        "sim_render",
        "sky",
        "tolerance",
    }
)


@pytest.fixture(scope="session", autouse=True)
def own_folders() -> Iterator[None]:
    """Give this process and the commands it starts folders of their own."""
    with (
        tempfile.TemporaryDirectory(
            prefix="polewright-tests-", ignore_cleanup_errors=True
        ) as folder,
        pytest.MonkeyPatch.context() as patch,
    ):
        for name in OWN_FOLDERS:
            patch.setenv(name, f"{folder}/{name.lower()}")
            Path(folder, name.lower()).mkdir()
        patch.setenv("POLEWRIGHT_CONFIG", "none")  # not the one of whoever runs the tests
        yield


@pytest.fixture(autouse=True)
def one_test_apart() -> Iterator[None]:
    """Let no test see what the one before it in this process has changed.

    Commands that run in this process choose a language and remember a configuration, as programs
    do; both are taken back. Environment, folder and clock are no command's to change: whoever
    leaves them changed fails.
    """
    environment, folder = _environment(), Path.cwd()
    yield
    language.use(None)
    if (options := sys.modules.get("polewright.interfaces.cli.options")) is not None:
        options.remember(None)
    assert _environment() == environment
    assert Path.cwd() == folder
    assert isinstance(rehearsal.clock_from_environment(), clock.SystemClock)


def _environment() -> dict[str, str]:
    return {name: value for name, value in os.environ.items() if name != "PYTEST_CURRENT_TEST"}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Spread the long tests.

    End-to-end tests mostly wait: their files are spread among the others, so that some wait while
    others compute all the time. The last fifth is without them and of files that are over soon:
    no process is left alone with a long one when the others have nothing to do any more. A file's
    own order stays.
    """
    slow = {item.path for item in items if item.get_closest_marker("e2e")}
    paths = sorted(
        dict.fromkeys(item.path for item in items), key=lambda path: path.parent.name in SOON_OVER
    )
    count = {True: len(slow) / 0.8, False: float(len(paths) - len(slow))}
    places: dict[Path, float] = {}
    seen = {True: 0, False: 0}
    for path in paths:
        kind = path in slow
        places[path] = seen[kind] / count[kind]
        seen[kind] += 1
    items.sort(key=lambda item: places[item.path])


def pytest_collection_finish() -> None:
    """Begin to look for garbage, but seldom, and not among what was made until now."""
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)
    gc.enable()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item,
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Have a test that failed in a simulated night tell its seeds and how to have it again."""
    report = yield
    how_to_replay: Callable[[], str] | None = getattr(item, "how_to_replay", None)
    if report.failed and how_to_replay is not None:
        report.sections.append(("Night", how_to_replay()))
    if report.when == "teardown":
        vars(item).pop("how_to_replay", None)  # it holds the rig, and the test is kept to the end
    return report
