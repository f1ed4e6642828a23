"""`wavewright measure FILES --metric NAME`: readings of stored waveforms."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wavewright.cli.answering import AnswersWanted, with_answers
from wavewright.cli.completion import complete_metric
from wavewright.cli.options import FileInterval, FileWords, number_or_name, read_stated, split_words
from wavewright.cli.output import AsJson, console, print_json
from wavewright.cli.picture_option import PictureAt, show_pictures
from wavewright.errors import Misuse

if TYPE_CHECKING:
    from wavewright.analysis.reading import Reading
    from wavewright.analysis.uncertainty.accuracy import Accuracy
    from wavewright.judgement.judge import Judgement
    from wavewright.waveform import Waveform

# What is left over, `--low 20%`, are options of the metrics: the catalogue knows them, not this file.
CONTEXT = {"allow_extra_args": True, "ignore_unknown_options": True}

INCONCLUSIVE = 2
STATED_OF_INPUTS = ("gain", "offset", "timebase", "skew", "nonlinearity", "noise_floor", "aperture_jitter", "bandwidth",
                    "attenuation", "limits")  # fmt: skip


@with_answers
def measure(
    context: typer.Context,
    words: FileWords,
    *,
    metric: Annotated[
        list[str],
        typer.Option(
            "--metric",
            "-m",
            help="A name that `wavewright metrics` lists; may be repeated.",
            autocompletion=complete_metric,
        ),
    ],
    channel: Annotated[
        list[str] | None, typer.Option(help="Number, from 1, or name; repeat it for metrics between channels.")
    ] = None,
    derive: Annotated[
        list[str] | None,
        typer.Option(help="A channel computed from others, `coil=(high - low) / 0.1 ohm`; may be repeated."),
    ] = None,
    compare: Annotated[
        Path | None, typer.Option(help="Compare with the channel of that name in this file, recorded before.")
    ] = None,
    interval: FileInterval = None,
    accuracy: Annotated[
        list[str] | None,
        typer.Option(
            help="What is stated of the inputs, `gain=1.5 %` or `offset=0.5 % of range + 1 mV`; may be repeated. "
            "Readings then have an uncertainty budget.",
            metavar="NAME=VALUE",
        ),
    ] = None,
    limit: Annotated[
        str | None, typer.Option(help="Judge the reading: `at most 40 mV`; the exit status is that of the verdict.")
    ] = None,
    judge: Annotated[
        str, typer.Option(help="With --limit, the decision rule: `guarded acceptance with guard 1 U`.")
    ] = "simple",
    each: Annotated[
        bool, typer.Option("--each", help="Show every occurrence with its time, where a metric has them.")
    ] = False,
    picture: PictureAt = None,
    answering: AnswersWanted,
    as_json: AsJson = False,
) -> int:
    """Compute metrics of stored waveforms.

    Options of the metrics themselves follow as they are called in `wavewright metrics NAME`: --low 20% --high 80%.
    Exit status 2 if one of the metrics finds nothing to measure, or with --limit if the reading cannot be decided. Of
    several files a table is printed; a file that cannot be read has its fault there, and the exit status is 3.
    """
    from wavewright.archive.pile import is_pile

    files, given = split_words([*words, *context.args])

    if answering.is_wanted or is_pile(files):
        alone = {"--derive": derive, "--compare": compare, "--accuracy": accuracy, "--each": each, "--picture": picture}
        if unfit := [name for name, value in alone.items() if value]:
            raise Misuse(f"`{unfit[0]}` of several files", expected="one file", do="measure one after the other")
        return _measure_pile(
            files, metric, channel or ["1"], given, interval=interval, limit=limit or "",
            judge=judge, answering=answering, as_json=as_json,
        )  # fmt: skip
    (file,) = files
    from wavewright.analysis.measure import measure as compute
    from wavewright.judgement.shown import stated_uncertainty
    from wavewright.quantities import read_quantity

    step = None if interval is None else read_quantity(interval, unit="s").value
    channels = channel or ["1"]
    options: dict[str, Any] = {**given}
    waves = _chosen(file, channels, derive or [], step)
    stated = None if accuracy is None else _accuracy(accuracy)
    if stated is not None and (made := [wave.name for wave in waves if wave.name in _names(derive or [])]):
        raise Misuse(
            f"`--accuracy` of `{made[0]}`, which is derived",
            expected="the accuracy of a captured channel: what is derived has the errors of all that it comes from",
            do="put both into a recipe, under `derived:`",
        )
    readings = compute(waves, metric, accuracy=stated, **options)
    judged = None if limit is None else _judged(readings, limit, judge)
    if compare is not None:
        readings |= _beside(_chosen(compare, channels, derive or [], step), waves, compute, metric, options)
    if as_json:
        print_json(
            {
                name: {**reading.as_json(), **stated_uncertainty(reading), **_occurrences(reading, each)}
                | (judged.as_json() if judged is not None and name in metric else {})
                for name, reading in readings.items()
            }
        )
    else:
        _print_table(readings, limit or "")
        if judged is not None:
            print(f"{metric[0]}: {judged}")
        if each:
            _print_each(readings)
    if picture is not None:
        from wavewright.reporting.measured_picture import measured_picture

        found = {name: readings[name] for name in metric}
        show_pictures([measured_picture(waves, found, limit=limit or "", judged=judged)], picture, as_json=as_json)
    if judged is not None and judged.verdict is not None:
        return judged.verdict.exit_status
    return INCONCLUSIVE if any(reading.value is None for reading in readings.values()) else 0


def _measure_pile(
    files: Sequence[Path],
    metrics: Sequence[str],
    channels: Sequence[str],
    options: Mapping[str, str],
    *,
    interval: str | None,
    limit: str,
    judge: str,
    answering: AnswersWanted,
    as_json: bool,
) -> int:
    """One table of the readings of many files, whoever computes them."""
    from wavewright.archive.measured_files import MeasuredFiles
    from wavewright.archive.pile import files_of
    from wavewright.cli.pile_table import tell_pile
    from wavewright.quantities import read_quantity

    if limit and len(metrics) != 1:
        raise Misuse(f"`--limit` of {len(metrics)} metrics", expected="one metric", do="judge one after the other")
    step = None if interval is None else read_quantity(interval, unit="s").value
    query = MeasuredFiles(
        tuple(metrics), tuple(map(number_or_name, channels)), tuple(options.items()), step, limit, judge
    )
    query.check()
    found = files_of(files)
    columns = ("file", "metric", "value", "count", "minimum", "maximum", "doubts", "reason", "verdict")
    with answering.answers(query, found) as answers:
        return tell_pile(answers, columns if limit else columns[:-1], as_json=as_json, is_kept=answering.is_kept)


def _accuracy(words: Sequence[str]) -> Accuracy:
    """What is stated of every input, from `gain=1.5 %` and so on."""
    from wavewright.analysis.uncertainty.accuracy import Accuracy
    from wavewright.nearest import did_you_mean

    stated: dict[str, Any] = {**read_stated(words)}
    for name in stated:
        if name not in STATED_OF_INPUTS:
            do = did_you_mean(name, STATED_OF_INPUTS)
            raise Misuse(f"`--accuracy {name}=…`", expected=f"one of {', '.join(STATED_OF_INPUTS)}", do=do)
    return Accuracy(**stated)


def _judged(readings: Mapping[str, Reading], limit: str, rule: str) -> Judgement:
    from wavewright.judgement.judge import judge

    if len(readings) != 1:
        raise Misuse(f"`--limit` of {len(readings)} metrics", expected="one metric", do="judge one after the other")
    return judge(next(iter(readings.values())), limit, rule=rule)


def _names(derived: Sequence[str]) -> set[str]:
    """Of the channels that `--derive` makes."""
    return {one.partition("=")[0].strip() for one in derived}


def _chosen(file: Path, words: Sequence[str], derived: Sequence[str], step: float | None) -> list[Waveform]:
    """The channels of a file, those that are derived from them included.

    Raises
    ------
    Misuse : a derived channel that cannot be read, or no such channel.
    """
    from wavewright.analysis.expressions.derive import derive
    from wavewright.logbook.formats.catalogue import read_waveform, read_waveforms

    if not derived:
        return [read_waveform(file, channel=number_or_name(word), interval=step) for word in words]
    waves = read_waveforms(file, interval=step)
    for one in derived:
        name, equals, expression = one.partition("=")
        if not (equals and name.strip() and expression.strip()):
            raise Misuse(f"`--derive {one}`", expected="`--derive NAME=EXPRESSION`")
        waves[name.strip()] = derive(expression.strip(), waves, name=name.strip())
    names = list(waves)
    found = [names[int(word) - 1] if word.isdigit() and 0 < int(word) <= len(names) else word for word in words]
    if unknown := [name for name in found if name not in waves]:
        raise Misuse(f"there is no channel `{unknown[0]}`", expected=f"one of {', '.join(names)}")
    return [waves[name] for name in found]


def _beside(
    before: Sequence[Waveform],
    now: Sequence[Waveform],
    compute: Callable[..., dict[str, Reading]],
    metric: Sequence[str],
    options: Mapping[str, str],
) -> dict[str, Reading]:
    """What differs from the waveform before, and by how much each metric moved."""
    from wavewright.analysis.reading import Reading
    from wavewright.analysis.statistics.comparison import compare as compare_waves
    from wavewright.analysis.statistics.comparison import metric_changes

    found = compare_waves(before[0], now[0])
    changes = metric_changes(compute(before, metric, **options), compute(now, metric, **options))
    return {
        "rms difference": Reading(found.rms_difference, found.unit),
        "largest difference": Reading(found.largest_difference, found.unit),
        "delay": Reading(found.delay, "s"),
        "gain": Reading(found.gain, "1"),
        "offset": Reading(found.offset, found.unit),
        **{
            f"change of {one.metric}": Reading(one.change, one.unit, uncertainty=one.uncertainty, reason=one.reason)
            for one in changes
        },
    }


def _occurrences(reading: Reading, each: bool) -> dict[str, list[dict[str, float]]]:
    """Every occurrence in SI units, for `--json`."""
    if not each or reading.occurrences is None:
        return {}
    pairs = zip(reading.occurrences.times.tolist(), reading.occurrences.values.tolist(), strict=True)
    return {"occurrences": [{"time": time, "value": value} for time, value in pairs]}


def _print_each(readings: Mapping[str, Reading]) -> None:
    from wavewright.quantities import show_quantity

    for name, reading in readings.items():
        for one in _occurrences(reading, True).get("occurrences", ()):
            time, value = show_quantity(one["time"], "s", resolution=1e-12), show_quantity(one["value"], reading.unit)
            print(f"{name}  {time}  {value}")


def _print_table(readings: dict[str, Reading], limit: str) -> None:
    from wavewright.reporting.console import shown_reading
    from wavewright.reporting.console_table import console_table, plain_cells

    table = console_table(("metric", "measured value", "count", "min", "max", "remarks"))
    for name, reading in readings.items():
        table.add_row(*plain_cells(name, *shown_reading(reading, limit)))
    console().print(table)
