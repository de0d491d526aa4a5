"""Keys of earlier versions: taken for one version, each with a note of what to do."""

from __future__ import annotations

import pytest

from polewright.foundation.broker import Broker
from polewright.foundation.config import BadConfig, Config, config_from_text
from polewright.foundation.retired_settings import RETIRED
from polewright.observing.runs.startup_site import ROOF_TIMEOUT_S


def example(kind: type) -> object:
    return {bool: False, int: 5, float: 0.7, str: "broker"}[kind]


@pytest.mark.parametrize("dotted", RETIRED)
def test_an_old_key_is_taken_and_its_author_told(dotted: str) -> None:
    """No error; one sentence that names it, and what to do. It is a key no longer."""
    section, key = dotted.split(".")

    config = Config.model_validate({section: {key: example(RETIRED[dotted].kind)}})

    (note,) = config.notes
    assert f"[{section}] {key}" in note
    assert note.endswith(("Remove it.", "Rename it.", "instead."))
    assert key not in type(getattr(config, section)).model_fields


@pytest.mark.parametrize("dotted", [name for name, old in RETIRED.items() if old.now])
def test_what_replaces_an_old_key_is_a_key(dotted: str) -> None:
    section, key = RETIRED[dotted].now.split(".")
    table = Config.model_fields[section].annotation
    assert table is not None
    assert key in table.model_fields


def test_a_renamed_key_is_read_under_its_new_name_which_wins() -> None:
    old = config_from_text("[startup]\nsigma_arcmin = 0.2\n[recovery]\nmax_exposure_s = 8\n")
    both = config_from_text("[startup]\nsigma_arcmin = 0.2\n[sweep]\nsigma_arcmin = 0.3\n")

    assert (old.sweep.sigma_arcmin, old.sweep.exposure_max_s) == (0.2, 8.0)
    assert both.sweep.sigma_arcmin == 0.3
    assert "[startup] sigma_arcmin is now [sweep] sigma_arcmin" in both.notes[0]


@pytest.mark.parametrize(
    ("table", "other_places"),
    [
        ("moves = 0", False),
        ("swaps = 0", False),
        ("moves = 3", True),
        ("moves = 3\nswaps = 0", False),
    ],
)
def test_who_forbade_other_places_is_not_sent_there_now(table: str, other_places: bool) -> None:
    """0 was a wish to stay (cables, a narrow gap); any other number says nothing new."""
    assert config_from_text(f"[recovery]\n{table}\n").recovery.other_places is other_places


def test_who_forbade_other_places_is_told_what_to_write() -> None:
    """0 equals False, and is still another thing to write in a file."""
    (note,) = config_from_text("[recovery]\nmoves = 0\n").notes
    assert note.endswith("Write other_places = false instead.")


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ("[adjuster]\nmost_moves = 10\n", "altitude_travel_arcmin"),
        ("[startup]\nsite_tolerance_deg = 0.01\n", "is accepted now"),
        ("[limits]\nsun_counts_above_deg = -12\n", "end of twilight"),
        ("[sweep]\nslew_timeout_s = 60\n", "stopped sooner before"),
        ("[startup]\nroof_timeout_s = 120\n", "given up sooner before"),
    ],
)
def test_who_asked_for_more_care_than_holds_now_is_told(table: str, told: str) -> None:
    """A smaller limit protected motors, mount or optics."""
    (note,) = config_from_text(table).notes
    assert told in note


def test_values_no_stricter_than_today_are_no_warning() -> None:
    for table in ("[adjuster]\nmost_moves = 60\n", "[startup]\nroof_timeout_s = 900\n"):
        (note,) = config_from_text(table).notes
        assert "before" not in note
    assert RETIRED["startup.roof_timeout_s"].strict_below == ROOF_TIMEOUT_S


def test_a_slow_mount_may_still_take_its_time() -> None:
    config = config_from_text("[sweep]\nslew_timeout_s = 600\n")
    assert config.limits.slew_timeout_s == pytest.approx(600.0, abs=1.0)
    assert config_from_text("").limits.slew_timeout_s == 180.0
    assert "Write slew_deg_per_s = 0.526 instead." in config.notes[0]


def test_the_keys_of_a_broker_become_its_address() -> None:
    config = config_from_text(
        "[publish]\nmqtt_host = 'fd12::5'\nmqtt_port = 8883\nmqtt_tls = true\n"
        "mqtt_topic = 'dome/pier 3'\nmqtt_username = 'a@b'\n"
    )
    assert config.publish.broker == Broker("fd12::5", 8883, "dome/pier 3", "a@b", tls=True)
    assert len(config.notes) == 5


def test_an_old_key_may_come_as_an_option_too() -> None:
    config = config_from_text("", overrides={"startup.sigma_arcmin": 0.25})
    assert config.sweep.sigma_arcmin == 0.25
    assert len(config.notes) == 1


def test_a_bad_value_under_an_old_name_is_an_error_of_the_new_one() -> None:
    with pytest.raises(BadConfig, match=r"sweep\.sigma_arcmin = -1"):
        config_from_text("[startup]\nsigma_arcmin = -1\n")


def test_a_configuration_of_today_has_no_notes() -> None:
    assert config_from_text("[sweep]\nsigma_arcmin = 0.2\n").notes == ()


def test_copies_keep_the_notes() -> None:
    config = config_from_text("[solver]\nblind = false\n")
    assert config.model_copy(update={"sweep": config.sweep}).notes == config.notes
