"""``transfer demo``: the main job on invented data, one study that can tell and one that cannot."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from transfer.terminal.frame import echo_json
from transfer.terminal.options import SEED

if TYPE_CHECKING:
    from transfer.reports.content import ReportContent
    from transfer.terminal.inputs import StudyRun

__all__ = ["command"]

#: Study -> (level of play, heading of its page, whether a lot assigned the practice mix).
STUDIES = {
    "conference": ("women_college", "Invented conference: practice and game shooting", True),
    "one_program": ("women_college", "Invented single program: practice and game shooting", False),
}


@click.command("demo")
@click.option(
    "--data",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("data"),
    show_default=True,
    help="Folder of the demo data; written there when absent.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("reports"),
    show_default=True,
    help="Folder for the pages; an earlier demo page there is replaced.",
)
@click.option("--seed", type=SEED, default=1, show_default=True, help="Seed of the fits.")
@click.option(
    "--study",
    type=click.Choice(list(STUDIES)),
    multiple=True,
    help="Run only this study; may be repeated.",
)
@click.option(
    "--score/--no-score",
    default=False,
    show_default=True,
    help="Also score the forecasts on the later games, which fits once more.",
)
@click.option("--open", "show", is_flag=True, help="Open the pages in a browser.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")
def command(
    data: Path,
    out: Path,
    seed: int,
    study: tuple[str, ...],
    score: bool,
    show: bool,
    as_json: bool,
) -> None:
    """Run the main job on invented data: verdict first, then where the page is.

    Nobody in these records exists. Twelve programs together can tell something; one program's
    season cannot, and says so.
    """
    from transfer.reports.report import make_report
    from transfer.simulation.write import write_demo
    from transfer.terminal.screen import long_work

    if not all((data / name / "practice.csv").is_file() for name in STUDIES):
        write_demo(data)
    told: dict[str, Any] = {}
    for name in study or STUDIES:
        _, title, assigned = STUDIES[name]
        with long_work(as_json):
            study_data = demo_study(data / name, name, seed, as_json)
            report = make_report(study_data, title, score=score, assigned=assigned)
        reading = report.content.reading
        path = report.save(out / f"demo_{name}.html")
        write_pictures(report.content, out, f"demo_{name}")
        summary = reading.to_dict()
        told[name] = {"verdict": summary["verdict"], "text": reading.text, "report": str(path)}
        if not as_json:
            show_study(name, reading.text, path)
        if show:
            open_page(path)
    if as_json:
        echo_json(told, "demo")


def demo_study(folder: Path, name: str, seed: int, as_json: bool) -> StudyRun:
    """Open one demo study; nothing but the page is kept."""
    from transfer.terminal.inputs import study_of
    from transfer.terminal.options import Request

    files = {t: folder / f"{t}.csv" for t in ("practice", "games", "roster", "drills")}
    return study_of(Request(files=files, level=STUDIES[name][0], seed=seed, as_json=as_json))


def write_pictures(content: ReportContent, out: Path, stem: str) -> list[Path]:
    """Write two pictures of the page as files of their own, for a first look at the job."""
    import io

    from transfer.files import write_bytes
    from transfer.page import style
    from transfer.reading import figure_correlations as correlations
    from transfer.reading import figure_practice_game as practice_game

    tables = {
        "correlations": (correlations, correlations.frame(content.posterior, content.prob)),
        "practice_game": (
            practice_game,
            practice_game.frame(content.posterior, content.prob),
        ),
    }
    written = []
    for name, (figure, table) in tables.items():
        stream = io.BytesIO()
        with style.styled():
            figure.draw(table).savefig(stream, format="png", dpi=100, metadata={"Software": None})
        written.append(write_bytes(out / f"{stem}_{name}.png", stream.getvalue()))
    return written


def show_study(name: str, text: str, path: Path) -> None:
    """Print the verdict of one study and where its page is."""
    import textwrap

    from transfer.page.words import sentences
    from transfer.terminal.screen import bold

    first, *rest = sentences(text)
    click.echo(bold(f"{name.replace('_', ' ').capitalize()}: {first}"))
    click.echo(textwrap.fill(" ".join(rest), 96))
    click.echo(f"Report: {path}\n")


def open_page(path: Path) -> None:
    """Open a page in the browser of this machine; say so where there is none."""
    import webbrowser

    from transfer.terminal.screen import notice

    if not webbrowser.open(path.resolve().as_uri()):
        notice(f"no browser was found here; open {path} in one")
