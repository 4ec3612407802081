"""The controller against the datasheet, and the host against a device that isn't ours: the boot ROM.

RP2040 datasheet 4.1 (registers and dual-port RAM), USB 2.0 chapters 8 and 9 (packets and requests).
"""

from __future__ import annotations

import pytest

from hil.chip.chip import Chip
from hil.chip.mass_storage import MassStorage
from hil.chip.usb_controller import Answer, Interrupt, Packet, Status, UsbController
from hil.chip.usb_descriptors import Endpoint, Transfer, UsbError, descriptors_of, interfaces_of
from hil.chip.usb_host import UsbHost, UsbStall

ADDR_ENDP, MAIN_CTRL, SOF_RD, SIE_CTRL, SIE_STATUS = 0x00, 0x40, 0x48, 0x4C, 0x50
BUFF_STATUS, SHOULD_HANDLE, STALL_ARM = 0x58, 0x5C, 0x68
MUXING, POWER, INTR, INTE, INTS = 0x74, 0x78, 0x8C, 0x90, 0x98
CLEAR = 3
FULL, LAST, DATA1, SELECT, STALL, AVAILABLE = 0x8000, 0x4000, 0x2000, 0x1000, 0x0800, 0x0400
EP_ENABLE, EP_DOUBLE, EP_EACH, EP_PAIR = 1 << 31, 1 << 30, 1 << 29, 1 << 28
BULK_IN_CONTROL, BULK_OUT_CONTROL = 0x10, 0x14  # endpoint 2
BULK_IN, BULK_OUT = 0x90, 0x94
BUFFER = 0x200


class Bench:
    """A controller whose firmware is the test."""

    def __init__(self) -> None:
        self.ram = memoryview(bytearray(4096))
        self.line = False
        self.complaints: list[str] = []
        self.usb = UsbController(self.ram, self._set, self.complaints.append)
        for offset, value in ((MUXING, 9), (POWER, 0xC), (MAIN_CTRL, 1), (SIE_CTRL, 1 << 16 | 1 << 29)):
            self.usb.write_uint32(offset, value)

    def _set(self, raised: bool) -> None:
        self.line = raised

    def word(self, offset: int) -> int:
        return int.from_bytes(self.ram[offset : offset + 4], "little")

    def put(self, offset: int, value: int) -> None:
        self.ram[offset : offset + 4] = value.to_bytes(4, "little")
        self.usb.dpram_updated(offset, value)


@pytest.fixture
def bench() -> Bench:
    return Bench()


# --- the controller


def test_a_device_shows_itself_only_with_all_four_set() -> None:
    for missing in (MUXING, POWER, MAIN_CTRL, SIE_CTRL):
        bench = Bench()
        assert bench.usb.pulled_up
        bench.usb.write_uint32(missing, 0)
        assert not bench.usb.pulled_up
        assert bench.usb.setup(0, bytes(8)) is Answer.SILENCE


def test_only_its_own_address_answers(bench: Bench) -> None:
    assert bench.usb.setup(5, bytes(8)) is Answer.SILENCE
    bench.usb.write_uint32(ADDR_ENDP, 5)
    assert bench.usb.setup(5, bytes(8)) is Answer.ACK


def test_setup_is_always_taken_and_raises_its_interrupt(bench: Bench) -> None:
    bench.usb.write_uint32(INTE, Interrupt.SETUP_REQ)
    for packet in (b"12345678", b"abcdefgh"):
        assert bench.usb.setup(0, packet) is Answer.ACK
        assert bytes(bench.ram[:8]) == packet
        assert bench.line
    bench.usb.write_uint32_atomic(SIE_STATUS, Status.SETUP_REC, CLEAR)
    assert not bench.line
    assert bench.usb.read_uint32(INTS) == 0


def test_setup_disarms_the_stall_and_leaves_the_buffers(bench: Bench) -> None:
    bench.put(0x80, STALL)
    assert bench.usb.data_in(0, 0) is Answer.NAK, "endpoint 0 needs EP_STALL_ARM as well"
    bench.usb.write_uint32(STALL_ARM, 1)
    assert bench.usb.data_in(0, 0) is Answer.STALL
    bench.usb.setup(0, bytes(8))
    assert bench.usb.read_uint32(STALL_ARM) == 0
    assert bench.usb.data_in(0, 0) is Answer.NAK
    bench.put(0x80, FULL | AVAILABLE | DATA1 | 2)
    bench.usb.setup(0, bytes(8))
    assert isinstance(bench.usb.data_in(0, 0), Packet), "the old answer goes out unless it is cleared"


