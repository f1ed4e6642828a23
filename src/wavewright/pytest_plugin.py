"""Recipes as tests: `pytest recipes/ --bench sim/bench.yaml`, one test per limit.

A recipe is run once, by the first of its tests that is selected; the others look up their result in the same outcome.
Nothing is collected unless `--bench` is given, or a recipe is named on the command line: other suites do not notice the
plugin (`-p no:wavewright` leaves it out altogether). With `-n` of pytest-xdist the tests of a recipe stay on one worker
(`--dist loadfile`, which is chosen where nothing else is); two workers never use one bench at a time.

Whatever pytest itself does not need is imported when a recipe is collected.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Generator, Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from wavewright.instruments.bench import Bench
    from wavewright.instruments.bench_file import BenchFile
    from wavewright.recipe.recipe import Recipe
    from wavewright.running.outcome import Outcome
    from wavewright.running.result import NamedLimit, Result

FIRST_KEY = re.compile(rb"^[\"']?wavewright[\"']?[ \t]*:", re.MULTILINE)  # the version of the recipe grammar
MARKER = "recipe(name, measurement): a limit of a recipe; `-m \"recipe(measurement='coil_drive')\"` chooses"
UNATTENDED = "wavewright: cautions and places are shown with -s, not confirmed; see to the probes before"


def pytest_addoption(parser: pytest.Parser) -> None:
    """The options; all but `--bench` begin with our name, so that they collide with nobody's."""
    group = parser.getgroup("wavewright", "recipes for an electronics bench as tests")
    group.addoption("--bench", dest="wavewright_bench", metavar="FILE", help="bench file that recipes are run on")
    for name, about in (
        ("serial", "serial number of the unit under test"),
        ("operator", "operator's name"),
        ("station", "test station, for the logbook"),
        ("out", "folder for the evidence; none is kept without"),
        ("logbook", "file or database URL that outcomes are entered into; none without"),
    ):
        group.addoption(f"--wavewright-{name}", default=None, metavar=name.upper(), help=about)
    group.addoption("--wavewright-seed", type=int, default=None, metavar="N", help="seed of a simulated bench")
    group.addoption(
        "--wavewright-set", action="append", default=[], metavar="NAME=VALUE", help="a parameter; may be repeated"
    )


def pytest_configure(config: pytest.Config) -> None:
    """Register the marker."""
    config.addinivalue_line("markers", MARKER)


@pytest.hookimpl(wrapper=True)  # a wrapper comes even before xdist, which would choose `load`
def pytest_cmdline_main(config: pytest.Config) -> Generator[None, object, object]:
    """With workers, deal out whole recipes, unless the user chooses another way."""
    if config.option.wavewright_bench and getattr(config.option, "numprocesses", None):
        config.option.dist = "loadfile" if config.option.dist == "no" else config.option.dist
    return (yield)


def pytest_report_header(config: pytest.Config) -> list[str]:
    """Say that nobody is asked anything, which bench is taken where none is named, and where it is simulated."""
    given = config.option.wavewright_bench
    if given:
        return [UNATTENDED, *_about_bench(given)]
    recipes = [Path(word.partition("::")[0]) for word in config.args]
    named = [path for path in recipes if path.suffix in (".yaml", ".yml")]
    return [UNATTENDED, *dict.fromkeys(line for path in named for line in _about_bench(None, path))] if named else []


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> RecipeCollector | None:
    """A YAML file that says it is a recipe, if there is a bench for it or the user has named it."""
    if file_path.suffix not in (".yaml", ".yml"):
        return None
    if not (parent.config.option.wavewright_bench or parent.session.isinitpath(file_path)):
        return None
    if not FIRST_KEY.search(file_path.read_bytes()):
        return None
    return RecipeCollector.from_parent(parent, path=file_path)


class LimitNotHeld(Exception):
    """A limit was not held, or no reading came about; `str` of it is what the user reads."""


class RecipeCollector(pytest.File):
    """One recipe; its tests share one run."""

    _recipe: Recipe
    _ran: Outcome | Exception | None = None

    def collect(self) -> Iterable[pytest.Item]:
        """One test per limit; one for a measurement that has none, which is to be made all the same."""
        from wavewright.cli.options import read_settings
        from wavewright.errors import WavewrightError
        from wavewright.recipe.load import load_recipe
        from wavewright.running.result import limits_of

        try:
            self._recipe = load_recipe(self.path, set=read_settings(self.config.option.wavewright_set))
        except WavewrightError as fault:
            raise self.CollectError(str(fault)) from fault
        for measurement in self._recipe:
            limits: list[NamedLimit | None] = [*limits_of(measurement)]
            for one in limits or [None]:
                # conditions come last, as pytest's own parameters do: brackets within a name break it and xdist
                conditions = measurement.label.removeprefix(measurement.name)
                name = f"{measurement.name}.{one.name}{conditions}" if one else measurement.label
                item = RecipeTest.from_parent(self, name=name, label=measurement.label, limit=one)
                item.add_marker(pytest.mark.recipe(name=self._recipe.name, measurement=measurement.name))
                yield item

    def outcome(self) -> Outcome:
        """The outcome of the one run, or the reason why there is none, again for each who asks."""
        if self._ran is None:
            try:
                # no test looks at captures, and those of many recipes together would fill the memory
                self._ran = replace(_run(self._recipe, self.config), captures={})
            except Exception as fault:
                self._ran = fault
        if isinstance(self._ran, Exception):
            raise self._ran
        return self._ran


