"""Where the files that ship with the package lie, in a checkout as in an installed wheel."""

from __future__ import annotations

from pathlib import Path

_HERE = Path(__file__).resolve().parent


def shipped(*parts: str) -> Path:
    """The path of a shipped file, e.g. `shipped("templates", "engine")`.

    In a wheel `grammars/` and `templates/` lie inside the package; in a checkout beside it.
    """
    inside = _HERE.joinpath(*parts)
    return inside if inside.exists() else _HERE.parent.joinpath(*parts)
