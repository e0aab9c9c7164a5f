"""Three depths of one reading: numbers from the results, plain words, paper sizes, equal bytes."""

from __future__ import annotations

import re
import sys
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from invented import invented_cells, invented_mix, invented_posterior

from transfer.errors import ArgumentError, MissingPackageError
from transfer.forecast import figure_next_attempts as strips
from transfer.forecast.forecast import forecast_games
from transfer.models.priors import TransferPriors
from transfer.page import words
from transfer.page.document import AUDIENCES
from transfer.page.glossary import GLOSSARY, visible_text
from transfer.page.pdf import page_count, page_pdf
from transfer.reading.reading import read_transfer
from transfer.reading.words import odds_factor
from transfer.reports.content import ReportContent
from transfer.reports.html import render_report

SETTINGS = ("rep/none", "rep/light", "live/trailing", "live/front_and_trailing")

#: Words that the short pages do without, and that the analyst's page explains.
JARGON = {
    "posterior": "Posterior",
    "logit": "Logit",
    "contraction": "Contraction",
    "R²": "R²",
    "log score": "Log score",
    "standard deviation": "Standard deviation",
    "standard error": "Standard error",
    "binomial": "Binomial",
    "likelihood": "Likelihood",
    "R-hat": "R-hat",
    "effective draws": "Effective draws",
    "divergent": "Divergent steps",
    "correlation": "Correlation",
    "multivariate": "Multivariate normal",
    "k-hat": "k-hat",
    "SHA-256": "SHA-256",
    "prior": "Starting assumption",
}
#: Words that need a gloss wherever they stand.
ALWAYS_GLOSSED = {
    "interval": "Interval",
    "player-season": "Player-season",
    "starting assumption": "Starting assumption",
}


@pytest.fixture(scope="module")
def content():
    cells = invented_cells(7, ("A", "B"), SETTINGS)
    posterior = invented_posterior(cells, draws=300)
    verdict_fit = invented_posterior(cells, draws=300, purpose="verdict")
    return ReportContent(
        title="Practice and game shooting",
        reading=read_transfer(verdict_fit, posterior),
        posterior=posterior,
        verdict_fit=verdict_fit,
        priors=TransferPriors(),
        mix=invented_mix(),
        summary=[("rep attempts", "10 makes of 20, 14 player-seasons")],
        interactive=True,
    )


@pytest.fixture(scope="module")
def pages(content):
    return {a: render_report(replace(content, audience=a)) for a in AUDIENCES}


def glosses(page):
    section = page[page.index('id="words"') :].split("</section>")[0]
    return re.findall(r"<dt>([^<]+)</dt>", section)


def share(omega, at):
    """R2 of the settings at `at`, draw by draw, by solving the normal equations."""
    found = [o[-1, at] @ np.linalg.solve(o[np.ix_(at, at)], o[at, -1]) for o in omega]
    return np.array(found)


@pytest.fixture(scope="module")
def recomputed(content):
    """Every figure of the director's page again, straight from draws and counts."""
    fit = content.verdict_fit
    post, prior = fit.population.omega, fit.prior.omega
    rep, live, both = [0], [1], [0, 1]
    after, before = share(post, live) - share(post, rep), share(prior, live) - share(prior, rep)
    sign = 1 if (after > 0).mean() >= 0.5 else -1
    said = []
    if content.reading.verdict.verdict == "cannot_tell":
        said.append("No share is stated")
    else:
        for at in (live, rep, both):
            draws, start = share(post, at), share(prior, at)
            low, high = np.quantile(draws, [0.05, 0.95])
            said.append(
                f"account for {100 * draws.mean():.0f}% of the differences between players' true "
                f"game rates (90% interval {100 * low:.0f} to {100 * high:.0f}%; before the "
                f"records {100 * start.mean():.0f}%)"
            )
    low, high = np.quantile(100 * after, [0.05, 0.95])
    chance, start = (sign * after > 0).mean(), (sign * before > 0).mean()
    counts = [
        ((v * d.size) + 0.5) / ((1 - v) * d.size + 0.5)
        for v, d in ((chance, after), (start, before))
    ]
    said += [
        f"is {words.chance(chance)}. Before the records it was {words.chance(start)}: they moved "
        f"its odds by a factor of {odds_factor(counts[0] / counts[1])}",
        f"Live minus rep is {100 * after.mean():.0f} points".replace("-", "−"),
        f"interval {low:.0f} to {high:.0f} points".replace("-", "−"),
    ]
    return said


