"""A watch: the recipe file, the bench or stored records, the server and the pages, put together."""

from __future__ import annotations

import queue
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from wavewright.errors import FileFault, OutputMayBeOn
from wavewright.grammar.located_yaml import parse_tree
from wavewright.instruments.bench_file import BenchFile
from wavewright.logbook.formats.catalogue import read_stored
from wavewright.pages.audience import Audience
from wavewright.pages.conversation import MOST_WAITING, Reception, Wishes
from wavewright.pages.drawing import Drawing
from wavewright.pages.file_follower import FileFollower
from wavewright.pages.output_consent import PATIENCE, Guard, OutputConsent
from wavewright.pages.page_app import new_token, page_app, page_assets
from wavewright.pages.page_server import HOST, listen, serving
from wavewright.pages.recipe_document import RecipeDocument
from wavewright.pages.recorded_shots import RecordedShots
from wavewright.pages.shot_source import Shots
from wavewright.pages.shown_pictures import ShownPictures
from wavewright.pages.watching import Watching
from wavewright.recipe.load import check_kind
from wavewright.running.bench_lock import addresses, bench_lock
from wavewright.running.interruption import Interrupted, Interruption, interruptible
from wavewright.running.live_bench import LiveBench
from wavewright.running.result import MeasurementOutcome
from wavewright.running.run_options import DEFAULTS, RunOptions
from wavewright.running.shot_stopping import ShotStopper, stoppable_shots

LAST_WORDS = 1.0  # s that pages have to take what they are told last


@dataclass(frozen=True, slots=True)
class WatchedPage:
    """How a watch is served.

    Parameters
    ----------
    port : on the loopback interface; 0 for any that is free.
    measurement : label of the one to show first; the recipe's first if empty.
    set : values for parameters of the recipe, by name.
    say : shows the operator something.
    opened : is given the address of the page, once it is served.
    """

    port: int = 0
    measurement: str = ""
    set: Mapping[str, str] = field(default_factory=dict)
    say: Callable[[str], None] = lambda text: None
    opened: Callable[[str], None] = lambda address: None


def watch_records(
    recipe: Path, files: Sequence[Path], page: WatchedPage = WatchedPage(), *, interval: float | None = None
) -> None:
    """Follow a recipe on stored records until a signal ends it.

    Parameters
    ----------
    recipe : its file; files : the records, one shot each.
    interval : s, for records that do not state it.

    Raises
    ------
    FileFault, Misuse : a file cannot be read, or the port cannot be had.
    """
    shots = RecordedShots(files, interval=interval)
    with _served(recipe, page, simulated=False) as watch:
        watch.follow(shots)


def watch_bench(
    recipe: Path, bench: BenchFile, page: WatchedPage = WatchedPage(), *, options: RunOptions = DEFAULTS
) -> None:
    """Follow a recipe on a bench until a signal ends it; all outputs are off, confirmed, before this returns or raises.

    Parameters
    ----------
    options : seed, draw, instruments, and how long to wait for the bench.

    Raises
    ------
    FileFault, Misuse : a file cannot be read, or the port cannot be had.
    BenchFault : another program uses the bench.
    OutputMayBeOn : an output could not be confirmed off.
    """
    with (
        bench_lock(addresses(bench), what=f"watch of {recipe.name}", patience=options.patience, say=page.say),
        _served(recipe, page, simulated=bench.is_simulated) as watch,
    ):
        shots = LiveBench(
            bench,
            options,
            operator=watch,
            progress=watch,
            stopper=watch.stopper,
            may_switch=watch.consent.covers,
            check=watch.signals.check,
            read_stored=read_stored,
        )
        try:
            watch.follow(shots)
        finally:
            with watch.signals.shielded():
                shots.close()


@dataclass
class _Watch:
    """What is there once a page is served: what a bench needs of it, and what follows the recipe."""

    document: RecipeDocument
    page: WatchedPage
    reception: Reception
    drawing: Drawing
    consent: OutputConsent
    stopper: ShotStopper
    signals: Interruption
    pictures: ShownPictures
    is_served: Callable[[], bool]
    _watching: Watching | None = None

    def follow(self, shots: Shots) -> None:
        """Until a signal comes, or the server ends."""
        watching = Watching(
            self.document,
            shots,
            self.reception,
            self.drawing,
            self.consent,
            stopper=self.stopper,
            pictures=self.pictures,
            measurement=self.page.measurement,
            read_stored=read_stored,
        )
        self._watching = watching
        try:
            with suppress(Interrupted):
                watching.run(until=lambda: self.signals.came or not self.is_served())
            with self.signals.shielded():
                self.consent.withdraw("the program ends")
                shots.outputs_off()
        except OutputMayBeOn as fault:
            self.reception.tell(None, "fault", str(fault))
            watching.end(f"the program has ended, and an output may be on: {fault}")
            raise
        except BaseException:
            watching.end("the program has ended; its terminal says why")
            raise
        watching.end("the program has ended; outputs are off")

    def confirm(self, text: str) -> None:
        """Where the probes go is on the page all the time; nobody is waited for."""

    def say(self, text: str) -> None:
        """A note on every page."""
        self.reception.tell(None, "note", text)

    def begin(self, label: str, *, shots: int) -> None:
        """Nothing: how many shots there will be is not known."""

    def step(self, text: str) -> None:
        """Something that takes a while begins."""
        if self._watching is not None:
            self._watching.step(text)

    def shot(self, number: int) -> None:
        """Nothing: the state says it."""

    def end(self, outcome: MeasurementOutcome) -> None:
        """Nothing, as above."""


@contextmanager
def _served(recipe: Path, page: WatchedPage, *, simulated: bool) -> Iterator[_Watch]:
    """The page is served inside the block, and whoever opens it is attended to."""
    document = RecipeDocument(recipe, set=page.set)
    _refuse_other_kinds(document)
    with ExitStack() as open_things:
        listening = listen(page.port)
        open_things.callback(listening.close)
        signals = open_things.enter_context(interruptible(say=page.say))
        stopper = open_things.enter_context(stoppable_shots())
        audience, consent = Audience(), OutputConsent()
        drawing = open_things.enter_context(Drawing(audience))
        wishes: Wishes = queue.Queue(MOST_WAITING)
        guard = open_things.enter_context(Guard(consent, audience, wishes, stopper))
        reception = Reception(
            audience,
            wishes,
            changed_view=drawing.redraw,
            hand_left=guard.hand_left,
            silence=PATIENCE,
            simulated=simulated,
        )
        port, token = listening.getsockname()[1], new_token()
        pictures = ShownPictures()
        app = page_app(token, port, page_assets("watch_page"), reception.converse, pictures.find)
        server = open_things.enter_context(serving(app, listening))
        audience.live_in(server.loop)
        open_things.callback(audience.send_the_rest, within=LAST_WORDS)
        open_things.enter_context(FileFollower(recipe, reception.look_at_file, beside=pictures.look))
        page.opened(f"http://{HOST}:{port}/{token}/")
        yield _Watch(
            document,
            page,
            reception,
            drawing,
            consent,
            stopper,
            signals,
            pictures,
            lambda: server.is_on and guard.is_on,
        )


def _refuse_other_kinds(document: RecipeDocument) -> None:
    """A recipe with faults is followed, so that it can be mended; a bench file, or the like, is not.

    Raises
    ------
    FileFault : it says that it is another kind of file.
    """
    try:
        tree = parse_tree(document.now.text, str(document.path))
    except FileFault:
        return
    check_kind(tree, str(document.path))
