"""The documentation: pages are reachable, commands shown exist, nothing leaves the page."""

from __future__ import annotations

import importlib
import json
import re
import subprocess
import sys
from pathlib import Path

import click
import pytest
from docutils.utils.math import latex2mathml

import transfer
from transfer.cli import COMMANDS, LazyGroup, main
from transfer.cli.cite import citation
from transfer.records.settings import settings_table

ROOT = Path(__file__).resolve().parents[1]
DOCS = ROOT / "docs"
PAGES = sorted(p for p in DOCS.rglob("*.md") if not {"_build", "copied"} & set(p.parts))
FENCE = re.compile(r"^```(\{?\w*\}?)[^\n]*\n(.*?)^```", re.S | re.M)


def fences(kind: str) -> list[tuple[str, str]]:
    """Return (page, content) of every fenced block of one kind."""
    return [
        (page.name, body)
        for page in PAGES
        for language, body in FENCE.findall(page.read_text("utf-8"))
        if language == kind
    ]


def shown_commands() -> list[tuple[str, list[str]]]:
    """Return (page, words) of every command line that a page shows."""
    found = []
    for page in PAGES:
        text = page.read_text("utf-8").replace("\\\n", " ")
        lines = re.findall(r"^(?:\$ )?transfer ([^\n|]+)$", text, re.M)
        lines += re.findall(r"`transfer ([^`]+)`", text.replace("\n", " "))
        found += [(page.name, line.split()) for line in lines]
    return found


def command_named(words: list[str]) -> tuple[click.Command, list[str]]:
    """Walk down the groups; return the command and the words after it."""
    group: click.Command = LazyGroup()
    while isinstance(group, click.Group) and words and not words[0].startswith("-"):
        following = group.get_command(click.Context(group), words[0])
        assert following is not None, f"no command {words[0]!r}"
        group, words = following, words[1:]
    return group, words


@pytest.fixture
def helpers(monkeypatch):
    """The build's own helpers, importable for one test."""
    monkeypatch.syspath_prepend(str(DOCS / "_ext"))
    names = ("collect", "docstrings", "mathml")
    yield {name: importlib.import_module(name) for name in names}
    for name in names:
        sys.modules.pop(name, None)


def test_every_command_and_option_shown_exists():
    shown = shown_commands()
    assert len(shown) > 15
    for page, words in shown:
        command, rest = command_named(words)
        known = {name for option in command.params for name in option.opts + option.secondary_opts}
        for word in rest:
            if word.startswith("--"):
                assert word in {*known, "--help"}, f"{page}: transfer {' '.join(words)}"


def test_the_table_of_settings_is_what_the_settings_say():
    assert settings_table() in (DOCS / "settings.md").read_text("utf-8"), (
        "paste what transfer.records.settings.settings_table() returns"
    )


def test_every_command_is_in_the_user_guide_or_beside_it():
    text = " ".join(page.read_text("utf-8") for page in PAGES)
    missing = [name for name in COMMANDS if f"transfer {name}" not in text]
    assert missing == []


def test_every_page_is_in_a_table_of_contents():
    listed = {DOCS / "index.md"}
    for page in PAGES:
        for body in re.findall(r"```\{toctree\}\n(.*?)```", page.read_text("utf-8"), re.S):
            names = [line.strip() for line in body.splitlines() if line.strip()]
            listed |= {page.parent / f"{n}.md" for n in names if not n.startswith(":")}
    assert set(PAGES) <= listed


def test_links_between_pages_lead_somewhere():
    made = re.compile(r"copied/(studies|notebooks)/")
    for page in PAGES:
        for target in re.findall(r"\]\(([^)#\s]+?)\)", page.read_text("utf-8")):
            if re.fullmatch(r"[a-z]+", target):  # a label, which the build checks
                continue
            goal = (page.parent / target).resolve()
            if made.search(target):
                goal = ROOT / "reports" / "studies" / Path(target).name
            assert goal.exists(), f"{page.name}: {target}"


def test_equations_become_mathml(helpers):
    count = 0
    for page in PAGES:
        text = re.sub(r"```.*?```|`[^`]*`", "", page.read_text("utf-8"), flags=re.S)
        blocks = re.findall(r"\$\$(.+?)\$\$", text, re.S)
        inline = re.findall(r"\$([^$]+?)\$", re.sub(r"\$\$.+?\$\$", "", text, flags=re.S))
        for tex in [*blocks, *inline]:
            shown = latex2mathml.tex2mathml(tex, as_block=tex in blocks)
            assert "<math" in helpers["mathml"].accents_first(shown)
            count += 1
    assert count > 60


def test_python_shown_uses_public_names_only():
    blocks = fences("python")
    assert blocks
    for page, code in blocks:
        compile(code, page, "exec")
        for names in re.findall(r"from transfer import \(?([^)]+?)\)?\n(?:\n|$)", code):
            for name in filter(None, (n.strip() for n in names.split(","))):
                assert name in transfer.__all__, f"{page}: {name}"


def test_pages_hold_no_machine_path_and_load_nothing_from_elsewhere():
    for page in [*PAGES, DOCS / "conf.py", *DOCS.glob("_ext/*.py")]:
        text = page.read_text("utf-8")
        assert not re.search(r"/(work|root|tmp|home)/", text), page.name
        assert "http://" not in text, page.name
        assert "https://" not in text, page.name


