"""No decision accepts a fit that did not pass its diagnostics, whichever function it is handed to.

The functions are listed by walking the package, so that a new one cannot be forgotten: it is either
called here with a refused fit, or named as a piece that concludes nothing, with the reason.
"""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from invented import SETTINGS, invented_cells, invented_posterior
from invented_fits import for_verdict

import transfer
from transfer.errors import DiagnosticsError
from transfer.models.growth_posterior import GrowthPosterior
from transfer.models.growth_settings import GrowthSettings
from transfer.models.posterior import Diagnostics
from transfer.models.priors import TransferPriors
from transfer.provenance import Provenance

FITS = ("TransferPosterior", "GrowthPosterior")
WHY = "the gate has said no"
REFUSED = Diagnostics(1.3, 12.0, 9.0, 41, False, True, (WHY,))

#: Pieces that conclude nothing themselves: what asks them is refused, or they carry the refusal on.
PIECES = {
    "forecast.game_only.fit_game_only": "fits anew, with a gate of its own",
    "models.alignment.count_cells": "counts of the records, no draw of the fit",
    "models.alignment.deviations": "draws along other axes",
    "models.alignment.game_mix": "draws along other axes",
    "models.alignment.game_offsets": "draws along other axes",
    "models.alignment.new_squad_spread": "draws along other axes",
    "models.alignment.program_effects": "draws along other axes",
    "models.alignment.season_effects": "draws along other axes",
    "models.alignment.squad_means": "draws along other axes",
    "models.datatree.saved_tree": "the fit with its diagnostics, to look into why it failed",
    "models.datatree.to_tree": "the fit with its diagnostics, to look into why it failed",
    "models.game_likelihood.game_likelihood": "for `leave_player_out_weights`, which refuses",
    "models.growth_bias.allow_for_choice": "a fit with the diagnostics of the one given",
    "models.overdispersion.effective_counts_text": "counts of the records",
    "models.returners.persistence": "draws for `next_season`, which refuses",
    "models.roles.has_roles": "which terms are in the model",
    "models.roles.overall_population": "draws along other axes",
    "models.roles.overall_prior": "draws of the prior",
    "models.roles.role_shifts": "draws along other axes",
    "models.storage.save_fit": "keeps the fit together with its diagnostics",
    "reading.conversion.usual_rates": "counts of the records",
    "reading.design.attempts_of_people": "counts of the records",
    "reading.design.design_of": "counts of the records",
    "reading.design.people": "names in the records",
    "reading.words.next_step": "words for `read_transfer`, which refuses first",
}


def takes_a_fit(function) -> bool:
    """Whether an argument is annotated as a fit, alone or inside another type."""
    return any(
        fit in str(annotation)
        for name, annotation in function.__annotations__.items()
        if name != "return"
        for fit in FITS
    )


def functions_that_take_a_fit() -> set[str]:
    """Public functions and methods of the whole package with a fit among their arguments."""
    found = set()
    for info in pkgutil.walk_packages(transfer.__path__, "transfer."):
        module = importlib.import_module(info.name)
        for name, value in vars(module).items():
            if name.startswith("_") or getattr(value, "__module__", None) != module.__name__:
                continue
            inside = vars(value).items() if inspect.isclass(value) else ()
            methods = {f"{name}.{n}": f for n, f in inside if not n.startswith("_")}
            for label, function in ({name: value} | methods).items():
                function = inspect.unwrap(function) if callable(function) else function
                if inspect.isfunction(function) and takes_a_fit(function):
                    found.add(f"{module.__name__}.{label}".removeprefix("transfer."))
    return found


@pytest.fixture(scope="module")
def good():
    """A fit that passed, of two programs."""
    return invented_posterior(invented_cells(programs=("A", "B")), draws=60)


def growth(diagnostics):
    gains = np.random.default_rng(1).normal(size=(50, 2))
    data = SimpleNamespace(
        base_rate=0.4, randomised=True, minutes=np.full((2, 5, 8), 30.0), rates=(3.0, 2.0)
    )
    settings = GrowthSettings()
    return GrowthPosterior(gains, gains, data, settings, "nuts", Provenance(1, "x"), diagnostics)


def _mix():
    from transfer.trial.effects import mix_contrast

    return mix_contrast(GrowthSettings())


def _judging(good):
    return invented_posterior(good.cells, draws=60, purpose="verdict")


def _reading(good):
    from transfer.reading.reading import read_transfer

    return read_transfer(_judging(good))


def _information(good):
    from transfer.reading.information import read_information

    return read_information(_judging(good))


RNG = np.random.default_rng(1)
SETTING = SETTINGS[0]
PRIORS = TransferPriors()


def _with_refits(function, bad, good):
    from transfer.forecast.leave_out import leave_player_out_weights
    from transfer.forecast.scoring import RateForecast

    rates = np.full((60, len(good.units)), 0.4)
    forecast = RateForecast("practice_only", good.units, rates, np.zeros_like(rates))
    return function(forecast, leave_player_out_weights(good), {good.units[0]: bad})


