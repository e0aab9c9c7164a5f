"""A saved fit brings the counts back that were fitted, and an older layout is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from invented import invented_cells, invented_posterior

from transfer.errors import StorageError
from transfer.models.estimates import player_estimates
from transfer.models.storage import load_fit, save_fit
from transfer.provenance import hash_frames


def charted(terms):
    """Counts of a few players, plain or split by contest and defender, with distances."""
    cells = invented_cells(4, ("A", "B"))
    if terms == "plain":
        return cells
    table = cells.table.assign(contest="", defender="", distance_ft=8.5)
    split = table[table["mode"] != "rep"].assign(n=7, y=3)
    split["contest"] = np.where(split["mode"] == "game", "front", "")
    split["defender"] = np.where(split["mode"] == "live", "P09", "")
    table = pd.concat([table, split]).sort_values(["unit", "setting"], ignore_index=True)
    return replace(cells, table=table, data_hash=hash_frames(cells=table))


@pytest.mark.parametrize("terms", ["plain", "every column"])
def test_the_file_brings_the_counts_back(tmp_path, terms):
    cells = charted(terms)
    fit = replace(invented_posterior(invented_cells(4, ("A", "B")), draws=30), cells=cells)
    read = load_fit(save_fit(fit, tmp_path / "fit.nc"))
    pd.testing.assert_frame_equal(read.cells.table, cells.table, check_dtype=False)
    assert read.cells.data_hash == hash_frames(cells=read.cells.table) == cells.data_hash
    assert (read.cells.settings, read.cells.units) == (cells.settings, cells.units)
    pd.testing.assert_frame_equal(player_estimates(read), player_estimates(fit))


def test_empty_cells_are_neither_needed_nor_kept(tmp_path):
    cells = invented_cells(4)
    held = replace(cells, table=cells.table[cells.table["n"] > 0].reset_index(drop=True))
    assert len(held.table) < len(cells.table)
    fit = replace(invented_posterior(cells, draws=30), cells=held)
    read = load_fit(save_fit(fit, tmp_path / "fit.nc"))
    assert len(read.cells.table) == len(held.table)
    with_zeros = replace(fit, cells=cells)
    pd.testing.assert_frame_equal(player_estimates(read), player_estimates(with_zeros))


def test_a_file_without_counts_is_refused_by_its_layout(tmp_path):
    import xarray as xr

    path = save_fit(invented_posterior(invented_cells(3), draws=30), tmp_path / "fit.nc")
    with xr.open_datatree(path, engine="h5netcdf") as opened:
        tree = opened.load()
    older = tmp_path / "older.nc"
    draws = tree["posterior"].to_dataset().assign_attrs(tree.attrs)
    del draws.attrs["format_version"]
    draws.to_netcdf(older, engine="h5netcdf")
    with pytest.raises(StorageError, match="file layout 1") as caught:
        load_fit(older)
    assert "again" in caught.value.next_step


def test_the_mode_of_a_setting_is_read_from_its_cells():
    cells = invented_cells(3)
    renamed = cells.table.replace({"setting": {"rep/none": "alone", "live/trailing": "chased"}})
    cells = replace(cells, table=renamed, settings=("alone", "chased"))
    assert cells.modes == ("rep", "live")
    fit = replace(
        invented_posterior(invented_cells(3), draws=30), settings=cells.settings, cells=cells
    )
    modes = player_estimates(fit).groupby("setting")["mode"].first().to_dict()
    assert modes == {"alone": "rep", "chased": "live", "game": "game"}
    assert np.isfinite(player_estimates(fit)["mean"]).all()
