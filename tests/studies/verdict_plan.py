"""Which seasons are invented to learn what live against rep can be told from, and their counts.

Players come in programs of 14; correlations are those of a player's mean rep and live rates over
the settings of a mode. Needs NumPy alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np

#: True spreads (logit) and make rates of games, rep and live: game spread between the .14 of a
#: public professional shot log and .25, practice near free throws (public college tables); rates
#: invented.
TAU = {"game": 0.20, "rep": 0.375, "live": 0.375}
RATE = {"game": 0.40, "rep": 0.50, "live": 0.50}
#: True rep-live correlation, correlation of two settings of a mode, spread of programs, players of
#: a program, steps of make rates inside a mode (logit): scenario assumptions.
BETWEEN, WITHIN, PROGRAM_SD, SQUAD, STEPS = 0.60, 0.85, 0.10, 14, 0.4

#: The designs of the table of what a design can tell.
PLAYERS = (14, 42, 84, 168)
PRACTICE = (30, 3000)
GAME = (20, 69, 400)
CONTRAST = 0.30
#: rho_rep^2 + .30 = rho_live^2.
RHO = (0.45, float(np.sqrt(0.45**2 + CONTRAST)))
RHO_NONE = (0.60, 0.60)

#: The operating table: settings of rep and live without a difference, and pairs that differ.
SPLITS = ((1, 1), (2, 2), (1, 4), (4, 1))
PAIRS = ((0.26, 0.82), (0.75, 0.30), (0.40, 0.70))
OPERATING_PRACTICE, OPERATING_GAME = (3000, 900), 69

#: Seasons a cell that are planned, and those of a round.
PLANNED, ROUND = 100, 10


@dataclass(frozen=True)
class Season:
    """What is invented: its key in the log, and its truth."""

    cell: str
    index: int
    seed: int
    players: int
    practice: tuple[int, int]
    game: int
    rho: tuple[float, float]
    settings: tuple[int, int] = (1, 1)

    @property
    def contrast(self) -> float:
        """True R2 live minus R2 rep."""
        return self.rho[1] ** 2 - self.rho[0] ** 2


def design_seasons() -> list[Season]:
    """Seasons of the table of designs, `PLANNED` a cell; the true side alternates."""
    found = []
    for number, (players, practice, game) in enumerate(product(PLAYERS, PRACTICE, GAME)):
        for none, index in product((False, True), range(PLANNED)):
            rho = RHO_NONE if none else RHO if index % 2 == 0 else RHO[::-1]
            seed = 1_000_000 + 10_000 * (2 * number + none) + index
            cell = f"{players},{practice},{game},{'none' if none else 'true'}"
            found.append(Season(cell, index, seed, players, (practice, practice), game, rho))
    return found


def operating_seasons() -> list[Season]:
    """Seasons of the operating table, `PLANNED` a cell."""
    truths = [(RHO_NONE, split) for split in SPLITS] + [(pair, (1, 1)) for pair in PAIRS]
    found = []
    for number, (players, (rho, split)) in enumerate(product(PLAYERS, truths)):
        name = f"{split[0]}+{split[1]}" if rho == RHO_NONE else f"{rho[0]:.2f}/{rho[1]:.2f}"
        for index in range(PLANNED):
            seed = 3_000_000 + 10_000 * number + index
            found.append(
                Season(
                    f"{players},{name}", index, seed, players, OPERATING_PRACTICE,
                    OPERATING_GAME, rho, split,
                )
            )  # fmt: skip
    return found


def in_order() -> Iterator[Season]:
    """All seasons, in rounds so that cells grow alike: one setting a mode first, designs last."""
    operating = operating_seasons()
    kinds = (
        [season for season in operating if season.settings == (1, 1)],
        [season for season in operating if season.settings != (1, 1)],
        design_seasons(),
    )
    for start in range(0, PLANNED, ROUND):
        for kind in kinds:
            yield from (season for season in kind if start <= season.index < start + ROUND)


def correlations(rho: tuple[float, float], settings: tuple[int, int]) -> np.ndarray:
    """Correlations of all settings, games last, whose means by mode have those of `rho`."""
    mode = np.repeat([0, 1], settings)
    # Variance of the mean of m settings that correlate by WITHIN.
    shared = (1 + (np.array(settings) - 1) * WITHIN) / np.array(settings)
    across = BETWEEN * np.sqrt(shared[0] * shared[1])
    omega = np.where(mode[:, None] == mode[None, :], WITHIN, across)
    omega = np.pad(omega, ((0, 1), (0, 1)))
    omega[:-1, -1] = omega[-1, :-1] = (np.array(rho) * np.sqrt(shared))[mode]
    np.fill_diagonal(omega, 1.0)
    return omega


def truths(season: Season) -> dict[str, list]:
    """Names, means, spreads and attempts of the settings, games last."""
    names, mu, tau, attempts = [], [], [], []
    for mode, count, practice in zip(
        ("rep", "live"), season.settings, season.practice, strict=True
    ):
        steps = STEPS * (np.arange(count) / max(count - 1, 1) - 0.5) if count > 1 else [0.0]
        for k in range(count):
            names.append(f"{mode}/{k + 1}")
            mu.append(float(np.log(RATE[mode] / (1 - RATE[mode])) + steps[k]))
            tau.append(TAU[mode])
            attempts.append(practice // count)
    mu.append(float(np.log(RATE["game"] / (1 - RATE["game"]))))
    return {
        "names": names, "mu": mu, "tau": [*tau, TAU["game"]], "attempts": [*attempts, season.game],
    }  # fmt: skip


def counts(season: Season) -> tuple[np.ndarray, np.ndarray]:
    """Attempts (K + 1,) and makes (P, K + 1) as `transfer.simulation.seasons` draws them."""
    true, programs = truths(season), max(season.players // SQUAD, 1)
    rng = np.random.default_rng(season.seed)
    size = len(true["mu"])
    effect = PROGRAM_SD * rng.standard_normal((programs, size))
    scores = rng.standard_normal((season.players, size))
    factor = np.linalg.cholesky(correlations(season.rho, season.settings))
    program = np.arange(season.players) * programs // season.players
    theta = np.array(true["mu"]) + effect[program] + np.array(true["tau"]) * (scores @ factor.T)
    attempts = np.array(true["attempts"])
    return attempts, rng.binomial(attempts, 1 / (1 + np.exp(-theta)))
