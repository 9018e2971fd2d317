"""Differences as JUnit XML, for build servers.

Knows: the element and attribute names that build servers agree on (the schema of Apache Ant's
JUnit task: one `testsuite` of `testcase`, each with at most one `failure`).
Must not know: how differences are found.
"""

from __future__ import annotations

from collections.abc import Sequence
from xml.etree import ElementTree as ET

from controller.records.compare import Difference
from controller.run.model import StepResult
from controller.text import clean

__all__ = ["junit_xml"]


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


def _title(index: int, result: StepResult | None) -> str:
    if result is None:
        return f"step {index + 1}"
    step = result.step
    target = step.kind.value if step.target_celsius is None else f"{step.target_celsius:g} degC"
    return f"step {index + 1}: {target}"


def _legal(text: str) -> str:
    """Clean text, and replace what XML 1.0 cannot hold (production [2], Char)."""
    return clean(text).replace("\ufffe", "?").replace("\uffff", "?")
