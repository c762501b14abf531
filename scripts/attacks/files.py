# SPDX-License-Identifier: GPL-3.0-or-later
"""Damaged mesh files, shop books and results: read, or refused in a sentence, and a damaged book is kept."""

from __future__ import annotations

import random
import tempfile
from collections import Counter
from importlib import import_module
from pathlib import Path

from addon.bench.readings import FORMAT
from addon.bench.shop_file import ShopBookError, book_text, open_book
from addon.files.incoming import DamagedFileError, check_whole
from addon.job.folder import LastRun

CHUNK, LIMIT_S = 1, 20.0
_DAMAGE, _INCOMING = import_module("damage"), import_module("test_files_incoming")
_BOOK = book_text(import_module("test_shop_book").full_book()).encode()
_RESULT = (
    b'{"format": %d, "job": "stall", "files": [{"path": "a.stl"}], '
    b'"written": [{"path": "a.csv", "bytes": 3, "sha256": "00"}]}' % FORMAT
)
_FILES = {
    "box.ply": _INCOMING.PLY,
    "mixed.ply": _INCOMING.mixed_lists(),
    "text.ply": _INCOMING.TEXT,
    "box.glb": _INCOMING.GLB,
    "box.stl": _INCOMING.BOX.export(file_type="stl"),
    "box.obj": _INCOMING.BOX.export(file_type="obj").encode(),
    "book.toml": _BOOK,
    "result.json": _RESULT,
}


def attack(seed: int, count: int) -> Counter[str]:
    return Counter(outcome for number in range(seed, seed + count) for outcome in [_outcome(random.Random(number))])


def _outcome(rng: random.Random) -> str:
    name = rng.choice(list(_FILES))
    content = _DAMAGE.damaged(_FILES[name], rng)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(content)
        if name == "book.toml":
            try:
                damaged = bool(open_book(path).problems)
            except ShopBookError as error:
                damaged = bool(str(error))
            kept = any(file.read_bytes() == content for file in Path(folder).iterdir() if file.stat().st_size)
            assert kept or not content, "a damaged shop book was lost"
        elif name == "result.json":
            damaged = bool(LastRun.of(path.parent).said)
        else:
            try:
                check_whole(path)
                damaged = False
            except DamagedFileError as error:
                damaged = True
                assert "\n" not in str(error), error
    return "refused" if damaged else "read"
