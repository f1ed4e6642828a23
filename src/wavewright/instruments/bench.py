"""The bench in use: every instrument identified, and every output off when it is left, whatever happened."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager
from datetime import date
from functools import partial
from types import MappingProxyType
from typing import TYPE_CHECKING, TypeVar

from wavewright.buses.search.patterns import Pattern
from wavewright.errors import BadAnswer, BenchFault, OutputMayBeOn
from wavewright.instruments import waits
from wavewright.instruments.bench_file import BenchFile
from wavewright.instruments.connecting import open_link
from wavewright.instruments.digitizer import Digitizer
from wavewright.instruments.display import Display
from wavewright.instruments.instrument import Instrument
from wavewright.instruments.library import PYVISA_PY, LaterPyVisa, open_manager
from wavewright.instruments.meter import Meter
from wavewright.instruments.roles import ROLES
from wavewright.instruments.source import Source
from wavewright.instruments.stop_signals import undisturbed
from wavewright.instruments.supply import Supply
from wavewright.instruments.usual_library import library_shown
from wavewright.instruments.vocabulary import Role
from wavewright.instruments.wire_log import WireLog

if TYPE_CHECKING:
    import pyvisa

A = TypeVar("A", bound=Instrument)
FIRST_LOOK = 8  # shots; a power of two
_OFF_ORDER = (Role.SOURCE, Role.SUPPLY)  # a source that drives a board without power feeds it through its inputs


class Bench:
    """The instruments that a run uses, by the name that the bench file gives them.

    `library` : the VISA library that was taken, where the bench file names none; else empty.
    """

    def __init__(
        self, file: BenchFile, instruments: Mapping[str, Instrument], prompts: Display | None, *, library: str = ""
    ) -> None:
        self.file, self.prompts, self.library = file, prompts, library
        self.instruments: Mapping[str, Instrument] = MappingProxyType(dict(instruments))
        self._unconfirmed: dict[str, OutputMayBeOn] = {}
        self._shots = 0  # since the known state

    def __getitem__(self, name: str) -> Instrument:
        return self.instruments[name]

    @property
    def digitizer(self) -> Digitizer:
        """The digitizer.

        Raises
        ------
        BenchFault : the bench has none, or several.
        """
        return self._only(Digitizer)

    @property
    def supply(self) -> Supply:
        """The supply; BenchFault as above."""
        return self._only(Supply)

    @property
    def source(self) -> Source:
        """The source; BenchFault as above."""
        return self._only(Source)

    @property
    def meter(self) -> Meter:
        """The meter; BenchFault as above."""
        return self._only(Meter)

    @property
    def identities(self) -> Mapping[str, str]:
        """The answers to `*IDN?`, by name."""
        return {name: instrument.identity for name, instrument in self.instruments.items()}

    def reset(self) -> None:
        """Every instrument to its known state; those with an output first, so that none is on while another is slow."""
        for instrument in sorted(self.instruments.values(), key=lambda one: not one.has_output):
            instrument.reset()
        self._shots = 0

    def check_now_and_then(self, *, but: Instrument) -> None:
        """After a shot: as `check_restarts`, asked after the 8th, 16th, 32nd … shot since the known state.

        The end of a measurement finds all of it; what is asked before saves the time of shots that count for nothing.

        Parameters
        ----------
        but : one that has been asked already.
        """
        self._shots += 1
        if self._shots >= FIRST_LOOK and self._shots.bit_count() == 1:
            for instrument in self.instruments.values():
                if instrument is not but:
                    instrument.link.status.check_restart()

    def check_restarts(self) -> None:
        """See that no instrument has been switched off and on since its known state; one query for each.

        Raises
        ------
        Complaint : one has; what was measured since then was measured with other settings.
        NoAnswer, BadAnswer, LinkLost
        """
        for instrument in self.instruments.values():
            instrument.link.status.check_restart()

    def check_unchanged(self, doing: str) -> None:
        """See that every instrument has the settings that were read back, no errors, and was not switched off and on.

        Raises
        ------
        SetOtherwise, Complaint : one has; the shots since it was set up count for nothing.
        NoAnswer, BadAnswer, LinkLost
        """
        for instrument in self.instruments.values():
            instrument.check_unchanged(doing)

    def check_outputs(self, roles: Collection[Role], doing: str) -> None:
        """See that the outputs of supply and source are as they were switched last; as `check_unchanged` otherwise."""
        for instrument in self.instruments.values():
            if isinstance(instrument, Supply | Source) and instrument.role in roles:
                instrument.check_output(doing)

    def switch_off_at_once(self) -> None:
        """Send every output the message that switches it off, without waiting for anything; `safe_state` confirms it.

        Never raises.
        """
        with undisturbed():
            for instrument in _in_off_order(self.instruments):
                instrument.switch_off_at_once()

    def safe_state(self, *, asks_again: bool = True) -> None:
        """Every output off and confirmed; one that fails keeps no other from being switched off.

        All get the message before the first is queried, and those that answer are queried before those that do not:
        waiting for a dead instrument leaves no output on.

        Parameters
        ----------
        asks_again : False: an instrument that could not be confirmed off before, and is lost, is not waited for anew.

        Raises
        ------
        OutputMayBeOn : names every output that could not be confirmed.
        """
        faults = []
        with undisturbed():
            ordered = _in_off_order(self.instruments)
            for instrument in ordered:
                instrument.switch_off_at_once()
            for instrument in sorted(ordered, key=lambda one: (one.link.is_lost, not one.link.is_in_step)):
                name, known = instrument.link.name, self._unconfirmed.pop(instrument.link.name, None)
                if known is not None and instrument.link.is_lost and not asks_again:
                    faults.append(known)
                    continue
                try:
                    instrument.safe_state()
                except OutputMayBeOn as fault:
                    faults.append(fault)
                    self._unconfirmed[name] = fault
                except Exception as fault:  # a defect of ours must not leave the next output on
                    faults.append(
                        OutputMayBeOn(f"it could not be switched off: {fault!r}", where=instrument.link.where)
                    )
        if faults:
            raise _joined(faults)

    def close(self) -> None:
        """Let go of all links; never raises."""
        for instrument in (*self.instruments.values(), *([self.prompts] if self.prompts else [])):
            instrument.close()

    def _only(self, kind: type[A]) -> A:
        found = [one for one in self.instruments.values() if isinstance(one, kind)]
        named = self.instruments.get(str(kind.role))
        if isinstance(named, kind):
            return named
        if len(found) != 1:
            raise BenchFault(
                f"the bench has {len(found) or 'no'} instruments with the role {kind.role}",
                where=self.file.path,
                expected="one, or one of that name",
            )
        return found[0]


def _in_off_order(instruments: Mapping[str, Instrument]) -> list[Instrument]:
    with_output = [one for one in instruments.values() if one.has_output]
    return sorted(with_output, key=lambda one: _OFF_ORDER.index(one.role) if one.role in _OFF_ORDER else 0)


def _joined(faults: list[OutputMayBeOn]) -> OutputMayBeOn:
    if len(faults) == 1:
        return faults[0]
    what = "; ".join(f"{fault.where}: {fault.what}" for fault in faults)
    return OutputMayBeOn(f"{len(faults)} outputs could not be confirmed off: {what}", do=faults[0].do)


@contextmanager
def open_bench(
    file: BenchFile,
    names: Collection[str] | None = None,
    *,
    wire_log: WireLog | None = None,
    seed: int | None = None,
    draw: int | None = None,
    manager: pyvisa.ResourceManager | None = None,
    pause: Callable[[float], None] = waits.sleep,
    today: date | None = None,
    identified: Callable[[str], None] = lambda name: None,
) -> Iterator[Bench]:
    """The bench inside the block; all outputs off, confirmed, and all links closed after it, whatever happened in it.

    Parameters
    ----------
    names : instruments to open, by their names in the bench file; all of them if None.
    seed : of a simulated bench, in place of the file's; draw : decides what fluctuates on it, the seed if None.
    manager : of another VISA library than the file's, for a replay say; closed afterwards like the file's.
    today : UTC; no correction may be dated after it.
    identified : called with the name of each instrument that has said who it is, before the next one is asked.

    Raises
    ------
    BenchFault : an instrument is not there, or is another than its profile or the corrections of the bench are for.
    OutputMayBeOn : after the block, if an output could not be confirmed off; the block's own error is its cause.
    FileFault, LinkLost, NoAnswer, BadAnswer
    """
    wanted = list(file.instruments if names is None else dict.fromkeys(names))
    if absent := [name for name in wanted if name not in file.instruments]:
        raise BenchFault(
            f"the bench has no `{absent[0]}`", where=file.path, expected=f"one of {', '.join(file.instruments)}"
        )
    through, library = _opened_library(file, manager, seed=seed, draw=draw)
    opened: dict[str, Instrument] = {}
    bench: Bench | None = None
    try:
        for name in wanted:
            opened[name] = _open_instrument(through, file, name, wire_log=wire_log, pause=pause)
            identified(name)
            _correct(opened[name], file, name, seed=seed, today=today)
        prompts = None
        if file.grammar.prompts:
            prompts = _open_instrument(through, file, "prompts", wire_log=wire_log, pause=pause)
        bench = Bench(file, opened, prompts if isinstance(prompts, Display) else None, library=library)
        yield bench
    finally:
        leaving = bench or Bench(file, opened, None)
        try:
            leaving.safe_state(asks_again=False)
        finally:
            leaving.close()
            through.close()


def _opened_library(
    file: BenchFile, manager: pyvisa.ResourceManager | None, *, seed: int | None, draw: int | None
) -> tuple[pyvisa.ResourceManager | LaterPyVisa, str]:
    """What opens the addresses of a bench, and the library that was taken where the file names none."""
    if manager is None:
        settings = file.simulation_settings(seed=seed, draw=draw)
        start = partial(open_manager, file.grammar.library, folder=file.folder, settings=settings)
        if file.grammar.library == PYVISA_PY:
            return LaterPyVisa(start), ""
        manager = start()
    return manager, "" if file.grammar.library else library_shown(manager)


def _open_instrument(
    manager: pyvisa.ResourceManager | LaterPyVisa,
    file: BenchFile,
    name: str,
    *,
    wire_log: WireLog | None,
    pause: Callable[[float], None],
) -> Instrument:
    entry = file.grammar.prompts if name == "prompts" else file.instruments[name]
    assert entry is not None  # `prompts` is only asked for where the file has it
    profile = file.profiles[name]
    link = open_link(manager, entry.resource, name=name, manners=profile.manners, wire_log=wire_log, pause=pause)
    try:
        check_identity(link.identity, profile.grammar.answers_to, where=link.where)
        return ROLES[profile.role](link, profile, ceilings=getattr(entry, "ceilings", None))
    except BaseException:
        link.close()
        raise


def _correct(instrument: Instrument, file: BenchFile, name: str, *, seed: int | None, today: date | None) -> None:
    """Give a digitizer its corrections, once it has said who it is.

    Raises
    ------
    BenchFault : they are those of another.
    """
    if isinstance(instrument, Digitizer) and file.corrections is not None:
        built = (file.seed if seed is None else seed) if file.is_simulated else None
        instrument.corrections = file.corrections.of_instrument(
            name, instrument.identity, probes=file.probe_serials, seed=built, today=today
        )


def check_identity(identity: str, pattern: str, *, where: str) -> None:
    """That the instrument is one that its profile is for.

    Raises
    ------
    BenchFault : it is another.
    BadAnswer : it did not say.
    """
    if not pattern:
        return
    if not identity:
        raise BadAnswer("it does not identify itself", where=where)
    if not Pattern(pattern).search(identity):
        raise BenchFault(
            f"it answers `{identity}`",
            where=where,
            expected=f"an identity that matches `{pattern}`, as its profile says",
            do="check the address, or name another profile in the bench file",
        )
