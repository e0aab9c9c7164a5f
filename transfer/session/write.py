"""The files of a session: its page and tables, the paper sheet, the pages to chart on by tap."""

from __future__ import annotations

from pathlib import Path

from transfer.files import write_text
from transfer.page.stamp import stamp_line
from transfer.records.exports import csv_text
from transfer.session.chart_sheet import chart_sheet
from transfer.session.page import render_chart, render_session
from transfer.session.plan import SessionPlan
from transfer.session.tap_chart import tap_pages

__all__ = ["write_session"]


def write_session(
    plan: SessionPlan,
    folder: Path | str,
    date: str,
    session: str = "1",
    program: str = "",
    season: str = "",
    days: tuple[str, str] | None = None,
) -> tuple[Path, ...]:
    """Write the page, the plan's tables, the sheet and the pages to chart on.

    Parameters
    ----------
    plan : SessionPlan
    folder : path
    date, session, program, season : str
        As on the chart sheet.
    days : (str, str), optional
        First and last day of the records that the plan rests on.

    Returns
    -------
    tuple of Path
        ``session.html``, ``session.csv`` (blocks), ``reps.csv``, ``calls.csv``, ``chart.csv``,
        ``chart.html``, and a page to chart on by tap for every basket.

    Raises
    ------
    StorageError
        When the folder cannot be written.
    """
    target = Path(folder)
    title = f"Session {session} of {date}" + (f", {program}" if program else "")
    stamp = stamp_line([program], [season], days, seed=plan.seed)
    sheet = chart_sheet(plan, date, session, program, season)
    files = {
        "session.html": render_session(plan, title, stamp),
        "session.csv": csv_text(plan.blocks),
        "reps.csv": csv_text(plan.reps),
        "calls.csv": csv_text(plan.calls),
        "chart.csv": csv_text(sheet),
        "chart.html": render_chart(plan, f"Chart sheet, {title[0].lower()}{title[1:]}", stamp),
        **tap_pages(plan, title, date, session, program, season, stamp),
    }
    return tuple(write_text(target / name, text) for name, text in files.items())
