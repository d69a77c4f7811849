"""The procedures in small: every figure may lie within its bounds."""

from __future__ import annotations

from functools import partial

import pytest

from tests.procedures import blank

SMALL = {"blank": partial(blank.figures, 60)}


@pytest.mark.parametrize("name", SMALL)
def test_every_figure_may_lie_within_its_bounds(name):
    found = list(SMALL[name]())
    assert [str(figure) for figure in found if not figure.good] == []
    assert any(figure.of >= 15 and figure.least is not None for figure in found)