def test_in_sends_the_buffer_once(bench: Bench) -> None:
    bench.ram[0x100:0x103] = b"abc"
    bench.put(0x80, FULL | AVAILABLE | DATA1 | LAST | 3)
    assert bench.usb.data_in(0, 0) == Packet(True, b"abc")
    assert bench.word(0x80) & (FULL | AVAILABLE) == 0
    assert bench.usb.read_uint32(BUFF_STATUS) == 1
    assert bench.usb.read_uint32(SIE_STATUS) & Status.TRANS_COMPLETE
    assert bench.usb.data_in(0, 0) is Answer.NAK


def test_out_checks_the_toggle_and_the_length(bench: Bench) -> None:
    bench.put(0x84, AVAILABLE | DATA1 | 8)
    assert bench.usb.data_out(0, 0, False, b"old") is Answer.ACK, "8.6.4: acknowledged and dropped"
    assert bench.usb.read_uint32(SIE_STATUS) & Status.DATA_SEQ_ERROR
    assert bench.word(0x84) & AVAILABLE
    assert bench.usb.data_out(0, 0, True, bytes(9)) is Answer.SILENCE
    assert bench.usb.data_out(0, 0, True, b"new") is Answer.ACK
    assert bench.word(0x84) & (FULL | AVAILABLE | 0x3FF) == FULL | 3
    assert bytes(bench.ram[0x100:0x103]) == b"new"
    assert bench.usb.read_uint32(BUFF_STATUS) == 2


def test_an_endpoint_that_is_off_is_silent(bench: Bench) -> None:
    assert bench.usb.data_in(0, 2) is Answer.SILENCE
    bench.put(BULK_IN_CONTROL, EP_ENABLE | EP_EACH | BUFFER)
    assert bench.usb.data_in(0, 2) is Answer.NAK
    bench.put(BULK_IN, STALL)
    assert bench.usb.data_in(0, 2) is Answer.STALL, "only endpoint 0 is armed first"


def test_double_buffers_take_turns_and_are_told_one_at_a_time(bench: Bench) -> None:
    bench.put(BULK_OUT_CONTROL, EP_ENABLE | EP_DOUBLE | EP_EACH | BUFFER)
    both = AVAILABLE | 64
    bench.put(BULK_OUT, both | (both | DATA1) << 16)
    assert bench.usb.data_out(0, 2, False, b"first") is Answer.ACK
    assert bench.usb.data_out(0, 2, True, b"second") is Answer.ACK
    assert bench.usb.data_out(0, 2, False, b"third") is Answer.NAK
    assert bytes(bench.ram[BUFFER : BUFFER + 5]) == b"first"
    assert bytes(bench.ram[BUFFER + 64 : BUFFER + 70]) == b"second"
    bit = 1 << 5
    for half in (0, 1):
        assert bench.usb.read_uint32(BUFF_STATUS) == bit
        assert bool(bench.usb.read_uint32(SHOULD_HANDLE) & bit) is bool(half)
        bench.usb.write_uint32_atomic(BUFF_STATUS, bit, CLEAR)
    assert bench.usb.read_uint32(BUFF_STATUS) == 0


def test_select_starts_again_with_the_first_buffer(bench: Bench) -> None:
    bench.put(BULK_OUT_CONTROL, EP_ENABLE | EP_DOUBLE | EP_EACH | BUFFER)
    bench.put(BULK_OUT, AVAILABLE | 64)
    assert bench.usb.data_out(0, 2, False, b"a") is Answer.ACK
    bench.put(BULK_OUT, AVAILABLE | SELECT | 64)
    assert bench.usb.data_out(0, 2, False, b"b") is Answer.ACK
    assert bytes(bench.ram[BUFFER : BUFFER + 1]) == b"b"


def test_an_interrupt_for_every_second_buffer(bench: Bench) -> None:
    bench.put(BULK_OUT_CONTROL, EP_ENABLE | EP_DOUBLE | EP_PAIR | BUFFER)
    bench.put(BULK_OUT, AVAILABLE | 64 | (AVAILABLE | DATA1 | 64) << 16)
    bench.usb.data_out(0, 2, False, b"a")
    assert bench.usb.read_uint32(BUFF_STATUS) == 0
    bench.usb.data_out(0, 2, True, b"b")
    assert bench.usb.read_uint32(BUFF_STATUS) == 1 << 5


