"""The simulated DC supply: voltage, current limit, protection, and what it measures of itself."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar, Protocol

import numpy as np
from pydantic import Field

from wavewright.errors import Misuse
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.quantity_fields import Seconds, Share
from wavewright.simulation.circuit.power import FeedNode
from wavewright.simulation.circuit.surroundings import Feed
from wavewright.simulation.devices.roles import InstrumentContext, SimulatedInstrumentEntry, role
from wavewright.simulation.scpi.error_queue import ScpiError
from wavewright.simulation.scpi.instrument import Command, ReceivedHeader, SimulatedInstrument
from wavewright.simulation.scpi.parameter_types import number_text, only
from wavewright.simulation.scpi.status import Questionable


class SupplyDetails(GrammarModel):
    """What a simulated supply is built like."""

    reading_noise: Share = Field(
        description="rms noise of its own readings, relative to the reading", examples=["0.01 %"]
    )
    standby_release: Seconds = Field(
        default=0.0,
        description="time after its output was switched until the fixture's own feed is let go",
        examples=["2.5 ms"],
    )


class SimulatedSupplyEntry(SimulatedInstrumentEntry):
    """A simulated supply."""

    details: SupplyDetails = Field(
        description="what the supply is built like", examples=[{"reading_noise": "0.01 %", "standby_release": "2.5 ms"}]
    )


class Terminal(Protocol):
    """What the supply's leads go to."""

    def final(self, feed: Feed) -> float:
        """The voltage at which it comes to rest, V."""

    def current(self, feed: Feed) -> float:
        """The current that it draws, A."""

    def is_limited(self, feed: Feed) -> bool:
        """Whether the current limit holds the voltage down."""


class OpenTerminal:
    """Leads that go nowhere: the board has a supply of its own."""

    def final(self, feed: Feed) -> float:
        """What is set."""
        return feed.voltage if feed.is_on else 0.0

    def current(self, feed: Feed) -> float:
        """None."""
        del feed
        return 0.0

    def is_limited(self, feed: Feed) -> bool:
        """Never."""
        del feed
        return False


@role("supply")
class SimulatedSupply(SimulatedInstrument):
    """Settings: voltage, current, voltage_protection, voltage_protection_on, current_protection, current_protection_on,
    output.
    """

    entry: ClassVar[type[SimulatedInstrumentEntry]] = SimulatedSupplyEntry

    def __init__(self, making: InstrumentContext[SupplyDetails]) -> None:
        super().__init__(making.identity, making.settings, making.bench.clock)
        feeds = [node for node in making.bench.board.nodes.values() if isinstance(node, FeedNode)]
        if len(feeds) > 1:
            raise Misuse(
                f"a board with {len(feeds)} nodes of kind `feed`", expected="one, which the supply is wired to"
            )
        self._terminal: Terminal = feeds[0] if feeds else OpenTerminal()
        self._feed = making.bench.surroundings.feed
        self._noise = making.details.reading_noise
        self._generator = np.random.default_rng([making.bench.draw, making.stream])
        self._tripped: set[str] = set()
        self._is_standby = True
        self._release_time = making.details.standby_release
        self._released: float | None = None  # the moment at which the standby feed is let go

    def actions(self) -> Mapping[str, Command]:
        """What a definition file can give headers to."""
        return {
            "measure_voltage": Command(ask=lambda call: self._read(call, self._voltage())),
            "measure_current": Command(ask=lambda call: self._read(call, self._current())),
            "voltage_tripped": Command(ask=lambda _: str(int("voltage" in self._tripped))),
            "current_tripped": Command(ask=lambda _: str(int("current" in self._tripped))),
            "clear_protection": Command(tell=self._clear_protection),
        }

    def _now(self) -> Feed:
        return self._feed.at(self.clock.now)

    def _voltage(self) -> float:
        feed = self._now()
        return self._terminal.final(feed) if feed.is_on and not feed.is_standby else 0.0

    def _current(self) -> float:
        return self._terminal.current(self._now())

    def _read(self, call: ReceivedHeader, value: float) -> str:
        only(call.elements, 0, 0)
        return number_text(value * (1 + self._noise * float(self._generator.standard_normal())))

    def _clear_protection(self, call: ReceivedHeader) -> None:
        only(call.elements, 0, 0)
        self._tripped.clear()

    def changed(self, key: str, number: int) -> None:
        """The terminals follow at once; the board after them takes its time."""
        del number
        settings = self.settings
        if key == "output":
            if settings["output"] and self._tripped:
                settings.put("output", False)
                raise ScpiError(-221, f"{' and '.join(sorted(self._tripped))} protection has tripped")
            self._is_standby = False
        self._protect()
        self._apply()

    def _protect(self) -> None:
        """Trip above a level that is set; the current protection also where the current limit takes over."""
        settings = self.settings
        wanted = Feed(settings.number("voltage"), settings.number("current"), bool(settings["output"]), False)
        if not wanted.is_on:
            return
        if settings["voltage_protection_on"] and self._terminal.final(wanted) > settings.number("voltage_protection"):
            self._tripped.add("voltage")
        is_too_much = self._terminal.current(wanted) > settings.number("current_protection")
        if settings["current_protection_on"] and (is_too_much or self._terminal.is_limited(wanted)):
            self._tripped.add("current")
        if self._tripped:
            settings.put("output", False)

    def _apply(self) -> None:
        settings = self.settings
        feed = Feed(settings.number("voltage"), settings.number("current"), bool(settings["output"]), self._is_standby)
        now = self.clock.now
        if feed.is_on or self._is_standby or not self._feed.at(now).is_standby:
            self._feed.become(now, feed if feed.is_on else Feed(is_standby=feed.is_standby))
            self._released = None
        else:
            # the change-over relay needs its time to let go of the standby feed; a `*RST` before then keeps it
            self._released = self._released or now + self._release_time
            self._feed.become(self._released, Feed(is_standby=False))

    def reset(self) -> None:
        """`*RST`: output off; the fixture's standby feed comes through until the output is switched the next time."""
        super().reset()
        self._tripped.clear()
        self._is_standby = True
        self._apply()

    def questionable_condition(self) -> int:
        """Voltage not regulated while in current limit; current not regulated otherwise †."""
        feed = self._now()
        if not feed.is_on or feed.is_standby:
            return 0
        return int(Questionable.VOLTAGE if self._terminal.is_limited(feed) else Questionable.CURRENT)
