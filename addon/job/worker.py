# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs in a process of its own, as ``workers`` starts it, and does a part of the work."""

from __future__ import annotations

import importlib
import importlib.util
import os
import pickle
import signal
import sys
from pathlib import Path
from types import ModuleType


def main() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the process that started this one
    given, answers = sys.stdin.buffer, os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what is printed goes nowhere
    path, package_folder, workers, folder = pickle.load(given)
    sys.path += [entry for entry in path if entry not in sys.path]
    # Pickles name their modules, so the package has the name that it has in the other process: as a part of Blender's
    # extensions, which are not there.
    package = workers.removesuffix(".job.workers")
    above = package.split(".")[:-1]
    for count in range(1, len(above) + 1):
        sys.modules[".".join(above[:count])] = ModuleType(".".join(above[:count]))
    spec = importlib.util.spec_from_file_location(package, Path(package_folder, "__init__.py"))
    assert spec is not None and spec.loader is not None
    sys.modules[package] = module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    importlib.import_module(workers).serve(given, answers, folder)


if __name__ == "__main__":
    main()