def test_each_number_of_the_directors_page_comes_from_draws_and_counts(pages, recomputed, content):
    text = visible_text(pages["director"])
    for sentence in recomputed:
        assert sentence in text
    table = content.cells.table
    for mode in ("rep", "live"):
        assert f"{table.loc[table['mode'] == mode, 'n'].sum():,} {mode}" in text
    assert f"{table.loc[table['mode'] == 'game', 'n'].sum():,} game attempts of 14" in text
    for setting in SETTINGS:
        rows = table[table["setting"] == setting]
        name = setting.replace("/", ", ").replace("_", " ")
        minutes = rows["minutes"].sum()
        line = f"{name} {len(rows)} {minutes:,.0f} {minutes / len(rows):,.0f} "
        assert line + f"{rows['n'].sum() / minutes:.1f}" in text


def test_the_week_comes_from_the_advice(pages, content):
    advice = content.mix.advice
    gain = 100 * (1 / (1 + np.exp(-(np.log(0.4 / 0.6) + advice.gain))) - 0.4)
    low, high = np.quantile(gain, [0.05, 0.95])
    coach, text = (visible_text(pages[audience]) for audience in ("coach", "director"))
    assert "Now: 40 rep and 20 live minutes a player and week." in coach
    assert "Now: 40 rep and 20 live minutes a player and week." in text
    assert advice.at_bound
    assert (
        f"{advice.best[0]:.0f} rep and {advice.best[1]:.0f} live minutes (the bound decides "
        "this number, not the data: observed range"
    ) in text
    assert "at equal total minutes" in text
    assert f"with {gain.mean():.1f} further makes in 100".replace("-", "−") in text
    assert f"interval {low:.1f} to {high:.1f} points".replace("-", "−") in text
    # Another week stands on the coach's page only where it is advised.
    assert advice.advice == "run the trial"
    assert "On present knowledge" not in coach
    change = replace(content.mix, advice=replace(advice, advice="change the mix"))
    told = visible_text(render_report(replace(content, audience="coach", mix=change)))
    assert f"with {gain.mean():.1f} further makes in 100".replace("-", "−") in told


def test_the_coachs_rates_come_from_the_conversion_table(pages, content):
    from transfer.reading.conversion import conversion_table

    table = conversion_table(content.posterior).table
    assert content.reading.verdict.verdict == "cannot_tell"
    assert "→" not in pages["coach"]  # side by side they would look like an answer
    leaning = replace(content.reading.verdict, verdict="leaning", favours="live")
    told = replace(content, audience="coach", reading=replace(content.reading, verdict=leaning))
    text = visible_text(render_report(told))
    for _, rows in table.groupby("setting"):
        first = rows.sort_values("practice_rate").iloc[0]
        assert f"{first['practice_rate']:.0%} → {first['game_mean']:.0%}" in text


def test_the_analyst_sees_diagnostics_priors_with_sources_and_sensitivity(pages):
    text = visible_text(pages["analyst"])
    for row in TransferPriors().table.itertuples():
        assert row.source in text
    assert "R-hat, largest" in text
    assert "of the verdict: any correlations equally likely" in text
    assert "of the forecasts: practice and games tend to go together" in text
    assert "Half-life, weeks" in text


