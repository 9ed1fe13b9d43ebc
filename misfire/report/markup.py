"""Small HTML builders; everything that comes from outside passes through `esc`."""

from __future__ import annotations

import html
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from misfire.report.words import NONE, clean

_LONG = 34  # characters of a fact beyond which it would be broken beside its neighbour


def esc(value: Any, limit: int = 400) -> str:
    """Text from outside as HTML text: cleaned, then escaped."""
    return html.escape(clean(value, limit), quote=True)


def bdi(value: Any, limit: int = 400) -> str:
    """As `esc`, kept from turning the direction of the text around it."""
    return f"<bdi>{esc(value, limit)}</bdi>"


@dataclass(frozen=True)
class Table:
    """A table of plain text; cells are escaped when it is written.

    Attributes
    ----------
    caption : what the table holds
    header : column heads, units in them
    rows : cells as text; the first cell of a row is its head
    marked : numbers of the rows to set apart (bold and with a bar at their left)
    words : cells are words, set to the left and broken into lines
    names : the first column holds long names and is given room
    """

    caption: str
    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    marked: frozenset[int] = frozenset()
    words: bool = False
    names: bool = False

    def html(self) -> str:
        """The table in a box of its own that scrolls when the page is too narrow."""
        head = "".join(f'<th scope="col">{esc(h)}</th>' for h in self.header)
        stack = self.words and len(self.header) > 3
        body = []
        for i, row in enumerate(self.rows):
            first = f'<th scope="row">{bdi(row[0])}</th>' if row else ""
            cells = zip(self.header[1:], row[1:], strict=True)
            rest = "".join(f"<td{_headed(h, c) if stack else ''}>{bdi(c)}</td>" for h, c in cells)
            mark = ' class="marked"' if i in self.marked else ""
            body.append(f"<tr{mark}>{first}{rest}</tr>")
        kind = " ".join(k for k, on in (("words", self.words), ("names", self.names), ("stack", stack)) if on)
        kind = f' class="{kind}"' if kind else ""
        return (
            f'<div class="scroll" tabindex="0" role="region" aria-label="{esc(self.caption)}"><table{kind}>'
            f"<caption>{esc(self.caption)}</caption><thead><tr>{head}</tr></thead>"
            f"<tbody>{''.join(body)}</tbody></table></div>"
        )


def _headed(head: str, cell: str) -> str:
    """What a cell needs to stand under its row on a narrow screen: its column's head, or that it says nothing."""
    empty = ' class="none"' if cell == NONE else ""
    return f'{empty} data-head="{esc(head)}"'


def bullets(entries: Sequence[Any], ordered: bool = False) -> str:
    """A list of texts, empty when there is none."""
    if not entries:
        return ""
    tag = "ol" if ordered else "ul"
    # what stands between back ticks is typed as it is, and may not break at its dashes
    rows = (re.sub(r"`([^`<>]{1,60})`", r"<code>\1</code>", bdi(e)) for e in entries)
    return f"<{tag}>" + "".join(f"<li>{row}</li>" for row in rows) + f"</{tag}>"


def section(name: str, title: str, *body: str) -> str:
    """A section under a second-level heading."""
    return (
        f'<section id="{name}" aria-labelledby="{name}-h"><h2 id="{name}-h">{esc(title)}</h2>'
        f'<div class="body">{"".join(body)}</div></section>\n'
    )


def facts(pairs: Sequence[tuple[str, Any]]) -> str:
    """Name and value pairs as a description list; pairs without a value are left out, long ones take a whole row."""
    kept = [(k, v) for k, v in pairs if v not in (None, "", [])]
    if not kept:
        return ""
    rows = ((' class="long"' if len(str(v)) > _LONG else "", k, v) for k, v in kept)
    return "<dl>" + "".join(f"<div{c}><dt>{esc(k)}</dt><dd>{bdi(v)}</dd></div>" for c, k, v in rows) + "</dl>"
