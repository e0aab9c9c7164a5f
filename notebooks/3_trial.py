# %% [markdown]
# # 3. Plan a trial and read its result
#
# For the analyst and the director. Which work *builds* game shooting can be learned only when the mix was
# drawn by lot. This notebook prices a trial before it starts, draws the lot, and reads the trial of
# the invented conference.
#
# Live work means contact and landings. Ask the licensed medical staff before you change anybody's load,
# and the compliance office about hours.

# %%
from pathlib import Path

import pandas as pd

from transfer import Scenario, Study, design_grid, make_plan, until_we_know
from transfer.trial.registered import plan_from_assignments
from transfer.simulation.schedules import Crossover

DATA = next(folder for folder in (Path("data"), Path("../data")) if folder.is_dir())

# %% [markdown]
# ## What would a trial cost?
#
# The precision follows from the schedule alone, before any outcome. The scenario values are assumptions:
# enter your own.

# %%
scenario = Scenario(teams=1, players=14, weeks=26, game_attempts=3.0, game_rate=0.37)
grid = design_grid(scenario=scenario, half_lives=(4.0,))
print(grid[["design", "se", "contraction", "team_seasons_needed"]].round(2).to_string(index=False))

# %% [markdown]
# Short blocks blur the contrast, because what was learned in one block is still there in the next. A
# mix that staff choose week by week needs hundreds of team-seasons. One swap at the middle of the season,
# 80/20 against 20/80, needs about a dozen.

# %%
curve = until_we_know(Crossover(block_weeks=13), scenario, label="one swap, 80/20")
print(curve.text)
last = curve.table[curve.table["weeks"] == curve.table["weeks"].max()]
print(
    last[["team_seasons", "contraction", "cannot_tell", "knowing"]].round(2).to_string(index=False)
)

# %% [markdown]
# ## Draw the lot
#
# The seed is written down before the draw. The same seed gives the same lot on every machine, and the
# hash of the plan is checked by the analysis.

# %%
roster = pd.read_csv(DATA / "one_program" / "roster.csv")
plan = make_plan(
    roster,
    weeks=24,
    start="2026-10-05",
    seed=7,
    strata=("position",),
    looks=(24,),
    registered="2026-09-28",
)
print(plan.text)
print(plan.plan_hash[:12])

# %% [markdown]
# `transfer trial plan` writes the sheets for the players and the one-page protocol as well.
#
# ## Read a trial
#
# The conference's lot was drawn elsewhere and is registered here, before the first game; this season is
# invented, so its day is stated. The analysis goes by the assignment first, by what was done second.

# %%
where = DATA / "conference"
registered = plan_from_assignments(
    pd.read_csv(where / "assignments.csv"),
    pd.read_csv(where / "roster.csv"),
    strata=("position",),
    registered="2025-10-01",
)
study = Study.open(where)
analysis = study.trial(
    registered,
    quick=True,
    free_throws=pd.read_csv(where / "free_throws.csv"),
    sensitivity=False,
    redraws=499,
)
print("\n\n".join(analysis.report))

# %% [markdown]
# Words of cause appear because the mix was drawn by lot and the hash holds. Free throws, which no floater
# mix should move, give no sign of moving; and drawing the very lot again many times gives a difference
# like this one rarely or never.
#
# ## The same records without the lot
#
# Forget that the mix was assigned, and the strongest word is "leaning": in an ordinary log, live work may
# have gone to players who were already getting hot, and nothing in the records can remove that.

# %%
as_a_log = study.trial(quick=True, sensitivity=False)
print(as_a_log.verdict)
print(as_a_log.text)