@pytest.mark.parametrize("audience", AUDIENCES)
def test_no_jargon_without_its_gloss(pages, audience):
    page = pages[audience]
    text = visible_text(page[: page.index('id="words"')])
    given = glosses(page)
    for word, term in (JARGON | ALWAYS_GLOSSED).items():
        if re.search(rf"\b{re.escape(word)}", text, re.IGNORECASE):
            assert term in given, f"{word!r} stands without its gloss"
    assert set(given) <= set(GLOSSARY)


@pytest.mark.parametrize("audience", ["coach", "director"])
def test_short_pages_do_without_jargon(pages, audience):
    page = pages[audience]
    text = visible_text(page[: page.index('id="words"')])
    found = [word for word in JARGON if re.search(rf"\b{re.escape(word)}", text, re.IGNORECASE)]
    assert found == []


def test_an_unexplained_word_would_be_noticed(pages):
    page = pages["director"].replace("What was found", "What the posterior says")
    text = visible_text(page[: page.index('id="words"')])
    assert [word for word in JARGON if re.search(rf"\b{word}", text, re.IGNORECASE)] == [
        "posterior"
    ]


@pytest.mark.parametrize("audience", AUDIENCES)
def test_words_about_people_and_numbers(pages, audience):
    text = visible_text(pages[audience])
    assert not re.search(r"\b(he|she|his|her|him|hers)\b", text, re.IGNORECASE)
    prose = visible_text(re.sub(r"<(dl|table)\b.*?</\1>", "", pages[audience], flags=re.DOTALL))
    assert not re.search(r"(?<![\w-])-\d", prose)


@pytest.mark.parametrize("audience", ["coach", "director"])
def test_a_reading_has_no_causal_words(pages, audience):
    text = visible_text(pages[audience].split('id="what-if"')[0])
    assert not re.search(r"\b(causes?|caused|improves?d?|leads? to|because of)\b", text)


@pytest.mark.needs("pango")
@pytest.mark.parametrize(("audience", "most"), [("director", 2), ("coach", 1)])
def test_short_pages_fit_their_paper(content, pages, audience, most):
    assert page_count(pages[audience]) <= most
    bare = replace(content, audience=audience, mix=None, mix_missing="No minutes were charted.")
    assert page_count(render_report(bare)) <= most


@pytest.mark.needs("pango")
def test_equal_results_are_equal_files(content, pages):
    page = render_report(replace(content, audience="director"))
    assert page == pages["director"]
    first = page_pdf(page)
    assert first.startswith(b"%PDF")
    assert page_pdf(page) == first
    assert b"CreationDate" not in first


@pytest.mark.needs("pango")
def test_a_pdf_fetches_nothing(pages):
    for link in ("https://example.org/x.png", "file:///etc/hostname"):
        page = pages["director"].replace("</main>", f'<img alt="x" src="{link}"></main>')
        assert page_pdf(page).count(b"/Image") == page_pdf(pages["director"]).count(b"/Image")


def test_without_the_pdf_package_the_error_names_the_extra(pages, monkeypatch):
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(MissingPackageError, match="practice-transfer\\[pdf\\]") as caught:
        page_pdf(pages["coach"])
    assert caught.value.exit_code == 5


def test_pages_stay_small(pages):
    assert max(len(page.encode()) for page in pages.values()) < 2_000_000


def test_small_groups_are_hidden_in_every_depth():
    cells = invented_cells(4)
    posterior = invented_posterior(cells, draws=200)
    verdict_fit = invented_posterior(cells, draws=200, purpose="verdict")
    reading = read_transfer(verdict_fit, posterior)
    facts = replace(invented_mix(), players=4)
    rates = [f"{100 * r.y / r.n:.0f}% of {r.n}" for r in cells.table.itertuples() if r.n]
    for audience in AUDIENCES:
        shared = ReportContent(
            "t", reading, posterior, verdict_fit, shared=True, audience=audience, mix=facts,
            summary=[("rep attempts", "700 makes of 1,200, 4 player-seasons")], interactive=True,
        )  # fmt: skip
        page = render_report(shared)
        assert "P01" not in page
        assert "live minutes a player and week" not in page
        assert "1,200" not in page
        assert "→" not in page
        assert not [r for r in rates if r in page]
        assert 'id="what-if"' not in page


