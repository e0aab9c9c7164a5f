"""What breaks when records are not as the models assume, and what the product says then.

    python tests/studies/misspecification.py --out reports/studies

Invented seasons with one fault each. Transfer: 84 players of 6 programs, true contrast .30, fitted
by sampling. Growth: 6 teams of 14, true live-minus-rep gain 0 and .15 logit, Laplace
approximation. One line per season is kept in ``misspecification.jsonl``; a stopped run goes on
where it stopped. Seasons are run index by index, so that all faults of a part have about the same
number. Sizes of the faults are scenario assumptions with no source.
"""

from __future__ import annotations

import datetime as dt
import json
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import click
import numpy as np
import pandas as pd
from scipy.special import expit

from transfer.errors import TransferError
from transfer.files import write_text
from transfer.models.composition import compose
from transfer.models.fit import fit_transfer
from transfer.models.growth_data import GrowthData, growth_data_from_season
from transfer.models.growth_laplace import fit_growth_laplace
from transfer.models.growth_settings import GrowthSettings
from transfer.models.predictive import posterior_predictive
from transfer.models.tails import TAIL_DOUBT
from transfer.provenance import hash_frames, package_versions
from transfer.rates.agreement import cohen_agreement
from transfer.rates.dispersion import deflate, dispersion
from transfer.reading.reading import read_transfer
from transfer.records.cells import GAME, Cells
from transfer.simulation.faults import (
    ContestMislabelling,
    DefenderEffects,
    Fault,
    HeavyTails,
    Overdispersion,
    Rows,
)
from transfer.simulation.growth import Confounding, GrowthTruth, simulate_growth
from transfer.simulation.schedules import Crossover, Observational
from transfer.simulation.seasons import operating_truth, simulate_cells, true_reading
from transfer.trial.plan import DEFAULT_ROPE_POINTS
from transfer.trial.readings import read_contrast
from transfer.trial.wording import CHOSEN_MIX, headline

PLAYERS, PROGRAMS, CONTRAST = 84, 6, 0.30
ROPE = (-0.05, 0.05)
#: Seasons a case that the study is planned for.
PLANNED = 40
GROWTH_DELTAS = (0.0, 0.15)
#: Share of the practised rep minutes that nobody charted: mean and beta concentration by player.
UNLOGGED, UNLOGGED_SIZE = 0.30, 10.0
#: Sd of a player's weekly form and how strongly the staff follows it, logits.
FORM_SD, FORM_PUSH = 0.25, 1.0


@dataclass(frozen=True)
class CharterStrictness(Fault):
    """Two charters share the squad: one calls light contest heavier, the other lighter.

    Parameters
    ----------
    share : float
        Share of the practice attempts that each charter moves in his direction.
    """

    share: float = 0.30

    def labels(self, rows: Rows, rng: np.random.Generator) -> Rows:
        """Move attempts of even players up, of odd players down, within their mode."""
        modes = np.asarray(rows.modes)
        target = rows.setting + np.where(rows.player % 2 == 0, 1, -1)
        inside = (target >= 0) & (target < len(modes))
        target = np.where(inside, target, rows.setting)
        target = np.where(modes[target] == modes[rows.setting], target, rows.setting)
        moving = np.where(target == rows.setting, 0, rng.binomial(rows.n, self.share))
        makes = rng.hypergeometric(rows.y, rows.n - rows.y, moving)
        both = {name: np.tile(getattr(rows, name), 2) for name in ("player", "eta", "defender")}
        return replace(
            rows,
            setting=np.concatenate([rows.setting, target]),
            n=np.concatenate([rows.n - moving, moving]),
            y=np.concatenate([rows.y - makes, makes]),
            **both,
        )


class Sessions(Fault):
    """Changes nothing; keeps the groups of attempts as they were shot."""

    rows: Rows | None = None

    def labels(self, rows: Rows, rng: np.random.Generator) -> Rows:
        """Keep the rows and hand them on."""
        self.rows = rows
        return rows


