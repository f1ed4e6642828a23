from __future__ import annotations

import pickle

import numpy as np
import pytest

from wavewright.analysis.catalogue import metrics
from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt
from wavewright.analysis.record.histogram import histogram_of
from wavewright.analysis.uncertainty.accuracy import Accuracy
from wavewright.errors import Misuse
from wavewright.waveform import Waveform

DRIVE = Waveform((np.arange(1000) % 100 < 40).astype(np.int8), gain=24.0, interval=1e-6, name="drive")


def test_one_name_gives_a_reading_and_several_a_dict_in_their_order() -> None:
    assert measure(DRIVE, "duty_factor").value == pytest.approx(0.4)
    found = measure(DRIVE, ["period", "mean", "duty_factor"])
    assert list(found) == ["period", "mean", "duty_factor"]
    assert found["mean"].value == pytest.approx(9.6)


def test_several_metrics_share_one_pass_over_the_record(monkeypatch: pytest.MonkeyPatch) -> None:
    passes = []

    def counted(codes: np.ndarray) -> object:
        passes.append(codes.size)
        return histogram_of(codes)

    monkeypatch.setattr("wavewright.analysis.record.shared_codes.histogram_of", counted)
    metrics = ["minimum", "mean", "rms", "high_level", "duty_factor", "rise_time"]
    measure(DRIVE, metrics)
    assert passes == [1000]
    measure(DRIVE, metrics, accuracy=Accuracy(gain="1 %", offset="1 mV", timebase="10 ppm"))
    assert passes == [1000, 1000]  # changed waveforms have the codes that were counted already


def test_options_are_text_or_numbers() -> None:
    ramp = Waveform.from_volts(np.interp(np.arange(200), [0, 50, 150, 200], [0, 0, 1, 1]), interval=1.0)
    assert measure(ramp, "rise_time", low="20 %", high="0.8 V").value == pytest.approx(60.0)
    assert measure(ramp, "rise_time", low=0.2, high="80 %").value == pytest.approx(60.0)


def test_each_option_goes_to_the_metrics_that_have_it() -> None:
    found = measure(DRIVE, ["rise_time", "maximum"], low="20 %")
    assert found["maximum"].value == 24.0
    with pytest.raises(Misuse, match="unknown option `lwo`: none of the metrics rise_time, maximum has it"):
        measure(DRIVE, ["rise_time", "maximum"], lwo="20 %")


def test_nothing_to_measure_gives_no_value_and_a_reason_in_one_line() -> None:
    reading = measure(Waveform.from_volts([1.5] * 9, interval=1.0, name="rail"), "period")
    assert reading.value is None
    assert reading.unit == "s"
    assert reading.reason.startswith("state levels of `rail`: 9 samples, all equal; expected: ")
    assert "\n" not in reading.reason


def test_doubts_about_the_waveform_come_with_every_reading() -> None:
    clipped = Waveform(np.array([-128, 127] * 20, dtype=np.int8), interval=1.0, code_range=(-128, 127))
    assert measure(clipped, "maximum").doubts == (Doubt.CLIPPED,)
    few = measure(Waveform(np.array([0, 5] * 20, dtype=np.int8), interval=1.0), "mean")
    assert few.doubts == (Doubt.FEW_CODES,)
    holed = measure(Waveform.from_volts([0.0, np.nan, 1.0], interval=1.0), "mean")
    assert (holed.value, holed.doubts) == (0.5, (Doubt.INVALID_SAMPLES,))


def test_an_unknown_metric_is_refused_with_the_nearest_names() -> None:
    with pytest.raises(Misuse, match="unknown metric `rise_tim`") as caught:
        measure(DRIVE, "rise_tim")
    assert "did you mean `rise_time`" in caught.value.do


def test_the_wrong_number_of_waveforms_is_refused() -> None:
    with pytest.raises(Misuse, match="metric `mean` got 2 waveforms"):
        measure([DRIVE, DRIVE], "mean")


def test_readings_pickle() -> None:
    reading = measure(DRIVE, "period")
    again = pickle.loads(pickle.dumps(reading))
    assert again == reading
    assert np.array_equal(again.occurrences.values, reading.occurrences.values)


@pytest.mark.parametrize("name", list(metrics()))
def test_every_metric_says_what_it_is_and_by_whom(name: str) -> None:
    entry = metrics()[name]
    assert entry.source
    assert len(entry.definition) > 20
    assert entry.definition.endswith(".")


@pytest.mark.parametrize("metric", ["mean", "maximum", "minimum"])
def test_a_reading_that_only_rounding_made_is_0(metric: str) -> None:
    # math: 3.3 V - 33 * 0.1 V is 0, and in float64 it is -4.4e-16
    wave = Waveform(np.full(1000, -33, dtype=np.int8), gain=0.1, offset=3.3, interval=1e-6)
    assert wave.value_of(-33) != 0
    assert measure(wave, metric).value == 0.0
    # of samples that are floats: what is left of a sum of opposite ones
    sines = Waveform.from_volts(10 * np.sin(2 * np.pi * np.arange(1000) / 100), interval=1e-6)
    assert measure(sines, "mean").value == 0.0


def test_a_mean_far_below_the_code_step_is_what_it_is() -> None:
    # math: one code of 100 000 is 1 mV, so the mean is 10 nV
    codes = np.zeros(100_000, dtype=np.int8)
    codes[5] = 1
    assert measure(Waveform(codes, gain=1e-3, interval=1e-6), "mean").value == pytest.approx(10e-9)
