"""The `keyc` command: one small function per command. No logic lives here."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from keyc.command import (
    DONE,
    UNPROVEN,
    WRONG,
    colour_wanted,
    guarded,
    print_json,
    progress_line,
    say,
)

if TYPE_CHECKING:
    from argparse import ArgumentParser, Namespace

    from keyc.compile import Checked
    from keyc.diagnostics import Diagnostic
    from keyc.image.firmware import Runtime
    from keyc.image.identity import Image
    from keyc.keyboard import Keyboard
    from keyc.netlist.boards import ReadBoard
    from keyc.netlist.witnesses import Agreement


def main(arguments: Sequence[str] | None = None) -> int:
    """`keyc`: the exit status. `arguments`: without the program's name; None: the process's own."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    if given == ["--version"]:  # argparse would double the time of this one
        from keyc import __version__

        print(f"keyc {__version__}")
        return DONE
    import gc

    before = gc.get_threshold()
    # What a file becomes lives on. Python's collector would walk over it again and again while it grows,
    # which costs a tenth of the time, and more than its share in a long file.
    gc.set_threshold(100_000, *before[1:])
    try:
        return guarded("keyc", _parser, given)
    finally:
        gc.set_threshold(*before)
        if arguments is None:  # the process ends here, and would look all of it over twice more
            gc.freeze()


