"""`wavewright help [TOPIC]`: the reference in the terminal; `--html DIR` writes it as pages."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from wavewright.cli.completion import complete_topic
from wavewright.cli.output import AsJson, console, print_json
from wavewright.errors import Misuse


def help(
    topic: Annotated[
        list[str] | None,
        typer.Argument(
            help="A metric, bus, command, key of a file, function, doubt, error or Python name.",
            autocompletion=complete_topic,
        ),
    ] = None,
    html: Annotated[
        Path | None, typer.Option("--html", help="Write all topics as HTML pages into this folder.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show a topic of the reference, or write it all as HTML.

    Without a topic, all of them are listed.
    """
    from wavewright.cli.reference import whole_reference

    reference = whole_reference()
    if html is not None:
        if topic:
            raise Misuse("a topic and --html together", do="leave the topic out: --html writes all of them")
        from wavewright.reference.pages import write_pages

        written = write_pages(reference, html)
        print_json([str(path) for path in written]) if as_json else print(f"{written[0]}: {len(written) - 1} topics")
        return
    found = reference.find(" ".join(topic)) if topic else reference.topics
    if as_json:
        fields = ("group", "name", "summary", "text") if topic else ("group", "name", "summary")
        print_json([{field: str(getattr(one, field)) for field in fields} for one in found])
    elif topic:
        from wavewright.reference.terminal import show

        for one in found:
            show(one, console())
    else:
        from wavewright.reference.terminal import show_list

        show_list(reference, console())
