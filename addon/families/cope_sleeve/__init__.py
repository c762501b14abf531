# SPDX-License-Identifier: GPL-3.0-or-later
"""Sleeves to mark copes by: a recipe and a cut in, a closed solid out."""

from dataclasses import replace

from ..family import Family
from .cut_ends import cope_sites
from .design import design
from .recipe import CopeRecipe
from .sleeve import CopeSleeve
from .wrapping import mitre_templates

COPE_SLEEVE = Family(
    name=CopeSleeve.family,
    table="cope_sleeve",
    recipe=CopeRecipe,
    label="Cope Sleeve",
    plural="cope sleeves",
    sites=cope_sites,
    place=lambda site, section: replace(site.at.place, section=section),
    design=design,
    serves="cope",
    stays=False,
    off_assembly=True,
    marked=lambda place, id: replace(place, mark=id),
    papers=mitre_templates,
    chief=("locate", "waste_mm", "scriber_mm"),
)

__all__ = ["COPE_SLEEVE", "CopeRecipe", "CopeSleeve", "design"]
