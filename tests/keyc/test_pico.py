"""The Pico SDK: what is said where something is missing, which runtime is taken, the project's files."""

from __future__ import annotations

import re
import sys
from functools import partial
from pathlib import Path

import pytest

from keyc.cli import main
from keyc.diagnostics import UserError
from keyc.files import shipped
from keyc.image.firmware import build_uf2, chosen_runtime, uf2_of_elf
from keyc.image.pico import find_sdk, linked_on_sdk, project_files, shipped_files
from keyc.write import write_files
from tests.keyc.c_compilers import cmake, compile_objects, every_compiler
from tests.keyc.hand_made import key, keyboard_of, wiring_of
from tests.pico_sdk import needs_sdk

KEYBOARD = keyboard_of(wiring_of(), [key(4)])
KEYMAP = (
    'keyboard "Small" { }\nwiring {\n  diodes none\n  columns GPIO6 GPIO7\n  row GPIO2 SW1 SW2\n}\n'
    "shape {\n  SW1 SW2\n}\nlayer base {\n  A usb-boot\n}\n"
)


@pytest.fixture
def machine(tmp_path: Path) -> dict[str, str]:
    """An environment with everything in it: programs that are only files, an SDK that is only its version."""
    programs, sdk = tmp_path / "programs", tmp_path / "pico-sdk"
    (sdk / "lib" / "tinyusb" / "src").mkdir(parents=True)
    (sdk / "lib" / "tinyusb" / "src" / "tusb.h").touch()
    (sdk / "pico_sdk_init.cmake").touch()
    # As the SDK writes it, since 1.0.0.
    (sdk / "pico_sdk_version.cmake").write_text(
        "if (NOT DEFINED PICO_SDK_VERSION_MAJOR)\n    set(PICO_SDK_VERSION_MAJOR 2)\n"
        "    set(PICO_SDK_VERSION_MINOR 1)\n    set(PICO_SDK_VERSION_REVISION 1)\nendif()\n"
    )
    programs.mkdir()
    for name in ("cmake", "ninja", "make", "arm-none-eabi-gcc"):
        (programs / name).touch(mode=0o755)
    return {"PATH": str(programs), "PICO_SDK_PATH": str(sdk)}


def test_all_is_there(machine: dict[str, str]) -> None:
    sdk = find_sdk(machine)
    assert (sdk.version, sdk.generator) == ("2.1.1", "Ninja")
    assert sdk.name == "arm-none-eabi-gcc on the Pico SDK 2.1.1"
    Path(machine["PATH"], "ninja").unlink()
    assert find_sdk(machine).generator == "Unix Makefiles"


def test_what_is_missing_is_said_with_the_mend(machine: dict[str, str], tmp_path: Path) -> None:
    sdk, programs = Path(machine["PICO_SDK_PATH"]), Path(machine["PATH"])

    def said() -> str:
        with pytest.raises(UserError) as raised:
            find_sdk(machine)
        assert raised.value.exit_status == 3
        return f"{raised.value.message}. {raised.value.help}"

    for name in ("arm-none-eabi-gcc", "cmake"):
        (programs / name).unlink()
        assert name in said()
        (programs / name).touch(mode=0o755)
    for name in ("ninja", "make"):
        (programs / name).unlink()
    assert "Ninja or make" in said()
    (programs / "ninja").touch(mode=0o755)
    (sdk / "lib" / "tinyusb" / "src" / "tusb.h").unlink()
    assert "git submodule update --init lib/tinyusb" in said()
    machine["PICO_TINYUSB_PATH"] = str(tmp_path / "tinyusb")
    (tmp_path / "tinyusb" / "src").mkdir(parents=True)
    (tmp_path / "tinyusb" / "src" / "tusb.h").touch()
    assert find_sdk(machine).version == "2.1.1"
    version = sdk / "pico_sdk_version.cmake"
    version.write_text(version.read_text().replace("MAJOR 2", "MAJOR 1"))
    assert "is 1.1.1" in said()
    assert "2.0.0 or newer" in said()
    version.unlink()
    assert "2.0.0 or newer" in said()
    (sdk / "pico_sdk_init.cmake").unlink()
    assert f"no Pico SDK at {sdk}" in said()
    del machine["PICO_SDK_PATH"]
    assert "PICO_SDK_PATH isn't set" in said()


