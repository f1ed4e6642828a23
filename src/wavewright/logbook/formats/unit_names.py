"""Units as table headings write them, such as `mV` or `µs`, to a power of ten and the unit itself."""

from __future__ import annotations

PREFIXES = {
    "": 0,
    "f": -15,
    "p": -12,
    "n": -9,
    "u": -6,
    "µ": -6,
    "μ": -6,
    "m": -3,
    "k": 3,
    "K": 3,
    "M": 6,
    "G": 9,
    "T": 12,
}
SPELLINGS = {
    **{unit: unit for unit in ("V", "A", "W", "s", "Hz", "ohm", "J", "C", "Wb", "F", "H", "T", "m", "g", "N", "Pa")},
    **{
        "\u03a9": "ohm",
        "\u2126": "ohm",
        "Ohm": "ohm",
        "OHM": "ohm",
        "S": "s",
        "sec": "s",
        "seconds": "s",
        "second": "s",
    },
    **{"volt": "V", "volts": "V", "Volt": "V", "Volts": "V", "ampere": "A", "amperes": "A", "Ampere": "A"},
    **{"HZ": "Hz", "hz": "Hz", "watt": "W", "Watt": "W"},
}
WITHOUT_PREFIX = {"%": (-2, "1"), "1": (0, "1"), "dB": (0, "dB"), "°C": (0, "°C"), "K": (0, "K")}


def read_unit(text: str) -> tuple[int, str] | None:
    """Power of ten and unit: `mV` is (-3, "V"); None where the word is not a unit that we know."""
    word = text.strip()
    if word in WITHOUT_PREFIX:
        return WITHOUT_PREFIX[word]
    if word in SPELLINGS:
        return 0, SPELLINGS[word]
    if word[:1] in PREFIXES and word[1:] in SPELLINGS and word[:1]:
        return PREFIXES[word[0]], SPELLINGS[word[1:]]
    return None
