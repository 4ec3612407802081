"""A run's result as JUnit XML: a test case per switch, per line of the keyboard, and for the rig."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.result import BAD_LINES, BAD_POSITIONS, LineVerdict, PositionVerdict, Verdict
from hil.views.markup import xml_text

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

    from hil.result import Result


def junit_of(result: Result) -> str:
    """The XML text, with its declaration."""
    from xml.etree.ElementTree import Element, SubElement, indent, tostring

    suite = Element("testsuite", name=xml_text(result.keyboard))
    seconds = sum(stage.seconds for stage in result.stages)
    rig = SubElement(suite, "testcase", classname="bench", name="rig", time=f"{seconds:.3f}")
    if result.verdict in (Verdict.ERROR, Verdict.ABORTED):
        _child(rig, "error", result.trouble or "stopped by the user")
    faults = {name: fault for fault in reversed(result.faults) for name in fault.switches}
    # A fault of the switch itself says more about it than one that it shares with a whole line.
    faults |= {name: fault for fault in reversed(result.faults) for name in fault.where}
    for one in result.positions:
        case = SubElement(suite, "testcase", classname="positions", name=xml_text(one.switch), time="0")
        if one.verdict in BAD_POSITIONS:
            fault = faults.get(one.switch)
            causes = "\n".join(f"{cause.what}: {cause.look_at}" for cause in fault.causes) if fault else ""
            _child(case, "failure", one.verdict.value, causes)
        elif one.verdict is not PositionVerdict.PROVEN:
            _child(case, "skipped", ", ".join(one.blocked_by) or one.verdict.value)
    for line in result.lines:
        if line.role == "unused" and line.verdict not in BAD_LINES:
            continue
        case = SubElement(suite, "testcase", classname="lines", name=line.pin, time="0")
        if line.verdict in BAD_LINES:
            joined = ", ".join(other.name for other in line.joined)
            _child(case, "failure", f"{line.verdict.value}: {joined}" if joined else line.verdict.value)
        elif line.verdict is LineVerdict.UNTESTED:
            _child(case, "skipped", line.note or "not tested")
    for kind, tag in (
        ("tests", "testcase"),
        ("failures", "failure"),
        ("errors", "error"),
        ("skipped", "skipped"),
    ):
        suite.set(kind, str(sum(1 for _ in suite.iter(tag))))
    suite.set("time", f"{seconds:.3f}")
    root = Element("testsuites")
    root.append(suite)
    indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + tostring(root, encoding="unicode") + "\n"


def _child(case: Element, tag: str, message: str, text: str = "") -> None:
    from xml.etree.ElementTree import SubElement

    child = SubElement(case, tag, message=xml_text(message))
    if text:
        child.text = xml_text(text)
