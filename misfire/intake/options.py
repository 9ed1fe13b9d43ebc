"""What a caller may say about a log; everything left out is found in the file."""

from __future__ import annotations

from dataclasses import dataclass

from misfire.errors import InputError


@dataclass(frozen=True)
class ReadOptions:
    """How to read a log. None means: the contract's own name, or found from the content.

    Attributes
    ----------
    time_column, crank_column, cam_column, cylinder1_column, signal_column : str or None
        Header names (or VCD and MDF signal names) of a foreign file.
    threshold_v : float or None
        Crank threshold in the file's own unit after conversion to volts.
    edge : str or None
        "rising" or "falling": the crossing of a sampled waveform that marks a tooth. "both": both edges of
        every tooth are kept, for a wheel whose tooth widths tell the turn's beginning.
    counter_bits : int or None
        Width of a counter that wraps, 8 to 64.
    clock_hz : float or None
        Counter frequency [Hz] for tick columns.
    sample_rate_hz : float or None
        Sampling rate [Hz] of a waveform without a time column.
    crank_channel, cam_channel, cylinder1_channel : int or None
        Channel numbers, from 1, of a WAV file or of a plain array.
    cam_file : str or None
        Second log that holds the cam signal alone.
    cam_offset_s : float or None
        Added to the times of `cam_file` to bring them onto the crank's clock [s]; None: found from both files.
    both_edges : bool or None
        True when a tooth-timing log holds both edges of every tooth, False when it does not.
    cam_only : bool
        True for a file that need not hold the crank: its cam edges then stand in the crank's place.
    """

    time_column: str | None = None
    crank_column: str | None = None
    cam_column: str | None = None
    cylinder1_column: str | None = None
    signal_column: str | None = None
    threshold_v: float | None = None
    edge: str | None = None
    counter_bits: int | None = None
    clock_hz: float | None = None
    sample_rate_hz: float | None = None
    crank_channel: int | None = None
    cam_channel: int | None = None
    cylinder1_channel: int | None = None
    cam_file: str | None = None
    cam_offset_s: float | None = None
    both_edges: bool | None = None
    cam_only: bool = False

    def __post_init__(self) -> None:
        if self.edge not in (None, "", "rising", "falling", "both"):
            raise InputError(f"edge is {self.edge!r}; write rising or falling, or both where the width tells")
        if self.counter_bits is not None and not 8 <= self.counter_bits <= 64:
            raise InputError(f"counter bits is {self.counter_bits}; write a width from 8 to 64")
        for name in ("clock_hz", "sample_rate_hz"):
            value = getattr(self, name)
            if value is not None and not 1.0 <= value <= 1e12:
                raise InputError(f"{name} is {value}; write a frequency from 1 to 1e12 Hz")
        if self.cam_offset_s is not None and not abs(self.cam_offset_s) < 1e9:
            raise InputError(f"cam offset is {self.cam_offset_s}; write seconds")
        if self.cam_offset_s is not None and not self.cam_file:
            raise InputError("a cam offset needs the cam's own file: add --cam-file")
        for name in ("crank_channel", "cam_channel", "cylinder1_channel"):
            value = getattr(self, name)
            if value is not None and value < 1:
                raise InputError(f"{name} is {value}; channels are counted from 1")