def _parser() -> ArgumentParser:
    from argparse import ArgumentParser

    parser = ArgumentParser(
        prog="keyc",
        description="A keymap file, checked, compiled to C, and built into an image for the board.",
    )
    parser.add_argument("--version", action="store_true", help="print the version")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")

    check = commands.add_parser("check", help="find every mistake in keymap files, and run their scenarios")
    check.add_argument("files", nargs="+", metavar="FILE", help="keymap files")
    check.add_argument("--format", choices=("text", "json", "sarif"), default="text")
    check.add_argument("--prove", action="store_true", help="also explore the engine with each keymap")
    check.add_argument(
        "--seconds", type=float, metavar="N", help="with --prove: stop after so many seconds; default 60"
    )
    check.add_argument(
        "--states",
        type=int,
        metavar="N",
        help="with --prove: stop at so many states; default 400000, some 120 MB",
    )
    check.add_argument("--deny-warnings", action="store_true", help="exit 1 when there is a warning")
    check.add_argument("--netlist", metavar="NET", help="compare with the board's netlist (IPC-D-356), too")
    _add_board_options(check)
    check.set_defaults(command=_check)

    build = commands.add_parser("build", help="write the C sources for this keyboard")
    build.add_argument("file", metavar="FILE", help="the keymap file")
    build.add_argument("-o", dest="folder", metavar="DIR", required=True, help="the folder for them")
    build.add_argument("--check", action="store_true", help="write nothing; exit 1 if DIR is out of date")
    build.add_argument(
        "--depfile", metavar="F", help="also write what the sources depend on, for make and ninja"
    )
    build.add_argument(
        "--runtime", choices=("sdk",), help="a whole CMake project with images on the Pico SDK"
    )
    build.set_defaults(command=_build)

    firmware = commands.add_parser("firmware", help="build an image (UF2) for the board")
    firmware.add_argument(
        "file",
        metavar="FILE",
        nargs="?",
        help="the keymap file; or an ELF file that your own project linked. "
        "Left out: a bench image for any board",
    )
    firmware.add_argument("-o", dest="output", metavar="X.uf2", required=True, help="the image")
    firmware.add_argument(
        "--image",
        choices=("daily", "bench", "trial"),
        default=None,
        help="daily: for use, into flash (the default with FILE). bench: for bring-up, into RAM. "
        "trial: for use with a console beside it, into RAM",
    )
    _add_toolchain_options(firmware)
    firmware.set_defaults(command=_firmware)

    flash = commands.add_parser("flash", help="bring an image onto a board that shows its drive")
    flash.add_argument("file", metavar="FILE|X.uf2", help="a keymap file, which is built first, or an image")
    flash.add_argument(
        "--image", choices=("daily", "bench", "trial"), default="daily", help="which image of FILE"
    )
    flash.add_argument("--drive", metavar="PATH", help="the drive, where there are several")
    flash.add_argument(
        "--wait", metavar="SECONDS", type=float, default=60.0, help="for the drive; default 60"
    )
    _add_toolchain_options(flash)
    flash.set_defaults(command=_flash)

    show = commands.add_parser("show", help="the keyboard as it was understood")
    show.add_argument("file", metavar="FILE", help="the keymap file")
    show.add_argument("--format", choices=("text", "json"), default="text")
    show.set_defaults(command=_show)

    sheet = commands.add_parser("sheet", help="a picture of every layer and of the matrix, to print")
    sheet.add_argument("file", metavar="FILE", help="the keymap file")
    sheet.add_argument(
        "-o",
        dest="output",
        metavar="X.svg|X.html",
        required=True,
        help="html: a page for printing, with tables; svg: the pictures alone",
    )
    sheet.set_defaults(command=_sheet)

    tidy = commands.add_parser("tidy", help="line the grids of keymap files up; their meaning stays")
    tidy.add_argument(
        "files", nargs="+", metavar="FILE", help="keymap files; - reads one and prints it tidied"
    )
    tidy.add_argument("--check", action="store_true", help="write nothing; exit 1 if a file isn't tidy")
    tidy.add_argument("--diff", action="store_true", help="write nothing; print what would change")
    tidy.set_defaults(command=_tidy)

    trial = commands.add_parser("try", help="run scenarios, or a script like one, and show what comes out")
    trial.add_argument("file", metavar="FILE", help="the keymap file")
    trial.add_argument("--script", metavar="TEXT", help='such as "down SW1 wait 300ms tap SW2 up SW1"')
    trial.add_argument("--format", choices=("text", "json"), default="text")
    trial.set_defaults(command=_try)

    names = commands.add_parser("names", help="every key's name, what people say for it, what it types")
    names.add_argument("text", metavar="TEXT", nargs="?", help="only names that have to do with TEXT")
    names.add_argument(
        "--host-layout", metavar="L", default="linux-us", help="as in a keymap file; default: linux-us"
    )
    names.add_argument("--format", choices=("text", "json"), default="text")
    names.set_defaults(command=_names)

    explain = commands.add_parser("explain", help="a page about one mistake or warning")
    explain.add_argument(
        "word", metavar="WORD", nargs="?", help="such as test-usb-id; left out: a list of them"
    )
    explain.set_defaults(command=_explain)

    wiring = commands.add_parser(
        "wiring", help="the wiring and shape in a PCB's netlist, and what is wrong with it"
    )
    wiring.add_argument(
        "netlist", metavar="NETLIST", help="an IPC-D-356 file, as every PCB program exports it"
    )
    wiring.add_argument(
        "-o", dest="output", metavar="FILE.keys", help="write the text there; never over a file"
    )
    wiring.add_argument("--format", choices=("text", "json", "sarif"), default="text")
    _add_board_options(wiring)
    _add_diodes_option(wiring)
    wiring.set_defaults(command=_wiring)

    new = commands.add_parser("new", help="a starter file, from a number of keys or a PCB's netlist")
    new.add_argument("name", metavar="NAME", help="the file is NAME.keys; one that is there stays")
    source = new.add_mutually_exclusive_group(required=True)
    source.add_argument("--keys", type=int, metavar="N", help="so many keys, on the fewest pins")
    source.add_argument("--netlist", metavar="NET", help="the wiring and shape in this netlist (IPC-D-356)")
    _add_board_options(new)
    _add_diodes_option(new)
    new.set_defaults(command=_new)

    demo = commands.add_parser("demo", help="the whole line on the bundled keyboard and an emulated board")
    demo.add_argument(
        "folder",
        metavar="DIR",
        nargs="?",
        default="keyc-demo",
        help="the folder for its files; default: keyc-demo",
    )
    demo.set_defaults(command=_demo)
    return parser


