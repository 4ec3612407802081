"""Keymap files that a test rests on: one with a mistake in it fails the test, and says which."""

from __future__ import annotations

from pathlib import Path

from keyc.compile import check_text, read_source
from keyc.keyboard import Keyboard
from keyc.source import Source


def keyboard_in(text: str, name: str = "test.keys") -> Keyboard:
    """The keyboard that a text describes."""
    return _checked(Source(name, text))


def keyboard_in_file(path: Path) -> Keyboard:
    """The keyboard that a file describes."""
    return _checked(read_source(path))


def _checked(source: Source) -> Keyboard:
    keyboard, found = check_text(source)
    assert keyboard is not None, found
    return keyboard
