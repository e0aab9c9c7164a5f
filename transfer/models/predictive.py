"""What the transfer model expects before it has seen records, and whether it fits those it saw.

`prior_predictive` draws players from the prior: the make rates, spreads and correlations that the
starting assumptions call plausible. `posterior_predictive` draws the makes again from the fit and
compares them with the makes that were charted (posterior predictive checks: Gelman, Meng and Stern
1996; new units instead of the same ones: Marshall and Spiegelhalter 2003; both from memory).
Nothing here samples with a chain; both need numpy only.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy.special import expit

from transfer.arguments import kinds_checked
from transfer.errors import ArgumentError
from transfer.models.alignment import require_passed
from transfer.models.population_prior import draw_population
from transfer.models.posterior import PopulationDraws, TransferPosterior
from transfer.models.priors import TransferPriors
from transfer.models.roles import has_roles, role_shifts
from transfer.models.tails import PlayerTails, check_tails
from transfer.models.transfer_design import TransferDesign, design_from_cells
from transfer.provenance import Provenance
from transfer.records.cells import GAME
from transfer.records.units import stated_mode
from transfer.results import Estimates, Interval, Result, interval_from_draws
from transfer.simulation.seasons import r_squared

__all__ = [
    "EXTREME_TAIL",
    "PosteriorPredictive",
    "PriorPredictive",
    "posterior_predictive",
    "prior_predictive",
]

#: A cell is extreme when its makes have a two-sided tail probability below this (judgement).
EXTREME_TAIL = 0.01
#: Share of replicated seasons at either end that makes a setting's fit doubtful (judgement).
DOUBTFUL = 0.05
_POPULATION = ("mu", "tau", "omega")
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(15)


@dataclass(frozen=True)
class PriorPredictive(Result):
    """What the priors call plausible.

    Parameters
    ----------
    table : DataFrame
        One row per setting, game last: ``setting``; ``attempts`` of the raw rate; and mean, low
        and high of ``rate`` (of the average player), ``player`` (true rate of one player),
        ``raw`` (made over attempts of one player, chance included), ``spread`` (standard
        deviation of true rates between players, percentage points) and ``rho`` (correlation with
        games; NaN for the game); ``prob`` and ``kind`` of the limits.
    contrast : Interval or None
        R2 live minus R2 rep; ``None`` where one mode is missing.
    contrast_draws : array of shape (D,), or None
    probability_live : float or None
        Prior probability that live tells more.
    draws : PopulationDraws
        The D prior draws of the population.
    text : str
        Plain sentences.
    provenance : Provenance
    """

    _estimates = Estimates("player_mean", "player_low", "player_high")

    table: pd.DataFrame
    contrast: Interval | None
    contrast_draws: np.ndarray | None
    probability_live: float | None
    draws: PopulationDraws
    text: str
    provenance: Provenance

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "settings": self.table.to_dict(orient="records"),
            "contrast": None if self.contrast is None else self.contrast.to_dict(),
            "probability_live": self.probability_live,
            "text": self.text,
            "provenance": self.provenance.to_dict(),
        }


def _attempts(
    attempts: int | Mapping[str, int], settings: Sequence[str]
) -> tuple[np.ndarray, list[str]]:
    """Attempts of every setting and the game, with the names in that order."""
    names = [*settings, GAME]
    given = attempts if isinstance(attempts, Mapping) else dict.fromkeys(names, attempts)
    missing = [name for name in names if name not in given]
    wrong = [name for name in names if name in given and given[name] < 1]
    if missing or wrong:
        raise ArgumentError(
            f"attempts={attempts!r}: missing {missing}, below one {wrong}",
            rule="a whole number of attempts, at least 1, for every setting and for 'game'",
            next_step="pass one number for all, or a mapping with a number for each",
        )
    return np.array([int(given[name]) for name in names]), names


def _spread_points(population: PopulationDraws) -> np.ndarray:
    """Standard deviation of true rates between players, percentage points, shape (D, K + 1)."""
    logits = population.mu[..., None] + population.tau[..., None] * _NODES
    rates, weights = expit(logits), _WEIGHTS / _WEIGHTS.sum()
    mean = rates @ weights
    return 100 * np.sqrt(np.maximum((rates - mean[..., None]) ** 2 @ weights, 0.0))


def _contrast(omega: np.ndarray, settings: Sequence[str]) -> np.ndarray | None:
    """R2 live minus R2 rep per draw; ``None`` where one mode is missing."""
    modes = np.array([stated_mode(name) for name in settings])
    live, rep = np.flatnonzero(modes == "live"), np.flatnonzero(modes == "rep")
    if not live.size or not rep.size:
        return None
    return np.array([r_squared(one, live.tolist()) - r_squared(one, rep.tolist()) for one in omega])


def _limits(name: str, draws: np.ndarray, prob: float) -> dict[str, float]:
    band = interval_from_draws(draws, prob)
    return {f"{name}_mean": float(draws.mean()), f"{name}_low": band.low, f"{name}_high": band.high}


def prior_predictive(
    settings: Sequence[str],
    priors: TransferPriors | None = None,
    attempts: int | Mapping[str, int] = 75,
    seed: int = 1,
    *,
    draws: int = 4000,
    prob: float = 0.90,
) -> PriorPredictive:
    """Draw players from the prior of the transfer model.

    Parameters
    ----------
    settings : sequence of str
        Practice settings such as ``"live/trailing"``; the mode stands before the slash.
    priors : TransferPriors, optional
        Defaults for men's college when omitted.
    attempts : int or mapping of str to int
        Attempts behind the raw rates, one number or by setting with ``"game"``.
    seed : int
    draws : int
        Prior draws.
    prob : float
        Probability of the equal-tailed limits.

    Raises
    ------
    ArgumentError
        When there is no setting, or attempts are missing or below one.
    """
    if not settings:
        raise ArgumentError(
            "settings is empty",
            rule="the prior is about at least one practice setting",
            next_step="pass e.g. ('rep/none', 'live/trailing')",
        )
    chosen = priors or TransferPriors()
    counts, names = _attempts(attempts, settings)
    population = draw_population(len(settings), chosen, draws, seed)
    rng = np.random.default_rng([seed, 1])
    players = expit(population.mu + population.tau * rng.standard_normal(population.mu.shape))
    raw = rng.binomial(counts, players) / counts
    spread = _spread_points(population)
    rows = []
    for k, name in enumerate(names):
        rho = population.omega[:, k, -1]
        none = dict.fromkeys(("rho_mean", "rho_low", "rho_high"), float("nan"))
        rows.append(
            {
                "setting": name,
                "attempts": int(counts[k]),
                **_limits("rate", expit(population.mu[:, k]), prob),
                **_limits("player", players[:, k], prob),
                **_limits("raw", raw[:, k], prob),
                **_limits("spread", spread[:, k], prob),
                **(none if name == GAME else _limits("rho", rho, prob)),
                "prob": prob,
                "kind": "eti",
            }
        )
    table = pd.DataFrame(rows)
    contrast = _contrast(population.omega, settings)
    band = None if contrast is None else interval_from_draws(contrast, prob, "difference")
    live = None if contrast is None else float((contrast > 0).mean())
    return PriorPredictive(
        table=table,
        contrast=band,
        contrast_draws=contrast,
        probability_live=live,
        draws=population,
        text=_prior_text(table, band, live, prob),
        provenance=Provenance(
            seed, "no records", settings={"priors": chosen.to_dict(), "draws": draws}
        ),
    )


def _prior_text(table: pd.DataFrame, band: Interval | None, live: float | None, prob: float) -> str:
    """Say in plain words what the starting assumptions call plausible."""
    game, practice = table.iloc[-1], table.iloc[:-1]
    sentences = [
        f"Before any record is seen, a player's true game make rate is taken to lie between "
        f"{game['player_low']:.0%} and {game['player_high']:.0%} "
        f"({prob:.0%} of players drawn from the starting assumptions).",
        f"True game rates of players of one program differ by about "
        f"{game['spread_mean']:.0f} percentage points (one standard deviation).",
        f"The correlation of a practice number with games is taken to lie between "
        f"{practice['rho_low'].min():.2f} and {practice['rho_high'].max():.2f}.",
    ]
    if band is None or live is None:
        sentences.append("With one kind of practice there is no live-against-rep comparison.")
    else:
        sentences.append(
            f"That live practice tells more than rep practice is given a chance of {live:.0%}; "
            f"the difference in explained share is taken to lie between {band.low:+.2f} and "
            f"{band.high:+.2f}."
        )
    return " ".join(sentences)


@dataclass(frozen=True)
class PosteriorPredictive(Result):
    """Charted makes against makes drawn again from the fit.

    Parameters
    ----------
    table : DataFrame
        One row per player and setting with attempts: ``unit``, ``setting``, ``n``, ``y``,
        ``expected`` makes, ``low`` and ``high`` (count to come: makes of a season drawn again),
        ``chi2`` (mean over draws of the cell's Pearson term), ``tail`` (two-sided tail
        probability of the makes, half of ties), ``extreme`` (tail below `EXTREME_TAIL`).
    by_setting : DataFrame
        One row per setting: ``setting``, ``cells``, ``observed`` and ``replicated`` (means over
        draws of the summed Pearson chi-squared), ``p`` (share of draws whose replicated value is
        at least the observed one).
    players : {"same", "new"}
        Whose seasons were drawn again.
    prob : float
        Probability of ``low`` to ``high``.
    said : str
        The text but for what it says about the tails.
    provenance : Provenance
    tails : PlayerTails or None
        Whether more players lie far from the rest than the model says; ``None`` for the same
        players, whose own rates have seen the makes.
    """

    _estimates = Estimates("expected", "low", "high", "y")

    table: pd.DataFrame
    by_setting: pd.DataFrame
    players: Literal["same", "new"]
    prob: float
    said: str
    provenance: Provenance
    tails: PlayerTails | None = None

    @property
    def text(self) -> str:
        """The result in plain words."""
        return self.said if self.tails is None else f"{self.said} {self.tails.text}"

    @property
    def shared_text(self) -> str:
        """The text without the code of a player."""
        return self.said if self.tails is None else f"{self.said} {self.tails.shared_text}"

    @property
    def extreme(self) -> pd.DataFrame:
        """The extreme cells, most extreme first."""
        return self.table[self.table["extreme"]].sort_values("tail", ignore_index=True)

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "players": self.players,
            "cells": self.table.to_dict(orient="records"),
            "settings": self.by_setting.to_dict(orient="records"),
            "tails": None if self.tails is None else self.tails.to_dict(),
            "text": self.text,
            "provenance": self.provenance.to_dict(),
        }


def _offsets(posterior: TransferPosterior, design: TransferDesign, keep: np.ndarray) -> np.ndarray:
    """Logit that distance, contest and defender add to each cell, as in the model."""
    terms = {name: values[keep] for name, values in posterior.terms.items()}
    total = np.zeros((len(keep), len(design.n)))
    if design.distance is not None and "beta_distance" in terms:
        total += terms["beta_distance"][:, design.setting] * design.distance
    if design.contest is not None and "beta_contest" in terms:
        total += terms["beta_contest"][:, design.contest]
    if design.defender is not None and "defender_effect" in terms:
        faced = design.defender >= 0
        total[:, faced] += terms["defender_effect"][:, design.defender[faced]]
    if design.covariates is not None and "level_shift" in terms:
        mine = [term == "level_shift" for term, _ in design.covariate_names]
        total += terms["level_shift"] @ design.covariates[:, mine].T
    return total


def _squad(posterior: TransferPosterior, design: TransferDesign, keep: np.ndarray) -> np.ndarray:
    total = np.zeros((1, *design.dims))
    if "program_effect" in posterior.terms:
        total = total + posterior.terms["program_effect"][keep][:, design.program, :]
    if design.season is not None and "season_effect" in posterior.terms:
        total = total + posterior.terms["season_effect"][keep][:, design.season, :]
    roles = role_shifts(posterior)
    return np.asarray(total + (roles[keep] if len(roles) > 1 else roles))


def _worth(posterior: TransferPosterior, design: TransferDesign) -> np.ndarray:
    """Design effect of each cell: over how many attempts one attempt's worth is spread."""
    effective = design_from_cells(posterior.cells, None, posterior.design_effects).n
    return np.asarray(design.n / np.where(effective > 0, effective, 1))


