"""Invented seasons straight into cells: recovery, calibration and the operating table.

Players have a true logit rate in every practice setting and in games, drawn from the transfer
model: a mean per setting, a program effect, and correlated deviations of the player. The sizes
are scenario assumptions with no source unless a source stands beside them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit

from transfer.errors import ArgumentError, InfeasibleError
from transfer.provenance import hash_frames
from transfer.records.cells import GAME, Cells
from transfer.records.units import stated_mode
from transfer.simulation.faults import Fault, Rows

__all__ = [
    "SimulatedPlayers",
    "TransferTruth",
    "omega_with_contrast",
    "operating_truth",
    "r_squared",
    "simulate_cells",
    "true_reading",
]

#: Two rep and two live settings, lighter contest first.
#: Mode and contest of the four settings that most invented seasons have.
FOUR_KINDS = (
    ("rep", "none"),
    ("rep", "light"),
    ("live", "trailing"),
    ("live", "front_and_trailing"),
)
FOUR_SETTINGS = tuple("/".join(kind) for kind in FOUR_KINDS)
FOUR_MODES = tuple(mode for mode, _ in FOUR_KINDS)


@dataclass(frozen=True)
class TransferTruth:
    """What is true in an invented season. Logit scale; the game comes last on every axis.

    Parameters
    ----------
    settings : tuple of str
        The K practice settings, mode before the slash (``rep`` or ``live``).
    mu : tuple of float, length K + 1
        Mean logit rates.
    tau : tuple of float, length K + 1
        Standard deviations between players of a program.
    omega : array, shape (K + 1, K + 1)
        Correlations between players' true rates.
    attempts : tuple of int, length K + 1
        Attempts per player and season (games last).
    attempts_spread : float
        Coefficient of variation between players of the attempts, gamma distributed; 0 gives
        every player exactly `attempts`.
    program_sd : float
        Standard deviation between programs of every setting's mean.
    per_minute : (float, float)
        Attempts per charted minute, rep and live; sets the ``minutes`` of the cells.
    """

    settings: tuple[str, ...]
    mu: tuple[float, ...]
    tau: tuple[float, ...]
    omega: np.ndarray
    attempts: tuple[int, ...]
    attempts_spread: float = 0.0
    program_sd: float = 0.0
    per_minute: tuple[float, float] = (4.0, 1.0)

    def __post_init__(self) -> None:
        size = len(self.settings) + 1
        for name in ("mu", "tau", "attempts"):
            if len(getattr(self, name)) != size:
                raise ArgumentError(
                    f"{name} has {len(getattr(self, name))} values for {size - 1} settings",
                    rule="one value per practice setting, then one for games",
                    next_step=f"pass {size} values",
                )
        _require_correlation(np.asarray(self.omega, dtype=float), size)

    @property
    def modes(self) -> tuple[str, ...]:
        """Mode of each practice setting."""
        return tuple(map(stated_mode, self.settings))

    @property
    def rho(self) -> dict[str, float]:
        """True transfer correlation of each practice setting with games."""
        return dict(zip(self.settings, np.asarray(self.omega)[:-1, -1].tolist(), strict=True))

    def to_dict(self) -> dict[str, Any]:
        """Return plain values, with the true reading."""
        return {
            "settings": list(self.settings),
            "mu": list(self.mu),
            "tau": list(self.tau),
            "omega": np.asarray(self.omega).tolist(),
            "attempts": list(self.attempts),
            "attempts_spread": self.attempts_spread,
            "program_sd": self.program_sd,
            "per_minute": list(self.per_minute),
            "rho": self.rho,
            **true_reading(self.omega, self.modes),
        }


@dataclass(frozen=True)
class SimulatedPlayers:
    """The players behind simulated cells.

    Parameters
    ----------
    units : tuple of str
        Player-season keys, in the order of the cells' ``units``.
    program : tuple of str
        Program of each unit.
    theta : array, shape (P, K + 1)
        True logit rates, program effect included, games last.
    program_effect : array, shape (G, K + 1)
        True program effects.
    """

    units: tuple[str, ...]
    program: tuple[str, ...]
    theta: np.ndarray
    program_effect: np.ndarray

    @property
    def game_rate(self) -> np.ndarray:
        """True game make rates, shape (P,)."""
        return np.asarray(expit(self.theta[:, -1]))


def simulate_cells(
    truth: TransferTruth,
    players: int,
    seed: int,
    programs: int = 1,
    faults: Sequence[Fault] = (),
) -> tuple[Cells, SimulatedPlayers]:
    """Draw one season of `players` players over `programs` programs as cells.

    Parameters
    ----------
    truth : TransferTruth
        What is true.
    players : int
        Players in all programs together, spread evenly.
    seed : int
        Seed; equal seeds give equal cells.
    programs : int
        Number of programs.
    faults : sequence of Fault
        Ways in which the records break the model's assumptions, applied in order.

    Returns
    -------
    cells : Cells
    players : SimulatedPlayers

    Raises
    ------
    ArgumentError
        When there are fewer players than programs.
    """
    if not 1 <= programs <= players:
        raise ArgumentError(
            f"programs={programs!r} with players={players!r}",
            rule="at least one program and at least one player in each",
            next_step="pass programs=1 for a single team",
        )
    rng = np.random.default_rng(seed)
    size = len(truth.settings) + 1
    program = np.arange(players) * programs // players
    effect = truth.program_sd * rng.standard_normal((programs, size))
    scores = rng.standard_normal((players, size))
    for fault in faults:
        scores = fault.scores(scores, rng)
    factor = np.linalg.cholesky(np.asarray(truth.omega, dtype=float))
    theta = np.asarray(truth.mu) + effect[program] + np.asarray(truth.tau) * (scores @ factor.T)
    rows = Rows.one_per_cell(_attempts(truth, players, rng), theta, (*truth.modes, GAME))
    for fault in faults:
        rows = fault.rates(rows, rng)
    rows = rows.with_makes(rng.binomial(rows.n, expit(rows.eta)))
    for fault in faults:
        rows = fault.labels(rows, rng)
    teams = tuple(f"T{g + 1:0{len(str(programs)) + 1}d}" for g in program.tolist())
    codes = tuple(f"P{p + 1:0{len(str(players)) + 1}d}" for p in range(players))
    cells = _cells(truth, rows, teams, codes)
    return cells, SimulatedPlayers(cells.units, teams, theta, effect)


def r_squared(omega: np.ndarray, columns: Sequence[int]) -> float:
    """Share of the variance of true game rates that the true rates of some settings tell.

    Parameters
    ----------
    omega : array, shape (K + 1, K + 1)
        Correlations, games last.
    columns : sequence of int
        Positions of the practice settings; none gives 0.
    """
    index = np.asarray(columns, dtype=int)
    if index.size == 0:
        return 0.0
    matrix = np.asarray(omega, dtype=float)
    with_game = matrix[index, -1]
    return float(with_game @ np.linalg.solve(matrix[np.ix_(index, index)], with_game))


def true_reading(omega: np.ndarray, modes: Sequence[str]) -> dict[str, float]:
    """True R-squared of live, rep and all practice settings and the live-minus-rep contrast.

    Parameters
    ----------
    omega : array, shape (K + 1, K + 1)
        Correlations, games last.
    modes : sequence of str, length K
        ``rep`` or ``live`` for each practice setting.

    Returns
    -------
    dict
        Keys ``r2_live``, ``r2_rep``, ``r2_all``, ``contrast`` (R-squared), ``rho_contrast``
        (correlation of the best composite of each).
    """
    live = r_squared(omega, [k for k, mode in enumerate(modes) if mode == "live"])
    rep = r_squared(omega, [k for k, mode in enumerate(modes) if mode == "rep"])
    return {
        "r2_live": live,
        "r2_rep": rep,
        "r2_all": r_squared(omega, range(len(modes))),
        "contrast": live - rep,
        "rho_contrast": float(np.sqrt(live) - np.sqrt(rep)),
    }


def omega_with_contrast(
    modes: Sequence[str],
    contrast: float,
    middle: float = 0.40,
    within: float = 0.85,
    across: float = 0.70,
) -> np.ndarray:
    """Correlations with a wanted difference ``R2_live - R2_rep``.

    Parameters
    ----------
    modes : sequence of str, length K
        ``rep`` or ``live`` for each practice setting, both present.
    contrast : float
        Wanted ``R2_live - R2_rep``.
    middle : float
        Mean of the two R-squared.
    within, across : float
        Correlation between settings of one mode and of different modes.

    Returns
    -------
    array, shape (K + 1, K + 1)
        With equal correlations inside a mode, ``R2 = m rho^2 / (1 + (m - 1) within)`` for m
        settings; rho is solved from it.

    Raises
    ------
    ArgumentError
        When a mode is missing.
    InfeasibleError
        When no correlation matrix has these values.
    """
    labels = np.asarray(list(modes))
    counts = {mode: int(np.sum(labels == mode)) for mode in ("rep", "live")}
    if 0 in counts.values() or sum(counts.values()) != len(labels):
        raise ArgumentError(
            f"modes={tuple(modes)!r}",
            rule="every setting is rep or live, and both occur",
            next_step="name at least one rep and one live setting",
        )
    size = len(labels) + 1
    omega = np.where(labels[:, None] == labels[None, :], within, across)
    omega = np.pad(omega.astype(float), ((0, 1), (0, 1)))
    for mode, sign in (("rep", -1.0), ("live", 1.0)):
        wanted = middle + sign * contrast / 2.0
        if not 0.0 <= wanted < 1.0:
            raise _infeasible(contrast, middle, within, across)
        rho = np.sqrt(wanted * (1.0 + (counts[mode] - 1) * within) / counts[mode])
        omega[:-1, -1] = np.where(labels == mode, rho, omega[:-1, -1])
    omega[-1, :] = omega[:, -1]
    np.fill_diagonal(omega, 1.0)
    try:
        _require_correlation(omega, size)
    except ArgumentError as error:
        raise _infeasible(contrast, middle, within, across) from error
    return omega


def operating_truth(contrast: float = 0.0, game_attempts: int = 69) -> TransferTruth:
    """Return the scenario of the operating table: two rep and two live settings.

    Parameters
    ----------
    contrast : float
        True ``R2_live - R2_rep`` (0 for no difference, .30 in the published table).
    game_attempts : int
        Game attempts per player and season.

    Returns
    -------
    TransferTruth
        True game spread .25 logit and 3,900 practice attempts a player: scenario assumptions.
    """
    return TransferTruth(
        settings=FOUR_SETTINGS,
        mu=(0.45, 0.20, -0.15, -0.35, -0.40),
        tau=(0.40, 0.40, 0.35, 0.35, 0.25),
        omega=omega_with_contrast(FOUR_MODES, contrast),
        attempts=(1500, 1500, 450, 450, game_attempts),
    )


def _attempts(truth: TransferTruth, players: int, rng: np.random.Generator) -> np.ndarray:
    """Attempts per player and setting, shape (P, K + 1)."""
    mean = np.broadcast_to(np.asarray(truth.attempts, dtype=float), (players, len(truth.mu)))
    if truth.attempts_spread == 0.0:
        return mean.astype(np.int64)
    form = 1.0 / truth.attempts_spread**2
    return rng.poisson(mean * rng.gamma(form, 1.0 / form, (players, 1)))


def _cells(
    truth: TransferTruth, rows: Rows, programs: tuple[str, ...], players: tuple[str, ...]
) -> Cells:
    units = tuple(f"{g}/{p}/S1" for g, p in zip(programs, players, strict=True))
    names = (*truth.settings, GAME)
    modes = (*truth.modes, GAME)
    per_minute = {"rep": truth.per_minute[0], "live": truth.per_minute[1], GAME: np.nan}
    keys = ["p", "k", "defender"] if rows.named_defenders else ["p", "k"]
    frame = pd.DataFrame(
        {"p": rows.player, "k": rows.setting, "defender": rows.defender, "n": rows.n, "y": rows.y}
    )
    frame = frame.groupby(keys, as_index=False)[["n", "y"]].sum()
    frame = frame[frame["n"] > 0].reset_index(drop=True)
    table = pd.DataFrame(
        {
            "unit": [units[p] for p in frame["p"]],
            "player": [players[p] for p in frame["p"]],
            "program": [programs[p] for p in frame["p"]],
            "season": "S1",
            "setting": [names[k] for k in frame["k"]],
            "mode": [modes[k] for k in frame["k"]],
            "n": frame["n"].astype("int64"),
            "y": frame["y"].astype("int64"),
        }
    )
    table["minutes"] = table["n"] / table["mode"].map(per_minute).astype(float)
    if rows.named_defenders:
        table["defender"] = ["" if d < 0 else f"D{d + 1:02d}" for d in frame["defender"]]
    return Cells(table, truth.settings, units, hash_frames(cells=table))


def _require_correlation(omega: np.ndarray, size: int) -> None:
    fits = omega.shape == (size, size) and np.allclose(omega, omega.T)
    fits = fits and np.allclose(np.diag(omega), 1.0)
    if not fits or np.linalg.eigvalsh(omega)[0] <= 1e-10:
        raise ArgumentError(
            f"omega of shape {omega.shape} is not a correlation matrix of {size} rates",
            rule="symmetric, ones on the diagonal, positive definite, games last",
            next_step="lower the correlations until they can hold together",
        )


def _infeasible(contrast: float, middle: float, within: float, across: float) -> InfeasibleError:
    return InfeasibleError(
        f"no correlation matrix has contrast={contrast!r} with middle={middle!r}, "
        f"within={within!r}, across={across!r}",
        rule="both R-squared between 0 and 1, and the matrix positive definite",
        next_step="lower the contrast or the correlation across modes",
    )
