"""The USB code under ASan and UBSan: no crash, no hang, no key left down, the next enumeration works."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from keyc.files import shipped
from tests.usb.fuzz import build_fuzzer, fuzzed, sanitizing_compiler

pytestmark = pytest.mark.skipif(sanitizing_compiler() is None, reason="no gcc or clang with sanitizers")
STEPS = 100_000


@pytest.fixture(scope="module")
def fuzzer(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_fuzzer(tmp_path_factory.mktemp("fuzz"))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_host_gone_mad(fuzzer: Path, seed: int) -> None:
    done = fuzzed(fuzzer, STEPS, seed)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout.split()[0]) >= 100_000


@pytest.mark.parametrize(
    ("file", "right", "wrong"),
    [
        ("engine_usb.c", "usb->data1 ^= bit;", ""),
        ("engine_usb.c", "usb->take_back |= KEYC_USB_CONTROL_PIPES;", ""),
        ("engine_usb.c", "usb->received < sizeof usb->scratch", "usb->received < 99"),
        ("engine_usb.c", "number >= KEYC_USB_STRINGS", "number > KEYC_USB_STRINGS"),
        ("engine_usb.c", "if (setup->value > 127 ||", "if ("),
        ("engine_usb_trial.c", "(uint16_t)(setup->index - first)", "setup->index"),
        ("engine_usb_trial.c", "setup->index < trial_of(usb)->keys->interfaces", "setup->index < 9"),
        ("engine_usb_trial.c", "(keyc_usb_console.pipes >> pipe & 1u) != 0", "pipe == 8u"),
        (
            "engine_usb_trial.c",
            "before;\n    return is_ready;",
            "before ? usb->context : 0;\n    return is_ready;",
        ),
    ],
)
def test_the_fuzzer_finds_what_was_broken(tmp_path: Path, file: str, right: str, wrong: str) -> None:
    engine = tmp_path / "engine"
    shutil.copytree(shipped("templates", "engine"), engine)
    source = engine / file
    text = source.read_text(encoding="utf-8")
    assert right in text
    source.write_text(text.replace(right, wrong, 1), encoding="utf-8")
    assert fuzzed(build_fuzzer(tmp_path, engine), STEPS, 1).returncode != 0