#: The remedy that the product advises where days vary, and the one where defenders are named.
DIVIDED = "over-dispersed days, counts divided by the design effect"
NAMED = "defender effects (sd .25 logit), defender named and in the model"
TRANSFER: dict[str, tuple[Fault, ...]] = {
    "records as assumed": (),
    "over-dispersed days (within-session correlation .02)": (Overdispersion(0.02, 25),),
    DIVIDED: (Overdispersion(0.02, 25),),
    "defender effects ignored (sd .25 logit)": (DefenderEffects(0.25),),
    NAMED: (DefenderEffects(0.25, named=True),),
    "contest mislabelled, 10 %": (ContestMislabelling(0.10),),
    "heavy-tailed players (t, 4 degrees)": (HeavyTails(4.0),),
    "two charters, one strict and one lenient (30 %)": (CharterStrictness(0.30),),
}
#: What the package says or does about each fault, and what it cannot see.
ANSWERS: dict[str, str] = {
    "over-dispersed days": "`transfer rates` and `transfer report` test the sessions and say by "
    "how much to divide the counts (below). Dividing is a call of the library "
    "(`transfer.rates.dispersion.deflate`); the commands do not do it by themselves. The row "
    "`counts divided` shows what it brings.",
    "defender effects ignored": "Nothing, unless the records name the defender; then the defender "
    "can enter the model (`--terms defender`) and `transfer session` shows ratings. The row "
    "`defender named` shows what it brings; `refused` counts the seasons in which the sampler "
    "failed its checks twice with the defender in the model, so that no answer was given.",
    "contest mislabelled": "Only work that was charted twice can show it: the report then gives "
    "agreement and kappa (below), and else says that agreement is not known.",
    "heavy-tailed players": "The check against new players of the fitted population (in the "
    "analyst's page, and `posterior_predictive(players='new')`) says that more players lie far "
    "from the rest than the model says, and who is furthest; `tails doubted` says how often, and "
    "in the row `records as assumed` how often falsely. Variation setting by setting does not show "
    "it, because the fitted spread takes it up. With few players it is seldom seen (own "
    "simulation, 100 squads: 20 % at 14 players, 53 % at 28, 97 % at 84).",
    "two charters, one strict and one lenient": "As for mislabelled contest: kappa of work charted "
    "twice (below).",
    "unlogged rep work": "Nothing can be seen in the records themselves. A swap by lot keeps the "
    "answer usable; a chosen mix is refused a strong verdict anyway.",
    "hot-form feedback": "No check of the records finds it. Every chosen mix is capped at a lean "
    "and carries the sentence that this bias cannot be removed. A swap by lot keeps the bias out; "
    "form that drifts still makes its intervals a little too narrow (coverage and `ahead` above).",
}
GrowthCase = tuple[Any, Confounding | None, bool]
#: schedule, confounding, whether rep work goes unlogged.
GROWTH: dict[str, GrowthCase] = {
    "one swap by lot, records as assumed": (Crossover(13, 0.80), None, False),
    "one swap by lot, 30 % of rep work unlogged": (Crossover(13, 0.80), None, True),
    "one swap by lot, hot form": (Crossover(13, 0.80), Confounding(form=FORM_PUSH), False),
    "mix chosen, at random": (Observational(week_noise=0.5), None, False),
    "mix chosen, 30 % of rep work unlogged": (Observational(week_noise=0.5), None, True),
    "mix chosen, live work follows hot form": (
        Observational(week_noise=0.5),
        Confounding(form=FORM_PUSH),
        False,
    ),
}


def divided(cells: Cells, rows: Rows) -> tuple[Cells, float]:
    """Cells with practice counts divided by the design effect of their sessions, rounded."""
    practice = np.asarray(rows.modes)[rows.setting] != GAME
    frame = pd.DataFrame({"unit": rows.player, "setting": rows.setting, "n": rows.n, "y": rows.y})
    effect = max(1.0, dispersion(frame[practice]).design_effect)
    table = cells.table.copy()
    mine = table["setting"].ne(GAME)
    makes, attempts = deflate(table.loc[mine, "y"], table.loc[mine, "n"], effect)
    table.loc[mine, "n"] = np.rint(attempts).astype("int64")
    table.loc[mine, "y"] = np.minimum(np.rint(makes), np.rint(attempts)).astype("int64")
    return replace(cells, table=table, data_hash=hash_frames(cells=table)), effect


