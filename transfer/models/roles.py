"""Roles: position, class year and volume as shifts of the mean, setting by setting.

Guards may shoot better from one place and bigs from another; then two rates go together, or
against each other, over all players and not within a position. With these terms the correlations of
the model are those of players of the same role, and `overall_population` gives those over all.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from transfer.models.posterior import PopulationDraws, TransferPosterior
from transfer.models.priors import TransferPriors
from transfer.records.cells import ROLES, Cells

__all__ = [
    "ROLE_TERMS",
    "has_roles",
    "overall_population",
    "overall_prior",
    "role_columns",
    "role_priors",
    "role_shifts",
]

ROLE_TERMS = ROLES


def role_columns(cells: Cells) -> tuple[np.ndarray, tuple[tuple[str, str], ...]]:
    """Columns of the role terms that the cells carry, a row per unit.

    Parameters
    ----------
    cells : Cells
        Counted with ``position``, ``class_year`` or ``volume`` (practice attempts a week).

    Returns
    -------
    columns : array, shape (P, J)
        Levels as 0 and 1, volume as its logarithm; each less its mean over the units that are
        known, and 0 where a unit is not.
    names : tuple of (str, str)
        Term and level of each column. A term with one level has none.
    """
    people = cells.table.drop_duplicates("unit").set_index("unit").loc[list(cells.units)]
    columns: list[np.ndarray] = []
    names: list[tuple[str, str]] = []
    for term in ROLE_TERMS:
        if term not in people:
            continue
        if term == "volume":
            values = {"": _log(people[term])}
        else:
            text = people[term].fillna("").astype(str)
            levels = sorted(set(text) - {""})
            values = {
                level: text.eq(level).astype(float).where(text.ne("")).to_numpy()
                for level in (levels if len(levels) > 1 else [])
            }
        for level, column in values.items():
            known = np.isfinite(column)
            if known.any() and np.ptp(column[known]) > 0:
                columns.append(np.where(known, column - column[known].mean(), 0.0))
                names.append((term, level))
    empty = np.zeros((len(cells.units), 0))
    return np.column_stack([empty, *columns]), tuple(names)


def _log(attempts: pd.Series) -> np.ndarray:
    values = attempts.to_numpy(dtype=float)
    return np.log(np.where(values > 0, values, np.nan))


def role_priors(
    name: tuple[str, str], settings: int, priors: TransferPriors
) -> list[tuple[float, float]]:
    """Mean and sd of a column's slope in every setting, games last."""
    term, level = name
    if term == "position":
        return [(0.0, priors.position_sd)] * (settings + 1)
    if term == "volume":
        return [(0.0, priors.volume_sd)] * (settings + 1)
    growth = dict(zip(("first", "second", "third", "fourth"), priors.class_growth, strict=True))
    return [(0.0, priors.class_year_sd)] * settings + [
        (growth.get(level, 0.0), priors.class_year_sd)
    ]


def has_roles(posterior: TransferPosterior) -> bool:
    """Whether position, class year or volume were in the fit."""
    return bool(set(ROLE_TERMS) & set(posterior.terms))


def role_shifts(posterior: TransferPosterior) -> np.ndarray:
    """What roles add to each unit's logits, shape (D or 1, P, K + 1); zeros without the terms."""
    width = len(posterior.settings) + 1
    if not has_roles(posterior):
        return np.zeros((1, len(posterior.units), width))
    columns, names = role_columns(posterior.cells)
    slopes = [
        posterior.terms[term][:, posterior.labels[term].index(level)] for term, level in names
    ]
    return np.einsum("pj,jdk->dpk", columns, np.array(slopes))


def overall_population(posterior: TransferPosterior) -> PopulationDraws:
    """Spreads and correlations over all players, of whatever role.

    The covariance within roles, which is that of the model, plus that of the fitted roles' means
    over the units as they were charted.

    Parameters
    ----------
    posterior : TransferPosterior

    Returns
    -------
    PopulationDraws
        The posterior's own without role terms.
    """
    return _over_all(posterior.population, role_shifts(posterior))


def overall_prior(posterior: TransferPosterior) -> PopulationDraws:
    """What the prior says of spreads and correlations over all players, of whatever role.

    Parameters
    ----------
    posterior : TransferPosterior
    """
    if not has_roles(posterior):
        return posterior.prior
    columns, names = role_columns(posterior.cells)
    priors = TransferPriors.from_dict(posterior.provenance.settings["priors"])
    slopes = np.array([role_priors(name, len(posterior.settings), priors) for name in names])
    rng = np.random.default_rng([posterior.provenance.seed, 3])
    size = (len(posterior.prior.mu), *slopes.shape[:2])
    drawn = slopes[..., 0] + slopes[..., 1] * rng.standard_normal(size)
    return _over_all(posterior.prior, np.einsum("pj,djk->dpk", columns, drawn))


def _over_all(within: PopulationDraws, shifts: np.ndarray) -> PopulationDraws:
    """Add the covariance of the roles' means over the units to that within roles."""
    apart = shifts - shifts.mean(axis=1, keepdims=True)
    between = np.einsum("dpj,dpk->djk", apart, apart) / apart.shape[1]
    sigma = within.tau[:, :, None] * within.omega * within.tau[:, None, :] + between
    tau = np.sqrt(np.einsum("dkk->dk", sigma))
    return PopulationDraws(within.mu, tau, sigma / (tau[:, :, None] * tau[:, None, :]))
