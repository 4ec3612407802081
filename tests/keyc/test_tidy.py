"""`keyc tidy`: what it makes of files, and that nothing but blanks and spelling changes."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from keyc.cli import main
from keyc.compile import check_text
from keyc.language.syntax import parsed
from keyc.language.tidy import tidied
from keyc.source import Source
from tests import fuzz_front, tidy_files

CARELESS = """\
keyboard "Slipway 12" { usb 0x1209:0x5a17
  maker "Saltmarsh   Bench"   # who
}
wiring { diodes cathode-to-row # the ring
columns GP6 GPIO7 GPIO8 GPIO9
row GPIO2 SW1 SW2 SW3 SW4
   row GPIO3 SW5 SW6 SW7 SW8 # the long one
row GPIO4 SW9 SW10 SW11 --
direct GPIO10 SW12
    diode D1 of SW1
    diode D17 of SW7
}
shape {
  SW1 SW2 SW3 SW4
  SW5 SW6 SW7 SW8 SW12 1x2u
  SW9 2u SW10 SW11
}

let take-back=Control+z
layer base { # bottom
  Escape q W E
  Tab A S D Enter
  take-back numbers off }


layer numbers { SW2 = Numpad7
SW3=usage(0x0c,0x00e9) SW1 = usb-boot }
scenario "it types" {
 tap SW5 expect Tab
 down SW1 wait 30ms up SW1  expect Escape
expect nothing-held
}"""

# Worked out by hand from the rules: four blanks in a block, two between columns, cells under one another
# as their caps lie (`Enter` is in the fifth column, the cell under SW9's two units leaves the second free).
TIDY = """\
keyboard "Slipway 12" {
    usb 0x1209:0x5A17
    maker "Saltmarsh   Bench"  # who
}
wiring {
    diodes cathode-to-row                    # the ring
    columns        GPIO6  GPIO7  GPIO8  GPIO9
    row GPIO2      SW1    SW2    SW3    SW4
    row GPIO3      SW5    SW6    SW7    SW8  # the long one
    row GPIO4      SW9    SW10   SW11   --
    direct GPIO10  SW12
    diode D1  of SW1
    diode D17 of SW7
}
shape {
    SW1        SW2        SW3        SW4
    SW5        SW6        SW7        SW8        SW12 1x2u
    SW9 2u                SW10       SW11
}

let take-back = Control+Z
layer base {  # bottom
    Escape   Q        W        E
    Tab      A        S        D        Enter
    take-back         numbers  off
}


layer numbers {
    SW2 = Numpad7
    SW3 = usage(0x0C, 0x00E9)  SW1 = usb-boot
}
scenario "it types" {
    tap SW5                      expect Tab
    down SW1  wait 30ms  up SW1  expect Escape
    expect nothing-held
}
"""


def tidy(text: str) -> str:
    file = parsed(Source("example.keys", text))
    assert file.diagnostics == ()
    return tidied(file)


def test_a_careless_file() -> None:
    assert tidy(CARELESS) == TIDY


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("layer a{SW1=q}", "layer a { SW1 = Q }\n"),
        ("timing{debounce 5ms hold-after 9ms}#x", "timing { debounce 5ms  hold-after 9ms }  #x\n"),
        ("layer a { }\nlayer b {\n}", "layer a { }\nlayer b {\n}\n"),
        ("layer a { SW1 = q } layer b { SW1 = w }", "layer a { SW1 = Q }\nlayer b { SW1 = W }\n"),
        ("layer a {\n# inside\n}\n  # outside", "layer a {\n    # inside\n}\n# outside\n"),
        ('layer a { "a""b" }', 'layer a { "a"  "b" }\n'),
        ("layer a {\nA/b   Shift+q/c\n}", "layer a {\n    A/B  Shift+Q/C\n}\n"),
        ("layer x {\ntaps( a,b )next(c)\n}", "layer x {\n    taps(A, B)  next(C)\n}\n"),
        (
            'sequence s = "Kind   regards," \\\n  Enter   wait 5ms',
            'sequence s = "Kind   regards," \\\n    Enter wait 5ms\n',
        ),
        ("layer a {\n A \\   # on\nB\n}", "layer a {\n    A \\  # on\n         B\n}\n"),
        ("chord  SW1   SW2 on a=b", "chord SW1 SW2 on a = B\n"),
        ("\n\n# only\n\n\n", "# only\n"),
        ("", ""),
    ],
)
def test_one_statement(before: str, after: str) -> None:
    assert tidy(before) == after
    assert tidy(after) == after


def test_a_letter_that_is_a_name_keeps_its_spelling() -> None:
    """It's a mistake, which `check` tells by the name that the file has."""
    assert tidy("layer q { SW1 = q }") == "layer q { SW1 = q }\n"


