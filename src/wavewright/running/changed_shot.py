"""A shot as it would be with other errors of its inputs: captured channels changed, derived ones computed again."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Protocol

from wavewright.analysis.expressions.derive import derive
from wavewright.analysis.levels.quantisation import share_of_step
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.uncertainty.affine import Affine, Alteration, Change
from wavewright.analysis.uncertainty.influences import Influence, Influences, InputOfReading, bounded_curve
from wavewright.analysis.uncertainty.stated_limits import LimitMeaning
from wavewright.buses.bus_record import BusRecord
from wavewright.recipe.measurement import Measurement
from wavewright.running.input_accuracy import accuracy_in
from wavewright.running.numbers_in_derived import NumbersOfChannel, number_influences
from wavewright.waveform import Capture, Waveform

LEAST_OF_A_STEP = 1e-3  # less of it is nothing beside the noise that spreads it
UNCHANGED = Affine()
Altered = tuple[tuple[str, Alteration], ...]


class ChannelsOfShot(Protocol):
    """The channels of one shot, captured and derived."""

    @property
    def capture(self) -> Capture:
        """What was taken."""

    def wave(self, channel: str) -> Waveform:
        """A channel."""

    def survey(self, channel: str) -> Survey:
        """The survey of it."""

    def decoded(self, line: str) -> BusRecord:
        """The bus of a decoded line."""


class ChangedShots:
    """All that a shot becomes when its inputs change, each computed once.

    Parameters
    ----------
    shot : as it was taken.
    """

    def __init__(self, shot: ChannelsOfShot, measurement: Measurement) -> None:
        self._shot, self._measurement = shot, measurement
        self._waves: dict[tuple[str, Altered], Waveform] = {}
        self._surveys: dict[tuple[str, Altered], Survey] = {}
        self._decoded: dict[tuple[str, Altered], BusRecord] = {}
        self._numbers = {
            name: NumbersOfChannel(measurement.label, derived) for name, derived in measurement.derived.items()
        }

    def inputs(self, channels: Sequence[str]) -> list[InputOfReading] | None:
        """The captured channels that these follow from; None where nothing was kept about the accuracy of any."""
        settings = self._shot.capture.settings
        found = []
        for name in self.sources(channels):
            wanted = self._measurement.channels.get(name)
            accuracy = None if wanted is None else accuracy_in(settings, f"input{wanted.input}")
            found.append(InputOfReading(name, self._shot.survey(name), accuracy))
        return found if any(one.accuracy is not None for one in found) else None

    def sources(self, channels: Sequence[str]) -> tuple[str, ...]:
        """The captured channels that these follow from."""
        return tuple(dict.fromkeys(source for channel in channels for source in self._sources(channel)))

    def further(self, channels: Sequence[str]) -> Influences:
        """What derived channels have beside the errors of inputs: their numbers, and the codes that they came from."""
        derived = dict.fromkeys(one for each in channels for one in self._derived(each))
        numbers = number_influences([self._numbers[name] for name in derived])
        sources = dict.fromkeys(
            source for each in channels if self._has_lost_codes(each) for source in self._sources(each)
        )
        codes = (self._resolution(name) for name in sources)
        return numbers + Influences(tuple(one for one in codes if one is not None))

    def _has_lost_codes(self, channel: str) -> bool:
        """Whether a channel was computed from several, so that its own samples do not tell the steps of any."""
        return channel in self._numbers and not self._shot.survey(channel).record.step

    def _resolution(self, name: str) -> Influence | None:
        """Rounding to codes, as far as noise does not spread it: the same for all samples of one value."""
        survey = self._shot.survey(name)
        limit = survey.record.step / 2 * share_of_step(survey)
        if limit < LEAST_OF_A_STEP * survey.record.step or not limit:
            return None
        one = InputOfReading(name, survey, None)
        curve = bounded_curve(one, (name,), limit, f"resolution of `{name}`", key="", meaning=LimitMeaning())
        return replace(curve, source="the record")

    def surveys(self, change: Change, channels: Sequence[str]) -> list[Survey]:
        """The surveys of channels, captured or derived, after a change; NotMeasurable as of the shot itself."""
        return [self._survey(channel, self._altered(change, channel)) for channel in channels]

    def decoded(self, change: Change, line: str, *, is_said: bool = False) -> BusRecord:
        """The bus of a decoded line after a change.

        Parameters
        ----------
        is_said : no more than what was said on it counts, whatever the levels: where each channel is read at levels of
            its own, gain and offset change nothing of that.
        """
        wanted, base = self._measurement.decode[line], self._shot.decoded(line)
        altered = tuple(dict.fromkeys(one for name in wanted.channels.values() for one in self._altered(change, name)))
        is_plain = all(of in self._shot.capture.waveforms for of in wanted.channels.values()) and not base.has_pair
        if is_said and is_plain and base.follows_levels:
            altered = tuple((name, _of_time(one)) for name, one in altered)
        altered = tuple((name, one) for name, one in altered if one != UNCHANGED)
        if not altered:
            return base
        key = (line, altered)
        if key not in self._decoded:
            own = dict(altered)
            channels = {name: self._wave(of, self._altered(own, of)) for name, of in wanted.channels.items()}
            self._decoded[key] = (
                base.on_other_axes(channels)
                if is_plain and all(_is_of_time(one) for one in own.values())
                else BusRecord(channels, wanted.bus, then=wanted.then or None, **wanted.options)
            )
        return self._decoded[key]

    def evaluator(self, channels: Sequence[str]) -> Callable[[Change], Sequence[Survey]]:
        """The surveys of these channels by the change."""
        return lambda change: self.surveys(change, channels)

    def _sources(self, channel: str) -> tuple[str, ...]:
        derived = self._measurement.derived.get(channel)
        if derived is None:
            return (channel,)
        return tuple(dict.fromkeys(source for name in derived.of for source in self._sources(name)))

    def _derived(self, channel: str) -> Iterator[str]:
        """A derived channel and the derived ones that it is made of."""
        if channel in self._numbers:
            yield channel
            for name in self._measurement.derived[channel].of:
                yield from self._derived(name)

    def _causes(self, channel: str) -> tuple[str, ...]:
        """What a channel follows from: captured channels, and numbers in expressions."""
        numbers = [number for name in self._derived(channel) for number in self._numbers[name].named]
        return (*self._sources(channel), *dict.fromkeys(numbers))

    def _altered(self, change: Mapping[str, Alteration], channel: str) -> Altered:
        """Of a change what bears on a channel, so that the same is not computed twice."""
        return tuple((name, change[name]) for name in self._causes(channel) if name in change)

    def _survey(self, channel: str, altered: Altered) -> Survey:
        if not altered:
            return self._shot.survey(channel)
        if channel in self._shot.capture.waveforms:
            (_, alteration), *_ = altered
            return alteration.survey(self._shot.survey(channel))
        key = (channel, altered)
        if key not in self._surveys:
            wave, before = self._wave(channel, altered), self._shot.survey(channel)
            self._surveys[key] = before.changed(wave) if _same_codes(wave, before.wave) else Survey(wave)
        return self._surveys[key]

    def _wave(self, channel: str, altered: Altered) -> Waveform:
        if not altered:
            return self._shot.wave(channel)
        key = (channel, altered)
        if key not in self._waves:
            self._waves[key] = self._made(channel, altered)
        return self._waves[key]

    def _made(self, channel: str, altered: Altered) -> Waveform:
        derived = self._measurement.derived.get(channel)
        if derived is None:
            (_, alteration), *_ = altered
            return alteration.of(self._shot.wave(channel))
        own = dict(altered)
        channels = {name: self._wave(name, self._altered(own, name)) for name in derived.of}
        return derive(self._numbers[channel].shifted(own), channels, name=channel)


def _of_time(alteration: Alteration) -> Alteration:
    """Of an affine change what it does to the time axis; any other change as it is."""
    if not isinstance(alteration, Affine) or alteration.gain <= 0:
        return alteration
    return Affine(time=alteration.time, delay=alteration.delay)


def _is_of_time(alteration: Alteration) -> bool:
    return isinstance(alteration, Affine) and (alteration.gain, alteration.offset) == (1.0, 0.0)


def _same_codes(one: Waveform, other: Waveform) -> bool:
    """Whether two waveforms are one record on two scales."""
    first, second = one.codes, other.codes
    return (first.ctypes.data, first.shape, first.strides, first.dtype) == (
        second.ctypes.data,
        second.shape,
        second.strides,
        second.dtype,
    )
