"""Shapes of what the other commands print as JSON, and the list of all outputs.

``python -m transfer.cli.outputs FOLDER`` writes ``NAME.schema.json`` for each of them (JSON Schema,
draft 2020-12). The schemas allow keys that they do not name: a later version may add some.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path as FilePath
from typing import Annotated, Any, Literal, NotRequired, TypedDict

import msgspec

from transfer.files import write_text
from transfer.forecast.outputs import Forecast, TrackRecord
from transfer.mix.outputs import Mix
from transfer.reading.outputs import Compare, Programs
from transfer.records.problems import Severity
from transfer.results import IntervalKind
from transfer.session.outputs import Chart, ChartPages, Session
from transfer.terminal.frame import OUTPUTS
from transfer.terminal.shapes import (
    Chance,
    Content,
    Count,
    Day,
    Diagnostics,
    ErrorMessage,
    Hash,
    Interval,
    Number,
    Path,
    Provenance,
    Quote,
    meaning,
)
from transfer.trial.outputs import Assurance, Design, Plan, Trial
from transfer.verdict import VerdictWord

__all__ = ["SHAPES", "schema_of", "schema_text", "write_schemas"]


class RecordProblem(TypedDict):
    """One problem of the records, or several alike."""

    file: str
    sheet: Annotated[str, meaning("Empty where the file has none.")]
    row: Annotated[int | None, meaning("As numbered in the file; null for the whole file.")]
    column: str
    value: str
    rule: str
    next_step: str
    severity: Severity
    count: Count
    cause: Annotated[str, meaning("The rule without the value: what alike problems share.")]


class Cause(TypedDict):
    """Problems of one file that have one cause."""

    severity: Severity
    file: str
    sheet: str
    cause: str
    rule: str
    count: Count
    first_rows: list[int]
    more_rows: Count
    columns: list[str]
    values: list[str]
    next_step: str


class RecordTable(TypedDict):
    """What one table of records holds."""

    table: str
    rows: Count
    players: Count
    attempts: Count
    makes: Count
    first: Day
    last: Day


class Source(TypedDict):
    """A file that was read."""

    table: str
    file: str
    sheet: str
    rows: Count
    sha256: Hash


class Check(TypedDict):
    """Every problem; what the records hold where they passed, the error where they did not."""

    passed: bool
    problems: list[RecordProblem]
    causes: list[Cause]
    tables: NotRequired[list[RecordTable]]
    text: NotRequired[Quote]
    sources: NotRequired[list[Source]]
    data_hash: NotRequired[Hash]
    rule_body: NotRequired[str]
    error: NotRequired[str]
    message: NotRequired[str]
    rule: NotRequired[str]
    next_step: NotRequired[str]


class WorkbookRows(TypedDict):
    """What was read from a workbook."""

    written: list[str]
    tables: list[RecordTable]
    text: Quote
    problems: list[RecordProblem]
    sources: list[Source]
    data_hash: Hash
    rule_body: str
    rows: Annotated[dict[str, int], meaning("By table.")]
    left_out: Annotated[list[str], meaning("Sheets without rows.")]


class RateInterval(TypedDict):
    """What the limits of the rates are."""

    prob: Content
    raw_kind: IntervalKind
    shrunken_kind: IntervalKind
    holds: Literal["expected rate"]


class PlayerRate(TypedDict):
    """Make rate of one player in one setting, raw and shrunken."""

    unit: str
    setting: str
    n: Count
    y: Count
    raw: Chance
    raw_low: Chance
    raw_high: Chance
    shrunken: Chance | None
    shrunken_low: Chance | None
    shrunken_high: Chance | None
    reliability: Chance | None
    unbiased: Annotated[Chance | None, meaning("From sets that ended at a target.")]
    unbiased_se: Number
    target_sets: Number
    target_n: Number
    target_y: Number


class SettingRate(TypedDict):
    """How rates differ between the players of one setting."""

    setting: str
    players: Count
    n: float
    y: float
    mean: Number
    attempts_to_half: Annotated[Number, meaning("Attempts at which half the variance is chance.")]
    attempts_to_half_low: Number
    attempts_to_half_high: Number
    note: str


class Dispersion(TypedDict):
    """How far rates vary between sessions beyond chance."""

    cells: Count
    groups: Count
    attempts: float
    chi_squared: float
    df: Count
    p_value: Chance
    tarone_z: float
    tarone_p: Chance
    icc: Number
    design_effect: Number
    design_effect_high: Number
    icc_low: Number
    icc_high: Number
    reading: str
    icc_interval: Interval
    text: Quote


class Rates(TypedDict):
    """Make rates by player and setting."""

    interval: RateInterval
    shrinkage: str
    players: list[PlayerRate]
    settings: list[SettingRate]
    dropped_cells: Count
    text: Quote
    provenance: Provenance
    dispersion: Dispersion | None
    dispersion_text: Quote


class Fit(TypedDict):
    """A fit of the transfer model and where its draws are kept."""

    fit: Path
    players: Annotated[int, meaning("Player-seasons.")]
    settings: list[str]
    draws: Count
    diagnostics: Diagnostics
    provenance: Provenance


class Verdict(TypedDict):
    """The verdict of a page and where the page is."""

    verdict: VerdictWord | None
    text: Quote
    report: Path


# 'for' is a word of Python, so this key cannot stand in the body of a class.
_Depth = TypedDict("_Depth", {"for": Literal["analyst", "coach", "director"]})


class New(TypedDict):
    """More than in the last report; below zero where there is less."""

    rep_attempts: int
    live_attempts: int
    game_attempts: int
    games: int
    players: int


class Since(TypedDict):
    """What is new since the last report of the season folder, and how far things moved."""

    run: Annotated[str, meaning("Folder of that report.")]
    new: New
    answer_moved: Annotated[Number, meaning("Live minus rep (R2), now minus then.")]
    forecast_moved: Annotated[Number, meaning("Mean absolute change of expected game rates.")]
    forecast_farthest: Number
    text: Quote


class Report(Verdict, _Depth):
    """One page; the record of earlier forecasts where there was an earlier run."""

    pdf: Path | None
    track_record: TrackRecord | None
    since: Since | None


class ProgramPage(Verdict):
    """The page of one program."""

    program: str
    pdf: Path | None


class FailedPage(ErrorMessage):
    """Why one program has no page."""

    program: str


class Reports(TypedDict):
    """One page for each program."""

    reports: list[ProgramPage]
    failed: list[FailedPage]


class Demo(TypedDict):
    """Pages of the demo's studies."""

    conference: NotRequired[Verdict]
    one_program: NotRequired[Verdict]


