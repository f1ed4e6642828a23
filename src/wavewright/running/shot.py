"""One shot: its channels, those derived from them, what was said on its lines, and what is stated of its inputs."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING

from wavewright.analysis.doubts import Reads
from wavewright.analysis.expressions.derive import derive, filter_findings, parse_expression
from wavewright.analysis.findings import Read, doubted
from wavewright.analysis.front_end.front_end import FrontEnd, Look, quiet
from wavewright.analysis.reading import Doubt, Finding, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.buses.bus_record import Decoded
from wavewright.buses.expectation import Expectation
from wavewright.buses.frames import Frames
from wavewright.buses.line.silence import why_silent
from wavewright.errors import NotMeasurable, StorageFault
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.metering import Metering
from wavewright.waveform import Capture, Waveform

if TYPE_CHECKING:
    from wavewright.instruments.bench import Bench

UNCERTAINTY = ".uncertainty"  # ends the name of a setting that is the uncertainty of another
Facts = Mapping[str, float | str | bool]


class ExaminedShot:
    """Everything that a measurement finds in one shot, computed once, when it is first asked for."""

    def __init__(self, capture: Capture, measurement: Measurement) -> None:
        self.capture = capture
        self._measurement = measurement
        self._waves: dict[str, Waveform] = dict(capture.waveforms)
        self._lacking: dict[str, NotMeasurable] = {}
        self._surveys: dict[str, Survey] = {}
        self._filters: dict[str, tuple[Finding, ...]] = {}
        self._decoded: dict[str, Decoded] = {}
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

    def read(self, channels: Sequence[str], reading: Reading, parts: Collection[Reads]) -> Read:
        """A reading with the channels that it was read from, for its doubts; NotMeasurable as above."""
        surveys = [self.survey(channel) for channel in channels]
        return Read(reading, surveys, frozenset(parts), front_ends=[self.front_end(channel) for channel in channels])

    def handed_on(self, channel: str, reading: Reading, parts: Collection[Reads]) -> tuple[Finding, ...]:
        """Doubts about a reading of a derived channel that do not show in it: of its filters, and of its sources."""
        derived = self._measurement.derived.get(channel)
        if derived is None or channel in self._lacking:
            return ()
        found = {one.doubt: one for one in self._filters.get(channel, ())}
        for name in derived.of:
            own = doubted(self.read([name], Reading(reading.value, reading.unit), parts)).findings
            for one in (*self.handed_on(name, reading, parts), *own):
                if one.doubt is not Doubt.INVALID_SAMPLES:  # they are invalid in the result too
                    found.setdefault(one.doubt, _of_source(one, name))
        return tuple(found.values())

    def decoded(self, line: str) -> Decoded:
        """The bus of a decoded line; NotMeasurable as above."""
        if line not in self._decoded:
            wanted = self._measurement.decode[line]
            channels = {name: self.wave(channel) for name, channel in wanted.channels.items()}
            self._decoded[line] = Decoded(channels, wanted.bus, then=wanted.then or None, **wanted.options)
        return self._decoded[line]

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
    return Reading(float(value), wanted.unit, uncertainty=None if uncertainty is None else float(uncertainty))


def front_end_facts(bench: Bench, settings: Facts, number: int, *, attenuation: float) -> dict[str, float]:
    """What profile and bench state about one input as it is set, by names for the settings of a capture.

    The bandwidth is the lowest of probe, input and band limit, Hz; infinite where none is stated. The open input is
    stated at the probe's tip, in V.

    Parameters
    ----------
    settings : as read back, at the probe's tip.
    attenuation : of the probe as it is used.
    """
    profile, probe = bench.digitizer.profile.grammar, bench.file.probe(number)
    prefix = f"input{number}."
    limits: list[float | None] = [probe.bandwidth, profile.abilities.bandwidth]
    if settings.get(f"{prefix}bandwidth_limit.on", True) is not False:
        limit = settings.get(f"{prefix}bandwidth_limit")
        limits.append(float(limit) if isinstance(limit, int | float) and limit > 0 else None)
    facts: dict[str, float] = {f"{prefix}bandwidth": min((one for one in limits if one is not None), default=math.inf)}
    width = settings.get(f"{prefix}range")
    for name, stated in (("open_offset", profile.accuracy.offset), ("open_noise", profile.accuracy.noise)):
        if stated is not None and isinstance(width, int | float):
            facts[prefix + name] = stated[0] * float(width) + stated[1] * attenuation
    return facts


def look_facts(number: int, look: Look) -> dict[str, float]:
    """What a look at another rate has seen, by names for the settings of a capture."""
    named = {"interval": look.interval, "edges": look.edges, "tone": look.tone}
    return {f"input{number}.look.{name}": value for name, value in named.items() if value is not None}


def front_end_of(settings: Facts, number: int) -> FrontEnd | None:
    """What the settings say about an input; None where they say nothing, as those of old records."""

    def known(name: str) -> float | None:
        value = settings.get(f"input{number}.{name}")
        return float(value) if isinstance(value, int | float) else None

    bandwidth = known("bandwidth")
    if bandwidth is None:
        return None
    interval = known("look.interval")
    look = None if interval is None else Look(interval, known("look.edges"), known("look.tone"))
    return FrontEnd(bandwidth, known("open_offset"), known("open_noise"), look)


def _of_source(found: Finding, name: str) -> Finding:
    """The same of what was derived: by how much it moves the result is not known."""
    text = f"`{name}`: {found.text}" if found.text else ""
    return Finding(found.doubt, text) if found.bears else Finding.idle(found.doubt, text)
