"""Metrics of the traffic on a line: how many frames, how many of them wrong, how fast, how dense, how soon answered."""

from __future__ import annotations

from typing import Annotated

import numpy as np

from wavewright.analysis.reading import Reading
from wavewright.buses.frame_metrics import frame_metric
from wavewright.buses.frames import Frames
from wavewright.buses.line.columns import Flags, Indexes, Numbers
from wavewright.buses.vocabulary import Spoken
from wavewright.errors import Misuse, NotMeasurable
from wavewright.waveform import Floats

PRACTICE = "common practice, no source"
Asked = Annotated[str, Spoken.SEARCH]


@frame_metric("frames", unit="count", source=PRACTICE)
def frames(line: Frames, *, find: Asked | None = None) -> Reading:
    """Number of frames, or of those that a search holds for."""
    count = len(line) if find is None else int(np.count_nonzero(_where(line, find)))
    return Reading(value=float(count), unit="count")


@frame_metric("frame_errors", unit="count", source=PRACTICE)
def frame_errors(line: Frames, *, error: Annotated[str, Spoken.ERROR] | None = None) -> Reading:
    """Number of frames with something wrong, or with one particular error.

    Raises
    ------
    NotMeasurable : there is no frame: silence is not the absence of errors.
    """
    if not len(line):
        raise NotMeasurable("frame_errors: no frame", expected="at least one", do="check trigger, levels and bit rate")
    wrong = line.has_errors if error is None else line.errors_by_word.get(error, np.zeros(len(line), np.bool_))
    return Reading(value=float(np.count_nonzero(wrong)), unit="count", count=len(line))


@frame_metric("bit_rate", unit="bit/s", source="closed form: reciprocal of the bit time fitted to the edges")
def bit_rate(line: Frames) -> Reading:
    """Measured bit rate of the line.

    Raises
    ------
    NotMeasurable : too few edges inside frames.
    """
    rate = line.facts.get("bit_rate", 0.0)
    if not rate:
        raise NotMeasurable(
            "bit_rate: no edges inside frames to measure it from", expected="at least one frame with data"
        )
    return Reading(value=rate, unit="bit/s", uncertainty=line.facts.get("bit_rate_uncertainty"))


@frame_metric("bit_rate_error", unit="1", source="definition: (measured − nominal) / nominal")
def bit_rate_error(line: Frames) -> Reading:
    """Relative deviation of the measured bit rate from the setting.

    Raises
    ------
    NotMeasurable : no setting (`auto`), or too few edges inside frames.
    """
    nominal = line.facts.get("nominal_bit_rate", 0.0)
    if not nominal:
        raise NotMeasurable("bit_rate_error: no nominal bit rate", expected="a bit rate given, not `auto`")
    measured = bit_rate(line)
    assert measured.value is not None
    spread = None if measured.uncertainty is None else measured.uncertainty / nominal
    return Reading(value=measured.value / nominal - 1, unit="1", uncertainty=spread)


@frame_metric("bus_load", unit="1", source="definition: time taken by frames over the time of the record")
def bus_load(line: Frames) -> Reading:
    """Share of the record's time that frames take.

    Raises
    ------
    NotMeasurable : the record has no duration.
    """
    lasting = line.facts.get("record_end", 0.0) - line.facts.get("record_start", 0.0)
    if not lasting > 0:
        raise NotMeasurable("bus_load: the duration of the record is not known", expected="frames of one record")
    return Reading(value=float((line.ends - line.starts).sum()) / lasting, unit="1", count=len(line))


@frame_metric("frame_gap", unit="s", source=PRACTICE)
def frame_gap(line: Frames) -> Reading:
    """Pause from the end of a frame to the start of the next, mean of all.

    Raises
    ------
    NotMeasurable : fewer than two frames.
    """
    return Reading.of_occurrences(_gaps(line), times=line.ends[:-1], unit="s")


