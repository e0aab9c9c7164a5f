"""Starting assumptions with their sources, and how much the answer hangs on them."""

from __future__ import annotations

from typing import Any

from transfer.models.posterior import TransferPosterior
from transfer.models.priors import TransferPriors
from transfer.page import blocks, words
from transfer.page.blocks import Section
from transfer.reading.prior_tilt import tilt_sensitivity
from transfer.reading.reading import Reading

__all__ = ["assumptions_section"]


def _value(value: Any) -> str:
    if isinstance(value, (tuple, list)):
        return ", ".join(words.number(v, 2) for v in value)
    return words.number(value, 2) if isinstance(value, float) else str(value).replace("_", " ")


def assumptions_section(
    posterior: TransferPosterior, reading: Reading, priors: TransferPriors | None
) -> Section | None:
    """Priors with sources, and the contrast under other ones; None when they are not at hand.

    Parameters
    ----------
    posterior : TransferPosterior
    reading : Reading
    priors : TransferPriors or None
        Those of the fit.
    """
    if priors is None:
        return None
    table = priors.table.assign(prior=priors.table["prior"].str.replace("_", " "))
    content: list[blocks.Block] = [
        blocks.text(
            "Scales are logit unless the name says otherwise. Another file of starting assumptions "
            "can be named with --priors."
        ),
        blocks.simple_table(
            table,
            "Starting assumptions",
            [("prior", "Name", str), ("value", "Value", _value), ("source", "Source", str)],
        ),
    ]
    found = None
    if reading.verdict is not None and reading.design is not None:
        found = tilt_sensitivity(posterior, priors, reading.design, reading.verdict.rope)
    if found is not None:
        content += [
            blocks.heading("Under other starting assumptions"),
            blocks.text(found.text),
            blocks.simple_table(
                found.table,
                "Live minus rep (R²) if the starting correlations with games were lower or "
                "higher; the draws of the fit weighted anew, not fitted again",
                [
                    ("assumption", "Starting assumption", str),
                    ("mean", "Live minus rep", words.number),
                    ("probability", "Chance that live is above", words.chance),
                    ("contraction", "Uncertainty left", words.percent),
                    ("verdict", "Verdict", lambda v: v.replace("_", " ")),
                    ("khat", "k-hat", words.number),
                ],
            ),
        ]
    return Section("assumptions", "Starting assumptions", content)
