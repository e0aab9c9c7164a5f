"""The transfer model for the sampler without PyMC: same posterior, a fraction of the time.

`native_model` packs a design and its priors into one buffer and hands the compiled density of
`transfer.models.engine.kernel` to nutpie. Nothing is compiled per model or per shape: the machine
code is kept on disk by numba. The PyMC model of `transfer.models.transfer_model` is the reference
that the tests compare with.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import expit, logit

from transfer.models.engine.nutpie_model import for_nutpie
from transfer.models.priors import TransferPriors
from transfer.models.transfer_design import TransferDesign

__all__ = ["NativeData", "initial_point", "native_data", "native_model", "variables"]

_FAMILIES = ("half_normal", "uniform", "inverse_gamma_variance", "lognormal")
_HEADER = 16
#: Players to whose multiple the rows are filled up; loops of fewer run one number at a time.
_LANES = 16
#: Attempts by which a cell's rate is pulled to its setting's before its precision is taken; only
#: the speed of the sampler depends on it (own measurement).
_PULL = 20.0
#: Spread of players about their setting's mean that the basis of the defenders takes, logits
#: (judgement, no source; only the speed of the sampler depends on it).
_SPREAD = 0.3
#: Coordinate of a half-normal value near its median, .67 of the scale.
_MIDDLE = 0.4


@dataclass(frozen=True)
class NativeData:
    """One model's numbers as the compiled density reads them.

    Parameters
    ----------
    buffer : array of float, shape (M,)
        Counts of the header, prior constants and data; whole numbers are stored as such in the
        same bytes. Read-only.
    dim : int
        Number of coordinates.
    """

    buffer: np.ndarray
    dim: int

    def log_density(self, x: np.ndarray) -> tuple[float, np.ndarray]:
        """Return the log density and its gradient at coordinates `x`, shape (dim,)."""
        from transfer.models.engine.kernel import logp_address

        point = np.ascontiguousarray(x, dtype=float)
        grad, value = np.zeros(self.dim), np.zeros(1)
        pointers = (a.ctypes.data for a in (point, grad, value, self.buffer))
        call = ctypes.CFUNCTYPE(ctypes.c_int64, *[ctypes.c_uint64] * 5)
        call(logp_address())(self.dim, *pointers)
        return float(value[0]), grad


def _cells(design: TransferDesign) -> TransferDesign:
    """Drop empty cells and join those with the same rate: the likelihood stays as it is."""
    from dataclasses import replace

    size = design.dims[1]
    plain = all(
        v is None for v in (design.distance, design.contest, design.defender, design.covariates)
    )
    if plain:
        cell = design.unit * size + design.setting
        n, y = (np.bincount(cell, v, minlength=design.dims[0] * size) for v in (design.n, design.y))
        kept = np.flatnonzero(n > 0)
        return replace(design, n=n[kept], y=y[kept], unit=kept // size, setting=kept % size)
    keep = design.n > 0
    part: dict[str, Any] = {
        name: None if value is None else np.asarray(value)[keep]
        for name in ("n", "y", "unit", "setting", "distance", "contest", "defender", "covariates")
        for value in [getattr(design, name)]
    }
    return replace(design, **part)


def _prior_offset(design: TransferDesign, priors: TransferPriors) -> np.ndarray:
    """Prior means of the optional terms, per cell: where the likelihood is expanded."""
    k = len(design.settings)
    offset = np.zeros(len(design.n))
    if design.distance is not None:
        slope = np.array([priors.beta_distance_practice[0]] * k + [priors.beta_distance_game[0]])
        offset = offset + slope[design.setting] * design.distance
    if design.contest is not None:
        offset = offset - 0.8 * priors.contest_step_sd * np.asarray(design.contest)
    if design.covariates is not None:
        offset = offset + design.covariates @ np.array([m for m, _ in design.covariate_priors])
    return np.asarray(offset)


def _expansion(design: TransferDesign, offset: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Precision and response of a normal approximation of every cell's likelihood.

    Taken about a rate pulled towards that of the setting, shifted by what `offset` (the optional
    terms at their prior means) leaves of the cell's own conditions.
    """
    size = design.dims[1]
    made = np.bincount(design.setting, design.y, minlength=size) + 1.0
    taken = np.bincount(design.setting, design.n, minlength=size) + 2.0
    mean = np.bincount(design.setting, design.n * offset, minlength=size) / taken
    eta = logit(made / taken)[design.setting] + offset - mean[design.setting]
    rate = (design.y + _PULL * expit(eta)) / (design.n + _PULL)
    weight = design.n * rate * (1 - rate)
    return weight, weight * logit(rate) + design.y - design.n * rate


