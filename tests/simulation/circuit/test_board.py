"""The board's nodes against their closed forms, with and without a probe."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from tests.simulation.conftest import SIM
from wavewright.errors import FileFault
from wavewright.simulation.circuit.board import Board, load_board
from wavewright.simulation.circuit.clocks import CrystalOscillator, EnableLine
from wavewright.simulation.circuit.drive import CoilTerminal, HalfBridge
from wavewright.simulation.circuit.power import BuckRail, FeedNode
from wavewright.simulation.circuit.surroundings import UNLOADED, Feed, Load, SourceSignal, Surroundings

TEN_TO_ONE = Load(10e6, 12e-12)


def board(name: str = "vc204.yaml", seed: int = 204) -> tuple[Board, Surroundings]:
    around = Surroundings()
    return load_board(SIM / name, around, seed=seed), around


def volts(node: object, start: float, interval: float, count: int, load: Load = UNLOADED) -> np.ndarray:
    return node.motion(start, start + count * interval, load).sampled(start, interval, count)  # type: ignore[attr-defined]


def test_every_node_tells_its_truth_and_moves_within_reason() -> None:
    built, _ = board()
    for name, node in built.nodes.items():
        assert node.truth(), name
        samples = volts(node, 1.0, 1e-6, 2000)
        assert np.isfinite(samples).all(), name
        assert -1.0 < samples.min() <= samples.max() < 61.0, name


def test_ripple_of_the_step_down_converter() -> None:
    # ideal converter: D = 0.1375; ripple current U(1 − D)/(L f) = 380.514706 mA at 3.3 V, 24 V, 22 µH, 340 kHz (math)
    built, _ = board()
    rail = built.nodes["rail"]
    assert isinstance(rail, BuckRail)
    current = (
        rail.ripple(24.0) / rail._series_resistance * (3.3 * (1 - 3.3 / 24)) / (rail.level * (1 - rail.level / 24))
    )
    assert current * rail.frequency / 340e3 == pytest.approx(380.514706e-3, rel=1e-6)
    samples = volts(rail, 1.0, 1e-9, 100_000)
    assert np.ptp(samples) == pytest.approx(rail.ripple(24.0), rel=2e-3)  # a sample lies 0.5 ns from a corner
    assert samples.mean() == pytest.approx(rail.level, abs=1e-4)
    # it rises for the share D = U/U in of a period: 100 µs are 34 periods, and a corner takes a sample either way
    assert (np.diff(samples) > 0).mean() == pytest.approx(rail.level / 24, abs=1e-3)


def test_reset_is_held_as_long_as_the_truth_says() -> None:
    built, around = board()
    around.feed.become(2.0, Feed(24.0, 1.0, False, False))
    around.feed.become(2.3, Feed(24.0, 1.0, True, False))
    reset, level = built.nodes["reset"], built.nodes["reset"].truth()["high_level"]
    samples = volts(reset, 2.3, 1e-7, 100_000)
    above = samples > 1.65
    edges = np.flatnonzero(above[1:] != above[:-1])
    assert len(edges) == 3, "up with the rail, down with the supervisor, up at release"
    falls = np.flatnonzero((samples[:-1] >= 0.3 * level) & (samples[1:] < 0.3 * level))
    rises = np.flatnonzero((samples[:-1] < 0.7 * level) & (samples[1:] >= 0.7 * level))
    low = (rises[-1] - falls[-1]) * 1e-7
    assert low == pytest.approx(reset.truth()["time_between"], abs=2e-7)  # two sample intervals


def test_a_probe_slows_the_release_of_the_reset() -> None:
    # math: ln 9 · R · C, 10 kΩ with 100 pF, and with 12 pF and 10 MΩ beside them
    built, around = board()
    around.feed.become(2.0, Feed(24.0, 1.0, False, False))
    around.feed.become(2.3, Feed(24.0, 1.0, True, False))

    def rise(load: Load) -> float:
        samples = volts(built.nodes["reset"], 2.3, 1e-8, 800_000, load)
        high = samples[-1]
        last_low = np.flatnonzero(samples < 0.05 + 0.1 * (high - 0.05))[-1]
        return float((np.flatnonzero(samples[last_low:] >= 0.05 + 0.9 * (high - 0.05))[0]) * 1e-8)

    assert rise(UNLOADED) == pytest.approx(math.log(9) * 1e-6, abs=2e-8)
    assert rise(TEN_TO_ONE) == pytest.approx(math.log(9) * 10e3 * 112e-12 * (10e6 / 10.01e6), abs=2e-8)


@pytest.mark.parametrize("limit, level", [(1.0, 24.0), (0.1, 16.0), (0.05, 8.0), (0.02, 3.2)])
def test_the_current_limit_folds_the_feed_back(limit: float, level: float) -> None:
    # math: 160 Ω of board, U = min(24 V, I · R)
    built, around = board()
    around.feed.become(2.0, Feed(24.0, limit, True, False))
    feed, rail = built.nodes["feed"], built.nodes["rail"]
    assert isinstance(feed, FeedNode)
    assert isinstance(rail, BuckRail)
    assert volts(feed, 3.0, 1e-3, 1)[0] == pytest.approx(level)
    expected = rail.level if level >= 7.0 else 0.0  # the converter starts at 7 V
    assert volts(rail, 3.0, 1e-6, 1000).mean() == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("name, overshoot", [("vc204.yaml", (0.04, 0.05)), ("vc204_faulty.yaml", (0.13, 0.15))])
def test_overshoot_of_the_drive_is_that_of_a_second_order_system(name: str, overshoot: tuple[float, float]) -> None:
    built, around = board(name)
    around.signal.become(1.0, SourceSignal("PULS", 1250.0, 0.0, 3.3, 0.4, 1.0, True))
    drive = built.nodes["drive"]
    assert isinstance(drive, HalfBridge)
    samples = volts(drive, 2.0, 1e-7, 160_000)
    # math: exp(−πζ/√(1 − ζ²))
    ideal = math.exp(-math.pi * drive.damping / math.sqrt(1 - drive.damping**2))
    assert samples.max() / 24.0 - 1 == pytest.approx(ideal, abs=1e-4)
    assert ideal == pytest.approx(drive.truth()["overshoot"], rel=1e-9)
    assert overshoot[0] <= ideal <= overshoot[1]
    assert (samples > 12.0).mean() == pytest.approx(0.4, abs=2e-5)


@pytest.mark.parametrize(
    "function, duty", [("SQU", 0.5), ("SIN", 0.5 + math.asin(0.1) / math.pi), ("TRI", 1 - 1.5 / 3.3)]
)
def test_the_drive_compares_whatever_the_source_sends_with_its_threshold(function: str, duty: float) -> None:
    # math: share of a period above 1.5 V of a signal from 0 V to 3.3 V
    if function == "SIN":
        duty = 0.5 - math.asin((1.5 - 1.65) / 1.65) / math.pi
    built, around = board()
    around.signal.become(1.0, SourceSignal(function, 1000.0, 0.0, 3.3, 0.2, 1.0, True))
    assert (volts(built.nodes["drive"], 2.0, 1e-7, 100_000) > 12.0).mean() == pytest.approx(duty, abs=1e-4)


def test_an_output_that_is_off_drives_nothing() -> None:
    built, around = board()
    around.signal.become(1.0, SourceSignal("PULS", 1250.0, 0.0, 3.3, 0.4, 1.0, False))
    assert volts(built.nodes["drive"], 2.0, 1e-6, 2000).max() == pytest.approx(0.0, abs=1e-9)


def test_the_coil_flies_back_for_as_long_as_its_current_decays() -> None:
    # math: 250 mH, 240 Ω, 24 V: τ = 1.0416667 ms and 63.212056 mA at τ; then −(60 − 24)/240 A is the target
    built, around = board()
    coil = built.nodes["coil"]
    assert isinstance(coil, CoilTerminal)
    tau = 0.25 / 240
    assert coil._risen(0.0, 24.0, tau) == pytest.approx(63.212056e-3, rel=1e-7)
    around.signal.become(1.0, SourceSignal("PULS", 100.0, 0.0, 3.3, tau * 100, 1.0, True))
    samples = volts(coil, 2.0, 1e-6, 10_000)
    expected = tau * math.log1p(63.212056e-3 * 240 / 36)
    assert np.count_nonzero(samples > 59.0) * 1e-6 == pytest.approx(expected, abs=3e-6)
    assert samples.max() == pytest.approx(60.0)


def test_a_probe_pulls_the_crystal() -> None:
    # series-resonance model: 15 fF, 4 pF, 18 pF, plus 5 pF: −63.0903 ppm (formula from memory, not verified)
    built, _ = board()
    clock = built.nodes["clock"]
    assert isinstance(clock, CrystalOscillator)
    pulled = clock.frequency(Load(10e6, 5e-12)) / clock.frequency(UNLOADED) - 1
    assert pulled * 1e6 == pytest.approx(-63.0903, abs=1e-3)


def test_a_probe_loads_the_crystal() -> None:
    # reactance of 15 pF at 12 MHz: 884.194128 Ω (math); beside it 680 Ω of source
    built, _ = board()
    clock = built.nodes["clock"]
    assert isinstance(clock, CrystalOscillator)
    share = 884.194128 / math.hypot(884.194128, 680.0)
    assert clock.amplitude(Load(float("inf"), 15e-12)) / clock.amplitude(UNLOADED) == pytest.approx(share, rel=1e-4)
    samples = volts(clock, 1.0, 1e-9, 10_000, Load(float("inf"), 15e-12))
    assert np.ptp(samples) / 2 == pytest.approx(clock.amplitude(Load(float("inf"), 15e-12)), rel=1e-3)


def test_a_probe_loads_a_divider() -> None:
    # 10 MΩ on 10 kΩ, 100 kΩ, 1 MΩ: −0.0999001 %, −0.9900990 %, −9.0909091 % (math)
    for resistance, error in ((10e3, -0.0999001e-2), (100e3, -0.9900990e-2), (1e6, -9.0909091e-2)):
        assert Load(10e6).share(resistance) - 1 == pytest.approx(error, abs=1e-9)


def test_the_healthy_enable_line_has_no_glitch_and_the_faulty_one_about_one_in_500() -> None:
    healthy, faulty = board()[0].nodes["enable"], board("vc204_faulty.yaml")[0].nodes["enable"]
    assert isinstance(healthy, EnableLine)
    assert isinstance(faulty, EnableLine)
    assert not healthy.glitches(0, 100_000).any()
    found = int(faulty.glitches(0, 100_000).sum())
    assert found == pytest.approx(200, abs=4 * math.sqrt(200))  # binomial, four standard deviations
    period = int(np.flatnonzero(faulty.glitches(20_000, 30_000))[0]) + 20_000
    samples = volts(faulty, period / faulty.frequency, 1e-8, 6000)
    middle = samples[1000:5000]
    assert np.count_nonzero(middle < 1.65) * 1e-8 == pytest.approx(300e-9, abs=2e-8)


def test_nodes_are_the_same_whichever_stretch_is_looked_at() -> None:
    built, around = board("vc204_faulty.yaml")
    around.signal.become(1.0, SourceSignal("PULS", 1250.0, 0.0, 3.3, 0.4, 1.0, True))
    for name, node in built.nodes.items():
        whole = volts(node, 2.0, 1e-6, 4000, TEN_TO_ONE)
        part = volts(node, 2.002, 1e-6, 2000, TEN_TO_ONE)
        assert np.abs(whole[2000:] - part).max() < 1e-6 + 1e-4 * (name == "clock"), name


def test_a_quiet_node_does_not_move_until_it_says() -> None:
    built, around = board()
    around.feed.become(2.0, Feed(24.0, 1.0, False, False))
    around.feed.become(2.3, Feed(24.0, 1.0, True, False))
    for name, node in built.nodes.items():
        for moment in (1.5, 2.1, 2.25, 2.31, 2.5):
            until = min(node.quiet_until(moment), moment + 0.05)
            if until > moment:
                samples = volts(node, moment, (until - moment) / 2000, 2000)
                assert np.ptp(samples) < 1e-6, f"{name} from {moment} to {until}"


def test_another_seed_is_another_copy_of_the_board() -> None:
    one, two = (board(seed=seed)[0].truth() for seed in (204, 205))
    assert one["rail"]["strongest_tone"] != two["rail"]["strongest_tone"]
    assert board(seed=204)[0].truth() == one


def write(folder: Path, text: str) -> Path:
    path = folder / "board.yaml"
    path.write_text(text, encoding="utf-8")
    return path


FAULTY_FILES = [
    ("wavewright-board: 2\n", "1:19: `wavewright-board` is `2`"),
    (
        "wavewright-board: 1\ntitle: x\nprobes_at_rest: {}\nnodes:\n  a: {kind: fed}\n",
        "5:13: `kind` is `fed`",
    ),
    ("wavewright-board: 1\ntitle: x\nprobes_at_rest: {1: b}\nnodes: {}\n", "3:21: `b` is not a node"),
    ("wavewright-board: 1\nwavewright-board: 1\n", "2:1: key `wavewright-board` again"),
    ("- a\n", "1:1: the file is a list"),
    ("a: [\n", "a bracket that is never closed"),
]


@pytest.mark.parametrize("text, message", FAULTY_FILES, ids=[row[1] for row in FAULTY_FILES])
def test_a_fault_in_a_board_file_is_told_with_its_place(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(FileFault) as caught:
        load_board(write(tmp_path, text), Surroundings(), seed=1)
    assert message in str(caught.value)
    assert "board.yaml" in str(caught.value)


def test_a_misspelt_key_and_a_wrong_unit_in_a_board_file(tmp_path: Path) -> None:
    text = (SIM / "vc204.yaml").read_text(encoding="utf-8")
    with pytest.raises(FileFault, match="did you mean `clamp`"):
        load_board(
            write(tmp_path, text.replace("clamp: 60 V", "clamp: 60 V\n    clampp: 60 V")), Surroundings(), seed=1
        )
    with pytest.raises(FileFault, match=r"board.yaml:31:11: `2\.2 V`"):
        load_board(write(tmp_path, text.replace("2.2 ms ± 10 %", "2.2 V")), Surroundings(), seed=1)


def test_no_such_board_file(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match="there is no such file"):
        load_board(tmp_path / "absent.yaml", Surroundings(), seed=1)


@pytest.mark.parametrize(
    "stands, instead, place, message",
    [
        ("{1: rail, 2", "{first: rail, 2", "5:18", "`first` is not a number"),
        ("works_at: 2.6 V", "works_at: 0.05 V", "28:5", "node `reset` cannot be computed from its values"),
        ("low: 0.05 V", "low: 3.4 V", "28:5", "node `reset` cannot be computed from its values"),
        ("pulled_to: rail", "pulled_to: feed", "30:16", "`pulled_to: feed` is not a rail"),
        ("fed_by: feed\n    threshold", "fed_by: rail\n    threshold", "41:13", "`fed_by: rail` is not a feed"),
        (
            "driven_by: drive\n    fed_by: feed",
            "driven_by: drive\n    fed_by: rail",
            "51:13",
            "`fed_by: rail` is not a feed",
        ),
        ("driven_by: drive", "driven_by: rail", "50:16", "`driven_by: rail` is not a half bridge"),
        (
            "nodes:\n",
            "nodes:\n  first: {kind: buck_rail, fed_by: second, level: 3 V, frequency: 1 MHz, inductance: 1 uH,\n"
            "    series_resistance: 1 ohm, starts_at: 1 V, start_delay: 1 s, soft_start: 1 s, fall: 1 s}\n",
            "8:36",
            "`fed_by: second` is not a node",
        ),
    ],
)
def test_values_that_no_board_can_have_are_a_fault_of_the_file(
    tmp_path: Path, stands: str, instead: str, place: str, message: str
) -> None:
    text = (SIM / "vc204.yaml").read_text()
    assert stands in text
    with pytest.raises(FileFault) as refused:
        load_board(write(tmp_path, text.replace(stands, instead, 1)), Surroundings(), seed=1)
    assert f":{place}: " in str(refused.value)
    assert message in str(refused.value)


def test_all_faults_of_a_board_file_are_told_at_once(tmp_path: Path) -> None:
    text = (SIM / "vc204.yaml").read_text(encoding="utf-8")
    text = text.replace("clamp: 60 V", "clamp: 60 A").replace("hold: 2.2 ms ± 10 %", "hld: 2.2 ms ± 10 %")
    with pytest.raises(FileFault) as caught:
        load_board(write(tmp_path, text), Surroundings(), seed=1)
    assert [str(fault).partition("board.yaml:")[2].partition("\n")[0] for fault in caught.value.faults] == [
        "28:5: `hold` is missing in `open_drain_reset`",
        "31:5: unknown key `hld` in `open_drain_reset`",
        "54:12: `60 A` is a current",
    ]


def test_what_hangs_on_a_node_that_cannot_be_made_is_not_blamed(tmp_path: Path) -> None:
    text = (SIM / "vc204.yaml").read_text(encoding="utf-8")
    text = text.replace("fed_by: feed\n    threshold", "fed_by: rail\n    threshold")
    with pytest.raises(FileFault) as caught:
        load_board(write(tmp_path, text), Surroundings(), seed=1)
    assert "node `drive`: `fed_by: rail` is not a feed" in str(caught.value)
    assert "coil" not in str(caught.value)  # it is driven by `drive`
