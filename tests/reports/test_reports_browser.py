"""The what-if part in headless Chromium: from the file, no network, by keyboard, with axe-core."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented import invented_cells, invented_mix, invented_posterior
from needs import BROWSER_CHECKS
from scipy.special import expit

from transfer.page.embedded import safe_json
from transfer.reading.reading import read_transfer
from transfer.reports.content import ReportContent
from transfer.reports.html import render_report

in_a_browser = pytest.mark.needs("chromium", "node", "browser packages")


def look(page: str, folder: Path) -> dict:
    chromium, node = shutil.which("chromium"), shutil.which("node")
    target = folder / "page.html"
    target.write_text(page, encoding="utf-8")
    done = subprocess.run(
        [str(node), BROWSER_CHECKS / "check_page.mjs", str(chromium), target, folder / "p"],
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return json.loads(done.stdout)


@pytest.fixture(scope="module")
def content():
    cells = invented_cells(6, ("A", "B"))
    posterior = invented_posterior(cells, draws=300)
    verdict_fit = invented_posterior(cells, draws=300, purpose="verdict")
    return ReportContent(
        title="Practice and game shooting",
        reading=read_transfer(verdict_fit, posterior),
        posterior=posterior,
        verdict_fit=verdict_fit,
        mix=invented_mix(),
        interactive=True,
        audience="coach",
    )


@pytest.fixture(scope="module")
def coach(content, tmp_path_factory):
    return look(render_report(content), tmp_path_factory.mktemp("coach"))


@pytest.fixture(scope="module")
def analyst(content, tmp_path_factory):
    page = render_report(replace(content, audience="analyst"))
    return look(page, tmp_path_factory.mktemp("analyst"))


@pytest.fixture(scope="module", params=["coach", "analyst"])
def seen(request):
    return request.getfixturevalue(request.param)


@in_a_browser
@pytest.mark.parametrize("width", ["desktop", "phone"])
def test_no_accessibility_rule_of_level_a_or_aa_is_broken(seen, width):
    assert seen[width]["rules"] > 15
    assert seen[width]["violations"] == []


@in_a_browser
@pytest.mark.parametrize("width", ["desktop", "phone"])
def test_the_page_fits_its_window_asks_for_nothing_and_has_no_errors(seen, width):
    assert seen[width]["overflow"] <= 0
    assert [url.split("/")[-1] for url in seen[width]["asked"]] == ["page.html"]
    assert all(url.startswith("file://") for url in seen[width]["asked"])
    assert seen[width]["errors"] == []


@in_a_browser
@pytest.mark.parametrize("width", ["desktop", "phone"])
def test_controls_have_names_and_are_reached_by_tab_with_a_visible_mark(seen, width):
    assert seen[width]["controls"] == [
        {"role": "slider", "name": "Live minutes a player and week"},
        {"role": "combobox", "name": "Player"},
    ]
    stops = {stop["id"]: stop for stop in seen[width]["tabStops"]}
    for name in ("mix-slider", "player-picker"):
        assert stops[name]["outline"]


@in_a_browser
def test_the_slider_shows_the_numbers_of_the_response(coach, content):
    table = content.mix.response()
    keys = coach["desktop"]["keyboard"]
    for name, at in (("mixHome", 0), ("mixStep", 1), ("mixEnd", len(table) - 1)):
        row = table.iloc[at]
        shown = keys[name]
        assert shown["live"] == f"{row['live']:.0f}"
        assert shown["rep"] == f"{row['rep']:.0f}"
        assert shown["gain"].replace("−", "-") == f"{row['gain']:.1f}"
        assert shown["band"].replace("−", "-") == f"{row['low']:.1f} to {row['high']:.1f}"
        assert shown["chance"].rstrip("%") == f"{100 * row['beats']:.0f}"
    assert keys["mixStart"]["live"] == "20"
    assert keys["mixStart"]["gain"] == "0.0"
    assert keys["spoken"].startswith(f"{table['live'].iloc[1]:.0f} live and")


@in_a_browser
def test_the_picker_shows_the_players_rates(coach, content):
    keys = coach["phone"]["keyboard"]
    for name, at in (("playerStart", 0), ("playerNext", 1)):
        draws = expit(content.posterior.theta[:, at, :])
        low, high = np.quantile(draws, [0.05, 0.95], axis=0)
        for line, k in zip(keys[name], range(3), strict=True):
            assert line[1] == (
                f"{100 * draws[:, k].mean():.0f}% ({100 * low[k]:.0f} to {100 * high[k]:.0f}%)"
            )
    counts = content.cells.table.query("unit == 'A/2025-26/P02' and setting == 'game'").iloc[0]
    assert keys["playerNext"][-1][2] == f"{counts['y']} of {counts['n']}"


@in_a_browser
def test_without_script_tables_stand_for_the_controls(seen, content):
    bare = seen["withoutScript"]
    assert bare["hiddenControls"]
    assert bare["errors"] == []
    assert "Some mixes" in bare["text"]
    for unit in content.cells.units:
        assert unit.replace("/", ", ") in bare["text"]
    assert re.search(r"\d+% \(\d+ to \d+%\)", bare["text"])


def test_embedded_data_cannot_end_its_element():
    text = str(safe_json({"a": "</script><script>alert(1)</script>&\u2028"}))
    assert not re.search(r"[<>&\u2028]", text)
    assert json.loads(text)["a"].startswith("</script>")
