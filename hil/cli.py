"""The `hil` command: one small function per command. No logic lives here."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from keyc.command import DONE, RIG, STOPPED, UNPROVEN, WRONG, guarded, print_json, say

if TYPE_CHECKING:
    from argparse import ArgumentParser, Namespace
    from typing import BinaryIO

    from hil.history import Run
    from hil.link import Link
    from hil.result import Result
    from hil.witnesses import Hearing
    from keyc.keyboard import Keyboard


def main(arguments: Sequence[str] | None = None) -> int:
    """`hil`: the exit status. `arguments`: without the program's name; None: the process's own."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    if given == ["--version"]:
        print(_tool())
        return DONE
    return guarded("hil", _parser, given)


def _tool() -> str:
    from keyc import __version__

    return f"hil {__version__}"


def _parser() -> ArgumentParser:
    from argparse import ArgumentParser

    parser = ArgumentParser(
        prog="hil",
        description="The bench: reads a board over serial and says what is proven, what is wrong, and where.",
    )
    parser.add_argument("--version", action="store_true", help="print the version")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")

    ports = commands.add_parser("ports", help="serial ports and drives of chips, with what answers on each")
    ports.add_argument("--format", choices=("text", "json"), default="text")
    ports.set_defaults(command=_ports)

    bench = commands.add_parser("bench", help="test a board: asks for one switch after the other")
    bench.add_argument("file", metavar="FILE", help="the keymap file")
    bench.add_argument("--port", metavar="PORT", help="default: the only board that answers")
    bench.add_argument(
        "--stages",
        metavar="A,B",
        help="some of alive, hello, lines, positions, together, bounce, flex, typing, extras; or all; "
        "default: all but bounce, flex and typing",
    )
    bench.add_argument(
        "--after", metavar="STEP", default="", help="the step of assembly done last: bare, plate …"
    )
    bench.add_argument("--touched", metavar="SW7,D7,GPIO3", help="after a mend: ask only for what it touched")
    bench.add_argument(
        "--resume",
        action="store_true",
        help="go on with this board's last run: what it had proven isn't asked for again",
    )
    bench.add_argument(
        "--mend", action="store_true", help="with faults: wait for each mend, and ask what it touched"
    )
    bench.add_argument(
        "--with",
        dest="tool",
        choices=("finger", "tweezers"),
        default="finger",
        help="what presses; tweezers: pads without switches; default: finger",
    )
    bench.add_argument(
        "--record",
        metavar="FILE",
        help="appended to; default: NAME.bench.jsonl beside FILE, and none with --virtual. "
        "A dump for `hil read` lies beside it",
    )
    bench.add_argument(
        "--netlist", metavar="NET", help="the board's netlist: the record says which revision it belongs to"
    )
    _add_reports(bench)
    bench.add_argument(
        "--events", metavar="FD", type=int, help="JSON lines about what happens, to this descriptor"
    )
    bench.add_argument("--page", action="store_true", help="show the run in the browser too, with sound")
    bench.add_argument("--no-browser", action="store_true", help="with --page: only print its address")
    bench.add_argument("--format", choices=("text", "json"), default="text")
    _add_virtual(bench)
    bench.add_argument("--virtual", action="store_true", help="against a virtual board with its own finger")
    bench.set_defaults(command=_bench)

    virtual = commands.add_parser("virtual", help="only a virtual board: prints the port to open")
    virtual.add_argument("file", metavar="FILE", help="the keymap file")
    virtual.add_argument(
        "--socket", metavar="PORT", type=int, help="a TCP port of this computer instead of a pty"
    )
    _add_virtual(virtual)
    virtual.set_defaults(command=_virtual)

    read = commands.add_parser("read", help="verdicts from a saved dump")
    read.add_argument("dump", metavar="DUMP", help="what `hil bench` or a serial terminal saved; - for stdin")
    read.add_argument("file", metavar="FILE", help="the keymap file")
    _add_reports(read)
    read.add_argument("--format", choices=("text", "json"), default="text")
    read.set_defaults(command=_read)

    learn = commands.add_parser("learn", help="find the wiring of an unknown board: press every key once")
    learn.add_argument("--port", metavar="PORT", help="default: the only board that answers")
    learn.add_argument(
        "-o", dest="output", metavar="FILE.keys", help="a file that checks clean, to go on from"
    )
    learn.add_argument(
        "--shape",
        metavar="FILE",
        help="a file with a `shape`, wired or not: its names go to the keys in the shape's order",
    )
    learn.add_argument("--keys", type=int, metavar="N", help="end after so many keys")
    learn.add_argument(
        "--virtual", metavar="FILE", help="against a virtual board wired so, with its own finger"
    )
    learn.add_argument("--format", choices=("text", "json"), default="text")
    learn.set_defaults(command=_learn)

    compare = commands.add_parser(
        "compare", help="what changed between two runs; or file, netlist and board side by side"
    )
    compare.add_argument("old", metavar="OLD", help="a record, such as pier.bench.jsonl")
    compare.add_argument(
        "new", metavar="NEW", nargs="?", help="a later record; the same file twice: its last two runs"
    )
    compare.add_argument("--file", metavar="FILE", help="the keymap file, another witness; with --netlist")
    compare.add_argument("--netlist", metavar="NET", help="the board's netlist (IPC-D-356), the third one")
    compare.add_argument("--controller", metavar="REF", help="the netlist's controller, such as U3")
    compare.add_argument("--pins", metavar="MAP", help="a module's pins, as for keyc wiring")
    compare.add_argument("--format", choices=("text", "json"), default="text")
    compare.set_defaults(command=_compare)
    return parser


