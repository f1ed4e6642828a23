"""`wavewright look`: what is on a line that nobody has described, on a bench or in stored files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wavewright.cli.answering import AnswersWanted, with_answers
from wavewright.cli.bench_choice import chosen_bench
from wavewright.cli.operator_terminal import OperatorTerminal
from wavewright.cli.options import Bench, Draw, Instruments, Seed, read_instruments
from wavewright.cli.output import AsJson, console, print_json
from wavewright.cli.picture_option import TERMINAL, PictureAt, show_pictures
from wavewright.errors import Misuse

if TYPE_CHECKING:
    from wavewright.instruments.bench_file import BenchFile
    from wavewright.running.first_look import FirstLook


@with_answers
def look(
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            help="Stored records to look at in place of a bench, CSV, WAV, HDF5, NPZ or SCPI DIF; folders, or patterns "
            "such as `'shots/*.npz'`."
        ),
    ] = None,
    *,
    bench: Bench = None,
    input: Annotated[
        list[int] | None,
        typer.Option(
            "--input",
            min=1,
            help="Input of the digitizer; may be repeated. If left out, those with a probe in the bench file.",
        ),
    ] = None,
    place: Annotated[
        str, typer.Option(help="Where the probes are, for the draft and for a screen at the bench: `Probe 1 on TP7.`")
    ] = "",
    patience: Annotated[
        str, typer.Option(help="Longest record, and longest wait for something to happen on a line.")
    ] = "5 s",
    recipe: Annotated[
        Path | None, typer.Option(help="Write a draft of a recipe into this new file, with limits proposed from shots.")
    ] = None,
    shots: Annotated[int, typer.Option(min=5, help="With --recipe: shots that limits are proposed from.")] = 20,
    interval: Annotated[
        str | None, typer.Option(help="Time between samples of the files, `1 us`, where they have none.")
    ] = None,
    instrument: Instruments = None,
    seed: Seed = None,
    draw: Draw = None,
    yes: Annotated[bool, typer.Option("--yes", help="Unattended: the place of the probes is not confirmed.")] = False,
    picture: PictureAt = None,
    answering: AnswersWanted,
    as_json: AsJson = False,
) -> int:
    """Say what is on lines that nobody has described.

    Nothing, a steady level, noise, a sine, a clock, pulses, an edge, or which bus, with its settings and what is said.

    The bench is brought to its known state and all outputs stay off: power the board some other way. Range, time base
    and level are found. With files, each channel of each is examined, and what is unlike the others is marked; one of
    several that cannot be read has its fault in the table, and the exit status is 3.
    """
    if files:
        if bench is not None or recipe is not None or input:
            raise Misuse("files together with `--bench`, `--input` or `--recipe`", expected="either files or a bench")
        from wavewright.cli.file_look import look_at_files

        return look_at_files(files, interval=interval, picture=picture, answering=answering, as_json=as_json)
    if unfit := [
        name
        for name, value in {"--cluster": answering.cluster, "--table": answering.table}.items()
        if value is not None
    ]:
        raise Misuse(f"`{unfit[0]}` without files", expected="files that are looked at")
    from wavewright.instruments.bench_file import load_bench
    from wavewright.quantities import read_quantity

    if recipe is not None and recipe.exists():
        do = "choose another name, or move that one away"
        raise Misuse(f"{recipe} exists already", expected="a new file", do=do)
    there = load_bench(chosen_bench(bench))
    seconds = read_quantity(patience, unit="s", least=1e-3).value
    desk = OperatorTerminal(console(stderr=True), is_attended=not yes)
    chosen = read_instruments(instrument)
    found = _looked(there, input or (), chosen, place=place, patience=seconds, desk=desk, seed=seed, draw=draw)
    if as_json:
        print_json(look_json(found))
    else:
        _print(found, has_traces=picture != TERMINAL)
    if picture is not None:
        _draw(found, picture, as_json=as_json)
    if recipe is not None:
        _write_draft(found, there, recipe, chosen, place=place, shots=shots, desk=desk, seed=seed, draw=draw)
    return 0


def look_json(found: FirstLook) -> dict[str, Any]:
    """What was found, as plain values in SI units."""
    numbers = {one.name: one.input for one in found.inputs}
    from wavewright.recognition.recognised import serial_json

    return {
        "inputs": [{"input": one.input, **one.found.as_json(), "settings": one.settings} for one in found.inputs],
        "together": [
            {**serial_json(one.serial), "lines": {role: numbers[name] for role, name in one.lines.items()}}
            for one in found.together
        ],
    }


def _looked(
    there: BenchFile,
    inputs: Sequence[int],
    instruments: Mapping[str, str],
    *,
    place: str,
    patience: float,
    desk: OperatorTerminal,
    seed: int | None,
    draw: int | None,
) -> FirstLook:
    from wavewright.instruments.bench import open_bench
    from wavewright.instruments.simulated import fresh_draw
    from wavewright.instruments.vocabulary import Role
    from wavewright.running.bench_lock import addresses, bench_lock
    from wavewright.running.first_look import first_look
    from wavewright.running.interruption import interruptible
    from wavewright.running.selection import instrument_in_role

    name = instrument_in_role(Role.DIGITIZER, there, named=instruments.get(Role.DIGITIZER), where=there.path)
    chosen = inputs or sorted(there.probes) or [1]
    fresh = None if not there.is_simulated else draw if draw is not None else seed if seed is not None else fresh_draw()
    with (
        bench_lock(addresses(there), what="a look", say=desk.say),
        interruptible(say=desk.say),
        open_bench(there, None, seed=seed, draw=fresh) as opened,
    ):
        opened.reset()
        if place:
            desk.confirm(place)
            if opened.prompts is not None:
                opened.prompts.show(place)
        desk.begin("look", shots=0)
        try:
            return first_look(opened, chosen, patience=patience, step=desk.step, name=name)
        finally:
            desk.close()


def _draw(found: FirstLook, where: str, *, as_json: bool) -> None:
    """A picture per input: each has a time axis of its own."""
    from wavewright.recognition.sentences import sentence
    from wavewright.reporting.traces import trace_picture

    pictures = [
        trace_picture({f"input {one.input}": one.wave}, trigger_time=0.0, name=f"input{one.input}",
                      title=f"Input {one.input}: {sentence(one.found)}", keep_codes=False)
        for one in found.inputs
    ]  # fmt: skip
    show_pictures(pictures, where, as_json=as_json)


def _print(found: FirstLook, *, has_traces: bool) -> None:
    from rich.text import Text

    from wavewright.recognition.sentences import sentence, together_words
    from wavewright.reporting.terminal_trace import terminal_trace

    out = console()
    width = max(min(out.width - 16, 100), 20)
    names = {one.name: f"input {one.input}" for one in found.inputs}
    for one in found.inputs:
        out.print(Text(f"input {one.input}: {sentence(one.found)}", style="bold"), soft_wrap=True)
        for doubt in one.found.doubts:
            out.print(Text(f"  in doubt: {doubt}"), soft_wrap=True)
        for line in terminal_trace(one.wave, width=width, encoding=out.encoding) if has_traces else ():
            out.print(Text(line), soft_wrap=True)
        for said in one.found.serial.said if one.found.serial is not None else ():
            out.print(Text(f"  {said}"), soft_wrap=True)
    for bus in found.together:
        out.print(Text(together_words(bus, names), style="bold"), soft_wrap=True)
        for said in bus.serial.said:
            out.print(Text(f"  {said}"), soft_wrap=True)


def _write_draft(
    found: FirstLook,
    there: BenchFile,
    target: Path,
    instruments: Mapping[str, str],
    *,
    place: str,
    shots: int,
    desk: OperatorTerminal,
    seed: int | None,
    draw: int | None,
) -> None:
    """Write the draft without limits, take shots with it, and write it again with the limits they propose."""
    from dataclasses import replace

    from wavewright.cli.proposed_limits import proposed_limits
    from wavewright.durable_files import write_whole
    from wavewright.recipe.load import parse_recipe
    from wavewright.running.draft import draft

    written = draft(found, place=place)
    if not written.measurements:
        raise Misuse("there is nothing on these inputs to write a recipe for", do="check the probes and the power")
    limits = proposed_limits(
        written, there, found.inputs, target, shots=shots, desk=desk, instruments=instruments, seed=seed, draw=draw
    )
    limited = replace(written, limits=limits)
    if not limited.judges:
        raise Misuse(
            "the shots propose no limit: each reading is in doubt, or has no number",
            do="read the doubts that `wavewright look` shows, and write the recipe by hand",
        )
    text = limited.text()
    parse_recipe(text, str(target))
    write_whole(target, text)
    desk.say(f"{target} is written: read it, and run it with `wavewright run {target}`")
