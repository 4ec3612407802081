"""`keyc flash` on simulated drives and, in the emulated chip, on the ROM's own."""

from __future__ import annotations

import errno
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from hil.chip.chip_board import ChipBoard
from hil.chip.mass_storage import MassStorage
from hil.chip.usb_descriptors import UsbError
from hil.ports import Drive
from keyc.cli import main
from keyc.diagnostics import UserError
from keyc.fingerprints import fingerprints
from keyc.image import flash
from keyc.image.elf import Segment
from keyc.image.firmware import build_uf2
from keyc.image.flash import BoardSeen, ThisComputer, flashed, image_of
from keyc.image.identity import device_version
from keyc.image.uf2 import uf2_of
from keyc.image.usb_seen import UsbIdentity, version_text
from tests.keyc.hand_made import key, keyboard_of, wiring_of

WIRING = wiring_of()
KEYBOARD = keyboard_of(WIRING, [key(4), key(5)])
ROM = Drive("/drive", "RPI-RP2")


@pytest.fixture(scope="module")
def daily() -> bytes:
    return build_uf2(KEYBOARD, "daily").bytes


@pytest.fixture(scope="module")
def bench() -> bytes:
    return build_uf2(KEYBOARD, "bench").bytes


# --- a computer made of what a test says


class Simulated:
    """Drives and boards at each moment: functions of how many bytes have been written and of the time."""

    def __init__(
        self,
        drives: Callable[[Simulated], Sequence[Drive]],
        boards: Callable[[Simulated], Sequence[BoardSeen] | None] = lambda rig: (),
        *,
        error: int | None = None,
        says: tuple[str, str] | None = None,
        unmounted: Sequence[str] = (),
    ) -> None:
        self._drives, self._boards, self._error, self._says = drives, boards, error, says
        self._unmounted = unmounted
        self.written: bytes | None = None
        self.written_s = 0.0
        self._now_s = 0.0

    def drives(self) -> Sequence[Drive]:
        return self._drives(self)

    def unmounted(self) -> Sequence[str]:
        return self._unmounted

    def write(self, drive: Drive, name: str, data: bytes) -> None:
        self.written, self.written_s = data, self._now_s
        if self._error is not None:
            raise OSError(self._error, "simulated")

    def boards(self) -> Sequence[BoardSeen] | None:
        return self._boards(self)

    def fingerprints(self, port: str) -> tuple[str, str] | None:
        return self._says

    def now_s(self) -> float:
        return self._now_s

    def sleep(self, seconds: float) -> None:
        self._now_s += seconds

    def after_copy_s(self) -> float:
        return -1.0 if self.written is None else self._now_s - self.written_s


def until_taken(rig: Simulated) -> Sequence[Drive]:
    return [ROM] if rig.after_copy_s() < 0.5 else []


def came(image: bytes, *, port: str | None = None) -> Callable[[Simulated], Sequence[BoardSeen]]:
    identity = image_of(image, "it").identity
    assert identity is not None
    seen = BoardSeen(identity, "Handmade (bench)" if identity.version >= 0x2000 else "Handmade", port)
    return lambda rig: [seen] if rig.after_copy_s() > 1.0 else []


def test_an_image_is_copied_and_the_board_comes_back(daily: bytes) -> None:
    rig = Simulated(until_taken, came(daily))
    done = flashed(image_of(daily, "it"), rig)
    assert rig.written == daily
    assert done.board is not None
    version = device_version("daily", fingerprints(KEYBOARD))
    assert done.board.identity == UsbIdentity(0x1209, 0x0001, version)
    digits = f"{version:04x}"
    assert f"Handmade is back (1209:0001, version {digits[:2]}.{digits[2:]}) and carries this" in done.summary
    assert "once in 1000" in done.summary, "what isn't sure is said"


def test_a_flash_chip_that_kept_the_old_keymap(daily: bytes) -> None:
    """It comes back under the same id and title; the version tells."""
    old = build_uf2(keyboard_of(WIRING, [key(5), key(4)]), "daily").bytes
    rig = Simulated(until_taken, came(old))
    with pytest.raises(UserError, match="Handmade came back with another image or keymap") as caught:
        flashed(image_of(daily, "it"), rig)
    identities = [image_of(image, "it").identity for image in (old, daily)]
    assert None not in identities
    old_version, new_version = (version_text(one.version) for one in identities if one)
    assert f"its version is {old_version}, and {new_version} was copied" in caught.value.message
    assert old_version != new_version
    assert caught.value.exit_status == 1


