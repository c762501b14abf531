# SPDX-License-Identifier: GPL-3.0-or-later
"""Ferrule: printed fittings for tube weldments.

Importing the package loads no Blender module, so that every room but ``ui`` runs in plain Python.
"""


def register() -> None:
    from . import ui

    ui.register()


def unregister() -> None:
    from . import ui

    ui.unregister()
