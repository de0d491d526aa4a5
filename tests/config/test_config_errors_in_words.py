"""What the system says of a file reaches the user in words."""

from __future__ import annotations

import pytest

from polewright.foundation.config import BadConfig, config_from_file
from polewright.foundation.errors import in_words


def test_a_missing_file_is_told_without_the_system_s_number(tmp_path) -> None:
    """Neither an error number nor the path a second time."""
    with pytest.raises(BadConfig) as caught:
        config_from_file(tmp_path / "none.toml")

    assert str(caught.value).endswith("cannot be read: no such file or directory")
    assert str(caught.value).count("none.toml") == 1


def test_bytes_that_are_no_text_are_told_with_their_place(tmp_path) -> None:
    (tmp_path / "c.toml").write_bytes(b"[site]\n\xff\n")
    with pytest.raises(BadConfig, match=r"no UTF-8 text \(byte 0xff\)"):
        config_from_file(tmp_path / "c.toml")


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (OSError(28, "No space left on device"), "no space left on device"),
        (OSError("odd"), "odd"),
        (ValueError(), "ValueError"),
    ],
)
def test_errors_in_words(error: Exception, words: str) -> None:
    assert in_words(error) == words


def test_another_file_than_the_one_told_is_named(tmp_path) -> None:
    """A file where a folder should be is in the way, not the file that was to be written."""
    (tmp_path / "folder").write_text("")
    path = tmp_path / "folder" / "run.json"
    with pytest.raises(OSError, match="exists") as caught:
        path.parent.mkdir()

    assert in_words(caught.value, told=path) == f"file exists: {path.parent}"
    assert in_words(caught.value, told=path.parent) == "file exists"
