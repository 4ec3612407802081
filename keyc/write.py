"""{file name: text} → a folder. Only what changed is written, and each file is replaced as a whole."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path


def write_files(folder: str | Path, files: Mapping[str, str]) -> list[str]:
    """Writes the files that differ into the folder, made if need be; returns their names.

    OSError if the disk refuses; then every file is either the old one or the new one.
    """
    Path(folder).mkdir(parents=True, exist_ok=True)
    changed = []
    for name, text in sorted(files.items()):
        path = Path(folder, name)
        content = text.encode()
        if _content_of(path) != content:
            write_whole(path, content)
            changed.append(name)
    return changed


def write_whole(path: str | Path, content: str | bytes) -> None:
    """Writes beside the target, then renames: a reader sees the old file or the new one, never half.
    Who may read and write it stays."""
    target = Path(path)
    part = target.with_name(f"{target.name}.{os.getpid()}.part")
    try:
        part.write_bytes(content.encode() if isinstance(content, str) else content)
        if target.exists():
            part.chmod(target.stat().st_mode)
        part.replace(target)
    except OSError as error:
        error.filename, error.filename2 = str(target), None  # the name that the user knows
        raise
    finally:
        with suppress(OSError):  # a folder that refused the one refuses the other, too
            part.unlink(missing_ok=True)


def write_new(path: str | Path, content: str) -> None:
    """Writes a file that isn't there yet. Raises UserError where one is: what a hand wrote stays."""
    from keyc.diagnostics import UserError

    if os.path.lexists(path):
        raise UserError(
            f"{path} is there already: nothing was written",
            "choose another name, or move it away",
            exit_status=2,
        )
    write_whole(path, content)


def difference(folder: str | Path, files: Mapping[str, str]) -> str:
    """What `write_files` would change, as a unified diff; empty if the folder is up to date."""
    return "".join(_difference(Path(folder), files))


def text_difference(old: str, new: str, old_name: str, new_name: str) -> str:
    """Two texts as a unified diff; empty if they are the same."""
    from difflib import unified_diff

    # Only a line feed ends a line, as for every tool that reads a diff.
    before, after = ([f"{line}\n" for line in text.split("\n")] for text in (old, new))
    for lines, text in ((before, old), (after, new)):
        last = lines.pop().removesuffix("\n")
        lines += [last] if text and last else []
    return "".join(
        line if line.endswith("\n") else f"{line}\n\\ No newline at end of file\n"
        for line in unified_diff(before, after, old_name, new_name)
    )


def _difference(folder: Path, files: Mapping[str, str]) -> Iterator[str]:
    for name, text in sorted(files.items()):
        content = _content_of(folder / name)
        if content == text.encode():
            continue
        old = "" if content is None else content.decode(errors="replace")
        old_name = "/dev/null" if content is None else f"{folder / name}"
        new_name = str(folder / name)
        if not old and not text:
            yield f"--- {old_name}\n+++ {new_name}\n"  # an empty file that is missing
        yield text_difference(old, text, old_name, new_name)


def _content_of(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
