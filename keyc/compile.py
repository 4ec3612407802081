"""The compiler's front as one call: a file's text → the checked keyboard and all mistakes."""

from __future__ import annotations

import os
from pathlib import Path

from keyc.diagnostics import Diagnostic, UserError, has_errors, in_file_order, summary
from keyc.files import bytes_of
from keyc.keyboard import Keyboard
from keyc.record import Record
from keyc.source import Source

LARGEST_FILE = 16 * 1024 * 1024  # bytes; no keymap comes near it


def read_source(path: str | os.PathLike[str]) -> Source:
    """A keymap file's text, without a BOM. Raises UserError where it can't be read as text."""
    name = os.fspath(path)
    data = bytes_of(path, LARGEST_FILE, "a keymap file", _hint_beside)
    return source_of(name, data)


def source_of(name: str, data: bytes) -> Source:
    """A keymap file's text from its bytes. Raises UserError where they are no text."""
    if len(data) > LARGEST_FILE:
        raise UserError(
            f"{name} is larger than 16 MB", "a keymap file is a short text: is this the right file?"
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        if data.startswith((b"\xff\xfe", b"\xfe\xff")):
            raise UserError(f"{name} is in UTF-16", "save it as UTF-8") from None
        raise UserError(
            f"{name} is no UTF-8 text: byte 0x{data[error.start]:02X} in line {line}",
            "save it as UTF-8 in your editor",
        ) from None
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise UserError(
            f"{name} is no text file: it has a NUL byte in line {line}",
            "is this the right file? save it as UTF-8 text",
        )
    return Source(name, text)


def _hint_beside(path: Path) -> str:
    """Keymap files that lie where a missing one was looked for."""
    try:
        there = sorted(one.name for one in path.parent.glob("*.keys"))[:5]
    except OSError:
        there = []
    return "there is " + ", ".join(there) if there else "check the name and the folder"


def check_text(source: Source) -> tuple[Keyboard | None, list[Diagnostic]]:
    """The keyboard, or None if there are errors, and every mistake and warning in file order.

    Scenarios are not run: that is `keyc.engine.scenarios`, which needs a C compiler.
    """
    from keyc.language.lint import findings
    from keyc.language.resolve import resolved
    from keyc.language.syntax import parsed

    file = parsed(source)
    diagnostics = list(file.diagnostics)
    keyboard, mistakes = resolved(file)
    diagnostics += mistakes
    if keyboard is not None:
        diagnostics += findings(keyboard, file, sound=not has_errors(diagnostics))
    diagnostics = in_file_order(diagnostics)
    return (None if has_errors(diagnostics) else keyboard), diagnostics


class Checked(Record):
    """What `keyc check` found in one file, scenarios included, and one line that sums it up."""

    keyboard: Keyboard | None
    found: list[Diagnostic]
    summary: str


def check_file(path: str | os.PathLike[str]) -> Checked:
    """A file checked as a whole: its text, and its scenarios on the C engine. Raises UserError where
    the file can't be read."""
    source = read_source(path)
    keyboard, found = check_text(source)
    if keyboard is not None and keyboard.scenarios:
        from keyc.engine.scenarios import findings

        found = in_file_order([*found, *findings(keyboard)])
        if has_errors(found):
            keyboard = None
    if keyboard is None:
        return Checked(None, found, f"{source.name}: {summary(found)}")
    counts = (
        (len(keyboard.wiring.switches), "switch", "switches"),
        (len(keyboard.layers), "layer", "layers"),
        (len(keyboard.scenarios), "scenario", "scenarios"),
    )
    what = ", ".join(f"{count} {one if count == 1 else many}" for count, one, many in counts if count)
    return Checked(keyboard, found, f"{source.name}: {what}; {summary(found)}")
