"""What is written while a run goes on: the record, and the dump of what the board said.

The record is JSON lines, appended: one object a line, flushed at once, so that a pulled plug loses
nothing. It holds verdicts and counts per switch. The dump (DUMP.md) is one run's lines of the wire, with
the bench's questions noted between them, so that `hil read` comes to the same verdicts.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from hil.wire import Sentence, line_of
from keyc.diagnostics import UserError

if TYPE_CHECKING:
    from hil.events import Event
    from hil.result import Result

NOTE = "bench"  # the word that begins a note of the bench in a dump

_KEPT = frozenset({"board", "line", "stage", "verdict", "bounce", "blip", "trouble", "back", "history"})


class _File:
    """A text file that is written line by line. A disk that fills up is told once, and then let be."""

    def __init__(self, path: Path, mode: str) -> None:
        self.path = path
        self.failure: str | None = None
        try:
            self._file: IO[str] = path.open(mode, encoding="utf-8", newline="\n")
        except OSError as error:
            raise UserError(
                f"{path} can't be written: {error.strerror}",
                "choose another place with --record, or make room on the disk",
                exit_status=3,
            ) from None

    def write(self, line: str) -> None:
        if self.failure is not None:
            return
        try:
            self._file.write(line)
            self._file.flush()
        except OSError as error:
            self.failure = f"{self.path} could not be written to its end: {error.strerror}"

    def close(self) -> None:
        try:
            self._file.close()
        except OSError as error:
            self.failure = self.failure or f"{self.path} could not be written to its end: {error.strerror}"


class Record:
    """Appends one run to a file. `failure` says in words what went wrong with the file, if anything did."""

    def __init__(
        self,
        path: Path,
        *,
        tool: str,
        keyboard: str,
        when: str,
        after: str,
        diodes: str | None = None,
        netlist: str | None = None,
        wiring: str | None = None,
    ) -> None:
        self._file = _File(path, "a")
        if _is_cut_short(path):
            self._file.write("\n")
        self._tool = tool
        began = {"event": "began", "tool": tool, "keyboard": keyboard, "when": when, "after": after}
        more = {"diodes": diodes, "netlist": netlist, "wiring": wiring}
        self._write(began | {key: value for key, value in more.items() if value is not None})

    @property
    def failure(self) -> str | None:
        return self._file.failure

    def event(self, event: Event) -> None:
        """Keeps what is known of switches and lines, not what the person did."""
        if event.kind in _KEPT:
            self._write(event.as_json())

    def result(self, result: Result) -> None:
        self._write({"event": "result", "result": result.as_json(self._tool)})

    def close(self) -> None:
        self._file.close()

    def _write(self, value: dict[str, Any]) -> None:
        self._file.write(json.dumps(value, ensure_ascii=False) + "\n")


def _is_cut_short(path: Path) -> bool:
    """Whether a file ends in the middle of a line, as after a pulled plug."""
    try:
        with path.open("rb") as file:
            file.seek(0, 2)
            if not file.tell():
                return False
            file.seek(-1, 2)
            return file.read(1) != b"\n"
    except OSError:
        return False


class Dump:
    """Writes one run's lines as the session heard them, and its notes; replaces an older dump."""

    def __init__(self, path: Path) -> None:
        self._file = _File(path, "w")
        self._notes = 0

    @property
    def failure(self) -> str | None:
        return self._file.failure

    def heard(self, sentence: Sentence) -> None:
        self._file.write(line_of(sentence.name, *sentence.fields, sequence=sentence.sequence).decode())

    def lost(self) -> None:
        self.note("lost")

    def note(self, word: str, *fields: object) -> None:
        self._file.write(line_of(NOTE, self._notes, word, *fields).decode())
        self._notes += 1

    def close(self) -> None:
        self._file.close()