def transfer_season(fault: str, index: int) -> dict[str, Any]:
    """Fit one season of the transfer model with a fault; every fault meets the same seeds."""
    truth, seed, shot = operating_truth(CONTRAST), 40_000 + index, Sessions()
    faults = (*TRANSFER[fault], shot)
    cells, _ = simulate_cells(truth, PLAYERS, seed, programs=PROGRAMS, faults=faults)
    if fault == DIVIDED and shot.rows is not None:
        cells, _ = divided(cells, shot.rows)
    posterior = fit_transfer(cells, seed=seed)
    reading = read_transfer(fit_transfer(cells, purpose="verdict", seed=seed), rope=ROPE)
    verdict = reading.verdict
    if verdict is None:
        raise RuntimeError("both modes are simulated, so there must be a contrast")
    rho = posterior.population.omega[:, -1, :-1]
    low, high = np.quantile(rho, [0.05, 0.95], axis=0)
    target = true_reading(truth.omega, truth.modes)["contrast"]
    true_rho = truth.omega[-1, :-1]
    new = posterior_predictive(posterior, seed, players="new", draws=400)
    if new.tails is None:
        raise RuntimeError("new players are checked for their tails")
    return {
        "mean": verdict.mean,
        "covered": bool(verdict.interval.low <= target <= verdict.interval.high),
        "verdict": verdict.verdict,
        "favours": verdict.favours,
        "contraction": verdict.contraction,
        "rho_error": (rho.mean(axis=0) - true_rho).tolist(),
        "rho_covered": ((low <= true_rho) & (true_rho <= high)).tolist(),
        "r2_all": float(
            compose(posterior.population, posterior.settings, posterior.modes).r2_all.mean()
        ),
        "predictive_p": dict(zip(new.by_setting["setting"], new.by_setting["p"], strict=True)),
        "tail_p": new.tails.p,
        "checked": new.text,
        "said": reading.text,
    }


def growth_season(case: str, delta: float, index: int) -> dict[str, Any]:
    """Fit one growth season with a fault and judge it as the product does."""
    schedule, pull, unlogged = GROWTH[case]
    hot = FORM_SD if pull is not None else 0.0
    truth = GrowthTruth(teams=PROGRAMS, gain_rep=0.10, gain_live=0.10 + delta, form_sd=hot)
    seed = 60_000 + index
    data: GrowthData = growth_data_from_season(simulate_growth(truth, schedule, seed, pull))
    if unlogged:
        rng = np.random.default_rng(seed)
        size = (UNLOGGED * UNLOGGED_SIZE, (1.0 - UNLOGGED) * UNLOGGED_SIZE)
        missing = rng.beta(*size, data.players)[:, None]
        data = replace(data, minutes=np.stack([data.minutes[0] * (1 - missing), data.minutes[1]]))
    reading = read_contrast(
        data,
        "as assigned" if data.randomised else "chosen mix",
        fit=fit_growth_laplace,
        settings=GrowthSettings(),
        rope=DEFAULT_ROPE_POINTS,
        by_lot=data.randomised,
        contrast=0.80,
        minutes=truth.minutes,
        seed=seed,
    )
    gap = reading.posterior.gains[:, 1] - reading.posterior.gains[:, 0]
    low, high = np.quantile(gap, [0.05, 0.95])
    return {
        "mean": float(gap.mean()),
        "covered": bool(low <= delta <= high),
        "verdict": reading.verdict.verdict,
        "favours": reading.verdict.favours,
        "contraction": reading.verdict.contraction,
        "said": headline(reading, CHOSEN_MIX),
    }


