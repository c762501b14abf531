# SPDX-License-Identifier: GPL-3.0-or-later
"""A solid and a process in, findings out. Nothing here changes a solid."""
