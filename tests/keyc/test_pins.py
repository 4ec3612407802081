"""Pins, against a schematic of a board that was made and sold.

Source: SparkFun Pro Micro RP2040, Hardware/SparkFun_ProMicro-RP2040.sch at 6d461a6c0654 (its part
"RP2040": which pad each symbol pin is connected to). The names are that schematic's own.
"""

from __future__ import annotations

import pytest

from keyc import pins

SCHEMATIC = (
    "1 VDDIO, 2 GPIO0, 3 GPIO1, 4 GPIO2, 5 GPIO3, 6 GPIO4, 7 GPIO5, 8 GPIO6, 9 GPIO7, 10 VDDIO, "
    "11 GPIO8, 12 GPIO9, 13 GPIO10, 14 GPIO11, 15 GPIO12, 16 GPIO13, 17 GPIO14, 18 GPIO15, 19 TESTEN, "
    "20 XIN, 21 XOUT, 22 VDDIO, 23 VDD_1V1, 24 SWCLK, 25 SWDIO, 26 RUN, 27 GPIO16, 28 GPIO17, 29 GPIO18, "
    "30 GPIO19, 31 GPIO20, 32 GPIO21, 33 VDDIO, 34 GPIO22, 35 GPIO23, 36 GPIO24, 37 GPIO25, 38 GPIO26, "
    "39 GPIO27, 40 GPIO28, 41 GPIO29, 42 VDDIO, 43 ADC_VDD, 44 LDO_IN, 45 LDO_OUT, 46 USB_D-, 47 USB_D+, "
    "48 USB_VDD, 49 VDDIO, 50 VDD_1V1, 51 QSPI_SD3, 52 QSPI_SCLK, 53 QSPI_SD0, 54 QSPI_SD2, 55 QSPI_SD1, "
    "56 QSPI_CS"
)
# The schematic's word: the datasheet's.
RENAMED = {
    "VDDIO": "IOVDD",
    "VDD_1V1": "DVDD",
    "SWDIO": "SWD",
    "ADC_VDD": "ADC_AVDD",
    "LDO_IN": "VREG_IN",
    "LDO_OUT": "VREG_VOUT",
    "USB_D-": "USB_DM",
    "USB_D+": "USB_DP",
    "QSPI_CS": "QSPI_SS",
}


def test_the_package_is_the_one_on_a_real_board() -> None:
    real = {}
    for entry in SCHEMATIC.split(", "):
        number, name = entry.split()
        real[int(number)] = RENAMED.get(name, name)
    ours = {number: pin.name for number, pin in pins.package_pins().items()}
    assert ours.pop(57) == "GND"  # that schematic's EPAD
    assert ours == real


def test_a_gpio_pin_says_its_number_and_others_have_none() -> None:
    for pin in pins.package_pins().values():
        assert pin.gpio == (int(pin.name[4:]) if pin.name.startswith("GPIO") else None)
    assert sorted(p.gpio for p in pins.package_pins().values() if p.gpio is not None) == list(range(30))


@pytest.mark.parametrize(
    ("gpio", "beside"),
    [
        (16, ["RUN", "GPIO17"]),  # 26, 28
        (4, ["GPIO3", "GPIO5"]),
        (0, ["IOVDD", "GPIO1"]),  # 1, 3
        (7, ["GPIO6", "IOVDD"]),  # 8, 10
        (15, ["GPIO14", "TESTEN"]),  # 17, 19
        (11, ["GPIO10"]),  # 14 ends the left side
        (12, ["GPIO13"]),  # 15 begins the lower side
        (29, ["GPIO28", "IOVDD"]),  # 40, 42 ends the right side
    ],
)
def test_neighbours_are_the_pins_beside_on_the_same_side(gpio: int, beside: list[str]) -> None:
    assert [pin.name for pin in pins.neighbours(gpio)] == beside


def test_neighbours_are_mutual() -> None:
    for gpio in range(pins.GPIO_COUNT):
        for pin in pins.neighbours(gpio):
            if pin.gpio is not None:
                assert gpio in [other.gpio for other in pins.neighbours(pin.gpio)]


def test_module_headers() -> None:
    # Raspberry Pi Pico pinout, from memory: 1 GP0, 20 GP15, 21 GP16, 29 GP22, 30 RUN, 34 GP28, 40 VBUS;
    # grounds at 3, 8, 13, 18, 23, 28, 38 and the analogue one at 33.
    header = pins.module_pins()
    assert {n: header[n].name for n in (1, 20, 21, 29, 30, 34, 40)} == {
        1: "GPIO0",
        20: "GPIO15",
        21: "GPIO16",
        29: "GPIO22",
        30: "RUN",
        34: "GPIO28",
        40: "VBUS",
    }
    assert [n for n, pin in header.items() if n <= 40 and pin.name == "GND"] == [3, 8, 13, 18, 23, 28, 38]
    assert header[33].name == "AGND"
    assert [gpio for gpio in range(30) if pins.module_pin_of_gpio(gpio) is None] == [23, 24, 25, 29]


def test_there_is_no_gpio30() -> None:
    assert pins.is_gpio(0)
    assert pins.is_gpio(29)
    assert not pins.is_gpio(30)
    assert not pins.is_gpio(-1)
    with pytest.raises(KeyError):
        pins.package_pin_of_gpio(30)