def detect_days(seasons: int) -> str:
    """What the check of sessions says about over-dispersed days, and about days as assumed."""
    truth = operating_truth(CONTRAST)
    practice, modes = len(truth.settings), (*truth.modes, "game")
    told = []
    for icc in (0.02, 0.0):
        readings, first = [], ""
        for index in range(seasons):
            rng = np.random.default_rng(40_000 + index)
            scores = rng.standard_normal((PLAYERS, practice + 1))
            theta = np.asarray(truth.mu) + np.asarray(truth.tau) * (
                scores @ np.linalg.cholesky(truth.omega).T
            )
            rows = Rows.one_per_cell(np.tile(truth.attempts, (PLAYERS, 1)), theta, modes)
            # An ICC of zero keeps the sessions and gives each the player's own rate.
            rows = Overdispersion(icc if icc > 0 else 1e-9, 25).rates(rows, rng)
            frame = pd.DataFrame({"unit": rows.player, "setting": rows.setting, "n": rows.n})
            frame["y"] = rng.binomial(rows.n, expit(rows.eta))
            found = dispersion(frame[frame["setting"] < practice])
            readings.append(found.reading)
            first = first or found.text
        counts = pd.Series(readings).value_counts().to_dict()
        told.append(
            f"True within-session correlation {icc:g}: "
            + ", ".join(
                f"{k.replace('_', ' ')} in {v} of {seasons} seasons" for k, v in counts.items()
            )
            + f". First season: {first}"
        )
    return "\n\n".join(told)


def detect_labels(blocks: int = 400) -> str:
    """What double charting says about mislabelled contest and about unlike charters.

    Each block of work has one true setting, all four equally often; two charters label it.
    """
    truth = operating_truth(CONTRAST)
    settings = len(truth.settings)
    told = []
    for name, ways in (
        ("both charters mislabel 10 % of the blocks at random", ((0.10, 0), (0.10, 0))),
        ("one charter moves 30 % of the blocks up, the other 30 % down", ((0.30, 1), (0.30, -1))),
    ):
        rng = np.random.default_rng(40_000)
        true = rng.integers(0, settings, blocks)
        first, second = (_relabel(true, share, way, truth.modes, rng) for share, way in ways)
        found = cohen_agreement(first, second)
        told.append(
            f"- {blocks} blocks charted twice, {name}: mode and contest agree in "
            f"{found.agreement:.0%}, Cohen's kappa {found.kappa:.2f} ({found.interval.prob:.0%} "
            f"interval {found.interval.low:.2f} to {found.interval.high:.2f})"
        )
    return "\n".join(told)


def _relabel(
    true: np.ndarray, share: float, way: int, modes: Sequence[str], rng: np.random.Generator
) -> np.ndarray:
    """Labels of one charter: a share is moved inside its mode, `way` 0 to the other setting."""
    lighter = np.array([k == 0 or modes[k - 1] != modes[k] for k in range(len(modes))])[true]
    target = np.where(lighter, true + 1, true - 1)
    can = np.ones(len(true), dtype=bool) if way == 0 else lighter == (way > 0)
    return np.where(can & (rng.random(len(true)) < share), target, true)


def plan(seasons: int) -> Iterator[tuple[str, str, float, int, Callable[[], dict[str, Any]]]]:
    """All seasons of the study, cheap ones first, then index by index."""
    for index in range(seasons):
        for case in GROWTH:
            for delta in GROWTH_DELTAS:
                yield (
                    "growth",
                    case,
                    delta,
                    index,
                    lambda c=case, d=delta, i=index: growth_season(c, d, i),
                )
    for index in range(seasons):
        for fault in TRANSFER:
            yield "transfer", fault, CONTRAST, index, lambda f=fault, i=index: transfer_season(f, i)


def read_log(log: Path) -> list[dict[str, Any]]:
    """Return the kept seasons, each once."""
    lines = log.read_text("utf-8").splitlines() if log.exists() else []
    return list({_key(row): row for row in map(json.loads, lines) if is_whole(row)}.values())


