# SPDX-License-Identifier: GPL-3.0-or-later
"""Job files, the reference's examples, with damaged text or a value of another kind: read, or refused in a sentence."""

from __future__ import annotations

import random
import re
import tempfile
import tomllib
from collections import Counter
from importlib import import_module
from pathlib import Path
from typing import Any

from _environment import REPOSITORY
from addon.job.asked import JobError
from addon.job.jobfile import parse_job, read_job

CHUNK, LIMIT_S = 20, 60.0
_DAMAGE = import_module("damage")
_EXAMPLES = re.findall(r"```toml\n(.*?)```", (REPOSITORY / "docs" / "job_file.md").read_text("utf-8"), re.DOTALL)


def attack(seed: int, count: int) -> Counter[str]:
    tally: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        for number in range(seed, seed + count):
            rng = random.Random(number)
            text = rng.choice(_EXAMPLES)
            try:
                if number % 2:
                    parse_job(_of_another_kind(tomllib.loads(text), rng), Path(folder))
                else:
                    path = Path(folder) / "job.toml"
                    path.write_bytes(_DAMAGE.damaged(text.encode(), rng))
                    read_job(path)
                tally["read"] += 1
            except JobError as error:
                assert str(error) and len(str(error)) < 2000, error
                tally["refused"] += 1
    return tally


def _of_another_kind(table: Any, rng: random.Random) -> Any:
    """The table with one of its values, at any depth, replaced."""
    holder: Any = {"": table}
    key: Any = ""
    while isinstance(value := holder[key], dict | list) and value and rng.random() < 0.8:
        holder, key = value, rng.choice(list(value) if isinstance(value, dict) else range(len(value)))
    if holder[key] is table:
        return table
    holder[key] = rng.choice([other for other in _DAMAGE.OTHERS if other is not None])
    return table
