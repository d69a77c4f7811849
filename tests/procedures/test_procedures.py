"""The procedures in small: every figure may lie within its bounds."""

from __future__ import annotations

from functools import partial

import pytest

from tests.procedures import blank, calibrating, calibration_limits, cups, dripping

SMALL = {
    "blank": partial(blank.figures, 60),
    "calibrating": partial(calibrating.figures, 60),
    "calibration_limits": partial(calibration_limits.figures, 60),
    "cups": partial(cups.figures, 60),
    "dripping": partial(dripping.figures, 100),
}


@pytest.mark.parametrize("name", SMALL)
def test_every_figure_may_lie_within_its_bounds(name):
    found = list(SMALL[name]())
    assert [str(figure) for figure in found if not figure.good] == []
    assert any(figure.of >= 15 and figure.least is not None for figure in found)
