"""Charted practice of the demo data: drills, sessions, stopping rules, defenders, two charters.

Every session a player attends has four blocks of work: on-air reps, reps against a light contest
that does not decide freely, live work against a trailing defender, and live work against a rim
protector as well. Some rep drills stop on the outcome (first to k makes, or a ladder that moves
on with every make), so their raw rate is biased upward, as in real charts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit

from transfer.records.geometry import spot
from transfer.simulation.people import People
from transfer.simulation.plans import DemoPlan
from transfer.simulation.seasons import FOUR_KINDS

__all__ = ["SESSIONS_A_WEEK", "Work", "drills_table", "plan_work", "practice_table"]

SESSIONS_A_WEEK = 2
_SESSION_DAYS = (0, 2)
_SPOTS = ("block", "mark_1", "mark_2", "mark_3")
_SPOT_FT = np.asarray([spot(name, "NFHS").distance_ft for name in _SPOTS])
_REFERENCE_FT = 8.0
#: Share of a mode's minutes in each block of work.
_SPLIT = (0.5, 0.5, 0.55, 0.45)
_ATTENDANCE = 0.96
#: Share of sessions that a second charter charted as well.
_DOUBLE = 0.05
#: Program whose charters leave mode and contest of one drill to the drills table.
_TERSE_PROGRAM, _TERSE_DRILL = "DSK", "baseline_hand_up"


@dataclass(frozen=True)
class _Drill:
    """A drill of one block of work; `stop` is how a set ends."""

    name: str
    block: int
    order: str
    entry: str
    footwork: str
    stop: str
    description: str


_DRILLS = (
    _Drill(
        "short_roll_spot", 0, "blocked", "catch", "two_foot", "time",
        "Short roll to one marked spot without a defender, a passer feeds; the spot is charted.",
    ),
    _Drill(
        "lane_rungs", 0, "serial", "dribble", "one_foot", "ladder",
        "Four marks along the lane are the rungs; a make moves on to the next, sides alternate.",
    ),
    _Drill(
        "baseline_hand_up", 1, "serial", "dribble", "one_foot", "time",
        "Baseline drive past a helper who keeps a hand up and stays on the floor; set side.",
    ),
    _Drill(
        "transition_first_to", 1, "random", "dribble", "one_foot", "first_to",
        "Transition finish over a retreating helper's hand, side called late; ends with the k-th "
        "make.",
    ),
    _Drill(
        "screen_drop", 2, "random", "dribble", "one_foot", "time",
        "Ball screen against drop coverage: the defender goes over the screen and trails.",
    ),
    _Drill(
        "post_face_up", 2, "random", "turn", "two_foot", "time",
        "Post entry, face up and finish; the defender starts a step behind and recovers.",
    ),
    _Drill(
        "baseline_and_help", 3, "random", "dribble", "one_foot", "time",
        "Baseline drive with a defender behind and help stepping over from the far side.",
    ),
    _Drill(
        "kick_and_drive", 3, "random", "catch", "two_foot", "time",
        "Three against three from a kick-out to the perimeter; any finish, shots of this range "
        "are charted.",
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Work:
    """Minutes planned and done, before any shot.

    Parameters
    ----------
    share : array, shape (P, T)
        Live share of the charted minutes as it came out.
    block_minutes : array, shape (P, T, sessions, 4)
        Minutes of each block; 0 when the player was away.
    """

    share: np.ndarray
    block_minutes: np.ndarray

    @property
    def minutes(self) -> np.ndarray:
        """Minutes of rep and live work, shape (2, P, T)."""
        by_block = self.block_minutes.sum(axis=2)
        return np.stack([by_block[..., :2].sum(axis=-1), by_block[..., 2:].sum(axis=-1)])


def plan_work(plan: DemoPlan, arm: np.ndarray, rng: np.random.Generator) -> Work:
    """Turn assigned (or usual) mixes into minutes of work.

    Parameters
    ----------
    plan : DemoPlan
    arm : array of int, shape (P, T)
    rng : Generator

    Returns
    -------
    Work
        Minutes in halves, as a charter writes them.
    """
    planned = np.where(arm == 0, plan.usual_live, np.where(arm > 0, plan.high, 1.0 - plan.high))
    noise = plan.share_noise * rng.standard_normal(arm.shape)
    share = expit(np.log(planned / (1.0 - planned)) + noise)
    total = plan.minutes * np.exp(0.08 * rng.standard_normal(arm.shape)) / SESSIONS_A_WEEK
    by_mode = np.stack([1.0 - share, 1.0 - share, share, share], axis=-1)
    block = total[..., None] * by_mode * np.asarray(_SPLIT)
    block = np.repeat(block[:, :, None, :], SESSIONS_A_WEEK, axis=2)
    there = rng.random(block.shape[:3]) < _ATTENDANCE
    return Work(share, np.round(2.0 * block) / 2.0 * there[..., None])


def practice_table(
    plan: DemoPlan, people: People, work: Work, dose: np.ndarray, rng: np.random.Generator
) -> pd.DataFrame:
    """Chart the practice of a season.

    Parameters
    ----------
    plan : DemoPlan
    people : People
    work : Work
    dose : array, shape (2, P, T)
        Response to the exposure before each week.
    rng : Generator

    Returns
    -------
    DataFrame
        Rows of the practice table, second charts included.
    """
    p, week, session, block = np.nonzero(work.block_minutes)
    minutes = work.block_minutes[p, week, session, block]
    program = people.program[p]
    # The staff choose the drill of a block for the whole program.
    shape = (len(plan.programs), plan.weeks, SESSIONS_A_WEEK, len(FOUR_KINDS))
    drill = 2 * block + (rng.random(shape) < 0.42)[program, week, session, block]
    eta = _levels(plan, people, dose, (p, week, session, block), rng)
    defender = _defenders(people, p, block, rng)
    eta += np.where(defender >= 0, people.defence[defender], 0.0)
    place = rng.integers(len(_SPOTS), size=shape[:3])[program, week, session]
    mode = (block >= 2).astype(int)
    n, y, target = _shoot(plan, drill, eta, place, people.pace[mode, p] * minutes, rng)
    side = np.asarray(["left", "right"])[(p + week + session) % 2]
    labels = np.asarray(FOUR_KINDS)[block]
    charter = 2 * program + (rng.random(shape[:3]) < 0.5)[program, week, session]
    entry, footwork = _routes(drill, rng)
    days = np.asarray([[plan.monday(w).toordinal() + d for d in _SESSION_DAYS]
                       for w in range(plan.weeks)])  # fmt: skip
    dates = {o: pd.Timestamp.fromordinal(int(o)).date().isoformat() for o in np.unique(days)}
    frame = pd.DataFrame(
        {
            "date": [dates[o] for o in days[week, session]],
            "session": "1",
            "player": people.code[p],
            "drill": np.asarray([d.name for d in _DRILLS])[drill],
            "mode": labels[:, 0],
            "contest": labels[:, 1],
            "attempts": n,
            "makes": y,
            "minutes": minutes,
            "spot": np.where(drill == 0, np.asarray(_SPOTS)[place], ""),
            "side": np.where(drill == 0, side, ""),
            "entry": entry,
            "footwork": footwork,
            "target": pd.array(np.where(target > 0, target, 0), dtype="Int64"),
            "defender": np.where(defender >= 0, people.code[defender], ""),
            "charter": [f"C{c + 1:02d}" for c in charter],
            "second_chart": "",
            "program": np.asarray(plan.programs)[program],
            "season": plan.season,
        }
    )
    frame.loc[frame["target"] == 0, "target"] = pd.NA
    twice = (rng.random(shape[:3]) < _DOUBLE)[program, week, session]
    frame = pd.concat([frame[n > 0], _second_chart(frame[twice & (n > 0)], rng)])
    terse = (frame["program"] == _TERSE_PROGRAM) & (frame["drill"] == _TERSE_DRILL)
    frame.loc[terse & (frame["second_chart"] == ""), ["mode", "contest"]] = ""
    keys = ["date", "program", "player", "drill", "second_chart"]
    return frame.sort_values(keys, kind="stable").reset_index(drop=True)


def drills_table() -> pd.DataFrame:
    """Return the drills with the defaults that fill blanks of the practice table."""
    return pd.DataFrame(
        [
            {
                "drill": d.name,
                "mode": FOUR_KINDS[d.block][0],
                "contest": FOUR_KINDS[d.block][1],
                "entry": d.entry,
                "footwork": d.footwork,
                "order": d.order,
                "description": d.description,
            }
            for d in _DRILLS
        ]
    )


def _levels(
    plan: DemoPlan,
    people: People,
    dose: np.ndarray,
    index: tuple[np.ndarray, ...],
    rng: np.random.Generator,
) -> np.ndarray:
    """Logit rate of every block of work at 8 ft, defender apart."""
    p, week, session, block = index
    effects = plan.effects
    gain = np.einsum("rk,kr->r", effects.gains[block], dose[:, p, week] - 1.0)
    team = effects.week_sd * rng.standard_normal((len(plan.programs), plan.weeks, 2))
    day = effects.session_sd * rng.standard_normal((plan.size, plan.weeks, SESSIONS_A_WEEK))
    return np.asarray(
        people.theta[p, block]
        + gain
        + team[people.program[p], week, (block >= 2).astype(int)]
        + day[p, week, session]
    )


def _defenders(
    people: People, p: np.ndarray, block: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """A teammate other than the shooter for live blocks, -1 for reps."""
    size = int(np.sum(people.program == 0))
    other = (p % size + rng.integers(1, size, len(p))) % size
    return np.where(block >= 2, people.program[p] * size + other, -1)


def _shoot(
    plan: DemoPlan,
    drill: np.ndarray,
    eta: np.ndarray,
    place: np.ndarray,
    expected: np.ndarray,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Attempts, makes and target of every row under the drill's own stopping rule."""
    stop = np.asarray([d.stop for d in _DRILLS])[drill]
    spot_shift = plan.effects.distance * (_SPOT_FT - _REFERENCE_FT)
    rate = expit(eta + np.where(drill == 0, spot_shift[place], 0.0))
    n = np.maximum(rng.poisson(expected), 0)
    y = rng.binomial(n, rate)
    target = np.zeros(len(n), dtype=np.int64)

    first = np.flatnonzero(stop == "first_to")
    k = np.maximum(5 * np.round(expected[first] * rate[first].mean() / 5), 5).astype(np.int64)
    n[first], y[first], target[first] = k + rng.negative_binomial(k, rate[first]), k, k

    ladder = np.flatnonzero(stop == "ladder")
    # Rungs: two sides at each of the four spots, once or more up the ladder.
    per_spot = 2 * np.maximum(np.round(expected[ladder] * rate[ladder].mean() / 8), 1)
    per_spot = per_spot.astype(np.int64)
    rungs = expit(eta[ladder][:, None] + spot_shift[None, :])
    k = len(_SPOTS) * per_spot
    n[ladder] = k + rng.negative_binomial(per_spot[:, None], rungs).sum(axis=1)
    y[ladder], target[ladder] = k, k
    return n, y, target


