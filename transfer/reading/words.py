"""Words of a reading: plain sentences by the verdict rule, and the next step worth taking.

The words speak of what a practice number tells about games. They never say that practice did
something to game shooting: a reading compares players, whoever chose the mix.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import expit

from transfer.models.posterior import TransferPosterior
from transfer.reading.design import Design, attempts_of_people, most_players, players_for
from transfer.results import Interval
from transfer.verdict import Verdict

__all__ = [
    "NextStep",
    "ReadingFacts",
    "counted_people",
    "next_step",
    "write_reading",
]

#: Below this reliability of a player's practice rate, more attempts come first (judgement).
_LOW_RELIABILITY = 0.5
_AIM_RELIABILITY = 0.7
#: The step aims at this share of seasons with a true difference that would lean (judgement).
_AIM_SEASONS = 0.8
#: From this chance of practical equality on, "ahead" is qualified (judgement).
_MAY_BE_SMALL = 0.10


@dataclass(frozen=True)
class NextStep:
    """What would change the answer most.

    Parameters
    ----------
    action : {"chart_mode", "more_attempts", "more_players", "repeat"}
        Kind of step.
    text : str
        The sentence.
    setting : str or None
        Mode or setting concerned.
    amount : int or None
        Attempts a player, or further players.
    """

    action: str
    text: str
    setting: str | None = None
    amount: int | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "action": self.action,
            "setting": self.setting,
            "amount": self.amount,
            "text": self.text,
        }


@dataclass(frozen=True)
class ReadingFacts:
    """The figures that the words need.

    Parameters
    ----------
    verdict : Verdict or None
        Verdict on live minus rep; ``None`` where one mode is missing.
    leads : {"live", "rep"} or None
        Side with the larger posterior probability, whatever the verdict.
    design : Design or None
        What seasons of this size can tell; ``None`` where one mode is missing.
    contrast_kind : {"r2", "rho"}
        Unit of the contrast.
    r2_all_mean : float
        Posterior mean of R2 of all practice settings together.
    r2_all_prior_mean : float
        Its mean before the records.
    r2_all : Interval
        Its interval.
    modes : tuple of str
        Modes of the fitted settings.
    attempts : mapping
        Attempts used: ``rep``, ``live``, ``game``.
    players, player_seasons : int
        Players used, and their seasons.
    step : NextStep
    assigned : bool
        Whether the practice mix was assigned by lot.
    """

    verdict: Verdict | None
    leads: str | None
    design: Design | None
    contrast_kind: str
    r2_all_mean: float
    r2_all_prior_mean: float
    r2_all: Interval
    modes: tuple[str, ...]
    attempts: Mapping[str, int]
    players: int
    player_seasons: int
    step: NextStep
    assigned: bool = False


def next_step(fit: TransferPosterior, verdict: Verdict | None, design: Design | None) -> NextStep:
    """Choose the step that would change the answer most.

    A missing mode comes first, then a mode whose rates are mostly noise, then more players; a
    settled answer is to be repeated.

    Parameters
    ----------
    fit : TransferPosterior
        With one setting a mode.
    verdict : Verdict or None
    design : Design or None
        What seasons of this size can tell; ``None`` where one mode is missing.
    """
    for mode in ("live", "rep"):
        if mode not in fit.modes:
            return NextStep(
                "chart_mode",
                f"Chart {mode} shooting as well: who shot, how many attempts and how many makes. "
                "Until then live cannot be set against rep.",
                setting=mode,
            )
    if verdict is None or design is None or verdict.verdict in ("ahead", "practically_equal"):
        return NextStep(
            "repeat",
            "Chart the same settings in the same way next season and see whether the answer holds.",
        )
    thin = _thin_mode(fit)
    if thin is not None:
        return thin
    return _more_players(design)


def _thin_mode(fit: TransferPosterior) -> NextStep | None:
    """Return the step for the least reliable practice mode, if one is mostly noise."""
    worst: tuple[float, str, int, int] | None = None
    attempts = attempts_of_people(fit)
    for mode in ("live", "rep"):
        k = fit.index(mode)
        rate = expit(fit.population.mu[:, k])
        information = fit.population.tau[:, k] ** 2 * rate * (1 - rate)
        typical = float(np.median(attempts[mode]))
        reliability = float(np.mean(information * typical / (1 + information * typical)))
        aim = _AIM_RELIABILITY / (1 - _AIM_RELIABILITY) / float(np.median(information))
        if reliability < _LOW_RELIABILITY and (worst is None or reliability < worst[0]):
            worst = (reliability, mode, int(typical), math.ceil(aim / 10) * 10)
    if worst is None:
        return None
    reliability, mode, typical_n, amount = worst
    return NextStep(
        "more_attempts",
        f"Chart more {mode} attempts first: a typical player has {typical_n}, and only "
        f"{100 * reliability:.0f}% of the spread of those make rates is real difference between "
        f"players. About {amount} a player would bring that to {100 * _AIM_RELIABILITY:.0f}%.",
        setting=mode,
        amount=amount,
    )


def _more_players(design: Design) -> NextStep:
    """Return how many further players the simulated seasons ask for."""
    needed = players_for(_AIM_SEASONS, design)
    if needed is None:
        return NextStep(
            "repeat",
            f"More of the same will not settle it soon: even {most_players()} players, the "
            "largest number simulated, would show a difference of 30 points of 100 in fewer "
            f"than {100 * _AIM_SEASONS:.0f} of 100 invented seasons. Chart more games or pool with "
            "other programs.",
        )
    amount = math.ceil((needed - design.players) / 5) * 5
    if amount == 0:
        return NextStep(
            "repeat",
            "These records would show a difference of 30 points of 100 in most seasons, so more of "
            "the same would change little; keep charting and repeat the reading next season.",
        )
    return NextStep(
        "more_players",
        f"Add players: about {amount} more like these, with the same attempts a player, "
        f"would show a difference of 30 points of 100 in {100 * _AIM_SEASONS:.0f} of 100 invented "
        "seasons (own simulation). Pool with other programs.",
        amount=amount,
    )


def _points(value: float) -> str:
    """Write a share as whole points; no minus sign on zero."""
    rounded = round(100 * value)
    return f"{rounded:d}"


def _chance(probability: float) -> str:
    """Write a chance in whole percent; never 0% or 100%."""
    if probability > 0.99:
        return "over 99%"
    if probability < 0.01:
        return "under 1%"
    return f"{100 * probability:.0f}%"


def _unit(kind: str) -> str:
    return "points of R²" if kind == "r2" else "hundredths of correlation"


def _meaning(kind: str) -> str:
    """Explain the unit in plain words."""
    share = (
        "R² is the share of the differences between players' true game shooting that their true "
        "practice rates account for"
    )
    if kind == "r2":
        return f"({share}: 100 points would be all of it.)"
    return (
        "(The correlation runs from 0, practice rates tell nothing about games, to 100 hundredths, "
        f"they tell everything; its square is R². {share}.)"
    )


def _estimate(verdict: Verdict, kind: str) -> str:
    """Estimate and interval with kind and probability; live minus rep."""
    low, high = verdict.interval.low, verdict.interval.high
    return (
        f"live minus rep is {_points(verdict.mean)} {_unit(kind)}, "
        f"{100 * verdict.interval.prob:.0f}% equal-tailed interval {_points(low)} to "
        f"{_points(high)}"
    )


def odds_factor(factor: float) -> str:
    """Write a factor of odds; beyond 100 a number of draws cannot tell it."""
    return "over 100" if factor > 100 else f"{factor:.1f}" if factor < 10 else f"{factor:.0f}"


def _chances(verdict: Verdict, leads: str | None) -> str:
    """Posterior beside prior probability; the side is named unless the records moved away."""
    other = "rep" if leads == "live" else "live"
    before = _chance(verdict.prior_probability)
    if verdict.moved == other:
        return (
            f"The larger of the two chances is {_chance(verdict.probability)}; before these "
            f"records it was {before}. These records made that side less likely "
            f"(Bayes factor {verdict.bayes_factor:.2f}), so it is not named."
        )
    return (
        f"The chance that {leads} numbers tell more than {other} numbers is "
        f"{_chance(verdict.probability)}; before these records it was {before}. The "
        f"records moved the odds by a factor of {odds_factor(verdict.bayes_factor)} (Bayes factor)."
    )


def _luck(design: Design) -> str:
    """How far luck alone moves the odds."""
    return (
        "How far luck goes: of invented seasons of this size without any difference, one in five "
        f"moves the odds by a factor of {odds_factor(design.luck_odds)} or more."
    )


def _headline(verdict: Verdict, kind: str, design: Design) -> str:
    """First sentence, by the verdict word."""
    estimate = _estimate(verdict, kind)
    a, b = verdict.favours, "rep" if verdict.favours == "live" else "live"
    if verdict.verdict == "cannot_tell":
        return (
            "These records cannot tell whether live or rep numbers tell more about games. "
            f"In numbers, {estimate}. Of seasons of this size with a true difference of 30 points "
            f"of R² only about {100 * design.leaning:.0f} in 100 would lean (own simulation). This "
            "is not evidence that they tell equally much."
        )
    if verdict.verdict == "leaning":
        return (
            f"A lean towards {a} numbers telling more about games than {b} numbers, no more than "
            f"that: {estimate}. All of these differences fit the records; do not change the plan "
            "on this alone."
        )
    in_rope = (
        f"The chance that the difference lies between {_points(verdict.rope[0])} and "
        f"{_points(verdict.rope[1])}, the limits of practical equality set in advance, is "
        f"{_chance(verdict.probability_in_rope)}."
    )
    if verdict.verdict == "ahead":
        sentence = (
            f"{str(a).capitalize()} numbers tell more about games than {b} numbers: {estimate}."
        )
        small = verdict.probability_in_rope >= _MAY_BE_SMALL
        return f"{sentence} It may be too small to matter. {in_rope}" if small else sentence
    if verdict.verdict == "practically_equal":
        return (
            f"Live and rep numbers tell practically equally much about games: {estimate}. {in_rope}"
        )
    return f"Whether live or rep numbers tell more about games is still open: {estimate}."


def _one_mode(facts: ReadingFacts) -> str:
    """First sentence where only one mode was charted."""
    charted = "rep" if "rep" in facts.modes else "live"
    missing = "live" if charted == "rep" else "rep"
    return (
        f"Only {charted} shooting was charted, so live cannot be set against rep: no {missing} "
        "attempts are in these records."
    )


def _share(facts: ReadingFacts) -> str:
    """What all practice accounts for, beside what was assumed before the records."""
    low, high = _points(facts.r2_all.low), _points(facts.r2_all.high)
    return (
        "All charted practice together accounts for about "
        f"{_points(facts.r2_all_mean)}% of the differences between players' true game shooting "
        f"({100 * facts.r2_all.prob:.0f}% equal-tailed interval {low}% to {high}%); before these "
        f"records it was {_points(facts.r2_all_prior_mean)}%."
    )


def counted_people(players: int, player_seasons: int) -> str:
    """Write players, with their player-seasons where some have more than one."""
    if player_seasons == players:
        return f"{players} players"
    return f"{players} players in {player_seasons} player-seasons"


def write_reading(facts: ReadingFacts) -> str:
    """Write the reading in plain sentences.

    Parameters
    ----------
    facts : ReadingFacts

    Returns
    -------
    str
        One paragraph; every figure carries its unit, intervals their kind and probability.
    """
    verdict = facts.verdict
    parts = []
    if verdict is None or facts.design is None:
        parts.append(_one_mode(facts))
    else:
        parts += [
            _headline(verdict, facts.contrast_kind, facts.design),
            _meaning(facts.contrast_kind),
        ]
        parts.append(_chances(verdict, facts.leads))
        if verdict.verdict in ("cannot_tell", "unclear"):
            parts.append(_luck(facts.design))
    if verdict is None or verdict.verdict != "cannot_tell":
        parts.append(_share(facts))
    practice = [
        f"{facts.attempts[mode]:,} {mode}" for mode in ("rep", "live") if mode in facts.modes
    ]
    parts.append(
        f"Used: {' and '.join(practice)} practice attempts and {facts.attempts['game']:,} game "
        f"attempts of {counted_people(facts.players, facts.player_seasons)}."
    )
    mix = (
        "The practice mix was assigned by lot, but this reading still"
        if facts.assigned
        else "The practice mix was chosen, not assigned by lot, and this"
    )
    parts.append(
        f"{mix} compares players with each other: it says what a practice number tells about "
        "games, not what a drill does to a player."
    )
    parts.append(f"Next: {facts.step.text}")
    return " ".join(parts)
