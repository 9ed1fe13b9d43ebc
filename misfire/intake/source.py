"""A file as bytes: plain or gzip, bounded, with clear errors for what is no log at all."""

from __future__ import annotations

import gzip
import io
import os
import stat
import zlib
from pathlib import Path
from typing import BinaryIO

from misfire.errors import InputError
from misfire.intake import progress

HEAD_BYTES = 65536
# A log of a thousand equal rows packs about 200 to 1; beyond this ratio it is no recording.
MAX_RATIO = 300
FREE_BYTES = 128 << 20
MAX_LINE_BYTES = 1 << 20


def check_path(path: Path) -> None:
    """Refuse what is no readable regular file. Raises InputError."""
    try:
        info = os.stat(path)
    except OSError as e:
        raise InputError(f"{path}: cannot be opened ({e.strerror}); check the name") from None
    if stat.S_ISDIR(info.st_mode):
        raise InputError(f"{path} is a folder; name the log file itself")
    if not stat.S_ISREG(info.st_mode):
        raise InputError(f"{path} is no regular file; save the log to disk first")
    if info.st_size == 0:
        raise InputError(f"{path} is empty; record or export it again")


class BoundedReader(io.RawIOBase):
    """Bytes of a plain or packed file, with a bound on unpacked size and on the length of a line."""

    def __init__(self, path: Path, *, text: bool = True) -> None:
        super().__init__()
        self.path, self.text = path, text
        try:
            self._raw: BinaryIO = open(path, "rb")  # noqa: SIM115 - closed in close()
            self.size = os.fstat(self._raw.fileno()).st_size
            magic = self._raw.read(2)
            self._raw.seek(0)
        except OSError as e:
            raise InputError(f"{path}: cannot be read ({e.strerror})") from None
        self.packed = magic == b"\x1f\x8b"
        self._file: BinaryIO = gzip.open(self._raw, "rb") if self.packed else self._raw  # type: ignore[assignment]  # noqa: SIM115
        self.total = 0
        self.last = b""
        self._since_line_end = 0

    def readable(self) -> bool:
        """As the standard library asks of a raw stream."""
        return True

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        """Fill the buffer as far as the bytes last."""
        block = self.read(len(buffer))
        buffer[: len(block)] = block
        return len(block)

    def read(self, size: int = -1) -> bytes:
        """Up to `size` bytes. Raises InputError for a damaged or overblown file."""
        if size is None or size < 0:
            return b"".join(iter(lambda: self.read(1 << 20), b""))
        try:
            block = self._file.read(min(size, 1 << 20))
        except EOFError:
            raise InputError(
                f"{self.path}: the packed file ends after {self.total} unpacked bytes, before its end "
                "mark; it is truncated, copy it again"
            ) from None
        except (OSError, zlib.error) as e:
            raise InputError(f"{self.path}: cannot be unpacked or read ({e}); copy it again") from None
        self.total += len(block)
        progress.step(f"reading {self.path.name}", self._raw.tell() / max(self.size, 1))
        if self.packed and self.total > FREE_BYTES and self.total > MAX_RATIO * self.size:
            raise InputError(
                f"{self.path}: unpacks to more than {MAX_RATIO} times its size; this is no recorded log"
            )
        if self.text and block:
            self._check_text(block)
        if block:
            self.last = block[-1:]
        return block

    def _check_text(self, block: bytes) -> None:
        if b"\0" in block:
            at = self.total - len(block) + block.index(b"\0")
            raise InputError(
                f"{self.path}: nul byte at byte {at}; the file is damaged or no text, export it again"
            )
        end = max(block.rfind(b"\n"), block.rfind(b"\r"))
        if end < 0:
            self._since_line_end += len(block)
        else:
            self._since_line_end = len(block) - end - 1
        if self._since_line_end > MAX_LINE_BYTES:
            raise InputError(
                f"{self.path}: a line is longer than {MAX_LINE_BYTES} bytes; this is no table of rows"
            )

    def close(self) -> None:
        """Close the file below too."""
        if not self.closed:
            self._file.close()
            self._raw.close()
        super().close()


def read_head(path: Path) -> bytes:
    """The first unpacked bytes of a file, for the readers to recognise it by. Raises InputError."""
    check_path(path)
    with BoundedReader(path, text=False) as f:
        parts, have = [], 0
        while have < HEAD_BYTES:
            try:
                block = f.read(HEAD_BYTES - have)
            except InputError:
                if not have:
                    raise
                break
            if not block:
                break
            parts.append(block)
            have += len(block)
    head = b"".join(parts)
    if not head.strip():
        raise InputError(f"{path} holds nothing but blanks; record or export it again")
    return head


def text_stream(path: Path, head: bytes) -> tuple[io.BufferedIOBase | io.TextIOBase, str]:
    """Open a text file for the table parser.

    Returns the stream and its encoding; UTF-16 is decoded here, a UTF-8 byte-order mark is skipped.
    """
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raw = BoundedReader(path, text=False)
        return io.TextIOWrapper(io.BufferedReader(raw), encoding="utf-16", errors="replace"), "utf-16"
    reader = io.BufferedReader(BoundedReader(path), 1 << 20)
    if head[:3] == b"\xef\xbb\xbf":
        try:
            reader.read(3)
        except InputError:
            reader.close()
            raise
    return reader, "utf-8"


def decode_head(head: bytes) -> str:
    """The head as text; bytes that are no letters become replacement characters.

    Text that is not UTF-8 is taken for one byte a letter (code page 1252, common practice), in which many programs
    write the micro sign of a unit; where such bytes are many it is no text.
    """
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return head[: len(head) // 2 * 2].decode("utf-16", errors="replace")
    text = head.decode("utf-8-sig", errors="replace")
    # the end of the head may cut a letter in two
    odd = text[:4096].rstrip("\ufffd").count("\ufffd")
    return head.decode("cp1252", errors="replace") if 0 < odd <= 0.1 * min(len(text), 4096) else text
