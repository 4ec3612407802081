"""What needs the whole keyboard. Which mistake is which comes from the language page; see beside each."""

from __future__ import annotations

import pytest

from keyc.compile import check_text
from keyc.language.lint import PUNCTUATION
from keyc.source import Source
from keyc.usages import usage_of


def codes(layers: str, *, switches: int = 4, host: str = "linux-us", columns: int = 10) -> list[str]:
    """The codes for a board of so many switches on pins of their own, or in a matrix of ten columns."""
    names = [f"SW{number}" for number in range(1, switches + 1)]
    rows = [names[start : start + columns] for start in range(0, switches, columns)]
    if switches <= 20:
        wires = "".join(f" direct GPIO{pin} {name}\n" for pin, name in enumerate(names))
        wiring = f"wiring {{\n diodes none\n{wires}}}\n"
    else:
        wiring = (
            "wiring {\n diodes cathode-to-row\n columns "
            + " ".join(f"GPIO{n}" for n in range(columns))
            + "\n"
        )
        for number, row in enumerate(rows):
            wiring += f" row GPIO{10 + number} {' '.join(row + ['--'] * (columns - len(row)))}\n"
        wiring += "}\n"
    shape = "shape {\n" + "".join(" " + " ".join(row) + "\n" for row in rows) + "}\n"
    text = f'keyboard "X" {{ usb 0x1209:0x5A17 host-layout {host} }}\n{wiring}{shape}{layers}\n'
    return [one.code for one in check_text(Source("x.keys", text))[1]]


def test_a_sound_keyboard_has_nothing_to_say() -> None:
    assert codes("layer base { A B more D }\nlayer more { SW1 = usb-boot }") == []


@pytest.mark.parametrize(
    ("layers", "due"),
    [
        # No key anywhere leads to `more`.
        ("layer base { A B usb-boot D }\nlayer more { SW1 = X }", ["layer-never-reached"]),
        # Layers that wait for each other count as never.
        (
            "layer base { A B usb-boot D }\nlayer lower { SW1 = upper }\nlayer upper { SW1 = lower }",
            ["layer-never-reached"],
        ),
        # A chain that hangs on one lost layer is told there; another chain is another mistake.
        (
            "layer base { A B usb-boot D }\nlayer one { SW1 = two }\nlayer two { SW1 = three SW2 = one }\n"
            "layer three { SW1 = four }\nlayer four { SW1 = X }\nlayer five when six { SW1 = X }\n"
            "layer six { SW1 = X }",
            ["layer-never-reached", "layer-never-reached"],
        ),
        # A layer may be reached through another one.
        ("layer base { A lower usb-boot D }\nlayer lower { SW1 = upper }\nlayer upper { SW1 = X }", []),
        # A layer that holds itself isn't reached by that.
        ("layer base { A B usb-boot D }\nlayer lower { SW1 = lower }", ["layer-never-reached"]),
        # The only usb-boot lies where no key leads.
        (
            "layer base { A B C D }\nlayer lower { SW1 = usb-boot }",
            ["no-way-to-usb-boot", "layer-never-reached"],
        ),
        ("layer base { A B C D }", ["no-way-to-usb-boot"]),
        # `..` on the bottom layer; further layers may have it.
        ("layer base { A B usb-boot .. }", ["nothing-beneath"]),
        ("layer base { SW1 = usb-boot }", ["nothing-beneath"]),
        ("layer base { A B usb-boot lower }\nlayer lower { .. .. .. .. }", []),
        ("let through = ..\nlayer base { A B usb-boot through }", ["nothing-beneath"]),
    ],
)
def test_layers(layers: str, due: list[str]) -> None:
    assert codes(layers) == due


def test_what_a_mistake_may_hide_is_not_concluded() -> None:
    """A misspelt layer name is why the layer isn't reached: one error, no warning."""
    assert codes("layer base { A B usb-boot moer }\nlayer more { SW1 = X }") == ["unknown-name"]


LETTERS = list("ABCDEFGHIJKLMNOPQRSTUVWXYZ")


def test_forty_keys_need_letters_escape_enter_and_modifiers() -> None:
    others = ["Escape", "Enter", "Control", "Shift", "Alt", "Meta", "usb-boot", *"0123456"]
    full = [*LETTERS, *others]
    assert len(full) == 40

    def layer(cells: list[str]) -> str:
        rows = [" ".join(cells[n : n + 10]) for n in range(0, len(cells), 10)]
        return "layer base {\n" + "\n".join(rows) + "\n}"

    assert codes(layer(full), switches=40) == []
    for key in ("Q", "Escape", "Enter", "Meta"):
        assert codes(layer([c if c != key else "off" for c in full]), switches=40) == ["key-missing"]
    right = [c.replace("Control", "ControlRight").replace("Shift", "ShiftRight") for c in full]
    assert codes(layer(right), switches=40) == []
    assert codes(layer([*full[1:39], "usb-boot"]), switches=39) == []  # fewer than forty: no list
    # A letter on another layer is somewhere.
    away = [c if c != "Q" else "more" for c in full]
    assert codes(layer(away) + "\nlayer more { SW1 = Q }", switches=40) == []


