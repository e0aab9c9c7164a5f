"""One HTML document from a verdict and sections: without outside reference, ready to print."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, get_args

from transfer.page import words
from transfer.page.blocks import Section

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

__all__ = ["AUDIENCES", "Audience", "WhatIf", "render_sections"]

#: Who a page is for; decides its depth.
Audience = Literal["analyst", "coach", "director"]
AUDIENCES: tuple[Audience, ...] = get_args(Audience)

_TEMPLATES = Path(__file__).parent / "templates"


@dataclass(frozen=True)
class WhatIf:
    """What the template needs.

    Parameters
    ----------
    data : Markup
        JSON for the script, safe inside an element of HTML.
    start : int
        Slider position of the present mix.
    steps : int
        Positions of the slider; 0 without a mix.
    mix_rows : list of list of str
        The mix as a table: rep, live, gain, band, chance.
    mix_level : str
        Probability of the band.
    players : list of (str, list of (str, str, str))
        Player and, per setting, its name, estimate and counts.
    level : str
        Probability of the players' intervals.
    """

    data: Markup
    start: int
    steps: int
    mix_rows: list[list[str]]
    mix_level: str
    players: list[tuple[str, list[tuple[str, str, str]]]]
    level: str


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    found = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
    )
    found.filters["minus"] = words.minus
    return found


def render_sections(
    title: str,
    verdict: Mapping[str, Any],
    parts: Sequence[Section],
    *,
    audience: Audience = "analyst",
    question: str = "",
    stamp: str = "",
    interactive: WhatIf | None = None,
) -> str:
    """Put a verdict and sections into the page.

    Parameters
    ----------
    title : str
        Heading of the page.
    verdict : mapping
        ``statement``, ``lines``, ``next_step`` and ``rows`` (quantity, value, meaning);
        ``orders`` (label, sentence) where lines stand on top that say what to do.
    parts : sequence of Section
        In order.
    audience : {"analyst", "coach", "director"}
        Decides print sizes and whether there is a list of sections.
    question : str
        Below the heading.
    stamp : str
        What the page is about and what made it, in one line below that.
    interactive : WhatIf or None
        The what-if part; it holds the page's only script.

    Returns
    -------
    str
        The whole HTML document.
    """
    from markupsafe import Markup

    def read(name: str) -> Markup:
        return Markup((_TEMPLATES / name).read_text(encoding="utf-8").strip())

    page = (
        _environment()
        .get_template("report.html.j2")
        .render(
            title=title,
            verdict=verdict,
            sections=list(parts),
            audience=audience,
            question=question,
            stamp=stamp,
            what_if=interactive,
            script=read("what_if.js") if interactive is not None else "",
            css=read("style.css"),
        )
    )
    return "\n".join(line.rstrip() for line in page.splitlines() if line.strip()) + "\n"
