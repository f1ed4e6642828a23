"""What a data sheet states, as it is written and as a number."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest

import wavewright as ww
from wavewright.analysis.uncertainty.accuracy import Accuracy
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.analysis.uncertainty.stated_limits import LimitMeaning, RangeLimit, StatedBandwidth
from wavewright.errors import Misuse


def test_everything_can_be_stated_in_words() -> None:
    found = ww.Accuracy(
        gain="1.5 %",
        offset="0.5 % of range + 1 mV",
        timebase="10 ppm",
        skew="200 ps",
        nonlinearity="0.1 % of range",
        noise_floor="100 uV",
        aperture_jitter="5 ps",
        bandwidth="100 MHz ± 10 %",
        temperature={"gain": "50 ppm", "offset": "20 uV", "timebase": "0.5 ppm", "within": "5 K"},
        attenuation="1 %",
    )
    assert (found.gain, found.timebase, found.skew, found.attenuation) == (0.015, 1e-5, 2e-10, 0.01)
    assert found.offset == RangeLimit(0.005, 0.001)
    assert (found.nonlinearity, found.noise_floor) == (RangeLimit(0.001, 0.0), RangeLimit(0.0, 1e-4))
    assert found.bandwidth == StatedBandwidth(1e8, pytest.approx(0.1))
    assert found.temperature is not None
    assert (found.temperature.gain, found.temperature.within) == (5e-5, 5.0)


def test_an_accuracy_can_be_handed_to_a_worker_process() -> None:
    stated = Accuracy(gain="1 %", corrected={"gain": 1e-4})
    assert pickle.loads(pickle.dumps(stated)) == stated


def test_numbers_say_the_same_as_words() -> None:
    assert Accuracy(gain=0.015, offset=0.001, skew=2e-10) == Accuracy(gain="1.5 %", offset="1 mV", skew="200 ps")


def test_what_is_not_stated_is_not_known() -> None:
    assert Accuracy().gain is None
    assert Accuracy(gain=0).gain == 0.0


def test_an_accuracy_can_be_that_of_an_input() -> None:
    found = Accuracy(gain="1 %").at("digitizer", "input1")
    assert (found.instrument, found.input, found.gain) == ("digitizer", "input1", 0.01)


def test_a_share_of_the_range_needs_the_range() -> None:
    limit = RangeLimit.read("1 mV + 0.5 % of range")
    assert limit.limit(8.0) == pytest.approx(0.041)
    assert limit.limit(None) is None
    assert RangeLimit.read("2 mV").limit(None) == 0.002


MEANINGS = [
    # what is stated, standard uncertainty of a limit of 1, distribution
    ("rectangular", 1 / math.sqrt(3), Distribution.RECTANGULAR),  # JCGM 100:2008, 4.3.7
    ("standard", 1.0, Distribution.NORMAL),
    ({"expanded": 2}, 0.5, Distribution.NORMAL),  # JCGM 100:2008, 4.3.3: divided by the factor
]


@pytest.mark.parametrize("stated, standard, distribution", MEANINGS)
def test_what_a_limit_means(stated: object, standard: float, distribution: Distribution) -> None:
    meaning = LimitMeaning.read(stated)
    assert meaning.standard(1.0) == pytest.approx(standard)
    assert meaning.distribution is distribution
    assert LimitMeaning.read(meaning.stated) == meaning


WRONG = [
    ({"gain": "1.5 mV"}, "1.5 mV"),
    ({"gain": "-1 %"}, "not negative"),
    ({"gain": True}, "`gain` is `True`"),
    ({"offset": "0.5 % of span"}, "0.5 % of span"),
    ({"offset": "1 mV +"}, "limit of error"),
    ({"skew": "200 ppm"}, "200 ppm"),
    ({"bandwidth": "0 Hz"}, "above 0"),
    ({"limits": "typical"}, "rectangular"),
    ({"limits": {"expanded": 0}}, "coverage factor"),
    ({"bandwidth": 0}, "`bandwidth`: `0` as a bandwidth"),
    ({"bandwidth": math.nan}, "leave it out where it is not known"),
    ({"bandwidth": -1e6}, "an infinite one where no edge is too fast for it"),
    ({"bandwidth": "100"}, "`bandwidth`: `100` has no unit"),
    ({"bandwidth": "100 MHz ± 200 %"}, "a tolerance that is smaller than the bandwidth"),
    ({"gain": 1.5}, "below 100 %"),
    ({"timebase": math.nan}, "`timebase` is `nan`"),
    ({"offset": "1 %"}, "`offset`: `1 %` does not say of what"),
    ({"offset": math.inf}, "`offset`: `inf` as a limit of error"),
    ({"noise_floor": "300 % of range"}, "below 100 %"),
    ({"nonlinearity": "1.5"}, "`nonlinearity`: `1.5` has no unit"),
    ({"aperture_jitter": "5"}, "`aperture_jitter`: `5` has no unit"),
    ({"corrected": {"gain": "1 %"}}, "`corrected` has `gain: 1 %`"),
    ({"corrected": 5}, "`corrected` is `5`"),
    ({"corrected": {"gain": 1e-4}, "shared": {"gain": {"meter": 2e-4}}}, "parts of what `corrected` states: 0.0001"),
    ({"shared": {"gain": {"meter": 1e-4}}}, "`corrected` states: nothing"),
    ({"shared": 5}, "`shared` is `5`"),
    ({"instrument": 5}, "`instrument` is `5`"),
    ({"temperature": {"gain": "50 ppm"}}, "within"),
    ({"temperature": {"gain": "50 ppm", "within": "5 V"}}, "5 K"),
]


@pytest.mark.parametrize("stated, message", WRONG)
def test_what_does_not_fit_is_refused(stated: dict[str, object], message: str) -> None:
    with pytest.raises(Misuse) as refused:
        Accuracy(**stated)
    assert message in str(refused.value)


def test_an_infinite_bandwidth_says_that_no_edge_is_too_fast() -> None:
    assert Accuracy(bandwidth=math.inf).bandwidth == (math.inf, None)
    wave = ww.Waveform.from_volts(np.clip(np.arange(100.0) - 50, 0, 10), interval=1e-9, name="edge")
    known, unknown = (
        ww.measure(wave, "rise_time", accuracy=Accuracy(gain=0, offset=0, timebase=0, bandwidth=width)).budget
        for width in (math.inf, None)
    )
    assert known is not None
    assert unknown is not None
    assert (known.missing, unknown.missing) == ((), ("bandwidth of `edge`",))
