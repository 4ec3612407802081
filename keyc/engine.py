"""The C engine on this computer: built once, kept in the cache, driven through ctypes.

The object holds everything of `templates/engine/` and `templates/port/host/` and needs no C
library, so any C compiler makes it in a fraction of a second. Tables go in as data.
"""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import accumulate, count
from pathlib import Path
from platform import platform
from typing import TYPE_CHECKING, Any

from keyc.cache import cache_folder
from keyc.diagnostics import UserError
from keyc.files import shipped
from keyc.tables import TABLES_VERSION, Further, Tables, modifier_bits, rule_flags

if TYPE_CHECKING:
    from keyc.keyboard import Press

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

REPORT_NAMES = ("keyboard", "consumer", "system", "pointer")
_LINES = 30
_REPORT_BYTES = 36


@dataclass(frozen=True, slots=True)
class Report:
    """A report as the host took it: when, which (`keyboard`, `consumer`, `system`), its bytes."""

    time_us: int
    which: str
    bytes: bytes


MOVE_NONE, MOVE_DOWN, MOVE_UP, MOVE_DOWN_AND_UP = range(4)


@dataclass(frozen=True, slots=True)
class Step:
    """What came of one step: an event was lost, the board restarted into its ROM, something was still
    to be told; and how many events wait to be decided."""

    lost: bool
    restarted: bool
    untold: bool
    waiting: int


@dataclass(frozen=True, slots=True)
class Rest:
    """What is held after a step. `shows`: the reports say more than the modifiers that are locked or wait
    for a key. `modes`: the bottom, locked modifiers, those for the next key, then for each layer bit 0
    locked, bit 1 for the next key."""

    holds: bool
    shows: bool
    modes: bytes


class _Timing(ctypes.Structure):
    _fields_ = (("debounce_us", ctypes.c_uint32), ("at_once", ctypes.c_bool))


class _Rules(ctypes.Structure):
    _fields_ = (
        ("hold_after_us", ctypes.c_uint32),
        ("chord_within_us", ctypes.c_uint32),
        ("taps_within_us", ctypes.c_uint32),
        ("tap_if_typing_within_us", ctypes.c_uint32),
        ("repeat_if_tapped_within_us", ctypes.c_uint32),
        ("flags", ctypes.c_uint8),
    )


class _Dual(ctypes.Structure):
    _fields_ = (("tap", ctypes.c_uint16), ("hold", ctypes.c_uint16))


class _Taps(ctypes.Structure):
    _fields_ = (("first", ctypes.c_uint16), ("count", ctypes.c_uint16))


class _Chord(ctypes.Structure):
    _fields_ = (
        ("cell", ctypes.c_uint16),
        ("count", ctypes.c_uint8),
        ("layer", ctypes.c_uint8),
    )


class _When(ctypes.Structure):
    _fields_ = (("first", ctypes.c_uint16), ("count", ctypes.c_uint8), ("layer", ctypes.c_uint8))


class _Dial(ctypes.Structure):
    _fields_ = (
        ("pin_a", ctypes.c_uint8),
        ("pin_b", ctypes.c_uint8),
        ("edges_per_detent", ctypes.c_uint8),
        ("first_switch", ctypes.c_uint8),
    )


class _Light(ctypes.Structure):
    _fields_ = (
        ("pin", ctypes.c_uint8),
        ("lit_low", ctypes.c_bool),
        ("indicator", ctypes.c_uint8),
        ("layer", ctypes.c_uint8),
    )


