"""The next session: blocks, tasks, pairings, targets and what to chart, on one page."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError
from transfer.mix.rates import AttemptRate
from transfer.provenance import Provenance, hash_frames
from transfer.records.schema import CONTESTS
from transfer.results import Estimates, Result
from transfer.session.calls import balanced_calls, levels_of
from transfer.session.challenge import ChallengeBand
from transfer.session.defenders import DefenderRatings
from transfer.session.drills import DRILLS, Drill, defence_level, in_order
from transfer.session.floor import Floor, idle_share, split_floor, working
from transfer.session.line import Lines, lines_of, reps_of
from transfer.session.pace import DrillPace, drill_paces, line_shots
from transfer.session.targets import BlockTarget, MakeRates, block_target
from transfer.session.timing import Block, TimeLimits, choose_blocks
from transfer.session.variety import TRAITS, Variety, variety

__all__ = ["SESSION_CAUTIONS", "SessionPlan", "plan_session"]

MOST_BASKETS = 4
#: Minutes that a call holds (judgement, no source).
CALL_MINUTES = 2
#: Rungs farther out than this are not of the range, feet.
FARTHEST_FT = 14.0

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
class SessionPlan(Result):
    """One session.

    Parameters
    ----------
    players : tuple of str
        Codes.
    baskets, minutes, seed : int
    live_share : float
        Wanted share of live minutes among the minutes of work.
    drills : tuple of Drill
        One a block.
    floor : Floor
        Squads and groups, fixed for the session.
    blocks : DataFrame
        One row per block of a squad: ``block``, ``start`` (minute), ``minutes``, ``pause`` (minutes
        of change or water after it), ``drill``, ``title``, ``mode``, ``contest``, ``setting``,
        ``level`` (height of the defence), ``attempts`` (mean of the players, as the lines give
        them), ``defends`` (mean trips as a defender, free play left out), ``rate`` (attempts per
        player-minute, mean), ``rate_source``, ``capped`` (the basket decides the pace), ``idle``
        (largest share of a group that stands in line), ``ending``, ``sets``, ``target``,
        ``probability`` (that a set ends in its minutes), ``order``, ``text``.
    calls : DataFrame
        Calls of the blocks: ``block``, ``call``, side, hand, entry, footwork, spot; blank where
        the drill decides (side in turn, rung as spot).
    lines : dict
        Order of the line by block, squad and basket.
    reps : DataFrame
        Every rep of the lines, see `transfer.session.line.reps_of`.
    targets : dict of int to BlockTarget
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

    _estimates = Estimates("minutes")

    players: tuple[str, ...]
    baskets: int
    minutes: int
    seed: int
    live_share: float
    drills: tuple[Drill, ...]
    floor: Floor
    blocks: pd.DataFrame
    calls: pd.DataFrame
    lines: Lines
    reps: pd.DataFrame
    targets: dict[int, BlockTarget]
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
        """Live minutes of a player."""
        return int(self.blocks.loc[self.blocks["mode"] == "live", "minutes"].sum())

    @property
    def work_minutes(self) -> int:
        """Minutes of work of a player, without changes and water."""
        return int(self.blocks["minutes"].sum())

    @property
    def turns(self) -> pd.DataFrame:
        """Shots and trips as a defender in the lines, and both as bodies see them, per player.

        ``takeoffs`` are one per shot and one per trip as a defender, ``contacts`` live reps as
        shooter or defender; free play comes on top of both (judgement, no source).
        """
        seconds = self.reps.loc[self.reps["second_defender"] != "", "second_defender"]
        firsts = self.reps.loc[self.reps["defender"] != "", "defender"]
        live = self.reps["defender"] != ""

        def count(values: pd.Series) -> np.ndarray:
            return values.value_counts().reindex(list(self.players), fill_value=0).to_numpy()

        shots, defends = count(self.reps["shooter"]), count(pd.concat([firsts, seconds]))
        return pd.DataFrame(
            {
                "player": list(self.players),
                "shots": shots,
                "defends": defends,
                "takeoffs": shots + defends,
                "contacts": count(self.reps.loc[live, "shooter"]) + defends,
            }
        )

    @property
    def headline(self) -> str:
        """Size of the session, how it is split, and where it falls short of what was asked."""
        work, live = self.work_minutes, self.live_minutes
        low, high = self.floor.sizes
        parts = [
            f"{len(self.players)} players, {_counted(self.baskets, 'basket')}, {self.minutes} "
            f"minutes: {work - live} rep and {live} live a player"
            f"{', the rest changes and water' if self.floor.squad_minutes > work else ''}; about "
            f"{self.blocks['attempts'].sum():.0f} attempts each."
        ]
        if self.floor.squads > 1:
            parts.append(
                f"So many players need {self.floor.squads} squads, one after the other, "
                f"{self.floor.squad_minutes} minutes each."
            )
        size = f"{low}" if low == high else f"{low} or {high}"
        parts.append(f"Groups of {size} stay together at their basket.")
        if self.floor.used < self.baskets:
            free = self.baskets - self.floor.used
            parts.append(f"{_counted(free, 'basket')} not needed: lines of four or five run best.")
        if self.floor.squads < self.floor.wanted:
            most = round(float(self.blocks["idle"].max()) * high)
            parts.append(
                f"Up to {most} of {high} stand in line; more baskets or minutes would change that."
            )
        wanted = self.live_share * work
        if abs(live - wanted) >= 1.0:
            parts.append(f"The mix asked for {wanted:.0f} live minutes; the limits decided.")
        return " ".join(parts)

    @property
    def text(self) -> str:
        """The session in a few sentences."""
        parts = [self.headline]
        for block, found in self.targets.items():
            title, race = str(self.blocks.set_index("block")["title"].loc[block]), found.race
            sets = "" if found.sets == 1 else f"{found.sets} sets, "
            parts.append(
                f"{title}: {sets}play to {race.target}; about {_in_ten(race.probability)} in 10 "
                f"end within {race.minutes:.2g} minutes."
            )
        if self.blocks["capped"].any():
            parts.append("Where a line is long the basket sets the pace, not the player.")
        if (self.blocks["rate_source"] == "assumed").any():
            parts.append("Attempts per minute are partly assumed (judgement, no source).")
        if self.variety.attempts > 1:
            parts.append(f"Variety of the called repetitions: {self.variety.score:.2f} of 1.")
        return " ".join(parts)

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "players": list(self.players),
            "baskets": self.baskets,
            "minutes": self.minutes,
            "squads": self.floor.squads,
            "squad_minutes": self.floor.squad_minutes,
            "live_minutes": self.live_minutes,
            "live_share_wanted": self.live_share,
            "blocks": self.blocks,
            "calls": self.calls,
            "groups": self.floor.groups,
            "reps": self.reps,
            "turns": self.turns,
            "targets": {
                str(k): {**v.race.__dict__, "sets": v.sets} for k, v in self.targets.items()
            },
            "starts": self.starts,
            "ladders": self.ladders,
            "variety": self.variety.to_dict(),
            "text": self.text,
            "cautions": list(self.cautions),
            "provenance": self.provenance.to_dict(),
        }


