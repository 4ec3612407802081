"""`hil bench`: puts together a board, a hand, a view and a record, and runs a session over them."""

from __future__ import annotations

import json
import os
from collections import deque
from contextlib import ExitStack, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from hil.result import Verdict
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
    from hil.stages.typing import KeyReceived
    from hil.views.page import Heard, Page
    from keyc.image.identity import Image
    from keyc.keyboard import Keyboard

_LOOKS_S = 60.0  # for a board that is to be plugged in


class Bench:
    """A context: everything that was opened is closed at its end, whatever happened."""

    def __init__(self, options: Namespace, keyboard: Keyboard, tool: str) -> None:
        self._options, self._keyboard, self._tool = options, keyboard, tool
        self._stack = ExitStack()
        self._record: Record | None = None
        self._dump: Dump | None = None
        self._events: TextIO | None = None
        self._wanted_image: Image = "bench"  # which one a board gets that waits for an image
        self._page: Page | None = None
        self._heard: deque[Heard] = deque()  # keys, by the page
        self._runs = 0  # in the record, by this bench

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

        from hil.mending import OF_MENDS, mended, proven_without, touched_by, with_what_stands
        from hil.session import Session, result_without_board
        from hil.stages.alive import AliveFindings
        from hil.views.terminal import view_on
        from keyc.fingerprints import fingerprints

        settings = self._settings()
        page = self._opened_page()
        view = view_on(sys.stderr, self._keyboard, self._options.side)
        self._stack.callback(view.close)

        def show(event: Event) -> None:
            view.show(event)
            if page is not None:
                page.show(event)

        board = self._board(show)
        settings = replace(settings, earlier=self._earlier())
        self._open_files(settings)
        if isinstance(board, AliveFindings):
            result = self._finished(result_without_board(self._keyboard, board, settings), settings)
            if self._page is not None:
                self._page.finish(result)
            return result
        link, hand = board
        self._stack.callback(link.close)

        def tell(event: Event) -> None:
            show(event)
            if self._record is not None:
                self._record.event(event)
            self._send(event)

        def run(settings: Settings) -> Result:
            wiring = fingerprints(self._keyboard).wiring
            session = Session(
                self._keyboard,
                link,
                hand,
                wiring,
                settings,
                tell=tell,
                notes=self._dump,
                arrived=self._arrived,
            )
            return session.run()

        result = self._finished(run(settings), settings)
        while self._options.mend and result.verdict is Verdict.FAIL and result.faults:
            fault = result.faults[0]
            touched = touched_by(fault, result, self._keyboard.wiring)
            if not mended(link, hand, fault, tell):
                break
            settings = replace(
                settings,
                stages=[name for name in settings.stages if name in OF_MENDS],
                touched=touched,
                proven=proven_without(result, touched),
                resume=False,
                board=result.board,
                earlier=(),
            )
            self._begin_record(settings)
            result = self._finished(with_what_stands(run(settings), result, touched), settings)
        if self._page is not None:
            self._page.finish(result)
        return result

    def _arrived(self) -> list[KeyReceived] | None:
        """The keys that the page heard since the last call; None without a page."""
        if self._page is None:
            return None
        from hil.stages.typing import KeyReceived

        heard = []
        while self._heard:
            key = self._heard.popleft()
            heard.append(KeyReceived(key.code, key.down))
        return heard

    def _finished(self, result: Result, settings: Settings) -> Result:
        result = replace(result, notes=(*result.notes, *self._regressions(settings, result)))
        if self._options.virtual:
            from hil.history import VIRTUAL

            result = replace(result, notes=(VIRTUAL, *result.notes))
        if self._record is not None:
            self._record.result(result)
        for each in (self._record, self._dump):
            if each is not None and each.failure:
                say(f"warning: {each.failure}. The result below is complete.")
        return result

    def stay(self, result: Result) -> None:
        """Keeps the page there, with the report that was written, until it is closed."""
        page = self._page
        if page is None or result.verdict is Verdict.ABORTED:
            return
        from hil.hands import Person

        if self._options.report:
            with suppress(OSError):
                page.offer(Path(self._options.report).read_text("utf-8"), self._options.report)
        say("the page stays until you close it; Enter or Ctrl-C ends it here")
        with suppress(KeyboardInterrupt):
            page.stay(Person().gives_up)

    def _opened_page(self) -> Page | None:
        if not self._options.page:
            return None
        from hil.views.page import Page, show_in_browser

        try:
            page = self._page = Page(self._keyboard, self._options.side)
        except OSError as error:
            raise UserError(
                f"the page can't be served on this computer: {error.strerror or error}",
                "leave out --page: the terminal shows the same",
                exit_status=3,
            ) from None
        page.listener = self._heard.append
        self._stack.callback(page.close)
        say(f"page: {page.address}")
        if not self._options.no_browser and not show_in_browser(page.address):
            say("no browser was found: open that address in one on this computer")
        return page

    def _settings(self) -> Settings:
        from datetime import UTC, datetime

        from hil.conversation import Settings

        stages = self._stages()
        if not self._options.virtual and (self._options.fault or self._options.chip):
            raise UserError("faults and chips are for a virtual board", "add --virtual", exit_status=2)
        if self._options.virtual and self._options.port:
            raise UserError(
                "a virtual board of its own has no port", "leave out --port or --virtual", exit_status=2
            )
        if self._options.resume and self._options.touched is not None:
            raise UserError(
                "--resume goes on with the last run, and --touched asks again for a part of it",
                "leave out one of them",
                exit_status=2,
            )
        if self._options.no_browser and not self._options.page:
            raise UserError("no page was asked for", "add --page, or leave out --no-browser", exit_status=2)
        return Settings(
            stages=stages,
            after=self._options.after,
            tool=self._options.tool,
            touched=self._touched(),
            resume=self._options.resume,
            side=self._options.side,
            when=datetime.now(UTC).isoformat(timespec="seconds"),
        )

    def _stages(self) -> list[str]:
        from hil.mending import OF_MENDS
        from hil.session import STAGES, USUAL

        usual = USUAL if self._options.touched is None else [name for name in USUAL if name in OF_MENDS]
        words = ",".join(usual) if self._options.stages is None else self._options.stages
        stages = [word.strip() for word in words.split(",") if word.strip()]
        if stages == ["all"]:
            stages = [*STAGES]
        unknown = [word for word in stages if word not in STAGES]
        if unknown or not stages:
            raise UserError(
                f"there is no stage {unknown[0]}" if unknown else "no stage is named",
                f"the stages: {', '.join(STAGES)}; or `all`",
                exit_status=2,
            )
        return stages

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
        rise_us = {line.pin: line.rise_us for line in result.lines if line.rise_us is not None}
        now = Run(result.keyboard, "", result.after, result.board.flash_id, verdicts, rise_us=rise_us)
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
        from hil.stages.alive import stopped
        from hil.transport import SerialTransport

        hand = Person(load=self._load) if self._page is None else Person(self._page.gave_up, self._load)
        computer = Computer(self._image)
        port = self._options.port
        if port is None:
            asked = self._options.stages is not None and "alive" in self._stages()
            try:
                found = looked_for(computer, tell, wait_s=_LOOKS_S if asked else 0)
            except KeyboardInterrupt:
                if not asked:
                    raise
                return stopped()
            if found.verdict is not Verdict.PASS:
                if asked:
                    return found
                raise no_board(computer.ports)
            (port,) = computer.answering()
        return Link(SerialTransport(port, while_gone=computer.load_if_waiting)), hand

    def _load(self, image: str) -> None:
        self._wanted_image = "trial" if image == "trial" else "bench"

    def _image(self) -> bytes:
        from keyc.image.firmware import build_uf2

        return build_uf2(self._keyboard, self._wanted_image).bytes

    def _virtual_board(self) -> tuple[Link, Hand] | AliveFindings:
        from hil.faults import parse_fault
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
        finger = Finger(board, options.seed, bouncing=True)
        if not finger.connected:
            return findings(Sight.NOTHING)
        return Link(BoardTransport(finger)), FingerHand(finger, loader_of(board, self._keyboard))

    def _open_files(self, settings: Settings) -> None:
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
        self._begin_record(settings)

    def _begin_record(self, settings: Settings) -> None:
        """A new run in the record, and a dump of its own."""
        from hil.record import Dump, Record
        from keyc.fingerprints import fingerprints

        path = self._record_path()
        netlist = self._netlist()
        if path is None:
            return
        self._runs += 1
        self._record = Record(
            path,
            tool=self._tool,
            keyboard=self._keyboard.title,
            when=settings.when or "",
            after=settings.after,
            diodes=self._keyboard.wiring.diodes.value,
            netlist=netlist,
            wiring=fingerprints(self._keyboard).wiring,
        )
        self._stack.callback(self._record.close)
        self._dump = Dump(path.with_suffix(f".{self._runs}.dump" if self._runs > 1 else ".dump"))
        self._stack.callback(self._dump.close)

    def _netlist(self) -> str | None:
        """Which board revision this is, by the fingerprint of its netlist."""
        if self._options.netlist is None:
            return None
        from keyc.netlist.ipc_d_356 import fingerprint, read_netlist

        return fingerprint(read_netlist(self._options.netlist))

    def _record_path(self) -> Path | None:
        if self._options.record:
            return Path(self._options.record)
        if self._options.virtual:
            return None
        file = Path(self._options.file)
        return file.with_name(f"{file.stem}.bench.jsonl")

    def _send(self, event: Event) -> None:
        # What is typed goes no further than the page.
        if self._events is None or event.kind in ("sent", "typed"):
            return
        try:
            self._events.write(json.dumps(event.as_json(), ensure_ascii=False) + "\n")
            self._events.flush()
        except OSError:
            # Whoever listened has gone away; the bench goes on without.
            self._events = None
