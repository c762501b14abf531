# SPDX-License-Identifier: GPL-3.0-or-later
"""The command line: what it prints where, its exit codes, and Ctrl-C."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from types import SimpleNamespace

import bpy
import pytest
import trimesh

import addon
from addon.files.errors import FileError
from addon.geometry.mesh import Mesh
from addon.job.asked import Job, JobError
from addon.ui import apart, command_line
from addon.ui.command_line import main
from addon.ui.scene import SceneError, read_assembly

REPOSITORY = Path(__file__).parents[1]


@pytest.fixture
def job_file(tmp_path: Path) -> Path:
    trimesh.creation.annulus(r_min=10.5, r_max=12.5, height=300).export(tmp_path / "tube.stl")
    job = tmp_path / "JOB.toml"
    job.write_text('[assembly]\nfiles = ["tube.stl"]\nunit = "mm"\n')
    return job


@pytest.fixture
def seen(read_here: None, monkeypatch: pytest.MonkeyPatch) -> dict[str, object]:
    """What the job was given; in the place of the work itself there are two steps of progress and a result."""
    given: dict[str, object] = {}

    def run(
        job: Job, read: Iterable[tuple[Sequence[Mesh], bool]], progress: Callable[[str, float], None], *_: object
    ) -> SimpleNamespace:
        ((bodies, unit_given),) = read
        given.update(job=job, bodies=bodies, unit_given=unit_given)
        progress("Making fittings", 0.25)
        progress("Making fittings", 0.5)
        progress("Writing files", 0.75)
        return SimpleNamespace(said="2 caps for 25 x 2 round", complete=True)

    monkeypatch.setattr(command_line, "run_order", run)
    monkeypatch.setattr(command_line, "table", lambda result, everything, width: result.said)
    monkeypatch.setattr(command_line, "verdict_of", lambda result: result)
    return given


@pytest.mark.parametrize(
    ("quiet_s", "progress"),
    [
        (command_line.QUIET_S, []),
        (0.0, ["Reading the assembly ...   0%", "Making fittings ...  25%", "Making fittings ...  50%"]),
    ],
)
def test_the_report_is_on_stdout_and_progress_comes_before_it_where_the_work_is_long(
    job_file: Path,
    seen: dict[str, object],
    quiet_s: float,
    progress: list[str],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(command_line, "QUIET_S", quiet_s)
    assert main([str(job_file)]) == 0
    out, err = capsys.readouterr()
    said = out.splitlines()
    assert said[: len(progress)] == progress and said[-1] == "2 caps for 25 x 2 round"
    assert len(said) == (len(progress) + 2 if progress else 1)
    assert err == ""
    (body,) = seen["bodies"]
    assert body.name == "tube"
    assert body.size == pytest.approx([25, 25, 300], abs=1e-4)
    assert seen["unit_given"] is True


def test_a_job_with_an_end_left_out_ends_with_another_code(
    job_file: Path, seen: dict[str, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(command_line, "run_order", lambda *_: SimpleNamespace(said="F1 refused", complete=False))
    assert main([str(job_file), "--quiet"]) == 1


def test_quiet_prints_the_report_only(
    job_file: Path, seen: dict[str, object], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["--quiet", str(job_file)]) == 0
    assert capsys.readouterr().out.splitlines()[0] == "2 caps for 25 x 2 round"


def test_on_a_terminal_progress_stays_on_one_line(
    job_file: Path, seen: dict[str, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    terminal = Terminal()
    monkeypatch.setattr(sys, "stdout", terminal)
    assert main([str(job_file)]) == 0
    progress, _, report = terminal.getvalue().rpartition("\r")
    assert "\n" not in progress
    assert "Making fittings ...  50%" in progress
    assert report.startswith("2 caps")
    # A shorter line leaves nothing of a longer one behind it.
    screen = ""
    for written in terminal.getvalue().split("\n")[0].split("\r"):
        screen = written + screen[len(written) :]
    assert screen.rstrip() == "2 caps for 25 x 2 round"


def test_notes_on_what_was_left_out_are_printed(
    tmp_path: Path, seen: dict[str, object], capsys: pytest.CaptureFixture[str]
) -> None:
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    for name in ("Post", "Helper"):
        data = bpy.data.meshes.new(name)
        data.from_pydata([(0, 0, 0), (1, 0, 0), (0, 1, 0)], [], [(0, 1, 2)])
        bpy.context.scene.collection.objects.link(bpy.data.objects.new(name, data))
    bpy.data.objects["Helper"].hide_render = True
    bpy.ops.wm.save_as_mainfile(filepath=os.fspath(tmp_path / "frame.blend"), copy=True)
    (tmp_path / "JOB.toml").write_text('[assembly]\nfiles = ["frame.blend"]\n')
    assert main([str(tmp_path / "JOB.toml")]) == 0
    assert 'frame.blend: Left out because hidden: "Helper".' in capsys.readouterr().out


def test_importers_do_not_chatter_between(
    job_file: Path, seen: dict[str, object], monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(command_line, "read_apart", apart.read_apart)
    main([str(job_file)])
    out, err = capfd.readouterr()
    assert "STL" not in out + err
    print("still here")
    assert capfd.readouterr().out == "still here\n"


@pytest.mark.parametrize(
    ("job", "says"),
    [
        (None, "There is no job file"),
        ("[assembly\n", "not valid TOML"),
        ('[assembly]\nfiles = ["gone.stl"]\n', "gone.stl does not exist"),
        ('[assembly]\nfiles = ["JOB.toml"]\n', "not a readable kind of file"),
    ],
)
def test_bad_input_is_one_paragraph_on_stderr(
    tmp_path: Path, job: str | None, says: str, seen: dict[str, object], capsys: pytest.CaptureFixture[str]
) -> None:
    if job is not None:
        (tmp_path / "JOB.toml").write_text(job)
    assert main([str(tmp_path / "JOB.toml"), "--quiet"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert says in err
    assert err.startswith("ferrule: ")
    assert len(err.splitlines()) == 1
    assert seen == {}


@pytest.mark.parametrize("error", [JobError("the wall is asked for"), FileError("the disk is full")])
def test_what_the_job_refuses(
    job_file: Path,
    error: Exception,
    read_here: None,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def run(*_: object) -> str:
        raise error

    monkeypatch.setattr(command_line, "run_order", run)
    assert main([str(job_file)]) == 2
    assert str(error) in capsys.readouterr().err


@pytest.mark.parametrize(("arguments", "code"), [([], 2), (["a.toml", "b.toml"], 2), (["--loud", "a"], 2), (["-h"], 0)])
def test_usage(arguments: list[str], code: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) == code
    assert "usage: ferrule" in "".join(capsys.readouterr())


# The real job


def test_a_tube_of_another_program_becomes_files(job_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(job_file)]) == 0
    out = capsys.readouterr().out
    folder = job_file.parent / "ferrule_out"
    assert out.rstrip().endswith(f"Files are in {folder}")
    result = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    assert [(end["open"], round(end["section"]["width_mm"], 1)) for end in result["ends"]] == [(True, 25.0)] * 2
    assert [(fitting["count"], fitting["watertight"]) for fitting in result["fittings"]] == [(2, True)]
    assert result["files"]
    for file in result["files"]:
        assert (folder / file["path"]).is_file()


def test_a_unit_that_makes_no_tube_stops_the_job(
    tmp_path: Path, read_here: None, capsys: pytest.CaptureFixture[str]
) -> None:
    """1 in × 1/8 in tube written in inches, and nobody says so."""
    trimesh.creation.annulus(r_min=0.375, r_max=0.5, height=20, sections=128).export(tmp_path / "tube.stl")
    job = tmp_path / "JOB.toml"
    job.write_text('[assembly]\nfiles = ["tube.stl"]\n')
    assert main([str(job), "--quiet"]) == 2
    assert 'unit = "in"' in capsys.readouterr().err
    assert not (tmp_path / "ferrule_out").exists()
    job.write_text('[assembly]\nfiles = ["tube.stl"]\nunit = "in"\n')
    assert main([str(job), "--quiet"]) == 0
    assert "1 in × 1/8 in" in capsys.readouterr().out


# Ctrl-C


def test_interrupted_while_working(
    job_file: Path, read_here: None, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The signal is real; it comes while the job reports progress."""

    def run(job: Job, read: object, progress: Callable[[str, float], None], *_: object) -> str:
        signal.raise_signal(signal.SIGINT)
        progress("Never", 1.0)
        return SimpleNamespace(said="2 caps for 25 x 2 round", complete=True)

    monkeypatch.setattr(command_line, "run_order", run)
    before = signal.getsignal(signal.SIGINT)
    assert main([str(job_file)]) == 130
    out, err = capsys.readouterr()
    assert "Never" not in out
    assert err == "Stopped. No half-written file is left.\n"
    assert signal.getsignal(signal.SIGINT) is before