@frame_metric("shortest_frame_gap", unit="s", source=PRACTICE)
def shortest_frame_gap(line: Frames) -> Reading:
    """Pause from the end of a frame to the start of the next, the shortest of all.

    Raises
    ------
    NotMeasurable : fewer than two frames.
    """
    return Reading.of_worst(_gaps(line), times=line.ends[:-1], unit="s", largest=False)


@frame_metric("response_time", unit="s", source=PRACTICE)
def response_time(line: Frames, *, request: Asked | None = None, answer: Asked | None = None) -> Reading:
    """Time from the end of a request to the start of its answer, mean of all pairs.

    Without searches, frames with `address` and `function` are paired as Modbus does it: a frame answers the one before
    if both agree in these and that one is not an answer itself. With searches, each frame that `request` holds for is
    paired with the next frame that `answer` holds for (None: any), if that comes before the next request.

    Raises
    ------
    NotMeasurable : no request with an answer.
    Misuse : no searches, and frames that do not say what answers what.
    """
    times, values = _responses(line, request, answer)
    return Reading.of_occurrences(values, times=times, unit="s")


@frame_metric("longest_response_time", unit="s", source=PRACTICE)
def longest_response_time(line: Frames, *, request: Asked | None = None, answer: Asked | None = None) -> Reading:
    """Time from the end of a request to the start of its answer, the longest of all pairs; options of `response_time`.

    Raises
    ------
    NotMeasurable, Misuse : as `response_time`.
    """
    times, values = _responses(line, request, answer)
    return Reading.of_worst(values, times=times, unit="s", largest=True)


def _responses(line: Frames, request: str | None, answer: str | None) -> tuple[Floats, Floats]:
    """When each request that was answered ended, s, and how long its answer took."""
    first, second = _pairs(line) if request is None and answer is None else _searched(line, request, answer)
    if not first.size:
        raise NotMeasurable(
            f"response_time: no request with an answer among {len(line)} frames", expected="at least one pair"
        )
    return line.ends[first], line.starts[second] - line.ends[first]


def _gaps(line: Frames) -> Floats:
    if len(line) < 2:
        raise NotMeasurable(f"gap between frames: {len(line)} frames", expected="at least two")
    return line.starts[1:] - line.ends[:-1]


def _pairs(line: Frames) -> tuple[Indexes, Indexes]:
    if not len(line):
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    columns = [line.columns.get(name) for name in ("address", "function")]
    if not all(isinstance(column, Numbers) for column in columns):
        raise Misuse(
            "response_time: these frames do not distinguish requests from answers",
            expected="frames with `address` and `function`, or the options `request` and `answer`",
        )
    address, function = (column.to_list() for column in columns if column is not None)
    # an exception answers with the top bit of the function set
    keys = [
        (unit, code & 0x7F if isinstance(code, int) else None) for unit, code in zip(address, function, strict=True)
    ]
    first, row = [], 0
    while row + 1 < len(keys):
        if keys[row] == keys[row + 1]:
            first.append(row)
            row += 1
        row += 1
    requests = np.array(first, dtype=np.int64)
    return requests, requests + 1


def _where(line: Frames, text: str) -> Flags:
    from wavewright.buses.search.search import Search  # no recipe without a search waits for its grammar

    return Search.read(text).where(line)


def _searched(line: Frames, request: str | None, answer: str | None) -> tuple[Indexes, Indexes]:
    is_answer = np.ones(len(line), np.bool_) if answer is None else _where(line, answer)
    asks = ~is_answer if request is None else _where(line, request)
    requests, answers = np.flatnonzero(asks), np.flatnonzero(is_answer)
    place = np.searchsorted(answers, requests, side="right")
    after = np.append(answers, len(line))[place]
    in_time = after < np.append(requests[1:], len(line))
    in_time |= after == np.append(requests[1:], -1)  # an answer may be the next request as well, where both hold
    in_time &= after < len(line)
    return requests[in_time], after[in_time]