def test_another_board_of_the_same_id_is_not_taken_for_it(daily: bytes) -> None:
    """One that was there all the time, and one whose product string isn't in the image."""
    identity = image_of(daily, "it").identity
    assert identity is not None
    for title in ("Handmade", "Another"):
        rig = Simulated(until_taken, lambda rig, title=title: [BoardSeen(identity, title)])  # type: ignore[misc]
        with pytest.raises(UserError, match="should come back as"):
            flashed(image_of(daily, "it"), rig)
    both = Simulated(
        until_taken, lambda rig: [BoardSeen(identity, "Handmade")] * (2 if rig.after_copy_s() > 1 else 1)
    )
    assert flashed(image_of(daily, "it"), both).board is not None


def test_a_bench_image_says_its_fingerprints(bench: bytes) -> None:
    prints = fingerprints(KEYBOARD)
    wanted = (prints.wiring, prints.keymap)
    rig = Simulated(until_taken, came(bench, port="/dev/x"), says=wanted)
    done = flashed(image_of(bench, "it"), rig, wanted=wanted)
    assert done.fingerprints == f"wiring {prints.wiring}, keymap {prints.keymap}"
    assert prints.keymap in done.summary
    rig = Simulated(until_taken, came(bench, port="/dev/x"), says=("0" * 12, prints.keymap))
    with pytest.raises(UserError, match="the board says") as caught:
        flashed(image_of(bench, "it"), rig, wanted=wanted)
    assert caught.value.exit_status == 1
    rig = Simulated(until_taken, came(bench, port="/dev/x"), says=None)
    with pytest.raises(UserError, match="nothing answers on /dev/x"):
        flashed(image_of(bench, "it"), rig, wanted=wanted)


def test_a_system_that_shows_no_devices_proves_nothing(daily: bytes) -> None:
    done = flashed(image_of(daily, "it"), Simulated(until_taken, lambda rig: None))
    assert done.board is None
    assert "can't be seen from here" in done.summary


def test_a_drive_that_comes_late_is_waited_for(daily: bytes) -> None:
    told: list[str] = []
    rig = Simulated(lambda rig: until_taken(rig) if rig.now_s() > 20 else [], came(daily))
    assert flashed(image_of(daily, "it"), rig, progress=told.append).board
    assert "BOOTSEL" in told[0]


@pytest.mark.parametrize(
    ("rig", "message", "help_line", "status"),
    [
        (Simulated(lambda rig: []), "no drive of a chip", "BOOTSEL", 3),
        (
            Simulated(lambda rig: [], unmounted=["/dev/sdq1"]),
            "not mounted",
            "udisksctl mount -b /dev/sdq1",
            3,
        ),
        (Simulated(lambda rig: [ROM, Drive("/other", "RPI-RP2")]), "/drive, /other", "--drive", 2),
        (Simulated(lambda rig: [Drive("/x", "RP2350")]), "another chip: .* RP2350", "RP2040", 3),
        (Simulated(lambda rig: [ROM], error=errno.EACCES), "can't be written", "mount it as yourself", 3),
        (Simulated(lambda rig: [ROM], error=errno.EROFS), "can't be written", "read-only", 3),
        (Simulated(until_taken, error=errno.EIO), "can't be written", "BOOTSEL", 3),
        (Simulated(lambda rig: [ROM]), "still there", "BOOTSEL", 3),
        (Simulated(until_taken), "should come back as 1209:0001", "unplug", 1),
        (Simulated(lambda r: [ROM] if not 0.5 < r.after_copy_s() < 1 else []), "shows its drive", "flash", 1),
    ],
)
def test_what_can_go_wrong(daily: bytes, rig: Simulated, message: str, help_line: str, status: int) -> None:
    with pytest.raises(UserError, match=message) as caught:
        flashed(image_of(daily, "it"), rig)
    assert help_line in (caught.value.help or "")
    assert caught.value.exit_status == status


