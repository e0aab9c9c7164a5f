"""What charted practice adds to the next session: pace, make rates, ratings, challenge, variety."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeVar

import pandas as pd

from transfer.errors import ArgumentError, RecordsError, TransferError
from transfer.mix.rates import AttemptRate, attempts_per_minute, stated
from transfer.provenance import Provenance
from transfer.records.reading import Records
from transfer.records.units import practice_rows, setting_labels
from transfer.session.challenge import BAND, ChallengeBand, find_challenge
from transfer.session.defenders import DefenderRatings, rate_defenders
from transfer.session.variety import TRAITS, Variety, variety

__all__ = ["SessionInputs", "session_inputs"]

T = TypeVar("T")
#: Attempts that pull a player's make rate to the group's (judgement, no source).
PULL = 50.0


@dataclass(frozen=True)
class SessionInputs:
    """Inputs of a session from records.

    Parameters
    ----------
    rates : dict of str to AttemptRate
        By setting; settings without charted minutes are left out.
    make_rates : dict of str to dict of str to float
        By mode and player, each pulled to the mode's rate as by `PULL` attempts.
    ratings : DefenderRatings or None
    challenge : ChallengeBand or None
    done : Variety or None
        Variety of the charted repetitions.
    missing : tuple of str
        What could not be worked out, and why.
    """

    rates: dict[str, AttemptRate]
    make_rates: dict[str, dict[str, float]]
    ratings: DefenderRatings | None
    challenge: ChallengeBand | None
    done: Variety | None
    missing: tuple[str, ...]


def session_inputs(
    records: Records,
    *,
    program: str | None = None,
    stated: Mapping[str, float] | None = None,
    band: tuple[float, float] = BAND,
    seed: int = 1,
) -> SessionInputs:
    """Work out what the records can tell about the next session.

    Parameters
    ----------
    records : Records
    program : str, optional
        Needed when the records hold several programs.
    stated : mapping of str to float, optional
        Attempts per minute stated by the user; they win.
    band : (float, float)
        Challenge band.
    seed : int
        Written into the provenance; nothing here is random.

    Raises
    ------
    RecordsError
        When there is no practice.
    ArgumentError
        When several programs are there and none, or an unknown one, was named.
    """
    rows = practice_rows(records)
    if rows.empty:
        raise RecordsError(
            "the records hold no practice",
            rule="pace, make rates and ratings come from practice",
            next_step="pass a practice file with rows",
        )
    names = sorted(str(n) for n in rows["program"].unique())
    if program is not None or len(names) > 1:
        if program not in names:
            raise ArgumentError(
                f"program={program!r}",
                rule=f"one of {', '.join(names)}",
                next_step="name the program that practises, e.g. --program " + names[0],
            )
        rows = rows[rows["program"] == program]
    labels, order = setting_labels(rows, ("mode", "contest"))
    rows = rows.assign(setting=labels)
    made_by = Provenance(seed, records.data_hash, settings={"band": list(band)})
    missing: list[str] = []

    def attempt(what: str, work: Callable[[], T]) -> T | None:
        try:
            return work()
        except TransferError as error:
            missing.append(f"{what}: {error.message}")
            return None

    live = rows[rows["mode"] == "live"]
    live = live.reindex(columns=[*live.columns.drop("defender", "ignore"), "defender"])
    far = rows.reindex(columns=[*rows.columns.drop("distance_ft", "ignore"), "distance_ft"])
    done = rows[rows["mode"] == "rep"]
    return SessionInputs(
        rates=_rates(rows, order, stated or {}, missing),
        make_rates=_make_rates(rows),
        ratings=attempt("defender ratings", lambda: rate_defenders(live, made_by)),
        challenge=attempt(
            "challenge band",
            lambda: find_challenge(_entries(far), made_by, band, records.rule_body),
        ),
        done=attempt("variety of what was done", lambda: _done(done)),
        missing=tuple(missing),
    )


def _rates(
    rows: pd.DataFrame, order: tuple[str, ...], given: Mapping[str, float], missing: list[str]
) -> dict[str, AttemptRate]:
    found = {name: stated(name, rate) for name, rate in given.items()}
    timed = rows.reindex(columns=[*rows.columns.drop("minutes", "ignore"), "minutes"])
    timed["minutes"] = timed["minutes"].astype(float)
    modes = dict(zip(rows["setting"], rows["mode"], strict=True))
    for setting in order:
        if setting not in found and modes[setting] not in found:
            try:
                found.update(attempts_per_minute(timed, [setting]))
            except ArgumentError as error:
                missing.append(f"pace: {error.message}")
    return found


def _make_rates(rows: pd.DataFrame) -> dict[str, dict[str, float]]:
    found: dict[str, dict[str, float]] = {}
    for mode, part in rows.groupby("mode"):
        pooled = (part["y"].sum() + 0.5) / (part["n"].sum() + 1.0)
        by = part.groupby("player")[["n", "y"]].sum()
        rate = (by["y"] + PULL * pooled) / (by["n"] + PULL)
        found[str(mode)] = {str(k): float(v) for k, v in rate.items()}
    return found


def _entries(rows: pd.DataFrame) -> pd.DataFrame:
    """Blank entries are a level of their own."""
    if "entry" not in rows:
        return rows
    return rows.assign(entry=rows["entry"].where(rows["entry"] != "", "any"))


def _done(rows: pd.DataFrame) -> Variety:
    found = variety(rows.reindex(columns=[*TRAITS, "n"]))
    if found.attempts < 2:
        raise ArgumentError(
            f"{found.attempts} repetitions have entry, footwork, side and spot charted",
            rule="variety needs all four",
            next_step="chart them for some sessions",
        )
    return found
