"""Goes through every setting of a profile on a real instrument: set, read back, compare, empty the error queue, time.

For somebody who has written a profile and wants to know what of it is true. Outputs stay off, ceilings hold.
"""

from __future__ import annotations

import math
import re
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from types import MappingProxyType
from typing import Any

from wavewright.errors import BenchFault, Complaint, LinkLost, Misuse, NoAnswer, WavewrightError
from wavewright.instruments import waits
from wavewright.instruments.bench import open_bench
from wavewright.instruments.bench_file import BenchFile
from wavewright.instruments.compound_query import QueryUnit, joined, separated
from wavewright.instruments.digitizer import Digitizer
from wavewright.instruments.exercise_values import values_to_try
from wavewright.instruments.instrument import Instrument
from wavewright.instruments.profile import Assignment, Profile
from wavewright.instruments.setting import Value
from wavewright.instruments.setups import DigitizerSetup, InputSetup, TimebaseSetup, TriggerSetup
from wavewright.instruments.vocabulary import VOCABULARY, ValueKind
from wavewright.instruments.wire_log import WireLog

SAME = 1e-6  # relative; what a device prints in seven digits
_QUOTED = re.compile(r"`[^`]*`")
_NEVER_TRIED = {"output", "arbitrary", "trigger", "inputs.used", "input.on"}
MOST_UNANSWERED = 3  # settings in a row before we take it that nobody answers
MOST_TOGETHER = 4  # queries that are tried in one message
_CAPTURE_POINTS = 1000
_INPUT = "input 1"
_HIGH = 0.4  # of the range, above its middle


class TrialOutcome(StrEnum):
    """What came of trying a value."""

    WORKS = "ok"
    ROUNDS = "rounded"
    UNCONFIRMED = "not read back"  # set without complaint; the profile does not say how to ask for it
    FAILS = "failed"
    HELD_BACK = "not sent"  # above a ceiling of the bench; not sent


@dataclass(frozen=True, slots=True)
class TrialRow:
    """One value of one setting: what was sent, what the instrument made of it, how long it took, s."""

    setting: str
    asked: float | str | bool | None
    used: float | str | bool | None
    finding: TrialOutcome
    messages: tuple[str, ...]
    duration: float
    remark: str = ""
    is_unanswered: bool = False  # no answer came, and no word of why in the error queue

    @property
    def cause(self) -> str:
        """The remark without its setting and what is in backticks: rows that fail for one reason share it."""
        return _QUOTED.sub("`…`", self.remark.replace(self.setting, "…"))

    def as_json(self) -> dict[str, Any]:
        """Plain numbers and words."""
        return {name: value for name, value in asdict(self).items() if name != "is_unanswered"}


def exercise_profile(
    profile: Profile, bench: BenchFile, *, name: str | None = None, wire_log: WireLog | None = None
) -> Iterator[TrialRow]:
    """Try a profile on the instrument of the bench that has its role.

    Parameters
    ----------
    name : of the instrument in the bench file, if there are several with that role.

    Raises
    ------
    BenchFault : no instrument with that role, or another than the profile is for.
    """
    chosen = name or bench.name_of_role(profile.role)
    several = bench.names_of_role(profile.role)
    if chosen is None and several:
        raise BenchFault(
            f"the bench has several with the role {profile.role}",
            where=bench.path,
            expected=f"one of {', '.join(several)} to be chosen, with `--instrument`",
        )
    if chosen is None or chosen not in bench.instruments:
        raise BenchFault(f"the bench has no {profile.role} to try `{profile.name}` on", where=bench.path)
    changed = replace(bench, profiles=MappingProxyType({**bench.profiles, chosen: profile}))
    with open_bench(changed, [chosen], wire_log=wire_log) as opened:
        yield from exercise(opened[chosen])


def exercise(instrument: Instrument, *, elapsed: Callable[[], float] = time.perf_counter) -> Iterator[TrialRow]:
    """Row after row, as they come. The instrument is in its known state afterwards, its outputs off.

    Raises
    ------
    NoAnswer : it does not answer any more, and says nothing of the reason in its error queue either.
    """
    instrument.safe_state()
    unanswered = 0
    try:
        for row in _rows(instrument, elapsed):
            yield row
            unanswered = unanswered + 1 if row.is_unanswered else 0
            if unanswered >= MOST_UNANSWERED or instrument.link.is_lost:
                raise NoAnswer(
                    f"it no longer answers, last for `{row.setting}`: {row.remark}",
                    where=instrument.link.where,
                    do="check that it is on and idle, and that it has these settings",
                )
    finally:
        instrument.safe_state()
        if not instrument.link.is_lost:
            instrument.reset()