def _makes(
    n: np.ndarray, rate: np.ndarray, worth: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Makes drawn again, beta-binomial with variance `worth` times that of chance."""
    spread = (worth > 1) & (n > 1)
    drawn = rate.copy()
    if spread.any():
        form = (n[spread] - 1) / np.minimum(worth[spread] - 1, n[spread] - 1) - 1 + 1e-9
        drawn[:, spread] = rng.beta(rate[:, spread] * form, (1 - rate[:, spread]) * form)
    return rng.binomial(n, drawn).astype(float)


def _by_cell(values: np.ndarray, where: np.ndarray, cells: int) -> np.ndarray:
    """Sum columns that belong to the same player and setting."""
    total = np.zeros((values.shape[0], cells))
    np.add.at(total.T, where, values.T)
    return total


@kinds_checked
def posterior_predictive(
    posterior: TransferPosterior,
    seed: int = 1,
    *,
    players: Literal["same", "new"] = "same",
    prob: float = 0.90,
    draws: int = 1000,
) -> PosteriorPredictive:
    """Draw the makes of every player and setting again and compare them with the charted ones.

    Parameters
    ----------
    posterior : TransferPosterior
    seed : int
    players : {"same", "new"}
        ``"same"`` draws new attempts of the same players. Every player has an own rate in the
        model and has seen the makes, so this finds gross misfits only. ``"new"`` draws players
        from the fitted population and checks whether players differ as the model says, also in
        how many lie far from the rest.
    prob : float
        Probability of the limits.
    draws : int
        Posterior draws used, evenly spaced.

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    ArgumentError
        When `players` is unknown.
    """
    require_passed(posterior.diagnostics)
    if players not in ("same", "new"):
        raise ArgumentError(
            f"players={players!r}",
            rule="players is 'same' or 'new'",
            next_step="pass 'new' to check how much players differ",
        )
    design = design_from_cells(posterior.cells)
    keep = np.unique(np.linspace(0, posterior.draws - 1, min(draws, posterior.draws)).astype(int))
    rng = np.random.default_rng(seed)
    theta = posterior.theta[keep]
    centre = theta
    if players == "new":
        centre = posterior.population.mu[keep][:, None, :] + _squad(posterior, design, keep)
        centre = np.broadcast_to(centre, theta.shape)
        # Margins only: the check is setting by setting, so correlations do not enter.
        noise = rng.standard_normal(theta.shape)
        theta = centre + posterior.population.tau[keep][:, None, :] * noise
    offset = _offsets(posterior, design, keep)
    rate = expit(theta[:, design.unit, design.setting] + offset)
    reference = expit(centre[:, design.unit, design.setting] + offset)
    number = len(design.settings) + 1
    where, size = design.unit * number + design.setting, len(design.units) * number
    n = _by_cell(design.n[None].astype(float), where, size)[0]
    y = _by_cell(design.y[None].astype(float), where, size)[0]
    worth = _worth(posterior, design)
    again = _by_cell(_makes(design.n, rate, worth, rng), where, size)
    expected = _by_cell(design.n * reference, where, size)
    variance = _by_cell(worth * design.n * reference * (1 - reference), where, size)
    held = np.flatnonzero(n > 0)
    observed_chi2 = (y[held] - expected[:, held]) ** 2 / variance[:, held]
    replicated_chi2 = (again[:, held] - expected[:, held]) ** 2 / variance[:, held]
    table = _cell_table(design, held, n, y, again[:, held], observed_chi2, prob)
    by_setting = _setting_table(design, held, observed_chi2, replicated_chi2)
    tails = None
    if players == "new":
        middle = np.full(expected.shape, 0.5)
        middle[:, held] = expected[:, held] / n[held]
        drawn = PopulationDraws(*(getattr(posterior.population, k)[keep] for k in _POPULATION))
        square = (len(design.units), number)
        tails = check_tails(
            y.reshape(square), n.reshape(square), middle.reshape(-1, *square), drawn,
            design.units, seed, has_roles(posterior),
        )  # fmt: skip
    return PosteriorPredictive(
        table=table,
        by_setting=by_setting,
        players=players,
        prob=prob,
        said=_posterior_text(table, by_setting, players),
        tails=tails,
        provenance=Provenance(
            seed,
            posterior.cells.data_hash,
            settings={
                "players": players,
                "draws": len(keep),
                "fit_seed": posterior.provenance.seed,
            },
        ),
    )


def _cell_table(
    design: TransferDesign,
    held: np.ndarray,
    n: np.ndarray,
    y: np.ndarray,
    again: np.ndarray,
    chi2: np.ndarray,
    prob: float,
) -> pd.DataFrame:
    names, number = (*design.settings, GAME), len(design.settings) + 1
    low, high = np.quantile(again, [(1 - prob) / 2, (1 + prob) / 2], axis=0)
    below = (again < y[held]).mean(axis=0) + 0.5 * (again == y[held]).mean(axis=0)
    tail = 2 * np.minimum(below, 1 - below)
    return pd.DataFrame(
        {
            "unit": [design.units[i // number] for i in held],
            "setting": [names[i % number] for i in held],
            "n": n[held].astype(np.int64),
            "y": y[held].astype(np.int64),
            "expected": again.mean(axis=0),
            "low": low,
            "high": high,
            "chi2": chi2.mean(axis=0),
            "tail": tail,
            "extreme": tail < EXTREME_TAIL,
        }
    )


def _setting_table(
    design: TransferDesign, held: np.ndarray, observed: np.ndarray, replicated: np.ndarray
) -> pd.DataFrame:
    setting = held % (len(design.settings) + 1)
    rows = []
    for k, name in enumerate((*design.settings, GAME)):
        mine = setting == k
        if mine.any():
            seen, drawn = observed[:, mine].sum(axis=1), replicated[:, mine].sum(axis=1)
            rows.append(
                {
                    "setting": name,
                    "cells": int(mine.sum()),
                    "observed": float(seen.mean()),
                    "replicated": float(drawn.mean()),
                    "p": float((drawn >= seen).mean()),
                }
            )
    return pd.DataFrame(rows)


def _posterior_text(
    table: pd.DataFrame, by_setting: pd.DataFrame, players: Literal["same", "new"]
) -> str:
    """Say in plain words how well the fit describes the records."""
    extreme = int(table["extreme"].sum())
    whose = "the same players" if players == "same" else "new players of the same kind"
    first = (
        f"With seasons drawn again for {whose}, {extreme} of {len(table)} counts of makes are "
        f"extreme; chance alone makes about {EXTREME_TAIL * len(table):.1f}."
    )
    more = by_setting.loc[by_setting["p"] < DOUBTFUL, "setting"].tolist()
    less = by_setting.loc[by_setting["p"] > 1 - DOUBTFUL, "setting"].tolist()
    sentences = [first]
    if more:
        sentences.append(
            f"In {', '.join(more)} the counts vary more than the model says: look for "
            "players who changed, mixed-up codes, or sets that stop on the outcome."
        )
    # Rates that have seen the very makes always sit close to them: only a surplus is news there.
    if less and players == "new":
        sentences.append(f"In {', '.join(less)} they vary less than the model says.")
    if not more and not (less and players == "new"):
        sentences.append("No setting varies more than the model says.")
    return " ".join(sentences)
