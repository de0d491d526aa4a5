"""What every test shares: none of them writes into the folders of whoever runs them."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator

import pytest

#: Where platformdirs puts state (locks, journals) and data (history, catalogues) on Linux; the
#: cache stays the user's own, for its pattern databases take minutes to make.
OWN_FOLDERS = ("XDG_STATE_HOME", "XDG_DATA_HOME")


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
        yield
