# SPDX-License-Identifier: GPL-3.0-or-later
"""How every test runs: repeatable examples, and an independent CAD kernel for those that ask for one."""

from __future__ import annotations

import os
from collections.abc import Iterator
from types import ModuleType

import hypothesis
import pytest

IN_CI = os.environ.get("CI", "").lower() in {"1", "true"}

hypothesis.settings.register_profile("here", deadline=None)
hypothesis.settings.register_profile("ci", deadline=None, derandomize=True, print_blob=True)
hypothesis.settings.load_profile("ci" if IN_CI else "here")


@pytest.fixture
def gmsh() -> Iterator[ModuleType]:
    """gmsh with an empty model, silent. Where its system libraries are missing the test is skipped, in CI it fails."""
    try:
        import gmsh as kernel
    except OSError as missing:
        reason = f"gmsh cannot load ({missing}); .ci/run names the system libraries that it needs"
        pytest.fail(reason) if IN_CI else pytest.skip(reason)
    kernel.initialize(["-v", "0"], readConfigFiles=False, interruptible=False)
    yield kernel
    kernel.finalize()
