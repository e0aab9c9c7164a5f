"""Ways in which real records break the transfer model, one small piece each.

A fault may act at three points: on the players' standard scores, on the rates of the attempts,
and on the labels after the shots are taken. Pieces compose: pass several to `simulate_cells`.
Their sizes are the user's; the defaults are judgement with no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit, logit

from transfer.errors import ArgumentError

__all__ = [
    "ContestMislabelling",
    "DefenderEffects",
    "Fault",
    "HeavyTails",
    "Overdispersion",
    "Rows",
]


@dataclass(frozen=True)
class Rows:
    """Groups of attempts with one true rate each, on the way to cells.

    Parameters
    ----------
    player, setting, n, y, defender : array of int, shape (R,)
        Index of player and setting, attempts, makes (0 until shot), defender (-1: none).
    eta : array, shape (R,)
        True logit rate.
    modes : tuple of str
        Mode of each setting, games last.
    named_defenders : bool
        Whether the records name the defender.
    """

    player: np.ndarray
    setting: np.ndarray
    n: np.ndarray
    eta: np.ndarray
    modes: tuple[str, ...]
    y: np.ndarray
    defender: np.ndarray
    named_defenders: bool = False

    @classmethod
    def one_per_cell(cls, n: np.ndarray, theta: np.ndarray, modes: tuple[str, ...]) -> Rows:
        """Start with one row per player and setting.

        Parameters
        ----------
        n, theta : array, shape (P, S)
            Attempts and true logit rates.
        modes : tuple of str, length S
            Mode of each setting, games last.
        """
        players, settings = n.shape
        size = n.size
        return cls(
            player=np.repeat(np.arange(players), settings),
            setting=np.tile(np.arange(settings), players),
            n=n.ravel().astype(np.int64),
            eta=theta.ravel().astype(float),
            modes=modes,
            y=np.zeros(size, dtype=np.int64),
            defender=np.full(size, -1, dtype=np.int64),
        )

    @property
    def live(self) -> np.ndarray:
        """Whether each row is live practice, shape (R,)."""
        return np.asarray([mode == "live" for mode in self.modes])[self.setting]

    def with_makes(self, y: np.ndarray) -> Rows:
        """Return the rows with their makes."""
        return replace(self, y=y)

    def split(self, parts: np.ndarray, row: np.ndarray) -> Rows:
        """Return one row per part.

        Parameters
        ----------
        parts : array of int, shape (Q,)
            Attempts of each part; parts of one row add up to its attempts.
        row : array of int, shape (Q,)
            Which row each part comes from.
        """
        return replace(
            self,
            player=self.player[row],
            setting=self.setting[row],
            n=parts,
            eta=self.eta[row],
            y=np.zeros(len(parts), dtype=np.int64),
            defender=self.defender[row],
        )


class Fault:
    """Changes nothing; pieces override what they break."""

    def scores(self, scores: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Change the players' standard scores, shape (P, S)."""
        return scores

    def rates(self, rows: Rows, rng: np.random.Generator) -> Rows:
        """Change or split the attempts before they are shot."""
        return rows

    def labels(self, rows: Rows, rng: np.random.Generator) -> Rows:
        """Change the labels after the attempts were shot."""
        return rows


