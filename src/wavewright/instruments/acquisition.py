"""Arm, wait, force, stop: one record, and how its end is learnt.

`*OPC?` (the answer itself is the wait), a query asked again and again, or a service request with the status byte polled
where the library has no events. Whatever happens, the trigger system is at rest afterwards.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from typing import TYPE_CHECKING

from wavewright.buses.search.patterns import Pattern
from wavewright.errors import BadAnswer, NoAnswer, NoTrigger, WireFault
from wavewright.instruments import scpi, waits
from wavewright.instruments.compound_query import QueryUnit
from wavewright.instruments.spent_time import TimePart

if TYPE_CHECKING:
    from wavewright.instruments.link import Link
    from wavewright.instruments.record_grammar import Acquire, ArmedSign, Poll, ServiceRequest

FIRST_PAUSE = 1e-3  # s; doubled from query to query, up to the profile's interval


class Acquisition:
    """The trigger system of one digitizer.

    Parameters
    ----------
    elapsed, pause : the clock, in s; passed in so that tests need not wait.
    """

    def __init__(
        self,
        link: Link,
        grammar: Acquire,
        *,
        elapsed: Callable[[], float] = time.monotonic,
        pause: Callable[[float], None] = waits.sleep,
    ) -> None:
        self._link, self._grammar = link, grammar
        self._elapsed, self._pause = elapsed, pause
        self._hears_requests = False

    def arm(self) -> None:
        """Start the wait for the trigger."""
        finished = self._grammar.finished
        if finished.service_request:
            self._send(finished.service_request.before)
            self._hears_requests = self._link.expect_requests()
            if self._hears_requests:
                self._send(finished.service_request.request)
        self._send(self._grammar.arm)
        if finished.poll:
            self._send(finished.poll.before)

    def confirm_rest(self) -> None:
        """See that it does not say that it waits for the trigger: it is not armed. Nothing where it says neither.

        Raises
        ------
        BadAnswer : it says so all the same, for as long as it may take to get ready: its word is worth nothing.
        """
        sign = self._grammar.armed
        if (answer := self._awaited(sign, is_waiting=False)) is not None:
            raise BadAnswer(
                f"`{sign.ask}` answers `{scpi.shorten(answer)}`, that it waits for the trigger, before it is armed",
                where=self._link.where,
                expected="another answer than that of an armed one",
                do="correct `acquire.armed` of its profile; the stimulus was not sent",
            )

    def confirm_armed(self) -> None:
        """See that it waits for the trigger, before what causes the trigger is sent. Nothing where it does not say.

        Raises
        ------
        BadAnswer : it does not say so within the profile's time, or its answers make no sense.
        NoAnswer, LinkLost
        """
        sign = self._grammar.armed
        if (answer := self._awaited(sign, is_waiting=True)) is not None:
            raise BadAnswer(
                f"armed, and after {sign.within:g} s `{sign.ask}` still answers `{scpi.shorten(answer)}`: it does not "
                "wait for the trigger",
                where=self._link.where,
                expected=_meaning(sign),
                do="the stimulus was not sent. See whether the signal has crossed the level before it, so that the "
                "record is not of the stimulus (one that is there before ends with `then_wait`); whether the digitizer "
                "takes longer to be armed (`acquire.armed.within` of its profile); or whether it says such a thing at "
                'all (else `armed: {ask: ""}`)',
            )

    def _awaited(self, sign: ArmedSign, *, is_waiting: bool) -> str | None:
        """Ask until it waits, or does not wait, for the trigger; the last answer, if it never does."""
        if not sign.ask:
            return None
        begin, interval = self._elapsed(), FIRST_PAUSE
        while True:
            answer, says_so = self._link.ask_as(partial(self._heard, sign), sign.ask)
            if says_so is is_waiting:
                return None
            if self._elapsed() - begin >= sign.within:
                return answer
            self._pause(interval)
            interval = min(2 * interval, max(sign.interval, FIRST_PAUSE))

    def _heard(self, sign: ArmedSign, answer: str) -> tuple[str, bool]:
        """The answer, and whether it says that the trigger is waited for."""
        self._noted(sign.ask, answer)
        if sign.pattern:
            return answer, Pattern(sign.pattern).search(answer) is not None
        mask = sign.mask or 0
        return answer, scpi.read_register(answer) & mask == (mask if sign.equals is None else sign.equals)

    def wait(self, timeout: float) -> None:
        """Until the record is complete.

        Parameters
        ----------
        timeout : s, for trigger and record together.

        Raises
        ------
        NoTrigger : it did not come; the trigger system is still waiting, `stop` ends that.
        """
        with self._link.times.on(TimePart.TRIGGER):
            self._wait(timeout)

    def _wait(self, timeout: float) -> None:
        finished = self._grammar.finished
        if finished.poll:
            self._poll(finished.poll, timeout)
        elif finished.service_request:
            try:
                self._await_request(finished.service_request, timeout)
            finally:
                self._send(finished.service_request.after)
        else:
            try:
                self._link.ask(finished.ask, timeout=timeout)
            except NoAnswer as silence:
                raise self._no_trigger(timeout) from silence

    @property
    def ends(self) -> tuple[QueryUnit, ...]:
        """The query whose answer is the wait, for a message that goes on with others; none where it is another way."""
        ask = self._grammar.finished.ask
        return (QueryUnit(ask, str),) if ask else ()

    def force(self) -> None:
        """Stand in for the trigger, where the profile says how."""
        self._send(self._grammar.force)

    @property
    def can_force(self) -> bool:
        """Whether the profile says how."""
        return bool(self._grammar.force)

    def stop(self) -> None:
        """End it, whatever it is doing."""
        self._send(self._grammar.stop)

    def stop_after_fault(self) -> None:
        """As `stop`; a fault of its own says nothing new, and must not take the place of the first."""
        with suppress(WireFault):
            self.stop()

    def _poll(self, poll: Poll, timeout: float) -> None:
        begin, interval = self._elapsed(), FIRST_PAUSE
        while not _is_over(poll, self._noted(poll.ask, self._link.ask(poll.ask, repeatable=True))):
            if self._elapsed() - begin >= timeout:
                raise self._no_trigger(timeout)
            self._pause(interval)
            interval = min(2 * interval, max(poll.interval, FIRST_PAUSE))

    def _noted(self, query: str, answer: str) -> str:
        """The answer; one that clears a register of status as it is read must not be lost."""
        self._link.status.note(query, answer)
        return answer

    def _await_request(self, request: ServiceRequest, timeout: float) -> None:
        """A request may have another reason: the status byte decides. The serial poll also takes the request back."""
        begin, interval = self._elapsed(), FIRST_PAUSE
        while True:
            left = timeout - (self._elapsed() - begin)
            if self._hears_requests and left > 0:
                try:
                    self._link.wait_for_request(left)
                except NoAnswer as silence:
                    self._link.check_alive()  # else silence has another reason than the trigger
                    raise self._no_trigger(timeout) from silence
            if self._link.status_byte() & request.mask:
                return
            if left <= 0:
                raise self._no_trigger(timeout)
            self._pause(interval)
            interval = min(2 * interval, max(request.interval, FIRST_PAUSE))

    def _no_trigger(self, timeout: float) -> NoTrigger:
        return NoTrigger(
            f"no trigger within {timeout:g} s",
            where=self._link.where,
            do="check that the signal crosses the level, or use `mode: auto`",
        )

    def _send(self, messages: tuple[str, ...]) -> None:
        for message in messages:
            self._link.write(message)


def _is_over(poll: Poll, answer: str) -> bool:
    if poll.pattern:
        return Pattern(poll.pattern).search(answer) is not None
    mask = 0xFFFF if poll.mask is None else poll.mask
    return scpi.read_register(answer) & mask == poll.equals


def _meaning(sign: ArmedSign) -> str:
    if sign.pattern:
        return f"an answer that matches `{sign.pattern}`"
    return f"a number whose bits {sign.mask} are {sign.mask if sign.equals is None else sign.equals}"
