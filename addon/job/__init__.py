# SPDX-License-Identifier: GPL-3.0-or-later
"""The whole way from an assembly to its print files: ``running.run`` reads it from top to bottom."""
