"""The pages of `keyc explain`: one for each diagnostic's code, in `keyc/data/explain/`."""

from __future__ import annotations

from keyc.diagnostics import UserError
from keyc.files import shipped


def words() -> tuple[str, ...]:
    """Every code that has a page, in alphabetical order."""
    return tuple(sorted(path.stem for path in shipped("data", "explain").glob("*.md")))


def _page(code: str) -> str | None:
    # A code is a file's name: what isn't one of our own words never reaches the disk.
    if len(code) > 40 or not code.replace("-", "").isalpha() or not code.isascii():
        return None
    try:
        return shipped("data", "explain", f"{code}.md").read_text(encoding="utf-8")
    except FileNotFoundError:
        return None


def title_of(code: str) -> str | None:
    """The page's heading in one line, or None for a code without a page."""
    text = _page(code)
    return None if text is None else text.partition("\n")[0].removeprefix("# ").partition(": ")[2]


def page(code: str) -> str:
    """The page about a code, as Markdown. Raises UserError, with near codes, for an unknown one."""
    found = _page(code.strip().lower().strip("[]`"))
    if found is not None:
        return found.rstrip()
    from difflib import get_close_matches

    known = words()
    near = get_close_matches(code.lower(), known, n=3, cutoff=0.5)
    hint = "did you mean " + " or ".join(near) + "?" if near else "known are: " + ", ".join(known)
    raise UserError(f"there is no page about `{code}`", hint, exit_status=2)
