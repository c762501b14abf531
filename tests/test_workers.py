# SPDX-License-Identifier: GPL-3.0-or-later
"""Work shared out among processes comes to the same as in one, whatever becomes of the processes."""

from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from operator import itemgetter
from pathlib import Path

import pytest

from addon.families.cap.recipe import Recipe
from addon.fields.messages import Length, as_message, say
from addon.fields.refusals import RecipeError
from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.job.asked import Job
from addon.job.jobfile import parse_job
from addon.job.running import run_order
from addon.job.workers import MOST, SharedOut, Workers, _Task, spare_processors

PYTHON = [sys.executable, "-P"]
REPOSITORY = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def workers() -> Iterator[Workers]:
    with Workers(2, PYTHON) as beside:
        yield beside


def posts() -> list[Mesh]:
    """Of three kinds: two that get a cap each, and one whose bore is too narrow for any."""
    sections = (Section.round(25.4, 3.175), Section.rectangular(40, 20, 2), Section.round(6, 2.5))
    solids = [(section.outer.cross_section(64) - section.bore.cross_section(64)).extrude(300) for section in sections]
    return [
        Mesh.from_manifold(solid, f"post {number}").placed(Frame.along((200.0 * number, 0, 0), (0, 0, 1)))
        for number, solid in enumerate(solids)
    ]


def leave_all_to(workers: Workers, monkeypatch: pytest.MonkeyPatch, they_end: bool = False) -> None:
    """Nothing is done but in the other processes, which have to manage all of it, or here once all of them ended."""
    do = _Task.do

    def leave(task: _Task) -> None:
        at_work = [process.poll() is None for process in workers._processes]
        assert all(at_work) or they_end, task.asked
        if not any(at_work):
            do(task)
            return
        workers._waiting.put(task)
        time.sleep(0.01)  # for a thread that waits for it, or this one would have it again

    monkeypatch.setattr(_Task, "do", leave)


def files_of(folder: Path, shared_out: SharedOut) -> tuple[dict[str, bytes], list[str]]:
    """What a job writes, and what it says of its fittings."""
    job: Job = parse_job({"assembly": {"files": ["a.stl"]}, "output": {"formats": ["3mf", "stl"]}}, folder, "posts")
    result = run_order(job, [(posts(), True)], lambda work, share: None, shared_out)
    written = {path.name: path.read_bytes() for path in job.output.folder.iterdir()}
    return written, [str(finding) for finding in result.findings]


@pytest.fixture(scope="module")
def of_one_process(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, bytes], list[str]]:
    return files_of(tmp_path_factory.mktemp("one"), map)


def test_a_job_writes_the_same_files_and_says_the_same(
    tmp_path: Path,
    workers: Workers,
    of_one_process: tuple[dict[str, bytes], list[str]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Shared out, and with nothing done but in the other processes."""
    assert files_of(tmp_path / "shared", workers.shared_out) == of_one_process
    leave_all_to(workers, monkeypatch)
    assert files_of(tmp_path / "elsewhere", workers.shared_out) == of_one_process
    assert len(of_one_process[0]) > 5 and any("No fitting was made" in said for said in of_one_process[1])


def test_processes_that_die_leave_their_work_to_this_one(
    tmp_path: Path, of_one_process: tuple[dict[str, bytes], list[str]]
) -> None:
    with Workers(1, [sys.executable, "-c", "pass"]) as ended:
        assert files_of(tmp_path / "ended", ended.shared_out) == of_one_process
    with Workers(2, PYTHON) as killed:
        outcomes = killed.shared_out(math.sqrt, [float(number) for number in range(300)])
        first = next(outcomes)
        for process in killed._processes:
            process.kill()
        assert [first, *outcomes] == [math.sqrt(number) for number in range(300)]
    with Workers(1, [sys.executable, "-c", "import time; time.sleep(1000)"]) as never_ready:
        assert list(never_ready.shared_out(abs, [-1, 2])) == [1, 2]
    with Workers(1, ["no such program"]) as missing:
        assert list(missing.shared_out(abs, [-1, 2])) == [1, 2]


def test_errors_come_in_the_order_of_the_work(monkeypatch: pytest.MonkeyPatch) -> None:
    with Workers(2, PYTHON) as ended:
        leave_all_to(ended, monkeypatch, they_end=True)
        for shared_out in (map, ended.shared_out):
            outcomes = shared_out(math.sqrt, [4.0, 9.0, -1.0, 1e400 * 0, 16.0])
            assert [next(outcomes), next(outcomes)] == [2.0, 3.0]
            with pytest.raises(ValueError, match=r"math domain|nonnegative"):
                next(outcomes)
        with pytest.raises(KeyError, match="lip_mm"):
            list(ended.shared_out(itemgetter("lip_mm"), [{}, {"lip_mm": 1.0}]))


def test_a_refusal_arrives_as_it_was_raised(workers: Workers, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its lengths, too, which can be said in inches."""
    refusal = RecipeError("rise_mm", say("{} too high", Length(6.35)), 3.0, "Leave it.")
    leave_all_to(workers, monkeypatch)
    (again,) = workers.shared_out(itemgetter(0), [(refusal, Recipe())])
    assert (str(again), again.field, again.works, again.instead) == ("6.35 mm too high", "rise_mm", 3.0, "Leave it.")
    assert as_message(again).in_both == "6.35 mm (1/4 in) too high"


def test_processes_end_with_the_one_that_started_them(tmp_path: Path) -> None:
    """Killed from outside, in the middle of work that never ends; nothing is left over."""
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    script = tmp_path / "endless.py"
    script.write_text(
        "import sys, time\n"
        "from addon.job.workers import Workers\n"
        f"with Workers(1, {PYTHON!r}) as workers:\n"
        "    outcomes = workers.shared_out(time.sleep, [0.0, 1000.0, 1000.0, 1000.0])\n"
        "    print(workers._processes[0].pid, flush=True)\n"
        "    list(outcomes)\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.fspath(REPOSITORY), "TMPDIR": os.fspath(temporary)}
    starter = subprocess.Popen([sys.executable, script], env=environment, stdout=subprocess.PIPE, text=True)
    assert starter.stdout is not None
    beside = int(starter.stdout.readline())
    time.sleep(1)
    assert is_there(beside) and any(temporary.iterdir())
    starter.kill()
    starter.communicate()
    until = time.monotonic() + 10
    while is_there(beside) and time.monotonic() < until:
        time.sleep(0.02)
    assert not is_there(beside) and not any(temporary.iterdir())


def is_there(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    state = Path(f"/proc/{process}/stat")
    return not state.exists() or state.read_text().rpartition(")")[2].split()[0] != "Z"


def test_an_interrupt_ends_the_wait_at_once_and_the_processes_with_it() -> None:
    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGALRM, interrupt)
    try:
        with Workers(1, PYTHON) as workers, pytest.raises(KeyboardInterrupt):
            signal.setitimer(signal.ITIMER_REAL, 1.0)
            list(workers.shared_out(time.sleep, [0.0, 0.0, 1000.0, 1000.0, 1000.0]))
        assert all(process.poll() is not None for process in workers._processes)
    finally:
        signal.signal(signal.SIGALRM, before)


def test_one_processor_is_left_to_the_work_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = "process_cpu_count" if hasattr(os, "process_cpu_count") else "cpu_count"
    for processors, count in ((1, 0), (2, 1), (64, MOST), (None, 0)):
        monkeypatch.setattr(os, asked, lambda processors=processors: processors)
        assert spare_processors() == count
