"""The C engine as an object that this computer can load: built once, kept in the cache.

It holds everything of `templates/engine/` and `templates/port/host/` and needs no C library, so any C
compiler makes it in a fraction of a second.
"""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from platform import platform
from typing import Any

from keyc.cache import cache_folder
from keyc.diagnostics import UserError
from keyc.engine.c_tables import CFurther, CReport, CTables
from keyc.files import shipped

FLAGS = (
    "-std=c11",
    "-O2",
    "-shared",
    "-fPIC",
    "-nostdlib",
    "-ffreestanding",
    "-fno-builtin",
    "-fno-stack-protector",
)
NO_COMPILER_HELP = 'install one with `pip install "keyc[image]"`, or gcc or clang from your system'


class EngineLibrary:
    """The loaded object. `functions` has every function of the C, with its types set for ours."""

    def __init__(self, path: Path) -> None:
        self.functions = functions = ctypes.CDLL(str(path))
        pointer, word, time = ctypes.c_void_p, ctypes.c_uint32, ctypes.c_uint64
        declare(functions.keyc_host_bytes, word)
        declare(functions.keyc_host_keyboard_bytes, word, ctypes.POINTER(CTables))
        declare(functions.keyc_host_tables_bytes, word)
        declare(functions.keyc_host_further_tables_bytes, word)
        declare(functions.keyc_host_begin, ctypes.c_bool, pointer, pointer, ctypes.POINTER(CTables), time)
        declare(functions.keyc_host_clock_us, time, pointer)
        declare(functions.keyc_host_restarted, ctypes.c_bool, pointer)
        declare(functions.keyc_host_run, None, pointer, time)
        declare(functions.keyc_host_run_until_told, None, pointer, time)
        declare(functions.keyc_host_tell, ctypes.c_bool, pointer, ctypes.c_uint8, ctypes.c_bool)
        declare(functions.keyc_host_run_without_board, None, pointer, time)
        declare(functions.keyc_host_take_report, ctypes.c_bool, pointer, ctypes.POINTER(CReport))
        declare(functions.keyc_host_lights, None, pointer, ctypes.c_uint8)
        declare(functions.keyc_host_lit, word, pointer)
        declare(functions.keyc_set_protocol, None, pointer, ctypes.c_bool)
        declare(functions.keyc_reset_host_state, None, pointer)
        declare(functions.keyc_current_report, ctypes.c_uint8, pointer, ctypes.c_uint8, pointer)
        byte = ctypes.c_uint8
        declare(functions.keyc_host_step, word, pointer, byte, byte, word, word)
        declare(functions.keyc_host_save, None, pointer, pointer)
        declare(functions.keyc_host_restore, None, pointer, pointer)
        declare(functions.keyc_host_note_found, None, pointer, pointer, pointer, pointer)
        declare(functions.keyc_host_rest, word, pointer, pointer)
        rows = ctypes.POINTER(ctypes.c_uint32)
        declare(functions.keyc_host_set_lines, None, pointer, word, word, rows, rows)
        if functions.keyc_host_tables_bytes() != ctypes.sizeof(CTables):
            raise RuntimeError("keyc_tables has another size in C than here")
        if functions.keyc_host_further_tables_bytes() != ctypes.sizeof(CFurther):
            raise RuntimeError("keyc_further_tables has another size in C than here")

    def address(self, name: str) -> int:
        """Where a function or a constant of the C lies."""
        return ctypes.addressof(ctypes.c_char.in_dll(self.functions, name))


def declare(function: Any, result: object, *arguments: object) -> None:
    """Gives a C function its types for ctypes."""
    function.restype = result
    function.argtypes = arguments


def load() -> EngineLibrary:
    """The engine for this computer, from the cache or freshly built.

    UserError (exit status 3) if it has to be built and no compiler can do it.
    """
    folder = cache_folder()
    if folder is None:
        from tempfile import TemporaryDirectory

        with TemporaryDirectory(ignore_cleanup_errors=True) as temporary:
            return _built(Path(temporary) / _object_name())
    path = folder / _object_name()
    if path.exists():
        try:
            return EngineLibrary(path)
        except (OSError, AttributeError):
            path.unlink(missing_ok=True)  # damaged: built again
    return _built(path)


def source_folders() -> tuple[Path, Path]:
    return shipped("templates", "engine"), shipped("templates", "port", "host")


def sources(patterns: Sequence[str] = ("*.c",)) -> list[Path]:
    found = (path for folder in source_folders() for pattern in patterns for path in folder.glob(pattern))
    return sorted(found, key=lambda path: (path.parent.name, path.name))


def _object_name() -> str:
    from hashlib import sha256

    digest = sha256(repr((FLAGS, platform(), sys.maxsize)).encode())
    for path in sources(("*.c", "*.h")):
        digest.update(repr((path.name, path.read_bytes())).encode())
    return f"engine-{digest.hexdigest()[:24]}.{'dll' if os.name == 'nt' else 'so'}"


def _built(path: Path) -> EngineLibrary:
    """Builds the object with the first compiler that can, in its place in one step, and loads it."""
    import subprocess

    failures = []
    include = [f"-I{folder}" for folder in source_folders()]
    part = path.with_name(f"{path.stem}-{os.getpid()}.part")
    for compiler in compilers():
        command = [*compiler, *FLAGS, *include, *map(str, sources()), "-o", str(part)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        try:
            if done.returncode == 0:
                part.replace(path)
                return EngineLibrary(path)
            failures.append(f"{' '.join(compiler)}: {_first_error(done.stderr)}")
        except OSError as error:  # made for another machine, or no room on the disk
            failures.append(f"{' '.join(compiler)}: {error}")
            path.unlink(missing_ok=True)
        finally:
            part.unlink(missing_ok=True)
    if failures:
        raise UserError(f"the engine could not be built: {failures[0]}", NO_COMPILER_HELP, exit_status=3)
    raise UserError("no C compiler was found on this computer", NO_COMPILER_HELP, exit_status=3)


def compilers() -> list[list[str]]:
    """The commands of the C compilers at hand, the preferred one first.

    `CC` names another one, as is common practice; ziglang's clang comes with pip.
    """
    from importlib.util import find_spec
    from shlex import split
    from shutil import which

    named = split(os.environ.get("CC", ""))
    found = [[*named]] if named and which(named[0]) else []
    found += [[path] for path in map(which, ("gcc", "clang", "cc")) if path]
    if find_spec("ziglang"):
        found.append([sys.executable, "-m", "ziglang", "cc"])
    return found


def _first_error(text: str) -> str:
    lines = (
        [line for line in text.splitlines() if "error" in line] or text.splitlines() or ["no reason given"]
    )
    return lines[0].strip()
