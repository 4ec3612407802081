"""Files: where those that ship with the package lie, and what is in one that a user names."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
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


def bytes_of(
    path: str | os.PathLike[str], most: int, what: str, hint: Callable[[Path], str] | None = None
) -> bytes:
    """A file's bytes, one more than `most` at most. Raises UserError that calls it `what`; `hint` says where
    else to look if it isn't there."""
    from keyc.diagnostics import UserError

    name = os.fspath(path)
    try:
        with Path(path).open("rb") as file:
            return file.read(most + 1)
    except FileNotFoundError:
        mend = hint(Path(path)) if hint else "check the name and the folder"
        raise UserError(f"there is no file {name}", mend, exit_status=2) from None
    except IsADirectoryError:
        raise UserError(f"{name} is a folder", f"give the name of {what} in it", exit_status=2) from None
    except OSError as error:
        raise UserError(
            f"{name} can't be read: {error.strerror}", "check who may read it", exit_status=3
        ) from None
