"""What a person sees: progress on standard error, plain tables on standard output."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "aside", "bold", "long_work", "notice", "print_table", "progress", "text_table", "visible",
    "watched",
]  # fmt: skip

#: What shows the step under way, and lines above it, while `long_work` is open on a terminal.
_shown: list[tuple[Callable[[str], None], Callable[[str], None]]] = []


def watched(as_json: bool) -> bool:
    """Whether somebody looks at standard error and did not ask for JSON."""
    return not as_json and sys.stderr.isatty()


def aside(message: str, as_json: bool) -> None:
    """Show lines that stay on the screen, where progress is shown; silent where `progress` is.

    Parameters
    ----------
    message : str
        Lines.
    as_json : bool
        Whether the command prints JSON.
    """
    if not watched(as_json):
        return
    if _shown:
        _shown[-1][1](message)
    else:
        click.echo(message, err=True)


def progress(as_json: bool) -> Callable[[str], None]:
    """Return what long steps report to; silent when piped or asked for JSON.

    Parameters
    ----------
    as_json : bool
        Whether the command prints JSON.
    """

    def say(message: str) -> None:
        if not watched(as_json):
            return
        if _shown:
            _shown[-1][0](message)
        else:
            click.echo(f"{message} ...", err=True)

    return say


def _plain_terminal() -> bool:
    """Whether moving or coloured output is unwanted: piped, NO_COLOR, or a dumb terminal."""
    unwanted = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb"
    return bool(unwanted) or not sys.stderr.isatty()


@contextmanager
def long_work(as_json: bool) -> Iterator[None]:
    """Show the step under way and its seconds on standard error while the block runs.

    What `progress` says goes there. Silent when piped or asked for JSON; plain lines with NO_COLOR
    or on a dumb terminal. Nothing stays on the screen afterwards but what `aside` said.

    Parameters
    ----------
    as_json : bool
        Whether the command prints JSON.
    """
    if as_json or _plain_terminal():
        yield
        return
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as shown:
        task = shown.add_task("starting")
        _shown.append(
            (
                lambda message: shown.reset(task, description=message),
                lambda message: shown.console.print(
                    message, markup=False, highlight=False, soft_wrap=True
                ),
            )
        )
        try:
            yield
        finally:
            _shown.pop()


def notice(message: str) -> None:
    """Tell something the user should know, on standard error, always."""
    click.echo(f"note: {message}", err=True)


def bold(text: str) -> str:
    """Emphasise on a terminal that wants colour (NO_COLOR is honoured)."""
    if sys.stdout.isatty() and not os.environ.get("NO_COLOR"):
        return click.style(text, bold=True)
    return text


def visible(text: str) -> str:
    """The text on one line: what would move the cursor, or hide or turn letters, as its escape."""
    return "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in text)


def _cell(value: Any, missing: bool, places: int) -> str:
    if missing:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.{places}f}"
    return visible(str(value))


def text_table(table: pd.DataFrame, columns: Sequence[str] | None = None, places: int = 3) -> str:
    """Write a table with aligned columns, numbers to the right.

    Parameters
    ----------
    table : DataFrame
        Rows to print.
    columns : sequence of str, optional
        Columns to print, in order; all when omitted.
    places : int
        Decimal places of real numbers.

    Returns
    -------
    str
        Lines without trailing spaces.
    """
    names = [str(c) for c in (table.columns if columns is None else columns)]
    values = zip(
        table[names].astype(object).to_numpy(), table[names].isna().to_numpy(), strict=True
    )
    rows = [
        [_cell(value, absent, places) for value, absent in zip(row, gaps, strict=True)]
        for row, gaps in values
    ]
    numeric = [table[name].dtype.kind in "iuf" for name in names]
    widths = [max([len(n), *(len(row[i]) for row in rows)]) for i, n in enumerate(names)]

    def line(cells: Sequence[str]) -> str:
        aligned = [
            c.rjust(w) if right else c.ljust(w)
            for c, w, right in zip(cells, widths, numeric, strict=True)
        ]
        return "  ".join(aligned).rstrip()

    return "\n".join([line(names), line(["-" * w for w in widths]), *(line(row) for row in rows)])


def print_table(table: pd.DataFrame, columns: Sequence[str] | None = None, places: int = 3) -> None:
    """Print `text_table`; a long one is left whole, for the pager to cut."""
    click.echo(text_table(table, columns, places))
