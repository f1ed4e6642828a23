"""What a SCPI instrument complains about: error codes with their texts, and the queue that keeps them."""

from __future__ import annotations

from collections import deque
from types import MappingProxyType

# SCPI-99 volume 2, 21.8; codes and texts †.
TEXTS = MappingProxyType(
    {
        0: "No error",
        -100: "Command error",
        -101: "Invalid character",
        -102: "Syntax error",
        -103: "Invalid separator",
        -104: "Data type error",
        -105: "GET not allowed",
        -108: "Parameter not allowed",
        -109: "Missing parameter",
        -110: "Command header error",
        -111: "Header separator error",
        -112: "Program mnemonic too long",
        -113: "Undefined header",
        -114: "Header suffix out of range",
        -120: "Numeric data error",
        -121: "Invalid character in number",
        -123: "Exponent too large",
        -124: "Too many digits",
        -128: "Numeric data not allowed",
        -131: "Invalid suffix",
        -138: "Suffix not allowed",
        -141: "Invalid character data",
        -144: "Character data too long",
        -148: "Character data not allowed",
        -151: "Invalid string data",
        -158: "String data not allowed",
        -161: "Invalid block data",
        -168: "Block data not allowed",
        -171: "Invalid expression",
        -178: "Expression data not allowed",
        -200: "Execution error",
        -210: "Trigger error",
        -211: "Trigger ignored",
        -213: "Init ignored",
        -214: "Trigger deadlock",
        -220: "Parameter error",
        -221: "Settings conflict",
        -222: "Data out of range",
        -223: "Too much data",
        -224: "Illegal parameter value",
        -230: "Data corrupt or stale",
        -240: "Hardware error",
        -310: "System error",
        -330: "Self-test failed",
        -350: "Queue overflow",
        -360: "Communication error",
        -363: "Input buffer overrun",
        -400: "Query error",
        -410: "Query INTERRUPTED",
        -420: "Query UNTERMINATED",
        -430: "Query DEADLOCKED",
        -440: "Query UNTERMINATED after indefinite response",
    }
)

# IEEE 488.2-1992, 11.5.1: the class of an error gives its bit in the standard event status register.
_CLASS_BITS = {1: 32, 2: 16, 3: 8, 4: 4, 5: 128, 6: 64, 7: 2, 8: 1}
DEVICE_DEPENDENT_ERROR = 8
COMMAND_ERRORS = range(-199, -99)


class ScpiError(Exception):
    """Something in a message that the instrument must refuse; goes to its error queue, never to its user."""

    def __init__(self, code: int, detail: str = "") -> None:
        super().__init__(code, detail)
        self.code, self.detail = code, detail

    @property
    def entry(self) -> str:
        """The entry of the error queue, `code,"text;the device's own words"`."""
        return error_entry(self.code, self.detail)


def error_entry(code: int, detail: str = "") -> str:
    """One entry of the error queue as `SYSTem:ERRor?` answers it; at most 255 characters in the string."""
    text = TEXTS.get(code, "Device-specific error")
    words = f"{text};{detail}" if detail else text
    return f'{code},"{words[:255].replace(chr(34), chr(34) * 2)}"'


def event_bit(code: int) -> int:
    """The bit of the standard event status register that an error of this code sets."""
    return DEVICE_DEPENDENT_ERROR if code > 0 else _CLASS_BITS.get(-code // 100, 0)


class ErrorQueue:
    """First in, first out; when it is full, the newest entry gives way to −350."""

    def __init__(self, depth: int = 20) -> None:
        self._depth = depth
        self._entries: deque[tuple[int, str]] = deque()

    def __len__(self) -> int:
        return len(self._entries)

    def put(self, fault: ScpiError) -> None:
        """Enter a fault at the end of the queue."""
        if len(self._entries) < self._depth:
            self._entries.append((fault.code, fault.detail))
        else:
            self._entries[-1] = (-350, "")

    def next(self) -> tuple[int, str]:
        """Take the oldest entry out: its code and the device's own words. (0, "") when there is none."""
        return self._entries.popleft() if self._entries else (0, "")

    def clear(self) -> None:
        """Forget every entry."""
        self._entries.clear()
