"""Names that mean something elsewhere, as titles, makers and file names, through every command that writes.

What comes out is read by the parsers of its own kind: C by a compiler, XML by expat, HTML by Python's
parser, JSON by `json`, rules by make and ninja. The names stay text, and nothing is written but where it was
asked for.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path
from shutil import which
from xml.etree import ElementTree

import pytest

import hil.cli
import keyc.cli
from keyc.emit import depfile_text
from tests.keyc.c_compilers import host_compilers

NASTY = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "*/ int injected; /*",
    "]]></text><injected/><![CDATA[",
    "&injected; %s {{ 7 * 7 }} {% raw %}",
    "$(touch injected) `touch injected` ; touch injected",
    "one #two $three :four %five",
    "é ñ \U0001f9ed",
    "--output=injected",
    "' onload='injected",
)

KEYMAP = """keyboard {title} {{ usb 0x1209:0x5A17  maker {title} }}
wiring {{
    diodes cathode-to-row
    columns GPIO6 GPIO7
    row GPIO2 SW1 SW2
}}
shape {{ SW1 SW2 }}
layer base {{ A  usb-boot }}
scenario {title} {{ tap SW1 expect A }}
"""
BROKEN = "keyboard {title} {{ usb 12 }}\nlayer base {{ Nothing }}\n"


def quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


@pytest.fixture
def outside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder to work in, `work`; afterwards nothing may lie beside it or be called `injected`."""
    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)
    yield work
    assert [path.name for path in tmp_path.iterdir()] == ["work"]
    assert not list(tmp_path.rglob("injected"))


def run(
    command: Callable[[list[str]], int], capsys: pytest.CaptureFixture[str], *arguments: str | Path
) -> str:
    """What it prints; it must end as a command does, never with a bug of ours."""
    status = command([str(one) for one in arguments])
    said = capsys.readouterr()
    assert status in (0, 1, 4), said.err
    assert "Traceback" not in said.err
    return said.out


class _Html(HTMLParser):
    """Elements and attributes that a document of ours may have no business with."""

    def __init__(self) -> None:
        super().__init__()
        self.elements: set[str] = set()
        self.attributes: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.add(tag)
        self.attributes |= {name for name, _ in attrs}


def harmless_html(text: str) -> None:
    parser = _Html()
    parser.feed(text)
    assert "html" in parser.elements
    assert not parser.elements & {"script", "img", "injected", "iframe", "object"}
    assert not {name for name in parser.attributes if name.startswith("on")}


def harmless_xml(text: str) -> None:
    root = ElementTree.fromstring(text)
    assert not {one.tag.split("}")[-1] for one in root.iter()} & {"script", "img", "injected"}
    assert not {name for one in root.iter() for name in one.attrib if name.startswith("on")}