def test_the_sdks_own_toolchain_counts(machine: dict[str, str], tmp_path: Path) -> None:
    Path(machine["PATH"], "arm-none-eabi-gcc").unlink()
    for folder in (tmp_path / "toolchain" / "bin", tmp_path / "flat"):
        folder.mkdir(parents=True)
        (folder / "arm-none-eabi-gcc").touch(mode=0o755)
        machine["PICO_TOOLCHAIN_PATH"] = str(folder.parent if folder.name == "bin" else folder)
        assert find_sdk(machine).compiler == str(folder / "arm-none-eabi-gcc")


@pytest.mark.parametrize(
    ("said", "mend"),
    [
        # As arm-none-eabi-gcc 12 and GNU ld say it without newlib.
        ("arm-none-eabi-gcc: fatal error: cannot read spec file 'nosys.specs'", "libnewlib-arm-none-eabi"),
        ("ld: cannot find -lstdc++: No such file or directory", "libstdc++-arm-none-eabi-newlib"),
        ("error: something else", "tell us"),
    ],
)
def test_a_build_that_fails_is_told_with_what_was_said(
    machine: dict[str, str], tmp_path: Path, said: str, mend: str
) -> None:
    Path(machine["PATH"], "cmake").write_text(f'#!/bin/sh\necho "all well"\necho "{said}" >&2\nexit 1\n')
    with pytest.raises(UserError) as raised:
        linked_on_sdk(find_sdk(machine), KEYBOARD, "daily", tmp_path / "x", lambda _: None)
    assert raised.value.exit_status == 3
    assert raised.value.message.endswith(f": {said}")
    assert mend in str(raised.value.help)


# --- which runtime, where nobody says


