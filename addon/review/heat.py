# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether the plastic withstands the heat of its tube."""

from __future__ import annotations

from ..fields.messages import FieldName, Name, say
from ..geometry.names import quoted
from ..trade.processes import Material, materials
from .findings import Finding


def heat_findings(name: str, material: Material, hottest_c: float) -> list[Finding]:
    """Compares the hottest that the tube gets, in °C, with what the plastic withstands in use."""
    if hottest_c <= material.hottest_c:
        return []
    bearing = [quoted(plastic.name) for plastic in materials() if plastic.hottest_c >= hottest_c]
    remembered = " (from memory)" if "hottest_c" in material.from_memory else ""
    instead = (
        f"Print it in a plastic that withstands it: {' or '.join(filter(None, (', '.join(bearing[:-1]), bearing[-1])))}"
        if bearing
        else "No plastic in the table withstands it: close the tube with metal"
    )
    return [
        Finding(
            fitting=name,
            check="tube too hot",
            severity="must fix",
            meaning=say(
                "The tube may reach {hottest:g} °C, and {material} withstands {bears:g} °C{remembered}: "
                "above that it softens, loses its shape and comes loose.",
                hottest=hottest_c,
                material=Name(material.name),
                bears=material.hottest_c,
                remembered=remembered,
            ),
            advice=say("{}, or set {} to what the tube really reaches.", instead, FieldName("hottest_c", table="tube")),
            value=hottest_c,
            limit=material.hottest_c,
            unit="°C",
        )
    ]
