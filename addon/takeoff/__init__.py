# SPDX-License-Identifier: GPL-3.0-or-later
"""Mesh arrays in, open tube ends out."""
