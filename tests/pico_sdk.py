"""Images on the Pico SDK, for every test that runs them too. Where there is no SDK those tests say so."""

from __future__ import annotations

from functools import cache

import pytest

from keyc.diagnostics import UserError
from keyc.firmware import Image, build_uf2
from keyc.keyboard import Keyboard
from keyc.pico import find_sdk
from tests.emulator.test_images import KEYBOARD


def _why_not() -> str:
    try:
        find_sdk()
    except UserError as missing:
        return f"{missing.message}; no package of Debian, PyPI or npm holds the SDK, so it can't be installed here"
    return ""


WHY_NOT = _why_not()
needs_sdk = pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)
SDK = pytest.param("sdk", marks=needs_sdk)


@cache
def image_on_sdk(image: Image, keyboard: Keyboard = KEYBOARD) -> bytes:
    """The UF2 file; built once in a run."""
    return build_uf2(keyboard, image, runtime="sdk").bytes
