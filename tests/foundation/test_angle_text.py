from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.angle_examples import EXAMPLES

import polewright
from polewright.foundation.angle_text import angle_text, arcmin_text
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG

UNITS = {"arcsec": ARCSEC, "arcmin": ARCMIN, "deg": DEG}


@pytest.mark.parametrize(("angle", "said"), EXAMPLES)
def test_angles_are_said_as_a_person_turns_screws(angle: float, said: str) -> None:
    """Arcsec below an arcmin, degrees from two on; the sign is said only where it is asked for."""
    assert angle_text(angle) == angle_text(-angle) == said
    assert arcmin_text(angle / ARCMIN) == said
    if angle:
        assert angle_text(angle, signed=True) == f"+{said}"
        assert angle_text(-angle, signed=True) == f"-{said}"


@given(st.floats(min_value=3e-2 * ARCSEC, max_value=90.0 * DEG))
def test_what_is_said_is_near_what_is_meant(angle: float) -> None:
    number, unit = angle_text(angle).split()

    assert float(number) * UNITS[unit] == pytest.approx(angle, rel=0.051, abs=0.006 * ARCSEC)


@pytest.mark.parametrize(
    ("angle", "sigma", "said"),
    [
        (4.21 * ARCMIN, 0.05 * ARCMIN, "4.21 ± 0.05 arcmin"),
        (51.3 * ARCSEC, 7.2 * ARCSEC, "51 ± 7 arcsec"),
        (51.3 * ARCSEC, 1.23 * ARCSEC, "51.3 ± 1.2 arcsec"),
        (3.0 * ARCSEC, 90.0 * ARCSEC, "0.1 ± 1.5 arcmin"),
        (34.9 * ARCMIN, 9.96 * ARCMIN, "35 ± 10 arcmin"),
        (8.0 * ARCMIN, 0.0, "8.00 ± 0.00 arcmin"),
    ],
)
def test_an_uncertainty_stands_in_the_same_unit_and_rules_the_digits(
    angle: float, sigma: float, said: str
) -> None:
    assert angle_text(angle, sigma) == angle_text(-angle, sigma) == said
    assert angle_text(-angle, sigma, signed=True) == f"-{said}"
    assert angle_text(angle, sigma, signed=True) == f"+{said}"


def _said_by_hand(path: Path) -> list[str]:
    found = []
    text = path.read_text(encoding="utf-8")
    if not re.search(r"[}]\s?(′|″|arcmin|arcsec)", text):
        return []  # most files: nothing to look for
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.JoinedStr):
            for value, after in zip(node.values, node.values[1:], strict=False):
                if (
                    isinstance(value, ast.FormattedValue)
                    and isinstance(after, ast.Constant)
                    and re.match(r"\s?(′|″|arc(min|sec))(?!/px| per pixel)", str(after.value))
                ):
                    found.append(f"{path.name}:{value.lineno}")
        elif isinstance(node, ast.Constant) and re.search(
            r"\{\w+:[^{}]+\}\s?(′|″|arc(min|sec))(?!/px| per pixel)", str(node.value)
        ):
            found.append(f"{path.name}:{node.lineno}")
    return found


def test_no_sentence_rounds_an_angle_by_itself(tmp_path) -> None:
    """Scales (arcsec per pixel) are no angles; everything else is said by one function."""
    product = Path(polewright.__file__).parent
    found = [place for path in sorted(product.rglob("*.py")) for place in _said_by_hand(path)]
    example = tmp_path / "by_hand.py"
    example.write_text(
        'f"{1.0:.2f} arcmin off"; f"{2.0:.1f}″"; f"{3.0} arcsec per pixel"; "{a:.1f}″"'
    )

    assert found == []
    assert len(_said_by_hand(example)) == 3
