"""Progress only where someone looks, completion for shells, pages opened on request."""

from __future__ import annotations

import os
import pty
import subprocess
import sys

import pytest
from invented import write_invented_records

SCRIPT = """
import sys, time
from transfer.terminal.screen import aside, long_work, progress
with long_work({as_json}):
    progress({as_json})("fitting the model")
    aside("[a first] reading", {as_json})
    time.sleep(0.3)
print("done")
"""


def told(as_json: bool = False, **environment: str) -> tuple[str, str]:
    """Standard output, and what a terminal on standard error was sent."""
    outer, inner = pty.openpty()
    kept = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "TERM")}
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT.format(as_json=as_json)],
        stdout=subprocess.PIPE,
        stderr=inner,
        env={**kept, "TERM": "xterm", **environment},
        check=True,
        timeout=60,
    )
    os.close(inner)
    said = b""
    while True:
        try:
            part = os.read(outer, 4096)
        except OSError:  # Linux: the other end is closed and all has been read
            break
        if not part:
            break
        said += part
    os.close(outer)
    return done.stdout.decode(), said.decode()


def test_a_terminal_sees_the_step_and_its_seconds():
    out, said = told()
    assert out == "done\n"
    assert "fitting the model" in said
    assert "0:00:0" in said
    assert "\x1b[" in said
    assert "[a first] reading\r\n" in said


@pytest.mark.parametrize("environment", [{"NO_COLOR": "1"}, {"TERM": "dumb"}])
def test_plain_lines_where_colour_is_unwanted(environment):
    _, said = told(**environment)
    assert said.replace("\r", "") == "fitting the model ...\n[a first] reading\n"


def test_json_is_silent():
    assert told(as_json=True) == ("done\n", "")


def test_a_pipe_is_silent():
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT.format(as_json=False)],
        capture_output=True, text=True, check=True, timeout=60,
    )  # fmt: skip
    assert (done.stdout, done.stderr) == ("done\n", "")


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_shells_get_a_completion_script(shell):
    if shell == "bash":
        words = {"COMP_WORDS": "transfer rep", "COMP_CWORD": "1"}
    else:
        words = {"COMP_WORDS": "transfer rep", "COMP_CWORD": "rep" if shell == "fish" else "1"}
    program = "from transfer.cli import main; main([])"
    found = subprocess.run(
        [sys.executable, "-c", program],
        env={**os.environ, **words, "_TRANSFER_COMPLETE": f"{shell}_complete"},
        capture_output=True, text=True, check=True, timeout=60,
    )  # fmt: skip
    assert "report" in found.stdout


def test_help_names_the_completion_that_works(run):
    _, out, _ = run("--help")
    help_words = " ".join(out.split())
    for shell in ("bash", "zsh", "fish"):
        assert f"_TRANSFER_COMPLETE={shell}_source" in help_words or f"{shell}_source" in help_words
        script = subprocess.run(
            [sys.executable, "-c", "from transfer.cli import main; main([])"],
            env={**os.environ, "_TRANSFER_COMPLETE": f"{shell}_source"},
            capture_output=True, text=True, check=True, timeout=60,
        ).stdout  # fmt: skip
        assert f"_TRANSFER_COMPLETE={shell}_complete" in script


@pytest.fixture
def demo(tmp_path, fits, run, monkeypatch):
    from transfer.cli import demo as module

    opened = []
    monkeypatch.setattr(
        "webbrowser.open", lambda address: opened.append(address) or len(opened) == 1
    )
    monkeypatch.setattr(module, "STUDIES", {"one_program": module.STUDIES["one_program"]})
    data = tmp_path / "data" / "one_program"
    data.mkdir(parents=True)

    def call(*words):
        write_invented_records(data)
        players = "".join(f"P{n:02d},guard\n" for n in range(1, 7))
        (data / "roster.csv").write_text(f"player,position\n{players}", encoding="utf-8")
        drills = "drill,mode\nshort_roll_spot,rep\nscreen_drop,live\n"
        (data / "drills.csv").write_text(drills, encoding="utf-8")
        where = ("--data", tmp_path / "data", "--out", tmp_path / "out")
        return (*run("demo", *where, *words), opened)

    return call


def test_demo_opens_its_page_only_when_asked(demo):
    code, out, _, opened = demo()
    assert code == 0
    assert opened == []
    assert "demo_one_program.html" in out
    assert demo("--open")[0] == 0
    assert len(opened) == 1
    assert opened[0].startswith("file://")
    assert opened[0].endswith("/out/demo_one_program.html")
    _, _, said, _ = demo("--open")
    assert "no browser was found here" in said
