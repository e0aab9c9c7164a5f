"""An invented fit for tests of figures, reports and commands: plausible arrays, no sampler."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from transfer.models.posterior import Diagnostics, PopulationDraws, TransferPosterior
from transfer.models.transfer_design import by_mode
from transfer.provenance import Provenance, hash_frames
from transfer.records.cells import GAME, Cells

SETTINGS = ("rep/none", "live/trailing")


def invented_cells(
    players: int = 6,
    programs: tuple[str, ...] = ("A",),
    settings: tuple[str, ...] = SETTINGS,
    seed: int = 5,
) -> Cells:
    """Counts of invented players; in games the first player of each program has no attempt."""
    rng = np.random.default_rng(seed)
    rows = []
    for program in programs:
        for number in range(players):
            base = rng.normal(0.0, 0.3)
            for setting in (*settings, GAME):
                mode = setting.split("/")[0]
                size = {"rep": 400, "live": 90, "game": 60}[mode]
                n = 0 if mode == "game" and number == 0 else int(rng.integers(size // 2, size))
                middle = {"rep": 0.4, "live": -0.3, "game": -0.4}[mode]
                y = int(rng.binomial(n, 1 / (1 + np.exp(-(middle + base)))))
                player = f"P{number + 1:02d}"
                rows.append(
                    {
                        "unit": f"{program}/2025-26/{player}",
                        "player": player,
                        "program": program,
                        "season": "2025-26",
                        "setting": setting,
                        "mode": mode,
                        "n": n,
                        "y": y,
                        "minutes": float("nan") if mode == "game" else n / 3.0,
                    }
                )
    table = pd.DataFrame(rows).sort_values(["unit", "setting"]).reset_index(drop=True)
    return Cells(table, settings, tuple(sorted(table["unit"].unique())), hash_frames(cells=table))


def _population(rng: np.random.Generator, draws: int, k: int, spread: float) -> PopulationDraws:
    centre = np.array([*[0.4, *([-0.3] * (k - 1))][:k], -0.4])
    mu = centre + rng.normal(0.0, spread, (draws, k + 1))
    tau = np.abs(rng.normal(0.3, 0.3 * spread, (draws, k + 1))) + 0.02
    factors = rng.normal(0.0, 1.0, (draws, k + 1, 3))
    factors[:, :, 0] += 1.2
    raw = factors @ factors.transpose(0, 2, 1) + 0.3 * np.eye(k + 1)
    scale = 1.0 / np.sqrt(np.einsum("dii->di", raw))
    return PopulationDraws(mu, tau, raw * scale[:, :, None] * scale[:, None, :])


def invented_posterior(
    cells: Cells, draws: int = 400, seed: int = 7, purpose: str = "forecast"
) -> TransferPosterior:
    """Draws around half-shrunken rates; the population is not fitted to anything."""
    data_hash = cells.data_hash
    if purpose == "verdict":
        cells = by_mode(cells)
    rng = np.random.default_rng(seed)
    k = len(cells.settings)
    population = _population(rng, draws, k, 0.1)
    theta = np.empty((draws, len(cells.units), k + 1))
    counts = cells.table.groupby(["unit", "setting"])[["n", "y"]].sum()
    for j, setting in enumerate((*cells.settings, GAME)):
        for i, unit in enumerate(cells.units):
            key = (unit, setting)
            n, y = counts.loc[key, ["n", "y"]] if key in counts.index else (0, 0)
            centre = float(population.mu[:, j].mean())
            logit = np.log((y + 1) / (n - y + 1))
            weight = n / (n + 40.0)
            middle = centre + weight * (logit - centre)
            theta[:, i, j] = middle + rng.normal(0.0, 1.0 / np.sqrt(0.25 * n + 10.0), draws)
    return TransferPosterior(
        settings=cells.settings,
        modes=cells.modes,
        units=cells.units,
        population=population,
        prior=_population(rng, draws, k, 0.6),
        theta=theta,
        diagnostics=Diagnostics(1.002, 900.0, 800.0, 0, True),
        provenance=Provenance(seed, data_hash, settings={"draws": draws, "purpose": purpose}),
        cells=cells,
    )


def write_invented_records(folder: Path, players: int = 6, seed: int = 3) -> dict[str, Path]:
    """Write small practice and games files: two settings, eight sessions, six games."""
    rng = np.random.default_rng(seed)
    practice = ["date,session,player,drill,mode,contest,attempts,makes,minutes"]
    games = ["date,game,player,attempts,makes"]
    for number in range(players):
        player = f"P{number + 1:02d}"
        shift = rng.normal(0.0, 0.06)
        for day in range(1, 9):
            for drill, mode, contest, n, rate in (
                ("short_roll_spot", "rep", "none", 40, 0.6),
                ("screen_drop", "live", "trailing", 10, 0.42),
            ):
                makes = rng.binomial(n, rate + shift)
                practice.append(
                    f"2025-11-{day:02d},1,{player},{drill},{mode},{contest},{n},{makes},10"
                )
        for game in range(1, 7):
            n = int(rng.integers(2, 9))
            games.append(f"2025-12-{game:02d},G{game:02d},{player},{n},{rng.binomial(n, 0.4)}")
    paths = {"practice": folder / "practice.csv", "games": folder / "games.csv"}
    paths["practice"].write_text("\n".join(practice) + "\n", encoding="utf-8")
    paths["games"].write_text("\n".join(games) + "\n", encoding="utf-8")
    return paths


def invented_mix(draws: int = 400, seed: int = 11):
    """Advice on a week of two settings, from draws that are not fitted to anything."""
    from transfer.mix.choose import advise_mix
    from transfer.mix.limits import MixLimits
    from transfer.mix.page import MixFacts

    rng = np.random.default_rng(seed)
    growth = rng.normal([0.05, 0.15], [0.05, 0.10], (draws, 2))
    current = {"rep/none": 40.0, "live/trailing": 20.0}
    advice = advise_mix(
        growth,
        rng.normal(0.1, 0.2, (draws, 2)),
        current,
        {"rep/none": 4.0, "live/trailing": 1.0},
        MixLimits(60.0, observed={"rep": (25.0, 50.0), "live": (10.0, 35.0)}),
        0.40,
        Provenance(seed, "invented"),
    )
    return MixFacts(advice, growth, 13)


def files_of(
    frame: pd.DataFrame, by: pd.Series, folder: Path, name: str, ending: str
) -> list[Path]:
    """Write a table as one CSV or Parquet file per value of `by`."""
    files = []
    for number, (_, part) in enumerate(frame.groupby(by)):
        path = folder / f"{name}-{number}.{ending}"
        if ending == "csv":
            part.to_csv(path, index=False)
        else:
            part.to_parquet(path, index=False)
        files.append(path)
    return files
