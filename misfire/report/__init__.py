"""The report: a page with figures, and the same answer for the terminal.

The page needs plotly and pandas and imports them only when a page is made, so that the terminal stays fast.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from misfire.report.survey_text import survey_text
from misfire.report.terminal import comparison_text, terminal_text

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "analysis_page",
    "comparison_page",
    "comparison_text",
    "survey_page",
    "survey_text",
    "terminal_text",
]


def analysis_page(
    result: Mapping[str, Any], events: pd.DataFrame | None, job: Mapping[str, Any] | None = None
) -> str:
    """The complete HTML page of one analysis.

    Parameters
    ----------
    result : the `misfire-analysis` dict; anything in it may be absent
    events : one row a firing event, columns as written by `--events`; None leaves the event figures out
    job : what the job file holds; printed at the head
    """
    from misfire.report.page import analysis_page as make

    return make(result, events, job)


def comparison_page(
    comparison: Mapping[str, Any],
    before: Mapping[str, Any],
    after: Mapping[str, Any],
    before_events: pd.DataFrame | None = None,
    after_events: pd.DataFrame | None = None,
    job: Mapping[str, Any] | None = None,
) -> str:
    """The complete HTML page of a comparison, with the strips of both logs behind it."""
    from misfire.report.compare_page import comparison_page as make

    return make(comparison, before, after, before_events, after_events, job)


def survey_page(rows: Sequence[Mapping[str, Any]]) -> str:
    """The complete HTML page of a survey.

    Parameters
    ----------
    rows : rows as made by `misfire.survey`, one a log
    """
    from misfire.report.survey_overview import survey_page as make

    return make(rows)
