"""Ten thousand random and mutated files through the compiler's front; a million by command (fuzz_front)."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyc.compile import check_text
from keyc.keyboard import Keyboard
from keyc.source import Source
from tests import fuzz_front

_BATCHES = 4


@pytest.mark.parametrize("batch", range(_BATCHES))
def test_diagnostics_never_a_traceback(batch: int) -> None:
    told = sum(map(fuzz_front.check_one, fuzz_front.fuzzed_files(10_000 // _BATCHES, seed=batch)))
    assert told > 10_000 // _BATCHES  # the files are wrong often enough to try anything


def test_the_generator_is_seeded() -> None:
    assert list(fuzz_front.fuzzed_files(50, 3)) == list(fuzz_front.fuzzed_files(50, 3))
    assert list(fuzz_front.fuzzed_files(50, 3)) != list(fuzz_front.fuzzed_files(50, 4))


def board_called(title: str) -> tuple[Keyboard | None, list[str]]:
    quoted = title.replace("\\", "\\\\").replace('"', '\\"')
    keyboard, found = check_text(
        Source(
            "t.keys",
            f'keyboard "{quoted}" {{ usb 0x1209:0x5A17  maker "{quoted}" }}\n'
            "wiring {\n diodes none\n direct GPIO2 SW1\n}\nshape { SW1 }\nlayer base { usb-boot }\n",
        )
    )
    return keyboard, [one.code for one in found]


@given(st.text(st.characters(codec="utf-8", exclude_characters="\0\n"), min_size=1, max_size=40))
@settings(max_examples=300, deadline=None)
def test_a_title_is_kept_as_it_is_or_refused(title: str) -> None:
    """Printable in Python's sense is what the tables of Unicode call neither control, format,
    surrogate, private, unassigned nor separator but the blank."""
    keyboard, codes = board_called(title)
    if title.isprintable() and title.strip():
        assert keyboard is not None
        assert (keyboard.title, keyboard.maker) == (title, title)
        assert codes == []
    else:
        assert keyboard is None
        assert set(codes) == {"title-unfit"}


@pytest.mark.parametrize(
    "title", ['"', "\\", "*/", "/*", "//", "??/", "{{ x }}", "{% raw %}", "<b>&amp;", "%s", "${A}", "'"]
)
def test_titles_that_mean_something_elsewhere(title: str) -> None:
    keyboard, codes = board_called(title)
    assert keyboard is not None, codes
    assert keyboard.title == title


@pytest.mark.parametrize(
    "name", ["int", "return", "struct", "_Bool", "main", "keyc_tables", "NULL", "é", "A1-b"]
)
def test_names_that_mean_something_elsewhere(name: str) -> None:
    """C keywords and such are names like others; a name that begins with no ASCII letter is refused."""
    text = (
        'keyboard "T" { usb 0x1209:0x5A17 }\n'
        f"wiring {{\n diodes cathode-to-row\n columns GPIO3\n row GPIO2 {name}\n"
        f" diode D-{name} of {name}\n}}\n"
        f"shape {{ {name} }}\nlet let-{name} = usb-boot\nlayer layer-{name} {{ let-{name} }}\n"
    )
    keyboard, found = check_text(Source("t.keys", text))
    if name.isascii():
        assert keyboard is not None, found
        assert keyboard.wiring.switches[0].name == name
        assert keyboard.wiring.switches[0].diode == f"D-{name}"
    else:
        assert keyboard is None
        assert found[0].span.source.text[found[0].span.start] == name


def test_work_is_in_proportion_to_length() -> None:
    """Twice the mistakes take about twice the work; a quadratic search would take four times. Work is
    counted in calls, which don't depend on the machine."""
    import sys

    def calls(lines: int) -> int:
        body = "  A ! Escpe 12 ( B = C\n" * lines
        source = Source(
            "t.keys", f"layer base {{\n{body}}}\n" + "frob {\n" * (lines // 10) + "let a = \n" * lines
        )
        count = 0

        def note(*_: object) -> None:
            nonlocal count
            count += 1

        before = sys.getprofile()
        sys.setprofile(note)
        try:
            check_text(source)
        finally:
            sys.setprofile(before)
        return count

    calls(10)
    assert calls(400) < 2.5 * calls(200)


def test_one_endless_line_of_mistakes_ends_soon() -> None:
    """What one line costs is looked at again for each mistake in it, so the count of them is limited."""
    text = "layer base { " + "! " * 50_000 + "}\n"
    found = check_text(Source("t.keys", text))[1]
    codes = [one.code for one in found]
    assert codes.count("too-many-mistakes") == 1
    assert codes.count("sign-without-quotes") == 2000
    assert "block-not-closed" not in codes
