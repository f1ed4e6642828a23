"""What VISA sees, who answers, and which profile fits; and a bench file made of that."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import pyvisa

from wavewright.errors import WavewrightError
from wavewright.instruments.connecting import open_link
from wavewright.instruments.library import list_addresses
from wavewright.instruments.link import Link
from wavewright.instruments.manners import Manners
from wavewright.instruments.profile import Profile, load_profile, shipped_profiles
from wavewright.instruments.scpi import read_number, shorten
from wavewright.instruments.wire_log import WireLog

PATIENCE = 0.3  # s for each question; an instrument at rest answers at once
# How to ask for the identity, in the order in which it is tried: as IEEE 488.2 has it, then otherwise.
_WAYS = (("*IDN?", "\n"), ("*IDN?", "\r\n"), ("?IDN", "\n"), ("?IDN", "\r\n"))
_IDENTITY = re.compile(r"[ ,]")  # more than one word: fields between commas, or a name; no lone refusal


@dataclass(frozen=True, slots=True)
class Found:
    """One address: what answered there, the profiles that fit, or why nothing answered."""

    resource: str
    identity: str = ""
    profiles: tuple[str, ...] = ()
    fault: str = ""


def scan(
    manager: pyvisa.ResourceManager,
    *,
    addresses: Sequence[str] | None = None,
    profiles: Iterable[Profile] | None = None,
    wire_log: WireLog | None = None,
) -> Iterator[Found]:
    """One address after the other, as soon as it is known who is there. Only questions are asked; nothing is set.

    Parameters
    ----------
    addresses : those to look at; all that the library sees if None. Raw sockets are never seen: name them.
    profiles : that may fit; the shipped ones if None.

    Raises
    ------
    LinkLost : the library cannot look round.
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
) -> Found:
    refusal, silence = "", ""
    # on a serial line a message ended by NL alone would stay in front of the next, where CR LF is waited for
    for question, termination in sorted(_WAYS, key=lambda way: way[1] == "\n") if _is_serial(resource) else _WAYS:
        # no error queue yet: an instrument that does not know it would be asked for each silence
        manners = Manners(
            identify="",
            write_termination=termination,
            timeout=PATIENCE,
            clear_status="",
            error_query="",
            event_query="",
        )
        try:
            link = open_link(manager, resource, manners=manners, wire_log=wire_log)
        except WavewrightError as error:
            return Found(resource, fault=error.what)
        try:
            identity = link.ask(question)
            if _IDENTITY.search(identity):
                link.identity = identity
                return Found(resource, identity, fitting_profiles(link, profiles))
            refusal = f"answers `{shorten(identity)}` to `{question}`"
        except WavewrightError as error:
            silence = error.what
        finally:
            link.close()
    return Found(resource, fault=refusal or silence)


def _is_serial(resource: str) -> bool:
    return resource.upper().startswith("ASRL")


def fitting_profiles(link: Link, profiles: Sequence[Profile]) -> tuple[str, ...]:
    """By identity, if a profile is for that one; else by the question that only its kind answers with a number."""
    particular = [
        profile.name for profile in profiles if profile.grammar.answers_to != ".*" and _matches(profile, link.identity)
    ]
    if particular:
        return tuple(particular)
    return tuple(profile.name for profile in profiles if _matches(profile, link.identity) and _answers(link, profile))


def _matches(profile: Profile, identity: str) -> bool:
    return bool(profile.grammar.answers_to) and re.search(profile.grammar.answers_to, identity) is not None


def _answers(link: Link, profile: Profile) -> bool:
    question = profile.grammar.recognised_by
    if not question:
        return False
    try:
        return math.isfinite(read_number(link.ask(question)))
    except WavewrightError:
        return False


def bench_text(found: Iterable[Found], *, library: str, about: str = "what a scan found") -> str:
    """A bench file of what was found; where no profile fits, a commented line tells what answered."""
    lines = ["wavewright-bench: 1", f"about: {about}", f'library: "{library}"', "instruments:"]
    names: dict[str, int] = {}
    seen: dict[str, str] = {}
    for one in found:
        if not one.profiles:
            said = one.identity or one.fault
            lines.append(f"  # {one.resource}: {said.splitlines()[0]}")
            continue
        if one.identity in seen:
            lines.append(f"  # {one.resource}: the same as {seen[one.identity]}, by another wire")
            continue
        role = str(load_profile(one.profiles[0]).role) if one.profiles[0] in shipped_profiles() else one.profiles[0]
        names[role] = names.get(role, 0) + 1
        name = role if names[role] == 1 else f"{role}_{names[role]}"
        seen[one.identity] = name
        also = f"   # or {', '.join(one.profiles[1:])}" if one.profiles[1:] else ""
        lines.append(f"  # {one.identity}")
        lines.append(f'  {name}: {{resource: "{one.resource}", profile: {one.profiles[0]}}}{also}')
        if role in ("supply", "source"):
            lines.append(f"  # ceilings belong to {name}: write what board and wiring bear, such as {_example(role)}")
    if not names:
        lines[3] = "instruments: {}"
    return "\n".join(lines) + "\n"


def _example(role: str) -> str:
    return "`ceilings: {voltage: 26 V, current: 1.5 A}`" if role == "supply" else "`ceilings: {voltage: 5 V}`"
