# SPDX-License-Identifier: GPL-3.0-or-later
"""The kinds of fittings, one folder each."""