def _add_reports(parser: ArgumentParser) -> None:
    parser.add_argument("--report", metavar="X.html", help="one HTML file that needs nothing else")
    parser.add_argument("--junit", metavar="X.xml", help="the verdicts as JUnit, for scripts")
    parser.add_argument(
        "--side",
        choices=("front", "back"),
        default="front",
        help="of the board that you look at; back: solder side",
    )


def _add_virtual(parser: ArgumentParser) -> None:
    parser.add_argument("--chip", action="store_true", help="the real image in an emulated chip")
    parser.add_argument(
        "--fault", action="append", default=[], metavar='"…"', help='e.g. "reversed SW7"; repeatable'
    )
    parser.add_argument(
        "--seed", type=int, default=0, metavar="N", help="decides what electricity leaves open"
    )


def _ports(options: Namespace) -> int:
    from hil.ports import drives_found, ports_found, ports_text

    ports, drives = ports_found(), drives_found()
    if options.format == "json":
        from hil.result import SCHEMA

        told = {"ports": [each.as_json() for each in ports], "drives": [each.as_json() for each in drives]}
        print_json({"schema": SCHEMA, "tool": _tool(), **told})
    else:
        print(ports_text(ports, drives))
    return DONE


def _virtual(options: Namespace) -> int:
    from hil.virtual import run

    run(
        _keyboard(options.file),
        options.fault,
        chip=options.chip,
        socket_port=options.socket,
        seed=options.seed,
    )
    return DONE


def _read(options: Namespace) -> int:
    from hil.read import verdicts_of
    from hil.result import Verdict
    from keyc.fingerprints import fingerprints

    keyboard = _keyboard(options.file)
    _can_be_written(options.report, options.junit)
    with _dump(options.dump) as dump:
        result = verdicts_of(dump, keyboard, fingerprints(keyboard).wiring)
    _hand_over(options, result, keyboard)
    # The rig had no part in this: what can't be read is wrong input.
    return WRONG if result.verdict is Verdict.ERROR else _status(result)


