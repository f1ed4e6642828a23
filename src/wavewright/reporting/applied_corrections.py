"""What a report says of corrections: which were applied to the inputs of each measurement, as its shots keep it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from wavewright.errors import FileFault, StorageFault
from wavewright.quantities import show_quantity
from wavewright.running.input_accuracy import UNCERTAINTY
from wavewright.running.outcome import Outcome

UNITS: Mapping[str, str] = {"offset": "V", "gain": "1", "skew": "s", "timebase": "1"}
_CORRECTION = re.compile(r"input(?P<input>\d+)\.correction\.(?P<quantity>\w+)")


def applied_corrections(outcome: Outcome) -> Iterator[str]:
    """A sentence for each measurement and input that was corrected: `rail, input 1: gain 0.31 % ± 0.02 %`.

    What follows the ± is the standard uncertainty.
    """
    if outcome.corrections is None:
        return
    for label, shots in outcome.captures.items():
        try:
            settings = shots[0].settings if len(shots) else {}
        except (StorageFault, FileFault):
            yield f"{label}: not known, its captures cannot be read"
            continue
        by_input: dict[str, list[str]] = {}
        for name, value in sorted(settings.items(), key=lambda item: _place(item[0])):
            if (found := _CORRECTION.fullmatch(name)) and found["quantity"] in UNITS:
                unit, known = UNITS[found["quantity"]], float(settings[name + UNCERTAINTY])
                text = f"{found['quantity']} {show_quantity(float(value), unit, uncertainty=known)}"
                by_input.setdefault(found["input"], []).append(f"{text} ± {show_quantity(known, unit)}")
        yield from (f"{label}, input {number}: {', '.join(texts)}" for number, texts in sorted(by_input.items()))


def _place(name: str) -> int:
    """Where a correction stands among those of its input."""
    return list(UNITS).index(word) if (word := name.rpartition(".")[2]) in UNITS else len(UNITS)
