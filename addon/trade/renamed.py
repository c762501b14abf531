# SPDX-License-Identifier: GPL-3.0-or-later
"""Keys that had other names in older job files, shop books and .blend files."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

NEW_NAMES = {
    "brim_mm": "lip_mm",
    "solid_layers": "full_layers",
    "layer_pause_s": "layer_change_s",
    "sweet_gap_mm": "chosen_gap_mm",
}
"""What each old key is called now."""


def with_new_names(row: Mapping[str, Any], known: Collection[str]) -> tuple[dict[str, Any], list[str]]:
    """The row with its old keys, of those whose new name is in ``known``, under the new names; and a sentence for each.

    Raises ``ValueError`` if a row has a number under both names.
    """
    old = {key: NEW_NAMES[key] for key in row if NEW_NAMES.get(key) in known}
    for key, new in old.items():
        if new in row:
            raise ValueError(f"{key} is the old name of {new}, and both are given; keep {new}")
    said = [
        f"{key} is now called {new}; it was read under its old name, use the new one from now on."
        for key, new in old.items()
    ]
    return {old.get(key, key): value for key, value in row.items()}, said
