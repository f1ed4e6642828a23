"""What VISA sees, who answers, and which profile fits; and a bench file made of that."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass

import pyvisa

from wavewright.buses.search.patterns import Pattern
from wavewright.errors import BadAnswer, NoAnswer, WavewrightError
from wavewright.instruments.connecting import open_link
from wavewright.instruments.library import list_addresses
from wavewright.instruments.link import Link
from wavewright.instruments.profile import Profile, load_profile, shipped_profiles
from wavewright.instruments.scpi import read_number, shorten
from wavewright.instruments.vocabulary import Role
from wavewright.instruments.wire_log import WireLog
from wavewright.instruments.wire_settings import WireSettings

PATIENCE = 0.3  # s for each query; an instrument at rest answers at once
# How to ask for the identity beside what the profiles say: as IEEE 488.2-1992, 10.14 has it, and as it was before that.
_QUERIES = ("*IDN?", "?IDN")
_SHORT_ERROR_QUERY = ":SYST:ERR?"  # the same header as SYSTem:ERRor?, for devices that know no other way of writing it
_IDENTITY = re.compile(r"[ ,]")  # more than one word: fields between commas, or a name; no lone refusal

_QUOTED = re.compile(r"([\"']).*\1", re.DOTALL)  # string response data: IEEE 488.2-1992, 8.7.8 †


@dataclass(frozen=True, slots=True)
class ScannedAddress:
    """One address: what answered there, the profiles that fit, or why there is no identity.

    `asked` : the query that the identity answers. `fault` : what was answered instead, or why nothing was.
    """

    resource: str
    identity: str = ""
    profiles: tuple[str, ...] = ()
    fault: str = ""
    asked: str = ""

    @property
    def is_silent(self) -> bool:
        """Whether nobody answered anything."""
        return not (self.identity or self.asked)


def scan(
    manager: pyvisa.ResourceManager,
    *,
    addresses: Sequence[str] | None = None,
    profiles: Iterable[Profile] | None = None,
    wire_log: WireLog | None = None,
) -> Iterator[ScannedAddress]:
    """One address after the other, as soon as it is known who is there. Only queries are asked; nothing is set.

    Parameters
    ----------
    addresses : those to look at; all that the library sees if None. Raw sockets are never seen: name them.
    profiles : that may fit; the shipped ones if None.

    Raises
    ------
    LinkLost : the library cannot list its resources.
    """
    known = list(shipped() if profiles is None else profiles)
    for resource in list_addresses(manager) if addresses is None else addresses:
        yield _look_at(manager, resource, known, wire_log)


def shipped() -> Iterator[Profile]:
    """The shipped profiles that have a role."""
    for name in shipped_profiles():
        if name != "scpi-basics":
            yield load_profile(name)


def _look_at(
    manager: pyvisa.ResourceManager, resource: str, profiles: Sequence[Profile], wire_log: WireLog | None
) -> ScannedAddress:
    ways = _ways(resource, profiles)
    asked = " or ".join(dict.fromkeys(f"`{query}`" for query, _ in ways))
    said: dict[str, str] = {}  # what was answered that is not an identity, by query
    try:
        for query, termination in ways:
            with closing(_open(manager, resource, termination, wire_log)) as link:
                answer = _answer(link, query)
                if answer and _is_identity(answer, query, profiles):
                    link.identity = answer
                    return ScannedAddress(resource, answer, fitting_profiles(link, profiles, query), asked=query)
                said |= {query: answer} if answer else {}
        with closing(_open(manager, resource, ways[0][1], wire_log)) as link:
            said = said or _said_of_errors(link, profiles)
            nameless = [profile for profile in profiles if not profile.grammar.identify and _answers(link, profile)]
    except WavewrightError as error:
        return ScannedAddress(resource, fault=error.what)
    said |= {profile.grammar.recognised_by: "a number" for profile in nameless}
    if not said:
        return ScannedAddress(resource, fault=f"no answer to {asked}")
    answers = "; ".join(f"`{shorten(answer)}` to `{query}`" for query, answer in said.items())
    names = tuple(profile.name for profile in nameless)
    return ScannedAddress(resource, "", names, f"no identity by {asked}; answers {answers}", next(iter(said)))


def _ways(resource: str, profiles: Sequence[Profile]) -> list[tuple[str, str]]:
    """Queries and terminations in the order in which they are tried: the standard's, the profiles', older ones.

    CR LF is only tried where bytes are all that ends a message. On a serial line NL comes last: a message ended by NL
    alone would stay in front of the next, where CR LF is waited for.
    """
    is_serial, is_socket = resource.upper().startswith("ASRL"), resource.upper().endswith("::SOCKET")
    terminations = ("\n", "\r\n") if is_serial or is_socket else ("\n",)
    standard, *older = _QUERIES
    declared = [(one.grammar.identify, one.grammar.quirks.write_termination) for one in profiles]
    ways = [(standard, end) for end in terminations]
    ways += [(query, end) for query, end in declared if query]
    ways += [(query, end) for query in older for end in terminations]
    return sorted(dict.fromkeys(ways), key=lambda way: is_serial and way[1] == "\n")


def _open(manager: pyvisa.ResourceManager, resource: str, termination: str, wire_log: WireLog | None) -> Link:
    """A link that asks nothing by itself: not even for errors, or each silence would cost two queries."""
    manners = WireSettings(
        identify="",
        write_termination=termination,
        timeout=PATIENCE,
        clear_status="",
        error_query="",
        event_query="",
    )
    return open_link(manager, resource, manners=manners, wire_log=wire_log)


def _answer(link: Link, query: str) -> str:
    """Empty where none came; LinkLost where nobody is there at all."""
    try:
        return link.ask(query)
    except (NoAnswer, BadAnswer):
        return ""


def _is_identity(answer: str, query: str, profiles: Sequence[Profile]) -> bool:
    """By its looks, or because a profile knows it."""
    return bool(_IDENTITY.search(answer)) or any(
        one.grammar.identify == query and one.grammar.answers_to != ".*" and _matches(one, answer) for one in profiles
    )


def _said_of_errors(link: Link, profiles: Sequence[Profile]) -> dict[str, str]:
    """The oldest entry of its error queue, by the query that it answers: most likely why it did not answer."""
    queries = [profile.grammar.errors.ask for profile in profiles if profile.grammar.errors.ask]
    for query in dict.fromkeys([*queries, _SHORT_ERROR_QUERY]):
        if answer := _answer(link, query):
            return {query: answer}
    return {}


def fitting_profiles(link: Link, profiles: Sequence[Profile], query: str = "*IDN?") -> tuple[str, ...]:
    """By identity, if a profile is for that one; else by the query that only its kind answers.

    Parameters
    ----------
    query : what the identity answers; a profile that asks otherwise could not identify the instrument.
    """
    asking = [profile for profile in profiles if profile.grammar.identify == query]
    particular = [
        profile.name for profile in asking if profile.grammar.answers_to != ".*" and _matches(profile, link.identity)
    ]
    if particular:
        return tuple(particular)
    matching = [profile for profile in asking if _matches(profile, link.identity)]
    # a display is asked for last: an instrument of another kind that has one is that other
    for displays in (False, True):
        kind = [one for one in matching if (one.role is Role.DISPLAY) is displays and _answers(link, one)]
        if kind:
            return tuple(profile.name for profile in kind)
    return ()


def _matches(profile: Profile, identity: str) -> bool:
    return bool(profile.grammar.answers_to) and Pattern(profile.grammar.answers_to).search(identity) is not None


def _answers(link: Link, profile: Profile) -> bool:
    query = profile.grammar.recognised_by
    if not query:
        return False
    try:
        answer = link.ask(query)
        if profile.role is Role.DISPLAY:
            return _QUOTED.fullmatch(answer.strip()) is not None
        return math.isfinite(read_number(answer))
    except WavewrightError:
        return False


def bench_text(
    found: Iterable[ScannedAddress],
    *,
    library: str,
    about: str = "what a scan found",
    profiles: Iterable[Profile] = (),
) -> str:
    """A bench file of what was found; where no profile fits, a commented line says what answered.

    Parameters
    ----------
    library : as the bench file names it; empty for the usual one.
    profiles : from files, which the bench file names by their paths; shipped ones are known.
    """
    own = {profile.name: profile for profile in profiles}
    lines = ["wavewright-bench: 1", f"about: {about}", *([f'library: "{library}"'] if library else []), "instruments:"]
    names: dict[str, int] = {}
    seen: dict[str, str] = {}
    for one in found:
        if not one.profiles:
            said = one.identity or one.fault
            lines.append(f"  # {one.resource}: {said.splitlines()[0]}")
            continue
        if one.identity and one.identity in seen:
            lines.append(f"  # {one.resource}: the same as {seen[one.identity]}, by another wire")
            continue
        first = own.get(one.profiles[0]) or load_profile(one.profiles[0])
        role = str(first.role)
        names[role] = names.get(role, 0) + 1
        name = role if names[role] == 1 else f"{role}_{names[role]}"
        seen[one.identity] = name
        also = f"   # or {', '.join(one.profiles[1:])}" if one.profiles[1:] else ""
        lines.append(f"  # {one.identity or one.fault.splitlines()[0]}")
        speaks = first.path if first.name in own else first.name
        lines.append(f'  {name}: {{resource: "{one.resource}", profile: {speaks}}}{also}')
        if role in ("supply", "source"):
            lines.append(
                f"  # ceilings belong to {name}: write what board and wiring can take, such as {_example(role)}"
            )
    if not names:
        lines[3] = "instruments: {}"
    return "\n".join(lines) + "\n"


def _example(role: str) -> str:
    return "`ceilings: {voltage: 26 V, current: 1.5 A}`" if role == "supply" else "`ceilings: {voltage: 5 V}`"
