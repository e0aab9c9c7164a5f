"""Starting assumptions with their sources, and how much the answer hangs on them."""

from __future__ import annotations

from typing import Any

from transfer.models.priors import TransferPriors
from transfer.page import blocks, words
from transfer.page.blocks import Section
from transfer.reading.reading import Reading

__all__ = ["assumptions_section"]


def _value(value: Any) -> str:
    if isinstance(value, (tuple, list)):
        return ", ".join(words.number(v, 2) for v in value)
    return words.number(value, 2) if isinstance(value, float) else str(value).replace("_", " ")


def assumptions_section(reading: Reading, priors: TransferPriors | None) -> Section | None:
    """Priors with sources, and the contrast under both; None when they are not at hand.

    Parameters
    ----------
    reading : Reading
    priors : TransferPriors or None
        Those of the forecasts.
    """
    if priors is None:
        return None
    table = priors.table.assign(prior=priors.table["prior"].str.replace("_", " "))
    content: list[blocks.Block] = [
        blocks.text(
            "Scales are logit unless the name says otherwise. Live against rep is judged without "
            "the two tilts, all else alike. Another file of starting assumptions can be named with "
            "--priors."
        ),
        blocks.simple_table(
            table,
            "Starting assumptions",
            [("prior", "Name", str), ("value", "Value", _value), ("source", "Source", str)],
        ),
    ]
    both = reading.under_priors
    if both is not None:
        content += [
            blocks.heading("Two starting assumptions about live and rep"),
            blocks.text(both.text),
            blocks.simple_table(
                both.table.assign(
                    interval=[
                        words.interval(r["low"], r["high"])
                        for r in both.table.to_dict(orient="records")
                    ]
                ),
                "Live minus rep (R²) under the starting assumption of the verdict (LKJ(1) on the "
                "correlations, no tilt) and of the forecasts (tilts as in the table above); only "
                "the first is judged, the second is its draws weighted anew",
                [
                    ("assumption", "Starting assumption", str),
                    ("mean", "Live minus rep", words.number),
                    ("interval", f"{both.table['prob'].iloc[0]:.0%} equal-tailed interval", str),
                    ("probability", "Chance that live is above", words.chance),
                    ("prior_probability", "Before the records", words.chance),
                    ("khat", "k-hat", words.number),
                ],
            ),
        ]
    return Section("assumptions", "Starting assumptions", content)
