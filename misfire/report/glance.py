"""Each cylinder in two words under the answer: what a tired reader needs first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from misfire.report import words as w
from misfire.report.markup import esc

# kind -> symbol; the words say the same
_MARK = {"bad": "✕", "false": "!", "open": "?", "good": "✓", "same": "="}


_SHORT = 20  # letters beside which a second entry stands on a phone


def glances(result: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """(cylinder, kind, words) of every cylinder; the counts are those of the result."""
    verdict = w.table(result.get("verdict"))
    named: dict[str, set[str]] = {}
    for f in (w.table(x) for x in w.items(verdict.get("findings"))):
        for c in w.items(f.get("cylinders")):
            cause = "learned" if w.table(f.get("detail")).get("learned") is True else str(f.get("cause"))
            named.setdefault(w.clean(c, 20), set()).add(cause)
    possible = {
        w.clean(c, 20)
        for x in w.items(verdict.get("candidates"))
        for c in w.items(w.table(x).get("cylinders"))
    }
    rows = [w.table(x) for x in w.items(result.get("cylinders"))]
    return [(w.row_name(result, c.get("cylinder")), *_glance(c, named, possible, verdict)[1:]) for c in rows]


def _glance(
    c: Mapping[str, Any], named: Mapping[str, set[str]], possible: set[str], verdict: Mapping[str, Any]
) -> tuple[str, str, str]:
    name = w.clean(c.get("cylinder"), 20)
    causes = named.get(name, set())
    misses, rate = w.finite(c.get("misfires")) or 0.0, w.number(c.get("rate_pct"))
    if not w.finite(c.get("firings")):
        return name, "open", "not judged"
    if "misfire" in causes:
        # of two companions that cannot be told apart both are named, and perhaps one is sound
        return name, "bad", f"misfires, {rate} %" if misses else "may misfire"
    if "weak_cylinder" in causes:
        return name, "bad", "fires, but weakly"
    if name in possible:
        return name, "open", f"not decided, {rate} % missed" if misses else "not decided"
    if "learned" in causes:
        return name, "good", "fires, wheel learned"
    if "crank_pattern" in causes:
        counted = "is counted falsely" if w.finite(c.get("reported")) else "would be counted falsely"
        return name, "false", f"fires, {counted}"
    if misses:
        return name, "open", f"fires; {w.count(misses)} missed, no finding"
    if verdict.get("status") == "undetermined":
        return name, "open", "no misfire seen, not decided"
    return name, "good", "fires"


def glance_list(result: Mapping[str, Any]) -> str:
    """The list for the answer box; empty when no cylinder was counted."""
    return chips(glances(result))


def chips(entries: Sequence[tuple[str, str, str]]) -> str:
    """A list of cylinders, each with its symbol and its words."""
    rows = "".join(
        f'<li class="{kind}"><b><span class="name">{esc(name)}</span> '
        f'<span aria-hidden="true">{_MARK[kind]}</span></b> {esc(said)}</li>'
        for name, kind, said in entries
    )
    # on a phone two stand abreast where all are short
    short = " short" if max((len(said) for _, _, said in entries), default=0) <= _SHORT else ""
    return f'<ul class="glance{short}" aria-label="Cylinders">{rows}</ul>' if rows else ""
