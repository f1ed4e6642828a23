"""An output that can hurt somebody: switched off first, last and in between, and confirmed by asking.

Shared by supply and source. It is off when it says so and, where the profile can ask for the voltage at the terminals,
when that has gone: a switch can stick, and capacitors on the board keep their charge. In doubt the output counts as
on, and a person is asked to look. What is measured is the output's own terminals: charge beyond a diode or a converter
does not show there, so a board is measured before it is touched, whatever is here.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress

from wavewright.errors import BadAnswer, LinkLost, OutputMayBeOn, WireFault
from wavewright.instruments import waits
from wavewright.instruments.instrument import Instrument
from wavewright.instruments.profile import Assignment
from wavewright.quantities import show_quantity

ATTEMPTS = 3
LOOK_AGAIN = 0.05  # s, between two looks at terminals that discharge
_TERMINALS = "measured.voltage"
_SHOWS_ITSELF = ("output", "protection.voltage_tripped", "protection.current_tripped")  # settings
_ON, _OFF = Assignment("output", True), Assignment("output", False)


class OutputSwitch:
    """The output of one instrument.

    Parameters
    ----------
    elapsed, pause : the clock for the wait until the terminals have discharged, in s.
    """

    def __init__(
        self,
        instrument: Instrument,
        *,
        elapsed: Callable[[], float] = time.monotonic,
        pause: Callable[[float], None] = waits.sleep,
    ) -> None:
        self._instrument, self._elapsed, self._pause = instrument, elapsed, pause
        self._was_sent = False  # the message went out already, and waits to be confirmed
        self._is_known_off = False  # confirmed, and nothing that could switch it on was sent since

    def send_off(self) -> None:
        """Switch off without waiting for anything; `off` confirms it. Never raises."""
        instrument = self._instrument
        messages = instrument.profile.messages("output", False)
        instrument.note_output(None)
        self._was_sent = all(instrument.link.send_at_once(message) for message in messages)

    def off(self, *, discharged: bool = True) -> None:
        """Switch off, and ask whether it is off; tried again after a fault, since off is never wrong.

        All of it ends within the time that the link has for what is urgent, and the time that the profile gives the
        terminals to discharge.

        Parameters
        ----------
        discharged : see that the voltage at the terminals has gone as well, where the profile can ask for it; False in
            front of settings that go on at once.

        Raises
        ------
        OutputMayBeOn : the instrument could not be made to say that it is off, or voltage stays at its terminals.
        """
        self._instrument.note_output(None)
        self._is_known_off = False
        with self._instrument.link.urgent():
            found = self._tried_off(measures=discharged)
        if isinstance(found, WireFault):
            raise self._unconfirmed(found) from found
        self._await_discharge(found)
        self._note_off()

    @property
    def is_known_off(self) -> bool:
        """Whether it was confirmed off, and has been sent nothing since that could switch it on."""
        return self._is_known_off

    def _unconfirmed(self, fault: WireFault) -> OutputMayBeOn:
        messages = "`, `".join(self._instrument.profile.messages("output", False))
        return OutputMayBeOn(
            f"after `{messages}` the output could not be confirmed off: {fault.what}",
            where=self._instrument.link.where,
            expected="the answer that it is off",
            do="switch it off by hand, and measure, before touching the board",
        )

    def _tried_off(self, *, measures: bool) -> float | WireFault:
        """The voltage that is at its terminals once it says that it is off, 0 V unless it `measures` that; or why
        it could not be confirmed off.
        """
        link, attempts = self._instrument.link, 0
        last: WireFault | None = None
        while True:
            try:
                volts = self._off_now(measures=measures)
                if volts is not None:
                    return volts
                last = BadAnswer("it says that its output is still on", where=link.where)
            except WireFault as fault:
                last = fault if last is None or not link.time_is_up else last  # that time is up says nothing of why
            attempts += 1
            if link.time_is_up or (attempts >= ATTEMPTS and not isinstance(last, LinkLost)):
                return last
            if isinstance(last, LinkLost):
                link.try_again()

    def _off_now(self, *, measures: bool) -> float | None:
        """Switched off, and asked; None if it says that it is on, else what it measures at its terminals, V.

        The identity ends the answers: "off" was the answer to this query, not to an earlier one.
        """
        instrument, link = self._instrument, self._instrument.link
        was_sent, self._was_sent = self._was_sent, False
        if not was_sent:
            instrument.set("output", False)
        if link.takes_several:
            state = self.state if measures else ("output",)
            return volts_if_off(instrument.get_together(state, after=link.identity_units))
        if instrument.get("output"):  # its voltage is of use only where it says that it is off
            return None
        link.check_in_step()
        return self._at_the_terminals() if measures else 0.0

    @property
    def state(self) -> tuple[str, ...]:
        """What is asked in one message: whether it is on, on both sides of the voltage at its terminals.

        So "on" is taken for "off" in no order of the answers: one of the two is where it belongs.
        """
        has_terminals = self._instrument.profile.can_ask(_TERMINALS)
        return ("output", _TERMINALS, "output") if has_terminals else ("output",)

    def _at_the_terminals(self) -> float:
        """V; 0 where the profile cannot ask for it."""
        instrument = self._instrument
        return float(instrument.get_finite(_TERMINALS)) if instrument.profile.can_ask(_TERMINALS) else 0.0

    def _await_discharge(self, volts: float) -> None:
        """Wait until the terminals are below the profile's level; `volts` is what was measured there first.

        Raises
        ------
        OutputMayBeOn : they are not within the profile's time.
        """
        instrument, begin = self._instrument, self._elapsed()
        border = instrument.profile.grammar.discharged
        while abs(volts) >= border.below:
            if self._elapsed() - begin >= border.within:
                raise OutputMayBeOn(
                    f"it says that its output is off, and {show_quantity(volts, 'V')} are at its terminals after "
                    f"{show_quantity(border.within, 's')}",
                    where=instrument.link.where,
                    expected=f"less than {show_quantity(border.below, 'V')}",
                    do="switch it off by hand, let the board discharge (capacitors can hold their charge for minutes), "
                    "and measure, before touching the board",
                )
            self._pause(LOOK_AGAIN)
            try:
                with instrument.link.urgent():
                    volts = self._at_the_terminals()
            except WireFault as fault:
                raise self._unconfirmed(fault) from fault

    def confirm_off(self, answers: Sequence[float | str | bool] | None = None) -> None:
        """Ask whether it is off, and switch off if it does not say so; nothing is switched where it is off already.

        Parameters
        ----------
        answers : those to `state`, where they have come already.

        Raises
        ------
        OutputMayBeOn : as `off`.
        """
        volts: float | None = None
        with suppress(WireFault):
            if answers is None:
                answers = [self._instrument.get("output")]
                volts = None if answers[0] else self._at_the_terminals()
            else:
                volts = volts_if_off(answers)
        if volts is None:
            self.off()
        else:
            self._await_discharge(volts)
            self._note_off()

    def _note_off(self) -> None:
        """It is confirmed; that it has stayed so is seen after the last shot, like every other setting."""
        self._is_known_off = True
        self._instrument.note_output(_OFF)

    def on(self) -> None:
        """Switch on, and ask whether it is on.

        Raises
        ------
        WireFault : it does not say so. The output is then off, or OutputMayBeOn says that it may not be.
        """
        instrument, self._is_known_off = self._instrument, False
        try:
            instrument.set("output", True)
            used = instrument.read_back([_ON], doing="switching the output on")
            if not used.get("output", True):
                raise BadAnswer(
                    "it was switched on and says that its output is off",
                    where=instrument.link.where,
                    do="check whether a protection has tripped",
                )
            instrument.note_output(_ON)
        except BaseException:
            self.off()
            raise

    def check_unchanged(self, doing: str) -> None:
        """See that it is as it was switched last; of a supply also that no protection has tripped that was set.

        One message where the instrument takes several queries in it, with its event register.

        Raises
        ------
        SetOtherwise, Complaint, BadAnswer, NoAnswer, LinkLost
        """
        link = self._instrument.link
        signs = link.status.units if link.takes_several else ()
        self._instrument.check_unchanged(doing, only=_SHOWS_ITSELF, signs=signs)

    @contextmanager
    def held_on(self) -> Iterator[None]:
        """On inside the block; off, and confirmed off, after it, whatever happened in it."""
        try:
            self.on()
            yield
        finally:
            self.off()


def volts_if_off(answers: Sequence[float | str | bool]) -> float | None:
    """From the answers to `OutputSwitch.state`, V; None where any says that it is on."""
    if answers[0] or answers[-1]:
        return None
    return float(answers[1]) if len(answers) > 1 else 0.0