def test_three_lines_stand_on_top_of_the_coachs_page(pages, content):
    page = pages["coach"]
    top = page[page.index("<main>") : page.index('class="verdict"')]
    labels = re.findall(r"<dt>(.*?)</dt>", top)
    assert labels == ["Do this", "Chart this", "Do not conclude"]
    assert content.reading.next_step.text.split(":")[0] in visible_text(top)
    assert "Keep the mix and run the trial" in top


@pytest.mark.parametrize("audience", AUDIENCES)
def test_every_page_is_stamped_once(pages, content, audience):
    dated = replace(content, audience=audience, days=("2025-10-01", "2026-03-02"),
                    printed="2026-03-04")  # fmt: skip
    version = content.reading.provenance.versions["practice-transfer"]
    line = (
        "Program A, B; season 2025-26; records from 2025-10-01 to 2026-03-02; printed 2026-03-04; "
        f"version {version}; seed {content.reading.provenance.seed}."
    )
    assert render_report(dated).count(line) == 1
    assert "records from" not in pages[audience].split("<main>")[0]


#: What a reader never sees: names of the code, options, commands, empty values.
RAW = r"mark_\d|null|\[\]|`|probability 1\.00|nan|None|from 100% to 100%"


@pytest.mark.parametrize("audience", AUDIENCES)
def test_no_raw_values_stand_on_a_page(pages, audience):
    assert not re.search(RAW, visible_text(pages[audience]))


@pytest.mark.parametrize("audience", ["coach", "director"])
@pytest.mark.parametrize("missing", ["", "Set budget_minutes in transfer.toml, or use --budget."])
def test_no_option_and_no_command_on_short_pages(content, audience, missing):
    facts = None if missing else content.mix
    page = render_report(replace(content, audience=audience, mix=facts, mix_missing=missing))
    assert not re.search(r"(?<!\w)--\w|\btransfer \w+ -|\.toml|\w_minutes", visible_text(page))


def test_the_next_session_stands_in_the_page_itself(content):
    blocks = pd.DataFrame({"block": [1, 2], "title": ["Rungs", "Free play"], "start": [0, 10],
                           "minutes": [9, 8], "attempts": [22.0, 6.4],
                           "target": [12.0, np.nan]})  # fmt: skip
    page = replace(content, audience="coach", session="Its page is session.html in next.",
                   session_blocks=blocks)  # fmt: skip
    text = visible_text(render_report(page))
    assert "1. Rungs 0 9 22 to 12" in text
    assert "2. Free play 10 8 6 by time" in text


def test_strips_hold_the_players_of_the_readers_own_program(content):
    whole = render_report(replace(content, audience="coach"))
    own = render_report(replace(content, audience="coach", program="A"))
    assert "Strips of 14 players" in whole
    assert "Strips of 7 players" in own
    shared = render_report(replace(content, audience="coach", shared=True))
    assert "Strips of" not in shared
    forecast = forecast_games(content.posterior)
    table = strips.frame(forecast, "B")
    assert len(table) == 7
    assert table["mean"].is_monotonic_decreasing
    kept = forecast.table.set_index(["program", "player"])
    for row in table.itertuples():
        assert row.makes_low == kept.loc[("B", row.player), "makes_low"]
        assert row.makes_low <= 50 * row.mean <= row.makes_high


def test_an_unknown_audience_is_refused(content):
    with pytest.raises(ArgumentError, match="owner"):
        replace(content, audience="owner")


def test_true_minus_signs_leave_codes_dates_and_options_alone():
    assert words.minus("-3 to (-.5), 2025-11-02, NRV-01, --out") == (
        "−3 to (−.5), 2025-11-02, NRV-01, --out"
    )
