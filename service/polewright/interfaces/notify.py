"""Tells somebody how an unattended run ended: by a command, a POST, or what apprise knows."""

from __future__ import annotations

import importlib

import requests

from polewright.foundation.config import NotifySection
from polewright.foundation.errors import ExitCode
from polewright.foundation.language import joined, say
from polewright.foundation.user_commands import CommandFailed, UserCommand

TIMEOUT_S = 20.0
PLACES = frozenset({"title", "text", "outcome", "exit_code"})


def notify(section: NotifySection, title: str, text: str, code: ExitCode) -> str | None:
    """Tell it; return a sentence when that failed. Never raises, never tells the address.

    Args:
        section: whom to tell, and when.
        title: a few words.
        text: what happened.
        code: how the run ended.
    """
    if section.when == "trouble" and code is ExitCode.OK:
        return None
    values = {
        "title": title,
        "text": text,
        "outcome": code.name.lower(),
        "exit_code": str(int(code)),
    }
    troubles = []
    if section.command is not None:
        try:
            command = UserCommand(section.command, "[notify] command", PLACES)
            command.run(values, timeout_s=TIMEOUT_S)
        except CommandFailed as exc:
            troubles.append(str(exc))
    if section.url is not None:
        trouble = _to_url(section.url, values)
        if trouble is not None:
            troubles.append(
                say("the notification by [notify] url failed: {trouble}", trouble=trouble)
            )
    return joined("; ", troubles) or None


def check_notify(section: NotifySection) -> None:
    """See at the start of a run that its end can be told. Raises `ConfigError`."""
    if section.command is not None:
        UserCommand(section.command, "[notify] command", PLACES)


def _to_url(url: str, values: dict[str, str]) -> str | None:
    if url.startswith(("http://", "https://")):
        try:
            requests.post(url, json=values, timeout=TIMEOUT_S).raise_for_status()
        except requests.RequestException as exc:
            # Its own text would tell the address, which often holds a key.
            answer = exc.response
            return (
                type(exc).__name__
                if answer is None
                else say("HTTP {status_code}", status_code=answer.status_code)
            )
        return None
    try:
        apprise = importlib.import_module("apprise")
    except ImportError:
        return say("this kind of address needs the package apprise")
    service = apprise.Apprise()
    if not service.add(url):
        return say("apprise does not know this kind of address")
    told = service.notify(title=values["title"], body=values["text"])
    return None if told else say("the service did not take it")
