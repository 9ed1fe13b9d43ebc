"""Values of SAE J1979 service $01 and $02 (freeze frame) responses, as a scan tool's log shows them.

Formulas restated from the standard: PID $04 load = 100 A / 255 [%], $05 coolant = A - 40 [deg C],
$0C speed = (256 A + B) / 4 [1/min]. The response repeats the service plus $40: 41, or 42 with a frame number.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from misfire.errors import InputError

# name, bytes, value of the bytes read as one number
_PIDS: dict[int, tuple[str, int, Callable[[int], float]]] = {
    0x04: ("load_pct", 1, lambda n: 100.0 * n / 255.0),
    0x05: ("coolant_c", 1, lambda n: n - 40.0),
    0x0C: ("speed_rpm", 2, lambda n: n / 4.0),
}


def service01_value(line: str) -> tuple[str, float] | None:
    """Name and value of one response such as "41 0C 1A F8"; None for a PID that is not used here.

    Raises InputError when the line is no response of service $01 or $02, or is cut short.
    """
    text = re.sub(r"[\s:,]", "", line)
    try:
        data = bytes.fromhex(text)
    except ValueError:
        data = b""
    if len(data) < 3 or data[0] not in (0x41, 0x42):
        raise InputError(f"'{line.strip()[:40]}': no service $01 or $02 response; write it like 41 0C 1A F8")
    known = _PIDS.get(data[1])
    if known is None:
        return None
    name, size, value = known
    body = data[2 if data[0] == 0x41 else 3 :][:size]
    if len(body) < size:
        raise InputError(
            f"'{line.strip()[:40]}': PID ${data[1]:02X} has {size} bytes; copy the response whole"
        )
    return name, float(value(int.from_bytes(body, "big")))
