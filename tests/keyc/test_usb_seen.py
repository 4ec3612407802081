"""What each system shows of USB, on simulated output: laid out as the systems' documentation has it (sysfs:
the kernel's ABI page; ioreg's property list and PowerShell's JSON: from memory)."""

from __future__ import annotations

import json
import plistlib
import sys
from pathlib import Path

import pytest

from keyc.image import usb_seen
from keyc.image.usb_seen import (
    UsbDevice,
    UsbIdentity,
    devices_here,
    devices_of_ioreg,
    devices_of_powershell,
    devices_of_sysfs,
)

BOARD = UsbDevice(UsbIdentity(0x1209, 0x0001, 0x1427), "Löwe 4")
OTHER = UsbDevice(UsbIdentity(0x2E8A, 0x0003, 0x0200), "")


def test_linux(tmp_path: Path) -> None:
    for name, device in (("1-2", BOARD), ("1-3", OTHER)):
        folder = tmp_path / name
        folder.mkdir()
        numbers = device.identity.vendor, device.identity.product, device.identity.version
        for file, number in zip(("idVendor", "idProduct", "bcdDevice"), numbers, strict=True):
            (folder / file).write_text(f"{number:04x}\n")
        if device.title:
            (folder / "product").write_text(f"{device.title}\n", encoding="utf-8")
    (tmp_path / "1-2:1.0").mkdir()  # an interface
    assert devices_of_sysfs(tmp_path) == [BOARD, OTHER]
    assert devices_of_sysfs(tmp_path / "no-such") is None


def _ioreg_entry(device: UsbDevice, *children: object) -> dict[str, object]:
    entry: dict[str, object] = {
        "IORegistryEntryName": device.title,
        "idVendor": device.identity.vendor,
        "idProduct": device.identity.product,
        "bcdDevice": device.identity.version,
        "IORegistryEntryChildren": list(children),
    }
    if device.title:
        entry["USB Product Name"] = device.title
    return entry


def test_macos() -> None:
    """Devices hang below hubs, hubs below controllers, which are no devices."""
    hub = UsbDevice(UsbIdentity(0x05E3, 0x0610, 0x9223), "USB2.1 Hub")
    tree = {
        "IORegistryEntryName": "Root",
        "IORegistryEntryChildren": [
            {
                "IORegistryEntryName": "AppleT8103USBXHCI@00000000",
                "IORegistryEntryChildren": [_ioreg_entry(hub, _ioreg_entry(BOARD), _ioreg_entry(OTHER))],
            }
        ],
    }
    found = devices_of_ioreg(plistlib.dumps(tree))
    assert found is not None
    assert set(found) == {hub, BOARD, OTHER}
    assert devices_of_ioreg(b"") == []
    assert devices_of_ioreg(b"ioreg: unknown option") is None


def test_windows() -> None:
    """Interfaces of a device are listed beside it, and so are hubs that tell no product string."""
    ids = ["USB\\VID_1209&PID_0001&REV_1427", "USB\\VID_1209&PID_0001"]
    interface = ["USB\\VID_1209&PID_0001&REV_1427&MI_01", "USB\\VID_1209&PID_0001&MI_01"]
    told = [
        {"ids": ids, "title": "Löwe 4"},
        {"ids": interface, "title": "Löwe 4"},
        {"ids": ["USB\\VID_2e8a&PID_0003&REV_0200"], "title": None},
        {"ids": None, "title": "USB Root Hub"},
    ]
    assert devices_of_powershell(b"\xef\xbb\xbf" + json.dumps(told).encode()) == [BOARD, OTHER]
    assert devices_of_powershell(json.dumps({"ids": ids[0], "title": "Löwe 4"}).encode()) == [BOARD]
    assert devices_of_powershell(b"") == []
    assert devices_of_powershell(b"Get-PnpDevice : not recognized") is None
    assert devices_of_powershell(b"[1]") is None


@pytest.mark.parametrize(("platform", "program"), [("darwin", "ioreg"), ("win32", "powershell")])
def test_each_system_is_asked_with_its_own_program(
    platform: str, program: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stand-in for the program on the PATH; without it the system shows nothing."""
    monkeypatch.setattr(sys, "platform", platform)
    monkeypatch.setenv("PATH", str(tmp_path))
    assert devices_here() is None
    answer = (
        plistlib.dumps(_ioreg_entry(BOARD)).decode()
        if platform == "darwin"
        else ('[{"ids":["USB\\\\VID_1209&PID_0001&REV_1427"],"title":"Löwe 4"}]')
    )
    (tmp_path / program).write_text(f"#!{sys.executable}\nprint({answer!r})\n", encoding="utf-8")
    (tmp_path / program).chmod(0o755)
    assert devices_here() == [BOARD]
    assert usb_seen._answer_of(["false"]) is None
