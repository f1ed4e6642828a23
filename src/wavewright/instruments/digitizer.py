"""The role `digitizer`: set, arm, wait, fetch; raw codes with the scale that the instrument really used."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from wavewright.errors import BadAnswer, Misuse, NoAnswer, NoTrigger
from wavewright.instruments import waits
from wavewright.instruments.acquisition import Acquisition
from wavewright.instruments.corrections import AppliedCorrections, InstrumentCorrections
from wavewright.instruments.dif import dif_waveform
from wavewright.instruments.digitizer_setup import (
    at_the_tip,
    changed_assignments,
    digitizer_assignments,
    expected_timebase,
)
from wavewright.instruments.instrument import Instrument, Settings
from wavewright.instruments.profile import Assignment, Profile
from wavewright.instruments.samples import codes_of, sample_type
from wavewright.instruments.scaling import Axes, axes_from_settings, told_axes
from wavewright.instruments.setting import fill
from wavewright.instruments.vocabulary import Role
from wavewright.waveform import Capture, Codes, Waveform

if TYPE_CHECKING:
    from wavewright.instruments.block_reader import Bytes
    from wavewright.instruments.link import Link
    from wavewright.instruments.record_grammar import SampleFormat
    from wavewright.instruments.setups import DigitizerSetup, InputSetup


class Digitizer(Instrument):
    """A digitizer, from its known state to the capture.

    Parameters
    ----------
    now : UTC, for the time of a capture.
    elapsed, pause : the clock for polling, in s.

    `corrections` : those of this instrument, applied to every record that is fetched; none at first.
    """

    role: ClassVar[Role] = Role.DIGITIZER

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
        self._setup: DigitizerSetup | None = None
        self._used: dict[str, float | str | bool] = {}
        self._asked: tuple[Assignment, ...] = ()
        self._format = profile.grammar.waveform.format
        self.corrections = InstrumentCorrections()

    @classmethod
    def known_state_messages(cls, profile: Profile) -> tuple[str, ...]:
        """What `reset` sends: reset and preparation, and the form of the samples."""
        waveform = profile.grammar.waveform
        form = waveform.formats[waveform.format]
        return (*super().known_state_messages(profile), *waveform.prepare, *form.prepare)

    def reset(self) -> None:
        """Known state, the trigger system at rest, samples in the profile's form."""
        super().reset()
        self._setup, self._used, self._asked = None, {}, ()
        self._format = self.profile.grammar.waveform.format

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
        before = self._asked if only_changed and self._setup is not None else ()
        self._setup = None  # until all of it is set and read back there is none
        self._asked = digitizer_assignments(setup, self.profile)
        sent = changed_assignments(before, self._asked)
        used = dict(self.apply(sent, doing="setting inputs, time base and trigger"))
        used |= self.read_back(one for one in self._asked if one not in sent)
        expected = expected_timebase(setup.timebase)
        rest = [Assignment(name, value) for name, value in expected.items() if name not in used]
        used |= self.read_back(rest)
        self._used, self._setup = used, setup
        return at_the_tip(used, setup)

    @property
    def settings(self) -> Settings:
        """As read back by `configure`, volts at the probe tip."""
        return at_the_tip(self._used, self._ready())

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels of the setup, by name."""
        return tuple(self._ready().inputs)

    def applied(self, channel: str) -> AppliedCorrections:
        """The corrections that hold for a channel of the setup as it was read back.

        Raises
        ------
        Misuse : the digitizer is not set up.
        """
        one = self._ready().inputs[channel]
        low, high = (one.attenuation * end for end in self._range_of(one))
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
        self._format = name

    def arm(self) -> None:
        """Start the wait for the trigger. What makes it come is sent after this."""
        self._ready()
        self._acquisition.arm()

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
        setup = self._ready()
        forced = False
        try:
            self._acquisition.wait(setup.trigger.timeout if timeout is None else timeout)
        except NoTrigger:
            if setup.trigger.mode == "normal" or not self._acquisition.can_force:
                self._acquisition.stop()
                raise
            self._force()
            forced = True
        except BaseException:
            self._acquisition.stop_after_fault()
            raise
        self.check_errors("taking a record")
        try:
            capture = self.fetch(triggered=not forced)
        except (BadAnswer, NoAnswer):
            self.link.status.check_restart()  # then that is why
            raise
        self.link.status.check_restart()  # last: it may have happened while the record was read
        return capture

    def acquire(self, *, timeout: float | None = None) -> Capture:
        """One shot: arm, wait, fetch."""
        self.arm()
        return self.complete(timeout=timeout)

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
        setup = self._ready()
        told = {name: self._fetch_input(name, one) for name, one in setup.inputs.items()}
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
        one = self._ready().inputs[channel]
        return ask_built_in_measurement(self, metric, input=one.input, attenuation=one.attenuation)

    @property
    def _patience(self) -> float:
        """For a record, s."""
        return float(self.profile.grammar.quirks.record_timeout)

    def _ready(self) -> DigitizerSetup:
        if self._setup is None:
            raise Misuse(f"{self.link.name} is not set up", do="call `configure` first")
        return self._setup

    def _force(self) -> None:
        try:
            self._acquisition.force()
            self._acquisition.wait(self._patience + self._span())
        except BaseException:
            self._acquisition.stop_after_fault()
            raise

    def _fetch_input(self, name: str, one: InputSetup) -> Waveform:
        grammar = self.profile.grammar.waveform
        form = grammar.formats[self._format]
        if grammar.scale.told_in == "dif":
            return self._fetch_dif(name, one)
        data = self._fetch_bytes(one.input, form)
        axes = self._axes(one, form, data)
        with self.link.naming(grammar.fetch[-1]):
            codes = self.profile.dialect.codes(codes_of(data[grammar.scale.head :], form, invalid=grammar.invalid))
        self._check_length(codes, name)
        return Waveform(
            codes,
            gain=axes.gain * one.attenuation,
            offset=axes.offset * one.attenuation,
            interval=axes.interval,
            start=axes.start,
            name=name,
            code_range=form.codes,
        )

    def _fetch_dif(self, name: str, one: InputSetup) -> Waveform:
        """Scale and time axis are in the answer itself."""
        *before, query = (fill(message, {"input": one.input}) for message in self.profile.grammar.waveform.fetch)
        for message in before:
            self.link.write(message)
        answer = self.link.ask_expression(query, timeout=self._patience)
        wave = dif_waveform(answer, one.input, where=self.link.where)
        self._check_length(wave.codes, name)
        return replace(wave, gain=wave.gain * one.attenuation, offset=wave.offset * one.attenuation, name=name)

    def _fetch_bytes(self, number: int, form: SampleFormat) -> Bytes:
        grammar = self.profile.grammar.waveform
        if grammar.slices is None:
            return self._fetch_part({"input": number}, self._points(), form)
        parts: list[Bytes] = []
        total, size = self._points(), int(grammar.slices.points)
        for first in range(0, total, size):
            count = min(size, total - first)
            begin = first + grammar.slices.first
            where = {"input": number, "first": begin, "last": begin + count - 1, "count": count}
            part = self._fetch_part(where, count, form)
            parts.append(part[grammar.scale.head :] if parts else part)  # each slice has the head; one is enough
        if form.samples == "ascii":
            return np.frombuffer(b",".join(part.tobytes().strip() for part in parts), dtype=np.uint8)
        return parts[0] if len(parts) == 1 else np.concatenate(parts)

    def _fetch_part(self, where: Mapping[str, object], count: int, form: SampleFormat) -> Bytes:
        grammar = self.profile.grammar.waveform
        *before, query = (fill(message, where) for message in grammar.fetch)
        for message in before:
            self.link.write(message)
        if grammar.block == "none" and form.samples == "ascii":
            return self.link.ask_samples(query, timeout=self._patience)
        if grammar.block == "none":
            return self.link.ask_bytes(query, count * sample_type(form).itemsize, timeout=self._patience)
        return self.link.ask_block(query, timeout=self._patience, silence=grammar.silence, newline=grammar.newline)

    def _axes(self, one: InputSetup, form: SampleFormat, data: Bytes) -> Axes:
        scale = self.profile.grammar.waveform.scale
        low, high = self._range_of(one)
        from_settings = axes_from_settings(
            scale, form, range=high - low, offset=(high + low) / 2, interval=self._interval(), start=self._start()
        )
        with self.link.naming("reading the scale"):
            return told_axes(
                scale,
                from_settings,
                ask=lambda query: self.link.ask(query, repeatable=True),
                data=data,
                fill=lambda template: fill(template, {"input": one.input}),
            )

    def _range_of(self, one: InputSetup) -> tuple[float, float]:
        """Lowest and highest voltage of the range as read back, at the connector."""
        head = f"input{one.input}."
        if f"{head}upper" in self._used and f"{head}lower" in self._used:
            return float(self._used[f"{head}lower"]), float(self._used[f"{head}upper"])
        span = float(self._used.get(f"{head}range", one.range / one.attenuation))
        middle = float(self._used.get(f"{head}offset", one.offset / one.attenuation))
        return middle - span / 2, middle + span / 2

    def _interval(self) -> float:
        used, wanted = self._used, self._ready().timebase
        if "timebase.interval" in used:
            return float(used["timebase.interval"])
        if "timebase.rate" in used:
            return 1 / float(used["timebase.rate"])
        if "timebase.span" in used:
            return float(used["timebase.span"]) / max(self._points() - 1, 1)
        return wanted.interval

    def _points(self) -> int:
        return int(self._used.get("timebase.points", self._ready().timebase.points))

    def _span(self) -> float:
        return float(self._used.get("timebase.span", self._interval() * max(self._points() - 1, 1)))

    def _start(self) -> float:
        """First sample from the trigger, s: reference time − position · span (SCPI-99 vol. 2, SENSe:SWEep; memory).

        Either of the two that the instrument does not report is what it was set to, and where nobody sets it what it is
        by itself: the reference point is the first sample, and it lies at the trigger.
        """
        used, wanted = self._used, self._ready().timebase
        if "timebase.before_trigger" in used:
            return -float(used["timebase.before_trigger"])
        told = [name for name in ("timebase.reference_position", "timebase.reference_time") if name in used]
        if not told:
            return -wanted.before_trigger
        sent = {one.setting: one.value for one in self._asked if isinstance(one.value, float)}
        position, delay = (
            float(used.get(name, sent.get(name, 0.0)))
            for name in ("timebase.reference_position", "timebase.reference_time")
        )
        return delay - position * self._span()

    def _check_length(self, codes: Codes, name: str) -> None:
        if "timebase.points" in self._used and codes.size != self._points():
            raise BadAnswer(
                f"{codes.size} samples came for `{name}`", where=self.link.where, expected=f"{self._points()}"
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
