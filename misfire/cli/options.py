"""What the commands share: building an engine and read options from the command line's words."""

from __future__ import annotations

import functools
import inspect
import os.path
import shlex
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from misfire.errors import InputError

if TYPE_CHECKING:
    from misfire.engine import Engine, Wheel
    from misfire.intake import ReadOptions
    from misfire.onelog import KnownCut

# `EngineOption | None` in a command would lose the help text: the None belongs in here
EngineOption = Annotated[
    str | None, typer.Option("--engine", help="Engine file (TOML) or a layout of `misfire engines`.")
]
OrderOption = Annotated[str | None, typer.Option("--firing-order", help="For example 1-3-4-2.")]
WheelOption = Annotated[str | None, typer.Option("--wheel", help="For example 60-2, 36-1 or 24.")]
FirstToothOption = Annotated[
    float | None,
    typer.Option("--first-tooth", help="Crank angle [deg] of the first tooth after the gap, after TDC 1."),
]
TimeColumn = Annotated[str | None, typer.Option("--time-column", help="Header of the time column.")]
CrankColumn = Annotated[str | None, typer.Option("--crank-column", help="Header of the crank signal.")]
CamColumn = Annotated[str | None, typer.Option("--cam-column", help="Header of the cam signal.")]
MarkColumn = Annotated[str | None, typer.Option("--cylinder1-column", help="Header of the cylinder-1 mark.")]
SignalColumn = Annotated[
    str | None, typer.Option("--signal-column", help="Header of the column that names the signal.")
]
Threshold = Annotated[
    float | None, typer.Option("--threshold", help="Crank threshold [V]; else chosen from the signal.")
]
Edge = Annotated[
    str | None, typer.Option("--edge", help="rising or falling: the crossing that marks a tooth; or both.")
]
CounterBits = Annotated[int | None, typer.Option("--counter-bits", help="Width of a counter that wraps.")]
ClockHz = Annotated[float | None, typer.Option("--clock-hz", help="Counter frequency [Hz] of a tick column.")]
SampleRate = Annotated[
    float | None, typer.Option("--sample-rate", help="Sampling rate [Hz] when the file has no time.")
]
CrankChannel = Annotated[
    int | None, typer.Option("--crank-channel", help="Channel of the crank, from 1 (WAV, plain arrays).")
]
CamChannel = Annotated[int | None, typer.Option("--cam-channel", help="Channel of the cam, from 1.")]
MarkChannel = Annotated[
    int | None, typer.Option("--cylinder1-channel", help="Channel of the cylinder-1 mark, from 1.")
]
BothEdges = Annotated[
    bool | None,
    typer.Option("--both-edges/--one-edge", help="Edges logged per tooth; else found from the log."),
]
CamFile = Annotated[str | None, typer.Option("--cam-file", help="Second log that holds the cam.")]
CamOffset = Annotated[
    float | None,
    typer.Option("--cam-offset", help="Added to the cam file's times [s]; else found where it can be."),
]
JsonOption = Annotated[str | None, typer.Option("--json", help="Write the result as JSON; - for stdout.")]

# option -> its type and the field of ReadOptions it sets
_READ: dict[str, tuple[Any, str]] = {
    "time_column": (TimeColumn, "time_column"),
    "crank_column": (CrankColumn, "crank_column"),
    "cam_column": (CamColumn, "cam_column"),
    "cylinder1_column": (MarkColumn, "cylinder1_column"),
    "signal_column": (SignalColumn, "signal_column"),
    "crank_channel": (CrankChannel, "crank_channel"),
    "cam_channel": (CamChannel, "cam_channel"),
    "cylinder1_channel": (MarkChannel, "cylinder1_channel"),
    "threshold": (Threshold, "threshold_v"),
    "edge": (Edge, "edge"),
    "both_edges": (BothEdges, "both_edges"),
    "counter_bits": (CounterBits, "counter_bits"),
    "clock_hz": (ClockHz, "clock_hz"),
    "sample_rate": (SampleRate, "sample_rate_hz"),
    "cam_file": (CamFile, "cam_file"),
    "cam_offset": (CamOffset, "cam_offset_s"),
}
Given = dict[str, Any]


@dataclass(frozen=True)
class EngineWords:
    """What the command line says about the engine; None is nothing."""

    engine: str | None = None
    firing_order: str | None = None
    wheel: str | None = None
    first_tooth: float | None = None

    @property
    def named(self) -> bool:
        """Whether an engine or its firing order is given."""
        return self.engine is not None or self.firing_order is not None

    def build(self) -> Engine:
        """The engine. Raises InputError."""
        return build_engine(self.engine, self.firing_order, self.wheel, self.first_tooth)

    def wheel_alone(self) -> Wheel | None:
        """The wheel where only that is given. Raises InputError."""
        from misfire.engine import Wheel

        return None if self.named or self.wheel is None else Wheel.from_label(self.wheel)


