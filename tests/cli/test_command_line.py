"""The command line: options for every key, exit codes, errors as sentences and as JSON."""

from __future__ import annotations

import json
import re
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import cast, get_args

import pytest
import typer
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from typer.testing import CliRunner

from polewright.foundation.config import Config
from polewright.foundation.errors import ExitCode
from polewright.foundation.rehearsal import REHEARSAL_VARIABLE
from polewright.interfaces.cli.app import COMMANDS, build_app
from polewright.interfaces.cli.options import ConfigPath, with_config_options

runner = CliRunner()


def plain(text: str) -> str:
    """Text without colour codes and box lines, on one line."""
    return " ".join(re.sub(r"\x1b\[[0-9;]*m|[│╭╮╰╯─]", " ", text).split())


#: Tables, which one word of a command line cannot hold.
TABLES = {"profile.altitude", "profile.azimuth", "solver.options", "adjuster.options"}
SAMPLES: dict[type, object] = {bool: False, int: 7, float: 7.5, str: "words"}


def keys() -> Iterator[tuple[str, FieldInfo]]:
    """Every key of the configuration, as section.key."""
    for section, field in Config.model_fields.items():
        for key, inner in cast("type[BaseModel]", field.annotation).model_fields.items():
            yield f"{section}.{key}", inner


def option(key: str) -> str:
    return f"--{key}".replace(".", "-").replace("_", "-")


def test_every_key_of_the_configuration_is_an_option_of_measure() -> None:
    """What a file can set, an option can set."""
    text = plain(runner.invoke(build_app(), ["measure", "--help-all"]).output)
    missing = [key for key, _ in keys() if not re.search(rf"{option(key)}(?![\w-])", text)]

    assert set(missing) == TABLES


def test_every_option_arrives_at_its_key() -> None:
    """A value of the key's own type comes out as that."""
    given: dict[str, object] = {}
    words = []
    for key, field in keys():
        if key not in TABLES:
            kinds = {type(field.default), *get_args(field.annotation), field.annotation}
            given[key] = value = next((SAMPLES[k] for k in SAMPLES if k in kinds), "words")
            words += [option(key).replace("--", "--no-", 1)] if value is False else []
            words += [] if value is False else [option(key), str(value)]

    assert overrides_of(words) == given


def test_help_is_short_and_says_where_the_settings_are() -> None:
    """The command's own options fit a screen; the rest is one word away, and nothing is run."""
    short = runner.invoke(build_app(), ["measure", "--help"])
    whole = runner.invoke(build_app(), ["measure", "--help-all"])

    assert short.exit_code == whole.exit_code == 0
    assert len(short.output.splitlines()) < 60 < len(whole.output.splitlines())
    assert "--help-all" in short.output
    assert "--sweep-points" not in short.output
    assert "Settings of [sweep]:" in whole.output
    assert "--config" in whole.output


def overrides_of(words: list[str]) -> dict[str, object]:
    """What a command with the configuration's options is told."""
    got: list[dict[str, object]] = []
    app = typer.Typer()

    @app.command()
    @with_config_options
    def told(config: ConfigPath = None, *, overrides: dict[str, object]) -> None:
        got.append(overrides)

    done = runner.invoke(app, words)
    assert done.exit_code == 0, done.output
    return got[0]


@pytest.mark.parametrize(
    ("words", "given"),
    [
        (["--no-sweep-overlap"], {"sweep.overlap": False}),
        (["--sweep-overlap"], {"sweep.overlap": True}),
        (
            ["--no-history-enabled", "--sweep-points", "4"],
            {"history.enabled": False, "sweep.points": 4},
        ),
        (
            ["--no-solver-blind", "--startup-sigma-arcmin", "0.2"],
            {"solver.blind": False, "startup.sigma_arcmin": 0.2},
        ),  # of an earlier version
        ([], {}),
    ],
)
def test_what_is_on_by_default_can_be_switched_off_by_an_option(words, given) -> None:
    """Every key is an option: a switch needs both words."""
    assert overrides_of(words) == given


def test_every_option_has_a_meaning_and_not_only_a_name() -> None:
    """The description of a key is more than the key."""
    assert [key for key, field in keys() if key not in TABLES and not field.description] == []


def test_exit_codes_are_documented_in_help() -> None:
    """Every code a script can meet is in the help of the program; of a command, in one line."""
    text = plain(runner.invoke(build_app(), ["--help"]).output)
    own = runner.invoke(build_app(), ["plan", "--help"], env={"COLUMNS": "80"}).output

    for code in ExitCode:
        assert f" {int(code)} {code.name.lower().replace('_', ' ')}" in text
    assert [line.strip() for line in own.splitlines() if "Exit codes" in line] == [
        "Exit codes: 0 good, 9 out of tolerance; more: `polewright handbook trouble`."
    ]


def test_a_configuration_typo_ends_with_code_2_and_a_sentence(tmp_path: Path) -> None:
    """The line, the key and the likely spelling are told; nothing is connected."""
    config = tmp_path / "night.toml"
    config.write_text("[sweep]\nstep_degs = 3\n")

    done = runner.invoke(build_app(), ["measure", "--config", str(config)])

    assert done.exit_code == ExitCode.USAGE
    assert "line 2, sweep.step_degs" in plain(done.output)
    assert "step_deg" in plain(done.output)


