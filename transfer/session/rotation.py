"""Who defends whom: everyone about equally often, no pair twice before every pair has met.

Pairs come from a round-robin table (circle method, common knowledge in tournament design), so a
pair returns only when all pairs have been used. Who of a pair defends is a small integer program
solved by HiGHS. Work against two defenders is chosen turn by turn by the same solver.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import optimize, sparse

from transfer.errors import ArgumentError

__all__ = ["one_on_one", "one_against_two", "round_robin"]


def round_robin(
    players: Sequence[str], rating: Mapping[str, float] | None = None
) -> list[tuple[str, str]]:
    """Every pair once, in rounds in which nobody appears twice.

    Parameters
    ----------
    players : sequence of str
    rating : mapping of str to float, optional
        Defender ratings (lower is better defence); rounds with the closest pairs come first.

    Returns
    -------
    list of (str, str)
    """
    ring: list[str | None] = list(players)
    if len(ring) % 2:
        ring.append(None)
    half, rounds = len(ring) // 2, []
    for _ in range(len(ring) - 1):
        pairs = zip(ring[:half], reversed(ring[half:]), strict=True)
        rounds.append([(a, b) for a, b in pairs if a is not None and b is not None])
        ring = [ring[0], ring[-1], *ring[1:-1]]
    if rating:
        rounds.sort(key=lambda r: sum(abs(rating.get(a, 0.0) - rating.get(b, 0.0)) for a, b in r))
    return [pair for one in rounds for pair in one]


def one_on_one(
    players: Sequence[str],
    baskets: int,
    turns: int,
    seed: int,
    rating: Mapping[str, float] | None = None,
) -> pd.DataFrame:
    """Turns of one shooter against one defender at each basket.

    Parameters
    ----------
    players : sequence of str
        At least two.
    baskets : int
        Pairs that play at the same time.
    turns : int
        Number of turns.
    seed : int
        Seed of the starting order.
    rating : mapping, optional
        See `round_robin`.

    Returns
    -------
    DataFrame
        ``turn``, ``basket``, ``shooter``, ``defender``; times as shooter and as defender are as
        even as the turns allow.

    Raises
    ------
    ArgumentError
        When there are fewer than two players, baskets or turns than one.
    """
    _check(players, 2, baskets, turns)
    order = [str(p) for p in np.random.default_rng(seed).permutation(list(players))]
    rows: list[tuple[int, int, str, str]] = []
    queue: list[tuple[str, str]] = []
    for turn in range(1, turns + 1):
        if not queue:
            queue = round_robin(order, rating)
        busy: set[str] = set()
        chosen: list[tuple[str, str]] = []
        for pair in queue:
            if len(chosen) < baskets and not busy.intersection(pair):
                chosen.append(pair)
                busy.update(pair)
        queue = [pair for pair in queue if pair not in chosen]
        rows.extend((turn, b + 1, *pair) for b, pair in enumerate(chosen))
    table = pd.DataFrame(rows, columns=["turn", "basket", "shooter", "defender"])
    swap = _orient(table, order)
    shooter = np.where(swap, table["defender"], table["shooter"])
    defender = np.where(swap, table["shooter"], table["defender"])
    return table.assign(shooter=shooter, defender=defender)


def _orient(table: pd.DataFrame, players: Sequence[str]) -> np.ndarray:
    """Which rows to turn round so that everyone defends half of his turns, give or take one.

    When a pair meets again the roles are exchanged, so those meetings cancel. What is left is a
    simple graph, and orienting its edges with in- and out-degree within one of each other is
    always possible (Eulerian orientation; textbook graph theory); HiGHS finds it.
    """
    code = {p: i for i, p in enumerate(players)}
    first = table["shooter"].map(code).to_numpy()
    second = table["defender"].map(code).to_numpy()
    seen: dict[tuple[int, int], int] = {}
    partner = np.full(len(table), -1)
    for at, pair in enumerate(zip(first.tolist(), second.tolist(), strict=True)):
        key = (min(pair), max(pair))
        if key in seen:
            partner[at] = seen.pop(key)
        else:
            seen[key] = at
    alone = np.array(sorted(seen.values()), dtype=int)
    swap = np.zeros(len(table), dtype=bool)
    swap[alone] = _euler(first[alone], second[alone], len(players))
    for at in np.flatnonzero(partner >= 0).tolist():
        earlier = partner[at]
        turned = swap[earlier] != (first[at] != first[earlier])
        swap[at] = not turned
    return swap


def _euler(first: np.ndarray, second: np.ndarray, count: int) -> np.ndarray:
    """Edges to reverse so that every node is the second end of half its edges, rounded."""
    if first.size == 0:
        return np.zeros(0, dtype=bool)
    edges = np.arange(first.size)
    change = sparse.coo_matrix(
        (
            np.r_[np.ones(first.size), -np.ones(first.size)],
            (np.r_[first, second], np.r_[edges, edges]),
        ),
        shape=(count, first.size),
    )
    start = np.bincount(second, minlength=count)
    met = start + np.bincount(first, minlength=count)
    found = optimize.milp(
        np.zeros(first.size),
        constraints=optimize.LinearConstraint(
            change.tocsc(), met // 2 - start, (met + 1) // 2 - start
        ),
        integrality=np.ones(first.size),
        bounds=optimize.Bounds(0.0, 1.0),
    )
    return np.asarray(found.x) > 0.5


def one_against_two(
    players: Sequence[str],
    baskets: int,
    turns: int,
    seed: int,
    before: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Turns of one shooter against a trailing defender and a rim protector.

    Parameters
    ----------
    players : sequence of str
        At least three.
    baskets, turns, seed
        See `one_on_one`.
    before : DataFrame, optional
        Earlier turns (``shooter``, ``defender``) that count towards an even share.

    Returns
    -------
    DataFrame
        ``turn``, ``basket``, ``shooter``, ``defender`` (trailing), ``second_defender`` (rim). Each
        turn has the least sum of earlier meetings and earlier turns in the same role.

    Raises
    ------
    ArgumentError
        When there are fewer than three players, baskets or turns than one.
    """
    _check(players, 3, baskets, turns)
    rng = np.random.default_rng(seed)
    names = [str(p) for p in players]
    P = len(names)
    trios = np.array([(s, *d) for s in range(P) for d in combinations(range(P), 2) if s not in d])
    member = sparse.coo_matrix(
        (np.ones(3 * len(trios)), (trios.ravel(), np.repeat(np.arange(len(trios)), 3))),
        shape=(P, len(trios)),
    ).tocsc()
    shots, defends, met = _history(names, before)
    rims = np.zeros(P)
    rows = []
    places = min(baskets, P // 3)
    for turn in range(1, turns + 1):
        s, a, b = trios.T
        cost = (
            4.0 * (shots[s] - shots.min())
            + 2.0 * (defends[a] + defends[b] - 2.0 * defends.min())
            + 3.0 * (met[s, a] + met[s, b])
            + 0.01 * rng.random(len(trios))
        )
        chosen = _packing(cost, member, places)
        for place, at in enumerate(chosen):
            shooter, one, two = trios[at]
            trail, rim = (one, two) if rims[one] >= rims[two] else (two, one)
            rows.append((turn, place + 1, names[shooter], names[trail], names[rim]))
            shots[shooter] += 1
            rims[rim] += 1
            defends[[one, two]] += 1
            met[shooter, [one, two]] += 1
    return pd.DataFrame(rows, columns=["turn", "basket", "shooter", "defender", "second_defender"])


def _history(
    names: Sequence[str], before: pd.DataFrame | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Earlier turns as shooter and as defender, and meetings."""
    P = len(names)
    met = np.zeros((P, P))
    if before is not None:
        code = {name: at for at, name in enumerate(names)}
        np.add.at(met, (before["shooter"].map(code), before["defender"].map(code)), 1.0)
    return met.sum(axis=1), met.sum(axis=0), met


def _packing(cost: np.ndarray, member: sparse.csc_matrix, places: int) -> np.ndarray:
    """Cheapest set of `places` trios without a common player (HiGHS)."""
    keep = np.argsort(cost, kind="stable")[:600]
    for pick in (keep, np.arange(cost.size)):
        found = optimize.milp(
            cost[pick],
            constraints=[
                optimize.LinearConstraint(member[:, pick], 0.0, 1.0),
                optimize.LinearConstraint(np.ones((1, pick.size)), places, places),
            ],
            integrality=np.ones(pick.size),
            bounds=optimize.Bounds(0.0, 1.0),
            options={"time_limit": 2.0},
        )
        if found.x is not None:
            return pick[np.asarray(found.x) > 0.5]
    raise ArgumentError(
        f"no {places} groups of three without a common player",
        rule="places <= players // 3",
        next_step="use fewer baskets for this block",
    )


def _check(players: Sequence[str], least: int, baskets: int, turns: int) -> None:
    if len(players) < least or len(set(players)) != len(players):
        raise ArgumentError(
            f"{len(players)} players, {len(set(players))} different",
            rule=f"at least {least} different players",
            next_step="list each player once",
        )
    if baskets < 1 or turns < 1:
        raise ArgumentError(
            f"baskets={baskets!r}, turns={turns!r}",
            rule="at least one basket and one turn",
            next_step="pass whole numbers of 1 or more",
        )
