# SPDX-License-Identifier: GPL-3.0-or-later
"""The folder that jobs write into: sets that are whole or seen not to be, and what others have left there."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from addon.files.atomic import UNFINISHED
from addon.job.folder import LastRun, read_result
from addon.job.jobfile import parse_job
from addon.job.results import JobResult
from addon.job.running import run

ROOT = Path(__file__).parents[1]
SIZED = {"size": "1 in × 1/8 in", "position_mm": [0, 0, 0]}


def do(folder: Path, name: str, **recipe: object) -> JobResult:
    job = parse_job({"tube_end": [SIZED], "fitting": {"crown": "flat", **recipe}}, folder, name)
    return run(job, (), True, lambda what, share: None)


def written_into(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.name != "result.json"}


def test_the_result_lists_every_other_file_by_length_and_sha_256(tmp_path: Path) -> None:
    do(tmp_path, "stall")
    folder = tmp_path / "ferrule_out"
    listed = json.loads((folder / "result.json").read_text("utf-8"))["written"]
    assert {entry["path"]: (entry["bytes"], entry["sha256"]) for entry in listed} == {
        name: (len(content), hashlib.sha256(content).hexdigest()) for name, content in written_into(folder).items()
    }
    assert LastRun.of(folder).said == ""
    (folder / "stall fittings.csv").write_text("another run's")
    (folder / "stall ends.csv").unlink()
    last = LastRun.of(folder)
    assert sorted(last.torn) == ["stall ends.csv", "stall fittings.csv"] and "Run it again" in last.said


@pytest.mark.once
@pytest.mark.skipif(os.name != "posix", reason="needs signals of POSIX")
def test_a_kill_between_two_names_is_seen_and_cleared_by_the_next_run(tmp_path: Path) -> None:
    do(tmp_path, "stall", rise_mm=5.0)
    folder = tmp_path / "ferrule_out"
    script = (
        "import os, pathlib, signal, sys\n"
        "from addon.files import atomic\n"
        "sys.path.insert(0, 'tests')\n"
        "from test_job_folder import do\n"
        "names, real = [], atomic.os.replace\n"
        "def replace(*paths):\n"
        "    if names: os.kill(os.getpid(), signal.SIGKILL)\n"
        "    names.append(real(*paths))\n"
        "atomic.os.replace = replace\n"
        "do(pathlib.Path(sys.argv[1]), 'stall', rise_mm=8.0)\n"
    )
    done = subprocess.run([sys.executable, "-c", script, str(tmp_path)], cwd=ROOT, capture_output=True)
    assert done.returncode == -signal.SIGKILL, done.stderr
    assert LastRun.of(folder).torn == ("stall plate 1.3mf",) and list(folder.glob(UNFINISHED))
    foreign = folder / f".{'0' * 16}.part"
    foreign.touch()
    do(tmp_path, "stall", rise_mm=8.0)
    assert list(folder.glob(UNFINISHED)) == [foreign], "its own are cleared, another's stay"
    assert LastRun.of(folder).torn == ()


def test_two_jobs_in_one_folder_keep_both_results(tmp_path: Path) -> None:
    folder = tmp_path / "ferrule_out"
    do(tmp_path, "stall")
    first = (folder / "result.json").read_bytes()
    second = do(tmp_path, "rack")
    assert (folder / "stall result.json").read_bytes() == first
    assert any("stall result.json" in note for note in second.notes)
    assert json.loads((folder / "result.json").read_text("utf-8"))["job"] == "rack"
    assert LastRun.of(folder).torn == ()


@pytest.mark.parametrize("content", ['{"format": "theirs"}', "[]", "[" * 100_000, "\x00"])
def test_a_result_that_is_none_of_ours_is_kept(tmp_path: Path, content: str) -> None:
    folder = tmp_path / "ferrule_out"
    folder.mkdir()
    (folder / "result.json").write_text(content)
    assert LastRun.of(folder) == LastRun()
    result = do(tmp_path, "stall")
    assert (folder / "result kept 1.json").read_text() == content
    assert any("result kept 1.json" in note for note in result.notes) and read_result(folder / "result.json")


@pytest.mark.skipif(os.name != "posix", reason="needs a named pipe")
def test_a_pipe_in_the_place_of_the_result_does_not_hang(tmp_path: Path) -> None:
    folder = tmp_path / "ferrule_out"
    folder.mkdir()
    os.mkfifo(folder / "result.json")
    start = time.monotonic()
    assert do(tmp_path, "stall").made and time.monotonic() - start < 30
    assert read_result(folder / "result.json")
