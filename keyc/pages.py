"""The templates of what people look at in a browser."""

from __future__ import annotations

from typing import TYPE_CHECKING

from keyc.files import shipped

if TYPE_CHECKING:
    from jinja2 import Environment


def pages() -> Environment:
    """Whatever a name, a text or a file's name holds is shown by these, never obeyed."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(shipped("templates")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
