"""What the settings of a capture say about the way from probe to converter, and how it gets there."""

from __future__ import annotations

import math
from collections.abc import Mapping

from wavewright.analysis.front_end.front_end import FrontEnd, Look
from wavewright.instruments.bench import Bench

Facts = Mapping[str, float | str | bool]


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
