"""The parser of `grammars/keymap.lark`: lark's stand-alone one, made once and kept in the cache folder.

Importing lark takes longer than all else that checking a file does, and what it makes of a grammar
doesn't change: so its own generator (`lark.tools.standalone`) writes the parser down as a Python
module, which is imported from then on. lark itself is loaded only to make it again.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from functools import cache
from importlib.util import find_spec, module_from_spec, spec_from_file_location
from types import ModuleType
from typing import Any

from keyc import __version__
from keyc.cache import cache_folder
from keyc.files import shipped


class AlwaysAccepted:
    """Has lark's contextual lexer look for these terminals in every state.

    The states then differ in words alone, which lark tells from names by a dictionary: a handful of
    regular expressions is compiled instead of dozens, and an unknown word arrives whole.
    """

    always_accept = (
        *("NAME", "TEXT", "GAP", "BENEATH", "NO_SWITCH", "SLASH", "PLUS", "RIGHT"),
        *("_NL", "_OPEN", "_CLOSE", "_LEFT", "_COMMA", "_EQUALS"),
    )

    def process(self, tokens: Iterator[Any]) -> Iterator[Any]:
        return tokens


def grammar_text() -> str:
    """The grammar, as lark reads it."""
    return shipped("grammars", "keymap.lark").read_text(encoding="utf-8")


@cache
def parser_module() -> ModuleType:
    """A module with `Lark_StandAlone`, `Transformer`, `Token` and lark's other classes."""
    grammar, folder = grammar_text(), cache_folder()
    if folder is None:
        return _module_of(_generated(grammar))
    path = folder / f"grammar-{__version__}-{sys.implementation.cache_tag}.py"
    made_for = (grammar, _lark_on_disk())
    module = _imported(str(path))
    if module is None or getattr(module, "MADE_FOR", None) != made_for:
        text = f"{_generated(grammar)}\n\nMADE_FOR = {made_for!r}\n"
        module = _module_of(text)
        part = path.with_name(f"{path.name}.{os.getpid()}")
        try:
            part.write_text(text, encoding="utf-8")
            part.replace(path)
        except OSError:
            part.unlink(missing_ok=True)
    return module


def _lark_on_disk() -> tuple[str, int]:
    """Which lark is installed, found without importing it: where, and since when."""
    spec = find_spec("lark")
    if spec is None or spec.origin is None:
        raise ModuleNotFoundError("No module named 'lark'", name="lark")
    return spec.origin, os.stat(spec.origin).st_mtime_ns


def _imported(path: str) -> ModuleType | None:
    """The module at a path, or None where there is none or it is damaged."""
    spec = spec_from_file_location("keyc_grammar", path)
    if spec is None or spec.loader is None:
        return None
    module = module_from_spec(spec)
    sys.modules[module.__name__] = module  # lark's dataclasses look their module up there
    try:
        spec.loader.exec_module(module)
    except Exception:  # whatever a damaged file may do: it is made again
        return None
    return module


def _module_of(text: str) -> ModuleType:
    module = ModuleType("keyc_grammar")
    sys.modules[module.__name__] = module
    exec(compile(text, "keyc_grammar", "exec"), module.__dict__)
    return module


def _generated(grammar: str) -> str:
    from io import StringIO

    from lark import Lark
    from lark.tools.standalone import gen_standalone

    lark = Lark(grammar, parser="lalr", lexer="contextual", maybe_placeholders=False)
    text = StringIO()
    gen_standalone(lark, out=text)  # type: ignore[no-untyped-call]
    return _lean(text.getvalue())


def _lean(text: str) -> str:
    """The module without lark's log, which it switches off anyway, and which takes as long to import as the
    rest of it. Where lark writes these lines otherwise, they stay."""
    import re

    return re.sub(r"^(import logging|logger\b.*\blogging\..*)$", "", text, flags=re.MULTILINE)
