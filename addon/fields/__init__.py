# SPDX-License-Identifier: GPL-3.0-or-later
"""Numbers declared once, and what is said when one cannot be."""