def _counted(number: int, thing: str) -> str:
    return f"{number} {thing}" + ("" if number == 1 else "s")


def _in_ten(probability: float) -> int:
    return int(10 * probability + 1e-9)


def plan_session(
    players: Sequence[str],
    baskets: int,
    minutes: int,
    seed: int,
    *,
    drills: Sequence[Drill] = DRILLS,
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
        At least two codes; more than eight a basket are split into squads.
    baskets : int
        1 to 4.
    minutes : int
        Minutes on the floor, changes and water included.
    seed : int
        Same seed, same session.
    drills : sequence of Drill
        The program's own, see `transfer.session.drills.read_drills`; else the starter list.
    live_share : float
        Wanted share of live minutes, e.g. from the mix advice.
    rates : mapping, optional
        Attempts per player-minute by setting or mode; assumed where missing, and then said. A
        basket caps them.
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

    Raises
    ------
    ArgumentError
        When sizes are outside their rule.
    InfeasibleError
        When limits contradict each other; named before any optimisation.
    """
    names = tuple(str(p) for p in players)
    _check(names, baskets)
    whole = TimeLimits(
        minutes, live_share, live_cap, attempts_cap, jumps_cap,
        None if settings is None else tuple(settings),
    )  # fmt: skip
    floor = split_floor(names, baskets, minutes, seed)
    smallest = floor.sizes[0]
    listed = in_order(drills)
    paces = drill_paces(listed, map(len, floor.places.values()), rates)
    chosen = choose_blocks(
        listed,
        replace(whole, minutes=floor.squad_minutes),
        smallest,
        {drill: pace for (drill, size), pace in paces.items() if size == smallest},
        seed,
    )
    rating = None if ratings is None else _ratings(ratings)
    lines = lines_of(chosen, floor, seed, rating)
    calls = _calls(chosen, floor, paces, seed)
    reps = reps_of(chosen, lines, calls, paces)
    targets = {}
    for number, block in enumerate(chosen, start=1):
        taken = Counter(_places(reps[reps["block"] == number]))
        found = block_target(block, number, lines, taken, make_rates or {}, probability, seed)
        if found is not None:
            targets[number] = found
    called = reps.merge(calls.drop(columns="side"), on=["block", "call"])
    modes = {number: block.drill.mode for number, block in enumerate(chosen, start=1)}
    called = called[called["block"].map(modes) == "rep"]
    return SessionPlan(
        names, baskets, int(minutes), seed, live_share, tuple(b.drill for b in chosen), floor,
        _block_table(chosen, floor, reps, paces, targets), calls, lines, reps, targets,
        _starts(challenge, names), _ladders(challenge, names),
        variety(called.reindex(columns=list(TRAITS)).assign(n=1)),
        Provenance(
            seed, hash_frames(players=pd.DataFrame({"player": names})),
            settings={"baskets": baskets, "minutes": minutes, "live_share": live_share},
        ),
    )  # fmt: skip


def _check(names: tuple[str, ...], baskets: int) -> None:
    if len(names) < 2 or len(set(names)) != len(names):
        raise ArgumentError(
            f"{len(names)} players, {len(set(names))} different",
            rule="at least 2 different players",
            next_step="list each player once",
        )
    if not 1 <= baskets <= MOST_BASKETS:
        raise ArgumentError(
            f"baskets={baskets!r}",
            rule=f"1 to {MOST_BASKETS} baskets",
            next_step="pass the baskets you have",
        )


def _places(reps: pd.DataFrame) -> list[tuple[int, int]]:
    return list(zip(reps["squad"].tolist(), reps["basket"].tolist(), strict=True))


def _ratings(ratings: DefenderRatings) -> dict[str, float]:
    table = ratings.defenders
    return dict(zip(table["defender"], table["effect"], strict=True))


def _calls(
    chosen: Sequence[Block], floor: Floor, paces: Mapping[tuple[str, int], DrillPace], seed: int
) -> pd.DataFrame:
    """A call for every `CALL_MINUTES` of a block, at most one a round of the longest line."""
    parts = []
    for number, block in enumerate(chosen, start=1):
        if not block.drill.contest:
            continue
        largest = floor.sizes[1]
        shots = line_shots(block.drill, paces[block.drill.name, largest], largest, block.minutes)
        count = max(1, min(shots // largest, -(-block.minutes // CALL_MINUTES)))
        own = int(np.random.default_rng([seed, 5, number]).integers(2**31))
        parts.append(balanced_calls(count, levels_of(block.drill), own).assign(block=number))
    columns = ["block", "call", "side", "hand", "entry", "footwork", "spot"]
    if not parts:
        return pd.DataFrame({c: pd.Series([], dtype=object) for c in columns})
    return pd.concat(parts, ignore_index=True)[columns]


def _block_table(
    chosen: Sequence[Block],
    floor: Floor,
    reps: pd.DataFrame,
    paces: Mapping[tuple[str, int], DrillPace],
    targets: Mapping[int, BlockTarget],
) -> pd.DataFrame:
    sizes = [len(group) for group in floor.places.values()]
    players = sum(sizes)
    rows, start = [], 0
    for number, block in enumerate(chosen, start=1):
        drill, found = block.drill, targets.get(number)
        here, own = reps[reps["block"] == number], [paces[drill.name, n] for n in sizes]
        free = sum(pace.rate * n for pace, n in zip(own, sizes, strict=True)) * block.minutes
        attempts = (len(here) if drill.contest else free) / players
        rows.append({
            "block": number, "start": start, "minutes": block.minutes, "pause": block.pause,
            "drill": drill.name, "title": drill.title, "mode": drill.mode,
            "contest": drill.contest, "setting": drill.setting, "level": defence_level(drill),
            "attempts": attempts, "defends": len(here) * drill.defenders / players,
            "rate": attempts / block.minutes, "rate_source": own[0].source,
            "capped": any(pace.capped for pace in own),
            "idle": max(idle_share(drill, n) for n in sizes),
            "working": min(working(drill, n) for n in sizes), "order": drill.order,
            "ending": drill.ending if found is not None else "time",
            "sets": 1 if found is None else found.sets,
            "target": np.nan if found is None else float(found.race.target),
            "probability": np.nan if found is None else found.race.probability,
            "text": drill.text,
        })  # fmt: skip
        start += block.minutes + block.pause
    return pd.DataFrame(rows)


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
    kept &= table["distance_ft"] <= FARTHEST_FT + 1e-9
    return table.loc[kept, columns].reset_index(drop=True)