class SharedCell(TypedDict):
    """A count of the bundle; null where the group is small."""

    row: str
    column: str
    players: Count | None
    attempts: Count | None
    makes: Count | None
    shown: bool


class SharedCounts(TypedDict):
    """Counts with small groups hidden."""

    smallest: Annotated[int, meaning("Fewest players of a group that is shown.")]
    text: Quote
    cells: list[SharedCell]


class Share(TypedDict):
    """A bundle of aggregates."""

    bundle: Path
    text: Quote
    counts: SharedCounts


class VerifiedFile(TypedDict):
    """A file or package version of a run, then and now."""

    kind: Literal["input", "output", "manifest", "version"]
    name: str
    state: Literal["same", "changed", "missing", "unreadable", "not listed"]
    detail: str


class Verify(TypedDict):
    """Whether a run's files are as they were."""

    run: str
    passed: bool
    text: Quote
    files: list[VerifiedFile]


class Pseudonyms(TypedDict):
    """Record files with codes in place of codes, and the key."""

    written: list[str]
    key: Path
    new_codes: Count
    free_text: Annotated[list[str], meaning("Columns of words that were left as they are.")]
    leftovers: list[str]
    note: str


class Citation(TypedDict):
    """How to name this program."""

    text: Quote
    bibtex: str
    cff: str
    version: str
    beside: str


