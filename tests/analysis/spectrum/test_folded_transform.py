"""Long records, folded, against one transform of the whole by SciPy, and against closed forms."""

from __future__ import annotations

import math
import tracemalloc

import numpy as np
import pytest
import scipy.fft
import scipy.signal

from wavewright.analysis.catalogue import METRICS
from wavewright.analysis.measure import measure, measure_surveys
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.spectrum import power_density, sine_fit, spectrum
from wavewright.analysis.spectrum.folded_transform import FOLDS, folded_magnitudes, folds_of
from wavewright.analysis.spectrum.windows import WINDOWS
from wavewright.analysis.uncertainty.accuracy import Accuracy
from wavewright.analysis.uncertainty.influences import InputOfReading
from wavewright.waveform import Waveform

SIZE = 1 << 19


def tone(size: int = SIZE, *, kind: str = "int8") -> Waveform:
    """10 437.3 cycles, harmonics of 3 % and 4 %, and noise of 2 % of the amplitude."""
    generator, turns = np.random.default_rng(5), 2 * np.pi * 10437.3 * np.arange(size) / size
    peak = 90 if kind == "int8" else 20_000
    values = np.sin(turns) + 0.03 * np.sin(2 * turns + 1) + 0.04 * np.sin(3 * turns) + generator.normal(0, 0.02, size)
    return Waveform(np.rint(peak * values).astype(kind), interval=1e-6, gain=1 / peak, offset=0.1, name="tone")


@pytest.mark.parametrize("folds", [16, 29, 31, 32, 45])
@pytest.mark.parametrize("columns", [1, 30, 2049, 4100])
@pytest.mark.parametrize("window", ["rectangular", "hann", "blackman_harris"])
def test_lines_are_those_of_one_transform_of_the_whole(folds: int, columns: int, window: str) -> None:
    # SciPy's transform and, but for the rectangular one, its periodic windows; both in double precision
    codes = np.random.default_rng(folds).integers(-9000, 9000, folds * columns)
    kind = "boxcar" if window == "rectangular" else window.replace("_", "")
    weighted = (codes - 17.5) * scipy.signal.get_window("hann" if kind == "hann" else kind, codes.size)
    expected = np.abs(scipy.fft.rfft(weighted))
    if window == "blackman_harris":  # SciPy has other digits of the terms
        expected = np.abs(scipy.fft.rfft((codes - 17.5) * WINDOWS[window].weights(codes.size)))
    for dtype, tolerance in ((np.int16, 4e-6), (np.float64, 1e-13)):
        found = folded_magnitudes(codes.astype(dtype), 17.5, WINDOWS[window], folds)
        assert found.dtype == (np.float32 if dtype == np.int16 else np.float64)
        assert found == pytest.approx(expected, abs=tolerance * expected.max())


def test_the_best_number_of_rows_that_divides_the_record_is_taken() -> None:
    assert folds_of(100_000_000) == 32
    assert folds_of(3 * 5 * 7 * 11) == 21
    assert folds_of(2 * 67 * 71) is None
    assert sorted(FOLDS) == list(range(16, 65))


