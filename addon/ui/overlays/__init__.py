# SPDX-License-Identifier: GPL-3.0-or-later
"""What the view shows over the scene: layers, rings, overhangs, walls, steps, the gap, the profile, plates, tube ends.

``shapes`` turns results into marks and ``sheets``, ``profile`` and ``plates`` into flat drawings, all plain arrays;
``styles`` says how each looks and is called; ``painting`` puts them on the graphics card; ``draw`` decides what is
shown and keeps it for as long as it is true.
"""

from __future__ import annotations

from . import draw, stepping
from .draw import invalidate

__all__ = ["invalidate", "register", "unregister"]


def register() -> None:
    stepping.register()
    draw.add_handlers()


def unregister() -> None:
    draw.remove_handlers()
    stepping.unregister()
    invalidate()
