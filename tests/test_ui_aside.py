# SPDX-License-Identifier: GPL-3.0-or-later
"""Long work beside the window: the same results and errors, and an end at once when it is stopped."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest

from addon.files.atomic import FileSet
from addon.ui.aside import AsideSteps, beside, going_on


def counting(to: int) -> AsideSteps[int]:
    for number in range(to):
        yield f"Counting {number}", number / to
        time.sleep(0.01)
    return to


def busy(seconds: float) -> None:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        sum(range(1000))


def test_the_result_is_that_of_the_steps() -> None:
    said = []
    work = beside(counting(20))
    while True:
        try:
            said.append(next(work))
            assert going_on()
        except StopIteration as end:
            assert end.value == 20
            break
    assert not going_on() and said and all(0 <= share < 1 for _, share in said)


def test_an_error_is_that_of_the_steps() -> None:
    def failing() -> AsideSteps[int]:
        yield "Trying", 0.5
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        list(beside(failing()))
    assert not going_on()


def test_a_stop_ends_the_work_and_leaves_no_file(tmp_path: Path) -> None:
    """Within a tenth of what it would have taken, though it takes no notice of being closed."""

    def writing() -> AsideSteps[None]:
        with FileSet() as files:
            files.add(tmp_path / "half.txt", b"half", len)
            yield "Writing", 0.5
            busy(30.0)

    before = threading.active_count()
    work = beside(writing())
    next(work)
    time.sleep(0.1)
    start = time.monotonic()
    work.close()
    assert time.monotonic() - start < 3
    assert threading.active_count() == before and not going_on()
    assert list(tmp_path.iterdir()) == []


def test_work_that_comes_to_its_next_step_stops_there() -> None:
    """So that its last lines run as they stand: an error from outside can pass over some."""
    ended = []

    def stepping() -> AsideSteps[None]:
        try:
            while True:
                yield "Stepping", 0.5
                time.sleep(0.01)
        except GeneratorExit:
            ended.append(threading.current_thread())
            raise

    work = beside(stepping())
    next(work)
    work.close()
    assert len(ended) == 1 and ended[0] is not threading.current_thread() and not going_on()


def test_files_do_not_depend_on_the_last_lines(tmp_path: Path) -> None:
    """Pythons 3.11.7 and 3.13.0 were seen to pass over a ``finally`` when a thread is ended from outside."""

    class PassedOver(FileSet):
        def __exit__(self, *error: object) -> None:
            pass

    def writing() -> AsideSteps[None]:
        with PassedOver() as files:
            files.add(tmp_path / "half.txt", b"half", len)
            yield "Writing", 0.5
            busy(30.0)

    work = beside(writing())
    next(said for said in work if said[0] == "Writing")
    assert len(list(tmp_path.glob(".*.part"))) == 1
    work.close()
    assert not going_on() and list(tmp_path.iterdir()) == []