def _later_games(function, bad, good):
    from transfer.forecast.rolling_origin import held_out_games

    return function(bad, held_out_games(good.cells), games=good)


def _later_file(function, bad, good):
    """Games of one of the fit's players after the fit, without a file."""
    from transfer.forecast import held_out

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(held_out, "read_records", lambda **files: None)
        patch.setattr(held_out, "cells_of", lambda records, request: good.cells)
        patch.setattr(held_out, "replace", lambda request, **changes: request)
        return function(SimpleNamespace(request=SimpleNamespace(rule_body="x")), bad, "later.csv")


#: How to call those that need more than the fit: with the refused one, and a good one beside it.
CALLS = {
    "cli.share.bundle_bytes": lambda f, bad, good: f(None, bad, {}),
    "forecast.held_out.score_later_file": _later_file,
    "forecast.leave_out.score_leave_player_out": lambda f, bad, good: f(bad, games=good),
    "forecast.leave_out.with_refits": _with_refits,
    "forecast.rolling_origin.five_forecasts": lambda f, bad, good: f(bad, games=good),
    "forecast.rolling_origin.score_rolling_origin": _later_games,
    "forecast.track_record.track_record": lambda f, bad, good: f(bad, pd.DataFrame(), good.cells),
    "models.many.leave_programs_out": lambda f, bad, good: f(bad.cells, bad),
    "models.returners.next_season": lambda f, bad, good: f(bad, 1),
    "reading.conversion.convert_rate": lambda f, bad, good: f(bad, SETTING, 0.4, 100, RNG),
    "reading.prior_sensitivity.power_sensitivity": lambda f, bad, good: f(bad, PRIORS),
    "reading.information.read_information": lambda f, bad, good: f(for_verdict(bad)),
    "reading.other_prior.under_priors": lambda f, bad, good: f(bad, PRIORS),
    "reading.reading.read_transfer": lambda f, bad, good: f(for_verdict(bad)),
    "reading.sections.players_section": lambda f, bad, good: f(bad, 0.9),
    "reading.sections.practice_game_section": (
        lambda f, bad, good: f(bad, _information(good), 0.9)
    ),
    "reading.sections.settings_section": lambda f, bad, good: f(_reading(good), bad, 0.9),
    "reading.two_fits.require_fits": lambda f, bad, good: f(for_verdict(bad), None),
    "reports.since.answer_table": lambda f, bad, good: f(None, None, bad),
    "trial.effects.effect_of": lambda f, bad, good: f(growth(REFUSED), _mix()),
    "trial.effects.growth_effects": lambda f, bad, good: f(growth(REFUSED)),
    "trial.readings.judged": (
        lambda f, bad, good: f(growth(REFUSED), _mix(), "x", rope=(-0.1, 0.1), by_lot=True)
    ),
}
#: These go on without the estimate and say why it is missing.
TOLD = ("forecast.held_out.score_left_out", "forecast.held_out.score_study")


def of_name(name):
    module, function = f"transfer.{name}".rsplit(".", 1)
    return getattr(importlib.import_module(module), function)


DECIDING = sorted(functions_that_take_a_fit() - set(PIECES) - set(TOLD))


def test_what_is_listed_here_is_there():
    assert {*PIECES, *TOLD, *CALLS} <= functions_that_take_a_fit()
    assert not set(PIECES) & {*TOLD, *CALLS}
    assert len(DECIDING) >= 30


@pytest.mark.parametrize("name", DECIDING)
def test_a_refused_fit_is_refused(name, good):
    bad = replace(good, diagnostics=REFUSED)
    call = CALLS.get(name, lambda function, bad, good: function(bad))
    with pytest.raises(DiagnosticsError, match=WHY):
        call(of_name(name), bad, good)


@pytest.mark.parametrize("name", TOLD)
def test_scores_say_that_the_fit_was_refused(name, good):
    bad = replace(good, diagnostics=REFUSED)
    records = SimpleNamespace(games=None, practice=None)
    found = of_name(name)(SimpleNamespace(records=records, request=None), bad)
    assert (found.left_out_player, found.later_games) == (None, None)
    assert WHY in found.missing[0]


def test_what_carries_a_fit_on_carries_its_diagnostics():
    from transfer.models.growth_bias import allow_for_choice

    fit = growth(REFUSED)
    chosen = replace(fit, data=SimpleNamespace(randomised=False))
    assert allow_for_choice(chosen).diagnostics is REFUSED


def test_a_tree_of_a_refused_fit_says_so(good):
    from transfer.models.datatree import from_tree, saved_tree

    tree = saved_tree(replace(good, diagnostics=REFUSED))
    assert from_tree(tree).diagnostics == REFUSED
