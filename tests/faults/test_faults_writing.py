"""Kills, full disks, closed folders and two runs at once: a file is whole or not there."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from transfer.cli.runs import CHECKSUMS, MANIFEST, Run
from transfer.errors import StorageError
from transfer.files import write_bytes, write_text
from transfer.records.guards import inside

KILLER = Path(__file__).with_name("kill_writers.py")


def kill(folder, tries, seed):
    done = subprocess.run(
        [sys.executable, str(KILLER), str(folder), str(tries), str(seed)],
        capture_output=True, text=True, check=True, env={**os.environ, "OMP_NUM_THREADS": "1"},
    )  # fmt: skip
    return json.loads(done.stdout)


@pytest.mark.fault("killed in the middle of writing (SIGKILL)")
@pytest.mark.parametrize(
    ("tries", "seed"),
    [pytest.param(24, 1, id="short"), pytest.param(200, 2, id="study", marks=pytest.mark.slow)],
)
def test_a_killed_writer_leaves_whole_files(tmp_path, record_property, tries, seed):
    counts = kill(tmp_path, tries, seed)
    record_property("tries", tries)
    record_property("note", f"{counts['left_a_temporary']} left a temporary file, removed later")
    assert counts["whole"] == counts["tidy"] == counts["tried"] == tries
    assert counts["interrupted"] > tries // 2
    assert counts["left_a_temporary"] > 0, "no kill fell between start and end of a write"


@pytest.fixture
def full_disk(tmp_path):
    """A folder in which a file of more than a few kB cannot be written; its kind is recorded."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=16k", "tmpfs", str(folder)]
    with_mount = os.geteuid() == 0 and subprocess.run(mount, capture_output=True).returncode == 0
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    if not with_mount:
        resource.setrlimit(resource.RLIMIT_FSIZE, (16_384, hard))
    yield folder
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    if with_mount:
        subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.fault("full disk")
def test_a_full_disk_keeps_the_old_file(full_disk):
    target = write_text(full_disk / "page.html", "old")
    with pytest.raises(StorageError, match="could not be written") as caught:
        write_bytes(target, b"x" * 100_000)
    assert "free disk space" in caught.value.next_step
    assert target.read_text() == "old"
    assert [p.name for p in full_disk.iterdir()] == ["page.html"]


@pytest.mark.fault("full disk")
@pytest.mark.parametrize(
    "words",
    [("fit",), ("workbook", "new", "{out}/b.xlsx"), ("share", "{run}", "--out", "{out}/s.zip")],
)
def test_commands_say_that_the_disk_is_full(fitted, full_disk, run, words):
    filler = full_disk / "filler"
    for size in (16_000, 8_000, 4_000):
        if not filler.exists():
            try:
                filler.write_bytes(b"x" * size)
            except OSError:
                filler.unlink(missing_ok=True)
    call = [w.format(out=full_disk, run=fitted) for w in words]
    if words == ("fit",):
        call += ["--out", str(full_disk / "run")]
    before = sorted(p.name for p in full_disk.iterdir())
    code, _, err = run(*call)
    if words[0] == "share" and code == 0:  # the bundle is small enough for what is left
        assert (full_disk / "s.zip").stat().st_size < 16_384
        return
    assert code == 4
    assert "could not be" in err
    assert "Next:" in err
    left = sorted(p.name for p in full_disk.rglob("*") if p.is_file())
    assert [n for n in left if n not in (*before, MANIFEST, CHECKSUMS)] == []


@pytest.mark.fault("full disk")
def test_output_into_a_full_device_has_no_traceback(season):
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-c", "from transfer.cli import main; main(['cite'])"],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    assert done.returncode != 0
    assert "Traceback" not in done.stderr
    assert "could not be written" in done.stderr


@pytest.fixture
def closed(tmp_path):
    """A folder that cannot be written, also by root where mounts are allowed."""
    folder = tmp_path / "closed"
    folder.mkdir()
    (folder / "old.txt").write_text("old")
    binds = [
        ["mount", "--bind", str(folder), str(folder)],
        ["mount", "-o", "remount,ro,bind", str(folder)],
    ]
    mounted = os.geteuid() == 0 and all(
        subprocess.run(c, capture_output=True).returncode == 0 for c in binds
    )
    if os.geteuid() != 0:
        folder.chmod(0o555)
    yield folder if mounted or os.geteuid() != 0 else folder / "old.txt"
    folder.chmod(0o755) if not mounted else subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.fault("read-only folder, or a file where a folder is expected")
