"""Prior-data conflict is told in words, and only where there is one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from invented import invented_cells, invented_posterior

from transfer.models.population_prior import draw_population
from transfer.models.posterior import PopulationDraws
from transfer.models.prior_conflict import prior_conflict
from transfer.models.priors import TransferPriors
from transfer.provenance import Provenance


def fitted(population: PopulationDraws | None = None, **terms: np.ndarray):
    cells = invented_cells()
    priors = TransferPriors()
    fit = invented_posterior(cells, draws=4000)
    prior = draw_population(2, priors, 4000, 3)
    return replace(
        fit,
        prior=prior,
        population=population or prior,
        theta=np.zeros((4000, len(cells.units), 3)),
        terms=terms,
        provenance=Provenance(1, "x", settings={"priors": priors.to_dict()}),
    )


def test_a_posterior_that_is_the_prior_is_no_conflict():
    found = prior_conflict(fitted(persistence=np.random.default_rng(1).beta(10, 2, 4000)))
    assert not found.table["conflict"].any()
    assert found.table["tail"].min() > 0.9
    assert found.text.startswith("No quantity")


def test_a_spread_far_out_is_named_with_its_direction():
    prior = draw_population(2, TransferPriors(), 4000, 3)
    tau = prior.tau.copy()
    tau[:, -1] = 1.2
    fit = fitted(replace(prior, tau=tau), persistence=np.full(4000, 0.2))
    found = prior_conflict(fit)
    odd = found.table[found.table["conflict"]].set_index("quantity")["direction"].to_dict()
    assert odd == {"spread between players in games": "higher", "persistence of players": "lower"}
    assert "spread between players in games (higher)" in found.text
    assert found.to_dict()["table"][1]["conflict"] is True