class NewWorkbook(TypedDict):
    """A workbook to chart into."""

    file: Path
    rows: Count
    form: str
    filled: list[str]


class Sheet(TypedDict):
    """A sheet to chart on with a pencil."""

    file: Path
    paper: str


class Init(TypedDict):
    """A new season folder."""

    folder: Path
    written: list[str]


class LeftOut(TypedDict):
    """Rows that were left out for one reason."""

    reason: str
    rows: Count


class Selected(TypedDict):
    """One rule by which rows were selected or converted."""

    what: str
    how: str


class AddedFile(TypedDict):
    """What one file brought."""

    file: str
    mapping: str
    table: str
    read: Annotated[Count, meaning("Rows of the file that hold anything.")]
    kept: Annotated[Count, meaning("Rows of the file that were converted.")]
    left_out: list[LeftOut]
    added: Annotated[Count, meaning("Rows of the record table; equal keys are one row.")]
    already: Annotated[Count, meaning("Rows that the record table held before.")]
    attempts: Annotated[Count, meaning("Of the added rows.")]
    makes: Annotated[Count, meaning("Of the added rows.")]
    settings: list[Selected]
    questions: Annotated[list[str], meaning("Drills met for the first time.")]
    notes: list[str]
    text: Quote


class Add(TypedDict):
    """What files in their owner's layout brought to the records, or would bring."""

    dry_run: bool
    told: list[str]
    files: list[AddedFile]


class Error(ErrorMessage):
    """Why a command gave no result; problems where the records hold some."""

    problems: NotRequired[list[RecordProblem]]


#: Shape of every output, by its name.
SHAPES: dict[str, Any] = {
    "add": Add,
    "assurance": Assurance,
    "chart": Chart,
    "chart_pages": ChartPages,
    "check": Check,
    "citation": Citation,
    "compare": Compare,
    "demo": Demo,
    "design": Design,
    "error": Error,
    "fit": Fit,
    "forecast": Forecast,
    "init": Init,
    "mix": Mix,
    "plan": Plan,
    "programs": Programs,
    "pseudonyms": Pseudonyms,
    "rates": Rates,
    "report": Report,
    "reports": Reports,
    "session": Session,
    "share": Share,
    "sheet": Sheet,
    "trial": Trial,
    "verify": Verify,
    "workbook": NewWorkbook,
    "workbook_rows": WorkbookRows,
}


def schema_of(output: str) -> dict[str, Any]:
    """JSON Schema of one output.

    Parameters
    ----------
    output : str
        One of `transfer.terminal.frame.OUTPUTS`.
    """
    made = msgspec.json.schema(SHAPES[output])
    parts = made["$defs"]
    whole = parts.pop(made["$ref"].rsplit("/", 1)[1])
    name = {
        "type": "object",
        "properties": {"name": {"const": output}, "version": {"const": OUTPUTS[output]}},
        "required": ["name", "version"],
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:transfer:outputs:{output}:{OUTPUTS[output]}",
        **whole,
        "title": output,
        "properties": {"schema": name, **whole["properties"]},
        "required": ["schema", *whole["required"]],
        **({"$defs": parts} if parts else {}),
    }


def schema_text(output: str) -> str:
    """The schema as text of a file."""
    return json.dumps(schema_of(output), indent=2, ensure_ascii=False) + "\n"


def write_schemas(folder: FilePath) -> None:
    """Write the schema of every output."""
    folder.mkdir(parents=True, exist_ok=True)
    for output in SHAPES:
        write_text(folder / f"{output}.schema.json", schema_text(output))


if __name__ == "__main__":
    write_schemas(FilePath(sys.argv[1]))
