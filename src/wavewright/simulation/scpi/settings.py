"""The settings of one instrument: what each is called on the wire, what it takes, what `*RST` makes of it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import SupportsFloat, cast

from wavewright.simulation.scpi.error_queue import ScpiError
from wavewright.simulation.scpi.headers import full_header
from wavewright.simulation.scpi.parameter_types import ParameterType, Value


@dataclass(frozen=True, slots=True)
class SimulatedSetting:
    """One setting. `count`: how many the instrument has of it, told apart by the number in the header."""

    key: str
    pattern: str
    kind: ParameterType
    reset: Value
    count: int = 1

    @property
    def is_numbered(self) -> bool:
        """True where each input or output has its own."""
        return self.count > 1 or "<n>" in self.pattern


class Settings:
    """The values that an instrument's settings have now."""

    def __init__(self, rows: Iterable[SimulatedSetting]) -> None:
        self.rows: Mapping[str, SimulatedSetting] = {row.key: row for row in rows}
        self._values: dict[tuple[str, int], Value] = {}
        self._stored: dict[int, dict[tuple[str, int], Value]] = {}
        self.reset()

    def __getitem__(self, key: str) -> Value:
        return self._values[key, 1]

    def of(self, key: str, number: int) -> Value:
        """The value of a setting that exists once for each input or output.

        Raises
        ------
        ScpiError : −114 where there is no such input or output.
        """
        try:
            return self._values[key, number]
        except KeyError:
            raise ScpiError(-114, f"{self.rows[key].pattern} with {number}") from None

    def put(self, key: str, value: Value, number: int = 1) -> None:
        """Set a value that has been checked."""
        if (key, number) not in self._values:
            raise ScpiError(-114, f"{self.rows[key].pattern} with {number}")
        self._values[key, number] = value

    def number(self, key: str, number: int = 1) -> float:
        """A setting that is a number."""
        return float(cast("SupportsFloat", self.of(key, number)))

    def __contains__(self, key: str) -> bool:
        return key in self.rows

    def reset(self) -> None:
        """What `*RST` does."""
        self._values = {
            (row.key, number): row.reset for row in self.rows.values() for number in range(1, row.count + 1)
        }

    def save(self, register: int) -> None:
        """`*SAV`: keep the values in a numbered register."""
        self._stored[register] = dict(self._values)

    def recall(self, register: int) -> None:
        """`*RCL`: take them back; −222 where nothing was kept."""
        if register not in self._stored:
            raise ScpiError(-222, f"nothing was saved in {register}")
        self._values = dict(self._stored[register])

    def messages(self) -> Iterator[str]:
        """Commands that bring another instrument of the kind to the same state: `*LRN?`."""
        for (key, number), value in self._values.items():
            row = self.rows[key]
            header = full_header(row.pattern, (number,) if row.is_numbered else ())
            yield f":{header} {row.kind.write(value)}"