def test_a_plug_pulled_in_the_middle(daily: bytes) -> None:
    rig = Simulated(lambda rig: [ROM] if rig.written is None else [], error=errno.EIO)
    with pytest.raises(UserError, match="went away before the whole image was copied"):
        flashed(image_of(daily, "it"), rig)


def test_one_of_several_drives(daily: bytes) -> None:
    rig = Simulated(lambda rig: [*until_taken(rig), Drive("/other", "RPI-RP2")][::-1], came(daily))
    # The other drive stays, so "the drive is back" must not be taken from it.
    assert flashed(image_of(daily, "it"), rig, drive="/drive").board


# --- files that are no image for this chip


def changed(data: bytes, at: int, value: bytes) -> bytes:
    return data[:at] + value + data[at + len(value) :]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda d: b"", "no whole UF2 file"),
        (lambda d: d[:-1], "no whole UF2 file"),
        (lambda d: d[:-512], "a part of an image"),
        (lambda d: changed(d, 0, b"GIF8"), "block 0 isn't a UF2 block"),
        (lambda d: changed(d, 508, b"\0\0\0\0"), "block 0 isn't a UF2 block"),
        (lambda d: changed(d, 28, bytes.fromhex("5957E3E4")), "another chip"),
        (lambda d: changed(d, 16, b"\xdc\x01\0\0"), "the ROM wants 256"),
        (lambda d: changed(d, 12, b"\0\0\0\x40"), "neither both nor others"),
        (lambda d: changed(d, 12, b"\0\0\0\x20"), "neither both nor others"),
        (lambda d: d[512:1024] + d[512:], "missing or come twice"),
    ],
)
def test_files_that_are_refused(daily: bytes, change: Callable[[bytes], bytes], message: str) -> None:
    with pytest.raises(UserError, match=message) as caught:
        image_of(change(daily), "x.uf2")
    assert caught.value.message.startswith("x.uf2: ")
    assert caught.value.exit_status == 1


def test_images_of_others_are_taken_too() -> None:
    image = image_of(uf2_of([Segment(0x10000000, bytes(700))]), "x.uf2")
    assert (image.blocks, image.in_flash, image.identity) == (3, True, None)


def test_no_keymap_is_seen_in_an_image_of_others() -> None:
    """It has a device descriptor laid out as ours is; its version says nothing of a keymap."""
    descriptor = bytes.fromhex("12010002 00000040 09120100 00010102 0001")
    title = b"\x04\x03x\0"
    image = image_of(uf2_of([Segment(0x10000000, descriptor + title)]), "x.uf2")
    assert image.identity == UsbIdentity(0x1209, 0x0001, 0x0100)
    seen = BoardSeen(image.identity, "x")
    done = flashed(image, Simulated(until_taken, lambda rig: [seen] if rig.after_copy_s() > 1 else []))
    assert done.summary == "x is back (1209:0001, version 1.00), as this image calls itself"


# --- this computer


def test_a_drive_is_told_by_its_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, daily: bytes) -> None:
    for name, text in (
        ("A NAME", "UF2 Bootloader v2.0\nModel: Raspberry Pi RP2\nBoard-ID: RPI-RP2\n"),
        ("RPI-RP2", "Board-ID: SAMD21G18A-v0\n"),
        ("empty", None),
    ):
        (tmp_path / name).mkdir()
        if text:
            (tmp_path / name / "INFO_UF2.TXT").write_text(text)
    monkeypatch.setattr("hil.ports._mounts", lambda: sorted(tmp_path.iterdir()))
    found = [drive for drive in ThisComputer().drives() if drive.board == flash.ROM_BOARD_ID]
    assert [Path(drive.path).name for drive in found] == ["A NAME"]
    ThisComputer().write(found[0], flash.NAME_ON_DRIVE, daily)
    assert (tmp_path / "A NAME" / flash.NAME_ON_DRIVE).read_bytes() == daily


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str], daily: bytes) -> None:
    file = tmp_path / "x.uf2"
    file.write_bytes(daily)
    assert main(["flash", str(file), "--wait", "0", "--drive", str(tmp_path)]) == 3
    assert "no drive of a chip that waits for an image is there" in capsys.readouterr().err
    assert main(["flash", str(tmp_path / "none.uf2")]) == 2
    file.write_bytes(daily[:512])
    assert main(["flash", str(file), "--wait", "0"]) == 1
    assert "a part of an image: 1 blocks of" in " ".join(capsys.readouterr().err.split())


