"""A report that is made: the page, what is on it, and where it is kept."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from transfer.files import write_bytes, write_text
from transfer.reports.content import ReportContent
from transfer.reports.gather import gather
from transfer.reports.html import render_report
from transfer.reports.published import hold_page

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from transfer.terminal.inputs import StudyRun

__all__ = ["TITLE", "Report", "make_report"]

TITLE = "Practice and game shooting"


@dataclass(frozen=True)
class Report:
    """The whole reading as one page.

    Parameters
    ----------
    html : str
        The page; it needs no network.
    content : ReportContent
        What is on it.
    """

    html: str
    content: ReportContent

    @property
    def text(self) -> str:
        """The reading on the page, what came of an earlier forecast, and what is new."""
        content = self.content
        track = [] if content.track is None else [content.track.text]
        return "\n\n".join([content.reading.text, *track, *content.since_lines])

    def to_dict(self) -> dict[str, Any]:
        """Return depth, verdict and sentences as plain values."""
        track = self.content.track
        return {
            "for": self.content.audience,
            "verdict": self.content.reading.to_dict()["verdict"],
            "text": self.content.reading.text,
            "track_record": None if track is None else track.to_dict(),
            "since": None if self.content.since is None else self.content.since.to_dict(),
        }

    def pdf(self) -> bytes:
        """Return the page as PDF.

        Raises
        ------
        MissingPackageError
            When what draws PDF files is not installed.
        """
        from transfer.page.pdf import page_pdf

        return page_pdf(self.html)

    def save(self, path: Path | str) -> Path:
        """Write the page whole: as PDF where the name ends in ``.pdf``, else as HTML.

        Raises
        ------
        MissingPackageError
            When what draws PDF files is not installed.
        StorageError
            When the file cannot be written.
        """
        path = Path(path)
        if path.suffix.lower() == ".pdf":
            return write_bytes(path, self.pdf())
        return write_text(path, self.html)

    def plot(self) -> Figure:
        """Draw the reading on the page."""
        return self.content.reading.plot()

    def _repr_html_(self) -> str:
        """The reading alone: a whole page would bring its style into the notebook."""
        return self.content.reading._repr_html_()


def make_report(study: StudyRun, title: str = TITLE, **options: Any) -> Report:
    """Gather what a page shows and render it; `options` are those of `gather`.

    Raises
    ------
    ArgumentError
        When a shared page would tell about too few players (`transfer.reports.published`).
    """
    content = gather(study, title, **options)
    if content.shared:
        hold_page(study, content.hidden_settings)
    return Report(render_report(content), content)
