"""Bad files from good ones: what transfers, editors, exports and mischief make of them."""

from __future__ import annotations

import gzip
import os
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np

Rng = np.random.Generator
_NUMBERS = (
    "nan NaN inf -inf Infinity 1e400 -1e400 1e308 -1e308 -1 0 -0.0 1e-300 99999999999999999999 18446744073709551616 "
    "2147483648 -2147483649 0x1F 1_000 1,5 1.2.3 +-1 1e 3.4028235e38 true null None"
)
NUMBERS = _NUMBERS.split()
WORDS = (
    "",
    '"',
    "'",
    "=cmd|' /C calc'!A0",
    "@SUM(1)",
    "<script>alert(1)</script>",
    "\x1b[31mred\x1b[0m",
    "crank",
    "Kanal ä",
    "\u202e",
    "#",
    "${HOME}",
    "../../etc/passwd",
    "[[[[",
    "{",
    "a" * 5000,
)


def truncate(data: bytes, rng: Rng) -> bytes:
    return data[: int(rng.integers(0, len(data) + 1))]


def overwrite(data: bytes, rng: Rng) -> bytes:
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 9))):
        if out:
            out[int(rng.integers(0, len(out)))] = int(rng.integers(0, 256))
    return bytes(out)


def cut_out(data: bytes, rng: Rng) -> bytes:
    a, b = sorted(int(i) for i in rng.integers(0, len(data) + 1, 2))
    return data[:a] + data[b:] if rng.random() < 0.5 else data[:a] + data[min(a + 40, len(data)) :]


def put_in(data: bytes, rng: Rng) -> bytes:
    at = int(rng.integers(0, len(data) + 1))
    what = [
        b"\0",
        b"\xff\xfe",
        b"\xef\xbb\xbf",
        b"\r",
        b"\n\n\n",
        b'"',
        b"\x1a",
        os.urandom(0) or b"\x80\x81",
    ]
    return data[:at] + what[int(rng.integers(0, len(what)))] * int(rng.integers(1, 5)) + data[at:]


def head_bytes(data: bytes, rng: Rng) -> bytes:
    """One byte among the first 64: magic numbers, sizes, header."""
    out = bytearray(data)
    if out:
        out[int(rng.integers(0, min(64, len(out))))] = int(rng.integers(0, 256))
    return bytes(out)


def _lines(data: bytes) -> list[bytes]:
    return data.splitlines(keepends=True)


def lose_lines(data: bytes, rng: Rng) -> bytes:
    keep = rng.random(n := len(_lines(data))) > rng.choice([0.01, 0.1, 0.5]) if data else []
    return b"".join(line for line, k in zip(_lines(data), keep, strict=True) if k) if data and n else data


def repeat_lines(data: bytes, rng: Rng) -> bytes:
    lines = _lines(data)
    for _ in range(int(rng.integers(1, 5))):
        k = int(rng.integers(0, len(lines))) if lines else 0
        lines[k:k] = lines[k : k + int(rng.integers(1, 4))]
    return b"".join(lines)


def shuffle_lines(data: bytes, rng: Rng) -> bytes:
    lines = _lines(data)
    if len(lines) > 3:
        a, b = (int(i) for i in rng.integers(0, len(lines), 2))
        lines[a], lines[b] = lines[b], lines[a]
    return b"".join(lines)


def swap_columns(data: bytes, rng: Rng) -> bytes:
    mark = b";" if b";" in data[:200] else b","
    return b"".join(mark.join(reversed(line.rstrip(b"\n").split(mark))) + b"\n" for line in data.splitlines())


def cell(data: bytes, rng: Rng) -> bytes:
    """One number of the file becomes another kind of number, or a word."""
    found = list(re.finditer(rb"[-+]?\d[\d.]*", data))
    if not found:
        return data
    hit = (
        found[int(rng.integers(0, len(found)))]
        if rng.random() < 0.7
        else found[int(rng.integers(0, min(12, len(found))))]
    )
    new = rng.choice(np.array(NUMBERS if rng.random() < 0.7 else WORDS, dtype=object))
    return data[: hit.start()] + str(new).encode() + data[hit.end() :]


def word(data: bytes, rng: Rng) -> bytes:
    """One word (a key, a header, a signal's name) becomes another, or is misspelt."""
    found = list(re.finditer(rb"[A-Za-z_]{3,}", data[:4000]))
    if not found:
        return data
    hit = found[int(rng.integers(0, len(found)))]
    old = hit[0]
    k = int(rng.integers(0, len(old)))
    new = (
        old[:k] + old[k + 1 :]
        if rng.random() < 0.5
        else str(rng.choice(np.array(WORDS, dtype=object))).encode()
    )
    return data[: hit.start()] + new + data[hit.end() :]