@pytest.mark.parametrize(
    ("rows", "due"),
    [
        ("7 8 9\n4 5 6\n1 2 3", True),
        ("1 2 3\n4 5 6\n7 8 9", True),  # as a telephone has them
        ("7 9 8\n4 5 6\n1 2 3", False),
        ("Numpad7 Numpad8 Numpad9\n4 5 6\n1 2 3", False),
        ("1 2 3\n7 8 9\n4 5 6", False),
    ],
)
def test_digits_that_lie_like_a_number_pad(rows: str, due: bool) -> None:
    found = codes(f"layer base {{\n{rows}\n usb-boot\n}}", switches=10, columns=3)
    assert found == (["digit-on-number-pad"] if due else [])


def test_a_row_of_digits_is_no_number_pad() -> None:
    assert codes("layer base { 1 2 3 4 5 6 7 8 9 usb-boot }", switches=10) == []


@pytest.mark.parametrize(
    ("host", "letters"),
    [
        # Common knowledge of the layouts: QWERTZ swaps Y and Z; AZERTY swaps A/Q and Z/W and moves M.
        ("linux-us", ""),
        ("linux-gb", ""),
        ("linux-de", "YZ"),
        ("linux-fr", "AMQWZ"),
        ("linux-es", ""),
        ("linux-se", ""),
        ("linux-be", "AMQWZ"),
        ("windows-fr", "AMQWZ"),
        ("windows-ch-de", "YZ"),
        ("windows-us-intl", ""),
        ("macos-de", "YZ"),
        ("macos-es", ""),
    ],
)
def test_bare_letters_that_type_another(host: str, letters: str) -> None:
    cells = [*LETTERS, *["off"] * 13, "usb-boot"]
    rows = "\n".join(" ".join(cells[n : n + 10]) for n in range(0, 40, 10))
    found = codes(f"layer base {{\n{rows}\n}}", switches=40, host=host)
    assert found.count("letter-types-another") == len(letters)
    in_full = rows
    for letter in LETTERS:
        in_full = in_full.replace(f"{letter} ", f"Key{letter} ", 1) if letter in letters else in_full
    assert "letter-types-another" not in codes(f"layer base {{\n{in_full}\n}}", switches=40, host=host)


def test_a_letter_after_a_plus_counts_too() -> None:
    assert codes("layer base { Control+Z B C usb-boot }", host="linux-de") == ["letter-types-another"]
    assert codes('layer base { Control+"z" B C usb-boot }', host="linux-de") == []


def test_punctuation_that_types_another_while_nothing_types_its_sign() -> None:
    """linux-de: the key right of L types ö; `;` is Shift and comma."""
    assert codes("layer base { Semicolon B C usb-boot }", host="linux-de") == ["sign-types-another"]
    assert codes('layer base { Semicolon ";" C usb-boot }', host="linux-de") == []
    assert codes("layer base { Semicolon Semicolon C usb-boot }", host="linux-de") == ["sign-types-another"]
    assert codes("layer base { Semicolon B C usb-boot }", host="linux-us") == []
    assert codes("layer base { Backquote B C usb-boot }", host="windows-de") == ["sign-types-another"]
    assert codes("layer base { Backquote B C usb-boot }", host="macos-us") == []


def test_punctuation_is_named_after_what_a_us_keyboard_types() -> None:
    """Against the layout's data: on linux-us each of these keys types the sign it is named after."""
    from keyc.keyboard import Press
    from keyc.layouts import layout

    for name, sign in PUNCTUATION.items():
        usage = usage_of(name)
        assert usage is not None
        assert layout("linux-us").types(Press(usage)) == sign


@pytest.mark.parametrize(
    ("usb", "due"),
    [
        ("", True),
        ("usb 0x1209:0x0001", True),
        ("usb 0x1209:0x0002", True),
        ("usb 0x1209:0x5A17", False),
        ("usb 0x16C0:0x0001", False),
    ],
)
def test_the_open_test_id(usb: str, due: bool) -> None:
    text = (
        f'keyboard "X" {{ {usb} }}\nwiring {{\n diodes none\n direct GPIO2 SW1\n}}\n'
        "shape { SW1 }\nlayer base { usb-boot }\n"
    )
    found = [one.code for one in check_text(Source("x.keys", text))[1]]
    assert found == (["test-usb-id"] if due else [])


