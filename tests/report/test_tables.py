"""Tables of words on a phone: each cell stands under its row and names its column, empty ones step aside."""

from __future__ import annotations

import re
from xml.etree import ElementTree

from misfire.report.markup import Table
from misfire.report.words import NONE

HEAD = ("What", "Says", "Value", "Limit <b>")
ROWS = (("a", "much", "1", NONE), ("b & c", "little", NONE, "5"))


def cells(table: Table) -> list[dict[str, str]]:
    found = re.search(r"<tbody>.*</tbody>", table.html(), re.S)
    assert found is not None
    return [cell.attrib for cell in ElementTree.fromstring(found[0]).iter("td")]


def test_cells_of_a_wide_table_of_words_name_their_column() -> None:
    got = cells(Table("t", HEAD, ROWS, words=True))
    assert [c["data-head"] for c in got] == [*HEAD[1:], *HEAD[1:]]
    assert [c.get("class") for c in got] == [None, None, "none", None, "none", None]


def test_numbers_and_short_tables_stay_tables() -> None:
    for table in (Table("t", HEAD, ROWS), Table("t", HEAD[:2], [r[:2] for r in ROWS], words=True)):
        assert all(not c for c in cells(table))
        assert "stack" not in table.html()
