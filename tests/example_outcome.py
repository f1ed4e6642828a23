"""An outcome to test with: what a run of a few measurements could have brought."""

from __future__ import annotations

from datetime import UTC, datetime

from wavewright.analysis.reading import Doubt, Reading
from wavewright.judgement.verdict import Verdict
from wavewright.running.outcome import Origin, Outcome
from wavewright.running.result import MeasurementOutcome, Result


def example_outcome() -> Outcome:
    """A run with a pass, a fail, a result without a limit, one without a number, and a measurement that broke off."""
    rail = MeasurementOutcome(
        "rail_noise",
        place="Probe 1 on TP3.",
        asked={"input1.range": 0.1, "input1.coupling": "ac"},
        read_back={"input1.range": 0.16, "input1.coupling": "ac"},
        remarks=("input1.range: requested 100 mV, set to 160 mV",),
        shots=2,
        results=(
            Result(
                "ripple",
                "peak_to_peak",
                ("rail",),
                "max",
                "at most 40 mV",
                Reading(
                    0.03123, "V", uncertainty=2e-4, doubts=(Doubt.FEW_CODES,), count=2, minimum=0.0312, maximum=0.03123
                ),
                Verdict.PASS,
                margin=0.00877,
                relative_margin=0.219,
                shots=(Reading(0.0312, "V"), Reading(0.03123, "V")),
            ),
            Result("mean", "mean", ("rail",), "each", "", Reading(1e-4, "V"), None),
        ),
    )
    coil = MeasurementOutcome(
        "coil_drive",
        {"duty": "40 %"},
        shots=1,
        results=(
            Result(
                "duty_factor",
                "duty_factor",
                ("drive",),
                "each",
                "40 % ± 1 pp",
                Reading(0.45, "1"),
                Verdict.FAIL,
                -0.04,
                -4.0,
                reason="45 % exceeds the limit (40 % ± 1 pp)",
                decisive_shot=0,
                shots=(Reading(0.45, "1"),),
            ),
            Result(
                "overshoot",
                "overshoot",
                ("drive",),
                "each",
                "at most 8 %",
                Reading(None, "1", reason="0 edges"),
                Verdict.INCONCLUSIVE,
                reason="0 edges",
            ),
        ),
    )
    reset = MeasurementOutcome("reset_hold", error="no trigger within 5 s")
    file = Origin("recipes/end_of_line.yaml", "wavewright: 1\n", "0" * 64)
    return Outcome(
        title="VC-204 end-of-line check",
        part="VC-204",
        serial="VC204-0017",
        operator="M. Brandt",
        started=datetime(2026, 1, 15, 9, 30, tzinfo=UTC),
        ended=datetime(2026, 1, 15, 9, 31, tzinfo=UTC),
        recipe=file,
        bench=Origin("sim/bench.yaml", "wavewright-bench: 1\n", "1" * 64),
        profiles={"scpi-digitizer": Origin("scpi-digitizer.yaml", "name: scpi-digitizer\n", "2" * 64)},
        parameters={"duty": "40 %"},
        seed=204,
        identities={"digitizer": "WAVEWRIGHT,SIMULATED DIGITIZER,0,1"},
        versions={"wavewright": "0.1.0"},
        measurements=(rail, coil, reset),
    )
