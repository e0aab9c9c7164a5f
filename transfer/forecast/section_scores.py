"""How well the forecasts did on games they had not seen: one section of the analyst's page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from transfer.forecast.scoring import ScoreTable
from transfer.page import blocks, words
from transfer.page.blocks import Section

__all__ = ["forecast_section"]

_FORECASTS = {
    "raw": "own raw rate",
    "pooled": "one rate for everyone",
    "game_only": "games alone, shrunken",
    "practice_only": "practice alone",
    "both": "practice and games",
}


def _score_table(scores: ScoreTable, caption: str) -> blocks.Block:
    frame = scores.table.assign(
        label=scores.table["forecast"].map(lambda name: _FORECASTS.get(name, name))
    )
    reference = next((r for r in ("both", "game_only") if f"minus_{r}" in frame), None)
    columns: list[tuple[str, str, Callable[[Any], str]]] = [
        ("label", "Forecast", str),
        ("players", "Players", str),
        ("attempts", "Attempts", lambda n: f"{n:,}"),
        ("log_score", "Log score", lambda v: words.number(v, 1)),
        ("squared_error", "Squared error", lambda v: words.number(v, 4)),
    ]
    if reference is not None:
        columns += [
            (
                f"minus_{reference}",
                f"Log score minus {_FORECASTS[reference]}",
                lambda v: words.number(v, 1),
            ),
            (f"se_minus_{reference}", "Standard error", lambda v: words.number(v, 1)),
        ]
    return blocks.simple_table(frame, caption, columns)


def forecast_section(
    later_games: ScoreTable | None,
    left_out_player: ScoreTable | None,
    missing: Sequence[str],
    shared: bool = False,
) -> Section:
    """Out-of-sample scores of the forecasts, or the reason why there are none."""
    content: list[blocks.Block] = [
        blocks.text(
            "Forecasts of game makes, from a player's own raw rate to the model with practice and "
            "games together, judged on attempts they had not seen. A higher log score (closer to "
            "zero) and a smaller squared error are better."
        )
    ]
    if later_games is not None:
        content += [
            blocks.heading("Later games from earlier ones"),
            blocks.text(later_games.shared_text if shared else later_games.text),
            _score_table(later_games, "Scores on the later games"),
        ]
    if left_out_player is not None:
        content += [
            blocks.heading("A player's games from everyone else's"),
            blocks.text(left_out_player.shared_text if shared else left_out_player.text),
            _score_table(left_out_player, "Scores with each player's games left out in turn"),
        ]
    content += [blocks.text(reason) for reason in missing]
    if later_games is None:
        content.append(
            blocks.text(
                "Forecasts of later games were not scored on this page; transfer forecast --score "
                "does it."
            )
        )
    return Section("forecast", "How well the forecasts did", content)
