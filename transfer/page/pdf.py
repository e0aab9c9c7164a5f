"""A page as PDF: nothing is fetched, and equal pages are equal files."""

from __future__ import annotations

import contextlib
import io
import os
import warnings
from collections.abc import Iterator
from typing import Any

from transfer.errors import MissingPackageError

__all__ = ["laid_out", "page_count", "page_pdf"]


def page_pdf(page: str) -> bytes:
    """Draw an HTML page as PDF.

    Parameters
    ----------
    page : str
        A complete page of this package, without outside references.

    Returns
    -------
    bytes
        No date and no random identifier is in the file.

    Raises
    ------
    MissingPackageError
        When WeasyPrint, or the Pango library that it draws text with, is not installed.
    """
    document = laid_out(page)
    with _fonts_without_date():
        return bytes(document.write_pdf(pdf_identifier=b"practice-transfer"))


def page_count(page: str) -> int:
    """Paper pages that an HTML page fills; same errors as `page_pdf`."""
    return len(laid_out(page).pages)


def laid_out(page: str) -> Any:
    """An HTML page as WeasyPrint's document, whose ``pages`` have a width and a height.

    Raises
    ------
    MissingPackageError
        When WeasyPrint, or the Pango library that it draws text with, is not installed.
    """
    try:
        # A library that is not there is told on the screen by WeasyPrint, in words of its own.
        with contextlib.redirect_stdout(io.StringIO()), warnings.catch_warnings():
            # Without HarfBuzz-Subset the fonts are cut down by fontTools: slower, equally good.
            warnings.filterwarnings("ignore", "HarfBuzz-Subset", DeprecationWarning)
            from weasyprint import HTML
    except (ImportError, OSError) as error:
        raise MissingPackageError(
            f"the PDF cannot be drawn: {str(error).splitlines()[0]}",
            rule="PDF output needs the package weasyprint and the system library Pango",
            next_step="install 'practice-transfer[pdf]' and Pango (Debian: apt-get install "
            "libpango-1.0-0 libpangoft2-1.0-0), or leave the PDF out and print the HTML page "
            "from a browser",
        ) from error
    return HTML(string=page, url_fetcher=_NoFetch()).render()


@contextlib.contextmanager
def _fonts_without_date() -> Iterator[None]:
    """Keep fontTools from writing the hour into a font: it asks this usual variable first."""
    name = "SOURCE_DATE_EPOCH"
    before = os.environ.get(name)
    os.environ.setdefault(name, "0")
    try:
        yield
    finally:
        if before is None:
            del os.environ[name]


class _NoFetch:
    """Refuses every address: a page holds everything it shows."""

    #: Read by WeasyPrint 68 and newer: leave the picture out and go on.
    _fail_on_errors = False

    def __call__(self, url: str, *_: Any, **__: Any) -> dict[str, Any]:
        raise ValueError(f"a page fetches nothing, not even {url}")
