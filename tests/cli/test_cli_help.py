"""``--help`` in the reader's language."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from polewright.foundation.language import speaking
from polewright.interfaces.cli.app import build_app
from polewright.interfaces.cli.spoken_help import described, paragraph_of


def commands() -> Iterator[Any]:
    group: Any = typer.main.get_command(build_app())
    context = typer.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        yield command
        yield from getattr(command, "commands", {}).values()


def test_no_option_of_any_command_stays_english() -> None:
    """Nor a command's own text: what a command gets new is in the list of messages, too."""
    with speaking("de"):
        for command in commands():
            texts = [option.help for option in command.params if not option.hidden]
            texts += (command.help or "").split("\n\n")
            told = [paragraph_of(text) for text in texts if text and re.search("[a-z]{3}", text)]
            assert not [text for text in told if described(text) == text], command.name


@pytest.mark.parametrize("where", ["variable", "file", "option"])
def test_help_speaks_the_language_that_was_chosen(
    where: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By POLEWRIGHT_LANGUAGE, by the configuration, or by the option of that name."""
    monkeypatch.chdir(tmp_path)
    file = tmp_path / "german.toml"
    file.write_text('[display]\nlanguage = "de"\n')
    words = {
        "variable": [],
        "file": ["-c", str(file)],
        "option": ["--display-language", "de"],
    }[where]
    if where == "variable":
        monkeypatch.setenv("POLEWRIGHT_LANGUAGE", "de")
    told = CliRunner().invoke(build_app(), ["measure", *words, "--help-all"]).output

    assert told.startswith("Aufruf: ")
    assert "Einstellungen von [sweep]:" in told
    assert "Belichtung an jedem Punkt, s" in told
    assert "[Vorgabe: 4.0]" in told


def test_the_list_of_commands_is_german_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("POLEWRIGHT_LANGUAGE", "de")
    told = CliRunner().invoke(build_app(), ["--help"]).output
    assert "Die Polachse mit einem Schwenk messen." in told
    assert "Start the simulated" not in told
