"""The device half of the RP2040's USB controller, as a host on the cable meets it.

The emulator's own block completes every transfer by itself; a host that polls (NAK, STALL, DATA0 and
DATA1, double buffers) needs the registers and the dual-port RAM to behave as in the RP2040 datasheet,
section 4.1, so this replaces it. Only what a full-speed device uses is here: no host mode, no isochronous
endpoints. Registers are reached through `read_uint32` and `write_uint32_atomic`, the cable through
`setup`, `data_in` and `data_out`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum, IntEnum

# Register offsets (datasheet 4.1.4).
_ADDR_ENDP, _MAIN_CTRL, _SOF_RD, _SIE_CTRL, _SIE_STATUS = 0x00, 0x40, 0x48, 0x4C, 0x50
_BUFF_STATUS, _BUFF_CPU_SHOULD_HANDLE, _EP_ABORT, _EP_ABORT_DONE = 0x58, 0x5C, 0x60, 0x64
_EP_STALL_ARM, _EP_STATUS_STALL_NAK, _USB_MUXING, _USB_PWR = 0x68, 0x70, 0x74, 0x78
_INTR, _INTE, _INTF, _INTS = 0x8C, 0x90, 0x94, 0x98
# Registers that only hold what was written: the host's ADDR_ENDP1 to 15 and INT_EP_CTRL, NAK_POLL,
# and the three of the transceiver. The boot ROM clears the whole block.
_PLAIN = (*range(0x04, 0x40, 4), 0x54, 0x6C, 0x7C, 0x80, 0x84)
_READ_ONLY = (0x44, _SOF_RD, _BUFF_CPU_SHOULD_HANDLE)  # and SOF_WR, which only a host has

_CONTROLLER_ENABLE = 1 << 0  # MAIN_CTRL
_PULLUP_ENABLE = 1 << 16  # SIE_CTRL
_RESUME_REMOTE = 1 << 12
_EP0_INT_NAK, _EP0_INT_1BUF, _EP0_DOUBLE, _EP0_INT_STALL = 1 << 27, 1 << 29, 1 << 30, 1 << 31
_TO_PHY = 1 << 0  # USB_MUXING
_PHY_DIRECT, _PHY_DIRECT_OVERRIDE = 0x7C, 0x80
_PHY_PULL_UP, _PHY_PULL_UP_OVERRIDDEN = 1 << 1, 1 << 2
_IDLE_BEFORE_CONNECTED_NS = 800_000  # datasheet, erratum RP2040-E5
_VBUS_DETECT, _VBUS_OVERRIDE = 1 << 3, 1 << 2  # USB_PWR

# Endpoint control, in the dual-port RAM.
_EP_ENABLE, _EP_DOUBLE, _EP_INT_1BUF, _EP_INT_2BUF = 1 << 31, 1 << 30, 1 << 29, 1 << 28
_EP_INT_STALL, _EP_INT_NAK = 1 << 17, 1 << 16

# Buffer control, one half-word a buffer.
_FULL, _LAST, _DATA1, _SELECT_RESET, _STALL, _AVAILABLE, _LENGTH = (
    1 << 15,
    1 << 14,
    1 << 13,
    1 << 12,
    1 << 11,
    1 << 10,
    0x3FF,
)
_EP0_BUFFER = 0x100
_BUFFER1_OFFSET = 64


class Status(IntEnum):
    """SIE_STATUS bits that a device sees."""

    VBUS_DETECTED = 1 << 0
    SUSPENDED = 1 << 4
    RESUME = 1 << 11
    CONNECTED = 1 << 16
    SETUP_REC = 1 << 17
    TRANS_COMPLETE = 1 << 18
    BUS_RESET = 1 << 19
    RX_OVERFLOW = 1 << 26
    ACK_REC = 1 << 30
    DATA_SEQ_ERROR = 1 << 31


_WRITE_CLEAR = (
    Status.RESUME
    | Status.SETUP_REC
    | Status.TRANS_COMPLETE
    | Status.BUS_RESET
    | Status.RX_OVERFLOW
    | Status.ACK_REC
    | Status.DATA_SEQ_ERROR
)


class Lines(IntEnum):
    """SIE_STATUS.LINE_STATE at full speed: a reset, the idle bus, a resume."""

    SE0 = 0 << 2
    J = 1 << 2
    K = 2 << 2


class Interrupt(IntEnum):
    """INTR bits of a device."""

    TRANS_COMPLETE = 1 << 3
    BUFF_STATUS = 1 << 4
    ERROR_DATA_SEQ = 1 << 5
    ERROR_RX_OVERFLOW = 1 << 7
    VBUS_DETECT = 1 << 11
    BUS_RESET = 1 << 12
    DEV_CONN_DIS = 1 << 13
    DEV_SUSPEND = 1 << 14
    DEV_RESUME = 1 << 15
    SETUP_REQ = 1 << 16
    DEV_SOF = 1 << 17
    ABORT_DONE = 1 << 18
    EP_STALL_NAK = 1 << 19


# Interrupts that are a SIE_STATUS bit passed on.
_FROM_STATUS = (
    (Status.TRANS_COMPLETE, Interrupt.TRANS_COMPLETE),
    (Status.DATA_SEQ_ERROR, Interrupt.ERROR_DATA_SEQ),
    (Status.RX_OVERFLOW, Interrupt.ERROR_RX_OVERFLOW),
    (Status.VBUS_DETECTED, Interrupt.VBUS_DETECT),
    (Status.BUS_RESET, Interrupt.BUS_RESET),
    (Status.RESUME, Interrupt.DEV_RESUME),
    (Status.SETUP_REC, Interrupt.SETUP_REQ),
)


class Answer(Enum):
    """What a host sees instead of data: USB 2.0 section 8.4.5, and nothing at all."""

    ACK = "ack"
    NAK = "nak"
    STALL = "stall"
    SILENCE = "silence"


@dataclass(frozen=True, slots=True)
class Packet:
    """A data packet that came from the device."""

    data1: bool
    payload: bytes


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the rest of the chip does for its USB controller."""

    now_ns: Callable[[], float] = lambda: 0.0
    runs_at_48_mhz: Callable[[], bool] = lambda: True
    debug_input_high: Callable[[], bool] = lambda: False  # what GPIO15 shows it in place of D+


