"""A few edges with gaps only at their ends: an answer or one clear error, never a warning (warnings are errors here)."""

from __future__ import annotations

import contextlib

import numpy as np
import pytest

from misfire.crank import number_edges
from misfire.errors import InputError, TooFewTurnsError


@pytest.mark.parametrize("inside", [4, 5])
def test_gaps_at_both_ends_only(inside: int):
    steps = [1.0, 1.0, 1.0, 3.0, *[1.0] * inside, 3.0, 1.0, 1.0, 1.0]
    with contextlib.suppress(TooFewTurnsError, InputError):
        number_edges(np.cumsum(steps) * 1e-3, None)
