# %% [markdown]
# # 1. A first look at your records
#
# For the analyst and the coach. What is in the files, how far can a make rate be trusted, and was it
# harmless to add up the sessions? Nothing here needs a sampler; it runs in seconds.
#
# The records are invented (`data/one_program/`): 13 players, most of a season. Put your own files in
# their place.

# %%
from pathlib import Path

from transfer import Study, attempts_for_reliability, dispersion

DATA = next(folder for folder in (Path("data"), Path("../data")) if folder.is_dir())

study = Study.open(DATA / "one_program")
records = study.check()
print(records.text)

# %% [markdown]
# A file with an error would have stopped here with a table of every problem: file, row, column, value,
# rule, what to do. Warnings and notes stay with the records:

# %%
print(records.quality.to_string(index=False) if len(records.quality) else "no warnings, no notes")

# %% [markdown]
# ## Attempts by kind of work
#
# A *cell* is one player in one kind of practice, or in games. Models need only these counts.

# %%
cells = study.cells
totals = cells.table.groupby("setting", sort=False)[["n", "y", "minutes"]].sum()
totals["make rate"] = (totals["y"] / totals["n"]).round(3)
totals["attempts a minute"] = (totals["n"] / totals["minutes"].where(totals["minutes"] > 0)).round(
    2
)
print(totals.to_string())

# %% [markdown]
# The games are the short side: a few dozen attempts a player against thousands in practice. Live work
# gives about one attempt a minute, repetition work about four.
#
# ## Raw and shrunken rates
#
# A raw rate from few attempts is mostly luck. The shrunken rate moves it toward the average of the
# players who did the same thing, the more the fewer attempts there are.

# %%
rates = study.rates()
games = rates.table[rates.table["setting"] == "game"]
columns = ["unit", "n", "y", "raw", "shrunken", "shrunken_low", "shrunken_high", "reliability"]
print(games[columns].round(3).to_string(index=False))

# %%
best, worst = games["raw"].idxmax(), games["raw"].idxmin()
for row in (best, worst):
    player = games.loc[row]
    print(
        f"{player['unit']}: {player['y']:.0f} of {player['n']:.0f} is {player['raw']:.0%} raw; the best "
        f"guess at the true rate is {player['shrunken']:.0%} ({rates.prob:.0%} interval "
        f"{player['shrunken_low']:.0%} to {player['shrunken_high']:.0%})."
    )

# %% [markdown]
# The intervals of the best and of the worst raw rate overlap: **this table is not a ranking.**
#
# How many attempts would it take until a raw rate is half skill and half luck? And until it is mostly
# skill?

# %%
print(rates.settings[["setting", "players", "n", "mean", "attempts_to_half"]].round(3).to_string())
half = rates.settings.set_index("setting").loc["game", "attempts_to_half"]
print(
    f"Games: half and half at about {half:.0f} attempts, four fifths skill at about "
    f"{attempts_for_reliability(0.8, half):.0f}. The interval of the first figure is wide:",
    rates.settings.set_index("setting")
    .loc["game", ["attempts_to_half_low", "attempts_to_half_high"]]
    .round(0)
    .tolist(),
)

# %% [markdown]
# ## Was it harmless to add up the sessions?
#
# If a player's rate wandered from session to session, attempts of one session would resemble each other
# and counts would promise too much. Sets that stop on a make are left out of this check.

# %%
sessions = cells.sessions
free = sessions[sessions["target"].isna()]
keys = ["unit", "setting", "date", "session"]
spread = dispersion(free.groupby(keys, as_index=False, observed=True)[["n", "y"]].sum())
print(spread.text)

# %% [markdown]
# ## Sets that stop on a make
#
# "First to 5" tends to end on a hot stretch: makes over attempts is too high. Where the target was
# charted, the unbiased rate stands beside the raw one.

# %%
from transfer import first_to_k_rate
from transfer.rates.inverse_sampling import expected_raw_rate

print(f"true rate 40 %, first to 5: raw rate {expected_raw_rate(0.40, 5):.1%} on average")
print(f"one such set, 5 makes in 9 attempts: raw {5 / 9:.1%}, unbiased {first_to_k_rate(5, 9):.1%}")

# %% [markdown]
# ## What to do next
#
# - Chart what is missing: minutes, defenders, distance, a second charter now and then (recording guide).
# - Notebook 2 asks which practice number tells more about games.
