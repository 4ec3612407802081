"""A virtual board on this computer: the same C as in the images, over the electrical model.

The C has a clock of its own that only `advance` moves, so a second at rest costs next to nothing.
Python is asked nothing while it runs: a change of the closed switches hands it a new table.
"""

from __future__ import annotations

import ctypes
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, Literal

from hil.board import ALL_PINS, Board
from hil.faults import Fault
from hil.observe import mask_of
from keyc.engine.engine import Engine, Report
from keyc.engine.library import EngineLibrary, declare, load
from keyc.keyboard import Wiring
from keyc.pins import GPIO_COUNT

if TYPE_CHECKING:
    from keyc.fingerprints import Fingerprints
    from keyc.keyboard import Keyboard
    from keyc.table_rows import Tables

_CHUNK = 4096
_UNKNOWN_FLASH = b"\xff" * 8
_FLASH_SERIAL = 0x56_4952_5455_414C_00  # any value that isn't all zeros or ones

_Row = ctypes.c_uint32 * GPIO_COUNT


class _Identity(ctypes.Structure):
    """`struct keyc_bench_identity`, field for field."""

    _fields_ = (
        ("usable_pins", ctypes.c_uint32),
        ("cathode_lines", ctypes.c_uint32),
        ("anode_lines", ctypes.c_uint32),
        ("direct_lines", ctypes.c_uint32),
        ("lit_high", ctypes.c_uint32),
        ("flash_id", ctypes.c_uint8 * 8),
        ("wiring", ctypes.c_uint8 * 6),
        ("keymap", ctypes.c_uint8 * 6),
        ("engine", ctypes.c_uint8 * 6),
    )


