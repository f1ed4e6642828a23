"""A draft: a recipe written from what a first look has found, to be read, changed and run by a person.

It is plain YAML text with comments, so that whoever reads it sees where each number comes from.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from wavewright.analysis.elementary.exponentials import log10
from wavewright.quantities import show_quantity
from wavewright.recognition.recognised import Kind, Recognised, Together
from wavewright.running.first_look import BURST_POINTS, FirstLook, InputLook

FEW_PERIODS, RECORD_POINTS = 20, 100_000
GLITCH_POINTS = 1_000_000
SAMPLES_PER_PULSE = 100.0
QUIET_SPAN = 20e-3  # s, of a line that stays where it is
RARE_SHOTS = 200
SMALLEST_OFFSET = 1e-4  # V
ROOM = 1.25  # of the exchange that was seen


@dataclass(frozen=True, slots=True)
class DraftedReading:
    """One entry of `compute:`.

    Parameters
    ----------
    name : of the entry; options : what else is in its mapping, as text.
    side : of the limit that shots propose: `both`, `upper`, `lower`; empty where `limit` is stated.
    """

    name: str
    options: str = ""
    side: str = ""
    limit: str = ""


@dataclass(frozen=True, slots=True)
class DraftedMeasurement:
    """One measurement of the draft: lines of YAML for its set-up, and what is computed."""

    name: str
    heading: str
    lines: tuple[str, ...]
    readings: tuple[DraftedReading, ...] = ()
    shots: int = 1

    @property
    def learns(self) -> bool:
        """Whether any of its limits is to be proposed from shots."""
        return any(one.side for one in self.readings)


@dataclass(frozen=True, slots=True)
class ProposedLimit:
    """A limit with the comment that says where it comes from."""

    limit: str
    comment: str


@dataclass(frozen=True, slots=True)
class Draft:
    """The measurements of a draft, and the inputs with nothing to measure."""

    title: str
    measurements: tuple[DraftedMeasurement, ...]
    empty: tuple[str, ...] = ()
    limits: Mapping[tuple[str, str], ProposedLimit] = field(default_factory=dict)

    @property
    def judges(self) -> bool:
        """Whether any reading has a limit, stated or proposed."""
        return any(self._limited(one) for one in self.measurements)

    def text(self, *, trial_shots: int = 0) -> str:
        """The recipe; with `trial_shots` one that takes that many shots of what proposes limits and judges nothing."""
        lines = ["wavewright: 1", f"title: {_quoted(self.title)}"]
        if not trial_shots:
            lines += [f"# {one}" for one in self.empty]
        lines.append("measurements:")
        for one in self.measurements:
            if trial_shots and not one.learns:
                continue
            computed = _tried(one) if trial_shots else self._limited(one)
            if computed:
                lines += [f"  {one.name}:{'' if trial_shots else f'  # {one.heading}'}", *_measured(one, trial_shots)]
                lines += [f"      {line}" for line in computed]
            else:
                lines.append(f"  # {one.heading}: no reading without a doubt to propose a limit from")
        return "\n".join(lines) + "\n"

    def _limited(self, one: DraftedMeasurement) -> list[str]:
        """The entries that have a limit, each with the comment on where it comes from."""
        lines = []
        for reading in one.readings:
            proposed = self.limits.get((one.name, reading.name))
            limit = proposed.limit if proposed else reading.limit
            if limit:
                inside = ", ".join(text for text in (reading.options, f"limit: {limit}") if text)
                lines.append(f"{reading.name}: {{{inside}}}{f'  # {proposed.comment}' if proposed else ''}")
        return lines


def _tried(one: DraftedMeasurement) -> list[str]:
    return [f"{reading.name}: {{{reading.options}}}" for reading in one.readings]


def _measured(one: DraftedMeasurement, trial_shots: int) -> list[str]:
    """Set-up and number of shots, up to the entries."""
    shots = trial_shots or one.shots
    return [*(f"    {line}" for line in one.lines), *([f"    shots: {shots}"] if shots > 1 else []), "    compute:"]


def draft(look: FirstLook, *, place: str = "", title: str = "") -> Draft:
    """What can be measured on the lines that were examined: buses first, then each line by itself."""
    inputs = {one.name: one for one in look.inputs}
    grouped = {name for together in look.together for name in together.lines.values()}
    measurements: list[DraftedMeasurement] = []
    for together in look.together:
        measurements.append(_of_bus(together, inputs, place))
    for one in look.inputs:
        if one.name not in grouped:
            measurements += _of_line(one, place)
    empty = [f"input {one.input}: nothing is there" for one in look.inputs if one.found.kind is Kind.NOTHING]
    names = ", ".join(str(one.input) for one in look.inputs)
    return Draft(title or f"What was found on input {names}", tuple(measurements), tuple(empty))


def _of_line(one: InputLook, place: str) -> Iterator[DraftedMeasurement]:
    found = one.found
    if found.kind is Kind.NOTHING:
        return
    if found.kind is Kind.SERIAL and found.serial is not None:
        yield _of_serial(one, place)
        return
    yield DraftedMeasurement(
        one.name,
        f"input {one.input}: {found.kind}",
        tuple(_set_up([one], place, _timebase(one), trigger=_trigger(one))),
        tuple(_readings(found)),
    )
    if found.kind in (Kind.CLOCK, Kind.PULSES) and found.frequency is not None and found.pulse is not None:
        interval = _rounded_interval(found.pulse / SAMPLES_PER_PULSE, one)
        timebase = _timebase_text(GLITCH_POINTS * interval, interval)
        yield DraftedMeasurement(
            f"{one.name}_glitches",
            f"input {one.input}: every pulse of a long record",
            tuple(_set_up([one], place, timebase, trigger=_trigger(one))),
            (DraftedReading("glitches", limit="exactly 0"), DraftedReading("runts", limit="exactly 0")),
        )


def _readings(found: Recognised) -> Iterator[DraftedReading]:
    if found.kind in (Kind.STEADY, Kind.NOISE):
        yield DraftedReading("mean", side="both")
        yield DraftedReading("peak_to_peak", side="upper")
        if found.ripple_frequency is not None:
            yield DraftedReading("strongest_tone", side="both")
    elif found.kind is Kind.SINE:
        yield DraftedReading("frequency", side="both")
        yield DraftedReading("peak_to_peak", side="both")
        yield DraftedReading("mean", side="both")
    elif found.kind in (Kind.CLOCK, Kind.PULSES):
        if found.frequency is not None:
            yield DraftedReading("frequency", side="both")
            yield DraftedReading("duty_factor", side="both")
        yield DraftedReading("low_level", side="both")
        yield DraftedReading("high_level", side="both")
        yield DraftedReading("overshoot", side="upper")
    elif found.kind is Kind.EDGE:
        yield DraftedReading("minimum", side="both")
        yield DraftedReading("maximum", side="both")
    else:
        yield DraftedReading("minimum", side="lower")
        yield DraftedReading("maximum", side="upper")
        yield DraftedReading("mean", side="both")


def _of_serial(one: InputLook, place: str) -> DraftedMeasurement:
    serial = one.found.serial
    assert serial is not None
    channel, lines = one.name, [f"{{bus: {serial.bus}"]
    extra: list[str] = []
    if serial.is_inverted:
        extra = [f"derived: {{{one.name}_upright: {_quoted(f'-{one.name}')}}}"]
        channel = f"{one.name}_upright"
    role = "tx" if serial.bus == "uart" else "line"
    lines += [f"{role}: {channel}", *_options(serial.options), *([f"then: {serial.then}"] if serial.then else [])]
    decode = f"decode: {{line: {', '.join(lines)}}}}}"
    timebase = _burst_timebase(serial.span, one)
    set_up = _set_up([one], place, timebase, trigger=_trigger(one, first_edge=True))
    return DraftedMeasurement(
        one.name,
        f"input {one.input}: {serial.bus}{f', then {serial.then}' if serial.then else ''}",
        (*set_up, *extra, decode),
        tuple(_bus_readings(serial.bus, has_layer=bool(serial.then))),
        shots=RARE_SHOTS,
    )


def _of_bus(together: Together, inputs: Mapping[str, InputLook], place: str) -> DraftedMeasurement:
    serial, lines = together.serial, together.lines
    used = [inputs[name] for name in lines.values()]
    first = inputs[lines.get("select") or lines.get("sda") or next(iter(lines.values()))]
    parts = [f"bus: {serial.bus}", *(f"{role}: {name}" for role, name in lines.items())]
    if serial.bus == "uart":  # two directions are two lines with the same settings
        both = ", ".join(
            f"{role}: {{bus: uart, tx: {name}, {', '.join(_options(serial.options))}}}" for role, name in lines.items()
        )
        decode, of = f"decode: {{{both}}}", tuple(lines)
    else:
        decode = f"decode: {{line: {{{', '.join([*parts, *_options(serial.options)])}}}}}"
        of = ("line",)
    set_up = _set_up(
        used,
        place,
        _burst_timebase(serial.span, min(used, key=lambda one: one.wave.interval)),
        trigger=_trigger(first, first_edge=True),
    )
    readings = [
        one for name in of for one in _bus_readings(serial.bus, line=name, prefix="" if len(of) == 1 else f"{name}_")
    ]
    return DraftedMeasurement(
        f"{serial.bus}_lines",
        f"{serial.bus}: {', '.join(f'{role} on input {inputs[name].input}' for role, name in lines.items())}",
        (*set_up, decode),
        tuple(readings),
        shots=RARE_SHOTS,
    )


def _bus_readings(
    bus: str, *, line: str = "line", prefix: str = "", has_layer: bool = False
) -> Iterator[DraftedReading]:
    yield DraftedReading(f"{prefix}errors", f"metric: frame_errors, of: {line}", limit="exactly 0")
    yield DraftedReading(f"{prefix}frames_seen", f"metric: frames, of: {line}", limit="at least 1")
    if bus in ("uart", "lin", "can") and not has_layer:
        yield DraftedReading(f"{prefix}rate", f"metric: bit_rate, of: {line}", side="both")


def _options(options: Mapping[str, object]) -> list[str]:
    found = []
    for name, value in options.items():
        if name in ("baud", "bit_rate", "data_bit_rate"):
            text = _plain(float(str(value)), "Bd")
        else:
            text = str(value).lower() if isinstance(value, bool) else str(value)
        found.append(f"{name}: {text}")
    return found


def _set_up(used: Sequence[InputLook], place: str, timebase: str, *, trigger: str) -> Iterator[str]:
    if place:
        yield f"place: {_quoted(place)}"
    yield "channels:"
    for one in used:
        size, middle = _volts(one.setup.range), _volts(one.setup.offset)
        yield f"  {one.name}: {{input: {one.input}, range: {size}, offset: {middle}}}"
    yield f"timebase: {timebase}"
    yield f"trigger: {trigger}"


def _trigger(one: InputLook, *, first_edge: bool = False) -> str:
    found = one.found
    if found.middle is None or found.kind in (Kind.STEADY, Kind.NOISE, Kind.UNKNOWN):
        return "{mode: auto}"
    level = show_quantity(found.middle, "V", resolution=abs((found.high or 0) - (found.low or 0)) / 100)
    edge = "falling" if first_edge and one.rests_high else "rising"
    mode = "normal" if first_edge or found.kind is Kind.EDGE else "auto"
    return f"{{mode: {mode}, on: {one.name}, edge: {edge}, level: {level}}}"


def _timebase(one: InputLook) -> str:
    found = one.found
    frequency = found.frequency or found.ripple_frequency
    if frequency:
        span = FEW_PERIODS / frequency
        interval = _rounded_interval(max(span / RECORD_POINTS, 1 / frequency / 500), one)
        return _timebase_text(span, interval)
    if found.kind in (Kind.EDGE, Kind.PULSES):
        return _timebase_text(one.wave.duration, one.wave.interval)
    return _timebase_text(QUIET_SPAN, QUIET_SPAN / RECORD_POINTS)


def _burst_timebase(span: float, one: InputLook) -> str:
    """An exchange after the trigger, and one before it as far as the points of a look reach.

    The line may be busy when the instrument is armed: then the trigger comes inside an exchange, which began before it.
    """
    interval = one.wave.interval
    length = max(ROOM * span, 100 * interval)
    after = 1.05 * length
    before = min(length, max(0.05 * length, BURST_POINTS * interval - after))
    text = _timebase_text(before + after, interval)
    return text.replace("}", f", before_trigger: {_seconds(before)}}}")


def _timebase_text(span: float, interval: float) -> str:
    return f"{{span: {_seconds(span)}, rate: {_hertz(1 / interval)}}}"


def _rounded_interval(wanted: float, one: InputLook) -> float:
    """No shorter than the shortest interval that was used, in steps of 1, 2 and 5."""
    least = max(wanted, one.fastest)
    power = 10.0 ** math.floor(log10(least))
    return next(power * step for step in (1, 2, 4, 5, 10) if power * step >= least * (1 - 1e-9))


def _seconds(value: float) -> str:
    return _plain(value, "s")


def _hertz(value: float) -> str:
    return _plain(value, "Hz")


def _volts(value: float) -> str:
    return _plain(value, "V") if abs(value) > SMALLEST_OFFSET else "0 V"


def _plain(value: float, unit: str) -> str:
    """A number with at most four digits, and no zeros at its end."""
    number, space, symbol = show_quantity(value, unit, resolution=abs(value) / 5000).partition(" ")
    return f"{number.rstrip('0').rstrip('.') if '.' in number else number}{space}{symbol}"


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def entries_of(draft: Draft) -> Iterable[tuple[str, DraftedReading]]:
    """Every entry whose limit shots propose, with the name of its measurement."""
    return [(one.name, reading) for one in draft.measurements for reading in one.readings if reading.side]