class _Further(ctypes.Structure):
    """`struct keyc_further_tables`, field for field; the library's own functions are plain addresses."""

    _fields_ = (
        ("functions", ctypes.c_void_p),
        ("match_chords", ctypes.c_void_p),
        ("decide", ctypes.c_void_p),
        ("count_taps", ctypes.c_void_p),
        ("modes", ctypes.c_void_p),
        ("typing", ctypes.c_void_p),
        ("pointer", ctypes.c_void_p),
        ("read_dials", ctypes.c_void_p),
        ("show_lights", ctypes.c_void_p),
        ("rules", ctypes.POINTER(_Rules)),
        ("rules_of", ctypes.POINTER(ctypes.c_uint8)),
        ("duals", ctypes.POINTER(_Dual)),
        ("taps", ctypes.POINTER(_Taps)),
        ("tap_cells", ctypes.POINTER(ctypes.c_uint16)),
        ("chords", ctypes.POINTER(_Chord)),
        ("chord_sets", ctypes.POINTER(ctypes.c_uint32)),
        ("chord_switches", ctypes.POINTER(ctypes.c_uint8)),
        ("chord_place_of", ctypes.POINTER(ctypes.c_uint8)),
        ("chords_of", ctypes.POINTER(ctypes.c_uint16)),
        ("chord_list", ctypes.POINTER(ctypes.c_uint16)),
        ("whens", ctypes.POINTER(_When)),
        ("when_layers", ctypes.POINTER(ctypes.c_uint8)),
        ("sequences", ctypes.POINTER(ctypes.c_uint16)),
        ("strokes", ctypes.POINTER(ctypes.c_uint16)),
        ("dials", ctypes.POINTER(_Dial)),
        ("lights", ctypes.POINTER(_Light)),
        ("chord_switch_count", ctypes.c_uint8),
        ("when_count", ctypes.c_uint8),
        ("dial_count", ctypes.c_uint8),
        ("light_count", ctypes.c_uint8),
    )


class _Tables(ctypes.Structure):
    """`struct keyc_tables`, field for field; `Engine` compares the sizes."""

    _fields_ = (
        ("version", ctypes.c_uint16),
        ("driven_count", ctypes.c_uint8),
        ("sensed_count", ctypes.c_uint8),
        ("direct_count", ctypes.c_uint8),
        ("switch_count", ctypes.c_uint8),
        ("layer_count", ctypes.c_uint8),
        ("second_reports", ctypes.c_uint8),
        ("driven", ctypes.POINTER(ctypes.c_uint8)),
        ("sensed", ctypes.POINTER(ctypes.c_uint8)),
        ("direct", ctypes.POINTER(ctypes.c_uint8)),
        ("switch_at", ctypes.POINTER(ctypes.c_uint8)),
        ("cells", ctypes.POINTER(ctypes.c_uint16)),
        ("actions", ctypes.POINTER(ctypes.c_uint32)),
        ("timings", ctypes.POINTER(_Timing)),
        ("timing_of", ctypes.POINTER(ctypes.c_uint8)),
        ("further", ctypes.POINTER(_Further)),
    )


class _Report(ctypes.Structure):
    _fields_ = (
        ("time_us", ctypes.c_uint64),
        ("which", ctypes.c_uint8),
        ("length", ctypes.c_uint8),
        ("bytes", ctypes.c_uint8 * _REPORT_BYTES),
    )


