"""What a digitizer uses, as far as it says so, and what it was set to where it does not: range, time axis, length."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from wavewright.instruments.profile import Assignment
from wavewright.instruments.setups import DigitizerSetup, InputSetup


@dataclass(frozen=True, slots=True)
class SettingsInUse:
    """The settings of one set-up, at the instrument's connector.

    Parameters
    ----------
    setup : what was requested.
    asked : what was sent for it.
    read_back : by name, what the instrument answered that it uses.
    """

    setup: DigitizerSetup
    asked: Sequence[Assignment] = ()
    read_back: Mapping[str, float | str | bool] = field(default_factory=dict)

    def range_of(self, one: InputSetup) -> tuple[float, float]:
        """Lowest and highest voltage of the range of an input."""
        used, head = self.read_back, f"input{one.input}."
        if f"{head}upper" in used and f"{head}lower" in used:
            return float(used[f"{head}lower"]), float(used[f"{head}upper"])
        span = float(used.get(f"{head}range", one.range / one.attenuation))
        middle = float(used.get(f"{head}offset", one.offset / one.attenuation))
        return middle - span / 2, middle + span / 2

    @property
    def interval(self) -> float:
        """Time between two samples, s."""
        used = self.read_back
        if "timebase.interval" in used:
            return float(used["timebase.interval"])
        if "timebase.rate" in used:
            return 1 / float(used["timebase.rate"])
        if "timebase.span" in used:
            return float(used["timebase.span"]) / max(self.points - 1, 1)
        return self.setup.timebase.interval

    @property
    def points(self) -> int:
        """Number of samples in a record."""
        return int(self.read_back.get("timebase.points", self.setup.timebase.points))

    @property
    def knows_points(self) -> bool:
        """Whether the instrument has said how many there are."""
        return "timebase.points" in self.read_back

    @property
    def span(self) -> float:
        """From the first sample to the last, s."""
        return float(self.read_back.get("timebase.span", self.interval * max(self.points - 1, 1)))

    @property
    def start(self) -> float:
        """First sample from the trigger, s: reference time − position · span (SCPI-99 vol. 2, SENSe:SWEep; memory).

        Either of the two that the instrument does not report is what it was set to, and where nobody sets it what it is
        by itself: the reference point is the first sample, and it lies at the trigger.
        """
        used = self.read_back
        if "timebase.before_trigger" in used:
            return -float(used["timebase.before_trigger"])
        told = [name for name in ("timebase.reference_position", "timebase.reference_time") if name in used]
        if not told:
            return -self.setup.timebase.before_trigger
        sent = {one.setting: one.value for one in self.asked if isinstance(one.value, float)}
        position, delay = (
            float(used.get(name, sent.get(name, 0.0)))
            for name in ("timebase.reference_position", "timebase.reference_time")
        )
        return delay - position * self.span
