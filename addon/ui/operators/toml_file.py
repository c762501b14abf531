# SPDX-License-Identifier: GPL-3.0-or-later
"""What operators that choose a TOML file have in common."""

from bpy.props import StringProperty


class TomlFile:
    """Mix-in beside Blender's ``ExportHelper`` or ``ImportHelper``."""

    filename_ext = ".toml"
    filter_glob: StringProperty(default="*.toml", options={"HIDDEN"})
