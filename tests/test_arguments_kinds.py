"""Records in place of cells, a frame without counts: the package's own error tells what to pass."""

from __future__ import annotations

import inspect
from dataclasses import replace
from typing import get_args, get_type_hints

import pandas as pd
import pytest
from invented import invented_cells, invented_posterior

import transfer
from transfer.errors import ArgumentError
from transfer.forecast.forecast import forecast_next_season, forecast_unseen
from transfer.forecast.leave_out import score_leave_player_out
from transfer.forecast.rolling_origin import score_rolling_origin
from transfer.mix.charting import chart_next
from transfer.mix.measured import growth_draws, measure_mix
from transfer.models.growth_data import GrowthData
from transfer.models.growth_posterior import GrowthPosterior
from transfer.models.posterior import TransferPosterior
from transfer.records.cells import Cells
from transfer.records.reading import Records
from transfer.records.weeks import WeeklyCells
from transfer.session.challenge import find_challenge
from transfer.session.defenders import rate_defenders
from transfer.trial.assurance import assurance

FRAME = pd.DataFrame({"player": ["P01"]})
#: Not loaded from `transfer` itself, and asked for by hand all the same.
BESIDE = [
    forecast_next_season, forecast_unseen, score_leave_player_out, score_rolling_origin,
    chart_next, growth_draws, measure_mix, find_challenge, rate_defenders, assurance,
]  # fmt: skip
RESULTS = (Cells, GrowthData, GrowthPosterior, Records, TransferPosterior, WeeklyCells)


class Other:
    """Nothing that the package knows."""


def takers():
    """Public functions that take a result of the package or a data frame, and the argument."""
    public = [getattr(transfer, name) for name in transfer.__all__]
    for function in [*public, *BESIDE]:
        if inspect.isfunction(function):
            for argument, hint in get_type_hints(function).items():
                members = set(get_args(hint) or (hint,)) - {type(None)}
                if argument != "return" and members and members <= {*RESULTS, pd.DataFrame}:
                    yield pytest.param(function, argument, id=f"{function.__name__}-{argument}")


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
        (lambda: rate_defenders(FRAME, PROVENANCE), "n, y"),
        (lambda: find_challenge(FRAME, PROVENANCE), "n, y"),
    ],
)
def test_a_frame_without_counts_is_told_which_columns_it_lacks(call, missing):
    with pytest.raises(ArgumentError, match="lack") as caught:
        call()
    assert missing in str(caught.value)
