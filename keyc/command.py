"""What every command shares: exit statuses, how a failure is told, and how far a long work has come.

Imports nothing heavy at the top: `keyc --version` pays for this file.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from argparse import ArgumentParser

DONE = 0
WRONG = 1  # the input is wrong, or the board failed
MISUSED = 2
RIG = 3  # no port, no compiler: the rig could not do it
UNPROVEN = 4  # nothing wrong found, but not everything proven
OUR_BUG = 70
STOPPED = 130


def colour_wanted(stream: object) -> bool:
    """Colour only on a terminal, and never when NO_COLOR is set."""
    is_terminal = getattr(stream, "isatty", lambda: False)
    return not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb" and bool(is_terminal())


def say(text: str) -> None:
    """Progress and hints, for people: stderr."""
    print(text, file=sys.stderr, flush=True)


@contextmanager
def progress_line(stream: TextIO) -> Iterator[Callable[[str], None]]:
    """Tells how far a long work has come, on one line of a terminal that is gone afterwards."""
    if not stream.isatty():
        yield lambda text: None
        return
    try:
        yield lambda text: print(f"\r{text:<79}", end="", file=stream, flush=True)
    finally:
        print(f"\r{'':79}\r", end="", file=stream, flush=True)


def print_json(value: object) -> None:
    import json

    print(json.dumps(value, indent=2, ensure_ascii=False))


def guarded(program: str, parser: Callable[[], ArgumentParser], arguments: Sequence[str]) -> int:
    """Runs the command that the arguments name and turns every way it can end into an exit status.

    Each command of the parser has its function as the default of `command`.
    A `UserError` is told as `error:` and `help:`; anything unforeseen is a bug of ours and says
    how to report it, so that it's never blamed on the file.
    """
    try:
        status = _run(parser(), arguments)
        sys.stdout.flush()
    except KeyboardInterrupt:
        say("\nstopped")
        return STOPPED
    except BrokenPipeError:
        # The reader of our output went away (`| head`): nothing left to say, and nobody to say it to. It
        # isn't known what the answer was, so it isn't called done.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return STOPPED
    except Exception as error:
        return _told(program, arguments, error)
    return status


def _run(parser: ArgumentParser, arguments: Sequence[str]) -> int:
    options = parser.parse_args(arguments)
    command = getattr(options, "command", None)
    if command is None:
        parser.print_help(sys.stderr)
        return MISUSED
    return int(command(options))


def _told(program: str, arguments: Sequence[str], error: Exception) -> int:
    from keyc.diagnostics import UserError

    if isinstance(error, UserError):
        _say_wrong(error.message, error.help)
        return error.exit_status
    if isinstance(error, OSError):
        return _told_of_disk(error)
    return _told_of_bug(program, arguments, error)


def _told_of_disk(error: OSError) -> int:
    import errno

    where = f"{error.filename}: " if error.filename else ""
    hints = {
        errno.ENOSPC: "the disk is full: free some room, then run the same command again",
        errno.EROFS: "the folder can only be read: choose another place",
        errno.EACCES: "you may not write there: choose a folder of your own",
        errno.EPERM: "you may not write there: choose a folder of your own",
        errno.ENOENT: "check the name; the folder must exist",
        errno.EEXIST: "that is a file, and a folder is wanted: choose another name",
        errno.EISDIR: "that is a folder: give the name of a file",
        errno.ENOTDIR: "a part of this path is a file, not a folder: choose another one",
    }
    _say_wrong(f"{where}{error.strerror or error}", hints.get(error.errno or 0))
    return RIG


def _say_wrong(message: str, help: str | None) -> None:
    from keyc.diagnostics import folded

    say(folded("error: ", message))
    if help:
        say(folded("help: ", help))


def _told_of_bug(program: str, arguments: Sequence[str], error: Exception) -> int:
    import hashlib
    import shlex
    import traceback
    from pathlib import Path

    from keyc import __version__

    traceback.print_exception(error)
    say("")
    say(f"error: this is a mistake in {program} itself, not in your file.")
    say(f"help: please report the lines above, with: version {__version__}")
    for argument in arguments:
        path = Path(argument)
        if not argument.startswith("-") and path.is_file():
            say(f"  sha256 of {argument}: {hashlib.sha256(path.read_bytes()).hexdigest()}")
    say(f"  to see it again: {shlex.join([program, *arguments])}")
    return OUR_BUG
