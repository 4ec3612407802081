"""The images of both runtimes, for tests that run on either.

Where there is no Pico SDK they run on ours alone; `test_pico_sdk.py` and `test_pico.py` say that and why.
"""

from __future__ import annotations

from functools import cache

import pytest

from keyc.diagnostics import UserError
from keyc.image.firmware import Runtime, build_uf2
from keyc.image.identity import Image
from keyc.image.pico import find_sdk


def _why_not() -> str:
    try:
        find_sdk()
    except UserError as missing:
        return f"{missing.message} (no package of Debian, PyPI or npm holds the SDK)"
    return ""


WHY_NOT = _why_not()
needs_sdk = pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)
RUNTIMES: tuple[Runtime, ...] = ("bare",) if WHY_NOT else ("bare", "sdk")


@cache
def image_of(image: Image, runtime: Runtime = "bare") -> bytes:
    """The UF2 file of the keyboard that the emulator's tests share; built once in a run."""
    from tests.emulator.test_images import KEYBOARD

    return build_uf2(KEYBOARD, image, runtime=runtime).bytes
