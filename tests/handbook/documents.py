"""README and handbook as what stands in them: blocks, commands, settings, links."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from markdown_it import MarkdownIt
from markdown_it.token import Token

from polewright.interfaces.handbook.pages import PAGES, markdown

ROOT = Path(__file__).resolve().parents[2]
DOCUMENTS = ("README", *PAGES)


@dataclass(frozen=True)
class Block:
    """A fenced block: what kind it says it is, and its text."""

    kind: str
    text: str


def text_of(name: str) -> str:
    """A document as its readers get it."""
    return (ROOT / "README.md").read_text("utf-8") if name == "README" else markdown(name)


def _tokens(name: str) -> list[Token]:
    return MarkdownIt("commonmark").enable("table").parse(text_of(name))


def blocks(name: str) -> list[Block]:
    """All fenced blocks, those inside lists too."""
    return [Block(one.info.strip(), one.content) for one in _tokens(name) if one.type == "fence"]


def words_in_code(name: str) -> list[str]:
    """All pieces of a sentence that are set as code."""
    return [
        part.content
        for token in _tokens(name)
        for part in token.children or ()
        if part.type == "code_inline"
    ]


def links(name: str) -> list[str]:
    """All addresses that are linked to, and all pictures."""
    return [
        str(part.attrGet("href") or part.attrGet("src"))
        for token in _tokens(name)
        for part in token.children or ()
        if part.type in ("link_open", "image")
    ]


@cache
def texts_of_the_source() -> list[tuple[str, str]]:
    """Every text of the product as (file, text), docstrings left out."""
    texts = []
    for path in sorted((ROOT / "service").rglob("*.py")):
        tree = ast.parse(path.read_text("utf-8"))
        described = {id(one.value) for one in ast.walk(tree) if isinstance(one, ast.Expr)}
        texts += [
            (str(path.relative_to(ROOT)), node.value)
            for node in ast.walk(tree)
            if isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and id(node) not in described
        ]
    return texts


def told_by_the_source(pattern: str) -> Iterator[tuple[str, str]]:
    """Yield (file, match) for each find in a text of the product."""
    for path, text in texts_of_the_source():
        for found in re.findall(pattern, text):
            yield path, " ".join(found.split())
