"""The configuration file: what it accepts and how it says no."""

from __future__ import annotations

from pathlib import Path

import pytest
import tomlkit

from polewright.foundation.config import BadConfig, config_from_file, config_from_text
from polewright.foundation.errors import ExitCode
from polewright.interfaces.rig_setup.editing import read_text, with_changes


def test_an_empty_file_is_a_configuration_whose_values_a_file_may_hold() -> None:
    """Every key has a default, and no default breaks the rule of its own key."""
    config = config_from_text("")
    written = tomlkit.dumps(config.model_dump(exclude_none=True, mode="json"))

    assert len(written.splitlines()) > 50
    assert config_from_text(written) == config


def test_values_are_read_and_options_win() -> None:
    """An option given on the command line wins over the file."""
    text = "[sweep]\nstep_deg = 12.5\npoints = 4\n"

    config = config_from_text(text, overrides={"sweep.points": 5, "site.latitude_deg": -33.0})

    assert (config.sweep.step_deg, config.sweep.points) == (12.5, 5)
    assert config.site.latitude_deg == -33.0


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    """Some editors put one first; a changed profile keeps it."""
    file = tmp_path / "night.toml"
    file.write_text("[sweep]\npoints = 4\n", encoding="utf-8-sig")

    assert config_from_file(file).sweep.points == 4
    after = with_changes(read_text(file), {"sweep.points": 5}, "night.toml")
    assert after == "\ufeff[sweep]\npoints = 5\n"


def test_a_misspelt_key_names_line_and_the_likely_key() -> None:
    """A typo is an error that names the line and guesses what was meant."""
    text = "# tonight\n[sweep]\nexposure_s = 2\nsettel_s = 3\n"

    with pytest.raises(BadConfig) as caught:
        config_from_text(text, source="night.toml")

    message = str(caught.value)
    assert "night.toml" in message
    assert "line 4, sweep.settel_s: unknown key; did you mean `settle_s`?" in message
    assert caught.value.exit_code is ExitCode.USAGE


def test_a_bad_value_names_line_key_meaning_and_rule() -> None:
    """A value out of range says where it stands, what the key means and what is allowed."""
    text = "[pole]\n\ntolerance_arcmin = -1\n"

    with pytest.raises(BadConfig) as caught:
        config_from_text(text)

    (problem,) = caught.value.problems
    assert problem.startswith("line 3, pole.tolerance_arcmin = -1 (axis error that is good enough")
    assert "greater than 0" in problem


def test_all_problems_are_told_at_once() -> None:
    """Two mistakes are two sentences, so nobody has to run it twice to find them."""
    with pytest.raises(BadConfig) as caught:
        config_from_text('[sweep]\npoints = 2\ndirection = "up"\n')

    assert len(caught.value.problems) == 2


def test_a_bad_option_is_named_as_an_option() -> None:
    """A mistake on the command line is not blamed on a line of the file."""
    with pytest.raises(BadConfig, match=r"option for sweep\.points = 1"):
        config_from_text("[sweep]\nstep_deg = 10\n", overrides={"sweep.points": 1})


def test_text_that_is_not_toml_says_where() -> None:
    """The parser's own line and column reach the user."""
    with pytest.raises(BadConfig, match=r"not valid TOML: .*line 2"):
        config_from_text("[sweep]\nstep_deg = = 3\n")


def test_a_table_given_as_a_value_is_explained() -> None:
    """`sweep = 3` with an option for a key of that table is an error, not a crash."""
    with pytest.raises(BadConfig, match=r"must be a table"):
        config_from_text("sweep = 3\n", overrides={"sweep.points": 4})


def test_a_missing_file_is_a_sentence(tmp_path: Path) -> None:
    """A file that is not there is told with its name."""
    with pytest.raises(BadConfig, match=r"nowhere\.toml .*\n.*cannot be read"):
        config_from_file(tmp_path / "nowhere.toml")


def test_a_skyline_file_lies_beside_the_configuration(tmp_path: Path) -> None:
    """A relative path in the file counts from the folder it lies in; an option's does not."""
    config = tmp_path / "night.toml"
    config.write_text('[horizon]\nfile = "garden.txt"\n')

    assert config_from_file(config).horizon.file == str(tmp_path / "garden.txt")
    given = config_from_file(config, {"horizon.file": "other.txt"})
    assert given.horizon.file == "other.txt"


def test_a_decimal_comma_is_recognised() -> None:
    """The likeliest slip of a European keyboard gets a hint."""
    with pytest.raises(BadConfig, match=r"decimal point"):
        config_from_text("[site]\nlongitude_deg = 9,31\n")