def _rows(instrument: Instrument, elapsed: Callable[[], float]) -> Iterator[TrialRow]:
    yield _known_state(instrument, elapsed)
    yield from _several_queries(instrument, elapsed)
    for setting, value, input in _everything(instrument):
        yield _try(instrument, Assignment(setting, value, input), elapsed)
    if isinstance(instrument, Digitizer):
        yield from _capture_in_every_format(instrument, elapsed)
        yield from _wait_for_the_trigger(instrument, elapsed)


def _known_state(instrument: Instrument, elapsed: Callable[[], float]) -> TrialRow:
    begin = elapsed()
    messages = instrument.known_state_messages(instrument.profile)
    try:
        instrument.reset()
    except WavewrightError as fault:
        return TrialRow(
            "known state", None, None, TrialOutcome.FAILS, messages, elapsed() - begin, str(fault), _is_silence(fault)
        )
    return TrialRow("known state", None, None, TrialOutcome.WORKS, messages, elapsed() - begin)


def _several_queries(instrument: Instrument, elapsed: Callable[[], float]) -> Iterator[TrialRow]:
    """Settings that are asked for one by one, and then in one message: the answers must be the same, in that order."""
    is_declared, begin = instrument.profile.grammar.quirks.compound_queries, elapsed()
    try:
        alone = _answers_alone(instrument)
    except WavewrightError:  # its row tells of it
        _settle(instrument)
        return
    if len(set(alone.values())) < 2:  # nothing to tell them apart by
        return
    units = [QueryUnit(query, str.strip) for query in alone]
    why = ""
    try:
        together = instrument.link.ask_as(lambda answer: separated(answer, units), joined(units), repeatable=False)
        instrument.link.status.check("asking several queries in one message", thoroughly=True)
        if together != list(alone.values()):
            why = f"answers {together}, and one by one {list(alone.values())}"
    except WavewrightError as fault:
        _settle(instrument)
        why = fault.what
    if not why:
        finding = TrialOutcome.WORKS
        remark = "" if is_declared else "faster with `quirks: {compound_queries: true}`"
    else:
        finding = TrialOutcome.FAILS if is_declared else TrialOutcome.WORKS
        remark = f"{why}; its profile needs `quirks: {{compound_queries: false}}`" if is_declared else "one at a time"
    yield TrialRow("several queries", is_declared, not why, finding, (joined(units),), elapsed() - begin, remark)


def _answers_alone(instrument: Instrument) -> dict[str, str]:
    """By query, of a few settings whose answers differ where they can."""
    profile, found = instrument.profile, dict[str, str]()
    for setting, entry in VOCABULARY[profile.role].items():
        is_value = entry.kind is not ValueKind.EVENT and not setting.startswith(("measured.", "reading"))
        if not (is_value and profile.can_ask(setting)) or len(found) >= MOST_TOGETHER:
            continue
        input = 1 if entry.per_input or setting == "trigger.source" else None
        *before, query = profile.queries(setting, input=input, values=instrument.written)
        unit = QueryUnit(query, str, before=tuple(before))
        if not unit.is_alone:
            found[unit.text] = instrument.link.ask(unit.text).strip()
    return found


def _everything(instrument: Instrument) -> Iterator[tuple[str, Value, int | None]]:
    """Settings in the order of the vocabulary; those of an input on its first and its last input."""
    profile = instrument.profile
    inputs = sorted({1, max(profile.grammar.inputs, 1)})
    for setting, entry in VOCABULARY[profile.role].items():
        if setting in _NEVER_TRIED or not (profile.can_set(setting) or profile.can_ask(setting)):
            continue
        takes_input = entry.per_input or setting == "trigger.source"
        for input in inputs if takes_input else [None]:
            if not profile.can_set(setting) or entry.kind is ValueKind.EVENT:
                yield setting, None, input
                continue
            for value in values_to_try(setting, profile, instrument.ceilings):
                yield setting, value, input


