"""Figures as inline SVG: same bytes for the same drawing, ids that never clash on a page."""

from __future__ import annotations

import io
import re
from html import escape
from typing import TYPE_CHECKING

from transfer.page import style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["inline_svg"]

_PROLOG = re.compile(r"^.*?(?=<svg)", re.DOTALL)
_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)
_NAMESPACE = re.compile(r'\s+xmlns(:xlink)?="[^"]*"')
_SIZE = re.compile(r'(<svg[^>]*?)\s+width="[^"]*"', re.DOTALL)
_HEIGHT = re.compile(r'(<svg[^>]*?)\s+height="[^"]*"', re.DOTALL)
_IDS = (
    (re.compile(r'\bid="([^"]+)"'), 'id="{0}-{1}"'),
    (re.compile(r"url\(#([^)]+)\)"), "url(#{0}-{1})"),
    (re.compile(r'\bxlink:href="#([^"]+)"'), 'href="#{0}-{1}"'),
)


def inline_svg(figure: Figure, name: str, alt: str) -> str:
    """Return a figure as an ``<svg>`` element for an HTML page.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The drawing.
    name : str
        Unique on the page; every id of the drawing starts with it.
    alt : str
        Alternative text for readers who do not see the drawing.

    Returns
    -------
    str
        Without date, generator, fixed size or outside reference.
    """
    stream = io.StringIO()
    with style.styled():
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    text = _METADATA.sub("", _PROLOG.sub("", stream.getvalue(), count=1))
    text = _HEIGHT.sub(r"\1", _SIZE.sub(r"\1", text, count=1), count=1)
    for pattern, form in _IDS:
        text = pattern.sub(form.format(name, r"\1"), text)
    text = _NAMESPACE.sub("", text)
    return text.replace("<svg", f'<svg role="img" aria-label="{escape(alt)}"', 1).strip()
