# SPDX-License-Identifier: GPL-3.0-or-later
"""3MF and STL out, and reading back what was written."""