def test_verdict_page_prints_the_thresholds_and_error_rates_of_the_rule():
    from scipy.stats import norm

    from transfer import verdict

    text = (DOCS / "method" / "verdict.md").read_text("utf-8")
    assert f"c > {verdict.MAX_CONTRACTION_TO_TELL:.2f}".replace("0.", ".") in text
    assert f"P \\ge {verdict.PROBABILITY_AHEAD:.3f}".replace("0.", ".") in text
    rows = re.findall(
        r"^\| (\.9\d*) \| ([.\d]+) \| ([.\d]+) \| ([.\d]+) \| ([.\d]+) \|$", text, re.M
    )
    assert [float(row[0]) for row in rows] == [0.9, 0.95, 0.975]
    for threshold, *shares in rows:
        for c, share in zip((0.5, 0.4, 0.3, 0.2), shares, strict=True):
            exact = 2 * norm.sf(norm.ppf(float(threshold)) / (1 - c**2) ** 0.5)
            assert float(share) == pytest.approx(exact, abs=6e-4)


def test_priors_page_prints_the_defaults():
    text = (DOCS / "method" / "transfer-model.md").read_text("utf-8")
    priors = transfer.TransferPriors()
    spreads = ("program_sd", "program_game_sd", "season_sd", "season_game_sd")
    for value in (getattr(priors, name) for name in spreads):
        assert f"half-normal({value:g})".replace("(0.", "(.") in text
    assert f"Beta({priors.persistence[0]:g}, {priors.persistence[1]:g})" in text
    for value in (priors.tau_practice_sd, priors.tau_game_sd):
        wanted = f"lognormal, median {value:g}, sd of the logarithm {priors.tau_log_sd:g}"
        assert wanted.replace(" 0.", " .") in text
    assert priors.tilt_df == 4
    assert "t_4(" in text
    assert f"N(0, {priors.level_shift_sd:g})".replace(" 0.", " .") in text
    (location, scale), (between, wide) = priors.tilt_game, priors.tilt_practice
    assert f"\\rho_{{kG}} \\mid {location:.2f}, {scale:.2f}".replace("0.", ".") in text
    assert f"\\rho_{{jk}} \\mid {between:.2f}, {wide:.2f}".replace("0.", ".") in text


def test_cite_prints_text_bibtex_and_the_file_in_the_repository(capsys):
    with pytest.raises(SystemExit) as ended:
        main(["cite", "--json"])
    assert ended.value.code == 0
    told = json.loads(capsys.readouterr().out)
    assert told == {"schema": {"name": "citation", "version": 1}, **citation()}
    assert told["version"] == transfer.__version__
    assert told["version"] in told["text"]
    assert told["bibtex"].count("{") == told["bibtex"].count("}")
    assert (ROOT / "CITATION.cff").read_text("utf-8") == told["cff"]
    with pytest.raises(SystemExit):
        main(["cite"])
    printed = capsys.readouterr().out
    assert told["text"] in printed
    assert "seed" in printed
    with pytest.raises(SystemExit):
        main(["cite", "--bibtex"])
    assert capsys.readouterr().out.strip() == told["bibtex"]


@pytest.mark.slow
def test_the_whole_documentation_builds_without_a_warning_and_asks_for_nothing(tmp_path):
    """Minutes: `make docs` with warnings as errors, then every page looked at for requests."""
    built = subprocess.run(
        [sys.executable, "-m", "sphinx", "-W", "-q", "-b", "html", str(DOCS), str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert built.returncode == 0, built.stderr[-3000:]
    pages = list(tmp_path.rglob("*.html"))
    assert len(pages) > 20
    asks = re.compile(r"<(?:script|img|link|iframe)[^>]+(?:src|href)=\"(?:https?:)?//", re.I)
    for page in pages:
        assert not asks.search(page.read_text("utf-8")), page.name
    for sheet in tmp_path.rglob("*.css"):
        assert not re.search(r"(url\(|@import)[^)]*https?:", sheet.read_text("utf-8")), sheet.name


def test_the_reference_lists_every_module_and_drops_what_is_gone(helpers, tmp_path):
    (tmp_path / "studies").mkdir()
    (tmp_path / "studies" / "gone.md").write_text("# Gone", "utf-8")
    helpers["collect"].everything(ROOT, tmp_path)
    listed = set(
        re.findall(
            r"automodule:: (\S+)",
            "".join(page.read_text("utf-8") for page in (tmp_path / "api").glob("*.rst")),
        )
    )
    public = {
        ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for path in (ROOT / "transfer").rglob("*.py")
        if not path.stem.startswith("_") and "cli" not in path.parts
    }
    assert listed == public
    assert not (tmp_path / "studies" / "gone.md").exists()
    assert (tmp_path / "notebooks" / "1_first_look.py").exists()


def test_docstrings_keep_formulas_and_bars(helpers):
    as_written = helpers["docstrings"].as_written
    told = as_written(["Spread is |t|.", "", "    y ~ N(0, 1)", "        + more", "", "End."])
    assert told[0] == r"Spread is \|t\|."
    assert told[2:6] == ["::", "", "    y ~ N(0, 1)", "        + more"]
    kept = ["Shown::", "", "    transfer check", "", "``a | b``"]
    assert as_written(kept) == kept


def test_an_index_stands_beside_a_letter_with_a_bar(helpers):
    shown = helpers["mathml"].accents_first(
        latex2mathml.tex2mathml(r"\bar f_{kp} + \sum_{i=1}^n x")
    )
    assert "<msub>" in shown
    assert shown.count("munderover") == 2  # the sum keeps its limits
