"""``transfer verify``: are the inputs and outputs of a run still what they were?"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from transfer.terminal.frame import echo_json

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Verification", "command", "read_manifest", "verify_run"]

#: States that do not let a run pass.
_BAD = ("changed", "missing", "unreadable", "not listed")


@dataclass(frozen=True)
class Verification:
    """Every file of a run with what became of it.

    Parameters
    ----------
    run : str
        Name of the run folder.
    table : DataFrame
        ``kind`` (input, output, manifest, version), ``name``, ``state`` and ``detail``. States are
        same, changed, missing, unreadable, and for outputs not listed.
    """

    run: str
    table: pd.DataFrame

    @property
    def passed(self) -> bool:
        """Whether no file changed; other package versions are told but do not fail a run."""
        files = self.table[self.table["kind"] != "version"]
        return not files["state"].isin(_BAD).any()

    @property
    def text(self) -> str:
        """What changed, in a sentence or two."""
        bad = self.table[self.table["state"].isin(_BAD)]
        files = bad[bad["kind"] != "version"]
        versions = bad.loc[bad["kind"] == "version", "name"].tolist()
        if files.empty:
            told = f"Run {self.run}: all {(self.table['kind'] != 'version').sum()} files are as "
            told += "they were."
        else:
            each = [f"{r['kind']} {r['name']} is {r['state']}" for r in files.to_dict("records")]
            told = f"Run {self.run}: {'; '.join(each)}."
        if versions:
            told += f" Made with other versions of {', '.join(versions)} than are installed now."
        return told

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain values."""
        return {
            "run": self.run,
            "passed": self.passed,
            "text": self.text,
            "files": self.table.to_dict("records"),
        }


def verify_run(folder: Path | str, records: Path | str | None = None) -> Verification:
    """Hash the inputs and outputs of a run again and compare.

    Parameters
    ----------
    folder : path
        The run folder, with its ``manifest.json``.
    records : path, optional
        Folder of the record files; the season folder around the run when omitted.

    Raises
    ------
    StorageError
        When the folder holds no readable manifest.
    """
    import pandas as pd

    run = Path(folder)
    manifest = read_manifest(run)
    rows = [_manifest_row(manifest)]
    rows += _inputs(run, manifest, None if records is None else Path(records))
    rows += _outputs(run)
    rows += _versions(manifest)
    return Verification(
        run.resolve().name, pd.DataFrame(rows, columns=["kind", "name", "state", "detail"])
    )


_Row = tuple[str, str, str, str]


def read_manifest(run: Path) -> dict[str, Any]:
    """Read a run folder's manifest and check its form.

    Raises
    ------
    StorageError
        When there is none, or it is damaged.
    """
    import json

    from transfer.errors import StorageError
    from transfer.files import SETTINGS_BYTES, read_plain
    from transfer.terminal.runs import MANIFEST

    try:
        found = json.loads(read_plain(run / MANIFEST, SETTINGS_BYTES))
        json.dumps(found, ensure_ascii=False).encode()  # half characters are no text
        if not all(isinstance(found[k], dict) for k in ("inputs", "options", "versions")):
            raise ValueError("a part is missing")
        pairs = [(v["file"], v["sha256"]) for v in found["inputs"].values()]
        if not all(isinstance(word, str) for pair in pairs for word in pair):
            raise ValueError("a name or a hash is no text")
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise StorageError(
            f"{run} has no readable {MANIFEST} ({error})",
            rule="a run folder as transfer fit or transfer report wrote it",
            next_step="name a folder below runs/, or the --out of an earlier command",
        ) from error
    return dict(found)


def _manifest_row(manifest: dict[str, Any]) -> _Row:
    """The manifest states keys made of its own content; a later edit breaks that."""
    from transfer.terminal.runs import MANIFEST, fit_key, run_key

    stated = manifest.get("key"), manifest.get("fit_key")
    whole = stated == (run_key(manifest), fit_key(manifest))
    detail = "" if whole else "its keys do not follow from its content"
    return ("manifest", f"{MANIFEST}, keys", "same" if whole else "changed", detail)


def _compare(kind: str, name: str, path: Path, stated: str) -> _Row:
    import os.path

    from transfer.errors import StorageError
    from transfer.terminal.runs import file_hash

    # Unlike the method of a path it answers for names that no file can have, too.
    if not os.path.lexists(path):
        return (kind, name, "missing", "")
    if kind != "input" and os.path.islink(path):  # noqa: PTH114
        return (kind, name, "changed", "it is a link now")
    try:
        found = file_hash(path)
    except StorageError as error:
        return (kind, name, "unreadable", error.message)
    if found == stated:
        return (kind, name, "same", "")
    return (kind, name, "changed", f"was {stated[:12]}, is {found[:12]}")


def _inputs(run: Path, manifest: dict[str, Any], records: Path | None) -> Iterator[_Row]:
    from transfer.records.season import find_season, read_season

    folder = find_season(run)
    season = None if folder is None or records is not None else read_season(folder)
    for table, stated in manifest["inputs"].items():
        # Only the name: a manifest that was tampered with must not lead to other folders.
        name = Path(stated["file"].replace("\\", "/")).name
        place = (records or Path()) / name
        if season is not None:
            place = season.files.get(table, season.folder / name)
        yield _compare("input", name, place, stated["sha256"])
    priors = manifest["options"].get("priors_sha256")
    if priors and season is not None and season.priors is not None:
        yield _compare("input", season.priors.name, season.priors, str(priors))
    elif priors:
        yield ("input", "starting assumptions", "missing", "their file is not known here")


def _outputs(run: Path) -> Iterator[_Row]:
    from transfer.terminal.runs import CHECKSUMS, MANIFEST, stated_hashes

    stated = stated_hashes(run)
    for name, digest in sorted(stated.items()):
        yield _compare("manifest" if name == MANIFEST else "output", name, run / name, digest)
    for path in sorted(run.iterdir()):
        if path.name not in {CHECKSUMS, *stated}:
            what = "a file" if path.is_file() else "a folder, link, pipe or device"
            detail = f"{what} without a hash from when it was made"
            kind = "manifest" if path.name == MANIFEST else "output"
            yield (kind, path.name, "not listed", detail)


def _versions(manifest: dict[str, Any]) -> Iterator[_Row]:
    from transfer.models.transfer_model import MODEL_VERSION
    from transfer.provenance import package_versions

    now = {**package_versions(), "model": str(MODEL_VERSION)}
    for name, stated in sorted(manifest["versions"].items()):
        found = now.get(name, "none")
        same = str(stated) == found
        yield ("version", name, "same" if same else "changed", "" if same else f"{stated}, {found}")


@click.command("verify")
@click.argument("run", type=click.Path(path_type=Path))
@click.option(
    "--records",
    metavar="FOLDER",
    type=click.Path(path_type=Path),
    help="Where the record files are.  [default: the season folder around RUN, or here]",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")
@click.pass_context
def command(context: click.Context, run: Path, records: Path | None, as_json: bool) -> None:
    """Hash the inputs and outputs of RUN again and say what changed.

    Exit code 1 when something did.
    """
    from transfer.terminal.screen import print_table

    found = verify_run(run, records)
    if as_json:
        echo_json(found, "verify")
    else:
        print_table(found.table[found.table["kind"] != "version"], ["kind", "name", "state"])
        click.echo()
        click.echo(found.text)
    if not found.passed:
        context.exit(1)
