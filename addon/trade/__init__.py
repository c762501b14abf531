# SPDX-License-Identifier: GPL-3.0-or-later
"""Tables of the trade with their sources: sizes, fits, materials, processes, hardware, cautions."""
