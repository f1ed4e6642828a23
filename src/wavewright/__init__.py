"""Wavewright: bench measurements as text. Set, capture, recompute, judge, record.

Names are imported when they are first used: `wavewright --help` waits for none of them.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from wavewright.analysis.catalogue import metric, metrics
    from wavewright.analysis.doubts import doubts
    from wavewright.analysis.measure import measure
    from wavewright.analysis.reading import Doubt, Reading
    from wavewright.analysis.uncertainty.accuracy import Accuracy
    from wavewright.analysis.uncertainty.budget import Budget
    from wavewright.analysis.uncertainty.combination import combine
    from wavewright.analysis.uncertainty.contribution import Contribution
    from wavewright.analysis.uncertainty.draws import propagate
    from wavewright.analysis.uncertainty.inputs import Input
    from wavewright.buses.catalogue import buses
    from wavewright.buses.decode import decode
    from wavewright.buses.frame import Frame
    from wavewright.errors import WavewrightError
    from wavewright.instruments.bench_file import load_bench
    from wavewright.judgement.judge import judge
    from wavewright.judgement.verdict import Verdict
    from wavewright.logbook.formats.catalogue import read_waveform, write_waveforms
    from wavewright.logbook.kept_run import fitness, run
    from wavewright.logbook.outcome_files import read_outcome
    from wavewright.recipe.load import load_recipe
    from wavewright.running.outcome import Outcome
    from wavewright.waveform import Capture, Waveform

__all__ = [
    "Accuracy",
    "Budget",
    "Capture",
    "Contribution",
    "Doubt",
    "Frame",
    "Input",
    "Outcome",
    "Reading",
    "Verdict",
    "Waveform",
    "WavewrightError",
    "buses",
    "combine",
    "decode",
    "doubts",
    "fitness",
    "judge",
    "load_bench",
    "load_recipe",
    "measure",
    "metric",
    "metrics",
    "propagate",
    "read_outcome",
    "read_waveform",
    "run",
    "write_waveforms",
]

_OWNERS = {
    "Accuracy": "wavewright.analysis.uncertainty.accuracy",
    "Budget": "wavewright.analysis.uncertainty.budget",
    "Capture": "wavewright.waveform",
    "Contribution": "wavewright.analysis.uncertainty.contribution",
    "Doubt": "wavewright.analysis.reading",
    "Frame": "wavewright.buses.frame",
    "Input": "wavewright.analysis.uncertainty.inputs",
    "Outcome": "wavewright.running.outcome",
    "Reading": "wavewright.analysis.reading",
    "Verdict": "wavewright.judgement.verdict",
    "Waveform": "wavewright.waveform",
    "WavewrightError": "wavewright.errors",
    "buses": "wavewright.buses.catalogue",
    "combine": "wavewright.analysis.uncertainty.combination",
    "decode": "wavewright.buses.decode",
    "doubts": "wavewright.analysis.doubts",
    "fitness": "wavewright.logbook.kept_run",
    "judge": "wavewright.judgement.judge",
    "load_bench": "wavewright.instruments.bench_file",
    "load_recipe": "wavewright.recipe.load",
    "measure": "wavewright.analysis.measure",
    "metric": "wavewright.analysis.catalogue",
    "metrics": "wavewright.analysis.catalogue",
    "propagate": "wavewright.analysis.uncertainty.draws",
    "read_outcome": "wavewright.logbook.outcome_files",
    "read_waveform": "wavewright.logbook.formats.catalogue",
    "run": "wavewright.logbook.kept_run",
    "write_waveforms": "wavewright.logbook.formats.catalogue",
}


def __getattr__(name: str) -> Any:
    if name not in _OWNERS:
        raise AttributeError(f"module `wavewright` has no attribute `{name}`")
    value = getattr(import_module(_OWNERS[name]), name)
    return globals().setdefault(name, value)  # `buses` is there by now: the package, which can be called


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
