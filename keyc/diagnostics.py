"""Mistakes as data, and their three renderings: text for people, JSON, and SARIF.

Nothing here decides what a mistake is: `syntax.py`, `resolve.py`, `shape.py`, `lint.py` and
`scenarios.py` do.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Literal, NamedTuple

from keyc.record import Record
from keyc.source import Span

Severity = Literal["error", "warning", "note"]

_COLUMNS = 80
_TAB = 4


class Label(Record):
    """A remark on a place: beside a diagnostic's own span, or on another one that belongs to it."""

    message: str
    span: Span


class Diagnostic(Record):
    """One mistake or warning. `help` alone says how to mend it; labels say what is meant where.

    A label whose span is the diagnostic's own is written under it. `board`: the pads concerned. `mend`: a
    text that a program may put in by itself; where one mends several diagnostics, the first has it.
    """

    code: str
    severity: Severity
    message: str
    span: Span
    help: str | None = None
    labels: tuple[Label, ...] = ()
    board: tuple[BoardPlace, ...] = ()
    mend: Mend | None = None


class Mend(Record):
    """What should stand in a place instead of what is there; `what` says it in words."""

    what: str
    span: Span
    text: str

    @property
    def difference(self) -> str:
        """It as a unified diff of the whole file."""
        from difflib import unified_diff

        old, name = self.span.source.text, self.span.source.name
        new = old[: self.span.start] + self.text + old[self.span.end :]
        before, after = (text.splitlines(keepends=True) for text in (old, new))
        return "".join(
            line if line.endswith("\n") else line + "\n"
            for line in unified_diff(before, after, name, f"{name}, {self.what}")
        )


class BoardPlace(Record):
    """Where on a board a diagnostic is: a part's pad, in mm as the netlist counts them."""

    part: str
    pad: str
    x_mm: float
    y_mm: float

    def __str__(self) -> str:
        pad = f" pin {self.pad}" if self.pad else ""
        return f"{self.part}{pad}, at x {self.x_mm:.2f} mm, y {self.y_mm:.2f} mm"


class UserError(Exception):
    """What stops a command through no fault of ours: told as `error:` and `help:`, without a traceback.

    `exit_status`: 1 the input is wrong, 2 wrong use of the command, 3 the rig could not do it.
    """

    def __init__(self, message: str, help: str | None = None, exit_status: Literal[1, 2, 3] = 1) -> None:
        super().__init__(message)
        self.message = message
        self.help = help
        self.exit_status = exit_status


def in_file_order(diagnostics: Iterable[Diagnostic]) -> list[Diagnostic]:
    """By place; at one place errors before warnings. Files keep the order in which they first come."""
    files: dict[int, int] = {}
    listed = list(diagnostics)
    for one in listed:
        files.setdefault(id(one.span.source), len(files))
    return sorted(
        listed, key=lambda d: (files[id(d.span.source)], d.span.start, d.severity != "error", d.span.end)
    )


def has_errors(diagnostics: Iterable[Diagnostic]) -> bool:
    return any(one.severity == "error" for one in diagnostics)


# ---- text -----------------------------------------------------------------------------------


class _Paint(NamedTuple):
    """SGR codes (ECMA-48 8.3.117); empty strings where colour isn't wanted."""

    error: str = ""
    warning: str = ""
    note: str = ""
    dim: str = ""
    bold: str = ""
    end: str = ""


_COLOURED = _Paint("\x1b[1;31m", "\x1b[1;33m", "\x1b[1;36m", "\x1b[2m", "\x1b[1m", "\x1b[0m")


def render_text(diagnostics: Sequence[Diagnostic], *, colour: bool = False, counted: bool = True) -> str:
    """All of them for a terminal of 80 columns; "" for none. `counted`: with a last line that counts them."""
    if not diagnostics:
        return ""
    paint = _COLOURED if colour else _Paint()
    pieces = [_one_as_text(one, paint) for one in diagnostics]
    return "\n".join([*pieces, *([summary(diagnostics)] if counted else [])]) + "\n"


def summary(diagnostics: Sequence[Diagnostic]) -> str:
    """`2 mistakes, 1 warning`."""
    errors = sum(one.severity == "error" for one in diagnostics)
    warnings = sum(one.severity == "warning" for one in diagnostics)
    notes = len(diagnostics) - errors - warnings
    parts = []
    if errors:
        parts.append(f"{errors} mistake{'s' if errors > 1 else ''}")
    if warnings:
        parts.append(f"{warnings} warning{'s' if warnings > 1 else ''}")
    if notes:
        parts.append(f"{notes} note{'s' if notes > 1 else ''}")
    return ", ".join(parts) or "no mistakes"


