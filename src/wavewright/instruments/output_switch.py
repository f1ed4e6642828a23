"""An output that can hurt somebody: switched off first, last and in between, and confirmed by asking.

Shared by supply and source. In doubt the output counts as on, and a person is told to look.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from wavewright.errors import BadAnswer, LinkLost, OutputMayBeOn, WireFault
from wavewright.instruments.instrument import Instrument

ATTEMPTS = 3


class OutputSwitch:
    """The output of one instrument."""

    def __init__(self, instrument: Instrument) -> None:
        self._instrument = instrument
        self._was_sent = False  # the message went out already, and waits to be confirmed

    def send_off(self) -> None:
        """Switch off without waiting for anything; `off` confirms it. Never raises."""
        instrument = self._instrument
        messages = instrument.profile.messages("output", False)
        self._was_sent = all(instrument.link.send_at_once(message) for message in messages)

    def off(self) -> None:
        """Switch off, and ask whether it is off; tried again after a fault, since off is never wrong.

        All of it ends within the time that the link has for what is urgent.

        Raises
        ------
        OutputMayBeOn : the instrument could not be made to say that it is off.
        """
        instrument = self._instrument
        with instrument.link.urgent():
            last = self._tried_off()
        if last is None:
            return
        messages = "`, `".join(instrument.profile.messages("output", False))
        raise OutputMayBeOn(
            f"after `{messages}` the output could not be confirmed off: {last.what}",
            where=instrument.link.where,
            expected="the answer that it is off",
            do="switch it off by hand, and measure, before touching the board",
        ) from last

    def _tried_off(self) -> WireFault | None:
        """Why it could not be confirmed; None where it was."""
        link, attempts = self._instrument.link, 0
        last: WireFault | None = None
        while True:
            try:
                if self._is_off_now():
                    return None
                last = BadAnswer("it says that its output is still on", where=link.where)
            except WireFault as fault:
                last = fault if last is None or not link.time_is_up else last  # that time is up says nothing of why
            attempts += 1
            if link.time_is_up or (attempts >= ATTEMPTS and not isinstance(last, LinkLost)):
                return last
            if isinstance(last, LinkLost):
                link.try_again()

    def _is_off_now(self) -> bool:
        instrument = self._instrument
        was_sent, self._was_sent = self._was_sent, False
        if not was_sent:
            instrument.set("output", False)
        if instrument.get("output"):
            return False
        instrument.link.check_in_step()  # "off" was the answer to this question, not to an earlier one
        return True

    def confirm_off(self) -> None:
        """Ask whether it is off, and switch off if it does not say so; nothing is switched where it is off already.

        Raises
        ------
        OutputMayBeOn : as `off`.
        """
        try:
            is_on = bool(self._instrument.get("output"))
        except WireFault:
            is_on = True
        if is_on:
            self.off()

    def on(self) -> None:
        """Switch on, and ask whether it is on.

        Raises
        ------
        WireFault : it does not say so. The output is then off, or OutputMayBeOn says that it may not be.
        """
        instrument = self._instrument
        try:
            instrument.set("output", True)
            instrument.check_errors("switching the output on")
            if not instrument.get("output"):
                raise BadAnswer(
                    "it was switched on and says that its output is off",
                    where=instrument.link.where,
                    do="look whether a protection has tripped",
                )
        except BaseException:
            self.off()
            raise

    @contextmanager
    def held_on(self) -> Iterator[None]:
        """On inside the block; off, and confirmed off, after it, whatever happened in it."""
        try:
            self.on()
            yield
        finally:
            self.off()