def _routes(drill: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Entry and footwork where the route is called in the drill; blank where the drill fixes it."""
    called = np.asarray([d.order == "random" for d in _DRILLS])[drill]
    entry = rng.choice(np.asarray(["catch", "dribble", "turn"]), len(drill), p=[0.3, 0.5, 0.2])
    footwork = rng.choice(np.asarray(["one_foot", "two_foot"]), len(drill), p=[0.6, 0.4])
    return np.where(called, entry, ""), np.where(called, footwork, "")


def _second_chart(frame: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Chart rows again as another person would: contest and tally sometimes differ."""
    again = frame.copy()
    draw = rng.random(len(again))
    live = (again["mode"] == "live").to_numpy()
    swapped = {
        "none": "light", "light": "none",
        "trailing": "front_and_trailing", "front_and_trailing": "trailing",
    }  # fmt: skip
    differs = draw < np.where(live, 0.12, 0.06)
    again["contest"] = np.where(differs, again["contest"].map(swapped), again["contest"])
    slip = np.where(rng.random(len(again)) < 0.04, 1, 0)
    again["makes"] = np.maximum(again["makes"].to_numpy() - slip, 0)
    number = again["charter"].str[1:].astype(int)
    again["charter"] = [f"C{c + 1 if c % 2 else c - 1:02d}" for c in number]
    again["second_chart"] = "yes"
    return again
