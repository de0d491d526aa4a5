"""Headers of solver programs that are damaged: refused with a sentence."""

from __future__ import annotations

import pytest
from astropy.io import fits

from polewright.solving.errors import SolutionRejected
from polewright.solving.external.external_solution import header_with_wcs
from polewright.solving.external.wcs import attitude_from_header

GOOD = {
    "CTYPE1": "'RA---TAN'",
    "CTYPE2": "'DEC--TAN'",
    "CRVAL1": "10.0",
    "CRVAL2": "60.0",
    "CRPIX1": "320.5",
    "CRPIX2": "240.5",
    "CD1_1": "-0.001",
    "CD1_2": "0.0",
    "CD2_1": "0.0",
    "CD2_2": "0.001",
}


def header(**changes: str) -> fits.Header:
    lines = [f"{key:8}= {value}" for key, value in {**GOOD, **changes}.items()]
    return fits.Header.fromstring("\n".join([*lines, "END"]), sep="\n")


def test_the_header_is_good_as_it_stands() -> None:
    """What the other tests damage."""
    assert attitude_from_header(header(), 640, 480, "t").rms_px < 0.1


@pytest.mark.parametrize(
    "damage",
    [
        {"CTYPE2": "'DEC--TA"},
        {"EQUINOX": "'J2000'"},
        {"EQUINOX": "20 00"},
        {"IMAGEW": "'wide'"},
        {"IMAGEW": "6 40"},
        {"CRVAL1": "1O.0"},
        {"CD1_1": "'x'"},
    ],
    ids=str,
)
def test_a_card_that_holds_something_else_is_refused(damage) -> None:
    """Found by fuzzing: not by an error of the library that reads it."""
    with pytest.raises(SolutionRejected):
        attitude_from_header(header(**damage), 640, 480, "t")


def test_a_first_axis_that_cannot_be_read_is_no_wcs(tmp_path) -> None:
    """As text, one card a line."""
    path = tmp_path / "answer.wcs"
    path.write_text("CTYPE1  = 'RA---TA\nEND\n")

    assert header_with_wcs(path) is None
