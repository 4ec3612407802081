"""The generated C: it compiles everywhere without a warning, says what the tables say, and nothing in a name
can get out of a comment."""

from __future__ import annotations

import ctypes
import os
import re
import subprocess
import sys
from functools import partial
from pathlib import Path
from shutil import which

import pytest

from keyc import __version__
from keyc.emit import ENGINE_FILES, comment, depfile_text, files_of
from keyc.engine.c_tables import CTables
from keyc.files import shipped
from keyc.keyboard import Cell, Debounce, Diodes, Keyboard, LayerHeld
from keyc.source import Source
from keyc.table_rows import TABLES_VERSION
from keyc.tables import tables_of
from keyc.write import write_files
from tests.keyc.c_compilers import chip_compilers, cmake, compile_objects, every_compiler, host_compilers
from tests.keyc.hand_made import key, keyboard_of, media, wiring_of

HOSTILE = "*/ int x; /* ??/ \\ {{ 7 * 7 }} {% raw %} <b>&\"'\n#error \\\n é \u202e ?\u003f/ //*/"

# Between them every branch of every template.
KEYBOARDS = {
    "plain": keyboard_of(wiring_of(), [key(4), LayerHeld("upper")], [key(5, 0xE0)]),
    "only direct": keyboard_of(wiring_of(rows=(), columns=(), direct=(3, 4)), [key(4)]),
    "no direct, cathode to column": keyboard_of(
        wiring_of(direct=(), diodes=Diodes.CATHODE_TO_COLUMN, without=("SW2",)), [media(0xE9, 0xE0, 0xE4)]
    ),
    "timings": keyboard_of(wiring_of(), [key(4)], for_switch={"SW2": Debounce(9_000, at_once=True)}),
}


def hostile_keyboard() -> Keyboard:
    keyboard = keyboard_of(wiring_of(), [key(4)], for_switch={HOSTILE: Debounce(1)})
    source = Source(f"C:\\folder/{HOSTILE}.keys", "keyboard\n" * 40)
    span = keyboard.span.replaced(source=source)
    switches = tuple(s.replaced(name=f"{s.name}{HOSTILE}", span=span) for s in keyboard.wiring.switches)
    cell = Cell(key(4), HOSTILE, HOSTILE, span)
    layer = keyboard.layers[0].replaced(
        name=HOSTILE, cells=dict.fromkeys((s.name for s in switches), cell), span=span
    )
    return keyboard.replaced(
        title=HOSTILE,
        maker=HOSTILE,
        span=span,
        wiring=keyboard.wiring.replaced(switches=switches),
        layers=(layer,),
        timing=keyboard.timing.replaced(for_switch={switches[1].name: Debounce(1)}),
    )


def files(keyboard: Keyboard) -> dict[str, str]:
    return files_of(keyboard, tables_of(keyboard))


@pytest.mark.parametrize("compiler", every_compiler())
def test_compiles_without_a_warning(compiler: str, tmp_path: Path) -> None:
    for number, keyboard in enumerate([*KEYBOARDS.values(), hostile_keyboard()]):
        folder = tmp_path / str(number)
        write_files(folder, files(keyboard))
        sources = ["handmade_tables.c"]
        if number == 0:
            sources += [name for name in ENGINE_FILES if name.endswith(".c")]
        assert compile_objects(every_compiler()[compiler], folder, sources) == ""


@pytest.mark.parametrize("compiler", host_compilers())
def test_the_host_port_compiles_without_a_warning(compiler: str, tmp_path: Path) -> None:
    sources = [
        str(shipped("templates", "port", "host", f"host_{name}.c"))
        for name in ("keyboard", "lines", "memory")
    ]
    include = [f"-I{shipped('templates', 'engine')}", f"-I{shipped('templates', 'port', 'host')}"]
    more = ["-fno-builtin", *include]
    assert compile_objects(host_compilers()[compiler], tmp_path, sources, *more) == ""


@pytest.mark.parametrize("name", KEYBOARDS)
def test_the_text_says_what_the_tables_say(name: str, tmp_path: Path) -> None:
    """Compiled and read back through the C struct."""
    keyboard = KEYBOARDS[name]
    tables = tables_of(keyboard)
    write_files(tmp_path, files(keyboard))
    compiler = next(iter(host_compilers().values()))
    subprocess.run(
        [*compiler, "-std=c11", "-shared", "-fPIC", "-nostdlib", "handmade_tables.c", "-o", "made.so"],
        cwd=tmp_path,
        check=True,
    )
    made = CTables.in_dll(ctypes.CDLL(str(tmp_path / "made.so")), "keyc_keyboard_tables")
    count, layers = tables.switch_count, tables.layer_count
    assert (made.version, made.switch_count, made.layer_count) == (TABLES_VERSION, count, layers)
    assert made.driven[: made.driven_count] == list(tables.driven)
    assert made.sensed[: made.sensed_count] == list(tables.sensed)
    assert made.direct[: made.direct_count] == list(tables.direct)
    flat = [number for row in tables.switch_at for number in row]
    assert made.switch_at[: len(flat)] == flat
    assert made.cells[: layers * count] == [cell for layer in tables.cells for cell in layer]
    assert made.actions[: len(tables.actions)] == [
        sum(1 << n - 0xE0 for n in a.modifiers) << 24 | a.usage.page << 16 | a.usage.id
        for a in tables.actions
    ]
    assert [(t.debounce_us, t.at_once) for t in made.timings[: len(tables.timings)]] == [
        (t.debounce_us, t.at_once) for t in tables.timings
    ]
    if tables.timing_of is None:
        assert not made.timing_of
    else:
        assert tuple(made.timing_of[:count]) == tables.timing_of
    assert made.second_reports == tables.second_reports