@pytest.mark.parametrize(
    ("layers", "due"),
    [
        # "a layer that, once locked or at the bottom, can't be left"
        ("layer base { A lock(more) usb-boot D }\nlayer more { SW2 = X }", ["layer-without-way-out"]),
        ("layer base { A lock(more) usb-boot D }\nlayer more { SW2 = lock(more) }", []),
        ("layer base { A lock(more) usb-boot D }\nlayer more { SW1 = X }", []),  # the lock lies beneath
        # The way out may lead over a layer that is held,
        (
            "layer base { far B usb-boot D }\nlayer more { SW1 = far SW2 = X }\n"
            "layer far { SW2 = lock(more) }",
            [],
        ),
        # ... or be hidden by one that is on whenever the locked one is.
        (
            "layer base { A lock(more) usb-boot D }\nlayer more { }\nlayer over when more { SW2 = X }",
            ["layer-without-way-out"],
        ),
        # By the second tap of a next, and only then.
        ("layer base { A next(more) usb-boot D }\nlayer more { SW2 = X }", []),
        (
            "timing { next-twice locks }\nlayer base { A next(more) usb-boot D }\nlayer more { SW2 = X }",
            ["layer-without-way-out"],
        ),
        ("timing { next-twice locks }\nlayer base { A next(more) usb-boot D }\nlayer more { SW1 = X }", []),
        # A chord or the tap of a dual-role key may lead out.
        (
            "layer base { A lock(more) usb-boot D }\nlayer more { SW1 = Y SW2 = X }\n"
            "chord SW1 SW2 on more = lock(more)",
            [],
        ),
        ("layer base { A lock(more) usb-boot D }\nlayer more { SW2 = lock(more)/Shift }", []),
        (
            "layer base { A bottom(other) usb-boot D }\nlayer other { X Y Z W }",
            ["layer-without-way-out"],
        ),
        ("layer base { A bottom(other) usb-boot D }\nlayer other { X bottom(base) Z W }", []),
        (
            "layer base { A bottom(other) usb-boot D }\nlayer other { X bottom(base) Z .. }",
            ["nothing-beneath"],
        ),
        # The lock lies on one bottom, and the other hides it: there is no way back with the layer locked.
        (
            "layer base { A lock(more) bottom(other) usb-boot }\nlayer other { bottom(base) B C D }\n"
            "layer more { SW1 = X }",
            ["layer-without-way-out"],
        ),
        (
            "layer base { A lock(more) bottom(other) usb-boot }\nlayer other { bottom(base) B C D }\n"
            "layer more { SW4 = X }",
            [],
        ),
        # "two chords of which one hides the other", and what else keeps a chord from counting
        (
            "layer base { A B usb-boot more }\nlayer more { SW1 = X SW2 = Y }\n"
            "layer over when more { SW1 = V SW2 = W }\nchord SW1 SW2 on more = Z\nchord SW1 SW2 on over = T",
            ["chord-hidden"],
        ),
        (
            "layer base { A B usb-boot more }\nlayer more { SW1 = X }\nchord SW1 SW2 on more = Z",
            ["chord-hidden"],
        ),
        (
            "layer base { A B usb-boot more }\nlayer more { SW1 = X SW4 = Y }\nchord SW1 SW4 on more = Z",
            ["chord-hidden"],
        ),
        (
            "layer base { A lock(more) usb-boot more }\nlayer more { SW1 = X SW4 = Y }\n"
            "chord SW1 SW4 on more = Z",
            [],
        ),
        # Of overlapping chords the longest wins in time; neither hides the other.
        ("layer base { A B usb-boot D }\nchord SW1 SW2 on base = Z\nchord SW1 SW2 SW4 on base = T", []),
        # "a quoted text of 8 or more characters without a blank, mixing letters with digits or signs"
        ('layer base { "abcdefg1" B usb-boot D }', ["text-readable"]),
        ('layer base { "abcdef1" B usb-boot D }', []),
        ('layer base { "abcdefgh" B usb-boot D }', []),
        ('layer base { "abcd efg1" B usb-boot D }', []),
        ('layer base { "12345678" B usb-boot D }', []),
        ('layer base { pass B usb-boot D }\nsequence pass = "s3cret-w0rd" Enter', ["text-readable"]),
        ('layer base { "s3cret-w0rd"/Shift B usb-boot D }', ["text-readable"]),
    ],
)
def test_ways(layers: str, due: list[str]) -> None:
    """The quotes are from the language page, "Mistakes the compiler must find"."""
    assert codes(layers) == due


def test_chords_that_ghost_are_told_only_without_diodes() -> None:
    """Three corners of a rectangle make the fourth one read pressed (common practice)."""
    text = (
        'keyboard "X" {{ usb 0x1209:0x5A17 }}\nwiring {{\n diodes {diodes}\n columns GPIO0 GPIO1\n'
        " row GPIO2 SW1 SW2\n row GPIO3 SW3 SW4\n}}\nshape {{\n SW1 SW2\n SW3 SW4\n}}\n"
        "layer base {{\n A B\n more usb-boot\n}}\nlayer more {{ SW1 = X SW2 = Y }}\n{chord}\n"
    )

    def found(diodes: str, chord: str) -> list[str]:
        source = Source("x.keys", text.format(diodes=diodes, chord=chord))
        return [one.code for one in check_text(source)[1]]

    assert found("none", "chord SW1 SW2 SW3 on base = Z") == ["chord-ghosts"]
    assert found("none", "chord SW1 SW2 on base = Z") == []
    assert found("none", "chord SW1 SW2 on more = Z") == ["chord-ghosts"]  # with SW3, which holds it
    assert found("cathode-to-row", "chord SW1 SW2 SW3 on base = Z") == []
