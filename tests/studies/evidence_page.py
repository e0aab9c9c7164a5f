"""The page of `evidence`: tables in plain words and one picture, from the kept results alone."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import matplotlib.pyplot as plt
import pandas as pd

from transfer.reading.words import odds_factor

Done = Mapping[str, Mapping[str, Any]]

HEAD = """# Does it work on records that nobody here made?

Open records with the same structure: successes of attempts of a person in one or two settings
("practice"), and later or elsewhere ("games"). None is basketball. Sources, licences and the script
that made the files: `data/open_sets/README.md`. Everything ran through the documented defaults of
`transfer compare --settings mode` (level of the starting assumption included: it is a game rate of
basketball, and nothing was tuned to a set); forecasts of held-out people have seen their practice
and nothing of their target. Run: `make evidence`, seed 20261126; days of the parts: {days}.
"""


def _table(rows: list[dict[str, Any]]) -> str:
    frame = pd.DataFrame(rows)
    lines = ["| " + " | ".join(frame.columns) + " |", "|" + "---|" * len(frame.columns)]
    lines += ["| " + " | ".join(map(str, row)) + " |" for row in frame.itertuples(index=False)]
    return "\n".join(lines) + "\n"


def _readings(done: Done, known: Mapping[str, tuple[str, str]]) -> str:
    rows = []
    for name, (what, answer) in known.items():
        if f"reading {name}" not in done:
            continue
        found = done[f"reading {name}"]["found"]
        row = {"set": f"`{name}`", "what": what, "people": found["players"], "known": answer}
        if found["contrast"] is None:
            rho = found["settings"][0]["rho"]
            said = f"correlation {rho['mean']:.2f} ({rho['low']:.2f} to {rho['high']:.2f})"
        else:
            limits = found["contrast"]["interval"]
            side = f" {found['favours']}" if found["favours"] else ""
            said = (
                f"{found['word'].replace('_', ' ')}{side}: live minus rep "
                f"{100 * found['contrast']['mean']:.0f} points of R² ({100 * limits['low']:.0f} to "
                f"{100 * limits['high']:.0f}), Bayes factor {odds_factor(found['bayes_factor'])}"
            )
        rows.append({**row, "reading (90 % equal-tailed)": said,
                     "processor s": f"{found['seconds']:.1f}"})  # fmt: skip
    return _table(rows)


def _scores(done: Done, key: str) -> str:
    rows = [
        {
            "forecast": row["forecast"],
            "log score a person": f"{row['log_score']:.3f}",
            "minus `transfer` (SE)": f"{row['minus_transfer']:+.3f} ({row['se']:.3f})",
            "root mean squared error": f"{row['rmse']:.4f}",
            "90 % bands hold": f"{row['coverage']:.3f}",
            "should hold": f"{row['expected']:.3f}",
        }
        for row in done[key]["found"]["rows"]
        # The forecast without practice does not know the role here, so it is no fair rival.
        if "position" not in key or "not looked at" not in row["forecast"]
    ]
    return _table(rows)


def _summary(done: Done) -> str:
    """Where the log score stands against the simple rivals and the best of the others."""
    simple, rows = {"raw", "pooled", "beta_binomial"}, []
    for key in (part for part in done if part.startswith("scores ")):
        found = {row["forecast"]: row for row in done[key]["found"]["rows"]}
        ahead = all(found[name]["minus_transfer"] < 0 for name in simple)
        others = [found[name] for name in ("regression", "mixture")]
        best = max(others, key=lambda row: row["minus_transfer"])
        within = best["minus_transfer"] <= best["se"]
        rows.append(
            {"set": f"`{key.removeprefix('scores ')}`",
             "ahead of raw, pooled, beta-binomial": "yes" if ahead else "no",
             "best of the others": best["forecast"],
             "ahead of it or within one standard error": "yes" if within else "no"}
        )  # fmt: skip
    return _table(rows)


def _cover(done: Done, key: str) -> str:
    cover = done[key]["found"]["cover"]
    sixths = "; ".join(
        f"{part['from']}-{part['to']}: {part['coverage']:.3f} (should: {part['expected']:.3f})"
        for part in cover["sixths"]
    )
    return f"`transfer`'s bands of makes to come, by sixths of target attempts: {sixths}.\n"


def _samples(done: Done, known: Mapping[str, tuple[str, str]], sizes: tuple[int, ...]) -> str:
    rows = []
    for name, (_, answer) in known.items():
        whole = done.get(f"reading {name}")
        if whole is None:
            continue
        two = "no second" not in answer
        found = whole["found"]
        truth = found["contrast"]["mean"] if two else found["settings"][0]["rho"]["mean"]
        for size in sizes:
            drawn = [
                row["found"] for part, row in done.items()
                if part.startswith(f"sample {name} {size} ")
            ]  # fmt: skip
            if not drawn:
                continue
            words = pd.Series([f"{d['word']} {d['favours'] or ''}".strip() for d in drawn])
            told = ", ".join(f"{w.replace('_', ' ')} {n}" for w, n in words.value_counts().items())
            held = sum(d["low"] <= truth <= d["high"] for d in drawn)
            rows.append(
                {"set": f"`{name}`", "people": size, "samples": len(drawn),
                 "interval holds the whole set's answer": f"{held} of {len(drawn)}",
                 "verdicts": told if two else "-"}
            )  # fmt: skip
    return _table(rows)


def _rolling(done: Done) -> str:
    rows: list[dict[str, str]] = []
    refused: list[str] = []
    for key, what in (("linked", "players over seasons"), ("apart", "every player-season apart")):
        if f"rolling {key}" not in done:
            continue
        refused += [
            f"{what}, {r['year']}: {r['refused']}.\n"
            for r in done[f"rolling {key}"]["found"] if "refused" in r
        ]  # fmt: skip
        rows += [
            {"units": what, "year": r["year"], "people": r["people"],
             "log score a person": f"{r['log_score']:.3f}",
             "root mean squared error": f"{r['rmse']:.4f}",
             "90 % bands hold": f"{r['coverage']:.3f}", "should hold": f"{r['expected']:.3f}"}
            for r in done[f"rolling {key}"]["found"] if "refused" not in r
        ]  # fmt: skip
    told = (_table(rows) if rows else "Not run.\n") + "\n"
    return told + "".join(f"No forecast: {one}" for one in refused)


def _picture(done: Done, known: Mapping[str, tuple[str, str]], path: Path) -> None:
    """How far each rival's log score lies from this package's, set by set."""
    names = [n for n in known if f"scores {n}" in done]
    figure, axes = plt.subplots(1, len(names), figsize=(2.3 * len(names) + 1.5, 3.2), sharey=True)
    for ax, name in zip(axes, names, strict=True):
        rows = [r for r in done[f"scores {name}"]["found"]["rows"] if r["forecast"] != "transfer"]
        place = range(len(rows))
        gaps = [max(r["minus_transfer"], -0.9) for r in rows]
        ax.axvline(0, color="0.6", linewidth=0.8)
        ax.errorbar(gaps, place, xerr=[min(r["se"], 0.4) for r in rows], fmt="o", color="#30506e")
        for at, row in zip(place, rows, strict=True):
            if row["minus_transfer"] < -0.9:
                ax.annotate("far left", (-0.9, at), (3, 6), textcoords="offset points", fontsize=7)
        ax.set_title(name.replace("_", " "), fontsize=9)
        ax.set_yticks(list(place), [r["forecast"] for r in rows], fontsize=8)
        ax.tick_params(axis="x", labelsize=7)
        ax.set_xlim(-1.0, 0.4)
    axes[0].invert_yaxis()
    figure.supxlabel("log score a person minus transfer's (bar: one standard error)", fontsize=8)
    figure.tight_layout()
    figure.savefig(path, metadata={"Date": None})
    plt.close(figure)


def write_page(
    done: Done, known: Mapping[str, tuple[str, str]], sizes: tuple[int, ...], out: Path
) -> None:
    """Write ``evidence.md`` and ``evidence.svg``.

    Parameters
    ----------
    done : mapping
        Part to its kept result.
    known : mapping
        Set to what it is and the answer that its design makes known.
    sizes : tuple of int
    out : Path
        Folder.
    """
    days = sorted({row["day"] for row in done.values()})
    plt.rcParams["svg.hashsalt"] = "transfer"
    text = [HEAD.format(days=" to ".join(dict.fromkeys((days[0], days[-1]))))]
    text += ["## Readings\n", _readings(done, known)]
    text += ["## Forecasts of held-out people\n", "![scores](evidence.svg)\n", SCORES]
    text += [_summary(done)]
    for key in (part for part in done if part.startswith("scores ")):
        text += [f"### `{key.removeprefix('scores ')}`\n", _scores(done, key), _cover(done, key)]
    text += ["## Small samples of a known whole\n", SAMPLES, _samples(done, known, sizes)]
    text += ["## Year by year\n", ROLLING, _rolling(done)]
    (out / "evidence.md").write_text("\n".join(text), encoding="utf-8")
    _picture(done, known, out / "evidence.svg")


SCORES = """Five folds of people by lot. `raw`: average in practice; `pooled`: one rate for all;
`beta_binomial`: practice averages shrunk, taken as the target's rate; `regression`: beta-binomial
regression of the target on the logits of shrunken practice rates; `mixture`: smooth nonparametric
mixture over practice and target rates. Above 0 in the third column a rival did better. "Should
hold": bands of whole makes hold a little more than 90 % by themselves.
"""
SAMPLES = """Random samples of people, read by the same command; how often the 90 % interval of the
sample's reading holds the answer of the whole set (the contrast, or the correlation where there is
one setting). The whole set's answer has its own uncertainty, so fewer than 90 of 100 may hold it.
"""
ROLLING = """Each year's target forecast from the years before and this year's practice, once with a
player's seasons linked, once with every player-season a player of its own (the first version).
"""
