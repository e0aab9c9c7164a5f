"""A page as PDF: nothing is fetched, and equal pages are equal files."""

from __future__ import annotations

from typing import Any

from transfer.errors import MissingPackageError

__all__ = ["page_count", "page_pdf"]


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
    return bytes(_document(page).write_pdf(pdf_identifier=b"practice-transfer"))


def page_count(page: str) -> int:
    """Paper pages that an HTML page fills; same errors as `page_pdf`."""
    return len(_document(page).pages)


def _document(page: str) -> Any:
    try:
        from weasyprint import HTML
    except (ImportError, OSError) as error:
        raise MissingPackageError(
            f"the PDF cannot be drawn: {str(error).splitlines()[0]}",
            rule="PDF output needs the package weasyprint and the system library Pango",
            next_step="install 'practice-transfer[pdf]' and Pango, or leave --pdf out and print "
            "the page from a browser",
        ) from error
    return HTML(string=page, url_fetcher=_NoFetch()).render()


class _NoFetch:
    """Refuses every address: a page holds everything it shows."""

    #: Read by WeasyPrint 68 and newer: leave the picture out and go on.
    _fail_on_errors = False

    def __call__(self, url: str, *_: Any, **__: Any) -> dict[str, Any]:
        raise ValueError(f"a page fetches nothing, not even {url}")
