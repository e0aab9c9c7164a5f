"""How the numbers were made and what made them: the last page of the report."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from transfer.models.posterior import Diagnostics
from transfer.page import blocks
from transfer.page.blocks import Section
from transfer.page.style import setting_label
from transfer.provenance import Provenance

__all__ = ["method_section", "provenance_section"]

_METHOD = (
    "Attempts are counted into cells: one player-season in one practice setting, or in games, with "
    "attempts and makes. Makes are binomial given the player's true rate. True rates on the logit "
    "scale follow one multivariate normal distribution over all practice settings and games; its "
    "correlations between practice and games are the transfer correlations. All players are "
    "estimated together, so each estimate leans on the group by as much as its own attempts are "
    "few.",
    "The starting assumption about the correlations is the same for every practice setting and "
    "favours neither live nor rep work: accuracy at one form of a shot goes with accuracy at "
    "another, by how much is left open. It is shown in grey behind every result.",
    "Sets that end on a make (first to a target score, make it to move on) need no correction in "
    "this model, because the counts up to the stop carry the same likelihood. Raw rates of such "
    "sets read too high.",
    "The verdict follows a rule fixed before looking. It compares the spread of the live-minus-rep "
    "difference after and before the records, and the chance of its sign; a result whose sampling "
    "diagnostics failed is not shown at all.",
    "Intervals are equal-tailed. A band says whether it holds the expected rate, which is a "
    "long-run number, or the makes of attempts to come, which also hold luck and are wider.",
)

#: Titles, volumes and years are from memory.
_SOURCES = (
    "Shrinkage of make rates towards a group: Efron and Morris 1975 and 1977; Brown 2008 (the "
    "first part of a season predicts the rest).",
    "Noise in both columns lowers a raw correlation: Spearman 1904.",
    "Prior of a correlation matrix: Lewandowski, Kurowicka and Joe 2009, tilted towards agreement "
    "between settings (judgement, own simulation).",
    "Sampling diagnostics: Vehtari and others 2021.",
    "Region of practical equivalence: Kruschke 2018.",
    "Sets that stop on a make: Haldane 1945.",
    "Colours: Okabe and Ito 2008.",
)


def method_section() -> Section:
    """Model, rule and sources in plain words."""
    return Section(
        "method",
        "How it was worked out",
        [
            *(blocks.text(paragraph) for paragraph in _METHOD),
            blocks.heading("Sources"),
            blocks.text("Quoted from memory; look them up before citing a page."),
            blocks.items({"text": source} for source in _SOURCES),
        ],
    )


def _flat(values: Mapping[str, Any], start: str = "") -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    for key, value in values.items():
        if isinstance(value, Mapping):
            rows += _flat(value, f"{start}{key}, ")
        else:
            rows.append((setting_label(f"{start}{key}"), _written(value)))
    return rows


def _written(value: Any) -> str:
    """A setting as a person reads it."""
    if value is None or value == "" or (isinstance(value, (list, tuple)) and not value):
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (list, tuple)):
        return ", ".join(_written(one) for one in value)
    return setting_label(value) if isinstance(value, str) else str(value)


def provenance_section(
    provenance: Provenance,
    diagnostics: Diagnostics,
    manifest: Mapping[str, Any] | None,
    shared: bool = False,
) -> Section:
    """Seed, hashes, versions, options and diagnostics: enough to get the same answer again.

    A shared page has no hashes of the records: a guess at a small file could be confirmed by one.
    """
    cells = [] if shared else [("SHA-256 of the cells", provenance.data_hash)]
    gate = [
        ("R-hat, largest", f"{diagnostics.rhat_max:.4f} (rule: below 1.01)"),
        ("effective draws, bulk", f"{diagnostics.ess_bulk_min:.0f} (rule: above 400)"),
        ("effective draws, tail", f"{diagnostics.ess_tail_min:.0f} (rule: above 400)"),
        ("divergent steps", f"{diagnostics.divergences} (rule: 0)"),
        ("passed", "yes" if diagnostics.passed else "no"),
        ("second try needed", "yes" if diagnostics.retried else "no"),
    ]
    content: list[blocks.Block] = [
        blocks.heading("Diagnostics of the fit"),
        blocks.pairs(gate),
        blocks.heading("Data and seed"),
        blocks.pairs([("seed", str(provenance.seed)), *cells]),
    ]
    if manifest:
        inputs = manifest.get("inputs", {})
        options = manifest.get("options", {})
        if shared:
            options = {k: v for k, v in options.items() if not k.endswith("_sha256")}
        else:
            content += [
                blocks.heading("Record files (SHA-256)"),
                blocks.pairs((value["file"], value["sha256"]) for value in inputs.values()),
            ]
        content += [blocks.heading("Options"), blocks.pairs(_flat(options))]
    content += [
        blocks.heading("Model and sampler settings"),
        blocks.pairs(_flat(provenance.to_dict()["settings"])),
        blocks.heading("Versions"),
        blocks.pairs(_flat(provenance.versions)),
    ]
    return Section("provenance", "What made this page", content, "provenance")
