"""The reading in the plainest words: sentences that the short pages share.

Every number comes from the results. A reading compares players; none of these sentences says what
practice does to a player.
"""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from transfer.page import words
from transfer.page.style import setting_label
from transfer.reading.information import Information
from transfer.reading.reading import Reading
from transfer.reading.words import counted_people, odds_factor
from transfer.records.cells import GAME, Cells
from transfer.verdict import PROBABILITY_AHEAD, Verdict

__all__ = [
    "asked",
    "charted_minutes",
    "headline",
    "limits",
    "share_sentences",
    "sure_sentences",
    "used_sentence",
    "worth_sentence",
]


def asked() -> str:
    """The question, for someone who has not seen it before."""
    return (
        "Players shoot in practice by repetition (rep work) and against defenders (live work). "
        "Do the players who make more of either also make more in games, and which of the two "
        "make rates says more about games?"
    )


def headline(reading: Reading) -> str:
    """The answer in one or two sentences, by the verdict."""
    verdict = reading.verdict
    if verdict is None:
        charted = "rep" if reading.attempts["rep"] else "live"
        return f"Only {charted} work was charted, so live cannot be set against rep."
    first = verdict.favours
    other = "rep" if first == "live" else "live"
    return {
        "cannot_tell": "These records cannot tell whether live or rep make rates say more about "
        "games. That is no evidence that they say equally much.",
        "leaning": f"The records lean towards {first} make rates saying more about games than "
        f"{other} make rates, no more than that.",
        "ahead": f"{str(first).capitalize()} make rates say more about games than {other} make "
        "rates.",
        "practically_equal": "Live and rep make rates say practically equally much about games.",
        "unclear": "Whether live or rep make rates say more about games is still open.",
    }[verdict.verdict]


def _share(row: dict[Any, Any], what: str) -> str:
    return (
        f"{what} {words.percent(row['mean'])} of the differences between players' true game "
        f"rates ({row['prob']:.0%} interval {words.span(row['low'], row['high'])}; "
        f"before the records {words.percent(row['prior_mean'])})."
    )


def share_sentences(reading: Reading) -> list[str]:
    """What practice rates account for; none is stated where the records cannot tell."""
    if reading.verdict is not None and reading.verdict.verdict == "cannot_tell":
        return [
            "No share is stated: where the records cannot tell, it may be no more than the "
            "starting assumption."
        ]
    rows = {r["quantity"]: r for r in reading.r2.to_dict(orient="records")}
    labels = {
        "live": "Live make rates account for",
        "rep": "Rep make rates account for",
        "all": "Both together account for",
    }
    return [_share(rows[name], label) for name, label in labels.items() if name in rows]


def used_sentence(reading: Reading) -> str:
    """What the answer rests on."""
    practice = " and ".join(
        f"{reading.attempts[mode]:,} {mode}" for mode in ("rep", "live") if reading.attempts[mode]
    )
    return (
        f"It rests on {practice} practice attempts and {reading.attempts['game']:,} game attempts "
        f"of {counted_people(reading.players, reading.player_seasons)}."
    )


def sure_sentences(verdict: Verdict | None) -> list[str]:
    """How sure the comparison of live and rep is."""
    if verdict is None:
        return []
    low, high = verdict.interval.low, verdict.interval.high
    return [
        f"The larger of the two chances, {_whose(verdict)}, is {words.chance(verdict.probability)}."
        f" Before the records it was {words.chance(verdict.prior_probability)}: they moved its "
        f"odds by a factor of {odds_factor(verdict.bayes_factor)}. To be called ahead it has to "
        f"reach {words.percent(PROBABILITY_AHEAD, 1)}.",
        f"Live minus rep is {words.number(100 * verdict.mean, 0)} points of that share, "
        f"{verdict.interval.prob:.0%} interval {words.interval(100 * low, 100 * high, 0)} points.",
    ]


def _whose(verdict: Verdict) -> str:
    """Name the side of the larger chance only where the verdict names it."""
    if verdict.favours is None:
        return "that one of the two says more"
    other = "rep" if verdict.favours == "live" else "live"
    return f"that {verdict.favours} make rates say more than {other} make rates"


def worth_sentence(information: Information) -> str:
    """What live attempts and minutes say next to rep ones, as far as that is known."""
    parts = []
    for row in information.equivalence.to_dict(orient="records"):
        unit = "attempts" if row["basis"] == "per attempt" else "minutes"
        live = f"{row['amount']:,.0f} live {unit} a player"
        low = f"{row['low']:,.0f}"
        if math.isinf(row["high"]):
            parts.append(
                f"How many rep {unit} say as much about games as {live} is not known: the "
                f"{row['prob']:.0%} interval runs from {low} to more than can be charted."
                if not math.isinf(row["low"])
                else f"No number of rep {unit} is likely to say as much about games as {live}."
            )
            continue
        parts.append(
            f"{live} say as much about games as {row['median']:,.0f} rep {unit} "
            f"({row['prob']:.0%} interval {low} to {row['high']:,.0f})."
        )
    if not parts:
        return information.text
    pace = information.rates
    if pace.get("rep") is not None and pace.get("live") is not None:
        parts.append(
            f"Charted pace: {pace['rep']:.1f} rep and {pace['live']:.1f} live attempts a minute."
        )
    return " ".join(parts)


def charted_minutes(cells: Cells) -> pd.DataFrame:
    """Charted practice minutes by setting.

    Parameters
    ----------
    cells : Cells

    Returns
    -------
    DataFrame
        One row per setting with charted minutes: ``setting``, ``label``, ``players``,
        ``minutes`` (all players together), ``minutes_a_player``, ``attempts_per_minute``.
    """
    table = cells.table
    rows = []
    for setting in cells.settings:
        here = table[(table["setting"] == setting) & (table["setting"] != GAME)]
        here = here[here["minutes"].notna() & (here["minutes"] > 0)]
        if here.empty:
            continue
        minutes = float(here["minutes"].sum())
        rows.append(
            {
                "setting": setting,
                "label": setting_label(setting),
                "players": int(here["unit"].nunique()),
                "minutes": minutes,
                "minutes_a_player": minutes / here["unit"].nunique(),
                "attempts_per_minute": float(here["n"].sum()) / minutes,
            }
        )
    names = ["setting", "label", "players", "minutes", "minutes_a_player", "attempts_per_minute"]
    return pd.DataFrame(rows, columns=names)


def limits(reading: Reading, mix: bool) -> list[str]:
    """What cannot be claimed from these records."""
    claims = [
        "That a drill makes a player better. These numbers compare players with each other; only "
        "a mix drawn by lot says what a drill does.",
        "That one player is a better game shooter than another, where their intervals overlap.",
        "That the answer holds for another level of play, other drills or other charters.",
    ]
    if reading.verdict is not None and reading.verdict.verdict == "cannot_tell":
        claims.insert(0, "That live and rep work are worth the same. The records are too few.")
    if mix:
        claims.append(
            "That the minutes shown as best are best. They hang on an assumed shape of the gain "
            "and, where the mix was chosen by coaches, on who was given which work."
        )
    claims.append("Anything about injuries. Load and return to play belong to the medical staff.")
    return claims
