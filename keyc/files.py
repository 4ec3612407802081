"""Where the files that ship with the package lie, in a checkout as in an installed wheel."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

_HERE = Path(__file__).resolve().parent


def shipped(*parts: str) -> Path:
    """The path of a shipped file, e.g. `shipped("templates", "engine")`.

    In a wheel `grammars/` and `templates/` lie inside the package; in a checkout beside it.
    """
    inside = _HERE.joinpath(*parts)
    return inside if inside.exists() else _HERE.parent.joinpath(*parts)


def data_rows(name: str) -> Iterator[list[str]]:
    """The rows of a table in `keyc/data/`, split at tabs, after its `# ` comments and headings."""
    lines = iter(shipped("data", name).read_text(encoding="utf-8").split("\n"))
    for line in lines:
        if not line.startswith("# "):
            break  # the headings
    return (line.split("\t") for line in lines if line)
