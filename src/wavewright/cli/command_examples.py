"""An example or two of every command, shown at the end of its help and in the reference."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

EXAMPLES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "bench identify": ("wavewright bench identify --bench sim/bench.yaml",),
        "bench list": ("wavewright bench list --library @py",),
        "bench scan": ("wavewright bench scan --bench sim/bench.yaml",),
        "budget": ("wavewright budget last rail_noise.ripple",),
        "buses": ("wavewright buses", "wavewright buses modbus_rtu"),
        "calibrate": (
            "wavewright calibrate recipes/calibrate_levels.yaml --bench sim/bench.yaml --dry-run --yes",
            "wavewright calibrate recipes/calibrate_skew.yaml --valid-for 180 --operator 'R. Okafor'",
        ),
        "decode": (
            "wavewright decode trace.csv --bus uart --tx 1 --baud 19200 --parity even",
            "wavewright decode shots --bus uart --tx 1 --baud 19200 --table frames.csv",
        ),
        "density": (
            "wavewright density shot1.npz shot2.npz --rare 100 --picture terminal",
            "wavewright density shots --jobs 2 --table cells.csv",
        ),
        "doubts": ("wavewright doubts",),
        "examples": ("wavewright examples demo", "wavewright examples --board own/mine.yaml"),
        "help": ("wavewright help rise_time", "wavewright help --html reference"),
        "logbook attach": ("wavewright logbook attach last photo.png --operator 'R. Okafor'",),
        "logbook backup": ("wavewright logbook backup backup.sqlite",),
        "logbook note": ('wavewright logbook note last "connector X3 reseated"',),
        "logbook export": ("wavewright logbook export lot-7.csv --batch-name lot-7",),
        "logbook find": ("wavewright logbook find --serial VC204-0025 --verdict fail",),
        "logbook forward": ("wavewright logbook forward",),
        "logbook import": ("wavewright logbook import outcomes",),
        "logbook list": ("wavewright logbook list",),
        "logbook prune": (
            "wavewright logbook prune --serial VC204-0000",
            "wavewright logbook prune --older-than 90 --keep-one-of 20 --keep-last 2",
        ),
        "logbook quarantine": (
            'wavewright logbook quarantine VC204-0025 --reason "cracked at C12" --operator "R. Okafor"',
            "wavewright logbook quarantine",
        ),
        "logbook release": ('wavewright logbook release VC204-0025 --reason "C12 replaced" --operator "R. Okafor"',),
        "logbook rights": (
            "wavewright logbook rights --logbook postgresql://owner@server/line --station line_2 --office quality",
        ),
        "logbook show": ("wavewright logbook show last",),
        "logbook tell": ('wavewright logbook tell --tell "python receive.py"', "wavewright logbook tell --schema"),
        "logbook trend": ("wavewright logbook trend rail_noise.ripple",),
        "logbook verify": ("wavewright logbook verify",),
        "logbook waveforms": ("wavewright logbook waveforms last --out waveforms",),
        "look": (
            'wavewright look --bench sim/bench.yaml --input 1 --place "Probe 1 on TP10." --yes',
            "wavewright look trace.csv",
            "wavewright look shots --table lines.csv",
        ),
        "measure": (
            "wavewright measure trace.csv --metric rise_time --low 20% --high 80%",
            "wavewright measure trace.csv --metric rise_time --picture rise.svg",
            "wavewright measure shots --metric rms --table rms.csv",
        ),
        "metrics": ("wavewright metrics", "wavewright metrics rise_time"),
        "plan": ("wavewright plan recipes/end_of_line.yaml --bench sim/bench.yaml",),
        "profile exercise": ("wavewright profile exercise own.yaml --bench sim/bench.yaml",),
        "profile list": ("wavewright profile list",),
        "profile new": ("wavewright profile new own --from scpi-digitizer",),
        "profile show": ("wavewright profile show scpi-digitizer",),
        "recompute": (
            "wavewright recompute last",
            "wavewright recompute --all --recipe tighter.yaml",
            "wavewright recompute --all --cluster local --table recomputed.parquet",
        ),
        "replay": ("wavewright replay wire.log recipes/rail_ripple.yaml --bench sim/bench.yaml",),
        "report": (
            "wavewright report last --out report.html",
            "wavewright report last --measurement rail_noise --out rail.png",
            "wavewright report last --picture terminal",
            "wavewright report --batch --batch-name lot-7 --out lot-7.html",
        ),
        "run": (
            "wavewright run recipes/end_of_line.yaml --bench sim/bench.yaml --serial VC204-0017 --yes",
            "wavewright run recipes/rail_ripple.yaml --serials sim/lot.txt --batch-name lot-7 --yes",
            "wavewright run recipes/end_of_line.yaml --bench sim/bench.yaml --yes --times",
        ),
        "schema": ("wavewright schema recipe",),
        "serve": (
            "wavewright serve",
            "wavewright serve --host 0.0.0.0 --token-file token --logbook postgresql://quality@server/line",
        ),
        "simulate": (
            "wavewright simulate sim/bench.yaml --write-bench live.yaml",
            "wavewright simulate sim/bench.yaml --write-bench live.yaml --latency 5ms",
        ),
        "watch": (
            "wavewright watch recipes/rail_ripple.yaml --bench sim/bench.yaml",
            "wavewright watch recipes/rail_ripple.yaml --file trace.npz",
        ),
        "validate": ("wavewright validate recipes/end_of_line.yaml sim/bench.yaml",),
    }
)
"""Command lines by the words of the command; the files are those of `wavewright examples`, or the reader's.

Those of studies are in their catalogue.
"""
