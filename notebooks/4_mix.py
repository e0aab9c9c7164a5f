# %% [markdown]
# # 4. Set the mix
#
# For the coach. How many minutes of rep and live work next week, is a change worth it, and what
# would it be worth to know better? Then the next session on one page.
#
# Caps on jumps and live minutes are load limits that licensed medical staff set; weekly hours are those of
# the current rules of your governing body. Nothing here predicts an injury. All records are invented.

# %%
from dataclasses import replace
from pathlib import Path

from transfer import MixLimits, advise_mix, growth_draws, measure_mix, plan_session, read_records
from transfer.mix.measured import trial_precision
from transfer.errors import InfeasibleError

DATA = next(folder for folder in (Path("data"), Path("../data")) if folder.is_dir())


def read(folder: str):
    """Records of one demo folder."""
    where = DATA / folder
    return read_records(
        practice=where / "practice.csv", games=where / "games.csv", drills=where / "drills.csv"
    )


# %% [markdown]
# ## What is done now
#
# Minutes a player and week, and the pace, measured from the records.

# %%
records = read("one_program")
now = measure_mix(records)
for setting, minutes in now.current.items():
    rate = now.rates[setting]
    print(f"{setting:24s} {minutes:5.1f} min a week, {rate.rate:.2f} attempts a minute")

# %% [markdown]
# ## One program that chose its own mix

# %%
draws = growth_draws(records, draws=2000, seed=1)
limits = MixLimits(budget=sum(now.current.values()), observed=now.observed)


def advise(draws, now, limits, assigned):
    """Advice from growth draws and measured mix."""
    return advise_mix(
        draws.growth,
        draws.prior,
        now.current,
        now.rates,
        limits,
        now.game_rate,
        draws.provenance,
        start=now.start,
        trial_se=trial_precision(now),
        assigned=assigned,
    )


advice = advise(draws, now, limits, assigned=False)
print(advice.text)

# %% [markdown]
# Knowing is worth more than changing: the advice is to keep the mix and draw the next halves by lot.
#
# ## A conference that drew lots

# %%
conference = read("conference")
program = sorted(conference.practice["program"].astype(str).unique())[0]
theirs = measure_mix(conference, program=program)
learned = growth_draws(conference, draws=2000, seed=1, randomised=True)
wide = MixLimits(budget=sum(theirs.current.values()), observed=theirs.observed)
better = advise(learned, theirs, wide, assigned=True)
print(better.text)
print(better.table[["setting", "minutes_now", "minutes_best"]].round(1).to_string(index=False))

# %% [markdown]
# ## Limits come first
#
# Limits that contradict each other are named before anything is computed.

# %%
try:
    advise(learned, theirs, replace(wide, floors={"live": 50.0}, caps={"live": 20.0}), True)
except InfeasibleError as error:
    print(error)

# %% [markdown]
# ## The next session
#
# Defence goes up and down and ends in free live play. Same seed, same session.

# %%
session = plan_session(
    [f"P{number:02d}" for number in range(1, 9)], baskets=2, minutes=40, seed=1, live_share=0.4
)
print(session.text)
shown = ["start", "minutes", "title", "setting", "attempts", "target"]
print(session.table[shown].to_string(index=False))
