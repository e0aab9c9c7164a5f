# %% [markdown]
# # 5. What the models assume, and whether it matters
#
# For the analyst. Three looks: what the starting assumptions call plausible before any record; whether the
# fitted model can reproduce the records; and how the answer moves under other assumptions. All records
# are invented.

# %%
import warnings
from dataclasses import replace
from pathlib import Path

import arviz as az
import pandas as pd

from transfer import (
    GrowthPriors,
    GrowthSettings,
    Study,
    TransferPriors,
    fit_growth_laplace,
    growth_data,
    posterior_predictive,
    prior_predictive,
    weekly_cells,
)
from transfer.trial.cells import log_cells

DATA = next(folder for folder in (Path("data"), Path("../data")) if folder.is_dir())
study = Study.open(DATA / "one_program", level="women_college", seed=1)

# %% [markdown]
# ## Before any record

# %%
priors = TransferPriors.for_level("women_college")
print(priors.table.to_string(index=False))

# %%
attempts = {
    **dict.fromkeys([s for s in study.cells.settings if s.startswith("rep")], 1600),
    **dict.fromkeys([s for s in study.cells.settings if s.startswith("live")], 200),
    "game": 40,
}
before = prior_predictive(study.cells.settings, priors, attempts, seed=1)
print(before.text)
shown = ["setting", "player_low", "player_high", "raw_low", "raw_high", "rho_low", "rho_high"]
print(before.table[shown].round(2).to_string(index=False))

# %% [markdown]
# Are these rates what you would call possible for your players? If not, change the priors now, before
# looking at a result: `TransferPriors.from_file("priors.toml")`.
#
# The number of settings tilts the prior of the contrast: the best composite of three live settings explains
# more than one rep setting, before any record. That is why the prior chance is always printed.

# %%
for settings in (("rep/none", "live/trailing"), ("rep/none", "live/light", "live/trailing")):
    print(
        settings, f"chance that live tells more: {prior_predictive(settings).probability_live:.2f}"
    )

# %% [markdown]
# ## Can the fitted model reproduce the records?

# %%
fit = study.fit()
same = posterior_predictive(fit, seed=1)
new = posterior_predictive(fit, seed=1, players="new")
print(same.text)
print(new.text)
print(new.by_setting.round(2).to_string(index=False))

# %% [markdown]
# ## Other starting assumptions: reading
#
# The tilt of the correlations says that accuracy at one form of a shot goes with accuracy at another. Without
# it, few players pull every correlation to zero. It is part of the forecasts; live against rep is judged
# without it, and the reading shows the answer under the other assumption as well.

# %%
untilted = study.replace(priors=priors.untilted())
rows = []
for name, one in {"default": study, "no tilt, LKJ(2)": untilted}.items():
    table = one.reading().table
    rows.append(
        {"assumption": name} | {f"rho {row.setting}": row.rho_mean for row in table.itertuples()}
    )
print(pd.DataFrame(rows).round(2).to_string(index=False))

# %%
reading = study.reading()
print(reading.verdict.verdict)
print(reading.under_priors.table.round(2).to_string(index=False))

# %% [markdown]
# The verdict should not hang on the choice. Here the chance that live is above rep stays near even under
# both.
#
# ## The same fit in ArviZ
#
# `to_datatree` gives the draws by chain with named axes, the prior beside them, so that every function of
# ArviZ runs on it. Where a posterior lies on its prior, the records said nothing. `arviz.from_netcdf` opens a
# saved fit, too.

# %%
tree = fit.to_datatree()
print(az.summary(tree, var_names=["mu", "tau"]))

# %%
both = az.plot_prior_posterior(tree, var_names=["tau"], backend="matplotlib")

# %%
rates = az.plot_forest(
    tree, var_names=["theta"], coords={"setting": "game"}, combined=True, backend="matplotlib"
)

# %% [markdown]
# How well each player's games can be told from his practice and from all others, without fitting again: a
# column of `log_likelihood` is all games of one player. ArviZ warns where a player weighs so much that this
# does not work (Pareto k above 0.7); `transfer forecast --score` fits again without such a player.

# %%
with warnings.catch_warnings(record=True) as said:
    warnings.simplefilter("always")
    loo = az.loo(tree, pointwise=True)
print(loo)
print([str(one.message) for one in said])
print(loo.pareto_k.to_series().round(2).nlargest(3).to_string())

# %% [markdown]
# ## Other starting assumptions: building
#
# Half-life and shape of the response are assumptions that games cannot check. The gains below are logits per
# typical week of practice.

# %%
data = growth_data(log_cells(weekly_cells(study.records)).table)
rows = []
for half_life in (2.0, 4.0, 8.0):
    for shape in ("log1p", "linear", "hill"):
        settings = GrowthSettings(half_life=half_life, shape=shape)
        gains = fit_growth_laplace(data, settings, draws=2000, seed=1).gains
        delta = gains[:, 1] - gains[:, 0]
        rows.append(
            {
                "half-life": half_life,
                "shape": shape,
                "live minus rep": delta.mean(),
                "sd": delta.std(),
            }
        )
table = pd.DataFrame(rows)
print(table.round(3).to_string(index=False))

# %%
start = GrowthPriors()
print(
    f"prior sd of live minus rep: {2**0.5 * start.gain_sd:.3f}; after one season of a chosen mix "
    f"{table['sd'].min():.3f} to {table['sd'].max():.3f}"
)
wider = GrowthSettings(priors=replace(start, gain_sd=0.30))
gains = fit_growth_laplace(data, wider, draws=2000, seed=1).gains
print(f"with a prior twice as wide: {(gains[:, 1] - gains[:, 0]).std():.3f}")

# %% [markdown]
# The answer is as wide as the prior, whatever the prior: one season of a mix that staff chose says nothing
# about building. The way out is the lot (notebook 3), not another prior.
