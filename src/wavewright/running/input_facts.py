"""What is stated about each input as it is set: kept with every shot, so that its doubts can be computed again.

Profile, bench and recipe state it before a run; afterwards it stands among the settings of a capture, in SI units and
at the probe's tip.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from wavewright.analysis.front_end.edge_speed import joint_delay, joint_rise_time
from wavewright.analysis.front_end.front_end import FrontEnd, Look
from wavewright.analysis.front_end.ground_lead import ringing_of_lead
from wavewright.analysis.front_end.probe_loading import Probe, ProbedNode
from wavewright.analysis.reading import Doubt
from wavewright.instruments.bench_file import BenchFile, InstrumentEntry, ProbeEntry
from wavewright.instruments.corrections import NO_CORRECTIONS, InstrumentCorrections
from wavewright.instruments.profile import Profile
from wavewright.instruments.setups import InputSetup
from wavewright.quantities import show_quantity
from wavewright.recipe.acquisition import Channel, Coupling

Fact = float | str | bool
Facts = Mapping[str, Fact]
DOUBT = ".doubt."  # within the name of a setting that holds what the bench itself says against readings


@dataclass(frozen=True, slots=True)
class InputPath:
    """The way from a point on the board to the converter, as profile, bench and recipe state it.

    Parameters
    ----------
    attenuation : of the probe as it is used; one that is switched to 1x is another probe.
    limit : Hz, of the band limit that is set.
    impedance : ohm, of the input as it is set; None where that is not known.
    corrections : of the digitizer, as they stand in their file.
    """

    channel: Channel
    profile: Profile
    probe: ProbeEntry
    attenuation: float
    limit: float | None = None
    impedance: float | None = None
    corrections: InstrumentCorrections = NO_CORRECTIONS

    def corrected(self, *, range: float, middle: float) -> dict[str, float]:
        """Standard uncertainty of each correction that would be applied in a range, if the instrument is the right one.

        Parameters
        ----------
        range, middle : V, at the probe's tip.
        """
        channel, impedance = self.channel, self.channel.impedance
        setup = InputSetup(
            input=channel.input,
            range=range,
            offset=middle,
            coupling=channel.coupling.value,
            attenuation=self.attenuation,
            bandwidth_limit=self.limit,
            impedance=None if impedance is None else float(impedance),
        )
        return {one.quantity: float(one.uncertainty) for one in self.corrections.applied(setup)}

    @property
    def tip(self) -> ProbeEntry | None:
        """The probe at its attenuation; None where the bench states it at another one."""
        return self.probe.at(self.attenuation)

    @property
    def bandwidths(self) -> dict[str, float]:
        """Of each part that has one stated, Hz."""
        parts = {
            "probe": None if self.tip is None else self.tip.bandwidth,
            "input": self.profile.grammar.abilities.bandwidth,
            "band limit": self.limit,
        }
        return {name: bandwidth for name, bandwidth in parts.items() if bandwidth}

    @property
    def ac_corner(self) -> float | None:
        """Hz, of the ac coupling; None where the input is coupled otherwise, or the profile does not state it."""
        return self.profile.grammar.abilities.ac_corner if self.channel.coupling is Coupling.AC else None

    @property
    def touching(self) -> Probe | None:
        """The tip as the point on the board sees it; None where nothing is known about it."""
        if self.tip is None:
            return None
        resistance = math.inf if self.impedance is None else self.attenuation * self.impedance
        return Probe(resistance, self.tip.capacitance, max(self.attenuation, 1.0))

    @property
    def source(self) -> ProbedNode | None:
        """The point on the board, where the recipe says what it can give."""
        stated = self.channel.source_impedance
        return None if stated is None else ProbedNode(float(stated))

    @property
    def lead_ringing(self) -> float | None:
        """Hz, at which the ground lead rings; None where its length or the capacitance of the tip is not stated."""
        stated = self.channel.ground_lead
        length = self.probe.ground_lead if stated is None else float(stated)
        tip = self.tip
        return ringing_of_lead(length, tip.capacitance) if length and tip is not None and tip.capacitance else None

    @property
    def facts(self) -> dict[str, Fact]:
        """By names for the settings of a capture, without the input's number; what is not stated is left out."""
        accuracy, touching, source = self.profile.grammar.accuracy, self.touching, self.source
        widths = self.bandwidths
        known: dict[str, Fact | None] = {
            "bandwidth": min(widths.values(), default=math.inf),
            "rise_time": joint_rise_time(widths.values()) if widths else None,
            "group_delay": joint_delay(widths.values()) if widths else None,
            "bandwidths": ", ".join(f"{name} {show_quantity(width, 'Hz')}" for name, width in widths.items()) or None,
            "ac_corner": self.ac_corner,
            "skew": accuracy.skew,
            "trigger_jitter": accuracy.trigger_jitter,
            "probe_capacitance": self.probe.capacitance if touching is None else touching.capacitance,
            "probe_resistance": None if touching is None else touching.resistance,
            "source_resistance": None if source is None else source.resistance,
            "lead_ringing": self.lead_ringing,
        }
        return {name: value for name, value in known.items() if value is not None}


