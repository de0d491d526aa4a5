"""``polewright handbook``: the handbook in the terminal."""

from __future__ import annotations

import os
import sys
from typing import Annotated

import typer
from rich.markdown import Markdown
from rich.table import Table
from rich.text import Text

from polewright.foundation.language import say
from polewright.interfaces.cli.console import told_plainly
from polewright.interfaces.cli.terminal import Console
from polewright.interfaces.handbook.pages import PAGES, for_terminal

WIDEST = 88
"""Columns: longer lines are hard to read."""


def handbook(
    page: Annotated[
        str | None, typer.Argument(help="page to show; left out: the list of pages")
    ] = None,
) -> None:
    """Show the handbook: a list of its pages, or one of them.

    At a terminal a page is laid out, and shown screen by screen; into a file or a pipe it goes as
    the Markdown that it is written in.
    """
    console = Console()
    with told_plainly(Console(stderr=True), as_json=False):
        if page is None:
            _list(console)
            return
        text = for_terminal(page)
    if not console.is_terminal:
        sys.stdout.write(text)
        return
    os.environ.setdefault("LESS", "-FRX")  # colours, and no waiting where all fits the screen
    with console.pager(styles=os.name != "nt"):
        console.print(Markdown(text, code_theme="ansi_dark"), width=min(WIDEST, console.width))


def _list(console: Console) -> None:
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0), pad_edge=False)
    table.add_column(no_wrap=True)
    table.add_column()
    for name, line in PAGES.items():
        table.add_row(Text(name, style="bold"), line)
    console.print(table)
    console.print(say("\n`polewright handbook PAGE` shows one of them."))
