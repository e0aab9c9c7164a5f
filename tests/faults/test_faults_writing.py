"""Kills, full disks, closed folders and two runs at once: a file is whole or not there."""

from __future__ import annotations

import errno
import json
import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from transfer import files
from transfer.errors import StorageError
from transfer.files import write_bytes, write_text
from transfer.records.guards import inside
from transfer.terminal.runs import CHECKSUMS, MANIFEST, Run

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
@pytest.mark.parametrize("words", [("fit",), ("workbook", "new", "{out}/b.xlsx")])
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
    assert code == 4
    assert "could not be" in err
    assert "Next:" in err
    left = sorted(p.name for p in full_disk.rglob("*") if p.is_file())
    assert [n for n in left if n not in (*before, MANIFEST, CHECKSUMS)] == []


@pytest.mark.fault("full disk")
def test_a_bundle_that_does_not_fit_is_not_begun(fitted, tmp_path, run, monkeypatch):
    """The bundle is smaller than the smallest disk above, so the full disk is put in by hand."""

    def full(_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(files.os, "fsync", full)
    code, _, err = run("share", fitted, "--out", tmp_path / "out" / "s.zip")
    assert code == 4
    assert "could not be written: No space left" in err
    assert "Next: free disk space" in err
    assert list((tmp_path / "out").iterdir()) == []


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


#: Waits until its partner is there as well, then keeps 25 outputs, one in each of 25 folders.
WRITER = """
import sys, time
from pathlib import Path
from transfer.terminal.runs import Run
root, me, other, text = Path(sys.argv[1]), sys.argv[2], sys.argv[3], sys.argv[4]
for number in range(25):
    (root / f"{me}-{number}").touch()
    while not (root / f"{other}-{number}").exists():
        time.sleep(0)
    folder = root / str(number)
    kept = Run(folder, "k", "k", {"key": "k"}, ()).keep("report.html", text * 5000)
    print(kept.name)
"""


@pytest.mark.fault("two runs on the same folder at once")
@pytest.mark.parametrize("same", [True, False], ids=["equal", "different"])
def test_two_runs_lose_nothing(tmp_path, record_property, same):
    record_property("tries", 25)
    texts = ("a", "a" if same else "b")
    workers = [
        subprocess.Popen(
            [sys.executable, "-c", WRITER, str(tmp_path), me, other, text],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for me, other, text in zip(("x", "y"), ("y", "x"), texts, strict=True)
    ]  # fmt: skip
    told = [worker.communicate(timeout=120) for worker in workers]
    assert [worker.returncode for worker in workers] == [0, 0], told
    both = list(zip(*(out.split() for out, _ in told), strict=True))
    assert len(both) == 25
    for number, names in enumerate(both):
        folder = tmp_path / str(number)
        assert [(folder / n).read_text()[0] for n in names] == list(texts)
        assert {(folder / n).stat().st_size for n in names} == {5000}
        assert len(set(names)) == (1 if same else 2)
        assert {p.name for p in folder.iterdir()} == {*names, MANIFEST, CHECKSUMS}
        assert json.loads((folder / MANIFEST).read_text()) == {"key": "k"}
        listed = {line.split("  ")[1] for line in (folder / CHECKSUMS).read_text().splitlines()}
        assert {*names, MANIFEST} == listed


@pytest.mark.fit
@pytest.mark.slow
@pytest.mark.fault("two runs on the same folder at once")
def test_two_commands_fit_into_one_season_folder_at_once(season, record_property):
    """Two whole commands: each ends well, one run folder, one fit, and the run verifies."""
    record_property("note", "one try with two whole `transfer compare`")
    words = [sys.executable, "-c", "from transfer.cli import main; main(['compare', '--json'])"]
    workers = [
        subprocess.Popen(words, cwd=season, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        for _ in range(2)
    ]
    told = [worker.communicate(timeout=300) for worker in workers]
    assert [worker.returncode for worker in workers] == [0, 0], told
    assert told[0][0] == told[1][0]
    (folder,) = (season / "runs").iterdir()
    assert len(list(folder.glob("fit*.nc"))) == 1
    checked = subprocess.run(
        [sys.executable, "-c", f"from transfer.cli import main; main(['verify', {str(folder)!r}])"],
        cwd=season, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert checked.returncode == 0, checked.stdout + checked.stderr


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
