# SPDX-License-Identifier: GPL-3.0-or-later
"""Units, frames, meshes, and sections: geometry that knows nothing of fittings."""
