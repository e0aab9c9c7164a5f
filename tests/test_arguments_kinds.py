"""Records in place of cells, a frame without counts: the package's own error tells what to pass."""

from __future__ import annotations

import inspect
from dataclasses import replace
from typing import get_args, get_type_hints

import pandas as pd
import pytest
from invented import invented_cells, invented_posterior

import transfer
from transfer import ArgumentError, Cells, Records

FRAME = pd.DataFrame({"player": ["P01"]})
RESULTS = (
    transfer.Cells, transfer.GrowthData, transfer.GrowthPosterior, transfer.Records,
    transfer.TransferPosterior, transfer.WeeklyCells,
)  # fmt: skip


class Other:
    """Nothing that the package knows."""


def takers():
    """Public functions that take a result of the package or a data frame, and the argument."""
    for name in transfer.__all__:
        function = getattr(transfer, name)
        if inspect.isfunction(function):
            for argument, hint in get_type_hints(function).items():
                members = set(get_args(hint) or (hint,)) - {type(None)}
                if argument != "return" and members and members <= {*RESULTS, pd.DataFrame}:
                    yield pytest.param(function, argument, id=f"{name}-{argument}")


def test_the_functions_of_the_main_job_are_among_them():
    ids = {case.id for case in takers()}
    assert {
        "build_cells-records", "fit_transfer-cells", "rate_table-cells",
        "read_transfer-verdict_fit", "forecast_games-posterior", "growth_data-cells",
        "analyse_trial-records",
    } <= ids  # fmt: skip


@pytest.mark.parametrize(("function", "argument"), list(takers()))
def test_another_kind_is_refused_by_name(function, argument):
    form = inspect.signature(function).parameters
    given = {name: None for name, one in form.items() if one.default is one.empty}
    with pytest.raises(ArgumentError, match=f"{function.__name__} is of the kind") as caught:
        function(**given | {argument: Other()})
    assert caught.value.rule
    assert caught.value.next_step


def test_records_in_place_of_cells_are_told_what_makes_cells():
    records = Records(None, None, None, None, (), "x", ())
    with pytest.raises(ArgumentError, match="cells of fit_transfer is of the kind Records") as told:
        transfer.fit_transfer(records)
    assert "build_cells(records)" in told.value.next_step


PROVENANCE = invented_posterior(invented_cells(2), draws=20).provenance


@pytest.mark.parametrize(
    ("call", "missing"),
    [
        (lambda: transfer.fit_transfer(Cells(FRAME, ("rep/none",), ("P01",), "x")), "n, y"),
        (lambda: transfer.rate_table(replace(invented_cells(2), table=FRAME)), "n, y"),
        (lambda: transfer.growth_data(FRAME), "n, y"),
        (lambda: transfer.dispersion(FRAME), "n, y"),
        (lambda: transfer.rate_defenders(FRAME, PROVENANCE), "n, y"),
        (lambda: transfer.find_challenge(FRAME, PROVENANCE), "n, y"),
    ],
)
def test_a_frame_without_counts_is_told_which_columns_it_lacks(call, missing):
    with pytest.raises(ArgumentError, match="lack") as caught:
        call()
    assert missing in str(caught.value)
