# SPDX-License-Identifier: GPL-3.0-or-later
"""Numbers declared once, and the messages for those that cannot be."""