def test_bare_is_taken_where_there_is_a_compiler(
    machine: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", machine["PATH"])
    runtime, why = chosen_runtime({})
    assert runtime == "bare"
    assert "SDK" not in why
    runtime, why = chosen_runtime(machine)
    assert runtime == "bare"
    assert "the Pico SDK 2.1.1 is there too: `--runtime sdk`" in why


def test_the_sdk_is_taken_where_its_toolchain_is_the_only_compiler(
    machine: dict[str, str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("keyc.image.toolchain.find_spec", lambda _: None)
    Path(machine["PATH"], "arm-none-eabi-gcc").rename(tmp_path / "arm-none-eabi-gcc")
    monkeypatch.setenv("PATH", machine["PATH"])
    machine["PICO_TOOLCHAIN_PATH"] = str(tmp_path)
    runtime, why = chosen_runtime(machine)
    assert runtime == "sdk"
    assert "no compiler but its own" in why
    with pytest.raises(UserError) as raised:
        chosen_runtime({})
    assert 'pip install "keyc[image]"' in str(raised.value.help)


def test_the_choice_is_told_on_stderr(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("keyc.image.firmware.build_uf2", lambda *_: build_uf2(None, "bench"))
    assert main(["firmware", "-o", str(tmp_path / "x.uf2")]) == 0
    told = capsys.readouterr()
    assert told.err.splitlines()[0].startswith("on the bare chip with ")
    assert "bench image" in told.out
    assert main(["firmware", "-o", str(tmp_path / "x.uf2"), "--runtime", "bare"]) == 0
    assert "on the bare chip" not in capsys.readouterr().err


def test_the_sdk_finds_its_compiler_itself() -> None:
    with pytest.raises(UserError) as raised:
        build_uf2(None, "bench", "gcc", runtime="sdk")
    assert raised.value.exit_status == 2


# --- the project's files


def test_the_project_has_no_path_and_no_date_in_it() -> None:
    files = project_files(KEYBOARD)
    assert files == project_files(KEYBOARD)
    for name, text in files.items():
        assert str(Path(__file__).parents[2]) not in text, name
        assert "/" not in name
    assert "own.cmake" not in files, "that one is the user's"


def test_every_c_file_of_the_port_ships() -> None:
    shipped_names = {path.name for path in shipped_files()}
    folder = next(path.parent for path in shipped_files() if path.name == "sdk_usb.c")
    assert {path.name for path in folder.iterdir()} <= shipped_names


def test_the_universal_project_is_whole() -> None:
    files = project_files(None)
    assert "add_executable(any_board_bench image_bench.c)" in files["CMakeLists.txt"]
    assert "main_bench.c" in files
    assert not any(name.endswith("_tables.c") for name in files)


def test_the_build_command_writes_checks_and_keeps_what_is_yours(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    keymap, folder, rule = tmp_path / "small.keys", tmp_path / "project", tmp_path / "rule.d"
    keymap.write_text(KEYMAP)
    build = ["build", str(keymap), "-o", str(folder), "--runtime", "sdk"]
    assert main([*build, "--depfile", str(rule)]) == 0
    assert "sdk_usb.c" in rule.read_text()
    (folder / "own.cmake").write_text("# mine\n")
    assert main([*build, "--check"]) == 0
    (folder / "CMakeLists.txt").write_text("")
    assert main([*build, "--check"]) == 1
    assert "+add_executable(small_daily image_daily.c small_tables.c)" in capsys.readouterr().out
    assert main(build) == 0
    assert (folder / "own.cmake").read_text() == "# mine\n"


@pytest.mark.parametrize(
    "name", [name for name in every_compiler() if "for the chip" in name or "arm" in name]
)
def test_the_port_is_clean_but_for_the_sdks_own_headers(name: str, tmp_path: Path) -> None:
    """What needs no header of the SDK's: the images' sources, under the house's warnings."""
    write_files(tmp_path, project_files(KEYBOARD))
    without_sdk = shipped("templates", "port", "rp2040", "rp2040_quick.h")
    (tmp_path / "rp2040_quick.h").write_bytes(without_sdk.read_bytes())
    sources = ["main_keys.c", "main_bench.c", "rp2040_flash_id.c", "rp2040_console.c", "rp2040_trial.c"]
    sources += [f"image_{image}.c" for image in ("daily", "bench", "trial")]
    assert compile_objects(every_compiler()[name], tmp_path, sources, "-DKEYC_IMAGE_HAS_CONSOLE=1") == ""


# --- an ELF file of one's own


def test_an_elf_file_becomes_the_same_image(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    built = build_uf2(KEYBOARD, "daily")
    assert uf2_of_elf(built.elf, "x.elf").bytes == built.bytes
    elf, uf2 = tmp_path / "x.elf", tmp_path / "x.uf2"
    elf.write_bytes(built.elf)
    assert main(["firmware", str(elf), "-o", str(uf2)]) == 0
    assert uf2.read_bytes() == built.bytes
    assert "an image of your own" in capsys.readouterr().out


def test_another_elf_file_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    elf = tmp_path / "python"
    for data in (Path(sys.executable).read_bytes()[:5000], b"\x7fELF", b"\x7fELF\x01\x01" + bytes(60)):
        elf.write_bytes(data)
        assert main(["firmware", str(elf), "-o", str(tmp_path / "x.uf2")]) == 2
        assert f"{elf} isn't an image for the RP2040" in " ".join(capsys.readouterr().err.split())
    assert not (tmp_path / "x.uf2").exists()


# --- somebody else's project


@needs_sdk
def test_the_cmake_function_in_a_project_on_the_sdk(tmp_path: Path) -> None:
    """The SDK found as its users find it; built, nothing to do, and built anew when the keymap changes."""
    root = Path(__file__).parents[2]
    program = tmp_path / "keyc"
    program.write_text(f'#!/bin/sh\nPYTHONPATH="{root}" exec "{sys.executable}" -m keyc "$@"\n')
    program.chmod(0o755)
    keymap = tmp_path / "small board.keys"
    keymap.write_text(KEYMAP)
    assert main(["build", str(keymap), "-o", str(tmp_path / "made")]) == 0
    (tmp_path / "CMakeLists.txt").write_text(
        "cmake_minimum_required(VERSION 3.17)\nset(PICO_BOARD pico)\nset(PICO_NO_PICOTOOL 1)\n"
        "include($ENV{PICO_SDK_PATH}/pico_sdk_init.cmake)\nproject(mine C CXX ASM)\npico_sdk_init()\n"
        "include(made/keyc.cmake)\nadd_executable(board lamp.c)\n"
        'keyc_sources(board "small board.keys" RUNTIME sdk)\n'
    )
    (tmp_path / "lamp.c").write_text("int lamp;\n")

    built = partial(cmake, tmp_path)
    built("-G", "Ninja", "-B", "build", f"-DKEYC_PROGRAM={program}")
    built("--build", "build")
    uf2 = tmp_path / "build" / "board.uf2"
    first = uf2.read_bytes()
    assert "no work to do" in built("--build", "build")
    keymap.write_text(KEYMAP.replace("A usb-boot", "B usb-boot"))
    again = built("--build", "build", "-v")
    assert "small_board_tables.c" in again
    assert not re.search(r"-c \S*engine_scan\.c", again), "what stayed the same isn't compiled again"
    assert uf2.read_bytes() != first
    assert "no work to do" in built("--build", "build")
