"""One run a mount, on this computer."""

from __future__ import annotations

import subprocess
import sys

import pytest

from polewright.alpaca.errors import Where
from polewright.measuring.one_run import MountTaken, only_run

HOLD = """
import sys
from polewright.alpaca.errors import Where
from polewright.measuring.one_run import only_run
with only_run(Where("127.0.0.1", 5, "telescope", 0)):
    print("holds", flush=True)
    sys.stdin.read()
"""


@pytest.fixture(autouse=True)
def own_folder(monkeypatch, tmp_path) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.setattr("platformdirs.user_state_dir", lambda *_a, **_k: str(tmp_path))


def test_a_mount_is_taken_once_and_free_again_afterwards() -> None:
    """Whatever name its server has; another mount of the same server is another's."""
    mount = Where("127.0.0.1", 5, "telescope", 0)
    with only_run(mount):
        with pytest.raises(MountTaken, match="another run"), only_run(mount):
            pytest.fail("two runs have the mount")
        with only_run(Where("127.0.0.1", 5, "telescope", 1)):
            pass
    with only_run(mount):
        pass


@pytest.mark.skipif(sys.platform != "linux", reason="the folder is set by Linux's variable")
def test_another_process_is_named_and_its_end_frees_the_mount(tmp_path) -> None:
    """Killed without a word, too."""
    other = subprocess.Popen(
        [sys.executable, "-c", HOLD],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={"XDG_STATE_HOME": str(tmp_path), "PATH": ""},
    )
    assert other.stdout is not None
    assert other.stdin is not None
    assert other.stdout.readline() == "holds\n"
    # The other's folder, as its own environment has it.
    mount = Where("127.0.0.1", 5, "telescope", 0)
    own = tmp_path / "polewright"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("platformdirs.user_state_dir", lambda *_a, **_k: str(own))
        with pytest.raises(MountTaken, match=str(other.pid)), only_run(mount):
            pytest.fail("two runs have the mount")
        other.kill()
        other.wait()
        with only_run(mount):
            pass
    other.stdin.close()
    other.stdout.close()
