"""How cylinders are called in a comparison: names that hold in every log, in words and as keys."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from misfire.engine import Engine

if TYPE_CHECKING:
    from misfire.comparison.side import Side

Label = int | str


class _Either:
    """A name that stands for it or its companion: a number or a letter in every use, in words "2 or 3"."""

    both: tuple[Label, Label]

    def __str__(self) -> str:
        return f"{self.both[0]} or {self.both[1]}"

    def __format__(self, spec: str) -> str:
        return format(str(self), spec)


class _EitherNumber(_Either, int):
    pass


class _EitherPlace(_Either, str):
    pass


def either(one: Label, other: Label) -> Label:
    """`one`, which may as well be its companion `other`; both are cylinder numbers, or letters of places."""
    label = _EitherNumber(one) if isinstance(one, int) else _EitherPlace(one)
    label.both = (one, other)
    return label


def both_of(label: Label) -> tuple[Label, ...]:
    """The one or two names that a label stands for."""
    return label.both if isinstance(label, _Either) else (label,)


def names(cylinders: Iterable[Label]) -> str:
    """ "cylinder 2", "cylinder 2 or 3", "cylinders 1, 2 and 3", "place A" where nothing ties numbers to them."""
    ordered = sorted(cylinders, key=lambda c: (isinstance(c, str), c))
    listed = [str(c) for c in ordered]
    word = "place" if ordered and isinstance(ordered[0], str) else "cylinder"
    if len(listed) == 1:
        return f"{word} {listed[0]}"
    return f"{word}s {', '.join(listed[:-1])} and {listed[-1]}"


@dataclass(frozen=True)
class Naming:
    """How the logs' names of cylinders become common ones.

    Attributes
    ----------
    labels : tuple
        Cylinder numbers; lower companions only, when a log does not know the phase; places (A, B, ...) when
        no log knows cylinder numbers; ("all",) when the logs name them in ways that do not fit together.
    companions : dict
        Used where lower companions stand for both.
    paired : bool
        A number stands for a cylinder or its companion.
    """

    labels: tuple[Label, ...]
    companions: dict[int, int]
    paired: bool

    def common(self, name: Label) -> Label:
        """The common name of a log's name."""
        name = label_of(name)
        if self.labels == ("all",):
            return "all"
        if self.paired and isinstance(name, int):
            return min(name, self.companions.get(name, name))
        return name

    def index(self, names: Sequence[Label]) -> npt.NDArray[np.int64]:
        """Indices into `labels`; shape of names."""
        place = {label: i for i, label in enumerate(self.labels)}
        known: dict[Label, int] = {}
        for name in set(names):
            known[name] = place[self.common(name)]
        return np.array([known[n] for n in names], dtype=np.int64)


def naming(sides: Sequence[Side], engine: Engine) -> Naming:
    """Find names that hold in every log."""
    seen: set[Label] = set()
    for s in sides:
        seen |= {label_of(x) for x in s.events["cylinder"].unique().tolist()}
        seen |= {label_of(r["cylinder"]) for r in s.result["cylinders"]}
    companions = engine.companions
    if all(isinstance(x, int) for x in seen):
        paired = bool(companions) and any(s.result.get("phase") == "unknown" for s in sides)
        numbers = range(1, engine.cylinders + 1)
        if not paired:
            return Naming(tuple(numbers), companions, False)
        keep = sorted({min(c, companions.get(c, c)) for c in numbers})
        return Naming(
            tuple(either(c, companions[c]) if c in companions else c for c in keep), companions, True
        )
    if all(isinstance(x, str) for x in seen):
        told = {r["cylinder"]: r["either"] for s in sides for r in s.result["cylinders"] if "either" in r}
        places = sorted(str(x) for x in seen)
        return Naming(tuple(either(*told[p]) if p in told else p for p in places), companions, False)
    return Naming(("all",), companions, False)


def label_of(x: Any) -> Label:
    """Numbers as int, also when a table read from a file holds them as text."""
    return int(x) if not isinstance(x, str) or x.isdigit() else x
