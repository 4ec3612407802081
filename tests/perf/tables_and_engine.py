"""Tables, generated C, the engine on this computer and its size on the chip."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from keyc.emit import files_of
from keyc.keyboard import Keyboard
from keyc.tables import tables_of
from keyc.write import write_files
from tests.keyc.c_compilers import chip_compilers, compile_objects
from tests.keyc.hand_made import key, keyboard_of, wiring_of
from tests.perf import Figure

ENGINE = ["engine_scan.c", "engine_settle.c", "engine_layers.c", "engine_reports.c"]


def figures() -> list[Figure]:
    return [*_emission(), *_engine_here(), *_engine_on_chip()]


def _best(work: Callable[[], object], times: int = 7) -> float:
    """Seconds, the best of a few."""
    best = float("inf")
    for _ in range(times):
        started = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - started)
    return best


def _keyboard(layers: int) -> Keyboard:
    """104 keys in a matrix of 6 × 18."""
    unused = [f"SW{n}" for n in range(105, 109)]
    wiring = wiring_of(rows=tuple(range(6)), columns=tuple(range(6, 24)), direct=(), without=unused)
    made = [[key(4 + (7 * switch + layer) % 100) for switch in range(104)] for layer in range(layers)]
    return keyboard_of(wiring, *made, names=[f"layer{n}" for n in range(layers)])


def _emission() -> list[Figure]:
    command = [sys.executable, "-c", "import lark, jinja2"]
    imports = _best(lambda: subprocess.run(command, check=True))
    small, nothing, four, sixteen = _keyboard(8), _keyboard(1), _keyboard(39), _keyboard(154)
    t8, t0, t4k, t16k = (
        _best(lambda k=keyboard: files_of(k, tables_of(k)))  # type: ignore[misc]
        for keyboard in (small, nothing, four, sixteen)
    )
    tables, one_layer = tables_of(small), tables_of(nothing)
    per_cell = (tables.flash_bytes - one_layer.flash_bytes) / (7 * 104)
    return [
        Figure("tables and C of 104 keys × 8 layers ÷ `import lark, jinja2`", t8 / imports, "×", 0.1),
        Figure("its growth from 4k to 16k cells", (t16k - t0) / (t4k - t0), "×", 4.5),
        Figure("flash per plain cell", per_cell, "bytes", 2),
        Figure("RAM of the engine, 104 keys", tables.state_bytes, "bytes", 2048),
    ]


def _engine_here() -> list[Figure]:
    from hil.board import Board
    from keyc.compile import check_text, read_source
    from keyc.engine.engine import Engine
    from keyc.engine.library import load
    from keyc.engine.scenarios import run
    from keyc.files import shipped

    library = load()
    keyboard = _keyboard(8)
    table = Board(keyboard.wiring).table(frozenset({"SW1"}))
    engine = Engine(library, tables_of(keyboard))
    engine.set_lines(
        table.at_rest.low, table.pulled_down.low, [row.low for row in table.driven], table.rise_ns
    )
    second = _best(lambda: engine.run_until(engine.now_us + 1_000_000))
    found = [Figure("one second of a held key at 8 kHz, 6 × 18, run here", 1e3 * second, "ms", 50)]
    for path in sorted(shipped("data", "demo").glob("*.keys")):
        demo, _ = check_text(read_source(path))
        if demo is not None:
            milliseconds = 1e3 * _best(lambda k=demo: run(k))  # type: ignore[misc]
            name = f"{len(demo.scenarios)} scenarios of {path.name}"
            found.append(Figure(name, milliseconds, "ms", 50))
    return found


def _engine_on_chip() -> list[Figure]:
    from elftools.elf.elffile import ELFFile

    found = []
    keyboard = _keyboard(8)
    for name, compiler in chip_compilers().items():
        with tempfile.TemporaryDirectory() as folder:
            write_files(folder, files_of(keyboard, tables_of(keyboard)))
            said = compile_objects(compiler, Path(folder), ENGINE)
            if said:
                raise RuntimeError(said)
            size = 0
            for source in ENGINE:
                with Path(folder, source).with_suffix(".o").open("rb") as file:
                    size += sum(
                        section["sh_size"]
                        for section in ELFFile(file).iter_sections()
                        if section.name.startswith((".text", ".rodata"))
                    )
        found.append(Figure(f"the engine's code, {name}", size, "bytes", 3200))
    return found