def _add_toolchain_options(parser: ArgumentParser) -> None:
    parser.add_argument(
        "--runtime",
        choices=("bare", "sdk"),
        help="what the image stands on. bare: nothing. sdk: the Pico SDK at PICO_SDK_PATH. Left out: what is "
        "there, and bare if both are",
    )
    parser.add_argument(
        "--compiler", metavar="PATH", help="zig, or the path of an arm-none-eabi-gcc; left out: what is there"
    )


def _add_board_options(parser: ArgumentParser) -> None:
    parser.add_argument("--controller", metavar="REF", help="the controller's designator, such as U3")
    parser.add_argument(
        "--pins", metavar="MAP", help="a text file with a module's pins: a line `1 GPIO0` for each"
    )


def _add_diodes_option(parser: ArgumentParser) -> None:
    parser.add_argument(
        "--diodes",
        choices=("cathode-to-row", "cathode-to-column"),
        help="which way the diodes are meant to point; left out: as most of them do, or to the row",
    )


def _board(options: Namespace) -> ReadBoard:
    from keyc.keyboard import Diodes
    from keyc.netlist.boards import read_board

    intended = Diodes(options.diodes) if options.diodes else None
    return read_board(options.netlist, controller=options.controller, pin_map=options.pins, intended=intended)


def _wiring(options: Namespace) -> int:
    from keyc.netlist.boards import board_json, starting_text, summary

    read = _board(options)
    if options.format == "json":
        print_json(board_json(read))
    elif options.format == "sarif":
        from keyc.diagnostics import as_sarif

        print_json(as_sarif(read.found))
    else:
        _tell(read.found)
        say(summary(read))
    if options.output:
        from keyc.write import write_new

        write_new(options.output, starting_text(read))
    elif options.format == "text":
        print(starting_text(read), end="")
    return WRONG if any(one.severity == "error" for one in read.found) else DONE


def _new(options: Namespace) -> int:
    from keyc.keyboard import Diodes
    from keyc.starter import file_name, from_board, from_number
    from keyc.write import write_new

    if options.netlist:
        read = _board(options)
        text = from_board(options.name, read)
        _tell(read.found)
    else:
        text = from_number(options.name, options.keys, *([Diodes(options.diodes)] if options.diodes else []))
    name = file_name(options.name)
    write_new(name, text)
    print(f"{name}: written; what its keys do is a guess. Next: `keyc check {name}`, `keyc show {name}`")
    return DONE


def _checked(path: str, *, for_board: bool = False) -> Keyboard | None:
    """The keyboard in a file, or None when there are mistakes. Those go to stderr; warnings are counted.

    `for_board`: what comes of it goes onto a board, so its scenarios must hold, too.
    """
    from keyc.compile import check_file, check_text, read_source

    if for_board:
        checked = check_file(path)
        keyboard, found = checked.keyboard, checked.found
    else:
        keyboard, found = check_text(read_source(path))
    if keyboard is None:
        _tell([one for one in found if one.severity == "error"])
        return None
    _tell([one for one in found if one.code == "scenario-not-run"], counted=False)
    others = sum(one.code != "scenario-not-run" for one in found)
    if others:
        import shlex  # to be pasted into a shell, whatever the file is called

        again = shlex.join(["keyc", "check", path])
        say(f"{others} warning{'s' if others > 1 else ''}: `{again}` shows what is meant")
    return keyboard


def _tell(found: Sequence[Diagnostic], *, counted: bool = True) -> None:
    if found:
        from keyc.diagnostics import render_text

        text = render_text(found, colour=colour_wanted(sys.stderr), counted=counted)
        say(text.rstrip() if counted else text.removesuffix("\n"))


