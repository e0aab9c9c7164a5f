"""Practice judged by mode: one rate a mode, levels as shifts, a prior that favours no mode."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from transfer.errors import ArgumentError
from transfer.models.composition import compose
from transfer.models.fit import fit_transfer
from transfer.models.population_prior import draw_population
from transfer.models.priors import TransferPriors
from transfer.models.sampling import SamplerSettings
from transfer.models.transfer_design import by_mode, design_from_cells
from transfer.simulation.seasons import TransferTruth, operating_truth, simulate_cells

CONTESTS = ("none", "light", "trailing", "front", "front_and_trailing")


def truth(rep: int, live: int) -> TransferTruth:
    """So many settings of each mode, all alike."""
    settings = (*(f"rep/{c}" for c in CONTESTS[:rep]), *(f"live/{c}" for c in CONTESTS[:live]))
    size = len(settings) + 1
    return TransferTruth(
        settings=settings,
        mu=(0.2,) * size,
        tau=(0.3,) * size,
        omega=0.5 + 0.5 * np.eye(size),
        attempts=(200,) * (size - 1) + (69,),
    )


@pytest.mark.parametrize(("rep", "live"), [(1, 1), (2, 2), (1, 4), (4, 1), (2, 5)])
def test_the_prior_favours_neither_mode_however_often_each_is_split(rep, live):
    cells, _ = simulate_cells(truth(rep, live), 3, 1)
    design = design_from_cells(by_mode(cells))
    assert design.settings == ("rep", "live")
    prior = draw_population(len(design.settings), TransferPriors().for_verdict(), 40_000, 4)
    contrast = compose(prior, design.settings, design.settings).contrast()
    # Monte Carlo error .0025.
    assert 0.48 < (contrast > 0).mean() < 0.52
    assert abs(contrast.mean()) < 0.01


def test_levels_shift_the_mean_of_their_mode_and_keep_every_count():
    cells, _ = simulate_cells(truth(1, 3), 4, 2)
    whole = design_from_cells(cells)
    design = design_from_cells(by_mode(cells), TransferPriors(level_shift_sd=0.7))
    assert design.n.sum() == whole.n.sum()
    assert design.y.sum() == whole.y.sum()
    # One rep setting: nothing to tell apart there.
    names = [name for _, name in design.covariate_names]
    assert names == ["live/none", "live/light", "live/trailing"]
    assert design.covariate_priors == ((0.0, 0.7),) * 3
    live = design.setting == 1
    np.testing.assert_allclose(design.n[live] @ design.covariates[live], 0, atol=1e-9)
    assert np.all(design.covariates[~live] == 0)


@pytest.mark.fit
def test_a_shift_between_levels_is_found_and_does_not_look_like_players():
    """True shift 1.0 between two live levels: the spread of players must not take it up."""
    settings = ("rep/none", "live/trailing", "live/front")
    seen = TransferTruth(
        settings=settings,
        mu=(0.4, 0.5, -0.5, -0.4),
        tau=(0.3, 0.3, 0.3, 0.2),
        omega=0.6 + 0.4 * np.eye(4),
        attempts=(300, 300, 300, 69),
    )
    cells, players = simulate_cells(seen, 30, 7)
    fit = fit_transfer(
        cells,
        purpose="verdict",
        seed=3,
        sampler=SamplerSettings(draws=600, tune=400, target_accept=0.9),
    )
    assert fit.settings == ("rep", "live")
    assert fit.purpose == "verdict"
    assert fit.labels["level_shift"] == ("live/trailing", "live/front")
    shift = fit.terms["level_shift"] @ [1.0, -1.0]
    actual = players.theta[:, 1].mean() - players.theta[:, 2].mean()
    low, high = np.quantile(shift, [0.001, 0.999])
    assert low < actual < high
    assert np.quantile(fit.population.tau[:, 1], 0.95) < 0.55


@pytest.mark.fit
def test_without_a_second_level_the_verdict_fit_has_the_plain_model():
    cells, _ = simulate_cells(truth(1, 1), 14, 3)
    short = SamplerSettings(draws=500, tune=400)
    fit = fit_transfer(cells, purpose="verdict", seed=2, sampler=short)
    assert "level_shift" not in fit.terms
    assert fit.provenance.settings["priors"]["tilt_game"] is None


def test_an_unknown_purpose_is_refused():
    cells, _ = simulate_cells(operating_truth(), 3, 1)
    with pytest.raises(ArgumentError, match="purpose='reading'"):
        fit_transfer(cells, purpose="reading")


def test_a_priors_file_leaves_the_verdicts_correlations_alone():
    other = replace(TransferPriors(), tilt_game=(1.5, 0.1), tilt_df=None, mu_game=(0.3, 0.2))
    judged = other.for_verdict()
    assert judged.tilt_game is None
    assert judged.lkj_eta == 1.0
    assert judged.mu_game == (0.3, 0.2)
