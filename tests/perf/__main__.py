"""`python -m tests.perf [--before TABLE] [NAME…]`: the figures of every module in this folder, or of those
named, as Markdown. TABLE is a file with such a table of another commit, to compare with."""

from __future__ import annotations

import sys
from argparse import ArgumentParser
from importlib import import_module
from pathlib import Path

from tests.perf import Figure, table_of, values_in


def main(arguments: list[str]) -> int:
    parser = ArgumentParser("python -m tests.perf")
    parser.add_argument("--before", metavar="TABLE", type=Path)
    parser.add_argument("names", metavar="NAME", nargs="*")
    options = parser.parse_args(arguments)
    before = options.before and values_in(options.before.read_text(encoding="utf-8"))
    here = Path(__file__).parent
    every = sorted(path.stem for path in here.glob("*.py") if not path.stem.startswith("_"))
    found: list[Figure] = []
    for name in options.names or every:
        print(f"measuring {name} …", file=sys.stderr, flush=True)
        found += import_module(f"tests.perf.{name}").figures()
    print(table_of(found, before))
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
