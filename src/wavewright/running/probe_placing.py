"""Telling the operator where the probes go, in words and by pictures."""

from __future__ import annotations

from wavewright.errors import StorageFault
from wavewright.instruments.setups import DigitizerSetup
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.picture_file import has_changed
from wavewright.running.run_context import RunContext, placing_text


def asks_person(measurement: Measurement, *, is_placed: bool) -> bool:
    """Whether somebody has something to do before it: `is_placed` as below."""
    return bool(measurement.place or measurement.pictures) and not is_placed


def place_probes(measurement: Measurement, setup: DigitizerSetup, context: RunContext, *, is_placed: bool) -> None:
    """Tell where the probes go; outputs are off, so that hands may come near."""
    text = placing_text(measurement, setup)
    if asks_person(measurement, is_placed=is_placed):
        context.operator.confirm("\n".join([*_show_pictures(measurement, context), text]))
    if context.bench.prompts is not None:
        context.bench.prompts.show(text)


def _show_pictures(measurement: Measurement, context: RunContext) -> list[str]:
    """Lead the operator to the pictures of a measurement; returns them as lines where the desk cannot.

    Raises
    ------
    StorageFault : one is no longer what it was when the recipe was read; the run ends.
    """
    lines = []
    for picture in context.pictures.get(measurement.name, ()):
        if has_changed(picture):
            raise StorageFault(
                f"the picture of `{measurement.name}` is no longer what it was when the recipe was read",
                where=str(picture.path),
                do="run it again: the picture is read anew then",
            )
        if context.show_picture is not None:
            context.show_picture(picture.path)
        else:
            lines.append(f"picture: {picture.path}")
    return lines