def test_interrupted_where_another_handler_only_takes_note(
    job_file: Path, seen: dict[str, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Blender's own handler does just that when it runs without a window."""
    noted: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _: noted.append(number))
    try:
        monkeypatch.setattr(command_line, "read_job", lambda _: signal.raise_signal(signal.SIGINT))
        assert main([str(job_file)]) == 130
        signal.raise_signal(signal.SIGINT)
    finally:
        signal.signal(signal.SIGINT, before)
    assert noted == [signal.SIGINT]


def test_interrupted_inside_an_importer_written_in_python(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Blender turns what is raised in an operator into an error report; the interrupt must not end as bad input."""
    import io_scene_gltf2

    trimesh.Scene({"tube": trimesh.creation.annulus(10, 12, 300)}).export(tmp_path / "tube.glb")
    monkeypatch.setattr(
        io_scene_gltf2.ImportGLTF2, "unit_import", lambda *_: signal.raise_signal(signal.SIGINT), raising=True
    )
    before = {*bpy.data.user_map()}
    with pytest.raises(KeyboardInterrupt):
        read_assembly([tmp_path / "tube.glb"], None)
    assert {*bpy.data.user_map()} == before


def test_the_real_job_interrupted_leaves_everything_as_it_was(
    job_file: Path, read_here: None, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The signal comes with the first progress report of a kind of work, and then the work goes on into it."""
    assert main([str(job_file)]) == 0
    before = contents(job_file.parent)
    whole_job = command_line.run_order
    job_file.write_text(job_file.read_text() + "[fitting]\nspigot_mm = 9\n")
    before["JOB.toml"] = job_file.read_bytes()
    for step in ("Reading", "Fitting", "Writing"):
        sent: list[str] = []

        def interrupting(work: str, share: float, step: str = step, sent: list[str] = sent) -> None:
            if work.startswith(step) and not sent:
                sent.append(work)
                signal.raise_signal(signal.SIGINT)

        monkeypatch.setattr(
            command_line,
            "run_order",
            lambda job, read, _, shared_out, tell=interrupting: whole_job(job, read, tell, shared_out),
        )
        assert main([str(job_file)]) == 130
        assert sent
        assert contents(job_file.parent) == before
        assert capsys.readouterr().err == "Stopped. No half-written file is left.\n"


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_process_that_is_interrupted(tmp_path: Path, job_file: Path) -> None:
    """From outside, as a person at a terminal does it, while a job that never ends is at work."""
    script = tmp_path / "endless.py"
    script.write_text(
        "import sys, time\n"
        "from addon.ui import command_line, scene\n"
        "def run(job, read, progress, shared_out):\n"
        "    print('At work', flush=True)\n"
        "    while True:\n"
        "        time.sleep(0.05)\n"
        "command_line.run_order, command_line.read_apart = run, scene.read_assembly\n"
        f"sys.exit(command_line.main([{str(job_file)!r}]))\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.fspath(REPOSITORY)}
    process = subprocess.Popen(
        [sys.executable, script], env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    for line in process.stdout:
        if line == "At work\n":
            break
    process.send_signal(signal.SIGINT)
    started = time.monotonic()
    out, err = process.communicate(timeout=20)
    assert process.returncode == 130
    assert out == ""
    assert time.monotonic() - started < 5
    assert err == "Stopped. No half-written file is left.\n"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["JOB.toml", "endless.py", "tube.stl"]


# A reader that goes early


@pytest.mark.skipif(os.name == "nt", reason="pipes that nobody reads fail otherwise on Windows")
def test_a_job_whose_output_nobody_reads_is_done_all_the_same(tmp_path: Path, job_file: Path) -> None:
    """As `| head` does, whose end of the pipe is closed here before each job begins."""
    script = tmp_path / "unread.py"
    script.write_text(
        "import os, pathlib\n"
        "from addon.ui import command_line, scene\n"
        "command_line.read_apart = scene.read_assembly\n"
        "for quiet in ([], ['--quiet']):\n"
        "    reading, writing = os.pipe()\n"
        "    os.close(reading)\n"
        "    os.dup2(writing, 1)\n"
        f"    assert command_line.main([{str(job_file)!r}, *quiet]) == 0\n"
        f"    pathlib.Path({str(tmp_path / 'ferrule_out' / 'result.json')!r}).unlink()\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.fspath(REPOSITORY)}
    done = subprocess.run([sys.executable, script], env=environment, stderr=subprocess.PIPE, text=True)
    assert (done.returncode, done.stderr) == (0, "")


# The process that reads


def test_a_file_that_breaks_the_importer_down_is_one_sentence(
    tmp_path: Path, job_file: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two files of a job, of which the process that reads the second one aborts, as damaged files make Blender do."""
    trimesh.creation.annulus(r_min=10.5, r_max=12.5, height=300).export(tmp_path / "worse.ply")
    job_file.write_text('[assembly]\nfiles = ["tube.stl", "worse.ply"]\nunit = "mm"\n')
    aborting = "import os, pathlib, sys\nif 'worse' in pathlib.Path(sys.argv[-1]).read_text(): os.abort()\n"
    monkeypatch.setattr(apart, "_CHILD", aborting + apart._CHILD)
    assert main([str(job_file), "--quiet"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"ferrule: {tmp_path / 'worse.ply'} crashes Blender's importer.")
    assert err.count("\n") == 1


def test_a_file_that_cannot_break_the_importer_down_starts_no_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    trimesh.creation.annulus(10, 12, 300).export(tmp_path / "tube.stl")
    monkeypatch.setattr(apart, "_CHILD", "import os\nos.abort()")
    (mesh,) = apart.read_apart([tmp_path / "tube.stl"], "mm").meshes
    assert mesh.size.max() == pytest.approx(300)
    (tmp_path / "tube.stl").write_bytes((tmp_path / "tube.stl").read_bytes() + b"more")
    with pytest.raises(SceneError, match="crashes Blender's importer"):
        apart.read_apart([tmp_path / "tube.stl"], "mm")


def test_what_is_read_apart_is_what_is_read_here(tmp_path: Path) -> None:
    trimesh.creation.annulus(10, 12, 300).export(tmp_path / "tube.stl")
    trimesh.Scene({"tube": trimesh.creation.annulus(10, 12, 300)}).export(tmp_path / "tube.glb")
    files = [tmp_path / "tube.stl", tmp_path / "tube.glb"]
    here, there = read_assembly(files, "in"), apart.read_apart(files, "in")
    assert (here.unit_given, here.notes) == (there.unit_given, there.notes)
    for mine, other in zip(here.meshes, there.meshes, strict=True):
        assert mine.name == other.name
        assert (mine.vertices == other.vertices).all() and (mine.triangles == other.triangles).all()
    (tmp_path / "tube.stl").write_text("not a mesh")
    sentences = []
    for read in (read_assembly, apart.read_apart):
        with pytest.raises(SceneError) as refused:
            read(files, "in")
        sentences.append(str(refused.value))
    assert sentences[0] == sentences[1] != ""


# In Blender


def test_the_command_comes_and_goes_with_the_extension(monkeypatch: pytest.MonkeyPatch) -> None:
    commands: dict[str, Callable[[Sequence[str]], int]] = {}
    register = bpy.utils.register_cli_command
    monkeypatch.setattr(
        bpy.utils, "register_cli_command", lambda name, call: (commands.update({name: call}), register(name, call))[1]
    )
    for _ in range(3):
        addon.register()
        assert commands == {"ferrule": main}
        addon.unregister()
