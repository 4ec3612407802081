"""What every test may use: the `--bless` option, and the comparison with golden files."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--bless", action="store_true", help="write golden files anew instead of comparing with them"
    )


@pytest.fixture
def same_as_golden(request: pytest.FixtureRequest) -> Callable[[Path, str], None]:
    """Compares a text with a golden file, byte for byte; with `--bless`, writes it there."""

    def compare(golden: Path, text: str) -> None:
        if request.config.getoption("--bless"):
            golden.write_text(text, encoding="utf-8", newline="\n")
        expected = golden.read_text(encoding="utf-8") if golden.exists() else ""
        assert text == expected, f"{golden.name} differs; if the new text is right, run pytest with --bless"

    return compare
