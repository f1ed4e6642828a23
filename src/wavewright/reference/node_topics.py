"""Topics of the kinds of nodes of a simulated board: keys, and a drawing computed from a node of the shipped boards."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import cache

from wavewright.reference.docstring import escaped, page, table
from wavewright.reference.schema_topics import SchemaTopics
from wavewright.reference.topic import Group, Topic
from wavewright.running.shipped_files import shipped
from wavewright.simulation.circuit.board import Board, load_board
from wavewright.simulation.circuit.nodes import MakeNode, Node, node_kinds
from wavewright.simulation.circuit.surroundings import UNLOADED, Surroundings

BOARDS = ("one_of_each.yaml", "vc204.yaml")
SEED = 204
BEGIN = 0.1  # s: by then everything that starts up has done so
PERIODS = 5.0  # of a node that repeats itself
SPAN = 0.1  # s, of one that does not say how fast it is
POINTS = 5_000
SPANS = {"burst": 0.06, "pwm": 0.006, "bus_words": 0.02, "bus_line": 0.02, "formula": 0.025, "noise": 2e-4, "rc": 0.1}


def topics() -> Iterator[Topic]:
    """Every kind by its name."""
    for name, make in sorted(node_kinds().items()):
        yield node_topic(name, make)


def with_kinds(board: Topic) -> Topic:
    """The topic of board files with a table of the kinds of nodes."""
    rows = [(f"`{name}`", escaped(_summary(make))) for name, make in sorted(node_kinds().items())]
    told = (
        "## Kinds of nodes",
        table(("kind", "what it is"), rows),
        "`wavewright help KIND` has the keys of each with a picture. `wavewright examples --board mine.yaml` writes a "
        "board with a node of each kind, to be changed, and a bench that has it.",
    )
    return replace(board, text="\n\n".join([board.text, *told]))


def _summary(make: MakeNode) -> str:
    text = " ".join((make.__doc__ or "").strip().split("\n\n")[0].split())
    return f"{text.split('. ')[0].rstrip('.')}."


def node_topic(name: str, make: MakeNode) -> Topic:
    """One kind: what it is, a drawing, its keys."""
    told = page(make, names={}).strip()
    (keys, *_) = SchemaTopics("node", make.entry.model_json_schema()).topics()
    rows = keys.text.partition("| key |")
    drawing = _drawing(name)
    parts = [
        f"A kind of node of a simulated board: `kind: {name}`.",
        told,
        *([f"```text\n{drawing}\n```"] if drawing else []),
        f"{rows[1]}{rows[2]}",
    ]
    return Topic(Group.NODE, name, _summary(make), "\n\n".join(parts))


def _drawing(name: str) -> str:
    """The voltage of the first node of that kind on the shipped boards; empty where none has one."""
    from wavewright.reporting.terminal_trace import terminal_trace
    from wavewright.waveform import Waveform

    for board in _boards():
        for node_name, node in board.nodes.items():
            if not _is_of(node, name):
                continue
            span = SPANS.get(name) or _span(node)
            volts = node.motion(BEGIN, BEGIN + span, UNLOADED, span).sampled(BEGIN, span / POINTS, POINTS)
            wave = Waveform.from_volts(volts, interval=span / POINTS, name=node_name)
            return "\n".join(terminal_trace(wave, width=60, height=4))
    return ""


def _is_of(node: object, kind: str) -> bool:
    make: object = node_kinds()[kind]
    return type(node) is make


def _span(node: Node) -> float:
    truth: Mapping[str, float] = node.truth()
    frequency = truth.get("frequency") or truth.get("strongest_tone") or 0.0
    return PERIODS / frequency if frequency else SPAN


@cache
def _boards() -> tuple[Board, ...]:
    folder = shipped("sim")
    return tuple(load_board(folder / name, Surroundings(), seed=SEED) for name in BOARDS)
