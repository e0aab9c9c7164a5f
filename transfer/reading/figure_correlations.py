"""Transfer correlation of each practice setting, the starting assumption behind the result."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from transfer.models.alignment import require_passed
from transfer.models.posterior import TransferPosterior
from transfer.page import style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["describe", "draw", "frame"]

#: Grid of correlations on which both densities are given.
GRID = np.linspace(-0.98, 0.98, 197)


def _density(rho: np.ndarray) -> np.ndarray:
    """Density of correlations on `GRID`, smoothed on Fisher's z where the bounds do not bite."""
    from scipy.stats import gaussian_kde

    z = np.arctanh(np.clip(rho, -0.999, 0.999))
    return np.asarray(gaussian_kde(z)(np.arctanh(GRID)) / (1.0 - GRID**2))


def frame(posterior: TransferPosterior, prob: float = 0.90) -> pd.DataFrame:
    """Return prior and posterior densities of every setting's correlation with games.

    Parameters
    ----------
    posterior : TransferPosterior
        The fit.
    prob : float
        Probability of the equal-tailed interval.

    Returns
    -------
    DataFrame
        Columns ``setting``, ``mode``, ``which`` (``prior`` or ``posterior``), ``rho``,
        ``density``, and, the same on each row of a curve, ``mean``, ``low``, ``high``, ``prob``.

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    """
    require_passed(posterior.diagnostics)
    tail = (1.0 - prob) / 2.0
    curves: list[pd.DataFrame] = []
    for setting, mode in zip(posterior.settings, posterior.modes, strict=True):
        k = posterior.index(setting)
        for which, draws in (("prior", posterior.prior), ("posterior", posterior.population)):
            rho = draws.omega[:, k, -1]
            low, high = np.quantile(rho, [tail, 1.0 - tail])
            same: dict[str, Any] = {
                "setting": setting,
                "mode": mode,
                "which": which,
                "mean": float(rho.mean()),
                "low": float(low),
                "high": float(high),
                "prob": prob,
            }
            curves.append(pd.DataFrame({"rho": GRID, "density": _density(rho)}).assign(**same))
    return pd.concat(curves, ignore_index=True)


def draw(table: pd.DataFrame) -> Figure:
    """Draw one row per setting: prior density filled behind, posterior in front."""
    settings = list(dict.fromkeys(table["setting"]))
    scale = 0.85 / float(table["density"].max())
    with style.styled():
        figure = style.new_figure(7.0, 0.9 + 0.72 * len(settings))
        axes = figure.subplots()
        for row, setting in enumerate(settings):
            base = float(len(settings) - 1 - row)
            part = table[table["setting"] == setting]
            prior = part[part["which"] == "prior"]
            post = part[part["which"] == "posterior"]
            colour = style.MODE_COLOURS[post["mode"].iloc[0]]
            axes.fill_between(
                prior["rho"], base, base + scale * prior["density"], color="#D4D4D4", lw=0
            )
            axes.plot(post["rho"], base + scale * post["density"], color=colour, lw=1.4)
            axes.hlines(base, post["low"].iloc[0], post["high"].iloc[0], color=colour, lw=2.4)
            axes.plot(
                post["mean"].iloc[0],
                base,
                style.MARKERS[post["mode"].iloc[0]],
                color=colour,
                mec="white",
                ms=6,
            )
        axes.axvline(0.0, color=style.INK, lw=0.6)
        labels = [style.setting_label(s) for s in settings]
        axes.set_yticks(range(len(settings) - 1, -1, -1), labels)
        axes.set_ylim(-0.25, len(settings))
        axes.set_xlim(-1.0, 1.0)
        axes.grid(False, axis="y")
        prob = float(table["prob"].iloc[0])
        axes.set_xlabel(
            f"correlation with game shooting (point and bar: mean, {prob:.0%} interval)"
        )
    return figure


def describe(table: pd.DataFrame) -> str:
    """Alternative text: mean and interval of every setting beside its starting assumption."""
    parts = []
    for setting, rows in table.groupby("setting", sort=False):
        post = rows[rows["which"] == "posterior"].iloc[0]
        prior = rows[rows["which"] == "prior"].iloc[0]
        parts.append(
            f"{style.setting_label(str(setting))} {post['mean']:.2f} ({post['low']:.2f} to "
            f"{post['high']:.2f}; starting assumption {prior['low']:.2f} to {prior['high']:.2f})"
        )
    return (
        "Density of the correlation between practice and game ability, one row per practice "
        f"setting, {table['prob'].iloc[0]:.0%} intervals: {'; '.join(parts)}."
    )