class EngineLibrary:
    """The loaded object. `functions` has every function of the C, with its types set for ours."""

    def __init__(self, path: Path) -> None:
        self.functions = functions = ctypes.CDLL(str(path))
        pointer, word, time = ctypes.c_void_p, ctypes.c_uint32, ctypes.c_uint64
        _declare(functions.keyc_host_bytes, word)
        _declare(functions.keyc_host_keyboard_bytes, word, ctypes.POINTER(_Tables))
        _declare(functions.keyc_host_tables_bytes, word)
        _declare(functions.keyc_host_further_tables_bytes, word)
        _declare(functions.keyc_host_begin, ctypes.c_bool, pointer, pointer, ctypes.POINTER(_Tables), time)
        _declare(functions.keyc_host_clock_us, time, pointer)
        _declare(functions.keyc_host_restarted, ctypes.c_bool, pointer)
        _declare(functions.keyc_host_run, None, pointer, time)
        _declare(functions.keyc_host_run_until_told, None, pointer, time)
        _declare(functions.keyc_host_tell, ctypes.c_bool, pointer, ctypes.c_uint8, ctypes.c_bool)
        _declare(functions.keyc_host_run_without_board, None, pointer, time)
        _declare(functions.keyc_host_take_report, ctypes.c_bool, pointer, ctypes.POINTER(_Report))
        _declare(functions.keyc_host_lights, None, pointer, ctypes.c_uint8)
        _declare(functions.keyc_host_lit, word, pointer)
        _declare(functions.keyc_set_protocol, None, pointer, ctypes.c_bool)
        _declare(functions.keyc_reset_host_state, None, pointer)
        _declare(functions.keyc_current_report, ctypes.c_uint8, pointer, ctypes.c_uint8, pointer)
        byte = ctypes.c_uint8
        _declare(functions.keyc_host_step, word, pointer, byte, byte, word, word)
        _declare(functions.keyc_host_save, None, pointer, pointer)
        _declare(functions.keyc_host_restore, None, pointer, pointer)
        _declare(functions.keyc_host_note_found, None, pointer, pointer, pointer, pointer)
        _declare(functions.keyc_host_rest, word, pointer, pointer)
        rows = ctypes.POINTER(ctypes.c_uint32)
        _declare(functions.keyc_host_set_lines, None, pointer, word, word, rows, rows)
        if functions.keyc_host_tables_bytes() != ctypes.sizeof(_Tables):
            raise RuntimeError("keyc_tables has another size in C than here")
        if functions.keyc_host_further_tables_bytes() != ctypes.sizeof(_Further):
            raise RuntimeError("keyc_further_tables has another size in C than here")

    def address(self, name: str) -> int:
        """Where a function or a constant of the C lies."""
        return ctypes.addressof(ctypes.c_char.in_dll(self.functions, name))


