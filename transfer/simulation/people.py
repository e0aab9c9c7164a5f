"""Invented players of the demo data: codes, positions, true levels, lots and volumes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from transfer.simulation.plans import DemoPlan

__all__ = ["People", "draw_arms", "draw_people"]

_POSITIONS = ("guard", "guard", "wing", "big", "guard", "wing", "big")


@dataclass(frozen=True)
class People:
    """Players of a demo study, arrays over players.

    Parameters
    ----------
    code, position, hand : array of str, shape (P,)
    program : array of int, shape (P,)
        Index into the plan's programs.
    theta : array, shape (P, K + 1)
        True logit rate per setting at a typical week of both kinds, program included.
    defence : array, shape (P,)
        What a live shooter's logit gains against this defender.
    pace : array, shape (2, P)
        Attempts per minute, rep and live.
    volume, playing_minutes : array, shape (P,)
        Mean attempts and minutes per game played.
    free_throw : array, shape (P,)
        True logit rate of free throws.
    """

    code: np.ndarray
    position: np.ndarray
    hand: np.ndarray
    program: np.ndarray
    theta: np.ndarray
    defence: np.ndarray
    pace: np.ndarray
    volume: np.ndarray
    playing_minutes: np.ndarray
    free_throw: np.ndarray

    def roster(self, plan: DemoPlan) -> pd.DataFrame:
        """Return the roster table."""
        return pd.DataFrame(
            {
                "player": self.code,
                "position": self.position,
                "hand": self.hand,
                "program": np.asarray(plan.programs)[self.program],
                "season": plan.season,
            }
        )


def draw_people(plan: DemoPlan, rng: np.random.Generator) -> People:
    """Draw the players of a plan.

    Parameters
    ----------
    plan : DemoPlan
    rng : Generator
    """
    effects = plan.effects
    program = np.repeat(np.arange(len(plan.programs)), plan.players)
    number = np.tile(np.arange(plan.players), len(plan.programs))
    scores = rng.standard_normal((plan.size, len(effects.tau)))
    if plan.exact_spread:
        scores = _whitened(scores)
    deviation = scores @ np.linalg.cholesky(effects.omega).T * np.asarray(effects.tau)
    of_program = effects.program_sd * rng.standard_normal((len(plan.programs), len(effects.tau)))
    form = 1.0 / plan.attempts_spread**2
    share = rng.gamma(form, 1.0 / form, plan.size)
    return People(
        code=np.asarray(
            [f"{plan.programs[g]}-{i + 1:02d}" for g, i in zip(program, number, strict=True)]
        ),
        position=np.asarray(_POSITIONS)[number % len(_POSITIONS)],
        hand=np.where(rng.random(plan.size) < 0.12, "left", "right"),
        program=program,
        theta=effects.mu + of_program[program] + deviation,
        defence=effects.defender_sd * rng.standard_normal(plan.size),
        # Attempts per minute are judgement, no source: 4-6 on-air with a rebounder, .5-1.5 live.
        pace=np.stack(
            [
                4.3 * np.exp(0.10 * rng.standard_normal(plan.size)),
                1.0 * np.exp(0.15 * rng.standard_normal(plan.size)),
            ]
        ),
        volume=plan.attempts_per_game * share,
        playing_minutes=(20.0 * np.sqrt(share)).clip(4.0, 36.0),
        # Free throws: mean .75, talent sd .085 (published figures), on the logit scale .45.
        free_throw=np.log(3.0) + 0.45 * rng.standard_normal(plan.size),
    )


def draw_arms(plan: DemoPlan, people: People, rng: np.random.Generator) -> np.ndarray:
    """Put players by lot into the half that starts live-heavy, within program and position.

    Parameters
    ----------
    plan : DemoPlan
    people : People
    rng : Generator

    Returns
    -------
    array of int, shape (P, T)
        1 live-heavy, -1 rep-heavy; all 0 when the plan assigns nobody.
    """
    if plan.swap_after is None:
        return np.zeros((plan.size, plan.weeks), dtype=np.int64)
    first = np.zeros(plan.size, dtype=np.int64)
    spare = 1
    for g in range(len(plan.programs)):
        for position in dict.fromkeys(_POSITIONS):
            members = np.flatnonzero((people.program == g) & (people.position == position))
            sides = np.resize([spare, -spare], len(members))
            first[members] = rng.permutation(sides)
            # An odd group's extra player starts on the other side next time.
            spare = -spare if len(members) % 2 else spare
    half = np.where(np.arange(plan.weeks) < plan.swap_after, 1, -1)
    return np.asarray(first[:, None] * half[None, :])


def _whitened(scores: np.ndarray) -> np.ndarray:
    """Scores with sample mean 0 and sample covariance the identity."""
    centred = scores - scores.mean(axis=0)
    factor = np.linalg.cholesky(np.cov(centred.T))
    return np.asarray(np.linalg.solve(factor, centred.T).T)
