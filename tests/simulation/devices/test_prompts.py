"""The operator's screen moves the simulated probes."""

from __future__ import annotations

import pytest

from tests.simulation.conftest import connect, errors_of
from wavewright.simulation.library import SimulatedVisa

TEXTS = [
    # text, input, node, attenuation
    ("Probe 1 on TP9.", 1, "reset", 10.0),
    ("Probe 1 on TP3 with the short ground spring. Input 1: rail, probe 1x.", 1, "rail", 1.0),
    ("Probe 1 in the air.", 1, None, 10.0),
    ("Probe 2 on TP6, probe 1 in the air. Input 1: rail, probe 1x.", 1, None, 1.0),
    ("Probe 1 on TP3, probe 2 on TP9.", 2, "reset", 10.0),
    ("Input 3: tx, probe 10x.", 3, "tx", 10.0),
    ("Input 2: clock.", 2, "clock", 10.0),
    ("Probe 2 on TP6. Input 2: rail, probe 1x.", 2, "clock", 1.0),
    ("Input 1: my_own_name, probe 1x.", 1, "rail", 1.0),
    ("Close the cover.", 1, "rail", 10.0),
]


@pytest.mark.parametrize("text, number, node, attenuation", TEXTS, ids=[row[0][:30] for row in TEXTS])
def test_a_text_moves_and_switches_probes(
    library: SimulatedVisa, text: str, number: int, node: str | None, attenuation: float
) -> None:
    screen = connect(library, "prompts")
    screen.write(f'DISPlay:TEXT "{text}"')
    assert errors_of(screen) == []
    probe = library.bench.probing[number]
    assert (probe.node, probe.attenuation) == (node, attenuation)
    assert screen.query("DISPlay:TEXT?") == f'"{text}"'


def test_a_test_point_that_the_board_lacks_is_an_error(library: SimulatedVisa) -> None:
    screen = connect(library, "prompts")
    screen.write('DISPlay:TEXT "Probe 1 on TP99."')
    assert errors_of(screen) == [-224]


def test_a_reset_leaves_the_probes_where_they_hang(library: SimulatedVisa) -> None:
    screen = connect(library, "prompts")
    screen.write('DISPlay:TEXT "Probe 1 on TP9."')
    screen.write("*RST")
    assert screen.query("DISPlay:TEXT?") == '""'
    assert library.bench.probing[1].node == "reset"
