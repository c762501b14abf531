# SPDX-License-Identifier: GPL-3.0-or-later
"""How solids are made, and keep track of where each surface came from."""
