"""`keyc try`: a file's scenarios, or a script in the same language, run on the C engine and told as a
time line.

A script is read as the body of one more scenario at the end of the file, so everything a scenario can
say it can say, and nothing else reads it. Its mistakes are told with its own lines and columns.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from textwrap import wrap
from typing import Any

from keyc import __version__
from keyc.compile import check_text
from keyc.diagnostics import Diagnostic, Label, UserError, has_errors
from keyc.engine.scenarios import (
    TIME_LINE_HEAD,
    ScenarioResult,
    diagnostics_of,
    held_names,
    run,
    time_line_rows,
    usages_in,
)
from keyc.keyboard import Expect
from keyc.source import Source, Span

SCHEMA = 1
_WIDTH = 80
_TIME_WIDTH = 9
_FINGER_MOST = 26
_TITLE = "the script"


@dataclass(frozen=True, slots=True)
class Trial:
    """What was tried. With results, `mistakes` are the scenarios that failed, in their order; without
    any they are those of the file or the script, for which nothing was run."""

    results: tuple[ScenarioResult, ...]
    mistakes: tuple[Diagnostic, ...]

    @property
    def passed(self) -> bool:
        return not has_errors(self.mistakes)


def tried(source: Source, script: str | None) -> Trial:
    """Runs the file's scenarios, or the script instead. UserError (2) if there is nothing to run,
    (3) if there is no engine and no compiler to build it."""
    keyboard, found = check_text(source)
    if keyboard is None:
        return Trial((), tuple(one for one in found if one.severity == "error"))
    if script is None:
        if not keyboard.scenarios:
            raise UserError(
                f"{source.name} has no scenario to try",
                'write one, or give a script: --script "tap SW1 expect Escape"',
                exit_status=2,
            )
        results = run(keyboard)
        return Trial(tuple(results), tuple(diagnostics_of(results)))
    return _script_tried(source, script)


def _script_tried(source: Source, script: str) -> Trial:
    head = f'{source.text}\n\nscenario "{_TITLE}" {{\n'
    start = len(head)
    whole = Source(source.name, f"{head}{script}\n}}\n")
    own = Source(_TITLE, script)
    keyboard, found = check_text(whole)
    if keyboard is None:
        return Trial((), tuple(_told_of_script(one, start, own) for one in found if one.severity == "error"))
    results = run(keyboard.replaced(scenarios=keyboard.scenarios[-1:]))
    return Trial(tuple(results), tuple(_told_of_script(one, start, own) for one in diagnostics_of(results)))


def _told_of_script(one: Diagnostic, start: int, own: Source) -> Diagnostic:
    """The same with places in the script, which begins at `start` of the whole text."""

    def moved(span: Span) -> Span:
        if span.start < start:
            return span
        end = len(own.text)
        return Span(own, min(span.start - start, end), min(span.end - start, end))

    labels = tuple(Label(label.message, moved(label.span)) for label in one.labels)
    return one.replaced(span=moved(one.span), labels=labels)


def as_json(trial: Trial) -> dict[str, Any]:
    """Every report belongs to a scenario, whose number, from 0, it names; each has a clock of its own."""
    return {
        "schema": SCHEMA,
        "tool": f"keyc {__version__}",
        "scenarios": [
            {
                "name": result.scenario.name,
                "passed": result.passed,
                "expected": list(result.expected),
                "got": list(result.got),
            }
            for result in trial.results
        ],
        "reports": [
            {
                "scenario": number,
                "t_us": report.time_us,
                "report": report.which,
                "bytes": report.bytes.hex(),
                "held": list(held_names(usages_in(report))),
            }
            for number, result in enumerate(trial.results)
            for report in result.reports
        ],
    }


def as_text(trial: Trial) -> str:
    """A time line for each scenario, 80 columns wide, and a last line that counts them."""
    failures = iter(trial.mistakes)
    pieces = [
        "\n".join(_time_line(result, None if result.passed else next(failures))) for result in trial.results
    ]
    expecting = [result.passed for result in trial.results if _expects(result)]
    if expecting:
        pieces.append(f"{sum(expecting)} of {len(expecting)} passed")
    return "\n\n".join(pieces)


def _expects(result: ScenarioResult) -> bool:
    return any(isinstance(step, Expect) for step in result.scenario.steps)


def _time_line(result: ScenarioResult, failure: Diagnostic | None) -> Iterator[str]:
    verdict = ("FAILED: " if failure else "passed: ") if _expects(result) else ""
    yield from wrap(verdict + result.scenario.name, _WIDTH)
    rows = [TIME_LINE_HEAD, *time_line_rows(result.time_line)]
    width = min(_FINGER_MOST, max(len(row[1]) for row in rows))
    for time, finger, sees in rows:
        yield from _row(time, finger, sees, width)
    if failure:
        line, column = failure.span.source.place(failure.span.start)
        yield from wrap(f"{failure.span.source.name}:{line}:{column}: {failure.message}", _WIDTH)


def _row(time: str, finger: str, sees: str, width: int) -> Iterator[str]:
    """One row, on as many lines as it needs."""
    fingers: Sequence[str] = wrap(finger, width) or [""]
    seen: Sequence[str] = wrap(sees, _WIDTH - _TIME_WIDTH - width - 4) or [""]
    for number in range(max(len(fingers), len(seen))):
        left = fingers[number] if number < len(fingers) else ""
        right = seen[number] if number < len(seen) else ""
        yield f"{time if number == 0 else '':>{_TIME_WIDTH}}  {left:<{width}}  {right}".rstrip()