def default_impedance(profile: Profile) -> float | None:
    """The input impedance where none is set, ohm: the highest that the profile states."""
    return max(profile.grammar.abilities.impedances, default=None)


def input_path(
    channel: Channel, bench: BenchFile, profile: Profile, *, attenuation: float, settings: Facts | None = None
) -> InputPath:
    """The way of one channel.

    Parameters
    ----------
    attenuation : of the probe as it is used.
    settings : as read back; what the recipe states where there are none yet.
    """
    prefix, read = f"input{channel.input}.", settings or {}
    limit = read.get(
        f"{prefix}bandwidth_limit", None if channel.bandwidth_limit is None else float(channel.bandwidth_limit)
    )
    is_limited = read.get(f"{prefix}bandwidth_limit.on", True) is not False
    impedance = read.get(f"{prefix}impedance", None if channel.impedance is None else float(channel.impedance))
    return InputPath(
        channel,
        profile,
        bench.probe(channel.input),
        attenuation,
        limit=float(limit) if is_limited and isinstance(limit, int | float) and limit > 0 else None,
        impedance=float(impedance) if isinstance(impedance, int | float) else default_impedance(profile),
        corrections=_corrections(bench, profile),
    )


def _corrections(bench: BenchFile, profile: Profile) -> InstrumentCorrections:
    """Those of the instrument that has this profile."""
    if bench.corrections is None:
        return NO_CORRECTIONS
    names = [name for name in bench.instruments if bench.profiles[name] is profile]
    held = tuple(one for one in bench.corrections.file.holding() if one.instrument in names)
    return InstrumentCorrections(held, bench.probe_serials)


def input_facts(path: InputPath, settings: Facts, standing: Mapping[Doubt, str]) -> dict[str, Fact]:
    """What is stated about one input as it is set, by names for the settings of a capture.

    Parameters
    ----------
    settings : as read back, at the probe's tip.
    standing : doubts that the bench itself raises.
    """
    prefix = f"input{path.channel.input}"
    facts = {f"{prefix}.{name}": value for name, value in path.facts.items()}
    width, accuracy = settings.get(f"{prefix}.range"), path.profile.grammar.accuracy
    for name, stated in (("open_offset", accuracy.offset), ("open_noise", accuracy.noise)):
        if stated is not None and isinstance(width, int | float):
            facts[f"{prefix}.{name}"] = stated[0] * float(width) + stated[1] * path.attenuation
    return facts | doubt_facts(prefix, standing)


def standing_doubts(entry: InstrumentEntry, profile: Profile, *, now: datetime) -> dict[Doubt, str]:
    """What the bench file says against every reading of an instrument, at a time in UTC."""
    found: dict[Doubt, str] = {}
    warm_up, since = profile.grammar.accuracy.warm_up, entry.on_since
    if warm_up is not None and since is not None and (age := (now - since).total_seconds()) < warm_up:
        found[Doubt.NOT_WARMED_UP] = (
            f"`{profile.name}` was switched on {max(age, 0.0) / 60:.0f} min before, and its accuracy holds after "
            f"{warm_up / 60:.0f} min"
        )
    return found


def doubt_facts(head: str, standing: Mapping[Doubt, str]) -> dict[str, Fact]:
    """What the bench itself says against readings, by names for the settings of a capture.

    Parameters
    ----------
    head : of the names: `input1` for an input of the digitizer, else the role of the instrument, `meter`.
    """
    return {f"{head}{DOUBT}{doubt}": text for doubt, text in standing.items()}


def repeated_facts(inputs: Iterable[int]) -> dict[str, Fact]:
    """For inputs whose record came before, by names for the settings of a capture."""
    found = {Doubt.REPEATED_RECORD: ""}
    return {name: text for number in inputs for name, text in doubt_facts(f"input{number}", found).items()}


def doubts_in(settings: Facts, head: str) -> tuple[tuple[Doubt, str], ...]:
    """What `doubt_facts` entered under that head."""
    start = f"{head}{DOUBT}"
    return tuple(
        (Doubt(name.removeprefix(start)), str(text)) for name, text in settings.items() if name.startswith(start)
    )


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
    interval, source, resistance = known("look.interval"), known("source_resistance"), known("probe_resistance")
    return FrontEnd(
        bandwidth,
        known("open_offset"),
        known("open_noise"),
        None if interval is None else Look(interval, known("look.edges"), known("look.tone")),
        input=number,
        rise_time=known("rise_time"),
        group_delay=known("group_delay"),
        bandwidths=str(settings.get(f"input{number}.bandwidths", "")),
        ac_corner=known("ac_corner"),
        skew=known("skew"),
        is_skew_corrected=f"input{number}.correction.skew" in settings,
        trigger_jitter=known("trigger_jitter"),
        source=None if source is None else ProbedNode(source),
        probe=None if resistance is None else Probe(resistance, known("probe_capacitance") or 0.0),
        lead_ringing=known("lead_ringing"),
        stated=doubts_in(settings, f"input{number}"),
    )
