# SPDX-License-Identifier: GPL-3.0-or-later
"""The sidebar tab Ferrule, in the order of the work. Drawing reads properties and results at hand, and
computes nothing."""

from . import cautions, ends, files, fitting, process, review

_ROOMS = (ends, fitting, process, review, files, cautions)


def register() -> None:
    for room in _ROOMS:
        room.register()


def unregister() -> None:
    for room in reversed(_ROOMS):
        room.unregister()
