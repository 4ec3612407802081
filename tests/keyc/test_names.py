"""`keyc names`: what it finds, and that it fits a terminal."""

from __future__ import annotations

import json

import pytest

from keyc import names
from keyc.cli import main
from keyc.diagnostics import UserError
from keyc.layouts import LAYOUT_NAMES, basis
from keyc.usages import key_names, usage_of


def found(text: str, layout: str = "linux-us") -> list[str]:
    return [key.name for key in names.matching(text, layout).keys]


def test_without_a_text_it_lists_every_key() -> None:
    assert [key.name for key in names.matching(None, "linux-us").keys] == list(key_names())


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("PgUp", "PageUp"),
        ("ctrl", "ControlLeft"),
        ("volume", "AudioVolumeUp"),
        ("0C:E9", "AudioVolumeUp"),
        ("GUI", "MetaLeft"),  # the standard's word
        ("altgr", "AltRight"),
        ("numpad7", "Numpad7"),
        ("Q", "KeyQ"),
        ("7", "Digit7"),
    ],
)
def test_a_text_finds_keys_by_whatever_it_is(text: str, name: str) -> None:
    assert name in found(text)


def test_a_character_is_found_on_the_key_that_types_it() -> None:
    listing = names.matching("@", "linux-de")
    assert [key.name for key in listing.keys] == ["KeyQ"]
    assert listing.strokes == ("AltRight+KeyQ",)
    assert "@ is typed by AltRight+KeyQ on linux-de." in names.as_text(listing)
    assert names.matching("é", "linux-de").strokes == ("Equal", "KeyE")
    assert found("z", "linux-de") == ["KeyY", "KeyZ"]  # what types z, and what is called Z
    assert not names.matching("é", "linux-us")
    assert names.matching("@", "macos-de").strokes == ("AltRight+KeyL",)


def test_the_list_says_what_the_layout_rests_on() -> None:
    text = " ".join(names.as_text(names.matching(None, "windows-de")).split())
    assert f"windows-de: {basis('windows-de')}" in text


def test_nothing_found_says_what_to_do() -> None:
    assert "keyc names" in names.as_text(names.matching("sporran", "linux-us"))
    assert "layer" in names.as_text(names.matching("Fn", "linux-us"))


@pytest.mark.parametrize("layout", LAYOUT_NAMES)
def test_text_fits_eighty_columns_and_has_each_name_once(layout: str) -> None:
    lines = names.as_text(names.matching(None, layout)).split("\n")
    assert max(map(len, lines)) <= 80
    firsts = [line.split()[0] for line in lines[1:] if line and not line.startswith(" ")]
    for name in key_names():
        assert firsts.count(name) == 1, name


def test_json_says_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["names", "--host-layout", "linux-fr", "--format", "json"]) == 0
    value = json.loads(capsys.readouterr().out)
    assert value["schema"] == 1
    assert value["tool"].startswith("keyc ")
    assert value["host_layout"] == "linux-fr"
    assert value["host_layout_basis"] == basis("linux-fr")
    assert [key["name"] for key in value["keys"]] == list(key_names())
    by_name = {key["name"]: key for key in value["keys"]}
    assert by_name["KeyQ"]["types"][:2] == ["a", "A"]
    assert by_name["KeyQ"]["short"] == "Q"
    assert by_name["BracketLeft"]["types"][0] == "(circumflex)"  # the dead key of AZERTY boards
    assert by_name["Numpad7"]["types_with_num_lock"] == "7"
    assert "Ctrl" in by_name["ControlLeft"]["said"]
    for key in value["keys"]:
        usage = usage_of(key["name"])
        assert usage is not None
        assert (key["usage"]["page"], key["usage"]["id"]) == (usage.page, usage.id)


def test_exit_statuses(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["names", "PgUp"]) == 0
    assert main(["names", "sporran"]) == 1
    assert main(["names", "--host-layout", "linux-klingon"]) == 2
    assert "linux-se" in capsys.readouterr().err
    with pytest.raises(UserError):
        names.matching(None, "linux-klingon")
