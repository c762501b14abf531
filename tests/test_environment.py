# SPDX-License-Identifier: GPL-3.0-or-later
"""How the scripts find an interpreter, and make, reuse and complete their environments.

The environments here are real ones, made by the real scripts from lock files that name one tiny local wheel.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest

import _environment
import _interpreter
from _interpreter import BLENDERS, Blender, InterpreterError, find_interpreter, probe

pytestmark = pytest.mark.once

SCRIPTS = Path(__file__).parent.parent / "scripts"
ME = probe([sys.executable])
MINE = Blender("0.0", ME.version.rpartition(".")[0], frozenset({ME.machine}))

JOB = """
import sys, time
from _environment import enter, guarded

def main():
    enter(sys.argv[1])
    import tiny
    print(tiny.VERSION, flush=True)
    time.sleep(float(sys.argv[2]))
    return 7

sys.exit(guarded(main))
"""


class Checkout:
    """A folder with the real set-up scripts and a job that needs the package ``tiny``."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "scripts" / "locks").mkdir(parents=True)
        for script in ("_environment.py", "_interpreter.py"):
            shutil.copy(SCRIPTS / script, folder / "scripts")
        for module in ("__init__.py", "bench/__init__.py", "bench/lock.py"):
            (folder / "addon" / module).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(SCRIPTS.parent / "addon" / module, folder / "addon" / module)
        (folder / "scripts" / "job.py").write_text(JOB)
        self.lock("run", "1.0")
        self.lock("test", "1.0", extra="1.0")

    def lock(self, purpose: str, tiny: str, extra: str | None = None, wrong_hash: bool = False) -> None:
        pins = [self._pin("tiny", tiny, wrong_hash)] + ([self._pin("extra", extra, False)] if extra else [])
        for blender in BLENDERS:
            (self.folder / "scripts" / "locks" / f"{purpose}-{blender.version}.txt").write_text("\n".join(pins))

    def _pin(self, name: str, version: str, wrong_hash: bool) -> str:
        wheel = self.folder / f"{name}-{version}-py3-none-any.whl"
        info = f"{name}-{version}.dist-info"
        with zipfile.ZipFile(wheel, "w") as archive:
            archive.writestr(f"{name}.py", f"VERSION = '{name} {version}'\n")
            archive.writestr(f"{info}/METADATA", f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n")
            archive.writestr(f"{info}/WHEEL", "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n")
            archive.writestr(f"{info}/RECORD", f"{name}.py,,\n{info}/METADATA,,\n{info}/WHEEL,,\n{info}/RECORD,,\n")
        digest = "0" * 64 if wrong_hash else hashlib.sha256(wheel.read_bytes()).hexdigest()
        return f"{name} @ {wheel.as_uri()} --hash=sha256:{digest}"

    def start(self, purpose: str = "run", seconds: float = 0) -> subprocess.Popen[str]:
        command = [sys.executable, str(self.folder / "scripts" / "job.py"), purpose, str(seconds)]
        pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
        return subprocess.Popen(command, text=True, start_new_session=True, cwd=self.folder, **pipes)

    def run(self, purpose: str = "run") -> tuple[int, str, str]:
        process = self.start(purpose)
        out, said = process.communicate(timeout=120)
        return process.returncode, out, said

    @property
    def environment(self) -> Path:
        return next(path for path in (self.folder / ".environment").iterdir() if path.is_dir())


@pytest.fixture
def checkout(tmp_path):
    return Checkout(tmp_path)


def test_an_environment_whose_interpreter_was_updated_does_not_count_as_made(tmp_path):
    ready = tmp_path / "ready.json"
    ready.write_text(json.dumps({"python": ME.version, "run": "digest"}))
    assert _environment._made_from(ready, Path(sys.executable))["run"] == "digest"
    ready.write_text(json.dumps({"python": f"{MINE.python}.999", "run": "digest"}))
    assert _environment._made_from(ready, Path(sys.executable)) == {}


@pytest.mark.skipif(os.name == "nt", reason="Windows lets few users make links, and sends no SIGINT to one group")
def test_an_environment_is_made_once_reused_and_remade_when_it_has_to_be_and_never_used_half_made(
    checkout, tmp_path, monkeypatch
):
    """One environment through all that happens to it: making one takes some seconds."""
    # Two runs at once make one, in a linked folder, whatever astray variables say.
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (checkout.folder / ".environment").symlink_to(elsewhere)
    (elsewhere / "tiny.py").write_text("VERSION = 'not the locked one'")
    monkeypatch.setenv("PYTHONPATH", str(elsewhere))
    processes = [checkout.start(), checkout.start()]
    ends = [(process.communicate(timeout=120), process.returncode) for process in processes]
    assert [(out, code) for (out, _), code in ends] == [("tiny 1.0\n", 7)] * 2
    said = "".join(said for (_, said), _ in ends)
    assert said.count("Setting up") == 1 and said.count("Waiting for another run") == 1
    monkeypatch.delenv("PYTHONPATH")

    # It is reused, and completed.
    mark = checkout.environment / "mark"
    mark.touch()
    assert checkout.run() == (7, "tiny 1.0\n", "")
    assert mark.exists()
    code, out, said = checkout.run("test")
    assert code == 7 and "Adding the test libraries" in said
    assert mark.exists() and list(checkout.environment.rglob("extra.py"))
    assert checkout.run("test") == checkout.run("run") == (7, "tiny 1.0\n", "")

    # A package that is not what was locked is refused.
    checkout.lock("run", "1.1", wrong_hash=True)
    code, out, said = checkout.run()
    assert (code, out) == (2, "")
    assert "HASHES" in said and "Traceback" not in said
    assert not mark.exists() and not list(checkout.environment.rglob("extra.py"))
    mark.touch()

    # What is half made is not used, whether that was refused or interrupted.
    checkout.lock("run", "1.1")
    setting_up = checkout.start()
    assert "Setting up" in setting_up.stderr.readline()
    time.sleep(0.5)
    assert _interrupt(setting_up) == (130, "", "Stopped.\n")
    code, out, said = checkout.run()
    assert (code, out) == (7, "tiny 1.1\n") and "Setting up" in said and not mark.exists()

    # An interruption ends the work quietly, too.
    at_work = checkout.start(seconds=60)
    assert at_work.stdout.readline() == "tiny 1.1\n"
    assert _interrupt(at_work) == (130, "", "Stopped.\n")


def _interrupt(process: subprocess.Popen[str]) -> tuple[int, str, str]:
    """As Ctrl-C in a terminal does: everything that the terminal started gets the signal."""
    os.killpg(process.pid, signal.SIGINT)
    out, said = process.communicate(timeout=30)
    return process.returncode, out, said


def test_an_interruption_while_modules_load_is_kept_for_the_end_of_it():
    loaded, handler = [], signal.getsignal(signal.SIGINT)
    with pytest.raises(KeyboardInterrupt), _environment.undisturbed():
        signal.raise_signal(signal.SIGINT)
        loaded.append("all")
    assert loaded == ["all"]
    assert signal.getsignal(signal.SIGINT) is handler


def test_commands_that_do_not_start_the_wanted_python_are_passed_over(monkeypatch, tmp_path):
    shim = _command(tmp_path, "import sys; sys.exit('pyenv: version not selected')")
    other = _command(tmp_path, f"print({json.dumps(json.dumps(['elsewhere', '3.2.1', *ME.machine]))})")
    missing = [str(tmp_path / "no such file")]
    monkeypatch.setattr(_interpreter, "_candidates", lambda python: [shim, missing, other, [sys.executable]])
    assert find_interpreter(MINE) == ME


def test_a_missing_interpreter_is_named_with_what_was_looked_at(monkeypatch, tmp_path):
    shim = _command(tmp_path, "import sys; sys.exit('pyenv: version not selected')")
    monkeypatch.setattr(_interpreter, "_candidates", lambda python: [shim])
    with pytest.raises(InterpreterError, match=rf"needs Python {MINE.python}[\s\S]*pyenv: version not selected"):
        find_interpreter(MINE)


def test_a_processor_that_bpy_is_not_published_for_is_refused():
    elsewhere = Blender("0.0", MINE.python, frozenset({("linux", "abacus")}))
    with pytest.raises(InterpreterError, match="not published for"):
        find_interpreter(elsewhere)


def test_an_interpreter_is_found_in_pyenv_where_path_has_none(monkeypatch, tmp_path):
    versions = [tmp_path / "versions" / f"{MINE.python}.{patch}" for patch in (2, 10)]
    for version in versions:
        version.mkdir(parents=True)
    monkeypatch.setenv("PYENV_ROOT", str(tmp_path))
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(Path, "home", lambda: tmp_path / "home")
    commands = [Path(path) for (path, *_) in _interpreter._candidates(MINE.python)]
    interpreters = [path for path in commands if tmp_path in path.parents]
    assert [version in path.parents for path, version in zip(interpreters, versions[::-1], strict=True)] == [True, True]


def test_the_second_blender_serves_where_the_first_has_no_interpreter(monkeypatch):
    def prepare(blender, purpose):
        if blender is BLENDERS[0]:
            raise InterpreterError("none")
        return Path(blender.version)

    monkeypatch.setattr(_environment, "prepare", prepare)
    assert _environment.prepare_any("run") == Path(BLENDERS[1].version)


def test_without_any_interpreter_every_way_out_is_named(monkeypatch, capsys, tmp_path):
    monkeypatch.setattr(_interpreter, "_candidates", lambda python: [])
    monkeypatch.setattr(_environment, "ENVIRONMENTS", tmp_path)
    assert _environment.guarded(lambda: _environment.prepare_any("run") and 0) == 2
    said = capsys.readouterr().err
    assert all(f"Python {blender.python}" in said for blender in BLENDERS)


def test_a_missing_system_library_is_said_in_a_line_but_other_import_errors_are_not_hidden(capsys):
    def fail(text):
        raise ImportError(text)

    lacking = "libX11.so.6: cannot open shared object file: No such file or directory"
    assert _environment.guarded(lambda: fail(lacking)) == 2
    assert "libX11.so.6" in capsys.readouterr().err
    with pytest.raises(ImportError, match="no name"):
        _environment.guarded(lambda: fail("no name"))


def _command(folder: Path, program: str) -> list[str]:
    """A command that runs a program of ours, whatever else it is given."""
    path = folder / f"{hashlib.sha256(program.encode()).hexdigest()[:8]}.py"
    path.write_text(program)
    return [sys.executable, str(path)]
