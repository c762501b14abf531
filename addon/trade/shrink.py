# SPDX-License-Identifier: GPL-3.0-or-later
"""Making up for prints that come out smaller than they were drawn."""

from __future__ import annotations

import numpy as np

from ..geometry.frames import Floats


def shrink_scale(shrink_percent: tuple[float, float, float]) -> Floats:
    """(3,): how much larger than drawn a part has to be printed along the plate's x, y and z.

    A print that comes out s percent smaller than drawn measures right when drawn 1 / (1 - s / 100) times as large.
    A negative shrink, a print that comes out too large, is allowed. Raises ``ValueError`` for nonsense.
    """
    percent = np.asarray(shrink_percent, float)
    if percent.shape != (3,) or not (np.isfinite(percent).all() and (np.abs(percent) < 50).all()):
        raise ValueError(
            f"shrink {tuple(shrink_percent)} % cannot be made up for; give three numbers, each between -50 and 50 %"
        )
    return 1 / (1 - percent / 100)
