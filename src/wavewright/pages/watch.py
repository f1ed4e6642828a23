"""A watch: the recipe file, the bench or stored records, the server and the pages, put together."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, suppress
from pathlib import Path

from wavewright.logbook.formats.catalogue import read_stored
from wavewright.pages.audience import Audience
from wavewright.pages.conversation import Reception
from wavewright.pages.drawing import Drawing
from wavewright.pages.file_follower import FileFollower
from wavewright.pages.page_app import new_token, page_app, page_assets
from wavewright.pages.page_server import HOST, listen, serving
from wavewright.pages.recipe_document import RecipeDocument
from wavewright.pages.recorded_shots import RecordedShots
from wavewright.pages.watching import Watching
from wavewright.running.interruption import Interrupted, interruptible

PATIENCE = 5.0  # s that a page with the hand may be silent


def watch_files(
    recipe: Path,
    files: Sequence[Path],
    *,
    port: int = 0,
    measurement: str = "",
    set: Mapping[str, str] | None = None,
    interval: float | None = None,
    say: Callable[[str], None],
    opened: Callable[[str], None],
) -> None:
    """Follow a recipe on stored records until a signal ends it.

    Parameters
    ----------
    recipe : its file; files : the records, one shot each.
    port : on the loopback interface; 0 for any that is free.
    measurement : label of the one to show first; the recipe's first if empty.
    interval : s, for records that do not state it.
    say : shows the operator something.
    opened : is given the address of the page, once it is served.

    Raises
    ------
    FileFault, Misuse : a file cannot be read, or the port cannot be had.
    """
    document = RecipeDocument(recipe, set=set)
    shots = RecordedShots(files, interval=interval)
    with ExitStack() as open_things:
        listening = listen(port)
        open_things.callback(listening.close)
        audience = Audience()
        drawing = open_things.enter_context(Drawing(audience))
        reception = Reception(
            audience,
            changed_view=drawing.redraw,
            hand_left=lambda why: None,
            silence=PATIENCE,
            simulated=shots.is_simulated,
        )
        own_port, token = listening.getsockname()[1], new_token()
        app = page_app(token, own_port, page_assets("watch_page"), reception.converse)
        signals = open_things.enter_context(interruptible(say=say))
        server = open_things.enter_context(serving(app, listening))
        audience.live_in(server.loop)
        open_things.enter_context(FileFollower(recipe, lambda: reception.wishes.put(None)))
        watching = Watching(document, shots, reception, drawing, measurement=measurement, read_stored=read_stored)
        opened(f"http://{HOST}:{own_port}/{token}/")
        with suppress(Interrupted):
            watching.run(until=lambda: signals.came or not server.is_on)
        watching.end("the program has ended")