class UsbController:
    """Registers, dual-port RAM and cable of one controller.

    `ram` is the 4 KB dual-port RAM, `interrupt` raises or drops the USBCTRL line,
    `warn` is told of any access that the chip has no register for. `has_erratum_5` is a chip marked B0 or
    B1 behind a hub that is busy with other devices: it never sees the bus idle for long enough.
    """

    def __init__(
        self,
        ram: memoryview,
        interrupt: Callable[[bool], None],
        warn: Callable[[str], None],
        surroundings: Surroundings | None = None,
        *,
        has_erratum_5: bool = False,
    ) -> None:
        self.ram = ram
        self._surroundings = surroundings or Surroundings()
        self._has_erratum_5 = has_erratum_5
        self.misses_resumes = False  # for tests: it sees the lines and tells nobody
        self._was_pulled_up = self._has_let_go = False
        self._interrupt = interrupt
        self._warn = warn
        # The emulator's reset calls this hook where it is set; nothing hangs on it here.
        self.on_reset: Callable[[], None] | None = None
        self.reset()

    def reset(self) -> None:
        """Every register as after RESETS; the dual-port RAM and the cable stay as they are."""
        self._address = 0
        self._main_ctrl = 0
        self._sie_ctrl = 0
        self._status = 0
        self._latched = 0
        self._int_enable = 0
        self._int_force = 0
        self._muxing = 0
        self._power = 0
        self._lines: Lines = Lines.J
        self._shown_idle_since_ns: float | None = None
        self._frame = 0
        self._stall_arm = 0
        self._stall_nak = 0
        self._abort = 0
        self._abort_done = 0
        self._plain = dict.fromkeys(_PLAIN, 0)
        self._buff_status = 0
        self._should_handle = 0
        # Buffers that were finished while the CPU had not yet handled the one before.
        self._waiting: dict[int, list[int]] = {}
        self._half = [0] * 32  # next buffer half, by 2 * endpoint + direction
        self._wakes_host = False
        self._note_pull_up()
        self._interrupts_changed()

    # --- the CPU's side

    def read_uint32(self, offset: int) -> int:
        """Value of the register at `offset` (any of the four aliases)."""
        offset &= 0xFFF
        if offset == _SIE_STATUS:
            self._look_at_shown()
            return self._status_value()
        if offset == _BUFF_STATUS:
            return self._buff_status
        if offset == _INTS:
            return (self._int_raw() & self._int_enable) | self._int_force
        if offset == _SOF_RD:
            self._latched &= ~Interrupt.DEV_SOF
            self._interrupts_changed()
            return self._frame
        return self._register(offset)

    def _register(self, offset: int) -> int:
        if offset in self._plain:
            return self._plain[offset]
        values = {
            _ADDR_ENDP: self._address,
            _MAIN_CTRL: self._main_ctrl,
            _SIE_CTRL: self._sie_ctrl,
            _BUFF_CPU_SHOULD_HANDLE: self._should_handle,
            _EP_ABORT: self._abort,
            _EP_ABORT_DONE: self._abort_done,
            _EP_STALL_ARM: self._stall_arm,
            _EP_STATUS_STALL_NAK: self._stall_nak,
            _USB_MUXING: self._muxing,
            _USB_PWR: self._power,
            _INTR: self._int_raw(),
            _INTE: self._int_enable,
            _INTF: self._int_force,
        }
        if offset not in values:
            self._warn(f"read of USB register {offset:#x}, which is not modelled")
            return 0
        return values[offset]

    def write_uint32_atomic(self, offset: int, value: int, atomic_type: int) -> None:
        """Write through one of the four aliases: 0 plain, 1 xor, 2 set, 3 clear."""
        # A write-one-to-clear register takes the written bits whichever alias they come through
        # (common practice: the clear alias is what firmware uses).
        if offset == _SIE_STATUS:
            self._clear_status(value)
        elif offset == _BUFF_STATUS:
            self._handled(value)
        elif offset == _EP_ABORT_DONE:
            self._abort_done &= ~value
        elif offset == _EP_STATUS_STALL_NAK:
            self._stall_nak &= ~value
        else:
            if atomic_type:
                old = self._register(offset)
                value = (old ^ value, old | value, old & ~value)[atomic_type - 1]
            self._write(offset, value & 0xFFFFFFFF)
            self._note_pull_up()
        self._interrupts_changed()

    def write_uint32(self, offset: int, value: int) -> None:
        self.write_uint32_atomic(offset, value, 0)

    def _write(self, offset: int, value: int) -> None:
        if offset == _ADDR_ENDP:
            self._address = value
        elif offset == _MAIN_CTRL:
            if value & 2:
                self._warn("the controller was set to host mode, which is not modelled")
            self._main_ctrl = value
        elif offset == _SIE_CTRL:
            self._wakes_host |= bool(value & _RESUME_REMOTE)
            self._sie_ctrl = value & ~_RESUME_REMOTE  # clears itself
        elif offset == _EP_ABORT:
            self._abort = value
            self._abort_done |= value
        elif offset == _EP_STALL_ARM:
            self._stall_arm = value & 3
        elif offset == _USB_MUXING:
            self._muxing = value
            self._muxed()
        elif offset == _USB_PWR:
            self._power = value
        elif offset == _INTE:
            self._int_enable = value
        elif offset == _INTF:
            self._int_force = value
        elif offset in self._plain:
            self._plain[offset] = value
        elif offset not in _READ_ONLY:
            self._warn(f"write to USB register {offset:#x}, which is not modelled")

    def dpram_updated(self, offset: int, value: int) -> None:
        """The CPU wrote a word of the dual-port RAM."""
        if 0x80 <= offset < 0x100:
            cleared = value
            for shift in (0, 16):
                if value & (_SELECT_RESET << shift):
                    self._half[(offset - 0x80) >> 2] = 0
                    cleared &= ~(_SELECT_RESET << shift)
            if cleared != value:
                self._set_word(offset, cleared)

    def _clear_status(self, value: int) -> None:
        self._status &= ~(value & _WRITE_CLEAR)
        if value & Status.SUSPENDED:
            self._latched &= ~Interrupt.DEV_SUSPEND
        if value & Status.CONNECTED:
            self._latched &= ~Interrupt.DEV_CONN_DIS

    def _status_value(self) -> int:
        powered = self._power & _VBUS_OVERRIDE and self._power & _VBUS_DETECT
        lines = Lines.J if self._shown_idle_since_ns is not None else self._lines if self.pulled_up else 0
        return self._status | lines | (Status.VBUS_DETECTED if powered else 0)

    def _int_raw(self) -> int:
        raw = self._latched
        status = self._status_value()
        for bit, passed_on in _FROM_STATUS:
            if status & bit:
                raw |= passed_on
        if self._buff_status:
            raw |= Interrupt.BUFF_STATUS
        if self._abort_done:
            raw |= Interrupt.ABORT_DONE
        if self._stall_nak:
            raw |= Interrupt.EP_STALL_NAK
        return raw

    def _interrupts_changed(self) -> None:
        self._interrupt(bool((self._int_raw() & self._int_enable) | self._int_force))

    # --- the cable's side

    @property
    def pulled_up(self) -> bool:
        """The device shows itself on the bus: enabled, on its transceiver, VBUS known, pull-up on."""
        return bool(
            self._main_ctrl & _CONTROLLER_ENABLE
            and self._sie_ctrl & _PULLUP_ENABLE
            and (self._muxing & _TO_PHY or self._pull_up_overridden)
            and self._power & _VBUS_OVERRIDE
            and self._power & _VBUS_DETECT
        )

    @property
    def _pull_up_overridden(self) -> bool:
        return bool(
            self._plain[_PHY_DIRECT] & _PHY_PULL_UP
            and self._plain[_PHY_DIRECT_OVERRIDE] & _PHY_PULL_UP_OVERRIDDEN
        )

    def _muxed(self) -> None:
        """The transceiver was taken away or given back: meanwhile GPIO15 says what D+ is."""
        self._look_at_shown()
        now_ns = self._surroundings.now_ns()
        shows_idle = not self._muxing & _TO_PHY and self._surroundings.debug_input_high()
        self._shown_idle_since_ns = now_ns if shows_idle and self._lines is not Lines.SE0 else None

    def _look_at_shown(self) -> None:
        """An idle bus that was shown for long enough: it counts once somebody looks, or takes it away."""
        if self._shown_idle_since_ns is None or not self.pulled_up:
            return
        if self._surroundings.now_ns() - self._shown_idle_since_ns >= _IDLE_BEFORE_CONNECTED_NS:
            self._set_connected()

    def take_let_go(self) -> bool:
        """True once after the pull-up was off, for however short a time: a hub sees 2.5 us (7.1.7.3)."""
        let_go, self._has_let_go = self._has_let_go, False
        return let_go

    def _note_pull_up(self) -> None:
        pulled_up = self.pulled_up
        self._has_let_go |= self._was_pulled_up and not pulled_up
        self._was_pulled_up = pulled_up

    @property
    def device_address(self) -> int:
        return self._address & 0x7F

    @property
    def suspended(self) -> bool:
        return bool(self._status & Status.SUSPENDED)

    def take_wake_up(self) -> bool:
        """True once after the device asked a sleeping host to wake up."""
        asked, self._wakes_host = self._wakes_host, False
        return asked

    def bus_reset(self) -> None:
        """The host holds both lines low."""
        self._status = (self._status & ~Status.CONNECTED) | Status.BUS_RESET
        self._lines = Lines.SE0
        self._connected()
        self._set_suspended(False)
        self._interrupts_changed()

    def bus_idle(self) -> None:
        """The host lets go of the lines."""
        self._lines = Lines.J

    def start_of_frame(self, number: int) -> None:
        self._lines = Lines.J
        self._frame = number & 0x7FF
        self._connected()
        # Raised only where somebody listens: the line then stays quiet in idle frames.
        if self._int_enable & Interrupt.DEV_SOF:
            self._latched |= Interrupt.DEV_SOF
            self._interrupts_changed()

    def suspend(self) -> None:
        """3 ms without a frame have passed (USB 2.0 section 7.1.7.6)."""
        self._set_suspended(True)
        self._interrupts_changed()

    def resume(self) -> None:
        """The host drives K."""
        self._lines = Lines.K
        if self.suspended and not self.misses_resumes:
            self._status |= Status.RESUME
            self._set_suspended(False)
            self._interrupts_changed()

    def setup(self, address: int, packet: bytes) -> Answer:
        """A SETUP transaction of 8 bytes; a device that listens has to take it."""
        if not self._listens(address):
            return Answer.SILENCE
        self.ram[0:8] = packet
        # "The device controller clears these bits when a SETUP packet is received" (EP_STALL_ARM).
        self._stall_arm = 0
        self._status |= Status.SETUP_REC
        self._interrupts_changed()
        return Answer.ACK

    def data_in(self, address: int, endpoint: int) -> Packet | Answer:
        """An IN transaction; the host acknowledges what comes."""
        answer, control, half = self._buffer(address, endpoint, 0)
        if answer is not None:
            return answer
        word = self._word(0x80 + 8 * endpoint)
        mine = word >> (16 * half)
        if not mine & _FULL:
            return self._nak(endpoint, 0, control)
        start = self._start(endpoint, control, half)
        payload = bytes(self.ram[start : start + (mine & _LENGTH)])
        self._finish(endpoint, 0, control, half, mine & ~(_AVAILABLE | _FULL))
        return Packet(bool(mine & _DATA1), payload)

    def data_out(self, address: int, endpoint: int, data1: bool, payload: bytes) -> Answer:
        """An OUT transaction. A packet of the wrong toggle is acknowledged and thrown away."""
        answer, control, half = self._buffer(address, endpoint, 1)
        if answer is not None:
            return answer
        mine = self._word(0x84 + 8 * endpoint) >> (16 * half)
        if bool(mine & _DATA1) != data1:
            self._status |= Status.DATA_SEQ_ERROR
            self._interrupts_changed()
            return Answer.ACK
        if len(payload) > mine & _LENGTH:
            self._status |= Status.RX_OVERFLOW
            self._interrupts_changed()
            return Answer.SILENCE
        start = self._start(endpoint, control, half)
        self.ram[start : start + len(payload)] = payload
        self._finish(endpoint, 1, control, half, (mine & ~(_AVAILABLE | _LENGTH)) | _FULL | len(payload))
        return Answer.ACK

    def _listens(self, address: int) -> bool:
        return bool(
            self.pulled_up
            and address == self.device_address
            and self._muxing & _TO_PHY
            and self._surroundings.runs_at_48_mhz()
            and (not self._has_erratum_5 or self._status & Status.CONNECTED)
        )

    def _connected(self) -> None:
        if not self._has_erratum_5:
            self._set_connected()

    def _set_connected(self) -> None:
        if self.pulled_up and not self._status & Status.CONNECTED:
            self._status |= Status.CONNECTED
            self._latched |= Interrupt.DEV_CONN_DIS
            self._interrupts_changed()

    def _set_suspended(self, suspended: bool) -> None:
        if suspended != self.suspended:
            self._status ^= Status.SUSPENDED
            self._latched |= Interrupt.DEV_SUSPEND

    def _buffer(self, address: int, endpoint: int, out: int) -> tuple[Answer | None, int, int]:
        """(answer if the transaction ends here, endpoint control, buffer half)."""
        if not self._listens(address):
            return Answer.SILENCE, 0, 0
        if endpoint == 0:
            control = _EP_ENABLE | (_EP_DOUBLE if self._sie_ctrl & _EP0_DOUBLE else 0)
            control |= _EP_INT_1BUF if self._sie_ctrl & _EP0_INT_1BUF else 0
            control |= _EP_INT_NAK if self._sie_ctrl & _EP0_INT_NAK else 0
            control |= _EP_INT_STALL if self._sie_ctrl & _EP0_INT_STALL else 0
        else:
            control = self._word(8 * endpoint + 4 * out)
            if not control & _EP_ENABLE:
                return Answer.SILENCE, control, 0
        word = self._word(0x80 + 8 * endpoint + 4 * out)
        if word & _STALL and (endpoint or self._stall_arm >> out & 1):
            if control & _EP_INT_STALL:
                self._stall_nak |= 1 << (2 * endpoint + out)
                self._interrupts_changed()
            return Answer.STALL, control, 0
        half = self._half[2 * endpoint + out] if control & _EP_DOUBLE else 0
        if not word >> (16 * half) & _AVAILABLE:
            return self._nak(endpoint, out, control), control, half
        return None, control, half

    def _nak(self, endpoint: int, out: int, control: int) -> Answer:
        if control & _EP_INT_NAK:
            self._stall_nak |= 1 << (2 * endpoint + out)
            self._interrupts_changed()
        return Answer.NAK

    def _start(self, endpoint: int, control: int, half: int) -> int:
        start = (control & 0xFFC0) if endpoint else _EP0_BUFFER
        return start + half * _BUFFER1_OFFSET

    def _finish(self, endpoint: int, out: int, control: int, half: int, left: int) -> None:
        """One buffer is done: its control half-word becomes `left`, and the CPU is told."""
        index = 2 * endpoint + out
        offset = 0x80 + 4 * index
        shift = 16 * half
        word = self._word(offset)
        self._set_word(offset, (word & ~(0xFFFF << shift)) | ((left & 0xFFFF) << shift))
        if control & _EP_DOUBLE:
            self._half[index] = 1 - half
        if left & _LAST:
            self._status |= Status.TRANS_COMPLETE
        pair_done = control & _EP_INT_2BUF and (half == 1 or left & _LAST)
        if control & _EP_INT_1BUF or pair_done:
            self._waiting.setdefault(index, []).append(half)
            self._tell(index)
        self._interrupts_changed()

    def _tell(self, index: int) -> None:
        """Show the oldest finished buffer of an endpoint, one at a time."""
        bit = 1 << index
        waiting = self._waiting.get(index)
        if waiting and not self._buff_status & bit:
            self._buff_status |= bit
            self._should_handle = (self._should_handle & ~bit) | (bit if waiting.pop(0) else 0)

    def _handled(self, bits: int) -> None:
        self._buff_status &= ~bits
        for index in self._waiting:
            self._tell(index)

    def _word(self, offset: int) -> int:
        return int.from_bytes(self.ram[offset : offset + 4], "little")

    def _set_word(self, offset: int, value: int) -> None:
        self.ram[offset : offset + 4] = value.to_bytes(4, "little")
