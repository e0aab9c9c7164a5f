"""The next session: blocks, tasks, pairings, targets and what to chart, on one page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError
from transfer.mix.rates import AttemptRate
from transfer.provenance import Provenance, hash_frames
from transfer.records.geometry import spot
from transfer.records.schema import CONTESTS
from transfer.session.challenge import ChallengeBand
from transfer.session.defenders import DefenderRatings
from transfer.session.drills import DRILLS, defence_level
from transfer.session.groups import free_sides, groups_by_block, live_turns
from transfer.session.pace import DrillPace, drill_paces
from transfer.session.race import RaceTarget
from transfer.session.targets import MakeRates, block_target
from transfer.session.tasks import balanced_tasks
from transfer.session.timing import Block, TimeLimits, choose_blocks
from transfer.session.variety import Variety, variety

__all__ = ["SESSION_CAUTIONS", "SessionPlan", "plan_session"]

MOST_PLAYERS, MOST_BASKETS = 20, 4
#: Shots a minute at one basket from which the page doubts the pace (judgement, no source).
CROWDED = 15.0

SESSION_CAUTIONS: tuple[str, ...] = (
    "Load: every attempt is a take-off and a landing. Count jumps and live minutes; knee pain, "
    "load and return to play are decisions of licensed medical staff, who may change this page.",
    "Contact: live blocks mean bodies near the shooter. With a suspected concussion, take the "
    "player out at once and refer.",
    "Landing space: defenders stay out of the shooter's landing area; nobody stands or rolls a "
    "ball under the ring; one shot at a time at each basket in live work.",
    "Hours: the current rules of the governing body and the compliance office decide how much "
    "practice is allowed; local law on minors comes first.",
)


@dataclass(frozen=True)
class SessionPlan:
    """One session.

    Parameters
    ----------
    players : tuple of str
        Codes.
    baskets, minutes, seed : int
    live_share : float
        Wanted share of live minutes.
    blocks : DataFrame
        One row per block: ``block``, ``start`` (minute), ``minutes``, ``drill``, ``title``,
        ``mode``, ``contest``, ``setting``, ``level`` (height of the defence), ``attempts`` (per
        player, expected), ``rate``, ``rate_source``, ``ending``, ``target``, ``probability`` (that
        the set ends in the minutes), ``text``.
    tasks : DataFrame
        Tasks of the repetition blocks: ``block``, ``task``, side, hand, entry, footwork, spot,
        ``n`` (attempts of all players).
    groups : DataFrame
        ``block``, ``basket``, ``players`` of the repetition blocks; ``sides`` in free live play.
    rotation : DataFrame
        Live turns: ``block``, ``turn``, ``basket``, ``shooter``, ``defender``,
        ``second_defender``, ``side``, ``entry``.
    targets : dict of int to RaceTarget
        By block.
    starts : DataFrame
        Per player a spot inside the challenge band to start from; empty without a band.
    ladders : DataFrame
        Per player the rungs of the ladder (``player``, ``rung``, ``distance_ft``, ``rate``,
        ``charted``: not extrapolated), from the plainest repetition setting charted; empty
        without a band.
    variety : Variety
        Of the planned repetitions.
    provenance : Provenance
    cautions : tuple of str
        What the page must say.
    """

    players: tuple[str, ...]
    baskets: int
    minutes: int
    seed: int
    live_share: float
    blocks: pd.DataFrame
    tasks: pd.DataFrame
    groups: pd.DataFrame
    rotation: pd.DataFrame
    targets: dict[int, RaceTarget]
    starts: pd.DataFrame
    ladders: pd.DataFrame
    variety: Variety
    provenance: Provenance
    cautions: tuple[str, ...] = SESSION_CAUTIONS

    @property
    def table(self) -> pd.DataFrame:
        """The blocks."""
        return self.blocks

    @property
    def live_minutes(self) -> int:
        """Live minutes of the session."""
        return int(self.blocks.loc[self.blocks["mode"] == "live", "minutes"].sum())

    @property
    def turns(self) -> pd.DataFrame:
        """Times as shooter and as defender in live turns, per player."""
        seconds = self.rotation["second_defender"]
        defends = pd.concat([self.rotation["defender"], seconds[seconds != ""]]).value_counts()
        shots = self.rotation["shooter"].value_counts()
        names = list(self.players)
        return pd.DataFrame(
            {
                "player": names,
                "shooter": shots.reindex(names, fill_value=0).to_numpy(),
                "defender": defends.reindex(names, fill_value=0).to_numpy(),
            }
        )

    @property
    def headline(self) -> str:
        """Size of the session, and whether the limits kept it from the wanted mix."""
        wanted = self.live_share * self.minutes
        parts = [
            f"{len(self.players)} players, {self.baskets} "
            f"{'basket' if self.baskets == 1 else 'baskets'}, {self.minutes} minutes: "
            f"{self.minutes - self.live_minutes} rep and {self.live_minutes} live, about "
            f"{self.blocks['attempts'].sum():.0f} attempts a player."
        ]
        if abs(self.live_minutes - wanted) >= 1.0:
            parts.append(f"The mix asked for {wanted:.0f} live minutes; the limits decided.")
        busiest = float(self.blocks["rate"].max()) * len(self.players) / self.baskets
        if busiest > CROWDED:
            parts.append(
                f"At this pace a basket sees {busiest:.0f} shots a minute; expect fewer unless "
                "players share more baskets or balls."
            )
        return " ".join(parts)

    @property
    def text(self) -> str:
        """The session in a few sentences."""
        parts = [self.headline]
        for block, found in self.targets.items():
            title = str(self.blocks.set_index("block")["title"].loc[block])
            parts.append(
                f"{title}: play to {found.target}; ends within {found.minutes:g} minutes with "
                f"probability {found.probability:.2f}."
            )
        if (self.blocks["rate_source"] == "assumed").any():
            parts.append("Attempts per minute are partly assumed (judgement, no source).")
        parts.append(f"Variety of the planned repetitions: {self.variety.score:.2f} of 1.")
        return " ".join(parts)

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "players": list(self.players),
            "baskets": self.baskets,
            "minutes": self.minutes,
            "live_minutes": self.live_minutes,
            "live_share_wanted": self.live_share,
            "blocks": self.blocks,
            "tasks": self.tasks,
            "groups": self.groups,
            "rotation": self.rotation,
            "turns": self.turns,
            "targets": {str(k): dict(v.__dict__) for k, v in self.targets.items()},
            "starts": self.starts,
            "ladders": self.ladders,
            "variety": self.variety.to_dict(),
            "text": self.text,
            "cautions": list(self.cautions),
            "provenance": self.provenance.to_dict(),
        }


def plan_session(
    players: Sequence[str],
    baskets: int,
    minutes: int,
    seed: int,
    *,
    live_share: float = 0.5,
    rates: Mapping[str, AttemptRate | float] | None = None,
    make_rates: MakeRates | None = None,
    settings: Sequence[str] | None = None,
    live_cap: float | None = None,
    attempts_cap: float | None = None,
    jumps_cap: float | None = None,
    probability: float = 0.80,
    ratings: DefenderRatings | None = None,
    challenge: ChallengeBand | None = None,
) -> SessionPlan:
    """Plan one session.

    Parameters
    ----------
    players : sequence of str
        2 to 20 codes.
    baskets : int
        1 to 4.
    minutes : int
        Shooting minutes.
    seed : int
        Same seed, same session.
    live_share : float
        Wanted share of live minutes, e.g. from the mix advice.
    rates : mapping, optional
        Attempts per player-minute by setting or mode; assumed where missing, and then said.
    make_rates : mapping of str to mapping of str to float, optional
        Make rates by mode and player; assumed where missing.
    settings : sequence of str, optional
        Settings that may be used.
    live_cap, attempts_cap, jumps_cap : float, optional
        Limits per player.
    probability : float
        Least chance that a first-to-k set ends in its minutes.
    ratings : DefenderRatings, optional
        For fair pairings: players of close ratings meet first.
    challenge : ChallengeBand, optional
        For the spots to start from.

    Returns
    -------
    SessionPlan

    Raises
    ------
    ArgumentError
        When sizes are outside their rule.
    InfeasibleError
        When limits contradict each other; named before any optimisation.
    """
    names = tuple(str(p) for p in players)
    _check(names, baskets)
    paces = drill_paces(len(names), baskets, rates)
    limits = TimeLimits(
        minutes, live_share, live_cap, attempts_cap, jumps_cap,
        None if settings is None else tuple(settings),
    )  # fmt: skip
    chosen = choose_blocks(limits, len(names), {d.name: paces[d.name].rate for d in DRILLS})
    groups = groups_by_block(chosen, names, baskets, seed)
    rating = None if ratings is None else _ratings(ratings)
    rotation = live_turns(chosen, names, baskets, seed, rating)
    targets = {}
    for number, block in enumerate(chosen, start=1):
        found = block_target(
            block, number, groups, names, paces[block.drill.name].rate, make_rates or {},
            probability, seed,
        )  # fmt: skip
        if found is not None:
            targets[number] = found
    blocks = _block_table(chosen, paces, targets)
    tasks = _tasks(blocks, len(names), seed)
    sizes = {"baskets": baskets, "minutes": minutes, "live_share": live_share}
    listed = pd.DataFrame({"player": names})
    return SessionPlan(
        names, baskets, int(minutes), seed, live_share, blocks, tasks,
        pd.concat([groups, free_sides(chosen, names, baskets, seed)], ignore_index=True),
        rotation, targets, _starts(challenge, names), _ladders(challenge, names), variety(tasks),
        Provenance(seed, hash_frames(players=listed), settings=sizes),
    )  # fmt: skip


def _check(names: tuple[str, ...], baskets: int) -> None:
    if not 2 <= len(names) <= MOST_PLAYERS or len(set(names)) != len(names):
        raise ArgumentError(
            f"{len(names)} players, {len(set(names))} different",
            rule=f"2 to {MOST_PLAYERS} different players",
            next_step="list each player once; split a larger group",
        )
    if not 1 <= baskets <= MOST_BASKETS:
        raise ArgumentError(
            f"baskets={baskets!r}",
            rule=f"1 to {MOST_BASKETS} baskets",
            next_step="pass the baskets you have",
        )


def _ratings(ratings: DefenderRatings) -> dict[str, float]:
    table = ratings.defenders
    return dict(zip(table["defender"], table["effect"], strict=True))


def _block_table(
    chosen: Sequence[Block], paces: Mapping[str, DrillPace], targets: Mapping[int, RaceTarget]
) -> pd.DataFrame:
    rows, start = [], 0
    for number, block in enumerate(chosen, start=1):
        drill, pace, found = block.drill, paces[block.drill.name], targets.get(number)
        rows.append({
            "block": number, "start": start, "minutes": block.minutes, "drill": drill.name,
            "title": drill.title, "mode": drill.mode, "contest": drill.contest,
            "setting": drill.setting, "level": defence_level(drill),
            "attempts": pace.rate * block.minutes, "rate": pace.rate,
            "rate_source": pace.source, "order": drill.order,
            "ending": drill.ending if found is not None else "time",
            "target": np.nan if found is None else float(found.target),
            "probability": np.nan if found is None else found.probability,
            "text": drill.text,
        })  # fmt: skip
        start += block.minutes
    return pd.DataFrame(rows)


def _tasks(blocks: pd.DataFrame, players: int, seed: int) -> pd.DataFrame:
    """One task a minute of every repetition block; ladder tasks go outwards."""
    reps = blocks[blocks["mode"] == "rep"]
    columns = ["block", "task", "side", "hand", "entry", "footwork", "spot", "n"]
    if reps.empty:
        return pd.DataFrame({c: pd.Series([], dtype=object) for c in columns}).astype({"n": float})
    table = balanced_tasks(int(reps["minutes"].sum()), seed)
    parts, at = [], 0
    for row in reps.to_dict(orient="records"):
        part = table.iloc[at : at + row["minutes"]].copy()
        at += row["minutes"]
        if row["ending"] == "ladder":
            far = part["spot"].map({name: spot(name).distance_ft for name in part["spot"].unique()})
            part = part.loc[far.sort_values(kind="stable").index]
        part["block"], part["task"] = row["block"], np.arange(1, len(part) + 1)
        part["n"] = row["attempts"] * players / len(part)
        parts.append(part)
    return pd.concat(parts, ignore_index=True)[columns]


def _starts(challenge: ChallengeBand | None, names: Sequence[str]) -> pd.DataFrame:
    columns = ["player", "setting", "entry", "spot", "distance_ft", "rate"]
    if challenge is None:
        return pd.DataFrame(columns=columns)
    repetitions = challenge.table["mode"] == "rep"
    settings = challenge.table.loc[repetitions, "setting"].unique()
    rows = [
        challenge.for_player(name, setting).query("charted").head(1)[columns]
        for name in names
        for setting in settings
    ]
    return pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(columns=columns)


def _ladders(challenge: ChallengeBand | None, names: Sequence[str]) -> pd.DataFrame:
    columns = ["player", "rung", "distance_ft", "rate", "charted"]
    if challenge is None:
        return pd.DataFrame(columns=columns)
    table = challenge.ladders
    reps = [s for s in CONTESTS if f"rep/{s}" in set(table["setting"])]
    kept = table["player"].isin(list(names)) & (table["setting"] == f"rep/{(reps or ['none'])[0]}")
    return table.loc[kept, columns].reset_index(drop=True)