def test_reset_frames_and_sleep_are_told(bench: Bench) -> None:
    bench.usb.write_uint32(INTE, Interrupt.BUS_RESET | Interrupt.DEV_SUSPEND | Interrupt.DEV_RESUME)
    bench.usb.bus_reset()
    assert bench.line
    bench.usb.write_uint32(SIE_STATUS, Status.BUS_RESET)
    assert not bench.line
    bench.usb.start_of_frame(0x805)
    assert bench.usb.read_uint32(SOF_RD) == 5
    assert not bench.line
    bench.usb.suspend()
    assert bench.line
    assert bench.usb.suspended
    bench.usb.write_uint32(SIE_STATUS, Status.SUSPENDED)
    assert not bench.line
    bench.usb.resume()
    assert bench.usb.read_uint32(INTS) == Interrupt.DEV_SUSPEND | Interrupt.DEV_RESUME
    bench.usb.write_uint32(SIE_CTRL, bench.usb.read_uint32(SIE_CTRL) | 1 << 12)
    assert bench.usb.take_wake_up()
    assert not bench.usb.take_wake_up()


def test_unknown_registers_are_complained_about(bench: Bench) -> None:
    bench.usb.write_uint32(0xA0, 1)
    bench.usb.read_uint32(0xA4)
    bench.usb.write_uint32(MAIN_CTRL, 3)
    assert len(bench.complaints) == 3


# --- the host against the ROM


@pytest.fixture
def rom() -> UsbHost:
    chip = Chip()
    chip.hold_bootsel(True)
    chip.power_on()
    host = UsbHost(chip)
    host.enumerate()
    return host


def test_the_rom_is_enumerated(rom: UsbHost) -> None:
    # RP2040 datasheet 2.8.4: vendor, product and the two interfaces.
    device = rom.device
    assert device is not None
    assert (device.vendor, device.product) == (0x2E8A, 0x0003)
    assert device.strings[:2] == ("Raspberry Pi", "RP2 Boot")
    storage, vendor = device.interfaces
    assert (storage.class_code, storage.subclass, storage.protocol) == (8, 6, 0x50)
    assert vendor.class_code == 0xFF
    assert [e.max_packet for e in storage.endpoints + vendor.endpoints] == [64] * 4
    assert rom.chip.now_us < 70_000


def test_a_request_that_the_rom_lacks_stalls_and_the_next_one_works(rom: UsbHost) -> None:
    for _ in range(3):
        with pytest.raises(UsbStall):
            rom.control(0xC0, 0x77, 0, 0, 4)
        assert rom.control(0x80, 8, 0, 0, 1) == b"\x01"  # 9.4.2 GET_CONFIGURATION


@pytest.mark.parametrize("endpoint", [0x81, 0x02])
def test_a_wrong_toggle_is_found_out(rom: UsbHost, endpoint: int) -> None:
    drive = MassStorage(rom)
    assert drive.is_ready()
    rom._toggles[endpoint] = not rom._toggles[endpoint]
    with pytest.raises(UsbError, match=r"DATA|NAK"):
        drive.is_ready()


def test_frames_come_every_millisecond(rom: UsbHost) -> None:
    first = rom.chip.read_register(0x50110000 + SOF_RD)
    rom.advance(25_000)
    assert (rom.chip.read_register(0x50110000 + SOF_RD) - first) % 2048 == 25


def test_a_device_that_goes_is_missed(rom: UsbHost) -> None:
    rom.chip.power_off()
    with pytest.raises(UsbError, match="gone"):
        rom.control(0x80, 8, 0, 0, 1)
    rom.advance(2000)
    assert rom.device is None
    rom.chip.power_on()
    rom.serve(100_000)
    assert rom.device is not None


def test_nothing_attached_is_said_so() -> None:
    chip = Chip()
    chip.hold_bootsel(True)
    chip.power_on()
    with pytest.raises(UsbError, match="no device"):
        UsbHost(chip, cable=False).enumerate(timeout_us=100_000)


# --- descriptors


def test_descriptors_are_taken_apart() -> None:
    # USB 2.0 tables 9-10, 9-12 and 9-13; HID 1.11 appendix E.4 for the class descriptor's place.
    configuration = bytes.fromhex("09 02 22 00 01 01 00 a0 32 09 04 00 00 01 03 01 01 00")
    configuration += bytes.fromhex("09 21 11 01 00 01 22 3f 00 07 05 81 03 08 00 0a")
    (keyboard,) = interfaces_of(configuration)
    assert (keyboard.class_code, keyboard.subclass, keyboard.protocol) == (3, 1, 1)
    assert keyboard.endpoints == (Endpoint(0x81, Transfer.INTERRUPT, 8, 10),)
    assert keyboard.extra == (bytes.fromhex("09 21 11 01 00 01 22 3f 00"),)


@pytest.mark.parametrize("damage", ["00", "01 02", "09 02 00", "07 05 81 03 08 00 0a"])
def test_damaged_descriptors_are_named(damage: str) -> None:
    with pytest.raises(UsbError):
        interfaces_of(bytes.fromhex(damage))


def test_every_descriptor_is_seen() -> None:
    assert [d[1] for d in descriptors_of(bytes.fromhex("02 09 03 04 00 02 05"))] == [9, 4, 5]
