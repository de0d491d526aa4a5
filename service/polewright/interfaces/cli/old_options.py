"""Options that had another name: still read for one version, each with a note."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from polewright.foundation.language import say

OLD: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "plan": {"--at-time": ("--at",)},
    "bestpole": {"--begin": ("--at",), "--ra-hours": ("--ra",), "--dec-deg": ("--dec",)},
    "drift": {"--plot": ("--chart",), "--night": ("--theme", "night")},
    "tolerance": {"--picture": ("--chart",)},
    "horizon": {"--output": ("--out",)},
    "report": {"--output": ("--out",)},
    "history plot": {"--output": ("--chart",), "-o": ("--chart",)},
    "history export": {"--output": ("--out",)},
}
"""By command: what stands now for an option of an earlier version."""


def renamed(command: str, words: Sequence[str]) -> tuple[list[str], list[str]]:
    """Return a command's words with today's names, and a note for each that was an old one."""
    old = OLD.get(command, {})
    now: list[str] = []
    notes: list[str] = []
    for index, word in enumerate(words):
        if word == "--":
            now += words[index:]
            break
        name, equals, value = word.partition("=")
        if name not in old:
            now.append(word)
            continue
        first, *more = old[name]
        now += [first + equals + value, *more]
        notes.append(say("{old} is now {new}.", old=name, new=" ".join(old[name])))
    return now, notes
