"""WAV (RIFF): the crank signal through a sound card or a converter; PCM of 8 to 32 bits, and float."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from misfire.errors import InputError
from misfire.intake.columns import busiest_signal
from misfire.intake.options import ReadOptions
from misfire.intake.recording import Recording
from misfire.intake.samples import Samples, Store
from misfire.intake.source import BoundedReader
from misfire.intake.waveform import to_recording

KIND = "WAV"
FRAMES = 1 << 18
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE


@dataclass(frozen=True)
class Format:
    """The fmt chunk: channels, sampling rate [Hz], bits of a sample, float or integer."""

    channels: int
    rate_hz: int
    bits: int
    is_float: bool

    @property
    def frame(self) -> int:
        """Bytes of one sample of all channels."""
        return self.channels * self.bits // 8


def recognises(path: Path, head: bytes, options: ReadOptions | None = None) -> bool:
    """True for RIFF or RF64 with form type WAVE."""
    return head[:4] in (b"RIFF", b"RF64") and head[8:12] == b"WAVE"


def read(path: Path, options: ReadOptions) -> Recording:
    """Read a WAV file; values are shares of full scale. Raises InputError."""
    with BoundedReader(path, text=False) as f:
        f.read(12)
        fmt: Format | None = None
        long_size: int | None = None
        while True:
            header = _exactly(f, 8)
            if len(header) < 8:
                raise InputError(f"{path}: no data chunk; the WAV file is cut off, copy it again")
            name, size = header[:4], struct.unpack("<I", header[4:])[0]
            if name == b"data":
                break
            if size > 1 << 26:
                raise InputError(f"{path}: chunk of {size} bytes before the data; the WAV file is damaged")
            body = _exactly(f, size + size % 2)
            if name == b"fmt ":
                fmt = _format(path, body)
            elif name == b"ds64" and len(body) >= 16:
                long_size = struct.unpack("<Q", body[8:16])[0]
        if fmt is None:
            raise InputError(f"{path}: no fmt chunk before the data; the WAV file is damaged")
        open_end = size in (0, 0xFFFFFFFF)
        want = long_size if long_size is not None else None if open_end else size
        return to_recording(_samples(path, f, fmt, want, options), options)


def _exactly(f: BoundedReader, size: int) -> bytes:
    parts = []
    while size > 0 and (block := f.read(size)):
        parts.append(block)
        size -= len(block)
    return b"".join(parts)


def _format(path: Path, body: bytes) -> Format:
    if len(body) < 16:
        raise InputError(f"{path}: the fmt chunk holds {len(body)} bytes, fewer than 16; the file is damaged")
    tag, channels, rate, _, _, bits = struct.unpack("<HHIIHH", body[:16])
    if tag == _EXTENSIBLE and len(body) >= 26:
        tag = struct.unpack("<H", body[24:26])[0]
    if tag not in (_PCM, _FLOAT) or bits not in ((8, 16, 24, 32) if tag == _PCM else (32, 64)):
        raise InputError(
            f"{path}: WAV coding {tag} with {bits} bits is not read; export PCM of 16, 24 or 32 bits, or float"
        )
    if not 1 <= channels <= 64 or not 100 <= rate <= 100_000_000:
        raise InputError(f"{path}: {channels} channels at {rate} Hz; the fmt chunk is damaged")
    return Format(channels, rate, bits, tag == _FLOAT)


def decode(data: bytes, fmt: Format) -> npt.NDArray[np.float32]:
    """Whole frames as shares of full scale; shape (frames, channels)."""
    count = len(data) // fmt.frame * fmt.channels
    values: npt.NDArray[np.float32]
    if fmt.is_float:
        values = np.frombuffer(data, "<f4" if fmt.bits == 32 else "<f8", count).astype(np.float32)
    elif fmt.bits == 8:
        values = ((np.frombuffer(data, np.uint8, count).astype(np.float32) - 128) / 128).astype(np.float32)
    elif fmt.bits == 24:
        three = np.frombuffer(data, np.uint8, count * 3).reshape(-1, 3)
        four = np.zeros((count, 4), np.uint8)
        four[:, 1:] = three
        values = (four.view("<i4")[:, 0] / 2.0**31).astype(np.float32)
    else:
        whole = np.frombuffer(data, f"<i{fmt.bits // 8}", count)
        values = (whole / 2.0 ** (fmt.bits - 1)).astype(np.float32)
    return values.reshape(-1, fmt.channels)


def _crank_channel(values: npt.NDArray[np.float32], taken: set[int]) -> tuple[int, list[str]]:
    """The channel with by far the most edges, from 1, where there is one and none is given; else the first."""
    free = [c for c in range(1, values.shape[1] + 1) if c not in taken]
    found = busiest_signal([values[:, c - 1].astype(np.float64) for c in free])
    if found is None:
        return 1, []
    channel = free[found[0]]
    if channel == 1:
        return 1, []
    return channel, [
        f"Channel {channel} is taken for the crank: it has {found[1]:.0f} times as many edges as any other; name another "
        "by --crank-channel."
    ]


def _samples(path: Path, f: BoundedReader, fmt: Format, want: int | None, options: ReadOptions) -> Samples:
    # channels of a WAV file have no names, so a column given is the channel's number
    chosen: dict[str, int | None] = {}
    for name in ("crank", "cam", "cylinder1"):
        column, channel = getattr(options, f"{name}_column"), getattr(options, f"{name}_channel")
        if column and channel is None:
            if not (column.strip().isdecimal() and 1 <= int(column[:6]) <= 64):
                raise InputError(
                    f"{path}: channels of a WAV file have no names; give --{name}-channel and a number"
                )
            channel = int(column)
        chosen[name] = channel
    for name, channel in chosen.items():
        if channel is not None and channel > fmt.channels:
            raise InputError(f"{path}: no channel {channel} for {name}; the file has {fmt.channels}")
    stores = {n: Store(str(path)) for n, c in chosen.items() if c is not None or n == "crank"}
    left = want if want is not None else 1 << 62
    notes: list[str] = []
    while left > 0:
        data = _exactly(f, min(left, FRAMES * fmt.frame))
        left -= len(data)
        values = decode(data, fmt)
        if not np.isfinite(values).all():
            raise InputError(f"{path}: a sample is no finite number; the file is damaged")
        if chosen["crank"] is None:
            chosen["crank"], said = _crank_channel(values, {c for c in chosen.values() if c})
            notes += said
        for name, store in stores.items():
            store.append(values[:, (chosen[name] or 1) - 1])
        if len(data) < FRAMES * fmt.frame:
            break
    chosen["crank"] = chosen["crank"] or 1
    if want is not None and left > 0:
        notes.append("The WAV file is shorter than it says; what is there was read.")
    used = {c for c in chosen.values() if c}
    if fmt.channels > len(used):
        notes.append(
            f"{fmt.channels - len(used)} of {fmt.channels} channels are not used; map them by option."
        )
    kind = "float" if fmt.is_float else "PCM"
    return Samples(
        source=str(path),
        start_s=0.0,
        step_s=1.0 / fmt.rate_hz,
        crank=stores["crank"].array(),
        cam=stores["cam"].array() if "cam" in stores else None,
        cylinder1=stores["cylinder1"].array() if "cylinder1" in stores else None,
        unit="of full scale",
        decisions={
            "format": f"{KIND}, {kind} {fmt.bits} bits, {fmt.channels} channels",
            "columns": ", ".join(f"{n} = channel {c}" for n, c in chosen.items() if c),
        },
        notes=notes,
    )
