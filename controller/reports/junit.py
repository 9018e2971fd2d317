"""Runs and replays as JUnit XML, for build servers.

Element and attribute names are those that build servers agree on (the schema of Apache Ant's JUnit
task: one `testsuite` of `testcase`, each with at most one `failure` or `error`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from xml.etree import ElementTree as ET

from controller.errors import InputError
from controller.measurement.model import Verdict
from controller.planning.model import ResolvedPlan
from controller.planning.pacing import judged_steps
from controller.records.compare import Difference
from controller.run.model import StepResult
from controller.run.points import SwitchingPoint
from controller.run.summary import result_words
from controller.text import clean

__all__ = ["junit_xml", "run_junit_xml", "search_junit_xml", "write_junit"]


def junit_xml(
    name: str,
    results: Sequence[StepResult],
    differences: Sequence[Difference],
    *,
    timestamp: str,
    seconds: float,
) -> bytes:
    """Return a test suite with one test case for the run as a whole and one for each step.

    `timestamp` is ISO 8601 without a zone, as the schema wants it; `seconds` how long it took.
    """
    cases: list[tuple[str, float, list[Difference]]] = [
        ("run", 0.0, [one for one in differences if one.step is None])
    ]
    judged = {result.step.index: result for result in results}
    for index in sorted(judged.keys() | {one.step for one in differences if one.step is not None}):
        result = judged.get(index)
        cases.append(
            (
                _title(index, result),
                result.settle_s if result else 0.0,
                [one for one in differences if one.step == index],
            )
        )
    suite = ET.Element(
        "testsuite",
        {
            "name": _legal(name),
            "timestamp": timestamp,
            "hostname": "localhost",
            "tests": str(len(cases)),
            "failures": str(sum(bool(found) for _, _, found in cases)),
            "errors": "0",
            "time": f"{seconds:.3f}",
        },
    )
    ET.SubElement(suite, "properties")
    for title, settle_s, found in cases:
        case = ET.SubElement(
            suite,
            "testcase",
            {"name": title, "classname": f"rungwise.{_legal(name)}", "time": f"{settle_s:.3f}"},
        )
        if found:
            failure = ET.SubElement(
                case, "failure", {"message": _legal(str(found[0])), "type": "difference"}
            )
            failure.text = _legal("\n".join(str(one) for one in found))
    ET.SubElement(suite, "system-out")
    ET.SubElement(suite, "system-err")
    ET.indent(suite)
    return bytes(ET.tostring(suite, encoding="utf-8", xml_declaration=True)) + b"\n"


def run_junit_xml(
    plan: ResolvedPlan,
    results: Sequence[StepResult],
    *,
    broken_off: str | None = None,
    properties: Mapping[str, str],
    timestamp: str,
    seconds: float,
) -> bytes:
    """Return a test suite with one test case for each step of a run.

    A run that was not completed has one more, an error before all others: `broken_off` says what
    failed and what is known of the relays.

    A step that fails is a failure; one that is undecided, or was not run, is an error: neither is
    good enough to go on with. A case takes the time the step took to settle; `seconds` is the
    whole run's.
    """
    judged = {result.step.index: result for result in results}
    # A profile's steps that stand too briefly to be judged are no cases.
    steps = judged_steps(plan)
    verdicts = [judged[s.index].verdict if s.index in judged else None for s in steps]
    cases = []
    for step, verdict in zip(steps, verdicts, strict=True):
        result = judged.get(step.index)
        target = step.kind.value if step.target_celsius is None else f"{step.target_celsius:g} degC"
        words = "not run" if result is None else result_words(result)
        took_s = (result.settle_s or 0.0) if result else 0.0
        cases.append((f"step {step.index + 1}: {target}", took_s, verdict, words))
    return _suite(
        plan,
        cases,
        broken_off=broken_off,
        properties=properties,
        timestamp=timestamp,
        seconds=seconds,
    )


def search_junit_xml(
    plan: ResolvedPlan,
    points: Sequence[SwitchingPoint],
    verdict: Verdict,
    sentence: str,
    *,
    broken_off: str | None = None,
    properties: Mapping[str, str],
    timestamp: str,
    seconds: float,
) -> bytes:
    """Return a test suite of a search: a case for the whole, and one for each point with limits.

    The whole is what tells of points that were not found, and of a search that was cut short.
    """
    cases = [("search", seconds, verdict, sentence)]
    cases += [
        (point.way.value, 0.0, point.verdict, str(point))
        for point in points
        if point.verdict is not None
    ]
    return _suite(
        plan,
        cases,
        broken_off=broken_off,
        properties=properties,
        timestamp=timestamp,
        seconds=seconds,
    )


def _suite(
    plan: ResolvedPlan,
    cases: Sequence[tuple[str, float, Verdict | None, str]],
    *,
    broken_off: str | None,
    properties: Mapping[str, str],
    timestamp: str,
    seconds: float,
) -> bytes:
    """Return a suite of cases: name, how long it took, verdict (None: not run), and its words."""
    verdicts = [verdict for _, _, verdict, _ in cases]
    suite = ET.Element(
        "testsuite",
        {
            "name": _legal(plan.name),
            "timestamp": timestamp,
            "hostname": "localhost",
            "tests": str(len(cases) + (broken_off is not None)),
            "failures": str(verdicts.count(Verdict.FAIL)),
            "errors": str(
                verdicts.count(Verdict.UNDECIDED) + verdicts.count(None) + (broken_off is not None)
            ),
            "time": f"{seconds:.3f}",
        },
    )
    stated = ET.SubElement(suite, "properties")
    for key, value in properties.items():
        ET.SubElement(stated, "property", {"name": key, "value": _legal(value)})
    if broken_off is not None:
        case = ET.SubElement(
            suite,
            "testcase",
            {
                "name": "end of the run",
                "classname": f"rungwise.{_legal(plan.name)}",
                "time": "0.000",
            },
        )
        words = _legal(broken_off)
        ET.SubElement(case, "error", {"message": words, "type": "broken-off"}).text = words
    for name, took_s, verdict, words in cases:
        case = ET.SubElement(
            suite,
            "testcase",
            {
                "name": name,
                "classname": f"rungwise.{_legal(plan.name)}",
                "time": f"{took_s:.3f}",
            },
        )
        if verdict is Verdict.PASS:
            continue
        element = "failure" if verdict is Verdict.FAIL else "error"
        kind = "not-run" if verdict is None else verdict.value
        ET.SubElement(case, element, {"message": _legal(words), "type": kind}).text = _legal(words)
    ET.SubElement(suite, "system-out")
    ET.SubElement(suite, "system-err")
    ET.indent(suite)
    return bytes(ET.tostring(suite, encoding="utf-8", xml_declaration=True)) + b"\n"


def write_junit(path: Path, document: bytes) -> None:
    """Write a document to a file. Raises InputError when that cannot be."""
    try:
        path.write_bytes(document)
    except OSError as error:
        reason = f"cannot be written: {error.strerror}"
        raise InputError.single(reason, where=str(path)) from None


def _title(index: int, result: StepResult | None) -> str:
    if result is None:
        return f"step {index + 1}"
    step = result.step
    target = step.kind.value if step.target_celsius is None else f"{step.target_celsius:g} degC"
    return f"step {index + 1}: {target}"


def _legal(text: str) -> str:
    """Clean text, and replace what XML 1.0 cannot hold (production [2], Char)."""
    return clean(text).replace("\ufffe", "?").replace("\uffff", "?")
