"""`python -m tests.perf [NAME…]`: prints the figures of every module in this folder, or of the named ones."""

from __future__ import annotations

import sys
from importlib import import_module
from pathlib import Path

from tests.perf import Figure, table_of


def main(names: list[str]) -> int:
    here = Path(__file__).parent
    every = sorted(path.stem for path in here.glob("*.py") if not path.stem.startswith("_"))
    found: list[Figure] = []
    for name in names or every:
        print(f"measuring {name} …", file=sys.stderr, flush=True)
        found += import_module(f"tests.perf.{name}").figures()
    print(table_of(found))
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
