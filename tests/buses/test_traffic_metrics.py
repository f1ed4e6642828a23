from __future__ import annotations

import pytest

from tests.encoders.sent import exception_answer
from wavewright.buses.decode import decode
from wavewright.buses.frame import Frame
from wavewright.buses.frame_metrics import find_frame_metric, measure_frames
from wavewright.buses.frames import Frames
from wavewright.errors import Misuse
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.impairments import off_rate
from wavewright.simulation.encoders.modbus import modbus_line, read_registers, registers_answer
from wavewright.simulation.encoders.uart import uart_line

BAUD = 19200.0
CHARACTER = 11 / BAUD
ASK, ANSWER = read_registers(17, 0, 2), registers_answer(17, [240, 300])


def traffic(*messages: bytes, silence: float | list[float] = 6.0, error: float = 0.0) -> Frames:
    line = off_rate(modbus_line(messages, silence=silence, lead=3e-3, tail=3e-3), error)
    return decode({"tx": draw(line, rate=2e6)}, "uart", baud=BAUD, parity="even", then="modbus_rtu")


def test_frames_and_errors_are_counted() -> None:
    frames = traffic(ASK, ANSWER, ASK, ANSWER[:-1] + b"\x00")
    assert measure_frames(frames, "frames").value == 4
    assert measure_frames(frames, "frames", find="address = 17 and clean").value == 3
    assert measure_frames(frames, "frame_errors").value == 1
    assert measure_frames(frames, "frame_errors", error="crc").value == 1
    assert measure_frames(frames, "frame_errors", error="parity").value == 0


def test_silence_is_not_the_absence_of_errors() -> None:
    reading = measure_frames(Frames.of([]), "frame_errors")
    assert reading.value is None
    assert "no frame" in reading.reason
    assert measure_frames(Frames.of([]), "frames").value == 0


@pytest.mark.parametrize("error", [-0.02, 0.0, 0.02])
def test_the_bit_rate_and_its_error_are_those_of_the_line(error: float) -> None:
    frames = traffic(ASK, ANSWER, error=error)
    rate = measure_frames(frames, "bit_rate")
    assert rate.value == pytest.approx(BAUD * (1 + error), rel=5e-4)
    assert abs(rate.value - BAUD * (1 + error)) < 4 * rate.uncertainty
    assert measure_frames(frames, "bit_rate_error").value == pytest.approx(error, abs=5e-4)


def test_the_error_of_a_rate_that_was_found_means_nothing() -> None:
    frames = decode({"tx": draw(uart_line(b"UU", baud=BAUD, lead=1e-3, tail=1e-3), rate=2e6)}, "uart")
    assert measure_frames(frames, "bit_rate").value == pytest.approx(BAUD, rel=1e-3)
    assert measure_frames(frames, "bit_rate_error").reason.startswith("bit_rate_error: no nominal bit rate")


def test_bus_load_is_the_time_taken_by_frames_over_that_of_the_record() -> None:
    # closed form: 17 characters in a record of 17 + 12 characters and 6 ms
    whole = 17 * CHARACTER + 12 * CHARACTER + 6e-3
    assert measure_frames(traffic(ASK, ANSWER), "bus_load").value == pytest.approx(17 * CHARACTER / whole, rel=1e-3)


def test_gaps_between_frames_have_a_mean_and_a_shortest() -> None:
    # closed form: silences of 6, 9 and 12 characters
    frames = traffic(ASK, ANSWER, ASK, ANSWER, silence=[6, 9, 12, 0])
    mean = measure_frames(frames, "frame_gap")
    assert mean.value == pytest.approx(9 * CHARACTER, rel=1e-3)
    assert (mean.count, mean.maximum) == (3, pytest.approx(12 * CHARACTER, rel=1e-3))
    shortest = measure_frames(frames, "shortest_frame_gap")
    assert shortest.value == pytest.approx(6 * CHARACTER, rel=1e-3)
    assert (shortest.at, shortest.count, shortest.maximum) == (frames.ends[0], 3, mean.maximum)
    late = traffic(ASK, ANSWER, ASK, ANSWER, silence=[12, 9, 6, 0])
    assert measure_frames(late, "shortest_frame_gap").at == late.ends[2]
    assert measure_frames(frames[:1], "frame_gap").value is None


def test_response_time_is_from_a_request_to_its_answer() -> None:
    # requests are answered after 5 and 7 characters, the one to another unit never
    other = read_registers(5, 0, 1)
    frames = traffic(ASK, ANSWER, other, ASK, exception_answer(17, 3, 2), silence=[5, 20, 20, 7, 0])
    reading = measure_frames(frames, "response_time")
    assert reading.count == 2
    assert reading.minimum == pytest.approx(5 * CHARACTER, rel=1e-3)
    assert reading.maximum == pytest.approx(7 * CHARACTER, rel=1e-3)
    assert reading.occurrences.times.tolist() == [frames.ends[0], frames.ends[3]]
    longest = measure_frames(frames, "longest_response_time")
    assert (longest.value, longest.at, longest.count) == (reading.maximum, frames.ends[3], 2)


def test_response_time_between_frames_that_searches_find() -> None:
    frames = Frames.of(
        [Frame(t, t + 0.1, "x", {"v": v}) for t, v in [(0, 1), (1, 9), (2, 1), (3, 1), (3.5, 2), (5, 1)]]
    )
    reading = measure_frames(frames, "response_time", request="v = 1", answer="v > 1")
    assert reading.occurrences.values.tolist() == pytest.approx([0.9, 0.4])
    with pytest.raises(Misuse, match="the options `request` and `answer`"):
        measure_frames(frames, "response_time")
    longest = measure_frames(frames, "longest_response_time", request="v = 1", answer="v > 1")
    assert (longest.value, longest.at) == (pytest.approx(0.9), pytest.approx(0.1))
    for name in ("response_time", "longest_response_time"):
        assert measure_frames(Frames.of([]), name).value is None


def test_an_unknown_metric_or_option_gets_its_neighbour() -> None:
    with pytest.raises(Misuse, match="did you mean `frame_errors`"):
        find_frame_metric("frame_error")
    with pytest.raises(Misuse, match="did you mean `find`"):
        measure_frames(Frames.of([]), "frames", fnd="x")


def test_an_answer_is_not_the_request_of_the_next_message() -> None:
    assert measure_frames(traffic(ASK, ANSWER, ASK, ANSWER), "response_time").count == 2
