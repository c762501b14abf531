# SPDX-License-Identifier: GPL-3.0-or-later
"""Files appear whole or not at all, whatever happens: full disk, Ctrl-C, no right, power cut."""

from __future__ import annotations

import errno
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from addon.files import atomic
from addon.files.atomic import FileSet, write_checked
from addon.files.errors import FileError, VerificationError

POSIX = pytest.mark.skipif(os.name != "posix", reason="needs signals and limits of POSIX")
ROOT = Path(__file__).parents[1]


def write(path, content=b"new", check=len):
    return write_checked(path, content, check, None)


def test_content_and_result(tmp_path):
    assert write(tmp_path / "made" / "a", b"12345") == 5
    assert (tmp_path / "made" / "a").read_bytes() == b"12345"
    assert write(tmp_path / "made" / "a", b"67") == 2
    assert [file.read_bytes() for file in (tmp_path / "made").iterdir()] == [b"67"]


@pytest.mark.parametrize(
    ("code", "said"),
    [
        (errno.ENOSPC, "disk is full"),
        (errno.EROFS, "only be read"),
        (errno.EACCES, "may not write there"),
        (errno.EIO, "another folder"),
    ],
)
@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_failure_leaves_the_old_file_and_nothing_else(tmp_path, monkeypatch, code, said, step):
    path = tmp_path / "a"
    path.write_bytes(b"old")

    def fail(*_):
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(atomic.os, step, fail)
    with pytest.raises(FileError, match=said) as caught:
        write(path)
    assert str(path) in str(caught.value) and caught.value.errno == code
    assert [file.read_bytes() for file in tmp_path.iterdir()] == [b"old"]


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_ctrl_c_leaves_the_old_file_and_nothing_else(tmp_path, monkeypatch, step):
    path = tmp_path / "a"
    path.write_bytes(b"old")

    def interrupt(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(atomic.os, step, interrupt)
    with pytest.raises(KeyboardInterrupt):
        write(path)
    assert [file.read_bytes() for file in tmp_path.iterdir()] == [b"old"]


def test_a_failed_check_leaves_the_old_file(tmp_path):
    path = tmp_path / "a"
    path.write_bytes(b"old")

    def refuse(_):
        raise VerificationError("no")

    with pytest.raises(VerificationError):
        write(path, check=refuse)
    assert [file.read_bytes() for file in tmp_path.iterdir()] == [b"old"]


def test_a_disk_that_gives_back_other_bytes_is_found(tmp_path, monkeypatch):
    monkeypatch.setattr(Path, "read_bytes", lambda self: b"nex")
    with pytest.raises(VerificationError, match="other bytes"):
        write(tmp_path / "a")
    assert not list(tmp_path.iterdir())


def test_a_set_appears_together_or_not_at_all(tmp_path):
    (tmp_path / "a").write_bytes(b"old")
    with pytest.raises(RuntimeError), FileSet() as files:
        files.add(tmp_path / "a", b"1", len)
        files.add(tmp_path / "b", b"2", len)
        assert (tmp_path / "a").read_bytes() == b"old" and not (tmp_path / "b").exists()
        raise RuntimeError
    assert [file.read_bytes() for file in tmp_path.iterdir()] == [b"old"]
    with FileSet() as files:
        files.add(tmp_path / "a", b"1", len)
        files.add(tmp_path / "b", b"2", len)
    assert {file.name: file.read_bytes() for file in tmp_path.iterdir()} == {"a": b"1", "b": b"2"}


def test_one_name_twice_in_a_set_is_refused(tmp_path):
    with pytest.raises(FileError, match="twice"), FileSet() as files:
        files.add(tmp_path / "a", b"1", len)
        files.add(tmp_path / "a", b"2", len)
    assert not list(tmp_path.iterdir())


def test_paths_that_cannot_be(tmp_path):
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_bytes(b"x")
    for path, said in (
        (tmp_path / "folder", "a folder has that name"),
        (tmp_path / "file" / "a", "not a folder"),
        (tmp_path / ("x" * 300) / "a", "too long"),
    ):
        with pytest.raises(FileError, match=said):
            write(path)


@pytest.mark.skipif(not Path("/sys/kernel").is_dir(), reason="needs a folder in which nobody may write, root included")
def test_a_folder_that_can_only_be_read():
    with pytest.raises(FileError, match=r"may not write there|only be read"):
        write(Path("/sys/kernel/a.3mf"))


@POSIX
def test_a_file_that_the_system_will_not_let_grow(tmp_path):
    """A real refusal by the system, half-way through the file: its limit on file sizes."""
    script = (
        "import resource, signal, sys; from pathlib import Path\n"
        "from addon.files.atomic import write_checked; from addon.files.errors import FileError\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN); resource.setrlimit(resource.RLIMIT_FSIZE, (5000, 5000))\n"
        "try: write_checked(Path(sys.argv[1]), bytes(10000), len, None)\n"
        "except FileError as error: print(error)\n"
    )
    (tmp_path / "a").write_bytes(b"old")
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path / "a")], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert "larger than this disk or account allows" in done.stdout
    assert [file.read_bytes() for file in tmp_path.iterdir()] == [b"old"]


@pytest.mark.once
@POSIX
def test_killed_at_any_moment_the_file_is_whole(tmp_path):
    script = (
        "import itertools, sys; from pathlib import Path\n"
        "from addon.files.atomic import write_checked\n"
        "for n in itertools.count(): write_checked(Path(sys.argv[1]), bytes([n % 256]) * 200_000, len, None)\n"
    )
    path, rng, seen = tmp_path / "a", random.Random(7), set()
    for _ in range(12):
        child = subprocess.Popen([sys.executable, "-c", script, str(path)], cwd=ROOT)
        while not path.exists() and child.poll() is None:
            time.sleep(0.01)
        time.sleep(rng.uniform(0.2, 0.6))
        child.send_signal(signal.SIGKILL)
        child.wait()
        content = path.read_bytes()
        assert len(content) == 200_000 and len(set(content)) == 1
        seen.add(content[:1])
    assert len(seen) > 1, "the writer was never caught at work"