@dataclass(frozen=True)
class SideWords:
    """What the command line says about one side of a comparison besides its logs; `name` is before or after."""

    name: str
    channels: str | None = None
    counts: str | None = None
    codes: str | None = None
    known_cut: Sequence[str] | None = None
    pattern: str | None = None


_ENGINE = {
    "engine": EngineOption,
    "firing_order": OrderOption,
    "wheel": WheelOption,
    "first_tooth": FirstToothOption,
}
_CUT = (
    "Injector off, as in `analyse`: 3@41.0-49.5; of several logs with the log's number first, 2:3@41.0-49.5."
)
_SIDE = {
    "channels": "Slow channels (CSV) of {}; one per log, with commas.",
    "counts": "Controller counts of {}: one file (CSV) or two readings FIRST,SECOND for the whole side, or one of these "
    "per log.",
    "codes": "Codes stored {}, for example P0300,P0302.",
    "known_cut": _CUT,
    "pattern": "Tooth pattern of {} alone, saved by `misfire pattern`.",
}


@dataclass(frozen=True)
class _Group:
    """Options that a command takes together as one parameter, and what is made of them."""

    options: Mapping[str, Any]
    made: Callable[[dict[str, Any]], Any]


def _side(name: str) -> _Group:
    kinds: dict[str, Any] = {"known_cut": list[str] | None}
    options = {
        f"{key}_{name}": Annotated[
            kinds.get(key, str | None),
            typer.Option(f"--{key.replace('_', '-')}-{name}", help=text.format(name.upper())),
        ]
        for key, text in _SIDE.items()
    }
    cut = len(name) + 1
    return _Group(options, lambda given: SideWords(name, **{k[:-cut]: v for k, v in given.items()}))


# a command's parameter -> the options that stand in its place
_GROUPS = {
    "read": _Group(
        {name: kind for name, (kind, _) in _READ.items()},
        lambda given: {field: given[name] for name, (_, field) in _READ.items()},
    ),
    "layout": _Group(_ENGINE, lambda given: EngineWords(**given)),
    "first": _side("before"),
    "last": _side("after"),
}


