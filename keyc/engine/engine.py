"""One keyboard's C engine on this computer, driven through ctypes. Tables go in as data."""

from __future__ import annotations

import ctypes
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from keyc.engine.c_tables import REPORT_BYTES, CReport, c_tables
from keyc.engine.library import EngineLibrary
from keyc.table_rows import Tables

REPORT_NAMES = ("keyboard", "consumer", "system", "pointer")
_LINES = 30


@dataclass(frozen=True, slots=True)
class Report:
    """A report as the host took it: when, which (of `REPORT_NAMES`), its bytes."""

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


class Engine:
    """One keyboard's engine over a table of what reads low, with a clock that only `run` moves."""

    def __init__(self, library: EngineLibrary, tables: Tables, now_us: int = 0) -> None:
        self._functions = functions = library.functions
        self._tables = c_tables(tables, library.address)
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
        self, low_at_rest: int, low_pulled_down: int, low_driven: Sequence[int], rise_ns: Sequence[int]
    ) -> None:
        """What reads low from now on: masks over GPIO0-29, and 30 of each row (see `hil.board.Table`)."""
        row = ctypes.c_uint32 * _LINES
        self._functions.keyc_host_set_lines(
            self._host, low_at_rest, low_pulled_down, row(*low_driven), row(*rise_ns)
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
        data = (ctypes.c_uint8 * REPORT_BYTES)()
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
        taken = CReport()
        while True:
            run(self._host, time_us)
            count = len(reports)
            while self._functions.keyc_host_take_report(self._host, ctypes.byref(taken)):
                data = bytes(taken.bytes[: taken.length])
                reports.append(Report(taken.time_us, REPORT_NAMES[taken.which], data))
            # A full log stops a run before its time: then there was something to take.
            if len(reports) == count or self.now_us >= time_us or self.restarted:
                return reports


def _block(size: int) -> ctypes.Array[ctypes.c_uint64]:
    return (ctypes.c_uint64 * ((size + 7) // 8))()