@pytest.mark.parametrize("compiler", chip_compilers())
def test_nothing_of_the_keymap_lies_in_ram(compiler: str, tmp_path: Path) -> None:
    """The object's sections, read by pyelftools: initialised RAM is empty, zeroed RAM is the state alone."""
    from elftools.elf.elffile import ELFFile

    keyboard = KEYBOARDS["timings"]
    tables = tables_of(keyboard)
    write_files(tmp_path, files(keyboard))
    assert compile_objects(chip_compilers()[compiler], tmp_path, ["handmade_tables.c"]) == ""
    sizes = {"data": 0, "bss": 0, "rodata": 0}
    with (tmp_path / "handmade_tables.o").open("rb") as file:
        for section in ELFFile(file).iter_sections():
            for kind in sizes:
                if section.name.startswith(f".{kind}"):
                    sizes[kind] += section["sh_size"]
    assert sizes["data"] == 0
    assert sizes["bss"] == tables.state_bytes
    pointer_and_padding = 4 + 7 * 3
    assert tables.flash_bytes <= sizes["rodata"] <= tables.flash_bytes + pointer_and_padding


def test_what_a_comment_may_hold() -> None:
    """C11 5.1.1.2 and 6.4.9: trigraphs, then spliced lines, then the first `*/` ends a comment."""
    assert comment("SW1 Tab/arrows *") == "SW1 Tab/arrows *"
    for text in (HOSTILE, "*/", "**//", "/*/", "??/", "???/", "a\\", "\x7f", "\n", "é"):
        made = comment(text)
        assert made.isascii()
        assert made.isprintable()
        for bad in ("*/", "/*", "??", "\\"):
            assert bad not in made
    assert comment("é*/") == "<U+00E9>*<U+002F>"


def test_hostile_names_stay_in_their_comments(tmp_path: Path) -> None:
    """Without comments (removed by the preprocessor) only numbers and our own words are left."""
    write_files(tmp_path, files(hostile_keyboard()))
    compiler = next(iter(host_compilers().values()))
    command = [*compiler, "-E", "-P", "-trigraphs", "handmade_tables.c"]
    bare = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=True).stdout
    for word in ("int x", "raw", "49", "error", "SW1", "<b>"):
        assert word not in bare


def test_the_banner_and_the_places() -> None:
    """The tool's version and the input's hash, the file's name without its folder; every symbol's line."""
    from hashlib import sha256

    keyboard = KEYBOARDS["plain"]
    text = files(keyboard)["handmade_tables.c"]
    digest = sha256(keyboard.span.source.text.encode()).hexdigest()
    assert text.splitlines()[0] == f"/* Made by keyc {__version__} from handmade.keys, SHA-256 {digest} */"
    assert "folder" not in text
    assert "layer base, handmade.keys:20" in text
    assert "GPIO3, with SW3 at handmade.keys:4" in text


def test_a_small_edit_is_a_small_diff() -> None:
    wiring = wiring_of(rows=(2, 3, 4), columns=(6, 7, 8), direct=())
    before = files(keyboard_of(wiring, [key(4 + n) for n in range(9)]))
    after = files(keyboard_of(wiring, [key(40 if n == 4 else 4 + n) for n in range(9)]))
    assert before.keys() == after.keys()
    changed = [
        (one, other)
        for name in before
        for one, other in zip(before[name].splitlines(), after[name].splitlines(), strict=True)
        if one != other
    ]
    assert changed == [
        (
            "    0x2007u, 0x2008u, 0x2009u, /* SW4 07  SW5 08  SW6 09 */",
            "    0x2007u, 0x2028u, 0x2009u, /* SW4 07  SW5 28  SW6 09 */",
        )
    ]


def test_the_same_bytes_under_every_hash_seed() -> None:
    script = (
        "import sys; sys.path.insert(0, '.')\n"
        "from tests.keyc.test_emit import KEYBOARDS, files, hostile_keyboard\n"
        "print([files(k) for k in (*KEYBOARDS.values(), hostile_keyboard())])"
    )
    outputs = {
        subprocess.run(
            [sys.executable, "-c", script],
            env=os.environ | {"PYTHONHASHSEED": seed},
            capture_output=True,
            check=True,
            cwd=Path(__file__).parents[2],
        ).stdout
        for seed in ("0", "1", "4711")
    }
    assert len(outputs) == 1