class RecipeTest(pytest.Item):
    """One limit of one measurement."""

    parent: RecipeCollector

    def __init__(self, *, label: str, limit: NamedLimit | None, **rest: Any) -> None:
        super().__init__(**rest)
        self.label, self.limit = label, limit

    def runtest(self) -> None:
        """Look the result up; the first one runs the recipe."""
        outcome = self.parent.outcome()
        for name in ("part", "serial", "id", "folder"):
            if value := getattr(outcome, name):
                self.user_properties.append((f"run_{name}" if name in ("id", "folder") else name, str(value)))
        self.user_properties.append(("bench", "simulated" if outcome.is_simulated else "real"))
        measured = next((one for one in outcome.measurements if one.label == self.label), None)
        if measured is None or measured.error:
            raise LimitNotHeld(measured.error if measured else outcome.error or f"{self.label} was not measured")
        if self.limit is not None:
            self._judge(outcome.results.get(f"{self.label}.{self.limit.name}"))

    def _judge(self, result: Result | None) -> None:
        from wavewright.judgement.verdict import Verdict
        from wavewright.reporting.junit import describe, uncertainty_properties

        if result is None:
            raise LimitNotHeld(f"{self.name}: no reading came about")
        reading = result.reading
        told = {
            "metric": result.metric,
            "reading": reading.value,
            "unit": reading.unit,
            "uncertainty": reading.uncertainty,
            "limit": result.limit,
            "margin": result.margin,
            "verdict": result.verdict,
            **uncertainty_properties(result),
        }
        self.user_properties += [(name, str(value)) for name, value in told.items() if value is not None]
        if result.verdict is not Verdict.PASS:
            raise LimitNotHeld(f"{result.verdict}: {describe(result)}")

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """What a person can act on; a traceback only for a defect of ours."""
        from wavewright.errors import WavewrightError

        if isinstance(excinfo.value, LimitNotHeld | WavewrightError):
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """The line of the recipe in which the limit's entry is."""
        place = self.limit.place if self.limit else None
        return self.path, place.line - 1 if place else None, f"{self.path.stem}: {self.name}"


@pytest.fixture
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """The bench of `--bench`, open, in its known state and for this test alone; every output is off afterwards.

    `bench.supply`, `bench.digitizer`, … are its roles.
    """
    from wavewright.instruments.bench import open_bench
    from wavewright.instruments.bench_file import load_bench
    from wavewright.running.bench_lock import addresses, bench_lock
    from wavewright.running.run_options import PATIENCE
    from wavewright.running.shipped_files import named_or_usual

    file = load_bench(named_or_usual(request.config.option.wavewright_bench).path)
    with (
        bench_lock(addresses(file), what=request.node.name, patience=PATIENCE),
        open_bench(file, seed=request.config.option.wavewright_seed) as opened,
    ):
        opened.reset()
        yield opened


@pytest.fixture
def run_recipe(request: pytest.FixtureRequest) -> Callable[..., Outcome]:
    """A function that runs a recipe on the bench of `--bench`: `run_recipe("recipes/rail_ripple.yaml")`.

    Takes the arguments of `wavewright.run`; the options of the command line are the defaults.
    """
    if "bench" in request.fixturenames:
        raise pytest.UsageError("`bench` holds the instruments that `run_recipe` needs: use one of them in a test")

    def run(recipe: Recipe | str | Path, *, bench: BenchFile | str | Path | None = None, **options: object) -> Outcome:
        return _run(recipe, request.config, bench=bench, **options)

    return run


def _run(
    recipe: Recipe | str | Path,
    config: pytest.Config,
    *,
    bench: BenchFile | str | Path | None = None,
    **how: object,
) -> Outcome:
    from wavewright.instruments.stop_signals import STOP_SIGNALS
    from wavewright.logbook.kept_run import run_and_keep
    from wavewright.running.interruption import Interrupted
    from wavewright.running.run_context import Unattended
    from wavewright.running.run_options import RunOptions

    option = config.option
    options = RunOptions(
        serial=option.wavewright_serial or "",
        operator=option.wavewright_operator or "",
        station=option.wavewright_station or "",
        out=option.wavewright_out,
        logbook=option.wavewright_logbook,
        seed=option.wavewright_seed,
        desk=Unattended(print),
        say=print,
    )
    outcome = run_and_keep(recipe, options.changed(**how), bench=option.wavewright_bench if bench is None else bench)
    if outcome.error in {str(Interrupted(number)) for number in STOP_SIGNALS}:
        raise KeyboardInterrupt(outcome.error)  # Ctrl-C ends the tests too, now that outputs are off
    return outcome


def _about_bench(bench: str | None, recipe: Path | None = None) -> list[str]:
    from wavewright.errors import WavewrightError
    from wavewright.instruments.bench_file import load_bench
    from wavewright.running.shipped_files import named_or_usual

    usual = named_or_usual(bench, recipe)
    try:
        is_simulated = load_bench(usual.path).is_simulated
    except WavewrightError:  # whoever runs on it says what is wrong with it
        is_simulated = False
    mark = [f"wavewright: {bench or usual.path.name} is a simulated bench: no real unit is measured"]
    return [*([f"wavewright: {usual.why}"] if usual.why else []), *(mark if is_simulated else [])]
