"""Leaving programs out, from the command line."""

from __future__ import annotations


def test_one_program_cannot_be_left_out(files, run):
    words = ("programs", "--practice", files["practice"], "--games", files["games"], "--json")
    code, out, err = run(*words)
    assert code == 2
    assert "the records hold one program" in out + err