# --- the emulated chip


class OnChip(Simulated):
    """The ROM's drive and what comes after it, of a board in the emulated chip."""

    def __init__(self, board: ChipBoard, **how: object) -> None:
        super().__init__(lambda rig: [])
        self.board, self.how = board, how

    def drives(self) -> Sequence[Drive]:
        if not self.board.shows_drive:
            return []
        try:
            text = MassStorage(self.board.host).file("INFO_UF2.TXT").decode("ascii")
        except UsbError:
            return []  # it is just leaving
        return [Drive("/rom", text.split("Board-ID: ")[1].split()[0])]

    def write(self, drive: Drive, name: str, data: bytes) -> None:
        if blocks := self.how.get("pull_after"):
            MassStorage(self.board.host).write_uf2(data[: 512 * int(str(blocks))])
            self.board.unplug()
            raise OSError(errno.EIO, "Input/output error")
        MassStorage(self.board.host).write_uf2(data, **self.how)  # type: ignore[arg-type]

    def boards(self) -> Sequence[BoardSeen] | None:
        device = self.board.host.device
        if device is None or self.board.shows_drive:
            return []
        identity = UsbIdentity(device.vendor, device.product, device.version)
        return [BoardSeen(identity, device.strings[1])]

    def now_s(self) -> float:
        return self.board.now_us / 1e6

    def sleep(self, seconds: float) -> None:
        try:
            self.board.advance(int(seconds * 1e6))
        except UsbError:
            assert not self.board.host.attached, "it went away in the middle of a transfer"


def waiting_board() -> ChipBoard:
    board = ChipBoard(b"", WIRING)
    board.chip.hold_bootsel(True)
    board.chip.power_on()
    board.host.enumerate()
    board.chip.hold_bootsel(False)
    return board


@pytest.mark.parametrize("how", [{}, {"backwards": True}, {"twice": frozenset({0, 3, 7})}])
@pytest.mark.parametrize("which", ["daily", "bench"])
def test_the_roms_own_drive(which: str, how: dict[str, object], request: pytest.FixtureRequest) -> None:
    data: bytes = request.getfixturevalue(which)
    board = waiting_board()
    before = board.chip.flash
    done = flashed(image_of(data, "it"), OnChip(board, **how))
    assert done.board is not None
    assert done.board.title == ("Handmade" if which == "daily" else "Handmade (bench)")
    assert "carries this keymap" in done.summary, "the chip says the version that stands in the image"
    if which == "bench":
        assert board.chip.flash == before, "a RAM image leaves the flash as it was"
    board.uf2 = data
    board.unplug()
    board.chip.power_on()  # a power cycle: what lies in flash is there again, what lay in RAM isn't
    board.host.enumerate()
    assert board.shows_drive is (which == "bench")


def test_the_roms_own_drive_with_a_block_lost(daily: bytes) -> None:
    board = waiting_board()
    with pytest.raises(UserError, match="hasn't got the whole image"):
        flashed(image_of(daily, "it"), OnChip(board, drop=frozenset({5})))
    assert flashed(image_of(daily, "it"), OnChip(board)).board, "and it takes the whole one then"


def test_the_roms_own_drive_with_the_plug_pulled(daily: bytes) -> None:
    board = waiting_board()
    with pytest.raises(UserError, match="went away before"):
        flashed(image_of(daily, "it"), OnChip(board, pull_after=9))
    board.chip.hold_bootsel(True)
    board.chip.power_on()
    board.host.enumerate()
    board.chip.hold_bootsel(False)
    assert flashed(image_of(daily, "it"), OnChip(board)).board


def test_usb_boot_and_back(bench: bytes) -> None:
    from keyc.keyboard import UsbBoot

    keyboard = keyboard_of(WIRING, [key(4), UsbBoot()])
    daily = build_uf2(keyboard, "daily").bytes
    board = waiting_board()
    for image in (daily, bench, daily):
        assert flashed(image_of(image, "it"), OnChip(board)).board
        if image == bench:
            board.send(b"restart\n")
        else:
            board.set_closed(frozenset({"SW2"}))
            board.advance(20_000)
            board.set_closed(frozenset())
        board.advance(1_000_000)
        assert board.shows_drive
