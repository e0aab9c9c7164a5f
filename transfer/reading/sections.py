"""The sections of a reading on the analyst's page, one function each."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from transfer.models.estimates import player_estimates
from transfer.models.posterior import TransferPosterior
from transfer.page import blocks, words
from transfer.page.blocks import Block, Cell, Column, Section
from transfer.page.style import setting_label
from transfer.page.suppression import SMALLEST_GROUP
from transfer.reading import figure_conversion as conversion_figure
from transfer.reading import figure_correlations as correlations
from transfer.reading import figure_information as information_figure
from transfer.reading import figure_intervals as intervals
from transfer.reading import figure_practice_game as practice_game
from transfer.reading import figure_shrinkage as shrinkage
from transfer.reading.conversion import Conversion
from transfer.reading.information import Information
from transfer.reading.reading import Reading
from transfer.reading.roles import RoleReading, read_roles
from transfer.reading.words import odds_factor
from transfer.records.cells import GAME
from transfer.records.which_season import LATEST, in_season
from transfer.verdict import (
    BAYES_FACTOR_AHEAD,
    BAYES_FACTOR_LEANING,
    PROBABILITY_AHEAD,
    READING_PROBABILITY_LEANING,
    Verdict,
)

__all__ = [
    "conversion_section",
    "players_section",
    "practice_game_section",
    "settings_section",
    "verdict_rows",
]


def _count(number: int, hide: bool) -> str:
    return "hidden" if hide else f"{number:,}"


def verdict_rows(verdict: Verdict, contrast_kind: str) -> list[tuple[str, str, str]]:
    """Quantity, value and meaning of every figure behind the verdict."""
    unit = "R²" if contrast_kind == "r2" else "correlation"
    interval = verdict.interval
    side = "the likelier side"
    return [
        (
            f"Live minus rep ({unit})",
            f"{words.number(verdict.mean)} ({words.interval(interval.low, interval.high)})",
            f"Posterior mean and {interval.prob:.0%} equal-tailed interval of the difference.",
        ),
        (
            "Chance",
            f"{words.chance(verdict.probability)}, before: "
            f"{words.chance(verdict.prior_probability)}",
            f"Posterior beside prior probability of {side}; ahead needs "
            f"{words.percent(PROBABILITY_AHEAD, 1)}.",
        ),
        (
            "Odds moved by (Bayes factor)",
            odds_factor(verdict.bayes_factor),
            f"Posterior over prior odds of {side}; below 1 the records moved away from it. A lean "
            f"needs {BAYES_FACTOR_LEANING:g} and a chance of {READING_PROBABILITY_LEANING:.0%}, "
            f"ahead {BAYES_FACTOR_AHEAD:g}.",
        ),
        (
            "Practically equal",
            words.chance(verdict.probability_in_rope),
            f"Chance that the difference lies between {words.number(verdict.rope[0])} and "
            f"{words.number(verdict.rope[1])}, the limits stated in advance.",
        ),
    ]


def settings_section(
    reading: Reading, posterior: TransferPosterior, prob: float, shared: bool = False
) -> Section:
    """Transfer correlation of every practice setting, and what the settings explain together."""
    table = reading.table.assign(label=reading.table["setting"].map(setting_label))
    rows = [
        [
            Cell(r["label"]),
            Cell(_count(r["attempts"], shared and r["players"] < SMALLEST_GROUP), right=True),
            Cell(_count(r["players"], shared and r["players"] < SMALLEST_GROUP), right=True),
            Cell(words.number(r["rho_mean"]), right=True),
            Cell(words.interval(r["rho_low"], r["rho_high"]), right=True),
            Cell(words.interval(r["prior_rho_low"], r["prior_rho_high"]), right=True),
        ]
        for r in table.to_dict(orient="records")
    ]
    shares = [
        [
            Cell(r["quantity"]),
            Cell(words.percent(r["mean"]), right=True),
            Cell(words.span(r["low"], r["high"]), right=True),
            Cell(words.span(r["prior_low"], r["prior_high"]), right=True),
        ]
        for r in reading.r2.to_dict(orient="records")
    ]
    level = f"{prob:.0%} equal-tailed interval"
    return Section(
        "settings",
        "What each kind of practice tells about games",
        [
            blocks.text(
                "A transfer correlation says how well players' true rates in one practice setting "
                "line up with their true game rates: 0 is not at all, 1 is perfectly. Luck in the "
                "counts has been taken out, so it is not the correlation of two columns of raw "
                "rates."
            ),
            blocks.figure(
                correlations,
                correlations.frame(posterior, prob),
                "correlations",
                "Line: what the records and the starting assumption say together. Grey: the "
                "starting assumption alone, the same for every setting. Where the two look alike, "
                "the records added little.",
            ),
            blocks.table(
                f"Transfer correlation by setting, {level}",
                [
                    Column("Setting"),
                    Column("Attempts", True),
                    Column("Players", True),
                    Column("Correlation", True),
                    Column("Interval", True),
                    Column("Before the records", True),
                ],
                [blocks.group(rows)],
            ),
            blocks.table(
                "Share of the differences between players' true game rates that practice rates "
                f"account for (R²), {level}",
                [
                    Column("Practice"),
                    Column("Share", True),
                    Column("Interval", True),
                    Column("Before the records", True),
                ],
                [blocks.group(shares)],
            ),
            *_roles(read_roles(posterior, prob)),
        ],
    )


def _roles(roles: RoleReading | None) -> list[Block]:
    """Shares among players of one role beside those over all; nothing without role terms."""
    if roles is None:
        return []
    rows = [
        [
            Cell(r["quantity"]),
            Cell(r["among"]),
            Cell(words.percent(r["mean"]), right=True),
            Cell(words.span(r["low"], r["high"]), right=True),
            Cell(words.span(r["prior_low"], r["prior_high"]), right=True),
        ]
        for r in roles.table.to_dict(orient="records")
    ]
    return [
        blocks.heading("Within roles and over all players"),
        blocks.text(roles.text),
        blocks.table(
            f"Share accounted for (R²), {roles.difference.prob:.0%} equal-tailed interval",
            [
                Column("Practice"),
                Column("Among"),
                Column("Share", True),
                Column("Interval", True),
                Column("Before the records", True),
            ],
            [blocks.group(rows)],
        ),
    ]


def practice_game_section(
    posterior: TransferPosterior,
    information: Information,
    prob: float,
    points: bool = True,
) -> Section:
    """Practice against game with both uncertainties, and what attempts are worth."""
    picture = blocks.figure(
        practice_game,
        practice_game.frame(posterior, prob),
        "practice-game",
        f"One point per player-season: charted makes over attempts with {prob:.0%} Wilson "
        "intervals, not estimates, which would borrow from practice. Black line with grey band: "
        f"the game rate to expect of a player whose true practice rate is known ({prob:.0%} "
        "equal-tailed; the line alone, players lie about it). Luck in practice rates makes the "
        "cloud look flatter than the line.",
    )
    return Section(
        "practice-game",
        "Practice against game",
        [
            *([picture] if points else []),
            blocks.heading("How much an attempt tells"),
            blocks.text(information.text),
            blocks.figure(
                information_figure,
                information_figure.frame(information),
                "information",
                "Share of the differences between players' true game rates that a make rate from "
                "so many attempts, or so many minutes, accounts for.",
            ),
        ],
    )


def conversion_section(conversion: Conversion) -> Section:
    """Practice make rate to game make rate, for a player whose games are not known."""
    frame = conversion_figure.frame(conversion)
    level = f"{frame['prob'].iloc[0]:.0%}"
    coming = int(frame["next_attempts"].iloc[0])
    settings = list(dict.fromkeys(frame["setting"]))
    behind = frame.groupby("setting")["attempts"].first()
    known = {(r["setting"], r["practice_rate"]): r for r in frame.to_dict(orient="records")}
    rows = [
        [
            Cell(words.percent(rate)),
            *(_conversion_cell(known.get((setting, rate))) for setting in settings),
        ]
        for rate in sorted(frame["practice_rate"].unique())
    ]
    heads = [Column(f"{setting_label(s)}, from {behind[s]} attempts") for s in settings]
    return Section(
        "conversion",
        "From a practice rate to a game rate",
        [
            blocks.text(conversion.text),
            blocks.figure(
                conversion_figure,
                frame,
                "conversion",
                f"Coloured band: {level} interval of the expected game rate. Grey band: where the "
                f"make rate of the next {coming} game attempts will lie with the same probability. "
                "A flat line means that the practice rate tells little.",
            ),
            blocks.table(
                f"Expected game rate and its {level} equal-tailed interval for a practice rate; "
                f"below it the makes to come in the next {coming} game attempts, same "
                "probability. Empty where no player's rate is near.",
                [Column("Practice rate"), *heads],
                [blocks.group(rows)],
                "players",
            ),
        ],
    )


def _conversion_cell(row: Mapping[Any, Any] | None) -> Cell:
    if row is None:
        return Cell("")
    return Cell(
        f"{words.percent(row['game_mean'])} ({words.span(row['game_low'], row['game_high'])})",
        f"{row['makes_low']} to {row['makes_high']} of {row['next_attempts']}",
    )


def _player_cell(row: Mapping[Any, Any]) -> Cell:
    below = f"raw {words.percent(row['raw'])} of {row['n']}" if row["n"] else "no attempts"
    return Cell(
        f"{words.percent(row['mean'])} ({100 * row['low']:.0f} to {100 * row['high']:.0f})", below
    )


def _player_table(estimates: pd.DataFrame, settings: tuple[str, ...], prob: float) -> blocks.Block:
    groups = []
    for (program, season), people in estimates.groupby(
        ["program", "season"], sort=True, dropna=False
    ):
        rows = []
        for player, cells in people.groupby("player", sort=True):
            by_setting = {r["setting"]: r for r in cells.to_dict(orient="records")}
            rows.append([Cell(str(player)), *(_player_cell(by_setting[s]) for s in settings)])
        known = [str(v) for v in (program, season) if str(v) not in ("", "nan", "<NA>", "None")]
        groups.append(blocks.group(rows, ", ".join(known)))
    return blocks.table(
        f"Estimated make rate with its {prob:.0%} equal-tailed interval; below it the raw rate and "
        "its attempts. In the order of the codes, not of the rates.",
        [Column("Player"), *(Column(setting_label(s)) for s in settings)],
        groups,
        "players",
    )


def _of(frame: pd.DataFrame, season: str) -> pd.DataFrame:
    return frame[in_season(frame, season)].reset_index(drop=True)


def players_section(posterior: TransferPosterior, prob: float, season: str = LATEST) -> Section:
    """Raw and estimated rates of a season's players, as pictures and as a table."""
    estimates = player_estimates(posterior, prob)
    shown = in_season(estimates, season)
    remarks = []
    if not shown.all():
        hidden = estimates["unit"].nunique() - estimates["unit"][shown].nunique()
        remarks.append(
            blocks.text(f"Player-seasons of other seasons that are not shown: {hidden}.")
        )
    if {"beta_distance", "beta_contest", "defender_effect"} & set(posterior.terms):
        remarks.append(
            blocks.text(
                "Practice estimates hold for one distance and an average defender, game estimates "
                "for the mix of distances and contests in all charted games, so that players who "
                "take different shots can be compared; raw rates hold for the shots each player "
                "took."
            )
        )
    return Section(
        "players",
        "Players",
        [
            blocks.text(
                "A raw rate from few attempts is mostly luck. The estimate moves it towards what "
                "players of this group do, the more so the fewer the attempts, and uses the "
                "player's other settings as well."
            ),
            *remarks,
            blocks.figure(
                shrinkage,
                _of(shrinkage.frame(posterior, prob), season),
                "shrinkage",
                "From the raw rate to the estimate, one line (with many players one mark) per "
                "player; a thicker line or larger mark stands for more attempts.",
            ),
            blocks.figure(
                intervals,
                _of(intervals.frame(posterior, prob), season),
                "intervals",
                "Where two players' lines overlap widely, the records do not tell them apart.",
            ),
            _player_table(estimates[shown], (*posterior.settings, GAME), prob),
        ],
    )
