"""`polewright profile`: asks little, changes only that, loses nothing."""

from __future__ import annotations

import json
import stat
from operator import attrgetter
from pathlib import Path

import pytest
from typer.testing import CliRunner

from polewright.foundation.config import BadConfig, Config, config_from_file, config_from_text
from polewright.foundation.errors import ExitCode
from polewright.interfaces.cli.app import build_app
from polewright.interfaces.rig_setup.editing import difference, with_changes, write_whole
from polewright.interfaces.rig_setup.errors import FileChangedMeanwhile, ProfileNotWritten
from polewright.interfaces.rig_setup.offers import Offers
from polewright.interfaces.rig_setup.questions import QUESTIONS

FILE = """# My rig, balcony side.
[site]
latitude_deg = 44.62   # from the map
longitude_deg = 9.31

[profile]
heavy_load = true # two counterweights

[profile.altitude]
name = 'front bolt'      # the long one
arcmin_per_turn = 5.50

# Trees in the west.
[sweep]
direction = "east"
solver_note = 1
""".replace("solver_note = 1\n", "")


def profile(path, *words: str, typed: str | None = None):
    return CliRunner().invoke(build_app(), ["profile", "--config", str(path), *words], input=typed)


def test_every_question_is_a_key_and_its_default_what_holds_without_an_answer() -> None:
    """The file that is made of all defaults says what an empty one says."""
    for question in QUESTIONS:
        assert attrgetter(question.key)(Config()) == question.default, question.key
    defaults = {q.key: q.default for q in QUESTIONS if q.default is not None}

    assert config_from_text(with_changes("", defaults, "defaults")) == Config()


def test_a_new_file_is_made_from_options_alone(tmp_path) -> None:
    """Without a terminal nothing is asked; the file loads and holds the answers."""
    path = tmp_path / "rig" / "polewright.toml"
    done = profile(
        path, "--no-ask", "--altitude-name", "front bolt", "--altitude-arcmin-per-turn", "5,5",
        "--azimuth-opposing-pair", "yes", "--limits-hour-angle-max-deg", "95", "--json",
    )  # fmt: skip
    config = config_from_file(path)

    assert done.exit_code == 0
    assert json.loads(done.stdout)["written"] is True
    assert config.profile.altitude.name == "front bolt"
    assert config.profile.altitude.arcmin_per_turn == 5.5
    assert config.profile.azimuth.opposing_pair is True
    assert config.limits.hour_angle_max_deg == 95.0


def test_comments_order_and_spelling_stay(tmp_path) -> None:
    """Only the lines of the answers change; answers that stand there already change nothing."""
    path = tmp_path / "p.toml"
    path.write_text(FILE)

    profile(
        path, "--no-ask", "--altitude-name", "rear bolt", "--altitude-arcmin-per-turn", "5.5",
        "--azimuth-name", "side knobs",
    )  # fmt: skip
    after = path.read_text().splitlines()

    removed = [line for line in FILE.splitlines() if line not in after]
    assert removed == ["name = 'front bolt'      # the long one"]
    assert 'name = "rear bolt"      # the long one' in after
    assert "arcmin_per_turn = 5.50" in after
    assert config_from_file(path).profile.azimuth.name == "side knobs"
    assert config_from_file(path).profile.heavy_load is True


@pytest.fixture
def network(monkeypatch) -> Offers:
    """What devices are taken to offer; nothing is searched."""
    found = Offers()
    monkeypatch.setattr("polewright.interfaces.rig_setup.offers.offers", lambda *_: found)
    return found


def answers(*, every: bool = False, **typed: str | list[str]) -> list[str]:
    """Return what is typed to the questions: Enter where nothing else is said (by key)."""
    lines: list[str] = []
    for question in QUESTIONS:
        if not (every or question.first):
            continue
        given = typed.get(question.key.replace(".", "_"), "")
        lines += [given] if isinstance(given, str) else given
    return lines


