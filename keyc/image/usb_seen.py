"""What is plugged in, as each system shows it: identity, product string. No port and no driver is opened.

Linux: sysfs (Documentation/ABI/stable/sysfs-bus-usb). macOS: `ioreg -p IOUSB -a -l`, a property list of
nested devices with `idVendor`, `idProduct`, `bcdDevice` and `USB Product Name` (from memory). Windows:
PowerShell's `Get-PnpDevice`, whose hardware ids read `USB\\VID_1209&PID_0001&REV_0100` ("Standard USB
Identifiers" in Microsoft's driver documentation).
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

_SYSFS = Path("/sys/bus/usb/devices")
_IOREG = ("ioreg", "-p", "IOUSB", "-a", "-l")
_POWERSHELL = (
    "powershell",
    "-NoProfile",
    "-Command",
    "[Console]::OutputEncoding = [Text.Encoding]::UTF8; "
    "ConvertTo-Json -Compress @(Get-PnpDevice -PresentOnly | Where-Object InstanceId -like 'USB\\VID_*' | "
    "ForEach-Object { @{ "
    "ids = @((Get-PnpDeviceProperty -InputObject $_ -KeyName DEVPKEY_Device_HardwareIds).Data); "
    "title = (Get-PnpDeviceProperty -InputObject $_ -KeyName DEVPKEY_Device_BusReportedDeviceDesc).Data } })",
)
_HARDWARE_ID = re.compile(
    r"USB\\VID_([0-9A-F]{4})&PID_([0-9A-F]{4})&REV_([0-9A-F]{4})(&MI_.*)?", re.IGNORECASE
)
_ANSWERS_WITHIN_S = 30


@dataclass(frozen=True, slots=True)
class UsbIdentity:
    """What a device descriptor says (USB 2.0, 9.6.1)."""

    vendor: int
    product: int
    version: int

    def __str__(self) -> str:
        return f"{self.vendor:04x}:{self.product:04x}, version {version_text(self.version)}"


@dataclass(frozen=True, slots=True)
class UsbDevice:
    """A device on USB, and its product string; "" where it has none, or the system doesn't tell."""

    identity: UsbIdentity
    title: str


def version_text(version: int) -> str:
    """A bcdDevice, as most systems write it: 14.27."""
    return f"{version >> 8:x}.{version & 0xFF:02x}"


def devices_here() -> list[UsbDevice] | None:
    """The devices on this computer's USB; None where the system doesn't show them."""
    if sys.platform == "darwin":
        answer = _answer_of(_IOREG)
        return None if answer is None else devices_of_ioreg(answer)
    if sys.platform == "win32":
        answer = _answer_of(_POWERSHELL)
        return None if answer is None else devices_of_powershell(answer)
    return devices_of_sysfs(_SYSFS)


def devices_of_sysfs(folder: Path) -> list[UsbDevice] | None:
    """Linux: a folder for each device, a file for each field."""
    if not folder.is_dir():
        return None
    found = []
    for device in sorted(folder.iterdir()):
        try:
            numbers = [
                int((device / name).read_text(), 16) for name in ("idVendor", "idProduct", "bcdDevice")
            ]
        except (OSError, ValueError):
            continue  # an interface, or a device that leaves just now
        try:
            title = (device / "product").read_text(encoding="utf-8").strip()
        except (OSError, ValueError):
            title = ""
        found.append(UsbDevice(UsbIdentity(*numbers), title))
    return found


def devices_of_ioreg(answer: bytes) -> list[UsbDevice] | None:
    """macOS: what `ioreg` printed; None where that is no property list."""
    import plistlib
    from xml.parsers.expat import ExpatError

    if not answer.strip():
        return []  # nothing is plugged in
    try:
        root = plistlib.loads(answer)
    except (plistlib.InvalidFileException, ExpatError, ValueError):
        return None
    found = []
    for entry in _entries(root):
        numbers = [entry.get(name) for name in ("idVendor", "idProduct", "bcdDevice")]
        if all(isinstance(number, int) for number in numbers):
            title = entry.get("USB Product Name") or entry.get("kUSBProductString") or ""
            found.append(UsbDevice(UsbIdentity(*(int(number or 0) for number in numbers)), str(title)))
    return found


def _entries(node: Any) -> Iterator[dict[str, Any]]:
    waiting = [node]
    while waiting:
        one = waiting.pop()
        if isinstance(one, list):
            waiting += one
        elif isinstance(one, dict):
            yield one
            waiting.append(one.get("IORegistryEntryChildren", []))


def devices_of_powershell(answer: bytes) -> list[UsbDevice] | None:
    """Windows: what PowerShell printed; None where that isn't what was asked for. The interfaces of a
    device, which Windows lists beside it, are left out."""
    try:
        told = json.loads(answer.decode("utf-8-sig") or "[]")
    except ValueError:
        return None
    found = []
    for one in told if isinstance(told, list) else [told]:
        if not isinstance(one, dict):
            return None
        ids = one.get("ids") or []
        for text in ids if isinstance(ids, list) else [ids]:
            match = _HARDWARE_ID.fullmatch(str(text))
            if match is not None and not match[4]:
                numbers = (int(match[n], 16) for n in (1, 2, 3))
                found.append(UsbDevice(UsbIdentity(*numbers), str(one.get("title") or "")))
                break
    return found


def _answer_of(command: Sequence[str]) -> bytes | None:
    try:
        done = subprocess.run(
            command, stdin=subprocess.DEVNULL, capture_output=True, timeout=_ANSWERS_WITHIN_S, check=True
        )
    except (OSError, subprocess.SubprocessError):
        return None
    return done.stdout
