"""A season in which live work went to the hot players, and what three analyses make of it.

An invented example for the user guide: the truth is that live and rep work do the same, and the
staff gives live work to whoever is shooting well. ``python tests/studies/hot_form.py``
prints the figures that the guide quotes.
"""

from __future__ import annotations

from dataclasses import dataclass

from transfer.models.growth_data import growth_data_from_season
from transfer.models.growth_laplace import fit_growth_laplace
from transfer.models.growth_settings import GrowthSettings
from transfer.rates.exposure import exposure
from transfer.simulation.growth import (
    Confounding,
    GrowthSeason,
    GrowthTruth,
    simulate_growth,
    without_difference,
)
from transfer.simulation.schedules import Crossover, Observational
from transfer.trial.plan import DEFAULT_ROPE_POINTS
from transfer.trial.readings import TrialReading, read_contrast
from transfer.trial.wording import CHOSEN_MIX, chance, headline

__all__ = ["HotFormExample", "hot_form_example"]

SEED = 20261125
PROGRAMS = 12
#: Sd of a player's weekly form and how strongly the staff follows it, logits (scenario, no source).
FORM_SD, FORM_PUSH = 0.25, 1.0


@dataclass(frozen=True)
class HotFormExample:
    """Three answers to one question whose true answer is "no difference".

    Parameters
    ----------
    naive : float
        Game make rate after weeks with mostly live work minus after weeks with mostly rep work,
        all attempts pooled, points.
    chosen : TrialReading
        Growth model on the chosen mix.
    assigned : TrialReading
        Growth model on the same kind of players when a lot gave the mix.
    attempts : (int, int)
        Game attempts of the chosen and of the assigned season.
    seed : int
    """

    naive: float
    chosen: TrialReading
    assigned: TrialReading
    attempts: tuple[int, int]
    seed: int

    @property
    def text(self) -> str:
        """The example as a table in Markdown, every figure from this run."""
        rows = [
            ("Pooled make rates: after mostly live minus after mostly rep weeks",
             f"{self.naive:+.1f} points", "read as proof by anyone who stops here"),
            ("Growth model, mix chosen by the staff", _range(self.chosen), _said(self.chosen)),
            ("Growth model, mix given by lot", _range(self.assigned), _said(self.assigned)),
        ]  # fmt: skip
        lines = ["| analysis | live-heavy minus rep-heavy | what is said |", "|---|---|---|"]
        lines += [f"| {' | '.join(row)} |" for row in rows]
        lines.append("")
        lines.append(
            f"True difference: 0 points. {PROGRAMS} programs of 14 players, 26 weeks, "
            f"{self.attempts[0]} and {self.attempts[1]} game attempts, seed {self.seed}. "
            "Intervals: 90% equal-tailed, points of game make rate after 8 weeks of an 80/20 mix."
        )
        return "\n".join(lines)


def hot_form_example(seed: int = SEED) -> HotFormExample:
    """Invent both seasons and analyse them.

    Parameters
    ----------
    seed : int

    Returns
    -------
    HotFormExample
    """
    truth = without_difference(GrowthTruth(teams=PROGRAMS, form_sd=FORM_SD, form_memory=0.8))
    pull = Confounding(form=FORM_PUSH)
    chosen = simulate_growth(truth, Observational(week_noise=0.5), seed, pull)
    assigned = simulate_growth(truth, Crossover(13, 0.80), seed, pull)
    return HotFormExample(
        naive=naive_difference(chosen),
        chosen=_read(chosen, "chosen mix", by_lot=False, seed=seed),
        assigned=_read(assigned, "as assigned", by_lot=True, seed=seed),
        attempts=(int(chosen.attempts[0].sum()), int(assigned.attempts[0].sum())),
        seed=seed,
    )


def naive_difference(season: GrowthSeason) -> float:
    """Pooled game make rate after mostly live weeks minus after mostly rep weeks, points.

    Parameters
    ----------
    season : GrowthSeason

    Returns
    -------
    float
    """
    before = exposure(season.minutes, season.start, 1.0)
    live = before[1] > before[0]
    n, y = season.attempts[0], season.makes[0]
    return float(100.0 * (y[live].sum() / n[live].sum() - y[~live].sum() / n[~live].sum()))


def _read(season: GrowthSeason, label: str, *, by_lot: bool, seed: int) -> TrialReading:
    return read_contrast(
        growth_data_from_season(season),
        label,
        fit=fit_growth_laplace,
        settings=GrowthSettings(),
        rope=DEFAULT_ROPE_POINTS,
        by_lot=by_lot,
        contrast=0.80,
        minutes=season.truth.minutes,
        seed=seed,
    )


def _range(reading: TrialReading) -> str:
    interval = reading.verdict.interval
    side = f"chance {chance(reading.verdict.probability)}"
    return f"{interval.low:+.1f} to {interval.high:+.1f} points, {side}"


def _said(reading: TrialReading) -> str:
    return f"*{reading.verdict.verdict.replace('_', ' ')}*: {headline(reading, CHOSEN_MIX)}"


if __name__ == "__main__":
    print(hot_form_example().text)
