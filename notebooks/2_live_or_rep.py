# %% [markdown]
# # 2. Does live or rep practice tell more about games?
#
# For the analyst. This is a *reading*: an association between players. It says what a number tells,
# never what a drill does to a player; that is the trial's question (notebook 3).
#
# First one small program, which cannot tell, then twelve programs together. All records are invented.

# %%
from pathlib import Path

from transfer import Study

DATA = next(folder for folder in (Path("data"), Path("../data")) if folder.is_dir())

# %% [markdown]
# ## The rule comes first
#
# Before looking: differences inside the region of practical equivalence would not matter to us. Here, five
# points of explained share in either direction. The rest of the verdict rule is fixed in the program
# (method notes).

# %%
chosen = {"rope_r2": (-0.05, 0.05), "level": "women_college", "seed": 1}

# %% [markdown]
# ## One program

# %%
small = Study.open(DATA / "one_program", **chosen)
fit = small.fit()
print(fit.diagnostics)
reading = small.reading()
print(reading.text)

# %% [markdown]
# Two fits stand behind a reading. One has a single rate a mode and favours neither side before the
# records: it judges. The other keeps the settings apart: it fills the table by setting, which
# carries no verdict. Look at the chance before and after.

# %%
verdict = reading.verdict
print(f"verdict {verdict.verdict}, Bayes factor {verdict.bayes_factor:.2f}")
print(f"chance {verdict.probability:.2f}, before the records {verdict.prior_probability:.2f}")
print(reading.table[["setting", "rho_mean", "rho_low", "rho_high", "prior_rho_mean"]].round(2))

# %% [markdown]
# ## Twelve programs
#
# The same question to 168 player-seasons. Programs may differ in their averages; players are compared
# with players of their own program.

# %%
large = Study.open(DATA / "conference", **chosen)
pooled = large.fit()
together = large.reading()
print(together.text)

# %%
print(together.r2.round(2).to_string(index=False))

# %% [markdown]
# The truth of this invented conference is known (`truth.json`): live practice explains 55 points of the
# differences in games, rep practice 25.
#
# ## How many attempts tell how much

# %%
told = large.information()
print(told.text)

# %% [markdown]
# ## From a practice rate to a game rate
#
# The conversion holds the luck of the practice rate, regression to the mean, and doubt about the
# correlation. `low` and `high` hold the expected rate; the makes of the next attempts vary more.

# %%
table = large.conversion().table
print(table.round(3).groupby("setting").head(3).to_string(index=False))

# %% [markdown]
# ## Forecasts
#
# Whatever the verdict, practice numbers help to say what to expect of a player, mostly of those with few
# game attempts.

# %%
forecast = small.forecast()
print(forecast.text)
shown = ["player", "mean", "low", "high", "attempts_game", "makes_low", "makes_high"]
print(forecast.table[shown].round(3).to_string(index=False))
