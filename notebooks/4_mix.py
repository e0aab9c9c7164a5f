# %% [markdown]
# # 4. Set the mix
#
# For the coach. How many minutes of rep and live work next week, is a change worth it, and what
# would it be worth to know better? Then the next session on one page.
#
# Caps on jumps and live minutes are load limits that licensed medical staff set; weekly hours are those of
# the current rules of your governing body. Nothing here predicts an injury. All records are invented.

# %%
from pathlib import Path

from transfer import Study
from transfer.errors import InfeasibleError

DATA = next(folder for folder in (Path("data"), Path("../data")) if folder.is_dir())

# %% [markdown]
# ## One program that chose its own mix
#
# Minutes a player and week, and the pace, measured from the records; then the advice.

# %%
study = Study.open(DATA / "one_program")
mix = study.mix()
print(mix.table[["setting", "minutes_now", "attempts_per_minute"]].round(2).to_string(index=False))
print(mix.text)

# %% [markdown]
# Knowing is worth more than changing: the advice is to keep the mix and draw the next halves by lot.
#
# ## A conference that drew lots

# %%
conference = Study.open(DATA / "conference")
program = sorted(conference.records.practice["program"].astype(str).unique())[0]
better = conference.mix(program, assigned=True)
print(better.text)
print(better.table[["setting", "minutes_now", "minutes_best"]].round(1).to_string(index=False))

# %% [markdown]
# ## Limits come first
#
# Limits that contradict each other are named before anything is computed.

# %%
try:
    conference.mix(program, assigned=True, floors={"live": 50.0}, caps={"live": 20.0})
except InfeasibleError as error:
    print(error)

# %% [markdown]
# ## The next session
#
# Defence goes up and down and ends in free live play. Pace, make rates and pairings are those of the
# records. Same seed, same session.

# %%
players = study.records.roster["player"].astype(str).head(8).tolist()
session = study.session(baskets=2, minutes=40, players=players, live_share=0.4)
print(session.text)
shown = ["start", "minutes", "title", "setting", "attempts", "target"]
print(session.table[shown].to_string(index=False))
