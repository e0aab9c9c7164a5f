"""Run folders: where outputs go, what made them, and whether a record file changed since.

A run is named ``DATE-HASH``. The hash covers the record files, every option and the version of
the model, so the same question about the same records always meets its own folder, and nothing is
ever overwritten.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from transfer.errors import StorageError
from transfer.files import SETTINGS_BYTES, open_plain, read_plain, write_bytes
from transfer.models.transfer_model import MODEL_VERSION
from transfer.provenance import hash_frames
from transfer.records.guards import inside
from transfer.terminal.options import Request

if TYPE_CHECKING:
    from transfer.models.posterior import TransferPosterior

__all__ = [
    "CHECKSUMS",
    "MANIFEST",
    "Run",
    "changed_since_last_run",
    "describe_inputs",
    "file_hash",
    "fit_key",
    "last_run",
    "load_run_fit",
    "open_run",
    "run_key",
    "saved_fit",
    "stated_hashes",
]

MANIFEST = "manifest.json"
#: SHA-256 of every output, one line per file, in the form that ``sha256sum --check`` reads.
CHECKSUMS = "SHA256SUMS"
#: Where a fit is kept, by what it is for.
FIT_FILES = {"forecast": "fit.nc", "verdict": "verdict.nc"}
FIT_FILE = FIT_FILES["forecast"]
#: Options that decide a fit; the others only decide how it is read.
_FIT_OPTIONS = ("settings", "terms", "level", "rule_body", "season_end", "seed", "priors_sha256")


@dataclass(frozen=True)
class Run:
    """One question about one state of the records.

    Parameters
    ----------
    folder : Path or None
        Where outputs go; None when nothing is to be written.
    key : str
        Hash of inputs and options.
    fit_key : str
        Hash of inputs and of the options that decide the fit.
    manifest : mapping
        What ``manifest.json`` holds.
    siblings : tuple of Path
        Folders in which a saved fit of the same records may lie, newest first.
    """

    folder: Path | None
    key: str
    fit_key: str
    manifest: Mapping[str, Any]
    siblings: tuple[Path, ...]

    def keep(self, name: str, content: bytes | str) -> Path | None:
        """Write an output into the run folder; an older different one stays beside it.

        Parameters
        ----------
        name : str
            File name.
        content : bytes or str
            The whole file.

        Returns
        -------
        Path or None
            Where it is, ``name-2.ending`` and so on when the name was taken by other content.
        """
        if self.folder is None:
            return None
        data = content.encode() if isinstance(content, str) else content
        target = inside(self.folder, name)
        self.start()
        number = 1
        while True:
            if number > 1:
                target = self.folder / f"{Path(name).stem}-{number}{Path(name).suffix}"
            number += 1
            try:
                if not target.exists():
                    write_bytes(target, data, replace=False)
                    break
            except FileExistsError:  # another run was quicker: look at what it wrote
                number -= 1
                continue
            if target.read_bytes() == data:
                if target.name not in stated_hashes(self.folder):
                    self.note(target.name)
                return target
        self.note(target.name)
        return target

    def note(self, name: str) -> None:
        """Add the hash of a finished output to the run's list; the last line of a name counts.

        Parameters
        ----------
        name : str
            A file of the run folder.

        Raises
        ------
        StorageError
            When the output cannot be read or the list cannot be written.
        """
        if self.folder is None:
            return
        line = f"{file_hash(self.folder / name)}  {name}\n".encode()
        try:
            # One short appended line: two runs on the same folder do not lose each other's.
            with open(self.folder / CHECKSUMS, "ab", buffering=0) as stream:
                stream.write(line)
        except OSError as error:
            raise StorageError(
                f"{self.folder / CHECKSUMS} could not be written: {error.strerror or error}",
                rule="a run folder lists the hash of every output",
                next_step="free disk space or choose a folder you may write to with --out",
            ) from error

    def start(self) -> None:
        """Make the run folder with its manifest, unless it is there already.

        A process that was killed between a file and its line in the list left a file that the
        list does not hold; a command that comes by again adds the line, after it has found the
        file to be what this run makes.
        """
        if self.folder is None:
            return
        if not (self.folder / MANIFEST).exists():
            text = json.dumps(self.manifest, indent=2, ensure_ascii=False) + "\n"
            with contextlib.suppress(FileExistsError):  # another run was quicker; its hash counts
                write_bytes(self.folder / MANIFEST, text.encode(), replace=False)
        if MANIFEST not in stated_hashes(self.folder):
            self.note(MANIFEST)


def file_hash(path: Path) -> str:
    """SHA-256 of a file.

    Raises
    ------
    StorageError
        When it cannot be read.
    """
    try:
        with open_plain(path) as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise StorageError(
            f"{path} cannot be read: {error.strerror or error}",
            rule="every named file exists, is a plain file and may be read",
            next_step="correct the name, or the files under [files] in transfer.toml",
        ) from error


def stated_hashes(run: Path) -> dict[str, str]:
    """The hash of each output as a run folder's list states it; the last line of a name counts.

    Parameters
    ----------
    run : Path
        The folder; without a readable list the answer is empty.
    """
    try:
        text = read_plain(run / CHECKSUMS, SETTINGS_BYTES).decode("utf-8", errors="replace")
    except OSError:
        return {}
    stated = {}
    for line in text.splitlines():
        digest, _, name = line.partition("  ")
        if len(digest) == 64 and name and Path(name).name == name:
            stated[name] = digest
    return stated


def load_run_fit(run: Path, purpose: str = "forecast") -> TransferPosterior:
    """Load a fit of a run folder, which its list of hashes must not contradict.

    Parameters
    ----------
    run : Path
        A folder with that fit.
    purpose : {"forecast", "verdict"}

    Raises
    ------
    StorageError
        When the file is damaged or altered, or is another one than the run made.
    """
    from transfer.models.storage import load_fit

    name = FIT_FILES[purpose]
    stated = stated_hashes(run).get(name)
    if stated is not None and (run / name).is_file() and file_hash(run / name) != stated:
        raise StorageError(
            f"{run / name} is damaged or another file than the run made: its hash is not the "
            f"one in {CHECKSUMS}",
            rule="a saved fit is believed only as the run wrote it",
            next_step="delete it and fit the records again",
        )
    return load_fit(run / name)


def _digest(value: Any) -> str:
    return hashlib.sha256(json.dumps(value, sort_keys=True).encode()).hexdigest()


def describe_inputs(request: Request) -> dict[str, dict[str, str]]:
    """Name and SHA-256 of each record file, or table.

    Parameters
    ----------
    request : Request
        The settled options.

    Returns
    -------
    dict
        Table name to ``file`` (its name, without folders) and ``sha256``.

    Raises
    ------
    StorageError
        When a file cannot be read.
    """
    return {
        key: (
            {"file": f"{key}, a table in memory", "sha256": hash_frames(**{key: source})}
            if isinstance(source, pd.DataFrame)
            else {"file": source.name, "sha256": file_hash(source)}
        )
        for key, source in sorted(request.files.items())
    }


def _options(request: Request) -> dict[str, Any]:
    return {
        "settings": list(request.settings),
        "terms": list(request.terms),
        "level": request.level,
        "rule_body": request.rule_body,
        "rope_r2": list(request.rope_r2),
        "seed": request.seed,
        "season_end": request.season_end.isoformat() if request.season_end else None,
        "priors_sha256": None if request.priors is None else file_hash(request.priors),
    }


def run_key(manifest: Mapping[str, Any]) -> str:
    """Hash of a question: content of the record files, options, versions of package and model.

    Parameters
    ----------
    manifest : mapping
        With ``inputs``, ``options`` and ``versions``.
    """
    contents = {key: value["sha256"] for key, value in manifest["inputs"].items()}
    versions = manifest["versions"]
    version = [versions.get("practice-transfer"), versions.get("model")]
    return _digest([contents, manifest["options"], version])


def fit_key(manifest: Mapping[str, Any]) -> str:
    """Hash of a fit: `run_key` with those options alone that decide a fit."""
    options = {name: manifest["options"].get(name) for name in _FIT_OPTIONS}
    return run_key({**manifest, "options": options})


def _manifest_in(folder: Path) -> dict[str, Any] | None:
    """The manifest of a run folder; None where there is none, or none of this form."""
    try:
        found = json.loads(read_plain(folder / MANIFEST, SETTINGS_BYTES))
    except (OSError, ValueError, RecursionError):
        return None
    inputs = found.get("inputs", {}) if isinstance(found, dict) else None
    if not isinstance(inputs, dict):
        return None
    named = [isinstance(i, dict) and isinstance(i.get("file"), str) for i in inputs.values()]
    return found if all(named) else None


def _manifests(folder: Path) -> list[tuple[Path, dict[str, Any]]]:
    """Runs below a folder, newest first; a folder without a readable manifest is no run."""
    every = [(p.parent, _manifest_in(p.parent)) for p in folder.glob(f"*/{MANIFEST}")]
    found = [(where, manifest) for where, manifest in every if manifest is not None]
    return sorted(found, key=lambda run: (str(run[1].get("created")), run[0].name), reverse=True)


def open_run(request: Request) -> Run:
    """Return the run that a command belongs to; nothing is written yet.

    Parameters
    ----------
    request : Request
        The settled options.

    Returns
    -------
    Run
        In ``--out`` when given, below ``runs/`` in a season folder, else without a folder.

    Raises
    ------
    StorageError
        When a file cannot be read or ``--out`` holds another run.
    """
    from transfer.provenance import package_versions

    inputs, options, versions = describe_inputs(request), _options(request), package_versions()
    described = {
        "inputs": inputs,
        "options": options,
        "versions": {**versions, "model": str(MODEL_VERSION)},
    }
    key = run_key(described)
    created = dt.datetime.now(dt.UTC).isoformat(timespec="microseconds")
    key_of_fit = fit_key(described)
    manifest = {"key": key, "fit_key": key_of_fit, "created": created, **described}
    if request.out is not None:
        _refuse_other_run(request.out, key)
        return Run(request.out, key, key_of_fit, manifest, (request.out,))
    if request.season is None:
        return Run(None, key, key_of_fit, manifest, ())
    runs = request.season.folder / "runs"
    past = _manifests(runs)
    own = [folder for folder, found in past if found.get("key") == key]
    folder = own[0] if own else runs / f"{dt.date.today().isoformat()}-{key[:10]}"
    return Run(folder, key, key_of_fit, manifest, tuple(folder for folder, _ in past))


def _refuse_other_run(out: Path, key: str) -> None:
    if not (out / MANIFEST).exists():
        return
    found = _manifest_in(out)
    if found is None:
        raise StorageError(
            f"{out / MANIFEST} cannot be read, so it is not known whose run {out} holds",
            rule="nothing is overwritten",
            next_step="name a new folder with --out",
        )
    if found.get("key") != key:
        raise StorageError(
            f"{out} holds another run ({str(found.get('key'))[:10]}, made {found.get('created')})",
            rule="nothing is overwritten",
            next_step="name a new folder with --out",
        )


def saved_fit(run: Run, purpose: str = "forecast") -> Path | None:
    """Return a saved fit of the same records and fit options, if there is one.

    Parameters
    ----------
    run : Run
        From `open_run`.
    purpose : {"forecast", "verdict"}
    """
    for folder in run.siblings:
        found, kept = _manifest_in(folder), folder / FIT_FILES[purpose]
        if found and found.get("fit_key") == run.fit_key and kept.is_file():
            return kept
    return None


def last_run(run: Run, name: str) -> Path | None:
    """Return the newest earlier run of other records that asked the same and kept a file.

    Parameters
    ----------
    run : Run
        From `open_run`.
    name : str
        The file it must hold.

    Returns
    -------
    Path or None
        None outside a season folder, and where options or model were others then.
    """
    kept = None if run.folder is None else _manifest_in(run.folder)
    own = run.manifest if kept is None else kept

    def asked(manifest: Mapping[str, Any]) -> tuple[Any, Any]:
        return manifest.get("options"), dict(manifest.get("versions", {})).get("model")

    for folder in run.siblings:
        found = _manifest_in(folder)
        if (
            found is not None
            and found.get("inputs") != own["inputs"]
            and asked(found) == asked(own)
            and str(found.get("created")) < str(own["created"])
            and (folder / name).is_file()
        ):
            return folder
    return None


def changed_since_last_run(request: Request, run: Run) -> list[str]:
    """Sentences about record files that changed since the newest run of the season folder.

    Parameters
    ----------
    request : Request
        The settled options.
    run : Run
        From `open_run`.

    Returns
    -------
    list of str
        Empty outside a season folder, before the first run, and when these very records have a
        run already.
    """
    if request.season is None or request.out is not None:
        return []
    past = _manifests(request.season.folder / "runs")
    now = run.manifest["inputs"]
    if not past or any(found.get("inputs") == now for _, found in past):
        return []
    folder, last = past[0]
    before = last.get("inputs", {})
    sentences = []
    for key in sorted({*now, *before}):
        if key not in now:
            sentences.append(f"{before[key]['file']} is gone since run {folder.name}")
        elif key not in before:
            sentences.append(f"{now[key]['file']} is new since run {folder.name}")
        elif now[key] != before[key]:
            sentences.append(f"{now[key]['file']} changed since run {folder.name}")
    return sentences