@pytest.mark.parametrize("command", ["fit", "workbook", "init"])
def test_a_closed_folder_is_named(fitted, closed, run, command):
    words = {
        "fit": ("fit", "--out", closed / "r"),
        "workbook": ("workbook", "new", closed / "b.xlsx"),
        "init": ("init", closed / "s"),
    }[command]
    code, _, err = run(*words)
    assert code == 4, err
    assert "could not be" in err
    assert str(closed) in err


@pytest.mark.fault("read-only folder, or a file where a folder is expected")
def test_a_file_in_place_of_the_folder(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(StorageError, match="could not be written"):
        write_text(tmp_path / "file" / "page.html", "x")
    with pytest.raises(StorageError, match="could not be written"):
        write_text(tmp_path, "x")
    assert (tmp_path / "file").read_text() == "x"


@pytest.mark.fault("two runs on the same folder at once")
@pytest.mark.parametrize("same", [True, False], ids=["equal", "different"])
def test_two_runs_lose_nothing(tmp_path, record_property, same):
    record_property("tries", 25)
    for number in range(25):
        folder = tmp_path / str(number)
        run = Run(folder, "k", "k", {"key": "k"}, ())
        gate = threading.Barrier(2)
        kept: list[Path] = []

        def work(text, run=run, gate=gate, kept=kept):
            gate.wait()
            kept.append(run.keep("report.html", text))

        contents = ["a" * 5000, "a" * 5000 if same else "b" * 5000]
        writers = [threading.Thread(target=work, args=(text,)) for text in contents]
        for writer in writers:
            writer.start()
        for writer in writers:
            writer.join()
        assert sorted(path.read_text() for path in kept) == sorted(contents)
        assert len({path.name for path in kept}) == (1 if same else 2)
        assert json.loads((folder / MANIFEST).read_text()) == {"key": "k"}
        listed = {line.split("  ")[1] for line in (folder / CHECKSUMS).read_text().splitlines()}
        assert {path.name for path in kept} == listed


@pytest.mark.fault("paths outside the output folder")
@pytest.mark.parametrize(
    "name",
    ["../x", "..", ".", "", " ", "/etc/x", "a/b", "a\\b", "C:x", "x\0y", "x:stream", "a\nb"],
)
def test_names_outside_the_folder_are_refused(tmp_path, name):
    with pytest.raises(StorageError, match="does not name a file"):
        inside(tmp_path, name)
    run = Run(tmp_path / "run", "k", "k", {"key": "k"}, ())
    if name.strip():
        with pytest.raises(StorageError):
            run.keep(name, "x")
    assert [p for p in tmp_path.rglob("*") if p.is_file() and p.name != MANIFEST] == []


@pytest.mark.fault("paths outside the output folder")
def test_a_link_to_elsewhere_is_refused(tmp_path):
    (tmp_path / "elsewhere").write_text("theirs")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "report.html").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(StorageError, match="link"):
        inside(tmp_path / "out", "report.html")
    assert inside(tmp_path / "out", "other.html").parent == tmp_path / "out"


@pytest.mark.fault("killed in the middle of writing (SIGKILL)")
def test_files_of_a_writer_at_work_stay(tmp_path):
    from transfer import files

    alive = tmp_path / f".page.{files._machine()}-{os.getpid()}-abc.part"
    dead = tmp_path / f".page.{files._machine()}-{2**22 + 7}-abc.part"
    other = tmp_path / ".page.00000000-1-abc.part"
    own = tmp_path / ".notes.part"
    for path in (alive, dead, other, own):
        path.write_text("half")
    write_text(tmp_path / "next.txt", "x")
    assert [p.exists() for p in (alive, dead, other, own)] == [True, False, True, True]
    os.utime(other, (0, 0))
    write_text(tmp_path / "next.txt", "x")
    assert [p.exists() for p in (alive, other, own)] == [True, False, True]
