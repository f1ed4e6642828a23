"""One shot: its channels, those derived from them, what was said on its lines, and what is stated of its inputs."""

from __future__ import annotations

import weakref
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from wavewright.analysis.doubts import Reads
from wavewright.analysis.examined_reading import Read
from wavewright.analysis.expressions.derive import derive, filter_findings, parse_expression
from wavewright.analysis.findings import doubted, with_findings
from wavewright.analysis.front_end.front_end import FrontEnd, quiet
from wavewright.analysis.reading import Doubt, Finding, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.uncertainty.read_value import budget_of_value
from wavewright.buses.bus_record import BusRecord
from wavewright.buses.expectation import Expectation
from wavewright.buses.frames import Frames
from wavewright.buses.line.silence import why_silent
from wavewright.errors import NotMeasurable, StorageFault
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.metering import Metering
from wavewright.running.changed_shot import ChangedShots
from wavewright.running.input_accuracy import UNCERTAINTY, accuracy_in
from wavewright.running.input_facts import doubts_in, front_end_of
from wavewright.waveform import Capture, Waveform

AUTO = "auto"
# What a derived channel has of its own: samples that are invalid stay so, and the noise that is left is in its samples.
OWN_IN_DERIVED = (Doubt.INVALID_SAMPLES, Doubt.INPUT_NOISE)