def _try(instrument: Instrument, wanted: Assignment, elapsed: Callable[[], float]) -> TrialRow:
    asked = wanted.value if isinstance(wanted.value, float | int | str | bool) else None
    messages: tuple[str, ...] = ()
    begin = elapsed()

    def check() -> None:
        instrument.link.status.check(f"trying {wanted.name}", thoroughly=True)

    def row(finding: TrialOutcome, used: float | str | bool | None = None, remark: str = "") -> TrialRow:
        return TrialRow(wanted.name, asked, used, finding, messages, elapsed() - begin, remark)

    try:
        profile, used = instrument.profile, None
        if profile.can_set(wanted.setting):
            messages = profile.messages(wanted.setting, wanted.value, input=wanted.input, values=instrument.written)
            instrument.set(wanted.setting, wanted.value, input=wanted.input)
            check()  # before a query whose answer may be worse
        if profile.can_ask(wanted.setting):
            messages += profile.queries(wanted.setting, input=wanted.input, values=instrument.written)
            used = instrument.get(wanted.setting, input=wanted.input)
        check()
    except BenchFault as fault:
        return row(TrialOutcome.HELD_BACK, remark=fault.what)
    except WavewrightError as fault:
        _settle(instrument)
        words = fault.what if isinstance(fault, Complaint) else str(fault)
        return replace(row(TrialOutcome.FAILS, remark=words), is_unanswered=_is_silence(fault))
    if used is None:
        return row(TrialOutcome.UNCONFIRMED)
    if isinstance(used, float) and not math.isfinite(used):
        return row(TrialOutcome.WORKS, remark="overload, or no value")
    if asked is None or _is_same(asked, used):
        return row(TrialOutcome.WORKS, used)
    if _are_numbers(asked, used):
        return row(TrialOutcome.ROUNDS, used)
    return row(TrialOutcome.FAILS, used, f"requested {asked}, set to {used}")


def _is_silence(fault: WavewrightError) -> bool:
    return isinstance(fault, LinkLost | NoAnswer) and "error queue says" not in fault.what


def _settle(instrument: Instrument) -> None:
    """Whatever a fault left in the error queue belongs to its row, and not to the next one."""
    try:
        instrument.link.status.errors()
    except WavewrightError:
        return


def _are_numbers(*values: object) -> bool:
    return all(isinstance(value, float | int) and not isinstance(value, bool) for value in values)


def _is_same(asked: float | str | bool, used: float | str | bool) -> bool:
    if _are_numbers(asked, used):
        return abs(float(used) - float(asked)) <= SAME * max(abs(float(asked)), abs(float(used)))
    return asked == used


def _wait_for_the_trigger(instrument: Digitizer, elapsed: Callable[[], float]) -> Iterator[TrialRow]:
    """Armed for a level that no signal should reach: it says that it waits then, as often as it is asked.

    And not before that, after the records that were taken, nor once it has been stopped, which the second round sees.
    """
    acquire, begin = instrument.profile.grammar.acquire, elapsed()
    if not acquire.armed.ask:
        return
    setup = _first_input(instrument.profile, lambda widest: TriggerSetup("normal", on=_INPUT, level=_HIGH * widest))
    finding, remark = TrialOutcome.WORKS, ""
    for _ in range(2):
        try:
            instrument.configure(setup)
        except WavewrightError:  # the row of a setting, or of a capture, tells of it
            _settle(instrument)
            return
        try:
            instrument.arm_for_stimulus(waits.sleep)
            try:
                instrument.confirm_armed()
            finally:
                instrument.stop()
        except WavewrightError as fault:
            _settle(instrument)
            finding, remark = TrialOutcome.FAILS, f"{fault.what}; its profile needs another `acquire: {{armed: …}}`"
            break
    messages = (*acquire.arm, acquire.armed.ask, *acquire.stop)
    yield TrialRow("armed", None, None, finding, messages, elapsed() - begin, remark)


def _first_input(profile: Profile, trigger: Callable[[float], TriggerSetup]) -> DigitizerSetup:
    """A record of the first input at its widest range, V; the trigger is for that range."""
    widest, rate = max(profile.grammar.abilities.ranges, default=1.0), profile.grammar.abilities.rate or 1e6
    timebase = TimebaseSetup(_CAPTURE_POINTS, 10 / rate)
    return DigitizerSetup({_INPUT: InputSetup(1, widest)}, timebase, trigger(widest))


def _capture_in_every_format(instrument: Digitizer, elapsed: Callable[[], float]) -> Iterator[TrialRow]:
    setup = _first_input(instrument.profile, lambda _: TriggerSetup("auto", timeout=2.0))
    for name, form in instrument.profile.grammar.waveform.formats.items():
        begin = elapsed()
        messages = (*form.prepare, *instrument.profile.grammar.waveform.fetch)
        try:
            instrument.choose_format(name)
            instrument.configure(setup)
            wave = instrument.acquire()[_INPUT]
        except WavewrightError as fault:
            _settle(instrument)
            yield TrialRow(
                f"capture as {name}", None, None, TrialOutcome.FAILS, messages, elapsed() - begin, str(fault)
            )
            continue
        remark = f"{len(wave)} samples, {wave.gain:g} V per code, from {wave.start:g} s every {wave.interval:g} s"
        yield TrialRow(f"capture as {name}", None, len(wave), TrialOutcome.WORKS, messages, elapsed() - begin, remark)
    try:
        instrument.choose_format(instrument.profile.grammar.waveform.format)
    except (Misuse, WavewrightError):
        return