def _learn(options: Namespace) -> int:
    from hil.hands import Person
    from hil.learn import file_text, learn, learnt, wanted_in
    from hil.views.terminal import learning_view_on

    wanted = wanted_in(options.shape) if options.shape else None
    names = wanted.names if wanted else ()
    _can_be_written(options.output)
    link, keys = _board_to_learn(options)
    view = learning_view_on(sys.stderr, wanted.caps if wanted else ())
    try:
        learner = learn(
            link,
            view.show,
            names=names,
            places=wanted.places if wanted else None,
            enough=options.keys or keys or None,
            skip=Person().gives_up,
        )
    finally:
        view.close()
        link.close()
    if not learner.contacts:
        say("no key was pressed, so nothing was learnt: press every key once")
        return UNPROVEN
    found = learnt(learner.contacts, learner.names)
    missing = [name for name in names if name not in learner.names]
    for remark in found.remarks:
        say(f"note: {remark}")
    if missing:
        from hil.places import names_in_short

        say(f"note: no key was learnt for {names_in_short(missing)}")
    if options.output:
        from keyc.write import write_whole

        write_whole(options.output, file_text(found, None if missing else wanted))
    if options.format == "json":
        from hil.result import SCHEMA

        told = {"wiring": found.wiring, "switches": list(found.switches), "remarks": list(found.remarks)}
        print_json({"schema": SCHEMA, "tool": _tool(), **told})
    else:
        print(found.wiring, end="")
    if found.remarks:
        return WRONG
    return UNPROVEN if missing else DONE


def _board_to_learn(options: Namespace) -> tuple[Link, int | None]:
    """The board, and how many keys it has where that is known."""
    from hil.link import Link

    if not options.virtual:
        from hil.ports import only_port
        from hil.transport import SerialTransport

        return Link(SerialTransport(options.port or only_port())), None
    from hil.host_board import HostBoard
    from hil.transport import BoardTransport
    from hil.virtual import Finger

    keyboard = _keyboard(options.virtual)
    finger = Finger(HostBoard(keyboard.wiring))
    at_us = 1_000_000
    for cap in keyboard.caps:
        at_us = finger.tap(cap.switch, 30_000, at_us + 60_000)
    return Link(BoardTransport(finger)), len(keyboard.caps)


def _compare(options: Namespace) -> int:
    from hil.history import changes, compared_text
    from keyc.diagnostics import UserError

    if bool(options.file) != bool(options.netlist) or not (options.new or options.file):
        raise UserError(
            "there is nothing to compare the record with",
            "give a second record; or the two other witnesses, --file FILE.keys and --netlist NET",
            exit_status=2,
        )
    records = [options.old, options.new] if options.new else [options.old]
    runs = [_run(path, before_last=options.new == options.old) for path in records[:-1]]
    runs.append(_run(records[-1]))
    found = changes(*runs) if options.new else ()
    hearing = _hearing(options, runs[-1]) if options.file else None
    if options.format == "json":
        from hil.result import SCHEMA

        told = {"old": runs[0].when, "new": runs[-1].when, "changes": [one.as_json() for one in found]}
        witnesses = {"witnesses": hearing.as_json()} if hearing else {}
        print_json({"schema": SCHEMA, "tool": _tool(), **(told if options.new else {}), **witnesses})
    else:
        if options.new:
            print(compared_text(*runs))
        if hearing:
            from hil.witnesses import text_of

            print(text_of(hearing))
    if any(one.worse for one in found) or (hearing and hearing.differing):
        return WRONG
    return UNPROVEN if hearing and not hearing.is_whole else DONE


def _run(path: str, *, before_last: bool = False) -> Run:
    """The last run with verdicts in a record, or the one before it. Raises UserError where there is none."""
    from pathlib import Path

    from hil.history import runs_in
    from keyc.diagnostics import UserError

    runs = [run for run in runs_in(Path(path)) if run.verdicts]
    runs = runs[:-1] if before_last else runs
    if not runs:
        raise UserError(f"{path} holds no run to compare", "a run comes to verdicts in its stage positions")
    return runs[-1]


def _hearing(options: Namespace, run: Run) -> Hearing:
    from hil.witnesses import heard
    from keyc.netlist.witnesses import comparison_with

    keyboard = _keyboard(options.file)
    comparison = comparison_with(keyboard, options.netlist, options.controller, options.pins)
    return heard(keyboard, options.netlist, comparison, run)