def test_an_error_is_a_json_document_when_asked(tmp_path: Path) -> None:
    """A script reads code, message, advice and exit code from standard output."""
    config = tmp_path / "night.toml"
    config.write_text("[pole]\ntolerance_arcmin = 0\n")

    done = subprocess.run(
        [sys.executable, "-m", "polewright", "measure", "--json", "--config", str(config)],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )

    document = json.loads(done.stdout)
    assert done.returncode == ExitCode.USAGE
    assert document["ok"] is False
    assert document["error"]["code"] == "bad_config"
    assert document["error"]["exit_code"] == ExitCode.USAGE
    assert document["error"]["advice"]


def test_no_device_on_the_network_says_what_to_do() -> None:
    """Discovery on a port where nobody answers ends with code 3 and advice."""
    done = runner.invoke(
        build_app(), ["devices", "--timeout-s", "0.3", "--discovery-port", "39999"]
    )

    assert done.exit_code == ExitCode.DEVICE
    assert "no Alpaca server answered" in plain(done.output)


def test_a_port_without_a_host_is_refused() -> None:
    """What would be ignored is said to be; a port that is none is named."""
    alone = runner.invoke(build_app(), ["devices", "--port", "11111"])
    wrong = runner.invoke(build_app(), ["devices", "--host", "127.0.0.1", "--port", "70000"])

    assert alone.exit_code == ExitCode.USAGE
    assert "--port belongs to --host" in plain(alone.output)
    assert wrong.exit_code == ExitCode.USAGE
    assert "'--port'" in plain(wrong.output)
    assert "65535" in plain(wrong.output)


def test_a_wrong_port_is_named() -> None:
    """A refused connection tells host and port."""
    done = runner.invoke(build_app(), ["devices", "--host", "127.0.0.1", "--port", "9"])

    told = plain(done.output)
    assert done.exit_code == ExitCode.DEVICE
    assert told.count("127.0.0.1:9") == 1
    assert "Start the devices' Alpaca server" in told


def test_a_bad_rig_description_is_refused(tmp_path: Path) -> None:
    """The simulated rig names the key that is wrong."""
    spec = tmp_path / "rig.toml"
    spec.write_text("[optics]\nfocal_length = 3\n")

    done = runner.invoke(build_app(), ["simulate", "--spec", str(spec), "--port", "0"])

    assert done.exit_code == 2
    assert "focal_length" in done.output


def test_a_taken_port_is_a_sentence() -> None:
    """A second rig on one port says which port and what to do, without a traceback."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        done = runner.invoke(build_app(), ["simulate", "--port", port, "--discovery-port", "0"])

    assert done.exit_code == ExitCode.DEVICE
    assert f"127.0.0.1:{port}" in done.output
    assert "--port" in done.output


@pytest.mark.parametrize("text", ["1,2", "a,b,c", "0,0,-1"])
def test_a_bad_rehearsal_clock_is_explained(monkeypatch, text: str) -> None:
    """What the variable must be is told with what was given."""
    from polewright.foundation.errors import ConfigError
    from polewright.foundation.rehearsal import clock_from_environment

    monkeypatch.setenv(REHEARSAL_VARIABLE, text)

    with pytest.raises(ConfigError, match="address of a simulated rig"):
        clock_from_environment()


def test_the_list_of_commands_loads_none_of_them() -> None:
    """What makes the commands slow to load must not be paid for by --help and --version."""
    program = (
        "import sys\n"
        "from polewright.interfaces.cli.app import build_app\n"
        "try:\n    build_app()(['--help'])\n"
        "except SystemExit:\n    pass\n"
        "heavy = {'numpy', 'scipy', 'astropy', 'matplotlib', 'polewright.foundation.config'}\n"
        "heavy &= set(sys.modules)\n"
        "print('loaded:', sorted(heavy))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )

    assert "loaded: []" in done.stdout
    for name in COMMANDS:
        assert f"\n  {name} " in done.stdout


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_of_the_list_is_there(name: str) -> None:
    """Each loads under its name and explains itself."""
    done = runner.invoke(build_app(), [name, "--help"])

    assert done.exit_code == 0
    assert f"polewright {name}" in plain(done.output)


def test_a_mistyped_command_is_told_the_likely_one() -> None:
    """Although no command is loaded yet."""
    done = runner.invoke(build_app(), ["mesure"])

    assert done.exit_code == ExitCode.USAGE
    assert "'measure'" in plain(done.output)


@pytest.mark.parametrize(
    "words",
    [
        ["align", "--plain"], ["measure"], ["examine"], ["startup", "--startup-wait-s", "0"],
        ["check"], ["plan", "--connect"], ["drift"],
    ],
    ids=lambda words: words[0],
)  # fmt: skip
def test_a_rehearsal_clock_is_told_before_a_mount_is_reached(monkeypatch, tmp_path, words) -> None:
    """Left set on a real night, the Sun would not be where the program looks for it."""
    monkeypatch.setenv(REHEARSAL_VARIABLE, "1795210200,1795200000,1")
    with socket.socket() as taken:  # bound and not listening: every connection is refused
        taken.bind(("127.0.0.1", 0))
        at = ["127.0.0.1", str(taken.getsockname()[1])]
        where = [
            word
            for kind in ("telescope", "camera")
            for pair in zip((f"--{kind}-host", f"--{kind}-port"), at, strict=True)
            for word in pair
        ]
        rest = ["--run-journal-folder", str(tmp_path), "--no-history-enabled"]
        done = runner.invoke(build_app(), [*words, *where, *rest], env={"COLUMNS": "500"})

    assert done.exit_code not in (0, 2), done.output
    assert done.output.startswith(f"Rehearsal clock: {REHEARSAL_VARIABLE} is set"), done.output