@pytest.mark.usefixtures("network")
def test_questions_are_asked_with_what_is_there_and_shown_before_writing(tmp_path) -> None:
    """Enter keeps the present value, a wrong answer is asked again, and a no writes nothing."""
    path = tmp_path / ("a_long_folder" * 4) / "p.toml"  # no line of a terminal holds it
    path.parent.mkdir()
    path.write_text(FILE)
    typed = answers(
        every=True,
        horizon_file=["none.txt", "n", ""],
        profile_altitude_to_raise="lift it",
        profile_altitude_arcmin_per_turn=["six", "-6", "6"],
    )

    refused = profile(path, "--all", typed="\n".join([*typed, "n"]) + "\n")
    kept = path.read_text()
    done = profile(path, "--all", "--ask", typed="\n".join([*typed, "y"]) + "\n")

    assert refused.exit_code == 0
    assert kept == FILE
    assert "[front bolt]" in refused.output
    assert f"{len(QUESTIONS)} of {len(QUESTIONS)}: Highest altitude" in refused.output
    assert "a number is needed" in refused.output
    assert "'-6.0' is not usable for profile.altitude.arcmin_per_turn: input should be" in (
        " ".join(refused.output.split())
    )
    assert "none.txt cannot be read" in " ".join(refused.output.split())
    assert '+to_raise = "lift it"' in refused.output
    assert done.exit_code == 0
    assert config_from_file(path).profile.altitude.to_raise == "lift it"
    assert config_from_file(path).profile.altitude.arcmin_per_turn == 6.0
    assert config_from_file(path).profile.altitude.to_lower == Config().profile.altitude.to_lower


def test_a_fresh_machine_is_asked_for_a_first_night(tmp_path, network, monkeypatch) -> None:
    """What devices know is offered and taken by Enter; the skyline is typed; the file is found."""
    own = tmp_path / "own" / "polewright.toml"
    monkeypatch.setattr("polewright.interfaces.cli.profile.users_file", lambda: own)
    network.values |= {"site.latitude_deg": 44.62, "optics.focal_length_mm": 396.0}
    network.sentences.append("The camera is asked what it knows.")
    typed = answers(
        site_longitude_deg=["nine", "9:18:36"],
        pole_tolerance_arcmin="1.5",
        horizon_file=["garden.txt", "y", "60 10", "90 35", "north 3", "130 5", ""],
        profile_azimuth_to_move_east="left knob clockwise",
    )

    done = CliRunner().invoke(
        build_app(), ["profile", "--ask"], input="\n".join([*typed, "y"]) + "\n"
    )

    assert done.exit_code == 0, done.output
    told = " ".join(done.output.split())
    assert "The camera is asked what it knows." in told
    assert "[44.62]" in told
    first = sum(question.first for question in QUESTIONS)
    assert first == 12
    assert "1 of 12: Latitude" in told
    assert "12 of 12: Highest altitude" in told
    assert f"{len(QUESTIONS) - first} more questions have usable defaults" in told
    assert "'nine' is no angle" in told
    assert "Not used:" in told
    assert "Type that line again" in told
    asked = [line for line in done.output.splitlines() if " of 12: " in line]
    assert len(asked) >= first
    assert max(map(len, asked)) <= 80  # no terminal breaks a word
    assert "What do you do to the azimuth adjuster to move the axis EAST" in told
    assert told.endswith("Next: `polewright examine`: with mount and camera switched on.")
    config = config_from_file(own)
    assert (config.site.latitude_deg, config.site.longitude_deg) == (44.62, 9.31)
    assert config.optics.focal_length_mm == 396.0
    assert config.pole.tolerance_arcmin == 1.5
    assert config.profile.azimuth.to_move_east == "left knob clockwise"
    assert config.horizon.file == str(own.parent / "garden.txt")
    assert "90.0 35.0" in Path(config.horizon.file).read_text()


def test_a_longitude_that_the_mount_contradicts_is_asked_again(tmp_path, network) -> None:
    """With the wrong sign the sky is another one: told at the question, and not kept by Enter."""
    network.values |= {"site.longitude_deg": -2.4}
    network.mounts |= {"site.latitude_deg": 44.62, "site.longitude_deg": -2.4}
    path = tmp_path / "p.toml"
    mended = answers(site_latitude_deg="44.62", site_longitude_deg=["2.4", "", "-2.4"])
    insisted = answers(site_latitude_deg="44.62", site_longitude_deg=["2.4", "y"])

    first = profile(path, "--ask", typed="\n".join([*mended, "y"]) + "\n")
    west = config_from_file(path).site.longitude_deg
    path.unlink()
    profile(path, "--ask", typed="\n".join([*insisted, "y"]) + "\n")
    east = config_from_file(path).site.longitude_deg

    assert "east and west look exchanged (EAST is positive)" in " ".join(first.output.split())
    assert (west, east) == (-2.4, 2.4)


