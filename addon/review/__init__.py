# SPDX-License-Identifier: GPL-3.0-or-later
"""A solid and a process in, findings out. Nothing here changes a solid."""

from ..families.fitting import Level
from .findings import SEVERITIES, Finding, Severity, worst_first
from .fittings import review_fitting
from .in_place import FitInPlace, review_fit
from .integrity import UnreadableMeshError, repair
from .review import Review, review

__all__ = [
    "SEVERITIES",
    "Finding",
    "FitInPlace",
    "Level",
    "Review",
    "Severity",
    "UnreadableMeshError",
    "repair",
    "review",
    "review_fit",
    "review_fitting",
    "worst_first",
]
