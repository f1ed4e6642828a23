"""`wavewright look FILES`: what each stored record is, in one table, and which are unlike the others."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wavewright.cli.output import console, print_json

if TYPE_CHECKING:
    from wavewright.recognition.recognised import Recognised, Together
    from wavewright.waveform import Waveform


def look_at_files(files: Sequence[Path], *, interval: str | None, picture: str | None, as_json: bool) -> int:
    """Recognise every channel of every file, and print one table or one JSON document."""
    from wavewright.logbook.formats.catalogue import read_waveforms
    from wavewright.quantities import read_quantity
    from wavewright.recognition.unlike import unlike

    step = None if interval is None else read_quantity(interval, unit="s").value
    found: list[tuple[Path, dict[str, Recognised], list[Together]]] = []
    for file in files:
        waves = read_waveforms(file, interval=step)
        found.append((file, *_recognised(waves)))
    by_channel: dict[str, list[Recognised]] = defaultdict(list)
    for _, channels, _ in found:
        for name, one in channels.items():
            by_channel[name].append(one)
    remarks = {name: iter(unlike(pile)) for name, pile in by_channel.items()}
    rows = [
        (file, name, one, next(remarks[name]), together)
        for file, channels, together in found
        for name, one in channels.items()
    ]
    if as_json:
        print_json([_json(*row) for row in rows])
    else:
        _print(rows, found)
    if picture is not None:
        _draw(files, step, picture, as_json=as_json)
    return 0


def _draw(files: Sequence[Path], step: float | None, where: str, *, as_json: bool) -> None:
    """A picture per file, its channels below one another."""
    from wavewright.cli.picture_option import show_pictures
    from wavewright.logbook.formats.catalogue import read_waveforms
    from wavewright.reporting.traces import trace_picture

    pictures = [
        trace_picture(read_waveforms(file, interval=step), trigger_time=0.0, name=f"file{number}", title=file.name,
                      keep_codes=False)
        for number, file in enumerate(files)
    ]  # fmt: skip
    show_pictures(pictures, where, as_json=as_json)


def _recognised(waves: Mapping[str, Waveform]) -> tuple[dict[str, Recognised], list[Together]]:
    from wavewright.errors import NotMeasurable
    from wavewright.recognition.line_groups import find_groups, with_groups
    from wavewright.recognition.line_kind import LineSeen, recognise
    from wavewright.recognition.recognised import TWO_STATES, Kind, Recognised

    singles: dict[str, Recognised] = {}
    for name, wave in waves.items():
        try:
            singles[name] = recognise(LineSeen([wave]))
        except NotMeasurable as fault:
            singles[name] = Recognised(Kind.UNKNOWN, unit=wave.unit, doubts=(fault.what,))
    moving = {name: wave for name, wave in waves.items() if singles[name].kind in TWO_STATES}
    together = list(find_groups(moving, singles)) if len(moving) > 1 else []
    return with_groups(singles, together), together


def _json(file: Path, name: str, one: Recognised, remark: str, together: Sequence[Together]) -> dict[str, Any]:
    from wavewright.recognition.recognised import serial_json

    plain = {"file": str(file), "channel": name, **one.as_json()}
    if remark:
        plain["unlike"] = remark
    group = next((each for each in together if name in each.lines.values()), None)
    if group is not None:
        plain["together"] = {**serial_json(group.serial), "lines": dict(group.lines)}
    return plain


def _print(
    rows: Sequence[tuple[Path, str, Recognised, str, Sequence[Together]]],
    found: Sequence[tuple[Path, Mapping[str, Recognised], Sequence[Together]]],
) -> None:
    from rich.text import Text

    from wavewright.recognition.sentences import sentence, together_words
    from wavewright.reporting.console_table import console_table

    out = console()
    table = console_table(("file", "channel", "what", "unlike the others"))
    for file, name, one, remark, _ in rows:
        table.add_row(*(Text(cell) for cell in (str(file), name, sentence(one), remark)))
    out.print(table)
    for file, channels, together in found:
        for name, one in channels.items():
            for said in one.serial.said if one.serial is not None else ():
                out.print(Text(f"{file}, {name}: {said}"), soft_wrap=True)
        for group in together:
            out.print(Text(f"{file}: {together_words(group, {})}"), soft_wrap=True)
            for said in group.serial.said:
                out.print(Text(f"  {said}"), soft_wrap=True)