def gathers(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command whole groups of options for one parameter each, so that every command knows the same ones.

    `read` becomes fields of ReadOptions with what was given, `layout` EngineWords, `first` and `last` SideWords. A
    command that takes `asked` is given its own command line again, for the record.
    """
    own = inspect.signature(command, eval_str=True)
    groups = {name: _GROUPS[name] for name in own.parameters if name in _GROUPS}
    shown = []
    for p in own.parameters.values():
        if p.name in groups:
            shown += [
                inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=None, annotation=kind)
                for name, kind in groups[p.name].options.items()
            ]
        elif p.name != "asked":
            shown.append(p.replace(kind=inspect.Parameter.KEYWORD_ONLY))

    @functools.wraps(command)
    def with_options(**given: Any) -> None:
        more = {"asked": _asked(command.__name__, signature, given)} if "asked" in own.parameters else {}
        for name, group in groups.items():
            more[name] = group.made({key: given.pop(key, None) for key in group.options})
        command(**given, **more)

    signature = own.replace(parameters=shown)
    with_options.__signature__ = signature  # type: ignore[attr-defined]
    with_options.__annotations__ = {p.name: p.annotation for p in signature.parameters.values()}
    return with_options


# say where results go, not what they are
_OUTPUTS = ("json", "events", "report", "job", "quiet", "timings")


def _asked(command: str, signature: inspect.Signature, given: dict[str, Any]) -> str:
    """The command line that asks the same again; files by their names, folders left out."""
    words = ["misfire", command]
    for p in signature.parameters.values():
        value = given.get(p.name)
        if p.name in _OUTPUTS or value is None or value == []:
            continue
        # typer keeps the first word of an option that is annotated as its default
        names = [getattr(m, "default", None) for m in getattr(p.annotation, "__metadata__", ())]
        flag = next((n for n in names if isinstance(n, str) and n.startswith("--")), "")
        if isinstance(value, bool):
            flag, _, off = flag.partition("/")
            words += [flag] if value else [off] if off else []
            continue
        for one in value if isinstance(value, list) else [value]:
            words += [flag] if flag else []
            words.append(_without_folders(str(one)))
    return shlex.join(words)


def _without_folders(text: str) -> str:
    """A value as it was given, but of files only the names."""
    if os.path.exists(text):
        return os.path.basename(text)
    return ",".join(os.path.basename(p) if os.path.exists(p) else p for p in text.split(","))


def build_engine(name: str | None, order: str | None, wheel: str | None, first_tooth: float | None) -> Engine:
    """The engine from a file or layout, single fields overridden. Raises InputError."""
    from misfire.engine import Engine, Wheel

    if name is None and order is None:
        raise InputError(
            "no engine given: name one with --engine inline4 (see `misfire engines`) or --firing-order 1-3-4-2"
        )
    engine = Engine.load(name) if name is not None else None
    if order is not None:
        try:
            numbers = [int(x) for x in order.replace(",", "-").split("-")]
        except ValueError:
            raise InputError(
                f"firing order '{order}': write cylinder numbers with dashes, for example 1-3-4-2"
            ) from None
        if engine is not None and len(numbers) != engine.cylinders:
            raise InputError(
                f"firing order {order} names {len(numbers)} cylinders, the engine has {engine.cylinders}"
            )
        other = Engine.from_order(numbers)
        if engine is None:
            engine = other
        elif not engine.even_firing and other.firing_order != engine.firing_order:
            raise InputError(
                "--firing-order cannot change an odd-firing engine; write an engine file with firing_tdc_deg"
            )
        else:
            engine = replace(engine, firing_order=other.firing_order, firing_tdc_deg=other.firing_tdc_deg)
    assert engine is not None
    if wheel is not None:
        first = engine.wheel.first_tooth_after_tdc1_deg if engine.wheel else None
        engine = engine.with_wheel(replace(Wheel.from_label(wheel), first_tooth_after_tdc1_deg=first))
    if first_tooth is not None:
        if not 0 <= first_tooth <= 360:
            raise InputError(f"--first-tooth {first_tooth}: give an angle from 0 to 360 deg")
        if engine.wheel is None:
            raise InputError("--first-tooth needs the wheel too: add --wheel 60-2 (or yours)")
        engine = engine.with_wheel(replace(engine.wheel, first_tooth_after_tdc1_deg=first_tooth % 360.0))
    return engine


def files(**given: str | None) -> dict[str, list[str]]:
    """Those options that name a file, by their use; a shipped layout is none."""
    return {use: [name] for use, name in given.items() if name and os.path.isfile(name)}


def build_read(engine: Engine | None, **given: Any) -> ReadOptions:
    """Read options; the engine file's counted edge applies unless one is given."""
    from misfire.intake import ReadOptions

    if (
        given.get("edge") is None
        and engine is not None
        and engine.wheel is not None
        and engine.wheel.counted_edge
    ):
        given["edge"] = engine.wheel.counted_edge
    return ReadOptions(**given)


def one_cam_file(read: ReadOptions, logs: int) -> None:
    """Raise InputError when one cam file is given for several logs."""
    if read.cam_file and logs > 1:
        raise InputError(
            f"--cam-file: one cam file cannot belong to {logs} logs; analyse that log alone, or put the cam into it"
        )


def parse_cut(text: str, engine: Engine) -> KnownCut:
    """Read "3@41.0-49.5": injector of cylinder 3 off from second 41.0 to 49.5; "2:3@41.0-49.5" is that of the second log."""
    from misfire.onelog import KnownCut

    try:
        number, _, cut_text = text.rpartition(":")
        cylinder, span = cut_text.split("@")
        lo, hi = span.split("-")
        cut = KnownCut(int(cylinder), float(lo), float(hi), int(number) if number else None)
    except ValueError:
        raise InputError(
            f"--known-cut {text}: write cylinder@from-to in seconds, for example 3@41.0-49.5 (2:3@41.0-49.5 in the "
            "second of several logs)"
        ) from None
    if cut.cylinder not in engine.firing_order or not cut.from_s < cut.to_s:
        raise InputError(f"--known-cut {text}: the cylinder must exist and the end come after the start")
    return cut


def check_cylinders(engine: Engine, codes: Sequence[str], counts: str | None) -> None:
    """Raise InputError when codes or counts name a cylinder that the engine does not have."""
    from misfire.intake.counts import read_counts

    said = [
        (int(c[3:]), f"code {c}", "the code")
        for c in codes
        if c[:3] == "P03" and c[3:].isdigit() and "01" <= c[3:] <= "12"
    ]
    counted = read_counts(counts).totals if counts else {}
    said += [(c, f"{counts}: a count", "the file") for c in counted]
    for cylinder, what, look in said:
        if cylinder not in engine.firing_order:
            raise InputError(
                f"{what} names cylinder {cylinder}, but the engine has {engine.cylinders} cylinders; "
                f"check --engine or {look}"
            )