def test_rows_that_do_not_fit_the_shape_are_aligned_by_number() -> None:
    text = "shape { SW1 2u SW2 }\nlayer a {\n A B C\n Escape D\n}\n"
    assert tidy(text).endswith("layer a {\n    A       B  C\n    Escape  D\n}\n")


def test_turned_lines_have_columns_of_their_own() -> None:
    text = "shape {\n SW1 SW2\n at 1u 1.5u turned 15deg SW3 1.5u\n at 10.25u 0u SW4\n}\n"
    assert tidy(text) == (
        "shape {\n    SW1  SW2\n    at 1u 1.5u turned 15deg  SW3 1.5u\n    at 10.25u 0u             SW4\n}\n"
    )


@pytest.mark.parametrize("batch", range(4))
def test_a_thousand_careless_files(batch: int) -> None:
    for text in tidy_files.careless_files(250, seed=batch):
        tidy_files.check_one(text)


def test_the_careless_files_are_seeded_and_careless() -> None:
    texts = list(tidy_files.careless_files(60, 3))
    assert texts == list(tidy_files.careless_files(60, 3))
    joined = "".join(texts)
    for piece in ("\\\n", "\r\n", "\t", "turned", "Control+z", "GP1", "# ends in a backslash \\"):
        assert piece in joined, piece
    assert sum(tidy(text) != text for text in texts) == len(texts)


def test_wrong_files_keep_their_mistakes() -> None:
    """Mutated files: those whose grammar is right have the same mistakes before and after."""
    tried = 0
    for data in fuzz_front.fuzzed_files(600, seed=5):
        try:
            text = data.decode("utf-8")
        except UnicodeDecodeError:
            continue
        file = parsed(Source("fuzzed.keys", text))
        if file.diagnostics or "\0" in text:
            continue
        tried += 1
        after = tidied(file)
        assert tidy(after) == after
        assert mistakes(after) == mistakes(text)
    assert tried > 40


def mistakes(text: str) -> list[tuple[str, str]]:
    found = check_text(Source("fuzzed.keys", text))[1]
    return [(one.code, one.severity) for one in found]


# ---- the command


def test_the_command_writes_only_what_changes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "slip.keys"
    path.write_bytes(CARELESS.encode())
    path.chmod(0o640)
    assert main(["tidy", "--check", str(path)]) == 1
    assert main(["tidy", "--diff", str(path)]) == 0
    assert "-  Escape q W E\n" in capsys.readouterr().out
    assert path.read_text(encoding="utf-8") == CARELESS
    assert main(["tidy", str(path)]) == 0
    assert path.read_text(encoding="utf-8") == TIDY
    assert capsys.readouterr().out == f"{path}: tidied\n"
    if os.name == "posix":
        assert stat.S_IMODE(path.stat().st_mode) == 0o640
    before = path.stat()
    assert main(["tidy", str(path)]) == 0
    assert main(["tidy", "--check", str(path)]) == 0
    assert path.stat() == before
    assert capsys.readouterr().out == ""


@pytest.mark.skipif(os.name != "posix", reason="links need rights elsewhere")
def test_a_link_stays_one(tmp_path: Path) -> None:
    there, link = tmp_path / "there.keys", tmp_path / "link.keys"
    there.write_text(CARELESS, encoding="utf-8")
    link.symlink_to(there)
    assert main(["tidy", str(link)]) == 0
    assert link.is_symlink()
    assert there.read_text(encoding="utf-8") == TIDY


def test_lines_end_as_they_did(tmp_path: Path) -> None:
    path = tmp_path / "slip.keys"
    path.write_bytes(CARELESS.replace("\n", "\r\n").encode())
    assert main(["tidy", str(path)]) == 0
    assert path.read_bytes() == TIDY.replace("\n", "\r\n").encode()


def test_a_file_that_does_not_parse_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "slip.keys"
    path.write_text("layer base {\n A  (\n", encoding="utf-8")
    assert main(["tidy", str(path)]) == 1
    assert path.read_text(encoding="utf-8") == "layer base {\n A  (\n"
    assert "block-not-closed" in capsys.readouterr().err


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    assert main(["tidy", str(tmp_path / "none.keys")]) == 2


def test_the_bundled_keyboard_means_the_same() -> None:
    from keyc.files import shipped

    text = shipped("data", "demo", "otterbridge.keys").read_text(encoding="utf-8")
    assert tidy_files.shown(tidy(text)) == tidy_files.shown(text)
