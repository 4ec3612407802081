"""The `hil` command: one small function per command. No logic lives here."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from keyc.command import DONE, MISUSED, RIG, STOPPED, UNPROVEN, WRONG, guarded, print_json, say

if TYPE_CHECKING:
    from argparse import ArgumentParser, Namespace

    from hil.result import Result
    from keyc.keyboard import Keyboard


def main(arguments: Sequence[str] | None = None) -> int:
    given = list(sys.argv[1:] if arguments is None else arguments)
    if given == ["--version"]:
        print(_tool())
        return DONE
    return guarded("hil", _run, given)


def _tool() -> str:
    from keyc import __version__

    return f"hil {__version__}"


def _run(arguments: Sequence[str]) -> int:
    parser = _parser()
    options = parser.parse_args(arguments)
    command = getattr(options, "command", None)
    if command is None:
        parser.print_help(sys.stderr)
        return MISUSED
    return int(command(options))


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

    bench = commands.add_parser("bench", help="a bring-up: prompts for one switch after the other")
    bench.add_argument("file", metavar="FILE", help="the keymap file")
    bench.add_argument("--port", metavar="PORT", help="default: the only board that answers")
    bench.add_argument(
        "--stages", metavar="A,B", default="hello,lines,positions", help="default: %(default)s"
    )
    bench.add_argument(
        "--after", metavar="STEP", default="", help="the step of assembly done last: bare, plate …"
    )
    bench.add_argument("--with", dest="tool", choices=("finger", "tweezers"), default="finger")
    bench.add_argument(
        "--record",
        metavar="FILE",
        help="appended to; default: NAME.bench.jsonl beside FILE, and none with --virtual. "
        "A dump for `hil read` lies beside it",
    )
    bench.add_argument("--report", metavar="X.html", help="one HTML file that needs nothing else")
    bench.add_argument("--junit", metavar="X.xml")
    bench.add_argument(
        "--side", choices=("front", "back"), default="front", help="how the report's picture looks"
    )
    bench.add_argument(
        "--events", metavar="FD", type=int, help="JSON lines about what happens, to this descriptor"
    )
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
    read.add_argument("dump", metavar="DUMP", help="- for stdin")
    read.add_argument("file", metavar="FILE", help="the keymap file")
    read.add_argument("--report", metavar="X.html")
    read.add_argument("--junit", metavar="X.xml")
    read.add_argument("--side", choices=("front", "back"), default="front")
    read.add_argument("--format", choices=("text", "json"), default="text")
    read.set_defaults(command=_read)
    return parser


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
    from keyc.tables import fingerprints

    keyboard = _keyboard(options.file)
    result = verdicts_of(_dump(options.dump), keyboard, fingerprints(keyboard).wiring)
    _hand_over(options, result, keyboard)
    # The rig had no part in this: what can't be read is wrong input.
    return WRONG if result.verdict is Verdict.ERROR else _status(result)


def _bench(options: Namespace) -> int:
    from hil.bench import Bench

    keyboard = _keyboard(options.file)
    with Bench(options, keyboard, _tool()) as bench:
        result = bench.run()
    _hand_over(options, result, keyboard)
    return RIG if bench.failed_to_write and _status(result) == DONE else _status(result)


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


def _dump(path: str) -> bytes:
    from pathlib import Path

    from keyc.diagnostics import UserError

    if path == "-":
        return sys.stdin.buffer.read()
    try:
        return Path(path).read_bytes()
    except OSError as error:
        raise UserError(f"{path} can't be read: {error.strerror}", "check the name", exit_status=2) from None


def _hand_over(options: Namespace, result: Result, keyboard: Keyboard) -> None:
    from keyc.write import write_whole

    if options.report:
        from hil.report import html_of

        write_whole(options.report, html_of(result, keyboard, tool=_tool(), side=options.side))
    if options.junit:
        from hil.junit import junit_of

        write_whole(options.junit, junit_of(result))
    if options.format == "json":
        print_json(result.as_json(_tool()))
    else:
        from hil.report import text_of

        print(text_of(result))
        if options.report:
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
