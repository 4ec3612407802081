"""What this computer sees of a board that doesn't answer yet; what loads an image onto it."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING

from keyc.diagnostics import UserError
from keyc.image.flash import ROM_BOARD_ID, ThisComputer

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hil.ports import PortFound

# Kernel messages about a device whose descriptors don't come through (Linux, drivers/usb/core/hub.c).
_BROKEN_ON_LINUX = (
    "device descriptor read/",
    "device not accepting address",
    "unable to enumerate USB",
)
# The name under which Windows lists such a device (Microsoft's driver documentation, from memory).
_BROKEN_ON_WINDOWS = "USB\\VID_0000&PID_0002"
_RECENT_S = 120.0


class Computer(ThisComputer):
    """The computer at the bench."""

    def __init__(self, image: Callable[[], bytes]) -> None:
        """`image` builds the one that is wanted now, as a UF2 file's bytes; UserError where it can't."""
        self._image = image
        self.ports: Sequence[PortFound] = ()

    def answering(self) -> list[str]:
        """The serial ports on which a board answers, asked now."""
        from hil.ports import ports_found

        self.ports = ports_found()
        return [each.port for each in self.ports if each.board is not None]

    def troubles(self) -> list[str]:
        """Ports on USB that were asked last and didn't answer, with why."""
        on_usb = [each for each in self.ports if each.board is None and each.is_on_usb]
        return [f"{each.port}: {each.trouble or 'nothing answers'}" for each in on_usb]

    def waiting_drives(self) -> list[str]:
        """Drives of an RP2040's ROM."""
        return [each.path for each in self.drives() if each.board == ROM_BOARD_ID]

    def load(self, drive: str) -> None:
        """The image onto that drive; UserError (exit status 1) where the board doesn't come up."""
        from keyc.image.flash import flashed, image_of

        flashed(image_of(self._image(), "the image"), self, drive=drive, wait_s=0)

    def load_if_waiting(self) -> None:
        """While a board is gone: when the drive of a chip appears, the image goes onto it."""
        drives = self.waiting_drives()
        if len(drives) == 1:
            with suppress(UserError):  # whatever it was, the drive is looked for again
                self.load(drives[0])

    def broken(self) -> bool | None:
        """Whether a device was plugged in lately that this computer can't talk to; None: it doesn't show."""
        if os.name == "nt":
            return _broken_on_windows()
        return _broken_on_linux(self.uptime_s)

    def uptime_s(self) -> float:
        from time import CLOCK_BOOTTIME, clock_gettime

        return clock_gettime(CLOCK_BOOTTIME)


def _broken_on_linux(uptime_s: Callable[[], float], log: str = "/dev/kmsg") -> bool | None:
    """What the kernel's log says; it may be closed to everybody but root (`kernel.dmesg_restrict`)."""
    try:
        descriptor = os.open(log, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
    except OSError:
        return None
    since_us = (uptime_s() - _RECENT_S) * 1e6
    found = False
    try:
        while record := os.read(descriptor, 8192):
            # "priority,sequence,microseconds,…;text" (Linux, Documentation/ABI/testing/dev-kmsg)
            for line in record.decode("utf-8", "replace").splitlines():
                head, _, text = line.partition(";")
                fields = head.split(",")
                recent = len(fields) > 2 and fields[2].isdecimal() and int(fields[2]) >= since_us
                found |= recent and any(words in text for words in _BROKEN_ON_LINUX)
    except BlockingIOError:
        pass  # the end of what there is
    except OSError:
        return None
    finally:
        os.close(descriptor)
    return found


def _broken_on_windows() -> bool | None:
    from subprocess import SubprocessError, run

    ask = "Get-PnpDevice -PresentOnly | Where-Object Class -eq 'USB' | ForEach-Object InstanceId"
    try:
        told = run(
            ["powershell", "-NoProfile", "-Command", ask],
            capture_output=True,
            text=True,
            timeout=20,
            check=True,
        )
    except (OSError, SubprocessError):
        return None
    return _BROKEN_ON_WINDOWS in told.stdout.upper()