@pytest.mark.parametrize("name", NASTY)
def test_names_stay_text_in_all_that_keyc_writes(
    name: str, outside: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = outside / f"{name.replace('/', '-')}.keys"
    file.write_text(KEYMAP.format(title=quoted(name)), encoding="utf-8")
    assert json.loads(run(keyc.cli.main, capsys, "check", file, "--format", "json")) == []
    assert json.loads(run(keyc.cli.main, capsys, "show", file, "--format", "json"))["name"] == name
    tried = json.loads(run(keyc.cli.main, capsys, "try", file, "--format", "json"))
    assert [one["name"] for one in tried["scenarios"]] == [name]

    run(keyc.cli.main, capsys, "build", file, "-o", outside / "c")
    compiler = next(iter(host_compilers().values()))
    sources = [path.name for path in (outside / "c").iterdir() if path.name.endswith("_tables.c")]
    subprocess.run(
        [*compiler, "-std=c11", "-trigraphs", "-fsyntax-only", *sources], cwd=outside / "c", check=True
    )
    listed = subprocess.run(
        [*compiler, "-E", "-P", *sources], cwd=outside / "c", capture_output=True, text=True, check=True
    )
    assert "injected" not in listed.stdout
    if ";" in name:
        assert keyc.cli.main(["build", str(file), "-o", "c", "--depfile", "c.d"]) == 2
        assert "can't stand in a rule" in " ".join(capsys.readouterr().err.split())
        assert not (outside / "c.d").exists()
    else:
        run(keyc.cli.main, capsys, "build", file, "-o", outside / "c", "--depfile", outside / "c.d")
        _is_read_by_make_and_ninja(outside, file)

    run(keyc.cli.main, capsys, "sheet", file, "-o", outside / "x.svg")
    harmless_xml((outside / "x.svg").read_text(encoding="utf-8"))
    run(keyc.cli.main, capsys, "sheet", file, "-o", outside / "x.html")
    harmless_html((outside / "x.html").read_text(encoding="utf-8"))


def _is_read_by_make_and_ninja(folder: Path, keymap: Path) -> None:
    """Both find the keymap under its own name among what the built files depend on."""
    target = folder / "c" / "keyc.cmake"
    now = target.stat().st_mtime
    os.utime(keymap, (now - 100, now - 100))
    if make := which("make"):
        rule = (folder / "c.d").read_text(encoding="utf-8")
        (folder / "Makefile").write_text(f"{rule}\t@echo built\n", encoding="utf-8")
        for age, expected in ((-100, 0), (+100, 1)):
            os.utime(keymap, (now + age, now + age))
            asked = subprocess.run([make, "-q", str(target)], cwd=folder, capture_output=True, check=False)
            assert asked.returncode == expected, asked.stderr
    if ninja := which("ninja"):
        escaped = str(target).replace("$", "$$").replace(" ", "$ ").replace(":", "$:")
        (folder / "build.ninja").write_text(
            f"rule keep\n  command = cp kept c.d\n  depfile = c.d\nbuild {escaped}: keep\n"
        )
        (folder / "kept").write_bytes((folder / "c.d").read_bytes())
        done = subprocess.run([ninja, "-v"], cwd=folder, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout
        told = subprocess.run([ninja, "-t", "deps"], cwd=folder, capture_output=True, text=True, check=True)
        assert "injected" not in told.stdout.replace(keymap.name, "")


@pytest.mark.parametrize("name", NASTY)
def test_names_stay_text_in_what_is_said_of_mistakes(
    name: str, outside: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = outside / f"{name.replace('/', '-')}.keys"
    file.write_text(BROKEN.format(title=quoted(name)), encoding="utf-8")
    found = json.loads(run(keyc.cli.main, capsys, "check", file, "--format", "json"))
    assert {one["file"] for one in found} == {str(file)}
    told = json.loads(run(keyc.cli.main, capsys, "check", file, "--format", "sarif"))
    places = [
        place["physicalLocation"]["artifactLocation"]["uri"]
        for one in told["runs"][0]["results"]
        for place in one["locations"]
    ]
    # RFC 3986, 3.3: a path holds no blank, quote, `<`, `>`, `#` or `%` of its own.
    assert places
    for uri in places:
        assert uri.isascii()
        assert not set(uri) & set(' "<>#`{}|\\^')


@pytest.mark.parametrize("name", NASTY)
def test_names_stay_text_in_all_that_the_bench_writes(
    name: str, outside: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = outside / f"{name.replace('/', '-')}.keys"
    file.write_text(KEYMAP.format(title=quoted(name)), encoding="utf-8")
    written = [outside / one for one in ("r.html", "r.xml", "r.jsonl")]
    told = run(
        *(hil.cli.main, capsys, "bench", file, "--virtual", "--fault", "reversed SW1", f"--after={name}"),
        *("--report", written[0], "--junit", written[1], "--record", written[2], "--format", "json"),
    )
    assert json.loads(told)["keyboard"] == name
    assert json.loads(told)["after"] == name
    harmless_html(written[0].read_text(encoding="utf-8"))
    harmless_xml(written[1].read_text(encoding="utf-8"))
    events = [json.loads(line) for line in written[2].read_text(encoding="utf-8").splitlines()]
    assert events[0]["keyboard"] == name


@pytest.mark.parametrize("sign", ["\n", "\r", "\0", "\t", ";", "|"])
def test_a_rule_can_hold_no_name_with_a_sign_that_ends_it(sign: str) -> None:
    """GNU make reads what follows `;` as a command: the name is refused, not the rule broken."""
    from keyc.diagnostics import UserError

    with pytest.raises(UserError, match="can't stand in a rule") as caught:
        depfile_text(f"a{sign}touch injected", "c", ["x.c"])
    assert caught.value.exit_status == 2


@pytest.mark.skipif(sys.platform == "win32", reason="such a name can't be given to a file there")
def test_a_file_name_with_a_line_end_breaks_no_output(
    outside: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = outside / "one\ntwo <b> .keys"
    file.write_text(KEYMAP.format(title='"X"'), encoding="utf-8")
    assert json.loads(run(keyc.cli.main, capsys, "check", file, "--format", "json")) == []
    run(keyc.cli.main, capsys, "build", file, "-o", outside / "c")
    for path in (outside / "c").glob("*_tables.c"):
        assert "\ntwo <b>" not in path.read_text(encoding="utf-8")
    run(keyc.cli.main, capsys, "sheet", file, "-o", outside / "x.svg")
    harmless_xml((outside / "x.svg").read_text(encoding="utf-8"))


@pytest.mark.skipif(sys.platform == "win32", reason="it is a POSIX shell's quoting")
def test_a_command_that_is_told_can_be_pasted(outside: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = "$(touch injected); touch injected #.keys"
    (outside / name).write_text(KEYMAP.format(title='"X"').replace("usb-boot", "B"), encoding="utf-8")
    assert keyc.cli.main(["show", name]) == 0
    told = capsys.readouterr().err.partition("warning: `")[2].removesuffix("` shows what is meant\n")
    words = subprocess.run(
        ["sh", "-c", f"printf '%s\\n' {told}"], capture_output=True, text=True, check=True
    ).stdout.splitlines()
    assert words == ["keyc", "check", name]