@pytest.mark.parametrize("kind", ["int8", "int16"])
def test_a_folded_record_has_the_metrics_of_the_whole_one(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    wave = tone(kind=kind)
    names = ("thd", "snr", "sfdr", "strongest_tone", "strongest_tone_amplitude", "sinad", "enob", "sine_frequency")
    options = {"enob": {"referred_to": "sine"}}
    whole = {name: measure(wave, name, **options.get(name, {})) for name in names}
    for module in (spectrum, sine_fit):
        monkeypatch.setattr(module, "LONG", SIZE)
    monkeypatch.setattr(sine_fit, "FIRST_PART", SIZE // 32)
    for name, expected in whole.items():
        found = measure(wave, name, **options.get(name, {}))
        is_fit = name in ("sinad", "enob", "sine_frequency")
        assert found.value == pytest.approx(expected.value, rel=1e-11 if is_fit else 2e-6), name
        assert found.uncertainty == pytest.approx(expected.uncertainty, rel=1e-3), name
        assert abs(found.value - expected.value) < 0.05 * (expected.uncertainty or 0), name
        assert found.doubts == expected.doubts
    # closed forms: powers add; the noise is that of the draws and of the converter's steps
    assert measure(wave, "thd").value == pytest.approx(0.05, abs=4e-4)
    noise = 0.02**2 + (1 / 90 if kind == "int8" else 1 / 20_000) ** 2 / 12
    assert measure(wave, "snr").value == pytest.approx(10 * math.log10(0.5 / noise), abs=0.03)
    rest = noise + (0.03**2 + 0.04**2) / 2
    assert measure(wave, "sinad").value == pytest.approx(10 * math.log10(0.5 / rest), abs=0.03)


def test_the_search_for_a_sine_that_is_not_in_the_middle_goes_by_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    wave = tone(SIZE // 8)
    codes = wave.codes.copy()
    codes[SIZE // 16 - 3000 : SIZE // 16 + 3000] = 0
    wave = Waveform(codes, interval=1e-6, name="interrupted")
    whole = measure(wave, "sine_frequency")
    monkeypatch.setattr(sine_fit, "LONG", SIZE // 8)
    monkeypatch.setattr(sine_fit, "FIRST_PART", 4096)
    assert measure(wave, "sine_frequency").value == pytest.approx(whole.value, rel=1e-12)


Computed = tuple[str, dict[str, object]]
MASK = {"mask": [["1 kHz", "1 V"], ["400 kHz", "10 mV"]]}
WINDOWS_IN_TURN: list[Computed] = [("thd", {}), ("snr", {"window": "hann"}), ("sfdr", {"window": "rectangular"})]


@pytest.mark.parametrize(
    "metrics, bytes_per_sample, accuracy",
    [
        ([("thd", {})], 3.6, None),
        ([("snr", {})], 3.6, None),
        ([("sinad", {})], 1.0, None),
        (WINDOWS_IN_TURN, 4.0, None),
        ([("thd", {}), ("sfdr", {})], 3.6, Accuracy(gain="1.5 %", offset="1 mV", timebase="10 ppm")),
        ([("spur_margin", MASK)], 3.6, None),
        ([("noise_density", {}), ("noise_density", {"window": "blackman_harris"})], 4.0, None),
    ],
    ids=["thd", "snr", "sinad", "several windows", "budgets", "mask", "noise"],
)
def test_a_long_record_takes_few_bytes_per_sample(
    metrics: list[Computed], bytes_per_sample: float, accuracy: Accuracy | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    def measured(wave: Waveform) -> None:
        surveys = [Survey(wave)]
        inputs = None if accuracy is None else [InputOfReading("tone", surveys[0], accuracy)]
        for name, options in metrics:
            assert measure_surveys(surveys, METRICS.find(name), dict(options), inputs=inputs).value is not None

    size = 1 << 21
    wave = tone(size)
    measured(tone(65_536))  # what is loaded the first time is no matter of the record
    for module in (spectrum, sine_fit, power_density):
        monkeypatch.setattr(module, "LONG", size)
    monkeypatch.setattr(sine_fit, "FIRST_PART", 1 << 15)
    tracemalloc.start()
    try:
        measured(wave)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < bytes_per_sample * size + 2_000_000  # the blocks that are worked on


@pytest.mark.parametrize("name", ["thd", "snr", "sfdr", "spur_margin", "spurs_over_mask", "strongest_tone_amplitude"])
def test_the_budget_of_a_long_record_is_that_of_the_whole_one(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    wave, options = tone(1 << 16), dict(MASK) if name.startswith("spur") else {}
    accuracy = Accuracy(gain="1.5 %", offset="10 mV", timebase="10 ppm")
    whole = measure(wave, name, accuracy=accuracy, **options).budget
    monkeypatch.setattr(spectrum, "LONG", 1 << 16)
    folded = measure(wave, name, accuracy=accuracy, **options).budget
    assert whole is not None
    assert folded is not None
    assert folded.standard == pytest.approx(whole.standard, rel=1e-3)
    assert [each.name for each in folded.contributions] == [each.name for each in whole.contributions]
