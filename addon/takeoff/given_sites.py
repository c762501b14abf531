# SPDX-License-Identifier: GPL-3.0-or-later
"""Sites that a job gives without an assembly, beside the tube ends of ``given``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, Protocol, Self

from .given_copes import GivenCope
from .given_holes import GivenHole
from .given_joints import GivenJoint
from .sites import Takeoff


class GivenSite(Protocol):
    """A site as a job file gives it: a frozen record whose numbers are ``declared``."""

    table: ClassVar[str]
    """What job files call it: ``"hole"`` for ``[[hole]]``."""

    def each(self) -> Sequence[Self]:
        """Those that it counts, one by one."""

    def added(self, takeoff: Takeoff, metal: str) -> Takeoff:
        """The takeoff with one of them, on a tube of its own of this metal. Raises ``ValueError``: what is wrong and
        what to do, without a stop."""


GIVEN_SITES: tuple[type[GivenSite], ...] = (GivenHole, GivenCope, GivenJoint)
"""One line each."""
