"""``transfer share``: a bundle that may leave the staff, with aggregates only."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from transfer.terminal.frame import echo_json
from transfer.terminal.options import shared_options

if TYPE_CHECKING:
    import pandas as pd

    from transfer.models.posterior import TransferPosterior
    from transfer.page.suppression import Suppressed
    from transfer.terminal.inputs import StudyRun

__all__ = ["bundle_bytes", "command"]

#: Time stamp of every part, so that equal content gives equal bytes.
_EPOCH = (1980, 1, 1, 0, 0, 0)

_README = """\
Aggregates of one run of transfer. No row concerns one player, no draw of the fit is in here.

counts.csv       players, attempts and makes by program and setting, with totals
population.csv   the population the model describes: middle make rate, spread between players
                 (standard deviation, log odds), correlation with true game rates;
                 equal-tailed intervals of expected values
manifest.json    which tables were read, options, versions; no names and no hashes of files

{hidden}

Before you pass it on: what may be shared is decided by your agreement with the players, by your
institution and by local law; for minors also by their guardians. Aggregates of few people are no
guarantee. What a season folder has published is held against every later bundle of it; what you
published by other ways is not known here.
"""


@click.command("share")
@click.argument("run", type=click.Path(path_type=Path))
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="The zip file to write; new."
)
@shared_options("records", "fit", "json")
def command(run: Path, out: Path, **given: Any) -> None:
    """Bundle the aggregates of RUN into one zip file: no players, small groups hidden.

    The records must be those of the run; in a season folder they are found.
    """
    from transfer.cli.verify import read_manifest
    from transfer.errors import StorageError
    from transfer.files import write_bytes
    from transfer.reports.published import keep_published
    from transfer.terminal.inputs import open_study

    if out.exists():
        raise StorageError(
            f"{out} exists already", rule="nothing is overwritten", next_step="name a new file"
        )
    study = open_study({**given, "out": None})
    posterior = _fit_of(run, study)
    content, counts = bundle_bytes(study, posterior, read_manifest(run))
    if study.request.season is not None:
        keep_published(study.request.season.folder, counts.published)
    write_bytes(out, content)
    if study.request.as_json:
        echo_json({"bundle": str(out), "text": counts.text, "counts": counts.to_dict()}, "share")
        return
    click.echo(f"{counts.text}\nBundle: {out}")


def _fit_of(run: Path, study: StudyRun) -> TransferPosterior:
    """The run's fit, after a look whether it belongs to these records."""
    from transfer.errors import StorageError
    from transfer.terminal.runs import FIT_FILE, load_run_fit

    posterior = load_run_fit(run)
    if posterior.provenance.data_hash != study.cells.data_hash:
        raise StorageError(
            f"{run / FIT_FILE} was fitted to other records or settings than these",
            rule="a bundle describes the records of its run",
            next_step="name the run's record files and --settings, or fit these records",
        )
    return posterior


def bundle_bytes(
    study: StudyRun, posterior: TransferPosterior, manifest: Mapping[str, Any]
) -> tuple[bytes, Suppressed]:
    """Make the bundle; the same bytes for the same run.

    Parameters
    ----------
    study : StudyRun
        Records, counts and options.
    posterior : TransferPosterior
        Their fit.
    manifest : mapping
        The run's manifest.

    Returns
    -------
    bytes, Suppressed
        The zip archive, and the counts in it.

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    """
    from transfer.models.alignment import require_passed
    from transfer.page.suppression import suppress
    from transfer.records.exports import csv_text
    from transfer.reports.published import counts_to_publish, read_published

    require_passed(posterior.diagnostics)
    table = counts_to_publish(study.records, study.request.settings)
    season = study.request.season
    counts = suppress(
        table, "program", "setting", "unit", ("attempts", "makes"), fine="fine",
        before=() if season is None else read_published(season.folder),
    )  # fmt: skip
    names = {"row": "program", "column": "setting"}
    files = {
        "README.txt": _README.format(hidden=counts.text),
        "counts.csv": csv_text(counts.table.rename(columns=names).astype(object)),
        "population.csv": csv_text(_population(posterior, _players(table), counts.smallest)),
        "manifest.json": json.dumps(_manifest(manifest), indent=2) + "\n",
    }
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in files.items():
            archive.writestr(zipfile.ZipInfo(name, _EPOCH), text)
    return stream.getvalue(), counts


def _players(table: pd.DataFrame) -> dict[str, int]:
    """Players with attempts, by setting."""
    present = table[table["attempts"] > 0]
    return {str(s): int(n) for s, n in present.groupby("setting")["unit"].nunique().items()}


def _population(
    posterior: TransferPosterior, players: Mapping[str, int], smallest: int
) -> pd.DataFrame:
    """Middle rate, spread and correlation with games of every setting with enough players."""
    import numpy as np
    import pandas as pd
    from scipy.special import expit

    from transfer.records.cells import GAME
    from transfer.results import interval_from_draws

    rows = []
    for k, setting in enumerate((*posterior.settings, GAME)):
        if players.get(setting, 0) < smallest:
            continue
        quantities = {
            "middle make rate": expit(posterior.population.mu[:, k]),
            "spread between players": posterior.population.tau[:, k],
        }
        if setting != GAME and players.get(GAME, 0) >= smallest:
            quantities["correlation with games"] = posterior.population.omega[:, k, -1]
        for name, draws in quantities.items():
            limits = interval_from_draws(draws, 0.90)
            rows.append(
                (setting, name, float(np.mean(draws)), limits.low, limits.high, limits.prob)
            )
    return pd.DataFrame(rows, columns=["setting", "quantity", "mean", "low", "high", "prob"])


def _manifest(manifest: Mapping[str, Any]) -> dict[str, Any]:
    """Options, versions and day of the run, and which tables were read.

    Neither names of files, which people give, nor hashes: who guesses the content of a small record
    file could confirm the guess by its hash, or by a key that was made from it.
    """
    kept = {name: manifest[name] for name in ("created", "options", "versions")}
    options = {k: v for k, v in kept["options"].items() if not k.endswith("_sha256")}
    return {**kept, "options": options, "inputs": sorted(manifest["inputs"])}
