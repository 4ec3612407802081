"""Every line of a record, and every result, is as the published schema says (JSON Schema, by jsonschema)."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from hil.bench import Bench
from hil.cli import _parser
from hil.result import SCHEMA
from keyc.compile import check_text, read_source
from keyc.keyboard import Diodes
from tests.hil.boards import Desk
from tests.hil.wirings import small

ROOT = Path(__file__).parents[2] / "hil"
PUBLISHED = json.loads((ROOT / "record.schema.json").read_text())
FOUR = (
    'keyboard "Four" { usb 0x1209:0x0001 maker "Nobody" }\n'
    "wiring {\n    diodes cathode-to-row\n    columns    GPIO6 GPIO7\n    row GPIO2  SW1   SW2\n"
    "    row GPIO3  SW3   SW4\n}\nshape {\n    SW1 SW2\n    SW3 SW4\n}\n"
    "layer base {\n    A B\n    C usb-boot\n}\n"
)


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(PUBLISHED)
    assert f"Schema version: **{SCHEMA}**" in (ROOT / "RECORD.md").read_text()
    assert PUBLISHED["$defs"]["result"]["properties"]["schema"] == {"const": SCHEMA}


def test_every_line_of_a_record_fits(tmp_path: Path) -> None:
    file = tmp_path / "four.keys"
    file.write_text(FOUR)
    record = tmp_path / "four.jsonl"
    keyboard, _ = check_text(read_source(str(file)))
    assert keyboard is not None
    for faults in ([], ["open SW2"], ["bridge GPIO2 GPIO3", "low GPIO7"]):
        words = ["bench", str(file), "--virtual", "--record", str(record)]
        options = _parser().parse_args([*words, *(word for fault in faults for word in ("--fault", fault))])
        with Bench(options, keyboard, "hil test") as bench:
            bench.run()
    lines = [json.loads(line) for line in record.read_text().splitlines()]
    for line in lines:
        jsonschema.validate(line, PUBLISHED)
    assert {line["event"] for line in lines} >= {"began", "board", "history", "stage", "verdict", "result"}


@pytest.mark.parametrize("diodes", list(Diodes))
def test_every_result_fits(diodes: Diodes) -> None:
    for faults in ([], ["closed SW7"], ["cut GPIO2 after SW3"], ["swapped SW1 SW2", "high GPIO9"]):
        value = Desk(small(diodes), faults).follow().result().as_json("hil test")
        jsonschema.validate(
            json.loads(json.dumps(value)), {"$ref": "#/$defs/result", "$defs": PUBLISHED["$defs"]}
        )


def test_what_does_not_belong_is_refused() -> None:
    """The schema itself can fail: a verdict that there is none of, and a line without its fields."""
    for line in ({"event": "verdict", "switch": "SW1"}, {"event": "pressed", "text": "SW1"}, {"text": "x"}):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(line, PUBLISHED)