class Engine:
    """One keyboard's engine over a table of what reads low, with a clock that only `run` moves."""

    def __init__(self, library: EngineLibrary, tables: Tables, now_us: int = 0) -> None:
        self._functions = functions = library.functions
        self._tables = _c_tables(tables, library)
        self._state = _block(functions.keyc_host_keyboard_bytes(ctypes.byref(self._tables)))
        self._host = self._begun(now_us)

    def _begun(self, now_us: int) -> ctypes.Array[ctypes.c_uint64]:
        """The port's state: `struct keyc_host`, or what begins with one."""
        host = _block(self._functions.keyc_host_bytes())
        if not self._functions.keyc_host_begin(host, self._state, ctypes.byref(self._tables), now_us):
            raise ValueError("the engine refuses these tables")
        return host

    @property
    def now_us(self) -> int:
        return int(self._functions.keyc_host_clock_us(self._host))

    @property
    def restarted(self) -> bool:
        """Whether `usb-boot` has ended it."""
        return bool(self._functions.keyc_host_restarted(self._host))

    def set_lines(
        self, low_at_rest: int, low_pulled_down: int, low_driven: Sequence[int], rise_us: Sequence[int]
    ) -> None:
        """What reads low from now on: masks over GPIO0-29, and 30 of each row (see `hil.board.Table`)."""
        row = ctypes.c_uint32 * _LINES
        self._functions.keyc_host_set_lines(
            self._host, low_at_rest, low_pulled_down, row(*low_driven), row(*rise_us)
        )

    def set_protocol(self, *, boot: bool) -> None:
        """The host's SET_PROTOCOL: held keys are reported again, in the boot protocol as 8 bytes."""
        self._functions.keyc_set_protocol(self._state, boot)

    def set_host_lights(self, lights: int) -> None:
        """The host's SET_REPORT for the indicators: bit n is LED usage n + 1."""
        self._functions.keyc_host_lights(self._state, lights)

    @property
    def high_lights(self) -> int:
        """The indicators' pins that are driven high, bit n for GPIO n."""
        return int(self._functions.keyc_host_lit(self._host))

    def reset_host(self) -> None:
        """The host starts anew and knows nothing: held keys are reported to it again."""
        self._functions.keyc_reset_host_state(self._state)

    def current_report(self, which: str) -> bytes:
        """The host's GET_REPORT: the report as it is now; empty if this keyboard has no such report."""
        data = (ctypes.c_uint8 * _REPORT_BYTES)()
        length = self._functions.keyc_current_report(self._state, REPORT_NAMES.index(which), data)
        return bytes(data[:length])

    def run_until(self, time_us: int) -> list[Report]:
        """Runs to `time_us` (or one scan past it) and returns the reports that the host took."""
        return self._run(self._functions.keyc_host_run, time_us)

    def run_until_told(self, time_us: int) -> list[Report]:
        """Runs until all that has happened is settled and told, at the longest to `time_us`."""
        return self._run(self._functions.keyc_host_run_until_told, time_us)

    def tell(self, switch_number: int, *, pressed: bool) -> bool:
        """Instead of a board: a switch moves now, as the debounce would tell it. False: the queue is full."""
        return bool(self._functions.keyc_host_tell(self._host, switch_number, pressed))

    def run_without_board(self, time_us: int) -> list[Report]:
        """Runs to `time_us` without scans, between calls of `tell`."""
        return self._run(self._functions.keyc_host_run_without_board, time_us)

    def step(self, switch_number: int, moves: int, step_us: int, most_us: int) -> Step:
        """Explores: a switch moves (see MOVE_...), then all is told that can be, in a whole number of
        `step_us`, at the longest `most_us`. Afterwards the state has no time of its own."""
        found = self._functions.keyc_host_step(self._host, switch_number, moves, step_us, most_us)
        return Step(bool(found & 1), bool(found & 2), bool(found & 4), found >> 8)

    def saved(self) -> bytes:
        """The state after a step. Equal states go on equally, in this process."""
        size = self._functions.keyc_host_keyboard_bytes(ctypes.byref(self._tables))
        bytes_of = (ctypes.c_uint8 * size)()
        self._functions.keyc_host_save(self._host, bytes_of)
        return bytes(bytes_of)

    def restore(self, state: bytes) -> None:
        """Back to a state that `saved` returned."""
        self._functions.keyc_host_restore(self._host, state)

    def note_found(self, layers: bytearray, cells: bytearray, chords: bytearray) -> None:
        """Marks with 1 which layers are on, [layer], which cells a press would find, [layer * switches +
        switch], and which chords are held, [chord]."""
        views = [(ctypes.c_uint8 * len(one)).from_buffer(one) for one in (layers, cells, chords)]
        self._functions.keyc_host_note_found(self._host, *views)

    def rest(self) -> Rest:
        """What is held and shown after a step, and which modes are on."""
        modes = (ctypes.c_uint8 * (3 + self._tables.layer_count))()
        found = self._functions.keyc_host_rest(self._host, modes)
        return Rest(bool(found & 1), bool(found & 2), bytes(modes))

    def _run(self, run: Callable[[object, int], None], time_us: int) -> list[Report]:
        reports: list[Report] = []
        taken = _Report()
        while True:
            run(self._host, time_us)
            count = len(reports)
            while self._functions.keyc_host_take_report(self._host, ctypes.byref(taken)):
                data = bytes(taken.bytes[: taken.length])
                reports.append(Report(taken.time_us, REPORT_NAMES[taken.which], data))
            # A full log stops a run before its time: then there was something to take.
            if len(reports) == count or self.now_us >= time_us or self.restarted:
                return reports


def _declare(function: Any, result: object, *arguments: object) -> None:
    function.restype = result
    function.argtypes = arguments