class ExaminedShot:
    """Everything that a measurement finds in one shot, computed once, when it is first asked for.

    `changed` : what it becomes where its inputs have other errors, for budgets.
    """

    def __init__(self, capture: Capture, measurement: Measurement) -> None:
        self.capture = capture
        self._measurement = measurement
        self._waves: dict[str, Waveform] = dict(capture.waveforms)
        self._lacking: dict[str, NotMeasurable] = {}
        self._surveys: dict[str, Survey] = {}
        self._filters: dict[str, tuple[Finding, ...]] = {}
        self._decoded: dict[str, BusRecord] = {}
        self.changed = ChangedShots(
            weakref.proxy(self), measurement
        )  # else the record would stay until the next collection
        for derived in measurement.derived.values():
            self._derive(derived.name, derived.expression, derived.of)

    def wave(self, channel: str) -> Waveform:
        """A channel, captured or derived.

        Raises
        ------
        NotMeasurable : it could not be derived from this shot.
        StorageFault : the shot, taken with another recipe or damaged since, has no such channel.
        """
        if channel in self._lacking:
            raise self._lacking[channel]
        if channel not in self._waves:
            raise StorageFault(
                f"the captures of `{self._measurement.label}` have no channel `{channel}`",
                expected=f"one of {', '.join(self.capture.waveforms) or 'none'}",
                do="name the channels in the recipe as the run did",
            )
        return self._waves[channel]

    def survey(self, channel: str) -> Survey:
        """The survey of a channel; NotMeasurable as above."""
        if channel not in self._surveys:
            self._surveys[channel] = Survey(self.wave(channel))
        return self._surveys[channel]

    def front_end(self, channel: str) -> FrontEnd | None:
        """What the settings say about the way of a channel; None for one that was derived."""
        wanted = self._measurement.channels.get(channel)
        return None if wanted is None else front_end_of(self.capture.settings, wanted.input)

    def finds_range(self, channel: str) -> bool:
        """Whether the run found the range of a channel, or of one that it was derived from."""
        derived, wanted = self._measurement.derived.get(channel), self._measurement.channels.get(channel)
        if derived is not None:
            return any(self.finds_range(name) for name in derived.of)
        return wanted is not None and wanted.range == AUTO

    def read(self, channels: Sequence[str], reading: Reading, parts: Collection[Reads], *, metric: str = "") -> Read:
        """A reading with the channels that it was read from, for its doubts; NotMeasurable as above."""
        surveys = [self.survey(channel) for channel in channels]
        ways = [self.front_end(channel) for channel in channels]
        return Read(reading, surveys, frozenset(parts), front_ends=ways, metric=metric)

    def handed_on(
        self, channel: str, reading: Reading, parts: Collection[Reads], *, metric: str = ""
    ) -> tuple[Finding, ...]:
        """Doubts about a reading of a derived channel that do not show in it: of its filters, and of its sources."""
        derived = self._measurement.derived.get(channel)
        if derived is None or channel in self._lacking:
            return ()
        found = {one.doubt: one for one in self._filters.get(channel, ())}
        for name in derived.of:
            own = doubted(self.read([name], Reading(reading.value, reading.unit), parts, metric=metric)).findings
            for one in (*self.handed_on(name, reading, parts, metric=metric), *own):
                if one.doubt not in OWN_IN_DERIVED:
                    found.setdefault(one.doubt, _of_source(one, name))
        return tuple(found.values())

    def decoded(self, line: str) -> BusRecord:
        """The bus of a decoded line; NotMeasurable as above."""
        if line not in self._decoded:
            wanted = self._measurement.decode[line]
            channels = {name: self.wave(channel) for name, channel in wanted.channels.items()}
            self._decoded[line] = BusRecord(channels, wanted.bus, then=wanted.then or None, **wanted.options)
        return self._decoded[line]

    def channels_of(self, line: str) -> tuple[str, ...]:
        """The channels that a line is decoded from."""
        return tuple(self._measurement.decode[line].channels.values())

    def channels_by_line(self, line: str, names: Collection[str]) -> tuple[str, ...]:
        """The channels that some lines of a decoded bus come from, by their names in that bus; of a pair, both."""
        wanted, decoded = self._measurement.decode[line].channels, self.decoded(line)
        pair = decoded.bus.differential or ()
        found = [name for each in names for name in ([each] if each in wanted else pair)]
        return tuple(wanted[name] for name in found if name in wanted)

    def unconnected(self, line: str) -> tuple[Finding, ...]:
        """`nothing_there` where none of a line's channels shows more than an open input does."""
        channels = self._measurement.decode[line].channels.values()
        found: list[Finding] = []
        for channel in channels:
            one = quiet(self.survey(channel), self.front_end(channel))
            if one is None or not one.is_open:
                return ()
            reading = doubted(self.read([channel], Reading(None), [Reads.FRAMES]))
            found += [each for each in reading.findings if each.doubt is Doubt.NOTHING_THERE]
        return tuple(found[:1])

    def repeated(self, line: str) -> tuple[Finding, ...]:
        """`repeated_record` where a channel of a line has the record of the shot before."""
        ways = map(self.front_end, self.changed.sources(self.channels_of(line)))
        stated = [doubt for way in ways if way is not None for doubt, _ in way.stated]
        return tuple(Finding(doubt) for doubt in dict.fromkeys(stated) if doubt is Doubt.REPEATED_RECORD)

    def frames(self, line: str) -> Frames:
        """What was said on a decoded line; NotMeasurable as above."""
        return self.decoded(line).frames

    def unmet(self, conditions: Mapping[str, Expectation]) -> tuple[str, ...]:
        """What the lines do not fulfil, each in one sentence; empty where they fulfil all.

        Where nothing was decoded at all, the first one says what is on the line.
        """
        found = []
        for line, wanted in conditions.items():
            missing = list(wanted.unmet(self.frames(line)))
            if missing and not len(self.frames(line)):
                missing[0] += f" ({why_silent(self.decoded(line))})"
            found += [f"{line}: {sentence}" for sentence in missing]
        return tuple(found)

    def _derive(self, name: str, expression: str, of: tuple[str, ...]) -> None:
        """Enter one derived channel, or why it is lacking; what is derived from that is lacking for the same reason."""
        try:
            needed = {channel: self.wave(channel) for channel in of}
            self._waves[name] = derive(expression, needed, name=name)
            self._filters[name] = filter_findings(parse_expression(expression), needed)
        except NotMeasurable as fault:
            self._lacking[name] = fault


def metered(capture: Capture, wanted: Metering) -> Reading:
    """The reading that was kept with a capture."""
    value = capture.settings.get(wanted.kept_as, "it was not read in this run")
    if isinstance(value, str):
        return Reading(None, wanted.unit, reason=value)
    uncertainty = capture.settings.get(wanted.kept_as + UNCERTAINTY)
    reading = Reading(float(value), wanted.unit, uncertainty=None if uncertainty is None else float(uncertainty))
    stated = accuracy_in(capture.settings, wanted.kept_as)
    if stated is not None:
        reading = replace(reading, budget=budget_of_value(float(value), wanted.unit, stated, name=wanted.name))
    standing = doubts_in(capture.settings, wanted.by.value)
    return with_findings(reading, (Finding(doubt, text) for doubt, text in standing))


def _of_source(found: Finding, name: str) -> Finding:
    """The same of what was derived: by how much it moves the result is not known."""
    text = f"`{name}`: {found.text}" if found.text else ""
    return Finding(found.doubt, text) if found.bears else Finding.idle(found.doubt, text)
