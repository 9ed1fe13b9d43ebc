"""Event rows as CSV: byte for byte what pandas writes."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd
import pytest

from misfire.cli.output import write_events


@pytest.mark.parametrize("rows", [0, 1, 7, 45_000])
def test_rows_are_what_pandas_writes(tmp_path, rows):
    rng = np.random.default_rng(3)
    some = rng.normal(size=rows) * 10.0 ** rng.integers(-12, 12, rows)
    holes = np.where(rng.random(rows) < 0.3, np.nan, some)
    words = np.array(["firing", "misfire", 'a "b", c', ""], dtype=object)
    frame = pd.DataFrame(
        {
            "event": np.arange(rows),
            "time_s": some,
            "load_pct": np.full(rows, np.nan),
            "lost_work": holes,
            "cylinder": np.array([1, "A", 3], dtype=object)[rng.integers(0, 3, rows)],
            "state": words[rng.integers(0, 4, rows)],
            "flag": rng.random(rows) < 0.5,
            "a, b": np.where(some > 0, np.inf, 0.5),
        }
    )
    file = tmp_path / "events.csv"
    write_events(str(file), frame)
    expected = io.StringIO()
    frame.to_csv(expected, index=False, float_format="%.9g", lineterminator="\n")
    assert file.read_text() == expected.getvalue()