def _bench(options: Namespace) -> int:
    from hil.bench import Bench

    keyboard = _keyboard(options.file)
    _can_be_written(options.report, options.junit)
    with Bench(options, keyboard, _tool()) as bench:
        result = bench.run()
        _hand_over(options, result, keyboard)
        _say_how_to_go_on(options, result)
        bench.stay(result)
    return RIG if bench.failed_to_write and _status(result) == DONE else _status(result)


def _say_how_to_go_on(options: Namespace, result: Result) -> None:
    """After a run that was stopped, where a record keeps what it had proven."""
    from shlex import join

    from hil.result import Verdict

    stopped = result.verdict in (Verdict.ABORTED, Verdict.ERROR) and options.touched is None
    if not (stopped and result.proven and result.board.flash_id) or options.virtual:
        return
    more = [["--after", options.after]] * bool(options.after) + [["--record", options.record]] * bool(
        options.record
    )
    words = ["hil", "bench", options.file, "--resume", *(word for each in more for word in each)]
    say(f"to go on from here: {join(words)}")


def _keyboard(path: str) -> Keyboard:
    """The keyboard in a file. Its mistakes go to stderr, and raise UserError."""
    from keyc.compile import check_text, read_source
    from keyc.diagnostics import UserError, render_text

    keyboard, found = check_text(read_source(path))
    if keyboard is None:
        say(render_text([one for one in found if one.severity == "error"]))
        raise UserError(
            f"{path} has mistakes, so the bench doesn't know the board", f"mend them: keyc check {path}"
        )
    return keyboard


def _dump(path: str) -> BinaryIO:
    """A saved dump, or a copy of what comes in on stdin, which can be read from its start again."""
    from pathlib import Path

    from keyc.diagnostics import UserError

    if path == "-":
        from shutil import copyfileobj
        from tempfile import TemporaryFile

        copy: BinaryIO = TemporaryFile()  # noqa: SIM115 (the caller closes it)
        copyfileobj(sys.stdin.buffer, copy)
        copy.seek(0)
        return copy
    try:
        return Path(path).open("rb")
    except OSError as error:
        raise UserError(f"{path} can't be read: {error.strerror}", "check the name", exit_status=2) from None


def _can_be_written(*paths: str | None) -> None:
    """Raises UserError for a file whose folder isn't there, before anybody has pressed a hundred keys."""
    from os.path import isdir
    from pathlib import Path

    from keyc.diagnostics import UserError

    for path in filter(None, paths):
        folder = Path(path).absolute().parent
        if not isdir(folder):
            raise UserError(
                f"{path} can't be written: there is no folder {folder}",
                "make the folder first, or choose another place",
                exit_status=3,
            )
        if isdir(path):
            raise UserError(
                f"{path} can't be written: it is a folder", "give the file in it a name", exit_status=3
            )


def _hand_over(options: Namespace, result: Result, keyboard: Keyboard) -> None:
    """Prints first: a disk that refuses the files must not swallow the verdicts."""
    from keyc.write import write_whole

    if options.format == "json":
        print_json(result.as_json(_tool()))
    else:
        from hil.views.report import text_of

        print(text_of(result), flush=True)
    if options.junit:
        from hil.views.junit import junit_of

        write_whole(options.junit, junit_of(result))
    if options.report:
        from hil.views.report import html_of

        write_whole(options.report, html_of(result, keyboard, tool=_tool(), side=options.side))
        if options.format != "json":
            print(f"\nreport: {options.report}")


def _status(result: Result) -> int:
    from hil.result import Verdict

    return {
        Verdict.PASS: DONE,
        Verdict.FAIL: WRONG,
        Verdict.ERROR: RIG,
        Verdict.ABORTED: STOPPED,
    }.get(result.verdict, UNPROVEN)


if __name__ == "__main__":
    raise SystemExit(main())
