"""One run a mount, on this computer, whoever starts it."""

from __future__ import annotations

import os
import subprocess
import sys
import warnings
from pathlib import Path

import pytest

from polewright.devices.alpaca.errors import Where
from polewright.observing.safety import mount_lock as one_run
from polewright.observing.safety.mount_lock import MountTaken, only_run

#: Nobody serves a mount there.
MOUNT = Where("127.0.0.1", 5, "telescope", 0)
HOLD = """
import sys
from polewright.devices.alpaca.errors import Where
from polewright.observing.safety.mount_lock import only_run
with only_run(Where("127.0.0.1", 5, "telescope", 0)):
    print("holds", flush=True)
    sys.stdin.read()
"""
posix = pytest.mark.skipif(sys.platform == "win32", reason="users and links are others there")


def test_a_mount_is_taken_once_and_free_again_afterwards() -> None:
    """Whatever name its server has; another mount of the same server is another's."""
    with only_run(MOUNT):
        with pytest.raises(MountTaken, match="another run"), only_run(MOUNT):
            pytest.fail("two runs have the mount")
        with only_run(Where("127.0.0.1", 5, "telescope", 1)):
            pass
    with only_run(MOUNT):
        pass


def test_every_address_of_this_computer_is_the_same_mount() -> None:
    """By name, by number and by the other protocol."""
    with only_run(MOUNT):
        for host in ("localhost", "127.0.0.2"):
            with pytest.raises(MountTaken), only_run(Where(host, 5, "telescope", 0)):
                pytest.fail("two runs have the mount")


@posix
def test_another_users_process_is_named_and_its_end_frees_the_mount(tmp_path) -> None:
    """With folders of its own, as another user has; killed without a word, too."""
    own = {name: str(tmp_path) for name in ("HOME", "TMPDIR", "XDG_STATE_HOME", "XDG_RUNTIME_DIR")}
    other = subprocess.Popen(
        [sys.executable, "-c", HOLD],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**own, "PATH": ""},
    )
    assert other.stdout is not None
    assert other.stdin is not None
    assert other.stdout.readline() == "holds\n"

    with pytest.raises(MountTaken, match=f"process {other.pid} of \\w+") as taken, only_run(MOUNT):
        pytest.fail("two runs have the mount")
    assert "\n" not in str(taken.value)
    other.kill()
    other.wait()
    with only_run(MOUNT):
        pass
    other.stdin.close()
    other.stdout.close()


def shared(monkeypatch, *folders: Path) -> None:
    monkeypatch.setattr(one_run, "shared_folders", lambda: folders)


@posix
@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="needs to be root")
def test_a_lock_left_by_another_user_keeps_nobody_out(tmp_path, monkeypatch) -> None:
    """A killed run of root's leaves its file in a sticky folder: others lock it and say who."""
    folder = Path("/tmp") / f"polewright-sticky-{os.getpid()}"
    folder.mkdir()
    folder.chmod(0o1777)
    shared(monkeypatch, folder)
    before = os.umask(0o077)
    descriptor = one_run._opened(folder / one_run._name(MOUNT))
    os.close(descriptor)
    try:
        read, write = os.pipe()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            child = os.fork()
        if child == 0:
            os.setuid(65534)
            try:
                with only_run(MOUNT):
                    told = (folder / one_run._name(MOUNT)).read_bytes()
            except BaseException as error:
                told = repr(error).encode()
            os.write(write, told)
            os._exit(0)
        os.waitpid(child, 0)
        os.close(write)
        assert f"process {child} of" in os.read(read, 200).decode()
        os.close(read)
    finally:
        os.umask(before)
        for path in folder.iterdir():
            path.unlink()
        folder.rmdir()


@posix
def test_nothing_is_written_through_links(tmp_path, monkeypatch) -> None:
    """Somebody put a link under the lock's name: what it leads to is not touched; it is told."""
    precious = tmp_path / "precious"
    precious.write_text("precious")
    folders = [tmp_path / name for name in ("soft", "hard", "queue", "gone")]
    for folder in folders[:3]:
        folder.mkdir()
    name = one_run._name(MOUNT)
    (folders[0] / name).symlink_to(precious)
    (folders[1] / name).hardlink_to(precious)
    os.mkfifo(folders[2] / name)
    shared(monkeypatch, *folders)
    told: list[str] = []

    with only_run(MOUNT, told.append):
        pass

    assert precious.read_text() == "precious"
    assert len(told) == 1
    assert "no lock could be made" in told[0]
    assert all(str(folder) in told[0] for folder in folders)


def test_a_full_disk_keeps_no_run_from_its_mount(tmp_path, monkeypatch) -> None:
    """The holder's name finds no room: locked all the same, and nothing ends in a traceback."""
    shared(monkeypatch, tmp_path)

    def full(*_args: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(one_run.os, "write", full)
    with only_run(MOUNT), pytest.raises(MountTaken, match=r"127.0.0.1:5$"), only_run(MOUNT):
        pytest.fail("two runs have the mount")


def test_what_a_file_says_of_its_holder_is_shown_as_one_plain_line(tmp_path, monkeypatch) -> None:
    """Any user may write there: no control characters reach the terminal."""
    shared(monkeypatch, tmp_path)
    path = tmp_path / one_run._name(MOUNT)
    with only_run(MOUNT):
        path.write_bytes(b"\x1b[2Jmine\n\r\x07 \xff" + b"x" * 1000)
        with pytest.raises(MountTaken) as taken, only_run(MOUNT):
            pytest.fail("two runs have the mount")

    assert str(taken.value).isprintable()
    assert len(taken.value.holder) <= one_run.LONGEST


def test_a_lock_that_is_taken_away_is_made_anew(tmp_path, monkeypatch) -> None:
    """Its holder ends and removes it between another one's look and its lock."""
    shared(monkeypatch, tmp_path)
    path, opened = tmp_path / one_run._name(MOUNT), one_run._opened
    seen: list[int] = []

    def opened_just_before(where: Path) -> int:
        descriptor = opened(where)
        if not seen:
            path.unlink()
        seen.append(descriptor)
        return descriptor

    monkeypatch.setattr(one_run, "_opened", opened_just_before)
    with only_run(MOUNT), pytest.raises(MountTaken), only_run(MOUNT):
        pytest.fail("two runs have the mount")

    assert len(seen) == 3
    assert not path.exists()
