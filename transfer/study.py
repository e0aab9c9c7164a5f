"""One study from Python: its records, its fit, and the questions that are asked of it.

    study = transfer.Study.open("my_season")
    print(study.reading().text)
    study.report("coach").save("coach.html")

A study holds no statistics. Every method asks the room of its question, with what the commands ask
with, and returns the result that the command of that name prints.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from transfer.errors import StorageError
from transfer.records.settings import DEFAULTS, SEASON_FILE, SETTINGS, known_names, read_settings
from transfer.terminal import inputs
from transfer.terminal.options import Request

if TYPE_CHECKING:
    from transfer.forecast.forecast import Forecast
    from transfer.forecast.held_out import Scores
    from transfer.mix.page import MixFacts
    from transfer.models.fit import Purpose
    from transfer.models.posterior import TransferPosterior
    from transfer.page.document import Audience
    from transfer.rates.rate_table import RateTable
    from transfer.reading.conversion import Conversion
    from transfer.reading.information import Information
    from transfer.reading.reading import Reading
    from transfer.records.cells import Cells
    from transfer.records.reading import Input, Records
    from transfer.reports.report import Report
    from transfer.session.plan import SessionPlan
    from transfer.trial.analysis import TrialAnalysis
    from transfer.trial.plan import TrialPlan

__all__ = ["Study"]

_TABLES = ("practice", "games", "roster", "drills")
#: Settings that a fit depends on; the others only decide how it is read.
FIT_SETTINGS = tuple(name for name in SETTINGS if name not in ("rope_r2", "budget_minutes"))


@dataclass(frozen=True)
class _Inputs(inputs.StudyRun):
    """Records, cells and run of a study, which makes no fit twice.

    Parameters
    ----------
    memory : dict
        Fits by hash of the records, settings and purpose.
    """

    memory: dict[Any, TransferPosterior] = field(default_factory=dict, repr=False, compare=False)

    def fit(self, purpose: Purpose = "forecast") -> TransferPosterior:
        """Return the fit, see `transfer.terminal.inputs.StudyRun.fit`."""
        stated = _settings_of(self.request, FIT_SETTINGS)
        key = ("fit", self.records.data_hash, self.cells.data_hash, stated, purpose)
        if key not in self.memory:
            self.memory[key] = super().fit(purpose)
        return self.memory[key]


def _settings_of(request: Request, names: Iterable[str] = SETTINGS) -> tuple[Any, ...]:
    return (*(getattr(request, name) for name in names), request.read_priors)


class Study:
    """Records with their settings, and the questions asked of them.

    Nothing is read before it is needed. A result is kept: the same question about the same records
    under the same settings is answered once, also by studies made with `replace`.

    Parameters
    ----------
    practice, games, roster, drills : path, DataFrame or None
        Record tables, see `transfer.read_records`. Practice or games may be absent, not both.
    **settings
        Fields of `transfer.records.settings.Settings`, such as ``level="women_college"``.
        ``priors`` may also be a `transfer.TransferPriors`.

    Raises
    ------
    ArgumentError
        When a setting is not known or its value is outside its rule.
    """

    def __init__(
        self,
        practice: Input = None,
        games: Input = None,
        roster: Input = None,
        drills: Input = None,
        **settings: Any,
    ) -> None:
        given = dict(zip(_TABLES, (practice, games, roster, drills), strict=True))
        files: dict[str, Any] = {
            name: Path(table) if isinstance(table, str) else table
            for name, table in given.items()
            if table is not None
        }
        self._request = _with_settings(Request(files, as_json=True), settings)
        self._memory: dict[Any, Any] = {}

    @classmethod
    def open(cls, folder: Path | str = ".", **settings: Any) -> Study:
        """Open a season folder, or any folder that holds record files.

        In a season folder (one with ``transfer.toml``) the fit that a command saved below ``runs/``
        is used, and a new one is kept there, as commands do.

        Parameters
        ----------
        folder : path
        **settings
            In place of those in ``transfer.toml``.

        Raises
        ------
        StorageError
            When the folder holds neither ``transfer.toml`` nor a file of practice or games.
        ArgumentError
            When a setting is not known or its value is outside its rule.
        """
        from transfer.records.season import read_season

        folder = Path(folder)
        if (folder / SEASON_FILE).is_file():
            season = read_season(folder)
            stated = {name: getattr(season, name) for name in SETTINGS}
            request = Request(season.files, season=season, as_json=True, **stated)
        else:
            request = Request(_files_in(folder), as_json=True)
        return cls.of_request(_with_settings(request, settings))

    @classmethod
    def of_request(cls, request: Request) -> Study:
        """Return the study of a command's settled options."""
        study = cls()
        study._request = request
        return study

    def replace(self, **settings: Any) -> Study:
        """Return this study under other settings; what was answered already is kept.

        Raises
        ------
        ArgumentError
            When a setting is not known or its value is outside its rule.
        """
        other = Study.of_request(_with_settings(self._request, settings))
        other._memory = self._memory
        return other

    def __repr__(self) -> str:
        """Name the tables, and the settings that are not the defaults."""
        changed = [
            f"{name}={getattr(self._request, name)!r}"
            for name in SETTINGS
            if getattr(self._request, name) != getattr(DEFAULTS, name)
        ]
        return f"Study({', '.join([*self._request.files, *changed])})"

    @property
    def settings(self) -> dict[str, Any]:
        """Settings by name."""
        return {name: getattr(self._request, name) for name in SETTINGS}

    @cached_property
    def _inputs(self) -> _Inputs:
        opened = inputs.study_of(self._request)
        run = opened.run
        if self._request.read_priors is not None:  # a saved fit does not tell these assumptions
            run = replace(run, folder=None, siblings=())
        return _Inputs(self._request, opened.records, opened.cells, run, self._memory)

    def _once(self, what: str, make: Callable[[], Any], **options: Any) -> Any:
        """Return what was answered before to the same question, or answer it."""
        key = (what, self.records.data_hash, _settings_of(self._request), *options.items())
        if not _hashable(key):  # a table among the options, say
            return make()
        if key not in self._memory:
            self._memory[key] = make()
        return self._memory[key]

    @property
    def records(self) -> Records:
        """Checked records.

        Raises
        ------
        RecordsError
            With every problem of all tables.
        """
        return self._inputs.records

    @property
    def cells(self) -> Cells:
        """Attempts and makes by player and setting."""
        return self._inputs.cells

    def check(self) -> Records:
        """Read and check the records; warnings and notes stand in ``.quality``.

        Raises
        ------
        RecordsError
            With every problem of all tables.
        """
        return self.records

    def rates(self, prob: float = 0.90) -> RateTable:
        """Raw and shrunken make rates, see `transfer.rate_table`."""
        from transfer.rates.rate_table import rate_table

        return self._once("rates", lambda: rate_table(self.cells, prob), prob=prob)

    def fit(self, purpose: Purpose = "forecast") -> TransferPosterior:
        """Fit the transfer model, see `transfer.fit_transfer`.

        Raises
        ------
        DiagnosticsError
            When the sampler's diagnostics failed twice.
        """
        return self._inputs.fit(purpose)

    def reading(self, *, contrast: str = "r2", assigned: bool = False) -> Reading:
        """Say what practice tells about games, live against rep; see `transfer.read_transfer`."""
        from transfer.reading.reading import read_transfer

        return self._once(
            "reading",
            lambda: read_transfer(
                self.fit("verdict"),
                self.fit(),
                self._request.rope_r2,
                contrast=contrast,
                priors=inputs.priors_of(self._request),
                assigned=assigned,
            ),
            contrast=contrast,
            assigned=assigned,
        )

    def information(self) -> Information:
        """Worth of an attempt, see `transfer.read_information`."""
        from transfer.reading.information import read_information

        return self._once("information", lambda: read_information(self.fit("verdict"), self.fit()))

    def conversion(self, **options: Any) -> Conversion:
        """Game rates that go with practice rates, see `transfer.conversion_table`."""
        from transfer.reading.conversion import conversion_table

        return self._once("conversion", lambda: conversion_table(self.fit(), **options), **options)

    def forecast(self, prob: float = 0.90, next_attempts: int = 50) -> Forecast:
        """Forecast each player's game make rate, see `transfer.forecast_games`."""
        from transfer.forecast.forecast import forecast_games

        return self._once(
            "forecast",
            lambda: forecast_games(self.fit(), prob, next_attempts),
            prob=prob,
            next_attempts=next_attempts,
        )

    def scores(self) -> Scores:
        """Score forecasts on games they have not seen; fits the early games once more."""
        from transfer.forecast.held_out import score_study

        return self._once("scores", lambda: score_study(self._inputs, self.fit()))

    def trial(
        self,
        plan: TrialPlan | Path | str | None = None,
        *,
        quick: bool = False,
        **options: Any,
    ) -> TrialAnalysis:
        """Analyse a trial of live against rep, or the log without one.

        Parameters
        ----------
        plan : TrialPlan or path, optional
            Without it the mix counts as chosen.
        quick : bool
            The Laplace fit in place of the sampler.
        **options
            For `transfer.analyse_trial`.
        """
        from transfer.models.growth_laplace import fit_growth_laplace
        from transfer.trial.analysis import analyse_trial

        fit: Any = fit_growth_laplace
        if not quick:
            from transfer.models.growth import fit_growth as fit

        seed = self._request.seed
        return self._once(
            "trial",
            lambda: analyse_trial(self.records, plan, fit=fit, seed=seed, **options),
            plan=plan,
            quick=quick,
            **options,
        )

    def mix(
        self,
        program: str | None = None,
        *,
        assigned: bool = False,
        trial_weeks: int = 26,
        rates: Mapping[str, float] | None = None,
        **limits: Any,
    ) -> MixFacts:
        """Advise a player's weekly minutes of rep and live work.

        Parameters
        ----------
        program : str, optional
            Needed when the records hold several.
        assigned : bool
            Whether the mix in the records was assigned by lot.
        trial_weeks : int
            Weeks of the trial whose worth is shown.
        rates : mapping of str to float, optional
            Attempts per player-minute of a setting; they win over the records.
        **limits
            For `transfer.MixLimits`; the budget is that of the settings, else the minutes charted.
        """
        from transfer.mix.measured import measure_mix
        from transfer.mix.season import advise_season

        def advise() -> MixFacts:
            measured = measure_mix(
                self.records, self._request.settings, program=program, override=rates
            )
            return advise_season(
                self.records,
                measured,
                {"budget": self._request.budget_minutes, **limits},
                seed=self._request.seed,
                assigned=assigned,
                trial_weeks=trial_weeks,
            )

        options = {"assigned": assigned, "trial_weeks": trial_weeks, "rates": rates, **limits}
        return self._once("mix", advise, program=program, **options)

    def session(
        self,
        baskets: int,
        minutes: int,
        players: Sequence[str] | None = None,
        *,
        program: str | None = None,
        **options: Any,
    ) -> SessionPlan:
        """Plan the next session with the pace, make rates and pairings of the records.

        Parameters
        ----------
        baskets, minutes : int
        players : sequence of str, optional
            Codes of those who come; everyone with charted practice when omitted.
        program : str, optional
            Needed when the records hold several.
        **options
            For `transfer.plan_session`.
        """
        from transfer.session.inputs import session_inputs
        from transfer.session.plan import plan_session

        def plan() -> SessionPlan:
            found = session_inputs(self.records, program=program)
            known: dict[str, Any] = {
                "seed": self._request.seed,
                "rates": found.rates,
                "make_rates": found.make_rates,
                "ratings": found.ratings,
                "challenge": found.challenge,
            }
            who = players or sorted({code for by in found.make_rates.values() for code in by})
            return plan_session(who, baskets, minutes, **(known | options))

        asked = {"baskets": baskets, "minutes": minutes, "program": program}
        who = None if players is None else tuple(players)
        return self._once("session", plan, players=who, **asked, **options)

    def report(self, depth: Audience = "analyst", *, title: str = "", **options: Any) -> Report:
        """Make the whole reading as one page.

        Parameters
        ----------
        depth : {"analyst", "coach", "director"}
        title : str
            Heading of the page.
        **options
            For `transfer.reports.gather.gather`: ``score``, ``shared``, ``program``, ``assigned``,
            ``previous``, ``session``.

        Returns
        -------
        Report
            ``.html``, ``.text``, ``.content``; ``.save(path)`` writes it as HTML or PDF.
        """
        from transfer.reports.report import make_report

        more = {"title": title} if title else {}
        return self._once(
            "report",
            lambda: make_report(self._inputs, audience=depth, **more, **options),
            depth=depth,
            title=title,
            **options,
        )


def _hashable(value: Any) -> bool:
    try:
        hash(value)
    except TypeError:
        return False
    return True


def _with_settings(request: Request, settings: Mapping[str, Any]) -> Request:
    """The request under these settings."""
    from transfer.models.priors import TransferPriors

    known_names(settings, SETTINGS, "unknown setting {name!r}")
    given = dict(settings)
    if isinstance(given.get("priors"), TransferPriors):
        request = replace(request, read_priors=given.pop("priors"), priors=None)
    elif given.get("priors") is not None:
        request = replace(request, read_priors=None)
    return replace(request, **read_settings(given))


def _files_in(folder: Path) -> dict[str, Path]:
    """Record files of a folder without settings, by table."""
    files = {
        name: path
        for name in _TABLES
        for ending in ("csv", "parquet", "xlsx")
        if (path := folder / f"{name}.{ending}").is_file()
    }
    if not {"practice", "games"} & set(files):
        raise StorageError(
            f"{folder} holds neither {SEASON_FILE} nor a file of practice or games",
            rule="a study is a season folder, or a folder with practice.csv, games.csv and so on",
            next_step="name the folder of the record files, or make one with: transfer init DIR",
        )
    return files
