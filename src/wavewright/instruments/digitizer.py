"""The role `digitizer`: set, arm, wait, fetch; raw codes with the scale that the instrument really used."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from typing import TYPE_CHECKING, ClassVar

from wavewright.errors import BadAnswer, Misuse, NoAnswer, NoTrigger
from wavewright.instruments import waits
from wavewright.instruments.acquisition import Acquisition
from wavewright.instruments.corrections import AppliedCorrections, InstrumentCorrections
from wavewright.instruments.digitizer_setup import (
    at_the_tip,
    changed_assignments,
    digitizer_assignments,
    expected_timebase,
    trial_settings,
)
from wavewright.instruments.instrument import Instrument, Settings
from wavewright.instruments.profile import Assignment, Profile
from wavewright.instruments.record_reader import RecordReader
from wavewright.instruments.repeated_records import RepeatedRecords
from wavewright.instruments.settings_in_use import SettingsInUse
from wavewright.instruments.spent_time import TimePart
from wavewright.instruments.vocabulary import Role
from wavewright.waveform import Capture, Waveform

if TYPE_CHECKING:
    from wavewright.instruments.link import Link
    from wavewright.instruments.setups import DigitizerSetup


class Digitizer(Instrument):
    """A digitizer, from its known state to the capture.

    Parameters
    ----------
    now : UTC, for the time of a capture.
    elapsed, pause : the clock for polling, in s.

    `corrections` : those of this instrument, applied to every record that is fetched; none at first.
    `is_on_trial` : the last settings were those of `take_trial`, which are not all read back.
    `repeated` : the channels of which the last shot brought the same record as the acquisition before it.
    """

    role: ClassVar[Role] = Role.DIGITIZER
    often_rounded: ClassVar[tuple[str, ...]] = (
        "input.range",
        "input.offset",
        "timebase.interval",
        "timebase.rate",
        "timebase.span",
    )

    def __init__(
        self,
        link: Link,
        profile: Profile,
        *,
        ceilings: Mapping[str, float] | None = None,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        elapsed: Callable[[], float] = time.monotonic,
        pause: Callable[[float], None] = waits.sleep,
    ) -> None:
        super().__init__(link, profile, ceilings=ceilings)
        self._acquisition = Acquisition(link, profile.grammar.acquire, elapsed=elapsed, pause=pause)
        self._now = now
        self._in_use: SettingsInUse | None = None
        self._asked: tuple[Assignment, ...] = ()
        self._records, self._repeats = RecordReader(link, profile), RepeatedRecords()
        self.corrections = InstrumentCorrections()
        self.is_on_trial = self._has_rested = False
        self.repeated: tuple[str, ...] = ()

    @classmethod
    def known_state_messages(cls, profile: Profile) -> tuple[str, ...]:
        """What `reset` sends: reset and preparation, and the form of the samples."""
        waveform = profile.grammar.waveform
        form = waveform.formats[waveform.format]
        return (*super().known_state_messages(profile), *waveform.prepare, *form.prepare)

    def reset(self) -> None:
        """Known state, the trigger system at rest, samples in the profile's form."""
        super().reset()
        self._in_use, self._asked = None, ()
        self._records.format = self.profile.grammar.waveform.format

    def configure(self, setup: DigitizerSetup, *, only_changed: bool = False) -> Settings:
        """Set inputs, time base and trigger, and read back what the instrument makes of it.

        Parameters
        ----------
        only_changed : send no group of settings (an input, the time base, the trigger) that is as it was set last;
            all of them are read back in any case.

        Returns
        -------
        By name (`input1.range`, `timebase.interval`, …), volts at the probe tip.

        Raises
        ------
        Misuse, BenchFault, Complaint, NoAnswer, BadAnswer, LinkLost
        """
        sent = self._send_settings(setup, only_changed=only_changed)
        expected = expected_timebase(setup.timebase)
        named = {one.name for one in self._asked if self.profile.can_ask(one.setting)}
        rest = [Assignment(name, value) for name, value in expected.items() if name not in named]
        group = [*sent, *(one for one in self._asked if one not in sent), *rest]
        used = self.read_back(group, doing="setting inputs, time base and trigger", sets_up=True)
        self._known = {one.name: replace(one, value=used[one.name]) for one in group if one.name in used}
        self._in_use = SettingsInUse(setup, self._asked, used)
        return at_the_tip(used, setup)

    def take_trial(self, setup: DigitizerSetup) -> Capture:
        """One record with settings that are still being looked for; `configure` comes once they are found.

        What has changed is sent, and what scale and time axis need of it is read back: while the record is taken, in
        the message that waits for its end, where the instrument takes several queries in one. Errors are asked for with
        that; those of the record itself show with the next set-up.

        Raises
        ------
        Misuse, BenchFault, Complaint, NoTrigger, NoAnswer, BadAnswer, LinkLost
        """
        before: Settings = {} if self._in_use is None else self._in_use.read_back
        sent = self._send_settings(setup, only_changed=True)
        needed = trial_settings(self.profile)
        asked = {one.name for one in sent}
        used = {
            one.name: before[one.name]
            for one in self._asked
            if one.setting in needed and one.name in before and one.name not in asked
        }
        group = [one for one in sent if one.setting in needed]
        self.is_on_trial = True
        read_back = partial(self.read_back, group, doing="setting up a trial record", sets_up=True)
        is_one = self.link.takes_several and self.profile.grammar.quirks.repeats_queries
        ends = self._acquisition.ends if is_one else ()
        if ends:
            self._acquisition.arm()
            try:
                with self.link.times.on(TimePart.TRIGGER):
                    used |= read_back(first=ends, timeout=max(setup.trigger.timeout, self.link.manners.timeout))
            except NoAnswer:  # the long way tells why
                self._acquisition.stop_after_fault()
            except BaseException:
                self._acquisition.stop_after_fault()
                raise
            else:
                self._in_use = SettingsInUse(setup, self._asked, used)
                return self._fetched()
        used |= read_back()
        self._in_use = SettingsInUse(setup, self._asked, used)
        self.arm()
        return self._taken()

    def _send_settings(self, setup: DigitizerSetup, *, only_changed: bool) -> tuple[Assignment, ...]:
        """Send what a setup means, or what of it has changed; until it is read back there is none."""
        before = self._asked if only_changed and self._in_use is not None else ()
        self._in_use, self.is_on_trial, self._has_rested = None, False, False
        self._known = {}
        self._records.begin()
        self._asked = digitizer_assignments(setup, self.profile)
        sent = changed_assignments(before, self._asked)
        self._assign(list(sent))
        return sent

    @property
    def settings(self) -> Settings:
        """As read back by `configure`, volts at the probe tip."""
        used = self._ready()
        return at_the_tip(used.read_back, used.setup)

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels of the setup, by name."""
        return tuple(self._ready().setup.inputs)

    def applied(self, channel: str) -> AppliedCorrections:
        """The corrections that hold for a channel of the setup as it was read back.

        Raises
        ------
        Misuse : the digitizer is not set up.
        """
        used = self._ready()
        one = used.setup.inputs[channel]
        low, high = (one.attenuation * end for end in used.range_of(one))
        return self.corrections.applied(replace(one, range=high - low, offset=(high + low) / 2))

    @property
    def asked(self) -> tuple[Assignment, ...]:
        """What `configure` sent, at the instrument's connector."""
        return self._asked

    def choose_format(self, name: str) -> None:
        """Have the samples come in another of the profile's forms.

        Raises
        ------
        Misuse : the profile has no such form.
        """
        formats = self.profile.grammar.waveform.formats
        if name not in formats:
            raise Misuse(f"no sample format `{name}`", expected=f"one of {', '.join(formats)}")
        for message in formats[name].prepare:
            self.link.write(message)
        self.check_errors(f"choosing the sample format {name}")
        self._records.format = name

    def arm(self) -> None:
        """Start the wait for the trigger. What makes it come is sent after this."""
        self._ready()
        self._acquisition.arm()

    def arm_for_stimulus(self, pause: Callable[[float], None]) -> None:
        """As `arm`; afterwards the part of the record before the trigger is taken, and the trigger is waited for.

        Whether it is, is asked where the profile says how. That it is not beforehand is asked before the first shot
        with these settings: an instrument that says so always, says nothing.

        Parameters
        ----------
        pause : waits for this many s.

        Raises
        ------
        BadAnswer : it does not wait for the trigger, or says that it does when it cannot; it is at rest.
        NoAnswer, LinkLost
        """
        if not self._has_rested:
            self._acquisition.confirm_rest()
            self._has_rested = True
        self.arm()
        try:
            if self.before_trigger:  # a trigger that comes while that is recorded is not heeded
                pause(self.before_trigger)
            self._acquisition.confirm_armed()
        except BaseException:
            self._acquisition.stop_after_fault()
            raise

    def confirm_armed(self) -> None:
        """See that it waits for the trigger, where the profile says how; errors as above."""
        self._acquisition.confirm_armed()

    def complete(self, *, timeout: float | None = None) -> Capture:
        """Wait for the armed shot to end, and fetch it; without a trigger in `auto` mode it is forced.

        Parameters
        ----------
        timeout : s, for trigger and record together; the setup's if None.

        Raises
        ------
        NoTrigger : `normal` mode, and it never came; the trigger system is at rest.
        Complaint, BadAnswer, NoAnswer, LinkLost
        """
        capture = self._taken(timeout)
        # last: a restart may come while the record is read
        if not self.profile.grammar.waveform.scale.tells_all and self.link.takes_several:
            self.check_unchanged("taking a record", only=trial_settings(self.profile), signs=self.link.status.units)
        else:
            self.link.status.check("taking a record")
        return capture

    def acquire(self, *, timeout: float | None = None) -> Capture:
        """One shot: arm, wait, fetch."""
        self.arm()
        return self.complete(timeout=timeout)

    @property
    def before_trigger(self) -> float:
        """s; so long an armed digitizer records before it heeds a trigger, as read back."""
        return max(0.0, -self._ready().start)

    def stop(self) -> None:
        """End whatever the trigger system is doing."""
        self._acquisition.stop()

    def fetch(self, *, triggered: bool = True) -> Capture:
        """The record as it lies in the instrument; can be fetched again.

        Parameters
        ----------
        triggered : False if it was forced.

        Raises
        ------
        BadAnswer : fewer or more samples than the instrument said it takes, or a scale that makes no sense.
        NoAnswer, LinkLost
        """
        used = self._ready()
        setup = used.setup
        told = {name: self._records.read(name, one, used) for name, one in setup.inputs.items()}
        lengths = {len(wave) for wave in told.values()}
        if len(lengths) > 1:
            raise BadAnswer(f"records of different lengths: {sorted(lengths)}", where=self.link.where)
        if triggered and setup.trigger.mode == "auto" and setup.trigger.on:  # its level is in volts as it tells them
            triggered = crosses_at_the_trigger(told[setup.trigger.on], setup.trigger.level)
        return Capture(
            {name: self.applied(name).corrected(wave) for name, wave in told.items()},
            triggered=triggered,
            settings=self.settings,
            identity=self.identity,
            taken=self._now(),
        )

    def own_value(self, metric: str, channel: str) -> float:
        """The instrument's own value of a metric of a channel, in SI units at the probe tip, for comparison only.

        Raises
        ------
        Misuse : the profile does not say how to ask, or there is no such channel.
        NotMeasurable : the instrument has none.
        Complaint, BadAnswer, NoAnswer, LinkLost
        """
        from wavewright.instruments.built_in_measurement import ask_built_in_measurement

        if channel not in self.channels:
            raise Misuse(f"no channel `{channel}`", expected=f"one of {', '.join(self.channels)}")
        one = self._ready().setup.inputs[channel]
        return ask_built_in_measurement(self, metric, input=one.input, attenuation=one.attenuation)

    def _as_told(self, settings: Settings) -> Settings:
        return settings if self._in_use is None else at_the_tip(settings, self._in_use.setup)

    def _ready(self) -> SettingsInUse:
        if self._in_use is None:
            raise Misuse(f"{self.link.name} is not set up", do="call `configure` first")
        return self._in_use

    def _taken(self, timeout: float | None = None) -> Capture:
        """The record of the armed shot; whether there were errors is not asked unless it does not come."""
        trigger, forced = self._ready().setup.trigger, False
        try:
            self._acquisition.wait(trigger.timeout if timeout is None else timeout)
        except NoTrigger as fault:
            if trigger.mode == "normal":
                self._acquisition.stop()
                raise
            if not self._acquisition.can_force:
                self._acquisition.stop()
                raise self._no_record(f"{fault.what}, and its profile says nothing of forcing one") from None
            self._force()
            forced = True
        except BaseException:
            self._acquisition.stop_after_fault()
            raise
        return self._fetched(triggered=not forced)

    def _fetched(self, *, triggered: bool = True) -> Capture:
        try:
            capture = self.fetch(triggered=triggered)
        except (BadAnswer, NoAnswer):
            self.link.status.check("taking a record")  # then that is why
            raise
        self.repeated = self._repeats.seen(capture.waveforms, self._ready().setup.inputs)
        return capture

    def _force(self) -> None:
        try:
            self._acquisition.force()
            self._acquisition.wait(self._records.patience + self._ready().span)
        except NoTrigger:
            self._acquisition.stop_after_fault()
            raise self._no_record("no record after a forced trigger") from None
        except BaseException:
            self._acquisition.stop_after_fault()
            raise

    def _no_record(self, what: str) -> NoTrigger:
        return NoTrigger(
            what,
            where=self.link.where,
            expected="a record without a trigger, since `mode` is `auto`",
            do="correct `acquire` of its profile: how a trigger is forced, and how the end of a record is found",
        )


def crosses_at_the_trigger(wave: Waveform, level: float, *, within: int = 4) -> bool:
    """Whether the record passes the level at time 0, within this many samples and two codes: else it was forced.

    An instrument with an automatic trigger does not say which of the two it was. A trigger outside the record counts
    as real, since nothing is known.
    """
    index = math.floor(-wave.start / wave.interval)
    first, last = max(index - within, 0), min(index + within + 1, len(wave))
    if last - first < 2 or not math.isfinite(level):
        return True
    part = wave.values(first, last)
    slack = 2 * abs(wave.gain)
    return bool(part.min() - slack <= level <= part.max() + slack)