def _check(options: Namespace) -> int:
    from keyc.compile import check_file

    checked = [check_file(path) for path in options.files]
    found = [one for result in checked for one in result.found]
    witnessed = [_witnessed(result, options) for result in checked] if options.netlist else []
    found += [one for agreement in witnessed for one in agreement.found]
    proofs = _proofs([result.keyboard for result in checked], found, options)
    if options.format == "json":
        from keyc.diagnostics import as_json

        print_json(as_json(found))
    elif options.format == "sarif":
        from keyc.diagnostics import as_sarif

        print_json(as_sarif(found))
    else:
        _tell(found, counted=False)
        for result in checked:
            print(result.summary)
        for agreement in witnessed:
            print(agreement.summary)
        for text, _ in proofs:
            print(text)
    bad = ("error", "warning") if options.deny_warnings else ("error",)
    if any(one.severity in bad for one in found):
        return WRONG
    return DONE if all(complete for _, complete in proofs) else UNPROVEN


def _proofs(
    keyboards: Sequence[Keyboard | None], found: list[Diagnostic], options: Namespace
) -> list[tuple[str, bool]]:
    """What was proved of each keyboard, as text, and whether that is everything. Adds to what was found."""
    from keyc.diagnostics import UserError

    for limit in ("seconds", "states"):
        given = getattr(options, limit)
        if given is not None and not (options.prove and given > 0):
            reason = "has to be more than 0" if options.prove else "is a limit of --prove, which isn't there"
            raise UserError(f"--{limit} {reason}", f"such as: --prove --{limit} 600", exit_status=2)
    if not options.prove:
        return []
    from keyc.engine.prove import SECONDS_MOST, STATES_MOST, as_text, diagnostics_of, proved

    seconds, states = options.seconds or SECONDS_MOST, options.states or STATES_MOST
    proofs = []
    for keyboard in keyboards:
        if keyboard is not None:
            with progress_line(sys.stderr) as progress:
                proof = proved(keyboard, seconds_most=seconds, states_most=states, progress=progress)
            found += diagnostics_of(proof, keyboard)
            proofs.append((as_text(proof), proof.complete))
    return proofs


def _witnessed(checked: Checked, options: Namespace) -> Agreement:
    from keyc.netlist.witnesses import agreement

    return agreement(checked, options.netlist, options.controller, options.pins)


def _build(options: Namespace) -> int:
    keyboard = _checked(options.file, for_board=True)
    if keyboard is None:
        return WRONG
    from keyc.emit import depfile_text, files_of
    from keyc.tables import tables_of
    from keyc.write import difference, write_files, write_whole

    files, more = files_of(keyboard, tables_of(keyboard)), []
    if options.runtime == "sdk":
        from keyc.image.pico import project_files, shipped_files

        files, more = project_files(keyboard), shipped_files()
    if options.check:
        changed = difference(options.folder, files)
        print(changed, end="")
        return WRONG if changed else DONE
    written = write_files(options.folder, files)
    if options.depfile:
        write_whole(options.depfile, depfile_text(options.file, options.folder, files, more))
    print(f"{options.folder}: {len(files)} files, {len(written)} of them changed")
    return DONE


def _firmware(options: Namespace) -> int:
    from keyc.diagnostics import UserError
    from keyc.image.elf import elf_in
    from keyc.image.firmware import build_uf2, uf2_of_elf
    from keyc.write import write_whole

    if not options.output.lower().endswith(".uf2"):
        raise UserError(
            f"{options.output}: an image is a UF2 file", "end the name in .uf2: -o my.uf2", exit_status=2
        )
    linked = elf_in(options.file) if options.file else None
    if linked is not None:
        built = uf2_of_elf(linked, options.file)
    else:
        image: Image = options.image or ("daily" if options.file else "bench")
        keyboard = _checked(options.file, for_board=True) if options.file else None
        if options.file and keyboard is None:
            return WRONG
        built = build_uf2(keyboard, image, options.compiler, say, _runtime(options))
    write_whole(options.output, built.bytes)
    print(f"{options.output}: {built.summary}")
    return DONE


