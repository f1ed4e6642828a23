"""JUnit XML, as servers for continuous integration read it: one suite per measurement, one case per limit."""

from __future__ import annotations

import re
from collections.abc import Iterable
from xml.etree import ElementTree as Xml

from wavewright.judgement.shown import stated_uncertainty
from wavewright.judgement.verdict import Verdict
from wavewright.reporting.attached import attachment_line
from wavewright.reporting.catalogue import report_format
from wavewright.reporting.line_marks import line_marks
from wavewright.running.outcome import Outcome
from wavewright.running.readings_table import NOTHING, ReadingRow, reading_row
from wavewright.running.result import MeasurementOutcome, Result

# what XML 1.0 cannot carry at all (W3C XML 1.0, fifth edition, production 2)
FORBIDDEN = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@report_format("junit", ".xml")
def junit(outcome: Outcome) -> str:
    """JUnit XML: one suite per measurement, one case per limit, for servers that show test results.

    A failed limit is a failure. A reading without a number is an error and not a skip: nobody shall take it for passed.
    """
    suites = _suites(outcome)
    root = Xml.Element("testsuites", name=_clean(outcome.title), time=_seconds(outcome))
    return _document(root, suites)


def batch_junit(outcomes: Iterable[Outcome]) -> str:
    """JUnit XML of many runs: one suite per measurement of each, named after its unit, in the order of the runs."""
    suites: list[Xml.Element] = []
    total = 0.0
    for outcome in outcomes:
        for suite in _suites(outcome):
            name = suite.get("name", "")
            suite.set("name", f"{_clean(outcome.serial or outcome.id)}: {name}")
            suites.append(suite)
        total += (outcome.ended - outcome.started).total_seconds()
    return _document(Xml.Element("testsuites", name="batch", time=f"{total:.3f}"), suites)


def _suites(outcome: Outcome) -> list[Xml.Element]:
    """The suites of a run, each with what is known of the unit."""
    suites = [_suite(one) for one in outcome.measurements]
    if outcome.error:
        suites.append(_broken("run", outcome.error))
    for suite in suites:
        suite.set("timestamp", outcome.started.isoformat(timespec="seconds"))
        properties = Xml.Element("properties")
        for name in ("part", "serial", "operator"):
            if text := getattr(outcome, name):
                Xml.SubElement(properties, "property", name=name, value=_clean(text))
        for name, text in line_marks(outcome):
            Xml.SubElement(properties, "property", name=name.lower().replace(" ", "_"), value=_clean(text))
        if outcome.id:
            Xml.SubElement(properties, "property", name="run", value=_clean(outcome.id))
        for name, one in outcome.declared.items():
            Xml.SubElement(properties, "property", name=f"declared.{name}", value=_clean(one.text))
        for kept in (*outcome.attachments, *outcome.added):
            Xml.SubElement(properties, "property", name="attached", value=_clean(attachment_line(kept)))
        Xml.SubElement(properties, "property", name="bench", value="simulated" if outcome.is_simulated else "real")
        suite.insert(0, properties)
    return suites


def _document(root: Xml.Element, suites: Iterable[Xml.Element]) -> str:
    root.extend(suites)
    for name in ("tests", "failures", "errors"):
        root.set(name, str(sum(int(suite.get(name, "0")) for suite in root)))
    Xml.indent(root)
    return '<?xml version="1.0" encoding="utf-8"?>\n' + Xml.tostring(root, encoding="unicode") + "\n"


def _seconds(outcome: Outcome) -> str:
    return f"{(outcome.ended - outcome.started).total_seconds():.3f}"


def _suite(one: MeasurementOutcome) -> Xml.Element:
    if one.error:
        broken = _broken(one.label, one.error)
        _time(broken, one)
        return broken
    suite = Xml.Element("testsuite", name=_clean(one.label))
    judged = [result for result in one.results if result.limit]
    for result in judged:
        suite.append(_case(reading_row(one.label, result), result))
    failures = sum(result.verdict is Verdict.FAIL for result in judged)
    errors = sum(result.verdict in (Verdict.ERROR, Verdict.INCONCLUSIVE) for result in judged)
    for name, count in (("tests", len(judged)), ("failures", failures), ("errors", errors)):
        suite.set(name, str(count))
    _time(suite, one)
    return suite


def _time(suite: Xml.Element, one: MeasurementOutcome) -> None:
    """How long the measurement took; its cases, which have their shots in common, share it."""
    if one.seconds is None:
        return
    cases = suite.findall("testcase")
    for case in cases:
        case.set("time", f"{one.seconds / len(cases):.3f}")
    suite.set("time", f"{one.seconds:.3f}")


def _broken(label: str, error: str) -> Xml.Element:
    suite = Xml.Element("testsuite", name=_clean(label), tests="1", failures="0", errors="1")
    case = Xml.SubElement(suite, "testcase", classname=_clean(label), name="measurement")
    Xml.SubElement(case, "error", type="error", message=_clean(error.split("\n", 1)[0])).text = _clean(error)
    return suite


def _case(row: ReadingRow, result: Result) -> Xml.Element:
    case = Xml.Element("testcase", classname=_clean(row.measurement), name=_clean(row.characteristic))
    said = _clean(describe(result))
    if told := uncertainty_properties(result):
        properties = Xml.SubElement(case, "properties")
        for name, text in told.items():
            Xml.SubElement(properties, "property", name=name, value=_clean(text))
    if result.verdict is Verdict.FAIL:
        Xml.SubElement(case, "failure", type="limit", message=said)
    elif result.verdict is not Verdict.PASS:
        Xml.SubElement(case, "error", type=row.verdict, message=said)
    Xml.SubElement(case, "system-out").text = f"{row.verdict}: {said}"
    return case


def uncertainty_properties(result: Result) -> dict[str, str]:
    """What is known of the reading's uncertainty and, with a guard band, how probably it conforms; full digits."""
    stated = stated_uncertainty(result.reading)
    found = {name: str(number) for name, number in stated.items() if number is not None}
    if result.is_guarded:
        found["decision_rule"] = result.rule
        found |= {} if result.conformance is None else {"probability_of_conformance": str(result.conformance)}
    return found


def describe(result: Result) -> str:
    """One sentence: what was read, what the limit is, and how far it is away."""
    row = reading_row("", result)
    if row.value == NOTHING:
        return f"{result.metric}: no number, {row.reason}; limit {row.limit}"
    words = [f"{result.metric} is {row.measured}", f"limit {row.limit}"]
    if row.margin != NOTHING:
        words.append(f"margin {row.margin}")
    if row.doubts:
        words.append(f"in doubt: {'; '.join(row.doubts)}")
    return "; ".join([*words, *(text for text in (row.reason, row.decision) if text)])


def _clean(text: str) -> str:
    return FORBIDDEN.sub("�", text)
