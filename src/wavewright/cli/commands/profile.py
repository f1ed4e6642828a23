"""`wavewright profile`: list, show, create and test instrument profiles."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wavewright.cli.bench_choice import chosen_bench
from wavewright.cli.completion import complete_profile
from wavewright.cli.options import Bench
from wavewright.cli.output import AsJson, console, print_json
from wavewright.errors import Misuse, WavewrightError

if TYPE_CHECKING:
    from wavewright.instruments.profile_exercise import TrialRow
    from wavewright.instruments.vocabulary import Role

commands = typer.Typer(help="Instrument profiles: list, show, create, test.", no_args_is_help=True)

FAIL = 1


@commands.command("list")
def list_profiles(as_json: AsJson = False) -> None:
    """List the profiles that come with the package."""
    from wavewright.instruments.profile import load_profile, shipped_profiles

    rows = []
    for name in shipped_profiles():
        try:
            profile = load_profile(name)
        except WavewrightError:  # a profile to extend, without a role of its own
            rows.append({"name": name, "role": "", "about": "to be extended"})
        else:
            rows.append({"name": name, "role": str(profile.role), "about": profile.grammar.about})
    if as_json:
        print_json(rows)
        return
    from wavewright.reporting.console_table import console_table, plain_cells

    table = console_table(("profile", "role", "about"), whole=("profile",))
    for row in rows:
        table.add_row(*plain_cells(*row.values()))
    console().print(table)


@commands.command()
def show(
    name: Annotated[str, typer.Argument(help="A shipped profile, or a file.", autocompletion=complete_profile)],
) -> None:
    """Print a profile with everything that it inherits."""
    from wavewright.instruments.profile import inherited, load_profile

    grammar, texts = inherited(name)
    if grammar.role is None:  # a profile to extend, which is complete for no role
        print(*(text for _, text in texts), sep="\n", end="")
    else:
        print(load_profile(name).text, end="")


@commands.command()
def new(
    name: Annotated[str, typer.Argument(help="Name of the new profile; it is written to NAME.yaml.")],
    base: Annotated[
        str, typer.Option("--from", help="The profile to extend.", autocompletion=complete_profile)
    ] = "scpi-digitizer",
    role: Annotated[
        str | None,
        typer.Option(
            help="What the instrument does, for a base without a role (scpi-basics); a digitizer if left out."
        ),
    ] = None,
) -> None:
    """Write a new profile to be filled in, and its schema.

    Everything that it inherits is written into it as comments, and explained.
    """
    from wavewright.editor_schemas import write_with_schema
    from wavewright.file_kinds import KindOfFile
    from wavewright.instruments.new_profile import new_profile_text

    path = Path(f"{name}.yaml")
    text = new_profile_text(name, base=base, role=None if role is None else _role(role))
    if path.exists():
        raise Misuse(f"`{path}` exists already", do="choose another name, or move that file away")
    write_with_schema(path, text, KindOfFile.PROFILE)
    print(path)


@commands.command()
def exercise(
    file: Annotated[str, typer.Argument(help="A profile file, or a shipped profile.", autocompletion=complete_profile)],
    *,
    bench: Bench = None,
    instrument: Annotated[
        str | None, typer.Option(help="Its name in the bench file, if several have the role.")
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Try every setting of a profile on its instrument.

    Each is set to its limits and to the middle and read back, and a record is taken in every format. Outputs stay off
    and ceilings are respected. Exit status 1 if something fails.
    """
    from wavewright.instruments.bench_file import load_bench
    from wavewright.instruments.profile import load_profile
    from wavewright.instruments.profile_exercise import TrialOutcome, exercise_profile

    rows: list[TrialRow] = []
    causes: dict[str, str] = {}
    for row in exercise_profile(load_profile(file), load_bench(chosen_bench(bench)), name=instrument):
        rows.append(row)
        if not as_json:
            print(_line(row, causes), flush=True)
    if as_json:
        print_json([row.as_json() for row in rows])
    else:
        told = f" for {len(causes)} different reason{'s' if len(causes) > 1 else ''}" if causes else ""
        counts = {one: f"{sum(row.finding is one for row in rows)} {one}" for one in TrialOutcome}
        print(", ".join(text + told if one is TrialOutcome.FAILS else text for one, text in counts.items()))
    return FAIL if any(row.finding is TrialOutcome.FAILS for row in rows) else 0


def _role(word: str) -> Role:
    from wavewright.instruments.vocabulary import Role

    if word not in list(Role):
        raise Misuse(f"unknown role `{word}`", expected=f"one of {', '.join(Role)}")
    return Role(word)


def _line(row: TrialRow, causes: dict[str, str]) -> str:
    """One row; a reason is given in full where it comes for the first time, which `causes` keeps."""
    words = [f"{row.finding:<13}", f"{1000 * row.duration:8.2f} ms", f"{row.setting}"]
    if row.asked is not None:
        words.append(f"{row.asked:g}" if isinstance(row.asked, float) else str(row.asked))
    if row.used is not None and row.used != row.asked:
        words.append(f"-> {row.used:g}" if isinstance(row.used, float) else f"-> {row.used}")
    if row.finding == "failed" and row.cause in causes:
        words.append(f"for the same reason as {causes[row.cause]}")
    elif row.finding == "failed":
        causes[row.cause] = row.setting
        words.append(f"after `{'`, `'.join(row.messages)}`: {row.remark}")
    elif row.remark:
        words.append(f"({row.remark})")
    return "  ".join(words)