def _runtime(options: Namespace) -> Runtime:
    """The one that was asked for, or is taken where nobody says, after telling why."""
    from keyc.image.firmware import chosen_runtime

    runtime: Runtime = options.runtime or "bare"
    if not options.runtime and not options.compiler:
        runtime, why = chosen_runtime()
        say(why)
    return runtime


def _flash(options: Namespace) -> int:
    from keyc.image.flash import ThisComputer, flashed, image_of, read_image

    wanted = None
    if options.file.lower().endswith(".uf2"):
        image = read_image(options.file)
    else:
        keyboard = _checked(options.file, for_board=True)
        if keyboard is None:
            return WRONG
        from keyc.fingerprints import fingerprints
        from keyc.image.firmware import build_uf2

        built = build_uf2(keyboard, options.image, options.compiler, say, _runtime(options))
        image = image_of(built.bytes, options.file)
        prints = fingerprints(keyboard)
        wanted = (prints.wiring, prints.keymap)
    done = flashed(
        image, ThisComputer(), drive=options.drive, wait_s=options.wait, wanted=wanted, progress=say
    )
    print(done.summary)
    return DONE if done.board else UNPROVEN


def _show(options: Namespace) -> int:
    keyboard = _checked(options.file)
    if keyboard is None:
        return WRONG
    from keyc.show import as_json, as_text

    if options.format == "json":
        print_json(as_json(keyboard))
    else:
        print(as_text(keyboard))
    return DONE


def _sheet(options: Namespace) -> int:
    from keyc.diagnostics import UserError

    kind = options.output.lower().rpartition(".")[2]
    if kind not in ("svg", "html"):
        raise UserError(
            f"{options.output}: a sheet is SVG or HTML",
            "end the name in .svg for one picture, in .html for pages to print",
            exit_status=2,
        )
    keyboard = _checked(options.file)
    if keyboard is None:
        return WRONG
    from keyc.sheet.documents import html_of, svg_of
    from keyc.sheet.sheet import sheet_of
    from keyc.write import write_whole

    sheet = sheet_of(keyboard)
    write_whole(options.output, svg_of(sheet) if kind == "svg" else html_of(sheet))
    print(f"{options.output}: {sheet.summary}")
    return DONE


def _tidy(options: Namespace) -> int:
    import os

    from keyc.language.tidy import Tidied, tidied_file
    from keyc.write import text_difference, write_whole

    status = DONE
    for path in options.files:
        tidy = tidied_file(path)
        if not isinstance(tidy, Tidied):
            _tell(tidy)
            status = WRONG
            continue
        if options.diff:
            print(text_difference(tidy.before, tidy.after, tidy.name, tidy.name), end="")
        elif path == "-" and not options.check:
            print(tidy.after, end="")
        if tidy.before == tidy.after:
            continue
        if options.check:
            say(f"{tidy.name}: not tidy")
            status = WRONG
        elif not options.diff and path != "-":
            write_whole(os.path.realpath(path), tidy.after)  # a link stays one
            print(f"{tidy.name}: tidied")
    return status


def _try(options: Namespace) -> int:
    from keyc.compile import read_source
    from keyc.engine.trial import as_json, as_text, tried

    trial = tried(read_source(options.file), options.script)
    if options.format == "json" or not trial.results:
        _tell(trial.mistakes)
    if options.format == "json":
        print_json(as_json(trial))
    elif trial.results:
        print(as_text(trial))
    return DONE if trial.passed else WRONG


def _names(options: Namespace) -> int:
    from keyc.names import as_json, as_text, matching

    found = matching(options.text, options.host_layout)
    if options.format == "json":
        print_json(as_json(found))
    else:
        print(as_text(found))
    return DONE if found else WRONG


def _explain(options: Namespace) -> int:
    from keyc.explain import page, words

    print(page(options.word) if options.word else "\n".join(words()))
    return DONE


def _demo(options: Namespace) -> int:
    from keyc.demo import run_demo

    return run_demo(options.folder)


if __name__ == "__main__":
    raise SystemExit(main())
