# SPDX-License-Identifier: GPL-3.0-or-later
"""Plate, material and time, job sheet, fit ladder, shop book."""