def is_whole(row: dict[str, Any]) -> bool:
    """Whether a season was judged by all the checks of today; else it is run again."""
    return row["part"] == "growth" or "failed" in row or "tail_p" in row


def _key(row: dict[str, Any]) -> tuple[str, str, float, int]:
    return row["part"], row["case"], row["truth"], row["index"]


def summarise(rows: Sequence[dict[str, Any]], part: str) -> pd.DataFrame:
    """One line per case and true contrast."""
    cases = list(TRANSFER if part == "transfer" else GROWTH)
    out = []
    mine = [r for r in rows if r["part"] == part]
    for case, truth in sorted(
        {(r["case"], r["truth"]) for r in mine}, key=lambda key: (cases.index(key[0]), key[1])
    ):
        group = [r for r in mine if (r["case"], r["truth"]) == (case, truth)]
        good = pd.DataFrame([r for r in group if "failed" not in r])
        if good.empty:
            continue
        row: dict[str, Any] = {"records": case, "true contrast": truth, "seasons": len(good)}
        row["refused"] = len(group) - len(good)
        row["bias"] = float(good["mean"].mean() - truth)
        row["coverage of 90 % interval"] = float(good["covered"].mean())
        strong = good["verdict"].isin(["ahead", "leaning"])
        if truth != 0:
            row["sign wrong"] = float((good["mean"] * truth < 0).mean())
            row["wrong lean"] = float((strong & (good["favours"] == "rep")).mean())
        else:
            row["sign wrong"] = np.nan
            row["wrong lean"] = float(strong.mean())
        row["ahead"] = float((good["verdict"] == "ahead").mean())
        row["contraction"] = float(good["contraction"].mean())
        if part == "transfer":
            row["rho bias"] = float(np.mean(good["rho_error"].tolist()))
            row["rho coverage"] = float(np.mean(good["rho_covered"].tolist()))
            spread = pd.DataFrame(good["predictive_p"].tolist())
            row["spread doubted (p < .05 somewhere)"] = float((spread < 0.05).any(axis=1).mean())
            row["tails doubted"] = float((good["tail_p"] < TAIL_DOUBT).mean())
        out.append(row)
    return pd.DataFrame(out)


def _table(frame: pd.DataFrame) -> str:
    def show(value: Any) -> str:
        if isinstance(value, float):
            return "" if np.isnan(value) else f"{value:.2f}"
        return str(value)

    head = "| " + " | ".join(frame.columns) + " |\n|" + "---|" * len(frame.columns) + "\n"
    return head + "\n".join(
        "| " + " | ".join(map(show, row)) + " |" for row in frame.itertuples(index=False)
    )


def _said(rows: Sequence[dict[str, Any]]) -> str:
    """The sentence of the first season of each growth case."""
    lines = []
    for case in GROWTH:
        for row in rows:
            if row["case"] == case and row["index"] == 0 and "said" in row:
                lines.append(f'- {case}, true difference {row["truth"]:g}: "{row["said"]}"')
    return "\n".join(lines)


def noticed(rows: Sequence[dict[str, Any]]) -> pd.DataFrame:
    """What the check against new players said, by fault of the transfer model.

    The sentence is that of the first season in which something was noticed, else of the first.
    """
    out = []
    for case in TRANSFER:
        mine = [r for r in rows if r["case"] == case and "tail_p" in r]
        if not mine:
            continue
        mine.sort(key=lambda r: r["index"])
        spread = [min(r["predictive_p"].values()) < 0.05 for r in mine]
        tails = [r["tail_p"] < TAIL_DOUBT for r in mine]
        either = [a or b for a, b in zip(spread, tails, strict=True)]
        shown = mine[either.index(True) if any(either) else 0]
        out.append(
            {
                "records": case,
                "noticed": f"{sum(either)} of {len(mine)}",
                "by spread": f"{sum(spread)}",
                "by tails": f"{sum(tails)}",
                "season: what it says": f"{shown['index']}: {shown['checked']}",
            }
        )
    return pd.DataFrame(out)


