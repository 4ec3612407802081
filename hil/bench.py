"""`hil bench`: puts together a board, a hand, a view and a record, and runs a session over them."""

from __future__ import annotations

import json
import os
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from keyc.command import say
from keyc.diagnostics import UserError

if TYPE_CHECKING:
    from argparse import Namespace
    from collections.abc import Callable

    from hil.conversation import Hand, Settings
    from hil.events import Event
    from hil.history import Run
    from hil.link import Link
    from hil.record import Dump, Record
    from hil.result import Result
    from hil.stages.alive import AliveFindings
    from keyc.firmware import Image
    from keyc.keyboard import Keyboard

_LOOKS_S = 60.0  # for a board that is to be plugged in
VIRTUAL = "measured on a virtual board, which proves nothing about a real one"


class Bench:
    """A context: everything that was opened is closed at its end, whatever happened."""

    def __init__(self, options: Namespace, keyboard: Keyboard, tool: str) -> None:
        self._options, self._keyboard, self._tool = options, keyboard, tool
        self._stack = ExitStack()
        self._record: Record | None = None
        self._dump: Dump | None = None
        self._events: TextIO | None = None
        self._wanted_image: Image = "bench"  # which one a board gets that waits for an image

    def __enter__(self) -> Bench:
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    @property
    def failed_to_write(self) -> bool:
        """Whether the record or the dump is not complete."""
        return any(each is not None and each.failure for each in (self._record, self._dump))

    def run(self) -> Result:
        """The run. Raises UserError for what is wrong before it begins."""
        import sys

        from hil.session import Session, result_without_board
        from hil.stages.alive import AliveFindings
        from hil.view import view_on
        from keyc.tables import fingerprints

        settings = self._settings()
        view = view_on(sys.stderr, self._keyboard)
        self._stack.callback(view.close)
        board = self._board(view.show)
        settings = replace(settings, earlier=self._earlier())
        self._open_files(settings)
        if isinstance(board, AliveFindings):
            result = result_without_board(self._keyboard, board, settings)
            return self._finished(result, settings)
        link, hand = board
        self._stack.callback(link.close)

        def tell(event: Event) -> None:
            view.show(event)
            if self._record is not None:
                self._record.event(event)
            self._send(event)

        session = Session(
            self._keyboard,
            link,
            hand,
            fingerprints(self._keyboard).wiring,
            settings,
            tell=tell,
            notes=self._dump,
        )
        return self._finished(session.run(), settings)

    def _finished(self, result: Result, settings: Settings) -> Result:
        result = replace(result, notes=(*result.notes, *self._regressions(settings, result)))
        if self._options.virtual:
            result = replace(result, notes=(VIRTUAL, *result.notes))
        if self._record is not None:
            self._record.result(result)
        for each in (self._record, self._dump):
            if each is not None and each.failure:
                say(f"warning: {each.failure}. The result below is complete.")
        return result

    def _settings(self) -> Settings:
        from datetime import UTC, datetime

        from hil.conversation import Settings
        from hil.session import BY_NAME_ONLY, STAGES

        stages = [name for name in STAGES if name not in BY_NAME_ONLY]
        if self._options.stages is not None:
            stages = [word.strip() for word in self._options.stages.split(",") if word.strip()]
        unknown = [word for word in stages if word not in STAGES]
        if unknown or not stages:
            raise UserError(
                f"there is no stage {unknown[0]}" if unknown else "no stage is named",
                f"the stages of this version: {', '.join(STAGES)}",
                exit_status=2,
            )
        if not self._options.virtual and (self._options.fault or self._options.chip):
            raise UserError("faults and chips are for a virtual board", "add --virtual", exit_status=2)
        if self._options.virtual and self._options.port:
            raise UserError(
                "a virtual board of its own has no port", "leave out --port or --virtual", exit_status=2
            )
        return Settings(
            stages=stages,
            after=self._options.after,
            tool=self._options.tool,
            touched=self._touched(),
            when=datetime.now(UTC).isoformat(timespec="seconds"),
        )

    def _touched(self) -> frozenset[str] | None:
        if self._options.touched is None:
            return None
        from hil.history import touched_switches

        return touched_switches(self._options.touched, self._keyboard.wiring)

    def _earlier(self) -> tuple[Run, ...]:
        path = self._record_path()
        if path is None or not path.exists():
            return ()
        from hil.history import runs_in

        try:
            return tuple(runs_in(path))
        except UserError as error:
            say(f"warning: {error}. It is appended to all the same, and nothing of it is used.")
            return ()

    def _regressions(self, settings: Settings, result: Result) -> tuple[str, ...]:
        if not settings.earlier:
            return ()
        from hil.history import Run, regressions

        verdicts = {one.switch: one.verdict.value for one in result.positions}
        now = Run(result.keyboard, "", result.after, result.board.flash_id, verdicts)
        return regressions(settings.earlier, now)

    def _board(self, tell: Callable[[Event], None]) -> tuple[Link, Hand] | AliveFindings:
        """The board and whoever presses; or what the stage `alive` found instead of one."""
        if self._options.virtual:
            return self._virtual_board()
        from hil.computer import Computer
        from hil.dialogues.alive import looked_for
        from hil.hands import Person
        from hil.link import Link
        from hil.ports import no_board
        from hil.result import Verdict
        from hil.transport import SerialTransport

        computer = Computer(self._image)
        port = self._options.port
        if port is None:
            asked = self._options.stages is not None and "alive" in self._options.stages.split(",")
            found = looked_for(computer, tell, wait_s=_LOOKS_S if asked else 0)
            if found.verdict is not Verdict.PASS:
                if asked:
                    return found
                raise no_board(computer.ports)
            (port,) = computer.answering()
        return Link(SerialTransport(port, while_gone=computer.load_if_waiting)), Person(self._load)

    def _load(self, image: str) -> None:
        self._wanted_image = "trial" if image == "trial" else "bench"

    def _image(self) -> bytes:
        from keyc.firmware import build_uf2

        return build_uf2(self._keyboard, self._wanted_image).bytes

    def _virtual_board(self) -> tuple[Link, Hand] | AliveFindings:
        from hil.board import parse_fault
        from hil.hands import FingerHand
        from hil.link import Link
        from hil.stages.alive import Sight, findings
        from hil.transport import BoardTransport
        from hil.virtual import Finger, board_of, loader_of

        options = self._options
        faults = [parse_fault(text, self._keyboard.wiring) for text in options.fault]
        if options.chip:
            say("building the image and starting the emulated chip …")
        board = board_of(self._keyboard, faults, chip=options.chip, seed=options.seed)
        finger = Finger(board, options.seed)
        if not finger.connected:
            return findings(Sight.NOTHING)
        return Link(BoardTransport(finger)), FingerHand(finger, loader_of(board, self._keyboard))

    def _open_files(self, settings: Settings) -> None:
        from hil.record import Dump, Record

        if self._options.events is not None:
            try:
                self._events = self._stack.enter_context(
                    os.fdopen(self._options.events, "w", encoding="utf-8")
                )
            except (OSError, ValueError) as error:
                raise UserError(
                    f"descriptor {self._options.events} can't be written: {error}",
                    "open it in the shell, e.g. 3>events.jsonl with --events 3",
                    exit_status=2,
                ) from None
        path = self._record_path()
        if path is None:
            return
        self._record = Record(
            path,
            tool=self._tool,
            keyboard=self._keyboard.title,
            when=settings.when or "",
            after=settings.after,
        )
        self._stack.callback(self._record.close)
        self._dump = Dump(path.with_suffix(".dump"))
        self._stack.callback(self._dump.close)

    def _record_path(self) -> Path | None:
        if self._options.record:
            return Path(self._options.record)
        if self._options.virtual:
            return None
        file = Path(self._options.file)
        return file.with_name(f"{file.stem}.bench.jsonl")

    def _send(self, event: Event) -> None:
        if self._events is None:
            return
        try:
            self._events.write(json.dumps(event.as_json(), ensure_ascii=False) + "\n")
            self._events.flush()
        except OSError:
            # Whoever listened has gone away; the bench goes on without.
            self._events = None