def _order(precisions: np.ndarray, responses: np.ndarray, program: np.ndarray) -> np.ndarray:
    """Settings from the best to the least well measured: the order of the Cholesky factor.

    A setting whose rates are hardly known holds up every correlation that is taken given it; last
    in the order, it holds up its own only. Spread by moments within programs (DerSimonian and
    Laird 1986, from memory), information as the mean reliability of a player's rate.
    """
    known = precisions > 0
    total, square, made = (
        np.array([np.bincount(program, v) for v in values.T])
        for values in (precisions, precisions**2, responses)
    )
    safe = np.where(total > 0, total, 1.0)
    rate = responses / np.where(known, precisions, 1.0)
    excess = (precisions * (rate - (made / safe).T[program]) ** 2).sum(0)
    excess -= known.sum(0) - (total > 0).sum(1)
    divisor = (total - square / safe).sum(1)
    variance = np.maximum(excess, 0.0) / np.where(divisor > 0, divisor, 1.0)
    reliability = precisions * variance / (1 + precisions * variance)
    return np.argsort(-reliability.mean(0), kind="stable")


def _directions(
    design: TransferDesign,
    columns: np.ndarray,
    weight: np.ndarray,
    response: np.ndarray,
    prior: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Directions of effects with one normal prior in which the records speak separately.

    Such effects may be turned as one likes. What the records say best of defenders are
    differences between those whom the same player met; a shift of all of them is hardly told from
    the setting's mean. Players' rates (spread `_SPREAD` about their setting's mean) and the
    means, whose prior precision is `prior` (one per setting), are taken out of the normal
    approximation of the likelihood; its eigenvectors are the directions. `columns`, shape (N, V),
    holds what each effect adds to each cell.

    Returns
    -------
    basis : array, shape (V, V)
        A direction per row.
    precision, response : array, shape (V,)
        Of the likelihood in each direction.
    """
    count = columns.shape[1]
    units, size = design.dims
    row = design.unit * size + design.setting
    met = np.zeros((units * size, count))
    np.add.at(met, row, weight[:, None] * columns)
    total, said = (np.bincount(row, v, minlength=units * size) for v in (weight, response))
    own = total + 1 / _SPREAD**2
    inside = columns.T @ (weight[:, None] * columns) - met.T @ (met / own[:, None])
    score = columns.T @ response - met.T @ (said / own)
    # What is left of a player once his rate is free about the mean of the setting.
    share = (1 / _SPREAD**2 / own)[:, None]
    across = (met * share).reshape(units, size, count).sum(0)
    level = (total * share[:, 0]).reshape(units, size).sum(0) + prior
    heard = (said * share[:, 0]).reshape(units, size).sum(0)
    inside -= across.T @ (across / level[:, None])
    score -= across.T @ (heard / level)
    precision, vectors = np.linalg.eigh(inside)
    return vectors.T, np.maximum(precision, 0.0), vectors.T @ score


def _defenders(design: TransferDesign) -> np.ndarray:
    """Who was met in each cell, a column per defender."""
    return np.equal.outer(np.asarray(design.defender), np.arange(len(design.defenders))) * 1.0


def _turned_columns(
    design: TransferDesign, weight: np.ndarray, response: np.ndarray, prior: np.ndarray
) -> tuple[np.ndarray, ...]:
    """Columns in directions that the records tell apart, and what the density needs of each.

    Returns
    -------
    columns : array, shape (N, J)
        What a unit step in each direction adds to each cell.
    mean, centre, root : array, shape (J,)
        Prior mean in each direction, whose prior sd is one; mean and sd of the noise about it
        given the normal approximation of the likelihood.
    back : array, shape (J, J)
        From directions to the slopes of the design's columns.
    """
    if design.covariates is None:
        return np.zeros((len(design.n), 0)), *np.zeros((3, 0)), np.zeros((0, 0))
    location, scale = np.array(design.covariate_priors).T
    basis, precision, score = _directions(
        design, design.covariates * scale, weight, response, prior
    )
    mean = basis @ (location / scale)
    shrunk = 1 / (1 + precision)
    back = scale[:, None] * basis.T
    return (
        design.covariates @ back,
        mean,
        (score - precision * mean) * shrunk,
        np.sqrt(shrunk),
        back,
    )


def native_data(
    design: TransferDesign,
    priors: TransferPriors,
    expansion: tuple[np.ndarray, np.ndarray] | None = None,
) -> NativeData:
    """Pack a design and its priors for the compiled density.

    Parameters
    ----------
    design : TransferDesign
    priors : TransferPriors
    expansion : tuple of array, shape (U, K + 1), optional
        Precision and response of every player's cells, in the order of the records, in place of
        those of the likelihood's normal approximation: all zero for rates that are not centred,
        very large for centred ones. The density stays the same; only for studies of the sampler
        and only without optional terms.
    """
    design = _cells(design)
    units, size = design.dims
    k = size - 1
    weight, response = _expansion(design, _prior_offset(design, priors))
    at = (design.unit, design.setting)
    precisions, responses = np.zeros((units, size)), np.zeros((units, size))
    np.add.at(precisions, at, weight)
    np.add.at(responses, at, response)
    group, above = _levels(design)
    order = _order(precisions, responses, group)
    if expansion is not None:
        precisions, responses = expansion
    rows, others = np.tril_indices(size, -1)
    game = (order[rows] == k) | (order[others] == k)
    tilt = priors.tilt_game is not None and priors.tilt_practice is not None
    tilts = np.zeros((2, len(game)))
    if priors.tilt_game is not None and priors.tilt_practice is not None:
        location, scale = np.array([priors.tilt_game, priors.tilt_practice]).T
        tilts = np.where(game, [location[:1], scale[:1]], [location[1:], scale[1:]])
    means = np.array([priors.mu_practice] * k + [priors.mu_game])
    cells = len(design.n)
    none = np.zeros(cells)
    columns, *column = _turned_columns(design, weight, response, 1 / means[:, 1] ** 2)
    slopes = [priors.beta_distance_practice] * k + [priors.beta_distance_game]
    basis: tuple[np.ndarray, ...] = ()
    if design.defender is not None:
        met = _defenders(design)
        basis = _directions(design, met, weight, response, 1 / means[:, 1] ** 2)
    spare = -units % _LANES
    # One setting after the other, as the density reads the players' rates.
    turn = np.argsort(np.argsort(order)[design.setting], kind="stable")
    floats = [
        means[order].T,
        np.array([priors.tau_practice_sd] * k + [priors.tau_game_sd])[order],
        tilts,
        np.array([priors.lkj_eta, priors.contest_step_sd, priors.defender_sd]),
        np.array([priors.tilt_df or 0.0, priors.tau_log_sd, *priors.persistence]),
        np.array(slopes)[order].T,
        _spread_of_groups(priors, design.season is not None, k)[order],
        _spread_of_groups(priors, False, k)[order],
        *column,
        *basis,
        np.pad(precisions[:, order].T, ((0, 0), (0, spare))),
        np.pad(responses[:, order].T, ((0, 0), (0, spare))),
        design.n[turn],
        design.y[turn],
        weight[turn],
        none if design.distance is None else design.distance[turn],
        columns[turn].T,
    ]
    previous, rank = _earlier_seasons(design)
    whole = [
        np.pad(group, (0, spare)),
        np.pad(previous, (0, spare), constant_values=-1),
        np.pad(rank, (0, spare)),
        above,
        design.unit[turn],
        np.argsort(order)[design.setting][turn],
        none if design.contest is None else np.asarray(design.contest)[turn],
        none - 1 if design.defender is None else np.asarray(design.defender)[turn],
        order,
    ]
    flat = np.concatenate([np.asarray(a, dtype=float).ravel() for a in floats])
    tail = np.concatenate([np.asarray(a).astype(np.int64).ravel() for a in whole])
    header = np.zeros(_HEADER, dtype=np.int64)
    steps = 0 if design.contest is None else len(design.contests) - 1
    defenders = 0 if design.defender is None else len(design.defenders)
    many = len(design.programs) > 1
    programs = len(design.programs) if design.season is not None and many else 0
    header[:14] = [
        _HEADER + len(flat) + len(tail), size, units, len(above), cells, steps,
        defenders, columns.shape[1], design.distance is not None,
        _FAMILIES.index(priors.tau_family), tilt, units + spare, programs, 1 + rank.max(),
    ]  # fmt: skip
    buffer = np.concatenate([header.view(float), flat, tail.view(float)])
    buffer.flags.writeable = False
    dim = 2 * size + size * k // 2 + units * size + columns.shape[1] + steps
    dim += size * (1 + len(above)) if len(above) > 1 else 0
    dim += (size * (1 + programs) if programs else 0) + (1 if rank.any() else 0)
    dim += (size if design.distance is not None else 0) + (1 + defenders if defenders else 0)
    return NativeData(buffer, dim)


def _levels(design: TransferDesign) -> tuple[np.ndarray, np.ndarray]:
    """Group of every unit, and program of every group: programs themselves, or their seasons."""
    if design.season is None:
        return design.program, np.arange(len(design.programs))
    above = np.zeros(len(design.seasons), dtype=np.int64)
    above[design.season] = design.program
    return design.season, above


def _spread_of_groups(priors: TransferPriors, seasons: bool, k: int) -> np.ndarray:
    """Prior scales of the spread between groups, by setting."""
    if seasons:
        return np.array([priors.season_sd] * k + [priors.season_game_sd])
    return np.array([priors.program_sd] * k + [priors.program_game_sd])


def _earlier_seasons(design: TransferDesign) -> tuple[np.ndarray, np.ndarray]:
    """The unit that holds each player's season before, -1 for none, and how many there are."""
    units = len(design.units)
    previous, rank = np.full(units, -1), np.zeros(units, dtype=np.int64)
    last: dict[int, int] = {}
    for unit, player in enumerate([] if design.player is None else design.player.tolist()):
        if player in last:
            previous[unit], rank[unit] = last[player], rank[last[player]] + 1
        last[player] = unit
    return previous, rank


def variables(design: TransferDesign) -> dict[str, tuple[int, ...]]:
    """Names and shapes of what a draw holds, in order; as in the PyMC model."""
    units, size = design.dims
    shapes: dict[str, tuple[int, ...]] = {"mu": (size,), "tau": (size,)}
    if size > 1:
        shapes["omega"] = (size, size)
    shapes["theta"] = (units, size)
    if design.season is not None:
        shapes |= {"season_effect": (len(design.seasons), size), "season_sd": (size,)}
    if len(design.programs) > 1:
        shapes |= {"program_effect": (len(design.programs), size), "program_sd": (size,)}
    if design.distance is not None:
        shapes["beta_distance"] = (size,)
    if design.contest is not None:
        shapes["beta_contest"] = (len(design.contests),)
    if design.defender is not None:
        shapes |= {"defender_effect": (len(design.defenders),), "defender_sd": ()}
    if design.covariates is not None:
        shapes["beta_covariate"] = (design.covariates.shape[1],)
    if design.player is not None:
        shapes["persistence"] = ()
    return shapes


def initial_point(
    design: TransferDesign, priors: TransferPriors, dim: int
) -> Callable[[int | None], np.ndarray]:
    """Return a function from a seed to a starting point spread about the prior's middle."""
    units, size = design.dims
    k = size - 1
    centre = np.zeros(dim)
    # A lognormal spread starts at its median, zero.
    if priors.tau_family == "half_normal":
        centre[size : 2 * size] = _MIDDLE
    elif priors.tau_family == "inverse_gamma_variance":
        centre[size : 2 * size] = -2 * np.log(0.3)
    if priors.tilt_practice is not None and priors.tilt_game is not None:
        centre[2 * size : 2 * size + size * k // 2] = 0.3
    at = 2 * size + size * k // 2 + units * size
    groups = len(_levels(design)[1])
    if groups > 1:
        centre[at : at + size] = 0.6
        at += size * (1 + groups)
    at += size if design.distance is not None else 0
    if design.contest is not None:
        centre[at : at + len(design.contests) - 1] = _MIDDLE
        at += len(design.contests) - 1
    if design.defender is not None:
        centre[at] = 0.6
        at += 1 + len(design.defenders)
    at += 0 if design.covariates is None else design.covariates.shape[1]
    if design.season is not None and len(design.programs) > 1:
        centre[at : at + size] = 0.6
    if design.player is not None:
        centre[-1] = logit(priors.persistence[0] / sum(priors.persistence))

    def start(seed: int | None = None) -> np.ndarray:
        jitter = np.random.default_rng(seed).uniform(-1, 1, dim)
        return np.asarray(centre + jitter)

    return start


def native_model(
    design: TransferDesign,
    priors: TransferPriors,
    expansion: tuple[np.ndarray, np.ndarray] | None = None,
) -> Any:
    """Return the transfer model as nutpie samples it.

    Parameters
    ----------
    design : TransferDesign
    priors : TransferPriors
    expansion : tuple of array, optional
        See `native_data`.

    Returns
    -------
    nutpie.compile_pymc.CompiledPyMCModel
        With the names and shapes of `variables`.
    """
    data = native_data(design, priors, expansion)
    start = initial_point(design, priors, data.dim)
    return for_nutpie(data.buffer, data.dim, variables(design), start)
