"""Problems folded by cause, for a person: one line a cause, its first rows named, all counted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from transfer.records.problems import Problem

__all__ = ["by_cause", "cause_lines"]

#: Rows, values and next steps of one cause that are named; the rest is counted or left out.
_NAMED = 3
#: What problems of one cause have in common.
_SHARED = ("severity", "file", "sheet", "cause")


def by_cause(problems: Iterable[Problem]) -> list[dict[str, Any]]:
    """Fold problems that have one cause in one file into one entry.

    Parameters
    ----------
    problems : iterable of Problem
        In the order in which their causes shall stand.

    Returns
    -------
    list of dict
        Keys ``severity``, ``file``, ``sheet``, ``cause``, ``rule`` (of the problem, or the cause
        where several rules share it), ``count`` (of places), ``first_rows`` (up to three row
        numbers), ``more_rows`` (places in other rows), ``columns``, ``values`` (up to three, the
        most frequent first), ``next_step``.
    """
    folded: dict[tuple[Any, ...], list[Problem]] = {}
    for problem in problems:
        folded.setdefault(tuple(getattr(problem, name) for name in _SHARED), []).append(problem)
    return [
        {**dict(zip(_SHARED, shared, strict=True)), **_summary(alike)}
        for shared, alike in folded.items()
    ]


def _summary(alike: Sequence[Problem]) -> dict[str, Any]:
    """What stands in the line of one cause beside what its problems share."""
    placed = [problem for problem in alike if problem.row is not None]
    rows = sorted({problem.row for problem in placed if problem.row is not None})[:_NAMED]
    shown = sum(problem.row in rows for problem in placed)
    columns = list(dict.fromkeys(problem.column for problem in alike if problem.column))
    rules = {problem.rule for problem in alike}
    return {
        "rule": rules.pop() if len(rules) == 1 else alike[0].cause,
        "count": sum(problem.count for problem in alike),
        "first_rows": rows,
        "more_rows": sum(problem.count for problem in placed) - shown,
        "columns": columns,
        "values": _most_frequent(alike, "value"),
        "next_step": _next_step(alike, "column" if len(columns) > 1 else "value"),
    }


def _most_frequent(alike: Sequence[Problem], name: str) -> list[str]:
    """The texts that most places hold, blanks left out; a fourth entry stands for more of them."""
    counted: Counter[str] = Counter()
    for problem in alike:
        counted[getattr(problem, name)] += problem.count
    del counted[""]
    texts = [text for text, _ in counted.most_common()]
    return texts if len(texts) <= _NAMED else [*texts[:_NAMED], "…"]


def _next_step(alike: Sequence[Problem], told_apart_by: str) -> str:
    """The one next step, or the most frequent ones, each with the column or value it is for."""
    steps = _most_frequent(alike, "next_step")
    if len(steps) == 1:
        return steps[0]
    named = []
    for step in steps:
        labels = _most_frequent(
            [problem for problem in alike if problem.next_step == step], told_apart_by
        )
        named.append(f"{', '.join(labels)}: {step}" if labels else step)
    return "; ".join(named)


def cause_lines(problems: Iterable[Mapping[str, Any]]) -> list[dict[str, str]]:
    """The lines of `by_cause` as texts for a table.

    Parameters
    ----------
    problems : iterable of mapping
        Problems as plain values, see `Problem`.

    Returns
    -------
    list of dict
        Keys severity, file, sheet, rows (``3, 5, 9 and 40 more``), column, value, rule, next_step.
    """
    lines = []
    for cause in by_cause(Problem(**problem) for problem in problems):
        rows = ", ".join(str(row) for row in cause["first_rows"])
        more = f" and {cause['more_rows']:,} more" if cause["more_rows"] else ""
        lines.append(
            {
                "severity": cause["severity"],
                "file": cause["file"],
                "sheet": cause["sheet"],
                "rows": rows + more,
                "column": ", ".join(cause["columns"]),
                "value": ", ".join(cause["values"]),
                "rule": cause["rule"],
                "next_step": cause["next_step"],
            }
        )
    return lines