def markdown(rows: Sequence[dict[str, Any]], days: str, when: str) -> str:
    """The committed page."""
    versions = ", ".join(f"{k} {v}" for k, v in package_versions().items())
    transfer, growth = (summarise(rows, part) for part in ("transfer", "growth"))
    parts = [
        "# What breaks when records are not as assumed",
        "Invented seasons with one fault each, and what the product says then. Sizes of the faults "
        "are scenario assumptions with no source. A share from N seasons has a standard error of "
        "at most .5 / sqrt(N): .08 at 40 seasons, .16 at 10.",
        f"Run on {when} with `python tests/studies/misspecification.py --out reports/studies`; "
        f"seeds 40000 (transfer) and 60000 (growth) plus the number of the season. {versions}.",
    ]
    if not transfer.empty:
        parts += [
            "## Reading: R2 of live minus R2 of rep",
            f"{PLAYERS} players of {PROGRAMS} programs, true contrast {CONTRAST:g}, sampled. "
            "`wrong lean`: share of seasons with a verdict of leaning or ahead for rep. "
            "`spread doubted`: share in which the check against new players of the fitted "
            "population finds a setting that varies more than the model says; `tails doubted`: "
            "share in which it finds more players far from the rest than the model says.",
            "One fixed truth, so correlations are pulled towards the prior even where the records "
            f"are as assumed: read every row against the first. Planned: {PLANNED} seasons a row; "
            "rows with fewer are a first look and settle nothing.",
            _table(transfer),
            "### What the check against new players says",
            "Seasons in which it noticed anything, and its words in the first of these (in season "
            "0 where there is none).",
            _table(noticed(rows)),
        ]
    if not growth.empty:
        parts += [
            "## Building: gain of live minus gain of rep, logit per typical week",
            f"{PROGRAMS} teams of 14, 26 weeks, Laplace approximation. Where the true contrast is "
            "0, `wrong lean` counts every verdict of leaning or ahead, whichever side it is for. "
            "All rows use the same seeds, so read them against the first row of the same schedule. "
            "With no true difference a lean (chance of .80 or more on one side) is expected in "
            "about 35 % of seasons at a contraction of .43, by the normal approximation; a lean "
            "therefore changes no plan.",
            _table(growth),
            "### What is said, first season of each",
            _said(rows),
        ]
    parts += [
        "## What the product says then",
        "| fault | answer |\n|---|---|\n"
        + "\n".join(f"| {fault} | {answer} |" for fault, answer in ANSWERS.items()),
        "### Double charting",
        detect_labels(),
        "### Sessions",
        days,
    ]
    return "\n\n".join(parts) + "\n"


@click.command()
@click.option("--out", type=click.Path(path_type=Path), required=True)
@click.option("--seasons", type=int, default=PLANNED, show_default=True, help="Seasons a case.")
@click.option("--part", type=click.Choice(["transfer", "growth"]), default=None)
@click.option("--seconds", type=float, default=None, help="Stop after this long, keep the rest.")
def main(out: Path, seasons: int, part: str | None, seconds: float | None) -> None:
    """Run what is missing, then write the page."""
    out.mkdir(parents=True, exist_ok=True)
    log = out / "misspecification.jsonl"
    done = {_key(row) for row in read_log(log)}
    started = time.monotonic()
    for kind, case, truth, index, run in plan(seasons):
        if (kind, case, truth, index) in done or part not in (None, kind):
            continue
        if seconds is not None and time.monotonic() - started > seconds:
            break
        row: dict[str, Any] = {"part": kind, "case": case, "truth": truth, "index": index}
        try:
            row |= run()
        except TransferError as error:  # refusals are results
            row["failed"] = error.message
        with log.open("a", encoding="utf-8") as stream:
            stream.write(json.dumps(row) + "\n")
    when = dt.datetime.now(dt.UTC).date().isoformat()
    write_text(out / "misspecification.md", markdown(read_log(log), detect_days(10), when))


if __name__ == "__main__":
    main()
