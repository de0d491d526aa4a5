"""What an examination shows to others: no address, and nobody's name."""

from __future__ import annotations

from pathlib import Path

import pytest

from polewright.observing.runs.examination import shareable


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        (f"{Path.home()}/night.toml: cannot be read", "~/night.toml: cannot be read"),
        ("camera at 192.168.1.20:11111", "camera at (address)"),
        ("the server at pi.local:32323 is silent", "the server at (address) is silent"),
        ("[fe80::1%eth0]:11111 offers nothing", "(address) offers nothing"),
        ("http://observatory:80/api refuses", "http://(address)/api refuses"),
        ("observatory, observatory-2 and observatory.home", None),
        ("another run: polewright align, process 7 of ilse, since 21:30", None),
        ("no file /home/ilse/garden.txt", "no file /home/(user)/garden.txt"),
        ("no file C:\\Users\\ilse\\garden.txt", "no file C:\\Users\\(user)\\garden.txt"),
        # What is no address stays.
        ("mount; driver 6.5.1.1234, interface 4, at 20:53", "as it is"),
        ("44:37:12 north, 0.25:1 of i.e. 3", "as it is"),
    ],
)
def test_a_report_names_no_address_and_no_user(text: str, shown: str | None) -> None:
    """Whatever was found, an error's sentence too, can be attached to a question."""
    told = shareable(text, ["observatory"])

    if shown is None:
        assert "ilse" not in told
        assert told.replace("(address)", "observatory", 1).replace("(user)", "ilse") == text
    else:
        assert told == (text if shown == "as it is" else shown)
