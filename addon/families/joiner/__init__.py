# SPDX-License-Identifier: GPL-3.0-or-later
"""Joiners: two spigots in one part, for two tube ends that face each other."""

from ..family import Family
from .design import design, passes, screws_of
from .joiner import Joiner
from .place import JointPlace, JointSite, joint_sites
from .recipe import JoinerRecipe

JOINER = Family(
    name=Joiner.family,
    table="joiner",
    recipe=JoinerRecipe,
    label="Joiner",
    plural="joiners",
    sites=joint_sites,
    place=JointPlace.of,
    design=design,
    serves="joint",
    screws=screws_of,
    passes=passes,
    chief=("between", "spigot_mm", "fit", "second_fit", "gap_mm", "screws"),
    beside={"Joint": "joiner"},
)

__all__ = ["JOINER", "Joiner", "JoinerRecipe", "JointPlace", "JointSite", "design"]