def _one_as_text(one: Diagnostic, paint: _Paint) -> str:
    tone = {"error": paint.error, "warning": paint.warning, "note": paint.note}[one.severity]
    line, column = one.span.source.place(one.span.start)
    lines = [f"{paint.bold}{shown(one.span.source.name)}:{line}:{column}{paint.end}"]
    lines += _wrapped(f"{one.severity}: ", f"{one.message} [{one.code}]", paint, tone)
    own = [label.message for label in one.labels if label.span == one.span]
    others = [label for label in one.labels if label.span != one.span]
    numbers = (span.source.place(span.start)[0] for span in (one.span, *(label.span for label in others)))
    number_width = len(str(max(numbers)))
    lines += _excerpt(one.span, own, "^", number_width, paint, tone)
    for label in others:
        excerpt = _excerpt(label.span, [label.message], "-", number_width, paint, paint.dim)
        # A second mark in the line that is shown already needs no second copy of it.
        lines += excerpt[1:] if excerpt[0] in lines else excerpt
    if one.help:
        lines += _wrapped("help: ", one.help, paint, paint.bold)
    return "\n".join(lines) + "\n"


def folded(head: str, text: str) -> str:
    """A text on lines of at most 80 columns behind a head (`error: `), later ones indented under it."""
    return "\n".join(_wrapped(head, text, _Paint(), ""))


def _wrapped(head: str, text: str, paint: _Paint, tone: str) -> list[str]:
    """Paragraphs of at most 80 columns, the head painted, later lines indented under the text."""
    lines: list[str] = []
    indent = " " * len(head)
    for paragraph in text.split("\n"):
        own_indent = indent + " " * (len(paragraph) - len(paragraph.lstrip(" ")))
        current = ""
        for word in shown(paragraph).split(" "):
            if current and len(own_indent) + len(current) + 1 + len(word) > _COLUMNS:
                lines.append(own_indent + current)
                current = word
            else:
                current = f"{current} {word}" if current else word
        lines.append(own_indent + current)
    return [f"{tone}{head}{paint.end if tone else ''}{lines[0][len(head) :]}", *lines[1:]]


def shown(text: str) -> str:
    """A text as it can be shown: what a terminal would act on or hide is replaced (U+FFFD)."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or c in "\t\xa0" else "\ufffd" for c in text)


def _width(text: str) -> int:
    """Terminal columns, from Unicode's East_Asian_Width and combining classes (UAX #11)."""
    if text.isascii():
        return len(text)
    from unicodedata import combining, east_asian_width

    return sum(0 if combining(c) else 2 if east_asian_width(c) in "WF" else 1 for c in text)


