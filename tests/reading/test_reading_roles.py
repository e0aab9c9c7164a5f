"""R2 among players of one role stands beside that over all; the text says which is which."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented import invented_cells, invented_posterior

from transfer.models.composition import compose
from transfer.models.posterior import TransferPosterior
from transfer.models.priors import TransferPriors
from transfer.reading.reading import read_transfer
from transfer.reading.roles import read_roles
from transfer.reading.sections import settings_section


def with_positions(slope: float) -> TransferPosterior:
    """A posterior whose bigs lie `slope` logit above its guards in practice and in games."""
    cells = invented_cells(players=12)
    position = cells.table["player"].map(lambda code: "big" if int(code[1:]) % 2 else "guard")
    fit = invented_posterior(replace(cells, table=cells.table.assign(position=position)))
    shifts = np.tile([[slope / 2], [-slope / 2]], (fit.draws, 1, len(fit.settings) + 1))
    settings = {**fit.provenance.settings, "priors": TransferPriors().to_dict()}
    return replace(
        fit,
        terms={"position": shifts},
        labels={"position": ("big", "guard")},
        provenance=replace(fit.provenance, settings=settings),
    )


def test_without_roles_there_is_nothing_to_tell():
    assert read_roles(invented_posterior(invented_cells())) is None


def test_a_role_that_is_good_at_everything_makes_a_link():
    fit = with_positions(3.0)
    found = read_roles(fit)
    assert found is not None
    assert found.differs
    assert found.text.startswith("Part of the link between practice and games comes from position:")
    shares = found.table.set_index(["quantity", "among"])["mean"]
    within = compose(fit.population, fit.settings, fit.modes).r2_all
    assert shares["all", "same role"] == pytest.approx(within.mean())
    # Between bigs and guards 1.5^2 in every rate, all in step; the invented spreads are far less.
    assert shares["all", "all players"] > 0.9
    assert found.difference.low > 0
    assert {"rep", "live"} < set(found.table["quantity"])
    assert found.to_dict()["adjusted_for"] == ["position"]
    # The prior lets positions differ in each setting on their own: it makes no link of them.
    before = found.table.set_index(["quantity", "among"])["prior_mean"]
    assert before["all", "all players"] < before["all", "same role"] + 0.02


def test_a_role_without_a_shift_changes_nothing():
    found = read_roles(with_positions(0.0))
    assert found is not None
    assert not found.differs
    assert "is open" in found.text
    shares = found.table.set_index(["quantity", "among"])["mean"]
    assert shares["all", "all players"] == pytest.approx(shares["all", "same role"])


def test_the_page_shows_both_only_where_roles_are_in_the_fit():
    fit = with_positions(3.0)
    judged = invented_posterior(invented_cells(), purpose="verdict")
    shown = str(settings_section(read_transfer(judged), fit, 0.9))
    assert "Within roles and over all players" in shown
    plain = invented_posterior(invented_cells())
    assert "Within roles" not in str(settings_section(read_transfer(judged), plain, 0.9))
