"""What commands print as JSON keeps to committed schemas, and to its keys and types of before."""

from __future__ import annotations

import copy
import html
import json
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pandas as pd
import pytest
from all_commands import GOLDEN, by_name, keys_and_types, kinds_of_result
from invented import SETTINGS, invented_cells, invented_posterior
from matplotlib.figure import Figure

from transfer import TransferPriors, fit_beta_binomial, prior_predictive
from transfer.cli.outputs import SHAPES, schema_text
from transfer.models.prior_conflict import PriorConflict
from transfer.rates.agreement import cohen_agreement
from transfer.rates.attenuation import true_rate_correlation
from transfer.rates.differences import rate_difference
from transfer.rates.first_reading import first_reading
from transfer.rates.inverse_sampling import pooled_first_to_k
from transfer.reading.roles import RoleReading
from transfer.results import Interval, Result
from transfer.terminal.frame import OUTPUTS

ROOT = Path(__file__).resolve().parents[2]
SCHEMAS = ROOT / "shared" / "schema" / "outputs"
NAMES = sorted(OUTPUTS)


@pytest.fixture(scope="module")
def ran(tmp_path_factory) -> tuple[dict[str, list[dict]], dict[type, Result]]:
    """What the commands printed, by name, and the results behind it, by class."""
    return by_name(tmp_path_factory.mktemp("outputs"))


@pytest.fixture(scope="module")
def told(ran) -> dict[str, list[dict]]:
    """Every output of every command, by name."""
    return ran[0]


def closed(schema: Any) -> Any:
    """The schema without room for keys that it does not name."""
    if isinstance(schema, dict):
        named = {"additionalProperties": False} if schema.get("properties") else {}
        return {**{key: closed(part) for key, part in schema.items()}, **named}
    if isinstance(schema, list):
        return [closed(part) for part in schema]
    return schema


def schema(name: str) -> dict:
    return json.loads((SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8"))


def test_every_output_has_a_shape_a_schema_and_a_golden_file():
    assert sorted(SHAPES) == NAMES
    assert sorted(path.name for path in SCHEMAS.iterdir()) == [f"{n}.schema.json" for n in NAMES]
    assert sorted(path.stem for path in GOLDEN.iterdir()) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_the_committed_schema_is_what_the_shape_makes(name):
    committed = SCHEMAS / f"{name}.schema.json"
    assert committed.read_text(encoding="utf-8") == schema_text(name), (
        "python -m transfer.cli.outputs shared/schema/outputs"
    )
    jsonschema.Draft202012Validator.check_schema(schema(name))


@pytest.mark.parametrize("name", NAMES)
def test_outputs_keep_to_their_schema_and_hold_no_other_key(told, name):
    check = jsonschema.Draft202012Validator(closed(schema(name)))
    for value in told[name]:
        check.validate(value)
        spoilt = copy.deepcopy(value)
        spoilt["schema"]["version"] = 0
        spoilt["one_key_more"] = 1
        assert len(list(check.iter_errors(spoilt))) == 2


@pytest.mark.parametrize("name", NAMES)
def test_keys_and_types_are_those_of_before(told, name):
    assert keys_and_types(told[name]) == (GOLDEN / f"{name}.txt").read_text(encoding="utf-8"), (
        "python tests/outputs/all_commands.py"
    )


def test_a_kept_file_is_the_printed_object(told, tmp_path, run_json, files, fits):
    words = ("--practice", files["practice"], "--games", files["games"])
    out = tmp_path / "out"
    _, printed = run_json("compare", *words, "--out", out)
    assert json.loads(Path(out / "compare.json").read_text(encoding="utf-8")) == printed


def test_the_docs_list_every_output_with_its_version_and_meaning():
    page = (Path(__file__).resolve().parents[2] / "docs" / "outputs.md").read_text(encoding="utf-8")
    for name in NAMES:
        link = f"{{download}}`{name} <../shared/schema/outputs/{name}.schema.json>`"
        (row,) = [line for line in page.splitlines() if line.startswith(f"| {link}")]
        assert row.startswith(f"| {link} | {OUTPUTS[name]} |")
        assert row.endswith(f"| {schema(name)['description']} |")
    assert page.count("{download}") == len(NAMES)


def others() -> list[Result]:
    """Results that no command prints."""
    cells = invented_cells()
    fit = invented_posterior(cells, draws=200)
    share = {"mean": 0.3, "low": 0.1, "high": 0.5, "prob": 0.9, "kind": "eti"}
    among = [{"quantity": "all", "among": who, **share} for who in ("same role", "all players")]
    spread = Interval(-0.1, 0.1, 0.9)
    return [
        first_reading(cells),
        prior_predictive(fit.settings, TransferPriors(), dict.fromkeys((*SETTINGS, "game"), 100)),
        RoleReading(pd.DataFrame(among), spread, ("position",), "Open."),
        cohen_agreement(pd.Series(["a", "b", "a", "b"]), pd.Series(["a", "b", "b", "b"])),
        true_rate_correlation([9, 12, 20, 25], [30] * 4, [8, 14, 15, 26], [30] * 4, resamples=200),
        rate_difference(30, 60, 20, 60),
        fit_beta_binomial(np.array([5, 12, 9, 20]), np.array([20, 30, 25, 30])),
        pooled_first_to_k([5, 5], [9, 12]),
        PriorConflict(
            pd.DataFrame([{"quantity": "mu game", "median": 0.1, "prior_median": -0.3}]), "Far."
        ),
    ]


def test_every_result_shows_itself(ran):
    results = {type(result): result for result in [*ran[1].values(), *others()]}
    assert set(results) == kinds_of_result()
    for kind, result in results.items():
        page = result._repr_html_()
        assert html.escape(result.text) in page
        assert page.count("<tr") > 1, kind
        figure = result.plot()
        assert isinstance(figure, Figure)
        figure.canvas.draw()
        assert any(axes.has_data() for axes in figure.axes), kind
