"""How far a long work has come, on one line of a terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TextIO

_WIDTH = 79


@contextmanager
def progress_line(stream: TextIO) -> Iterator[Callable[[str], None]]:
    """What tells people how far it is; the line is gone afterwards. Silent where there is no terminal."""
    if not stream.isatty():
        yield lambda text: None
        return
    try:
        yield lambda text: print(f"\r{text:<{_WIDTH}}", end="", file=stream, flush=True)
    finally:
        print(f"\r{'':{_WIDTH}}\r", end="", file=stream, flush=True)