def test_tables_and_engine_of_different_versions(tmp_path: Path) -> None:
    made = files(KEYBOARDS["plain"])
    made["keyc_engine.h"] = made["keyc_engine.h"].replace(
        f"TABLES_VERSION {TABLES_VERSION}", "TABLES_VERSION 99"
    )
    write_files(tmp_path, made)
    said = compile_objects(next(iter(host_compilers().values())), tmp_path, ["handmade_tables.c"])
    assert "run keyc build again" in said


def test_the_depfile_is_a_make_rule(tmp_path: Path) -> None:
    """GNU make reads it, with blanks, `$` and `#` in the names, and builds again when the keymap is newer."""
    make = which("make")
    if make is None:
        pytest.skip("GNU make isn't installed here")
    keymap, folder = tmp_path / "my $board #1.keys", tmp_path / "out put"
    keymap.write_text("")
    made = files(KEYBOARDS["plain"])
    write_files(folder, made)
    rule = depfile_text(str(keymap), str(folder), made)
    (tmp_path / "Makefile").write_text(f"{rule}\t@echo built\n")
    target = str(folder / "keyc.cmake")

    def said(age: int) -> str:
        stamp = (folder / "keyc.cmake").stat().st_mtime + age
        os.utime(keymap, (stamp, stamp))
        done = subprocess.run([make, target], cwd=tmp_path, capture_output=True, text=True, check=True)
        return done.stdout

    assert said(+100) == "built\n"
    assert "up to date" in said(-100)


def test_templates_work_without_a_cache(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Damaged or unwritable: compiled anew, with the same result."""
    expected = files(KEYBOARDS["plain"])
    monkeypatch.setenv("KEYC_CACHE", str(tmp_path))
    assert files(KEYBOARDS["plain"]) == expected
    kept = list(tmp_path.iterdir())
    assert kept
    for path in kept:
        path.write_bytes(b"damaged")
    assert files(KEYBOARDS["plain"]) == expected
    monkeypatch.setenv("KEYC_CACHE", "/dev/null/nowhere")
    assert files(KEYBOARDS["plain"]) == expected


def test_a_full_disk_costs_only_the_cache(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from jinja2.bccache import Bucket

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    expected = files(KEYBOARDS["plain"])
    monkeypatch.setenv("KEYC_CACHE", str(tmp_path))
    monkeypatch.setattr(Bucket, "write_bytecode", full)
    assert files(KEYBOARDS["plain"]) == expected
    assert list(tmp_path.iterdir()) == []


# How each generator's own program says that a second build does nothing.
@pytest.mark.parametrize(
    ("generator", "program_of_it", "nothing_to_do"),
    [("Ninja", "ninja", "no work to do"), ("Unix Makefiles", "make", "[100%] Built target small")],
)
def test_the_cmake_function(tmp_path: Path, generator: str, program_of_it: str, nothing_to_do: str) -> None:
    """A project of its own that uses keyc_sources: builds, and builds anew when the keymap changes."""
    if which("cmake") is None or which(program_of_it) is None:
        pytest.skip(f"CMake or {program_of_it} isn't installed here")
    root = Path(__file__).parents[2]
    write_files(tmp_path / "made", files(KEYBOARDS["plain"]))
    program = tmp_path / "keyc"
    program.write_text(f'#!/bin/sh\nPYTHONPATH="{root}" exec "{sys.executable}" -m keyc "$@"\n')
    program.chmod(0o755)
    keymap = tmp_path / "small board.keys"
    keymap.write_text(
        'keyboard "Small" { }\nwiring {\n  diodes none\n  columns GPIO6 GPIO7\n  row GPIO2 SW1 SW2\n}\n'
        "shape {\n  SW1 SW2\n}\nlayer base {\n  A usb-boot\n}\n"
    )
    (tmp_path / "CMakeLists.txt").write_text(
        "cmake_minimum_required(VERSION 3.20)\nproject(small C)\ninclude(made/keyc.cmake)\n"
        'add_library(small STATIC)\nkeyc_sources(small "small board.keys")\n'
    )

    built = partial(cmake, tmp_path)

    def does_nothing() -> bool:
        said = built("--build", "build")
        return nothing_to_do in said and "Building" not in said and "keyc:" not in said

    built("-G", generator, "-B", "build", f"-DKEYC_PROGRAM={program}")
    assert "small_board_tables.c.o" in built("--build", "build", "-v")
    assert does_nothing()
    keymap.write_text(keymap.read_text().replace("A usb-boot", "B usb-boot"))
    again = built("--build", "build", "-v")
    assert "small_board_tables.c" in again
    assert "-c " in again
    assert not re.search(r"-c \S*engine_scan\.c", again), "what stayed the same isn't compiled again"
    assert does_nothing()
    # A mistake in the keymap stops the build and is told; mended, the build goes on.
    good = keymap.read_text()
    keymap.write_text(good.replace("B usb-boot", "Delet usb-boot"))
    failed = subprocess.run(
        ["cmake", "--build", "build"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert failed.returncode
    assert "no key, layer or let is called `Delet`" in failed.stdout + failed.stderr
    keymap.write_text(good)
    built("--build", "build")
    assert does_nothing()