def _excerpt(
    span: Span, messages: Sequence[str], mark: str, number_width: int, paint: _Paint, tone: str
) -> list[str]:
    """The span's first line with the span marked under it; a long line is cut around the span."""
    source = span.source
    number, column = source.place(span.start)
    text = shown(source.line(number))
    start = min(column - 1, len(text))
    end = max(start, min(start + span.end - span.start, len(text)))
    gutter = f" {number:>{number_width}} | "
    room = _COLUMNS - len(gutter)

    head, marked, tail = (
        part.replace("\t", " " * _TAB) for part in (text[:start], text[start:end], text[end:])
    )
    if _width(head) + max(1, _width(marked)) + _width(tail) > room:
        if _width(head) > room // 3:
            head = "… " + head[-(room // 3 - 2) :]
        left = max(1, room - _width(head) - 2)
        if _width(marked) > left:
            marked, tail = marked[: left // (2 if _width(marked) > len(marked) else 1)], " …"
        else:
            left -= _width(marked)
            if _width(tail) > left + 2:
                tail = tail[: max(0, left // (2 if _width(tail) > len(tail) else 1))] + " …"
    bar = f"{' ' * (number_width + 1)} | "
    before = " " * _width(head)
    marks = f"{bar}{before}{tone}{mark * max(1, _width(marked))}{paint.end if tone else ''}"
    lines = [f"{paint.dim}{gutter}{paint.end}{head}{marked}{tail}".rstrip()]
    if not messages:
        return [*lines, marks]
    first, *others = [paragraph for message in messages for paragraph in message.split("\n")]
    if len(bar) + len(before) + max(1, _width(marked)) + 1 + _width(first) <= _COLUMNS:
        lines.append(f"{marks} {shown(first)}")
    else:
        lines.append(marks)
        others.insert(0, first)
    for paragraph in others:
        lines += _wrapped(bar, paragraph, paint, "")
    return lines


# ---- JSON -----------------------------------------------------------------------------------


def _places(span: Span) -> dict[str, Any]:
    line, column = span.source.place(span.start)
    end_line, end_column = span.source.place(span.end)
    return {
        "file": span.source.name,
        "line": line,
        "column": column,
        "end_line": end_line,
        "end_column": end_column,
    }


def as_json(diagnostics: Iterable[Diagnostic]) -> list[dict[str, Any]]:
    """The list that `keyc check --format json` prints.

    Lines and columns from 1, columns in characters, ends exclusive. `board` are the pads concerned, `mend` a
    text to put in the place that it names, and the same as a unified diff; most have neither.
    """
    return [
        {
            "code": one.code,
            "severity": one.severity,
            "message": one.message,
            **_places(one.span),
            "help": one.help,
            "labels": [{"message": label.message, **_places(label.span)} for label in one.labels],
            **({"board": [_board_place(place) for place in one.board]} if one.board else {}),
            **({"mend": _mend(one.mend)} if one.mend else {}),
        }
        for one in diagnostics
    ]


def _mend(mend: Mend) -> dict[str, Any]:
    return {"what": mend.what, **_places(mend.span), "text": mend.text, "diff": mend.difference}


def _board_place(place: BoardPlace) -> dict[str, Any]:
    return {
        "part": place.part,
        "pad": place.pad,
        "x_mm": round(place.x_mm, 3),
        "y_mm": round(place.y_mm, 3),
    }


# ---- SARIF ----------------------------------------------------------------------------------


def _location(span: Span, message: str | None = None) -> dict[str, Any]:
    """A SARIF location (SARIF 2.1.0, 3.28). The end column is exclusive there too (3.30.8)."""
    from urllib.parse import quote

    places = _places(span)
    location: dict[str, Any] = {
        "physicalLocation": {
            "artifactLocation": {"uri": quote(span.source.name.replace("\\", "/"), safe="/-._~")},
            "region": {
                "startLine": places["line"],
                "startColumn": places["column"],
                "endLine": places["end_line"],
                "endColumn": places["end_column"],
            },
        }
    }
    if message is not None:
        location["message"] = {"text": message}
    return location


def as_sarif(diagnostics: Iterable[Diagnostic]) -> dict[str, Any]:
    """A SARIF 2.1.0 log (OASIS, 2020) of one run; columns count Unicode code points."""
    from keyc import __version__
    from keyc.explain import title_of

    listed = list(diagnostics)
    codes = sorted({one.code for one in listed})
    results = []
    for one in listed:
        text = one.message if one.help is None else f"{one.message}\n{one.help}"
        result: dict[str, Any] = {
            "ruleId": one.code,
            "ruleIndex": codes.index(one.code),
            "level": one.severity,
            "message": {"text": text},
            "locations": [_location(one.span)],
        }
        if one.labels:
            result["relatedLocations"] = [
                {"id": number, **_location(label.span, label.message)}
                for number, label in enumerate(one.labels, start=1)
            ]
        if one.board:
            # A pad is a logical location (SARIF 2.1.0, 3.33): it has a name and no region.
            result["locations"][0]["logicalLocations"] = [
                {"name": place.pad, "fullyQualifiedName": f"{place.part}-{place.pad}", "kind": "element"}
                for place in one.board
            ]
            result["properties"] = {"board": [_board_place(place) for place in one.board]}
        if one.mend:
            where = _location(one.mend.span)["physicalLocation"]
            replacement = {"deletedRegion": where["region"], "insertedContent": {"text": one.mend.text}}
            change = {"artifactLocation": where["artifactLocation"], "replacements": [replacement]}
            result["fixes"] = [{"description": {"text": one.mend.what}, "artifactChanges": [change]}]
        results.append(result)
    rules = [{"id": code, "shortDescription": {"text": title_of(code) or code}} for code in codes]
    return {
        "$schema": "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json",
        "version": "2.1.0",
        "runs": [
            {
                "tool": {"driver": {"name": "keyc", "version": __version__, "rules": rules}},
                "columnKind": "unicodeCodePoints",
                "results": results,
            }
        ],
    }