class HostBoard:
    """One board on the bench; fulfils `hil.virtual.VirtualBoard`.

    `image` is what runs on it: the bench, or with `tables` the daily or the trial image. A bench image that
    is given no fingerprints is the universal one: it knows no keyboard. `seed` decides readings that
    electricity leaves open (0 high, 1 low, else each by itself). Raises UserError (exit status 3) without a
    compiler.
    """

    def __init__(
        self,
        wiring: Wiring,
        faults: Iterable[Fault] = (),
        image: Literal["bench", "daily", "trial"] = "bench",
        tables: Tables | None = None,
        fingerprints: Fingerprints | None = None,
        seed: int = 0,
    ) -> None:
        if (image == "bench") != (tables is None):
            raise ValueError("the bench image runs without tables, the others run on them")
        self.wiring = wiring
        self._board = Board(wiring, faults)
        self._which = image
        self._tables = tables
        self._fingerprints = fingerprints
        self._seed = seed
        self._closed: frozenset[str] = frozenset()
        self._heard = b""  # from the board, before its cable was pulled
        self._waiting = b""  # to the board, more than its console takes at once
        self._reports: list[tuple[int, str, bytes]] = []
        self._now_us = 0
        self._image: _BenchImage | _TrialImage | Engine | None = None
        self._library = load()
        self.plug()

    @property
    def faults(self) -> tuple[Fault, ...]:
        return self._board.faults

    @property
    def now_us(self) -> int:
        """The board's clock; it runs on without power."""
        return self._now_us

    @property
    def connected(self) -> bool:
        """Whether the computer sees it: plugged in, and neither reset nor restarted into its ROM."""
        return self._image is not None

    def plug(self) -> None:
        """Power and data. An image in RAM is loaded again with that."""
        kinds = {fault.kind for fault in self._board.faults}
        held_in_reset = self._board.table().resets == ALL_PINS
        if "no-usb" in kinds or held_in_reset or (self._which == "daily" and "no-flash" in kinds):
            return
        identity = self._identity("no-flash" not in kinds)
        if self._tables is None:
            self._image = _BenchImage(self._library, identity, self._now_us)
        elif self._which == "daily":
            self._image = Engine(self._library, self._tables, self._now_us)
        else:
            self._image = _TrialImage(self._library, self._tables, identity, self._now_us)
        self._lay_lines()

    def next_image(self, keyboard: Keyboard, image: Literal["bench", "trial"]) -> None:
        """The image that it gets when it is plugged in next."""
        from keyc.tables import tables_of

        self._which = image
        self._tables = None if image == "bench" else tables_of(keyboard)

    def unplug(self) -> None:
        if isinstance(self._image, _BenchImage | _TrialImage):
            self._heard += self._image.console.receive()
        self._image = None
        self._waiting = b""

    def advance(self, us: int) -> None:
        """Lets time pass."""
        until_us = self._now_us + us
        image = self._image
        if isinstance(image, _BenchImage):
            self._waiting = self._waiting[image.console.send(self._waiting) :]
            image.run_until(until_us)
            gone = image.gone
        elif image is not None:
            if isinstance(image, _TrialImage):
                self._waiting = self._waiting[image.console.send(self._waiting) :]
            self._reports += [(r.time_us, r.which, r.bytes) for r in image.run_until(until_us)]
            gone = image.restarted
        else:
            self._now_us = until_us
            return
        # One step of the C may end a little later than asked for.
        self._now_us = max(image.now_us, until_us if gone else 0)
        if gone:
            self.unplug()

    def set_closed(self, switches: frozenset[str]) -> None:
        """These switches are closed from now on, all others open."""
        if switches != self._closed:
            self._closed = switches
            self._lay_lines()

    def set_faults(self, faults: Iterable[Fault]) -> None:
        """The board as it is after the iron: other faults from now on."""
        self._board = Board(self.wiring, faults)
        self._lay_lines()

    def send(self, data: bytes) -> None:
        """Bytes to its console; a board that isn't there gets none."""
        if isinstance(self._image, _BenchImage | _TrialImage):
            self._waiting += data

    def receive(self) -> bytes:
        """Bytes from its console since the last call."""
        heard, self._heard = self._heard, b""
        if isinstance(self._image, _BenchImage | _TrialImage):
            heard += self._image.console.receive()
        return heard

    def lit_us(self) -> dict[int, int]:
        """How long each light has been lit since it was plugged in, by its pin."""
        nothing = [0] * GPIO_COUNT
        driven = self._image.driven_us if isinstance(self._image, _BenchImage) else (nothing, nothing)
        return self._board.lit_us(*driven)

    def reports(self) -> list[tuple[int, str, bytes]]:
        """Key reports since the last call: time in µs, which (`hil.virtual`), bytes."""
        taken, self._reports = self._reports, []
        return taken

    def _lay_lines(self) -> None:
        if self._image is None:
            return
        table = self._board.table(self._closed).resolved(self._seed)
        driven = [row.low for row in table.driven]
        self._image.set_lines(table.at_rest.low, table.pulled_down.low, driven, table.rise_ns)
        if isinstance(self._image, _BenchImage):
            self._image.set_resets(table.resets)
            self._image.set_raises(dict(table.raises))

    def _identity(self, has_flash: bool) -> _Identity:
        flash_id = (_FLASH_SERIAL + self._seed % 256).to_bytes(8, "big") if has_flash else _UNKNOWN_FLASH
        identity = _Identity(usable_pins=ALL_PINS, flash_id=(ctypes.c_uint8 * 8)(*flash_id))
        if self._fingerprints is not None:
            wiring = self.wiring
            identity.cathode_lines = mask_of(wiring.driven)
            identity.anode_lines = mask_of(wiring.sensed)
            identity.direct_lines = mask_of(wiring.direct_pins)
            identity.lit_high = mask_of(light.pin for light in wiring.lights if not light.lit_low)
            for what in ("wiring", "keymap", "engine"):
                digits = bytes.fromhex(getattr(self._fingerprints, what))
                setattr(identity, what, (ctypes.c_uint8 * 6)(*digits))
        return identity


class _Console:
    """Bytes to and from an image, by the two functions of its port that take its state."""

    def __init__(self, send: Any, receive: Any, host: ctypes.Array[ctypes.c_uint64]) -> None:
        self._send, self._receive, self._host = send, receive, host
        self._buffer = ctypes.create_string_buffer(_CHUNK)

    def send(self, data: bytes) -> int:
        """How many of these bytes the image took."""
        return int(self._send(self._host, data, len(data))) if data else 0

    def receive(self) -> bytes:
        heard = b""
        while count := self._receive(self._host, self._buffer, _CHUNK):
            heard += self._buffer.raw[:count]
        return heard