def test_what_stands_in_the_file_is_held_against_the_mount_too(tmp_path, network) -> None:
    """Enter at a figure of the file that the mount contradicts asks whether to keep it."""
    network.mounts |= {"site.latitude_deg": 44.62, "site.longitude_deg": -9.31}
    path = tmp_path / "p.toml"
    path.write_text(FILE)
    typed = answers(site_longitude_deg=["", "n", "-9.31"])

    done = profile(path, "--ask", typed="\n".join([*typed, "y"]) + "\n")

    assert "The mount's longitude is -9.310°, ours 9.310°" in " ".join(done.output.split())
    assert config_from_file(path).site.longitude_deg == -9.31


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["--altitude-arcmin-per-turn", "many"], "a number is needed"),
        (["--altitude-arcmin-per-turn", "-4"], "greater than 0"),
        (["--heavy-load", "perhaps"], "yes or no"),
        (["--horizon-file", "none.txt"], "none.txt cannot be read: no such file"),
    ],
)
def test_wrong_answers_leave_the_file_alone(tmp_path, words, part) -> None:
    """A value that is not usable is named, and nothing is written."""
    path = tmp_path / "p.toml"
    path.write_text(FILE)
    done = profile(path, "--no-ask", *words, "--json")

    assert done.exit_code == ExitCode.USAGE
    assert part in json.loads(done.stdout)["error"]["message"]
    assert path.read_text() == FILE


def test_a_broken_file_is_not_overwritten(tmp_path) -> None:
    """A file that is no configuration is told by line, not replaced."""
    path = tmp_path / "p.toml"
    path.write_text("[site\nlatitude_deg = 3\n")
    done = profile(path, "--no-ask", "--altitude-name", "bolt")

    assert done.exit_code == ExitCode.USAGE
    assert path.read_text() == "[site\nlatitude_deg = 3\n"
    with pytest.raises(BadConfig):
        with_changes("[nowhere]\nkey = 1\n", {}, "file")


def test_where_nobody_can_be_asked_that_is_said(tmp_path) -> None:
    """ "Nothing to change" and exit code 0 would say that all is in order."""
    done = profile(tmp_path / "p.toml", typed="")

    assert done.exit_code == ExitCode.USAGE
    assert "no questions can be asked" in done.output
    assert not (tmp_path / "p.toml").exists()


def test_a_dry_run_writes_nothing(tmp_path) -> None:
    """The difference is shown and the file stays absent."""
    path = tmp_path / "p.toml"
    done = profile(path, "--no-ask", "--dry-run", "--altitude-name", "bolt", "--json")

    assert '+name = "bolt"' in json.loads(done.stdout)["difference"]
    assert not path.exists()


def test_writing_is_whole_or_not_at_all(tmp_path, monkeypatch) -> None:
    """A failure at any moment leaves the old file, no litter, its mode, and a link a link."""
    path, real = tmp_path / "p.toml", tmp_path / "real.toml"
    real.write_text(FILE)
    real.chmod(0o640)
    path.symlink_to(real)
    after = with_changes(FILE, {"sweep.points": 5}, "p.toml")
    assert difference(FILE, after, "p.toml").count("\n+points = 5") == 1

    with monkeypatch.context() as broken:
        broken.setattr("os.fsync", _disk_full)
        with pytest.raises(ProfileNotWritten, match="space"):
            write_whole(path, FILE, after)
    assert real.read_text() == FILE
    with pytest.raises(FileChangedMeanwhile):
        write_whole(path, "something else", after)
    write_whole(path, FILE, after)

    assert real.read_text() == after
    assert path.is_symlink()
    assert stat.S_IMODE(real.stat().st_mode) == 0o640
    assert sorted(item.name for item in tmp_path.iterdir()) == ["p.toml", "real.toml"]


def _disk_full(_handle: int) -> None:
    raise OSError(28, "No space left on device")
