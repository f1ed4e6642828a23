"""How one kind of instrument has to be addressed."""

from __future__ import annotations

from dataclasses import dataclass

from wavewright.instruments.error_queue import ENTRY_PATTERN


@dataclass(frozen=True, slots=True)
class WireSettings:
    """How one kind of instrument has to be addressed; a profile's `quirks:` and `errors:`.

    Parameters
    ----------
    write_termination, read_termination : how a message ends. An answer without its terminator is one that was cut,
        unless the profile says that there is none (`""`), and the wire marks ends.
    timeout : s, for an answer that needs no measuring.
    recovery : s, for all that a failed exchange entails: getting back into step, asking again, asking why.
    connect_timeout : s, for opening the connection.
    pause : s, after each message.
    longest_message : bytes, terminator included; 0: no limit.
    identify : query for the identity; empty: it has none.
    clear_status : message that empties error queue and event registers; empty: there is none.
    event_query, power_on_bit : query for the event register, and its bit that power-on sets (IEEE 488.2-1992, 11.5.1);
        empty: there is none.
    error_query : query for the oldest entry; empty: it has no queue.
    error_sign, error_bits : query for the register in which an entry of the queue shows, and its bits that do (11.5.1);
        bits of 0: there is none, so the queue itself is asked.
    compound : several queries may go in one message.
    """

    write_termination: str = "\n"
    read_termination: str = "\n"
    encoding: str = "ascii"
    timeout: float = 2.0
    recovery: float = 2.0
    connect_timeout: float = 5.0
    pause: float = 0.0
    longest_message: int = 0
    identify: str = "*IDN?"
    clear_status: str = "*CLS"
    event_query: str = "*ESR?"
    power_on_bit: int = 128
    error_query: str = "SYSTem:ERRor?"
    error_pattern: str = ENTRY_PATTERN
    no_error: int = 0
    error_sign: str = "*ESR?"
    error_bits: int = 0
    compound: bool = False
