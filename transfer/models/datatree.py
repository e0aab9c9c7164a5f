"""A fit as an ArviZ tree (xarray.DataTree) with named axes, and back.

Groups: ``posterior`` and ``prior`` (chain, draw, then named axes), ``sample_stats``,
``observed_data`` (makes ``y`` of each cell), ``constant_data`` (attempts ``n`` and everything else
that was known of each cell) and, for `arviz.loo`, ``log_likelihood`` of each player's games given
his practice. The saved file holds the same groups without the last, which follows from them.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from transfer.models.game_likelihood import game_likelihood
from transfer.models.posterior import Diagnostics, PopulationDraws, TransferPosterior
from transfer.provenance import Provenance
from transfer.records.cells import GAME, Cells

if TYPE_CHECKING:
    from xarray import DataTree

__all__ = ["from_tree", "saved_tree", "to_tree"]

_POPULATION = {"mu": ["setting"], "tau": ["setting"], "omega": ["setting", "other_setting"]}
#: Axes of the optional terms; what is along each stands in the labels of the fit.
_AXES = {
    "beta_distance": ["setting"],
    "beta_contest": ["contest"],
    "defender_effect": ["defender"],
    "defender_sd": [],
    "program_effect": ["program", "setting"],
    "program_sd": ["setting"],
    "season_effect": ["program_season", "setting"],
    "season_sd": ["setting"],
    "persistence": [],
}
_LABELS = {"contest": "contests", "defender": "defenders", "program": "programs",
           "program_season": "seasons"}  # fmt: skip


def to_tree(posterior: TransferPosterior) -> DataTree:
    """The fit with the log likelihood of each player's games.

    Parameters
    ----------
    posterior : TransferPosterior

    Returns
    -------
    xarray.DataTree
        A player of several seasons stands once in ``log_likelihood``, with all of his games.
    """
    import xarray as xr

    tree = saved_tree(posterior)
    games = game_likelihood(posterior)
    players, first = np.unique(games.players, return_index=True)
    values = {"games": (["player"], games.log_likelihood[:, first])}
    tree["log_likelihood"] = xr.DataTree(
        _drawn(values, {"player": players.tolist()}, posterior.chains)
    )
    return tree


def saved_tree(posterior: TransferPosterior) -> DataTree:
    """The fit with everything that `from_tree` needs.

    Parameters
    ----------
    posterior : TransferPosterior
    """
    import xarray as xr

    names = {
        "setting": [*posterior.settings, GAME],
        "other_setting": [*posterior.settings, GAME],
        "unit": list(posterior.units),
        **{axis: list(posterior.labels.get(label, ())) for axis, label in _LABELS.items()},
        **{f"{term}_level": list(levels) for term, levels in posterior.labels.items()},
    }
    drawn = _population(posterior.population) | {"theta": (["unit", "setting"], posterior.theta)}
    for term, values in posterior.terms.items():
        drawn[term] = (_axes(term, values, names), values)
    statistics: dict[str, Any] = {name: ([], v) for name, v in posterior.sample_stats.items()}
    table = posterior.cells.table
    cells = {str(label): ("cell", _plain(table[label])) for label in table}
    made = {"y": cells.pop("y")}
    where = {key: cells[key] for key in ("unit", "setting")}
    groups = {
        "/": xr.Dataset(
            attrs={
                "cells_hash": posterior.cells.data_hash,
                "columns": json.dumps([str(label) for label in table]),
                "modes": json.dumps(list(posterior.modes)),
                "labels": json.dumps({k: list(v) for k, v in posterior.labels.items()}),
                "terms": json.dumps(list(posterior.terms)),
                "diagnostics": json.dumps(posterior.diagnostics.to_dict()),
                "provenance": json.dumps(posterior.provenance.to_dict()),
            }
        ),
        "posterior": _drawn(drawn, names, posterior.chains),
        "prior": _drawn(_population(posterior.prior), names, 1),
        "sample_stats": _drawn(statistics, names, posterior.chains),
        "observed_data": xr.Dataset(made, coords=where),
        "constant_data": xr.Dataset(cells),
    }
    return xr.DataTree.from_dict(groups)


def _population(draws: PopulationDraws) -> dict[str, tuple[list[str], np.ndarray]]:
    return {name: (axes, getattr(draws, name)) for name, axes in _POPULATION.items()}


def _axes(term: str, values: np.ndarray, names: Mapping[str, list[str]]) -> list[str]:
    """Names of a term's axes after the draws; numbered ones where no label fits."""
    known = _AXES.get(term, [f"{term}_level", "setting"][: values.ndim - 1])
    sizes = [len(names.get(axis, ())) for axis in known]
    if sizes == list(values.shape[1:]):
        return known
    return [f"{term}_{number}" for number in range(values.ndim - 1)]


def _drawn(
    values: Mapping[str, tuple[list[str], np.ndarray]], names: Mapping[str, list[str]], chains: int
) -> Any:
    """A group of draws; only axes that occur get their names."""
    import xarray as xr

    data = xr.Dataset(
        {
            name: (["chain", "draw", *axes], _by_chain(draws, chains))
            for name, (axes, draws) in values.items()
        }
    )
    numbered = {axis: range(data.sizes[axis]) for axis in ("chain", "draw") if axis in data.sizes}
    named = {axis: names[str(axis)] for axis in data.sizes if axis in names}
    return data.assign_coords(numbered | named)


def _by_chain(draws: np.ndarray, chains: int) -> np.ndarray:
    """From (D, ...) to (chain, draw, ...)."""
    return draws.reshape(chains, -1, *draws.shape[1:])


def _plain(column: pd.Series) -> np.ndarray:
    numbers = column.dtype.kind in "iufb"
    return column.to_numpy() if numbers else column.astype(str).to_numpy(dtype=object)


def from_tree(tree: DataTree) -> TransferPosterior:
    """The fit that `saved_tree` was given.

    Parameters
    ----------
    tree : xarray.DataTree
    """

    def draws(group: str, name: str) -> np.ndarray:
        values = tree[group][name].to_numpy()
        return np.ascontiguousarray(values.reshape(-1, *values.shape[2:]))

    told = {key: json.loads(tree.attrs[key]) for key in
            ("columns", "modes", "labels", "terms", "diagnostics", "provenance")}  # fmt: skip
    told["diagnostics"]["failures"] = tuple(told["diagnostics"]["failures"])
    settings = tuple(map(str, tree["posterior"]["setting"].to_numpy()[:-1]))
    units = tuple(map(str, tree["posterior"]["unit"].to_numpy()))
    held = {"y": tree["observed_data"]["y"], **tree["constant_data"].data_vars}
    table = pd.DataFrame({name: held[name].to_numpy() for name in told["columns"]})
    return TransferPosterior(
        settings=settings,
        modes=tuple(told["modes"]),
        units=units,
        population=PopulationDraws(*(draws("posterior", name) for name in _POPULATION)),
        prior=PopulationDraws(*(draws("prior", name) for name in _POPULATION)),
        theta=draws("posterior", "theta"),
        diagnostics=Diagnostics(**told["diagnostics"]),
        provenance=Provenance(**told["provenance"]),
        cells=Cells(table, settings, units, str(tree.attrs["cells_hash"])),
        terms={name: draws("posterior", name) for name in told["terms"]},
        labels={k: tuple(v) for k, v in told["labels"].items()},
        chains=tree["posterior"].sizes["chain"],
        sample_stats={str(n): draws("sample_stats", n) for n in tree["sample_stats"].data_vars},
    )