def _block(size: int) -> ctypes.Array[ctypes.c_uint64]:
    return (ctypes.c_uint64 * ((size + 7) // 8))()


def _bytes_of(values: Sequence[int]) -> ctypes.Array[ctypes.c_uint8]:
    return (ctypes.c_uint8 * len(values))(*values)


def _words_of(values: Sequence[int]) -> ctypes.Array[ctypes.c_uint16]:
    return (ctypes.c_uint16 * len(values))(*values)


def _c_tables(tables: Tables, library: EngineLibrary) -> _Tables:
    """The C form. ctypes keeps what its pointers point to alive as long as itself."""
    cells = [cell for layer in tables.cells for cell in layer]
    actions = [_action(action) for action in tables.actions]
    timings = [_Timing(timing.debounce_us, timing.at_once) for timing in tables.timings]
    return _Tables(
        version=TABLES_VERSION,
        driven_count=len(tables.driven),
        sensed_count=len(tables.sensed),
        direct_count=len(tables.direct),
        switch_count=tables.switch_count,
        layer_count=tables.layer_count,
        second_reports=tables.second_reports,
        driven=_bytes_of(tables.driven),
        sensed=_bytes_of(tables.sensed),
        direct=_bytes_of(tables.direct),
        switch_at=_bytes_of([number for line in tables.switch_at for number in line]),
        cells=_words_of(cells),
        actions=(ctypes.c_uint32 * len(actions))(*actions),
        timings=(_Timing * len(timings))(*timings),
        timing_of=None if tables.timing_of is None else _bytes_of(tables.timing_of),
        further=ctypes.pointer(_c_further(tables.further, library)) if tables.further else None,
    )


def _c_further(further: Further, library: EngineLibrary) -> _Further:
    def used(name: str, rows: object) -> int | None:
        return library.address(name) if rows else None

    rules = [
        _Rules(
            one.hold_after_us,
            one.chord_within_us,
            one.taps_within_us,
            one.tap_if_typing_within_us,
            one.repeat_if_tapped_within_us,
            rule_flags(one),
        )
        for one in further.rules
    ]
    taps, tap_cells = _joined(further.taps)
    firsts, strokes = _joined(further.sequences)
    sets = further.chord_sets
    chords_of, chord_list = _joined(sets.chords_at)
    others_at, others = _joined([when.others for when in further.whens])
    chords = [_Chord(chord.cell, len(chord.members), chord.layer) for chord in further.chords]
    whens = [
        _When(first, len(when.others), when.layer)
        for first, when in zip(others_at, further.whens, strict=True)
    ]
    dials = [
        _Dial(dial.pin_a, dial.pin_b, dial.edges_per_detent, number)
        for number, dial in zip(count(further.first_turn, 2), further.dials, strict=False)
    ]
    lights = [_Light(light.pin, light.lit_low, light.indicator, light.layer) for light in further.lights]
    return _Further(
        functions=library.address("keyc_further_functions"),
        match_chords=used("keyc_match_chords", chords),
        decide=used("keyc_decide", further.duals),
        count_taps=used("keyc_count_taps", taps),
        modes=used("keyc_mode_functions", further.uses_modes),
        typing=used("keyc_typing_functions", strokes),
        pointer=used("keyc_pointer_functions", further.uses_pointer),
        read_dials=used("keyc_read_dials", dials),
        show_lights=used("keyc_show_lights", lights),
        rules=(_Rules * len(rules))(*rules),
        rules_of=None if further.rules_of is None else _bytes_of(further.rules_of),
        duals=(_Dual * len(further.duals))(*(_Dual(dual.tap, dual.hold) for dual in further.duals)),
        taps=(_Taps * len(taps))(
            *(_Taps(first, len(cells)) for first, cells in zip(taps, further.taps, strict=True))
        ),
        tap_cells=_words_of(tap_cells),
        chords=(_Chord * len(chords))(*chords),
        chord_sets=(ctypes.c_uint32 * sum(map(len, sets.words)))(*(w for words in sets.words for w in words)),
        chord_switches=_bytes_of(sets.switches),
        chord_place_of=_bytes_of(sets.place_of),
        chords_of=_words_of([*chords_of, len(chord_list)]),
        chord_list=_words_of(chord_list),
        whens=(_When * len(whens))(*whens),
        when_layers=_bytes_of(others),
        sequences=_words_of(firsts),
        strokes=_words_of(strokes),
        dials=(_Dial * len(dials))(*dials),
        lights=(_Light * len(lights))(*lights),
        chord_switch_count=len(sets.switches),
        when_count=len(whens),
        dial_count=len(dials),
        light_count=len(lights),
    )


def _joined(rows: Sequence[Sequence[int]]) -> tuple[list[int], list[int]]:
    """Where each row begins, and all of them one after the other."""
    firsts = list(accumulate(map(len, rows), initial=0))[:-1]
    return firsts, [number for row in rows for number in row]


def _action(action: Press) -> int:
    return modifier_bits(action.modifiers) << 24 | action.usage.page << 16 | action.usage.id


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