@dataclass(frozen=True)
class HeavyTails(Fault):
    """Player deviations from a multivariate t with unit variance instead of a normal.

    Parameters
    ----------
    degrees : float
        Degrees of freedom, above 2.
    """

    degrees: float = 4.0

    def scores(self, scores: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Stretch every player's scores by one common factor."""
        if not self.degrees > 2.0:
            raise ArgumentError(
                f"degrees={self.degrees!r}",
                rule="a t distribution has a variance only above 2 degrees of freedom",
                next_step="pass e.g. degrees=4",
            )
        chi2 = rng.chisquare(self.degrees, (len(scores), 1))
        return np.asarray(scores * np.sqrt((self.degrees - 2.0) / chi2))


@dataclass(frozen=True)
class Overdispersion(Fault):
    """Practice sessions have good and bad days: beta rates about the player's own rate.

    Parameters
    ----------
    icc : float
        Correlation of two attempts of one session, between 0 and 1.
    session_attempts : int
        Attempts of a player and setting in one session.
    """

    icc: float = 0.02
    session_attempts: int = 25

    def rates(self, rows: Rows, rng: np.random.Generator) -> Rows:
        """Split practice rows into sessions, each with a rate of its own."""
        if not (0.0 < self.icc < 1.0 and self.session_attempts >= 1):
            raise ArgumentError(
                f"icc={self.icc!r}, session_attempts={self.session_attempts!r}",
                rule="0 < icc < 1 and at least one attempt a session",
                next_step="pass e.g. icc=0.02, session_attempts=25",
            )
        practice = np.asarray([mode != "game" for mode in rows.modes])[rows.setting]
        sessions = np.where(practice, -(-rows.n // self.session_attempts), 1).clip(min=1)
        row = np.repeat(np.arange(len(rows.n)), sessions)
        within = np.arange(len(row)) - np.repeat(np.cumsum(sessions) - sessions, sessions)
        parts = rows.n[row] // sessions[row] + (within < rows.n[row] % sessions[row])
        split = rows.split(parts, row)
        rate = expit(split.eta)
        size = (1.0 - self.icc) / self.icc
        drawn = rng.beta(rate * size, (1.0 - rate) * size).clip(1e-9, 1.0 - 1e-9)
        return replace(split, eta=np.where(practice[row], logit(drawn), split.eta))


@dataclass(frozen=True)
class DefenderEffects(Fault):
    """Live attempts are shot against defenders of different quality, met unevenly.

    Parameters
    ----------
    sd : float
        Standard deviation of the defenders' effect, logits.
    defenders : int
        Defenders that everybody meets.
    evenness : float
        Dirichlet concentration: small values let a player meet few defenders.
    named : bool
        Whether the records name the defender.
    """

    sd: float = 0.25
    defenders: int = 8
    evenness: float = 1.0
    named: bool = False

    def rates(self, rows: Rows, rng: np.random.Generator) -> Rows:
        """Split live rows over defenders."""
        effect = self.sd * rng.standard_normal(self.defenders)
        mix = rng.dirichlet(np.full(self.defenders, self.evenness), int(rows.player.max()) + 1)
        live = np.flatnonzero(rows.live)
        shares = rng.multinomial(rows.n[live], mix[rows.player[live]])
        which, defender = np.nonzero(shares)
        rest = np.flatnonzero(~rows.live)
        parts = np.concatenate([rows.n[rest], shares[which, defender]])
        split = rows.split(parts, np.concatenate([rest, live[which]]))
        defender = np.concatenate([np.full(len(rest), -1), defender])
        shift = np.where(defender >= 0, effect[defender], 0.0)
        return replace(split, eta=split.eta + shift, defender=defender, named_defenders=self.named)


@dataclass(frozen=True)
class ContestMislabelling(Fault):
    """A share of practice attempts is charted as another contest of the same mode.

    Parameters
    ----------
    share : float
        Share of the attempts of every setting that is charted as the next setting of its mode.
    """

    share: float = 0.15

    def labels(self, rows: Rows, rng: np.random.Generator) -> Rows:
        """Move a random share of attempts, with their makes, to the next label of the mode."""
        if not 0.0 <= self.share <= 1.0:
            raise ArgumentError(
                f"share={self.share!r}",
                rule="0 <= share <= 1",
                next_step="pass e.g. share=0.15",
            )
        target = _next_of_mode(rows.modes)
        moving = np.where(target[rows.setting] == rows.setting, 0, rng.binomial(rows.n, self.share))
        makes = rng.hypergeometric(rows.y, rows.n - rows.y, moving)
        return replace(
            rows,
            player=np.concatenate([rows.player, rows.player]),
            setting=np.concatenate([rows.setting, target[rows.setting]]),
            n=np.concatenate([rows.n - moving, moving]),
            y=np.concatenate([rows.y - makes, makes]),
            eta=np.concatenate([rows.eta, rows.eta]),
            defender=np.concatenate([rows.defender, rows.defender]),
        )


def _next_of_mode(modes: tuple[str, ...]) -> np.ndarray:
    """For each setting the next one of its mode, round the end; itself when alone."""
    target = np.arange(len(modes))
    for mode in set(modes):
        members = [k for k, own in enumerate(modes) if own == mode]
        target[members] = np.roll(members, -1)
    return target
