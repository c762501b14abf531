# SPDX-License-Identifier: GPL-3.0-or-later
"""A recipe and a section in, a closed solid out."""
