# SPDX-License-Identifier: GPL-3.0-or-later
"""Files without a unit: every size of the trade's tables, written in another unit, has to be seen for what it is."""

import pytest

from addon.geometry.sections import Outline, Section
from addon.takeoff.doubt import doubt_unit
from addon.trade.sizes import size_fit, tube_sizes


def shrunk(size, factor):
    if size.kind == "round":
        return Section.round(size.width_mm / factor, size.wall_mm / factor)
    return Section.rectangular(size.width_mm / factor, size.depth_mm / factor, size.wall_mm / factor)


@pytest.mark.parametrize(("factor", "share"), [(10, 0.99), (1000, 1.0), (25.4, 0.95)])
def test_every_size_in_another_unit_is_doubted_with_that_unit(factor, share):
    """An inch size may lie nearer to a metric one that was written in centimetres: 95 % of single sizes are told."""
    doubts = [doubt_unit([shrunk(size, factor)], size_fit) for size in tube_sizes()]
    right = sum(doubt is not None and doubt.factor == factor for doubt in doubts)
    assert right >= share * len(doubts)


def test_no_size_is_doubted_in_millimetres():
    assert not any(doubt_unit([size.section], size_fit) for size in tube_sizes())


def test_outlines_of_no_kind_vote_only_where_no_tube_is_that_size():
    square = Outline.rectangle(38.1, 38.1).polygon(), Outline.rectangle(33.9, 33.9).polygon()
    assert doubt_unit([Section(*map(Outline.free, square))], size_fit) is None
    tiny = Section(*(Outline.free(points / 1000) for points in square))
    assert doubt_unit([tiny], size_fit).factor == 1000
    rod = Section(*(Outline.free(points / 25.4) for points in square))
    assert doubt_unit([rod], size_fit).factor == 25.4
