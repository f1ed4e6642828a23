"""The files that a run is made from beside recipe and bench: profiles and corrections."""

from __future__ import annotations

from wavewright.instruments.bench_file import BenchFile
from wavewright.running.outcome import Origin
from wavewright.running.selection import Selection


def origin_of_corrections(bench: BenchFile) -> Origin | None:
    """The file of corrections; None where there is none."""
    held = bench.corrections
    return None if held is None else Origin(held.path, held.text, held.digest)


def origins_of_profiles(chosen: Selection) -> dict[str, Origin]:
    """The profiles of the instruments that a run uses, by name."""
    return {profile.name: Origin(profile.path, profile.text, profile.digest) for profile in chosen.profiles.values()}
