"""The role `source`: periodic signals, bursts, and one period of one's own."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import AbstractContextManager
from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from wavewright.errors import BenchFault, Misuse, SetOtherwise
from wavewright.instruments.instrument import Instrument, Settings
from wavewright.instruments.output_switch import OutputSwitch
from wavewright.instruments.profile import Assignment, Profile
from wavewright.instruments.vocabulary import Role
from wavewright.quantities import show_quantity
from wavewright.waveform import Waveform

if TYPE_CHECKING:
    from wavewright.instruments.link import Link
    from wavewright.instruments.setups import SourceSetup

_PLAIN = ("frequency", "amplitude", "offset", "duty_factor", "symmetry", "width", "phase")
_RAMP_POINTS = 1000
_FULL_SCALE = 32767  # samples of one's own go out as 16-bit integers, most significant byte first


class Source(Instrument):
    """A signal source with one output. The ceiling `voltage` is for the highest magnitude that the signal reaches."""

    role: ClassVar[Role] = Role.SOURCE
    has_output: ClassVar[bool] = True
    settings_interact: ClassVar[bool] = True
    ceiling_of: ClassVar[Mapping[str, str]] = MappingProxyType({"frequency": "frequency"})

    def __init__(self, link: Link, profile: Profile, *, ceilings: Mapping[str, float] | None = None) -> None:
        super().__init__(link, profile, ceilings=ceilings)
        self._output = OutputSwitch(self)
        self._amplitude = 0.0
        self._offset = 0.0

    def reset(self) -> None:
        """Output off and confirmed, then the known state, then asked again."""
        self.output_off()
        self._output.confirm_off(self._reset_and_ask(self._output.state))
        if "voltage" in self.ceilings:  # what it comes up with counts as well, as soon as one of the two is changed
            self._amplitude, self._offset = self._level_now()

    def apply_setup(self, setup: SourceSetup) -> Settings:
        """One step; a step that names a function ends with the output on, unless it says otherwise.

        The order: off if it says so, samples, values, read back, on, and the burst last.

        Raises
        ------
        BenchFault : above a ceiling; nothing has been sent.
        SetOtherwise : the source is set to something else than requested; the output is off.
        Complaint, NoAnswer, BadAnswer, LinkLost, OutputMayBeOn
        """
        setup = as_played(self.profile, setup)
        group = list(source_assignments(setup))
        self.check_ceilings(group)
        if setup.output is False:
            self.output_off()
        if setup.arbitrary is not None:
            self._send_samples(setup.arbitrary)
        used = dict(self.apply(group, doing="setting the source"))
        self._check_read_back(group, used)
        if ends_with_output_on(setup):
            self._check_before_on()
            self._output.on()
            used["output"] = True
        elif setup.output is False:
            used["output"] = False
        if setup.starts_burst:
            self.trigger()
            self.check_errors("giving a burst")
        return used

    def trigger(self) -> None:
        """Give one burst.

        Raises
        ------
        Misuse : the profile does not say how.
        """
        self.set("trigger", None)

    def output_off(self) -> None:
        """Off, confirmed by asking.

        Raises
        ------
        OutputMayBeOn : it could not be confirmed.
        """
        self._output.off()

    def output_on(self) -> AbstractContextManager[None]:
        """On inside the block; off, and confirmed off, after it."""
        self._check_before_on()
        return self._output.held_on()

    def check_output(self, doing: str) -> None:
        """See that the output is as it was switched last."""
        self._output.check_unchanged(doing)

    def switch_off_at_once(self) -> None:
        """Off, without waiting for anything; not confirmed yet."""
        self._output.send_off()

    def safe_state(self) -> None:
        """Off, and confirmed."""
        self.output_off()

    def check_ceilings(self, assignments: Iterable[Assignment]) -> None:
        """As everywhere, and amplitude and offset together: what counts is the highest magnitude."""
        group = list(assignments)
        super().check_ceilings(group)
        values = {assignment.setting: assignment.value for assignment in group}
        amplitude = _number(values.get("amplitude"), self._amplitude)
        offset = _number(values.get("offset"), self._offset)
        if {"amplitude", "offset"} & set(values):
            self.refuse_above("voltage", peak_magnitude(amplitude, offset), "amplitude")
        self._amplitude, self._offset = amplitude, offset

    def _check_before_on(self) -> None:
        """What the source would give, whoever set it, against the ceiling."""
        if "voltage" in self.ceilings and self.profile.can_ask("amplitude"):
            self.refuse_above("voltage", peak_magnitude(*self._level_now()), "amplitude")

    def _check_read_back(self, group: Iterable[Assignment], used: Settings) -> None:
        """A source that rounds above a ceiling, or is set to something else than requested, is switched off again."""
        amplitude = _number(used.get("amplitude"), self._amplitude)
        offset = _number(used.get("offset"), self._offset)
        try:
            if {"amplitude", "offset"} & set(used):
                self.refuse_above("voltage", peak_magnitude(amplitude, offset), "amplitude")
            self.check_as_requested(group, used)
        except (BenchFault, SetOtherwise):
            self.output_off()
            raise

    def _level_now(self) -> tuple[float, float]:
        """Amplitude and offset by its own answer; as they were set where it cannot be asked, V."""
        asked = {"amplitude": self._amplitude, "offset": self._offset}
        answers = {
            name: self.get_surely(name) if self.profile.can_ask(name) else known for name, known in asked.items()
        }
        return answers["amplitude"], answers["offset"]

    def _send_samples(self, period: Waveform) -> None:
        *before, last = self.profile.messages("arbitrary", None, values=self._written)
        for message in before:
            self.link.write(message)
        self.link.write(last, block=arbitrary_block(period))
        self.check_errors("sending the samples of one period")


def _number(value: object, otherwise: float) -> float:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else otherwise


def peak_magnitude(amplitude: float, offset: float) -> float:
    """The highest magnitude of a signal of that peak-to-peak amplitude around that offset, V."""
    return abs(offset) + abs(amplitude) / 2


def ends_with_output_on(setup: SourceSetup) -> bool:
    """Whether a step switches the output on at its end."""
    return bool(setup.output) or (setup.output is None and setup.function is not None)


def period_extremes(period: Waveform) -> tuple[float, float]:
    """The lowest and the highest value of what is to be played as one period, in its unit.

    Raises
    ------
    Misuse : fewer than two samples, all equal, or some not numbers.
    """
    values = period.values()
    if values.size < 2 or not np.all(np.isfinite(values)) or float(np.ptp(values)) == 0.0:
        raise Misuse(
            f"`{period.name}` is not a period of a signal", expected="at least 2 samples, all numbers, not all equal"
        )
    return float(values.min()), float(values.max())


def arbitrary_block(period: Waveform) -> bytes:
    """One period as 16-bit integers, most significant byte first, its extremes at full scale.

    Raises
    ------
    Misuse : as `period_extremes`.
    """
    low, high = period_extremes(period)
    shares = (period.values() - low) / (high - low)
    return bytes(np.rint((2 * shares - 1) * _FULL_SCALE).astype(">i2").tobytes())


def as_played(profile: Profile, setup: SourceSetup) -> SourceSetup:
    """A step as this kind of source gives it: a ramp as samples of one period where it has none of its own."""
    own = profile.setting("function")
    is_played = (
        setup.function == "ramp" and own is not None and "ramp" not in own.words and profile.can_set("arbitrary")
    )
    if not is_played:
        return setup
    points = int(min(_RAMP_POINTS, profile.grammar.abilities.arbitrary_points or _RAMP_POINTS))
    rising = 1.0 if setup.symmetry is None else setup.symmetry
    return replace(setup, function="arbitrary", symmetry=None, arbitrary=ramp_period(rising, points))


def ramp_period(rising: float, points: int) -> Waveform:
    """One period of a ramp from 0 to 1 and back; `rising` is the share of the period in which it rises, 0 … 1."""
    heights = np.interp(np.arange(points) / points, [0.0, rising, 1.0], [float(rising == 0.0), 1.0, 0.0])
    return Waveform.from_volts(heights, interval=1.0 / points, name="ramp")


def source_assignments(setup: SourceSetup) -> Iterable[Assignment]:
    """The values of a step in the order in which they are sent, without the output."""
    if setup.function is not None:
        yield Assignment("function", setup.function)
    for name in _PLAIN:
        if (value := getattr(setup, name)) is not None:
            yield Assignment(name, value)
    if setup.burst_cycles is not None:
        if setup.burst_cycles > 0:
            yield Assignment("burst.cycles", setup.burst_cycles)
        yield Assignment("burst.on", setup.burst_cycles > 0)


def source_messages(profile: Profile, setup: SourceSetup) -> tuple[str, ...]:
    """What a step sends, in order, for the plan; queries that confirm and read back are left out.

    Raises
    ------
    Misuse : the profile cannot say one of them.
    """
    before = profile.messages("output", False) if setup.output is False else ()
    samples = profile.messages("arbitrary", None) if setup.arbitrary is not None else ()
    after = profile.messages("output", True) if ends_with_output_on(setup) else ()
    burst = profile.messages("trigger", None) if setup.starts_burst else ()
    return (*before, *samples, *profile.messages_for(source_assignments(setup)), *after, *burst)


def source_faults(
    profile: Profile, setup: SourceSetup, *, ceilings: Mapping[str, float] | None = None
) -> tuple[BenchFault, ...]:
    """What this kind of source, or the bench's ceilings, cannot give of a step."""
    abilities, limits = profile.grammar.abilities, ceilings or {}
    peak = peak_magnitude(setup.amplitude or 0.0, setup.offset or 0.0)
    faults = []
    most_points = abilities.arbitrary_points
    if setup.arbitrary is not None and most_points is not None and len(setup.arbitrary) > most_points:
        faults.append(
            BenchFault(
                f"`{setup.arbitrary.name}` has {len(setup.arbitrary)} points",
                expected=f"at most {most_points} points in one period",
                do="take fewer samples of it, or one period out of several",
            )
        )
    for name, value, unit, most in (
        ("frequency", setup.frequency, "Hz", abilities.frequency),
        ("frequency", setup.frequency, "Hz", limits.get("frequency")),
        ("amplitude", setup.amplitude, "V", abilities.voltage),
        ("amplitude and offset", peak, "V", limits.get("voltage")),
    ):
        if value is not None and most is not None and value > most:
            faults.append(
                BenchFault(f"`{name}` of {show_quantity(value, unit)}", expected=f"at most {show_quantity(most, unit)}")
            )
    return tuple(faults)