def big_numbers(data: bytes, rng: Rng) -> bytes:
    """Every number multiplied, as by a wrong unit."""
    factor = float(rng.choice([1e-9, 1e-3, -1.0, 1e3, 1e9, 1e200]))

    def scaled(hit: re.Match[bytes]) -> bytes:
        try:
            return f"{float(hit[0]) * factor:.6g}".encode()
        except ValueError:
            return hit[0]

    return re.sub(rb"(?<=[\n,;])[-+]?\d+\.?\d*", scaled, data)


def encoding(data: bytes, rng: Rng) -> bytes:
    text = data.decode("latin-1")
    kind = str(rng.choice(["utf-16", "utf-16-le", "utf-32", "utf-8-sig", "cp037", "utf-7", "latin"]))
    if kind == "latin":
        return ("Motordrehzahl °;µs\n" + text).encode("latin-1")
    return text.encode(kind, errors="replace")


def line_ends(data: bytes, rng: Rng) -> bytes:
    return data.replace(b"\n", [b"\r\n", b"\r", b"\n\n", b" ", b"\n\t"][int(rng.integers(0, 5))])


def pack(data: bytes, rng: Rng) -> bytes:
    packed = gzip.compress(data)
    if rng.random() < 0.5:
        return truncate(packed, rng)
    return overwrite(packed, rng) if rng.random() < 0.5 else gzip.compress(packed)


def twice(data: bytes, rng: Rng) -> bytes:
    return data + data


def other_end(data: bytes, rng: Rng) -> bytes:
    return data[::-1]


SMALL: tuple[Callable[[bytes, Rng], bytes], ...] = (
    truncate,
    overwrite,
    cut_out,
    put_in,
    head_bytes,
    lose_lines,
    repeat_lines,
    shuffle_lines,
    swap_columns,
    cell,
    cell,
    cell,
    word,
    word,
    big_numbers,
    encoding,
    line_ends,
    pack,
    twice,
    other_end,
)


def mutate(data: bytes, rng: Rng) -> tuple[bytes, str]:
    """One to three changes, and their names."""
    names = []
    for _ in range(int(rng.choice([1, 1, 1, 2, 3]))):
        change = SMALL[int(rng.integers(0, len(SMALL)))]
        data = change(data, rng)
        names.append(change.__name__)
    return data, "+".join(names)


# --- what is not a matter of bytes in a small file ------------------------------------------------------------


def long_line(path: Path) -> None:
    path.write_bytes(b"time_s,signal\n" + b"1" * 10_000_000 + b"\n")


def long_line_of_cells(path: Path) -> None:
    path.write_bytes(b"1," * 5_000_000 + b"\n")


def nul_bytes(path: Path) -> None:
    path.write_bytes(b"\0" * 3_000_000)


def bomb(path: Path) -> None:
    """150 kB that unpack to 150 MB."""
    with gzip.open(path, "wb", compresslevel=9) as f:
        for _ in range(150):
            f.write(b"0" * 1_000_000)


def folder(path: Path) -> None:
    path.mkdir()


def link_to_itself(path: Path) -> None:
    path.symlink_to(path)


def link_to_nothing(path: Path) -> None:
    path.symlink_to(path.with_name("not there"))


def link_to_folder(path: Path) -> None:
    path.symlink_to(path.parent)


def pipe(path: Path) -> None:
    os.mkfifo(path)


def device(path: Path) -> None:
    path.symlink_to("/dev/zero")


def empty(path: Path) -> None:
    path.touch()


def open_quote(path: Path) -> None:
    path.write_bytes(b'time_s,signal\n0.1,"crank\n' + b"0.2,crank\n" * 200_000)


def many_columns(path: Path) -> None:
    path.write_bytes(b"time_s" + b",a" * 20_000 + b"\n" + (b"1" + b",2" * 20_000 + b"\n") * 3)


def deep(path: Path) -> None:
    path.write_bytes(b"x = " + b"[" * 100_000)


def deep_json(path: Path) -> None:
    path.write_bytes(b'{"format": ' + b"[" * 100_000)


def long_number(path: Path) -> None:
    path.write_bytes(b"[engine]\ncylinders = " + b"9" * 6000 + b"\n")


PLACES: tuple[Callable[[Path], None], ...] = (
    long_line,
    long_line_of_cells,
    nul_bytes,
    bomb,
    folder,
    link_to_itself,
    link_to_nothing,
    link_to_folder,
    pipe,
    device,
    empty,
    open_quote,
    many_columns,
    deep,
    deep_json,
    long_number,
)
