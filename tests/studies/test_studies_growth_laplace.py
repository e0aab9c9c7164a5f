"""Long study: the numpy twin against the sampler on thirty data sets.

The result is committed in ``reports/studies/growth-laplace-vs-nuts.md``.
"""

from __future__ import annotations

import numpy as np
import pytest
from growth_laplace_vs_nuts import compare_twin

pytestmark = [pytest.mark.slow, pytest.mark.fit]


def test_twin_equals_the_sampler_on_thirty_data_sets():
    # earlier own simulation: average difference -.001, largest .011; sd ratio 1.006, .94 to 1.11
    table = compare_twin(30, 20261125)
    slack = 2 * table["largest monte carlo se"]
    assert (table["mean difference"].abs() <= 0.011 + slack).all()
    assert abs(table["mean difference"].mean()) < 0.005
    assert table["sd ratio"].between(0.94, 1.11).all()
    assert table["sd ratio"].mean() == pytest.approx(1.0, abs=0.02)
    assert table["divergences"].sum() == 0
    z = (table["sampled mean"] - table["truth"]) / table["sampled sd"]
    assert np.mean(np.abs(z) < 1.645) > 0.90 - 3 * np.sqrt(0.09 / 30)
