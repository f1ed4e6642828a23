"""The symbols of units: how each can be written, prefixes and all, and what it is an amount of.

A unit is named by its symbol. Some that are not SI symbols:

| unit | meaning | written as |
|---|---|---|
| `1` | ratio | `40 %`, `50 ppm`, `0.4` |
| `x` | factor of a probe | `10x` |
| `count`, or empty | a number of things | `20`, `80k` |
| `number` | a plain number, not in per cent | `1.414` |
| `Bd` | baud rate | `19200`, `19.2 kBd` |
| `bit/s` | bit rate | `500000`, `500 kbit/s`, `500 kBd` |
| `degC` | a temperature; a difference of two, as in `± 5 K`, is in K or degC | `25 degC` |
| `dB`, `deg`, … | take no prefix | `3 dB` |
"""

from __future__ import annotations

import math
import re

PREFIXES = {"": 0, "m": -3, "u": -6, "k": 3, "M": 6, "n": -9, "p": -12, "f": -15, "G": 9, "T": 12}  # common ones first
MICRO_SIGNS = ("\N{MICRO SIGN}", "\N{GREEK SMALL LETTER MU}")
DEGREE_SIGNS = ("\N{DEGREE SIGN}C", "\N{DEGREE CELSIUS}")
OHM_SIGNS = ("\N{GREEK CAPITAL LETTER OMEGA}", "\N{OHM SIGN}")
PLAIN_UNITS = frozenset({"", "count", "number"})
WITHOUT_PREFIX = frozenset({"x", "%", "ppm", "pp", "deg", "degC", "dB", "dBc", "dBc/Hz", "dBV", "dBu", "dBm", "dBFS"})
MAY_BE_BARE = frozenset({"Bd", "bit/s"})  # everybody in the trade says 19200
ONE_BIT_PER_SYMBOL = {"Bd": ("Bd", "bit/s"), "bit/s": ("bit/s", "Bd")}  # a line with two levels: either may be written
RATIO_UNITS = {"%": 100.0, "ppm": 1e6}  # this many make 1
# By unit: what it is an amount of, and a quantity of usual size.
EXAMPLES = {
    "V": ("a voltage", "24 V"), "A": ("a current", "1.5 A"), "s": ("a time", "500 us"),
    "Hz": ("a frequency", "25 MHz"), "ohm": ("a resistance", "2.2 kohm"), "F": ("a capacitance", "12 pF"),
    "H": ("an inductance", "10 uH"), "W": ("a power", "5 W"), "J": ("an energy", "2 mJ"), "1": ("a ratio", "40 %"),
    "x": ("a factor", "10x"), "": ("a number", "80k"), "count": ("a number", "20"), "number": ("a number", "1.5"),
    "Bd": ("a baud rate", "19.2 kBd"), "bit/s": ("a bit rate", "500 kbit/s"),
    "dB": ("a level", "3 dB"), "deg": ("an angle", "90 deg"), "degC": ("a temperature", "25 degC"),
    "K": ("a difference of temperatures", "5 K"),
}  # fmt: skip

_FIRST_FACTOR = re.compile(r"([^\W\d_]++)(?!\^)")


def takes_prefix(unit: str) -> bool:
    """Whether a prefix before the unit multiplies it as a whole: `mV s` is 1e-3 V s, but `mV^2` is 1e-6 V^2.

    A prefix and its unit form one symbol, which is raised to a power as one (SI Brochure †).
    """
    first = _FIRST_FACTOR.match(unit)  # a unit that has prefixes, to the power 1
    return first is not None and first.group(1) not in WITHOUT_PREFIX and unit not in PLAIN_UNITS


def spellings(unit: str) -> dict[str, str]:
    """Every way to write a unit, with the prefix in each; the common ones first."""
    if unit == "1":
        return {**dict.fromkeys(RATIO_UNITS, ""), "": ""}
    signs = {"ohm": OHM_SIGNS, "degC": DEGREE_SIGNS}
    symbols = (unit, *signs[unit]) if unit in signs else ONE_BIT_PER_SYMBOL.get(unit, (unit,))
    symbols = ("",) if unit in PLAIN_UNITS else symbols
    least = 0 if unit in PLAIN_UNITS else -math.inf
    prefixes = [p for p in PREFIXES if PREFIXES[p] >= least] if unit in PLAIN_UNITS or takes_prefix(unit) else [""]
    found = {prefix + symbol: prefix for symbol in symbols for prefix in prefixes}
    if unit in MAY_BE_BARE:
        found[""] = ""
    if "u" in prefixes:
        found |= {sign + symbol: "u" for symbol in symbols for sign in MICRO_SIGNS}
    return found