class _BenchImage:
    """The bench's C with its console."""

    def __init__(self, library: EngineLibrary, identity: _Identity, now_us: int) -> None:
        self._functions = functions = library.functions
        pointer, word, time = ctypes.c_void_p, ctypes.c_uint32, ctypes.c_uint64
        for name, result, arguments in (
            ("size", word, ()),
            ("begin", None, (pointer, ctypes.POINTER(_Identity), time)),
            ("set_resets", None, (pointer, word)),
            ("send", word, (pointer, ctypes.c_char_p, word)),
            ("receive", word, (pointer, ctypes.c_char_p, word)),
            ("run", None, (pointer, time)),
            ("clock_us", time, (pointer,)),
            ("set_raises", None, (pointer, pointer)),
            ("driven_us", None, (pointer, pointer, pointer)),
            ("is_gone", ctypes.c_bool, (pointer,)),
        ):
            declare(getattr(functions, f"keyc_host_bench_{name}"), result, *arguments)
        self._host = (ctypes.c_uint64 * ((functions.keyc_host_bench_size() + 7) // 8))()
        functions.keyc_host_bench_begin(self._host, ctypes.byref(identity), now_us)
        self.console = _Console(functions.keyc_host_bench_send, functions.keyc_host_bench_receive, self._host)

    @property
    def now_us(self) -> int:
        return int(self._functions.keyc_host_bench_clock_us(self._host))

    @property
    def gone(self) -> bool:
        return bool(self._functions.keyc_host_bench_is_gone(self._host))

    @property
    def driven_us(self) -> tuple[list[int], list[int]]:
        """How long each pin has been driven low so far, and high."""
        low, high = (ctypes.c_uint64 * GPIO_COUNT)(), (ctypes.c_uint64 * GPIO_COUNT)()
        self._functions.keyc_host_bench_driven_us(self._host, low, high)
        return list(low), list(high)

    def run_until(self, time_us: int) -> None:
        self._functions.keyc_host_bench_run(self._host, time_us)

    def set_lines(
        self, low_at_rest: int, low_pulled_down: int, driven: list[int], rise_ns: Iterable[int]
    ) -> None:
        self._functions.keyc_host_set_lines(
            self._host, low_at_rest, low_pulled_down, _Row(*driven), _Row(*rise_ns)
        )

    def set_resets(self, lines: int) -> None:
        self._functions.keyc_host_bench_set_resets(self._host, lines)

    def set_raises(self, lines: Mapping[int, int]) -> None:
        """Per pin that may be driven high the lines that read high then."""
        rows = _Row(*(lines.get(pin, 0) for pin in range(GPIO_COUNT)))
        self._functions.keyc_host_bench_set_raises(self._host, rows)


class _TrialImage(Engine):
    """The keyboard's engine with the trial's console beside it."""

    def __init__(self, library: EngineLibrary, tables: Tables, identity: _Identity, now_us: int) -> None:
        functions = library.functions
        pointer, word, time = ctypes.c_void_p, ctypes.c_uint32, ctypes.c_uint64
        for name, result, arguments in (
            ("bytes", word, ()),
            ("begin", ctypes.c_bool, (pointer, pointer, pointer, ctypes.POINTER(_Identity), time)),
            ("send", word, (pointer, ctypes.c_char_p, word)),
            ("receive", word, (pointer, ctypes.c_char_p, word)),
            ("run", None, (pointer, time)),
        ):
            declare(getattr(functions, f"keyc_host_trial_{name}"), result, *arguments)
        self._identity = identity
        super().__init__(library, tables, now_us)
        self.console = _Console(functions.keyc_host_trial_send, functions.keyc_host_trial_receive, self._host)

    def _begun(self, now_us: int) -> ctypes.Array[ctypes.c_uint64]:
        words = (int(self._functions.keyc_host_trial_bytes()) + 7) // 8
        host = (ctypes.c_uint64 * words)()
        tables = ctypes.byref(self._tables)
        if not self._functions.keyc_host_trial_begin(
            host, self._state, tables, ctypes.byref(self._identity), now_us
        ):
            raise ValueError("the engine refuses these tables")
        return host

    def run_until(self, time_us: int) -> list[Report]:
        return self._run(self._functions.keyc_host_trial_run, time_us)
