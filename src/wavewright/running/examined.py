"""One shot under examination: its channels, those derived from them, and what was said on its lines."""

from __future__ import annotations

from collections.abc import Mapping

from wavewright.analysis.expressions.derive import derive, inherited_doubts, parse_expression
from wavewright.analysis.reading import Doubt
from wavewright.analysis.survey import Survey
from wavewright.buses.decoded import Decoded
from wavewright.buses.expectation import Expectation
from wavewright.buses.frames import Frames
from wavewright.errors import NotMeasurable
from wavewright.recipe.measurement import Measurement
from wavewright.waveform import Capture, Waveform


class Examined:
    """Everything that a measurement finds in one shot, computed once, when it is first asked for."""

    def __init__(self, capture: Capture, measurement: Measurement) -> None:
        self.capture = capture
        self._measurement = measurement
        self._waves: dict[str, Waveform] = dict(capture.waveforms)
        self._lacking: dict[str, NotMeasurable] = {}
        self._surveys: dict[str, Survey] = {}
        self._handed_on: dict[str, tuple[Doubt, ...]] = {}
        self._decoded: dict[str, Decoded] = {}
        for derived in measurement.derived.values():
            self._derive(derived.name, derived.expression, derived.of)

    def wave(self, channel: str) -> Waveform:
        """A channel, captured or derived.

        Raises
        ------
        NotMeasurable : it could not be derived from this shot.
        """
        if channel in self._lacking:
            raise self._lacking[channel]
        return self._waves[channel]

    def survey(self, channel: str) -> Survey:
        """The survey of a channel; NotMeasurable as above."""
        if channel not in self._surveys:
            self._surveys[channel] = Survey(self.wave(channel))
        return self._surveys[channel]

    def handed_on(self, channel: str) -> tuple[Doubt, ...]:
        """Doubts of the channels that this one was derived from, which do not show in itself."""
        return self._handed_on.get(channel, ())

    def decoded(self, line: str) -> Decoded:
        """The bus of a decoded line; NotMeasurable as above."""
        if line not in self._decoded:
            wanted = self._measurement.decode[line]
            channels = {name: self.wave(channel) for name, channel in wanted.channels.items()}
            self._decoded[line] = Decoded(channels, wanted.bus, then=wanted.then or None, **wanted.options)
        return self._decoded[line]

    def frames(self, line: str) -> Frames:
        """What was said on a decoded line; NotMeasurable as above."""
        return self.decoded(line).frames

    def unmet(self, conditions: Mapping[str, Expectation]) -> tuple[str, ...]:
        """What the lines do not fulfil, each in one sentence; empty where they fulfil all."""
        return tuple(
            f"{line}: {sentence}" for line, wanted in conditions.items() for sentence in wanted.unmet(self.frames(line))
        )

    def _derive(self, name: str, expression: str, of: tuple[str, ...]) -> None:
        """Enter one derived channel, or why it is lacking; what is derived from that is lacking for the same reason."""
        try:
            needed = {channel: self.wave(channel) for channel in of}
            self._waves[name] = derive(expression, needed, name=name)
            handed_on = [doubt for channel in needed for doubt in self._handed_on.get(channel, ())]
            own = inherited_doubts(parse_expression(expression), needed)
            self._handed_on[name] = tuple(dict.fromkeys([*own, *handed_on]))
        except NotMeasurable as fault:
            self._lacking[name] = fault
