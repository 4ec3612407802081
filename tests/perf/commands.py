"""Whole commands as a person runs them, beside what Python itself takes in the same run."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from random import Random
from resource import RUSAGE_CHILDREN, getrusage

from tests.perf import Figure

_ROOT = Path(__file__).resolve().parent.parent.parent
_PLAIN = [*"ABCDEFGHIJKLMNOPQRSTUVWXYZ", "Escape", "Enter", "Space", "Delete", "ArrowUp", "F5", "Control+Z"]


def keymap_text(rows: int, columns: int, switches: int, layers: int) -> str:
    """A keymap of plain cells: `switches` of them on a matrix, `layers` grids, all layers in reach."""
    random = Random(layers)
    names = [f"SW{n}" for n in range(1, switches + 1)]
    lines = [names[n : n + columns] for n in range(0, switches, columns)]
    text = ['keyboard "Large" { usb 0x1234:0x0001 }', "wiring {", "diodes cathode-to-row"]
    text += ["columns " + " ".join(f"GPIO{rows + n}" for n in range(columns))]
    for n, line in enumerate(lines):
        text.append(f"row GPIO{n} " + " ".join(line + ["--"] * (columns - len(line))))
    text += ["}", "shape {", *(" ".join(line) for line in lines), "}"]
    for layer in range(layers):
        text.append(f"layer layer-{layer} {{")
        cells = [random.choice(_PLAIN) for _ in names]
        if layer == 0:
            reached = ["usb-boot", *(f"layer-{n}" for n in range(1, min(layers, switches)))]
            cells[: len(reached)] = reached
        text += [" ".join(cells[n : n + columns]) for n in range(0, switches, columns)]
        text.append("}")
    return "\n".join(text) + "\n"


def _environment(folder: Path) -> dict[str, str]:
    """This tree as if it were installed: with its byte code, and a cache of its own."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    named = {"PYTHONPATH": _ROOT, "KEYC_CACHE": folder / "cache", "PYTHONPYCACHEPREFIX": folder / "code"}
    return kept | {name: str(path) for name, path in named.items()}


def _best_ms(commands: list[list[str]], folder: Path, runs: int) -> list[float]:
    """The least processor time of several runs of each command, taken in turn, in milliseconds: what else the
    machine does at the time hardly shows in it."""
    environment = _environment(folder)
    best = [float("inf")] * len(commands)
    for _ in range(runs):
        for n, command in enumerate(commands):
            before = getrusage(RUSAGE_CHILDREN)
            subprocess.run(command, check=True, capture_output=True, env=environment)
            after = getrusage(RUSAGE_CHILDREN)
            spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            best[n] = min(best[n], spent * 1000)
    return best


_WITH_PEAK = """
import sys
from keyc.cli import main
main()
print([line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")][0])
"""


def _peak_mb(arguments: list[str], folder: Path) -> float:
    """The most memory that a `keyc` command held, by its own word (Linux). What the system says of a child
    counts what this process held, too."""
    command = [sys.executable, "-c", _WITH_PEAK, *arguments]
    done = subprocess.run(command, check=True, capture_output=True, text=True, env=_environment(folder))
    return int(done.stdout.split()[-1]) / 1024


def figures() -> list[Figure]:
    keyc = [sys.executable, "-c", "import sys; from keyc.cli import main; sys.exit(main())"]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for label, layers in (("8", 8), ("0", 1), ("4k", 40), ("16k", 160)):
            (folder / f"{label}.keys").write_text(keymap_text(6, 18, 104, layers), encoding="utf-8")
        build = [[*keyc, "build", str(folder / "8.keys"), "-o", str(folder / "8")]]
        for _ in range(2):  # the first makes the parser and the templates, the second their byte code
            subprocess.run(build[0], check=True, capture_output=True, env=_environment(folder))
        bare, imports, version, built = _best_ms(
            [
                [sys.executable, "-c", "pass"],
                [sys.executable, "-c", "import lark, jinja2"],
                [*keyc, "--version"],
                build[0],
            ],
            folder,
            25,
        )
        t0, t4k, t16k = _best_ms(
            [[*keyc, "check", str(folder / f"{size}.keys")] for size in ("0", "4k", "16k")], folder, 9
        )
        memory = _peak_mb(["build", str(folder / "8.keys"), "-o", str(folder / "8")], folder)
    return [
        Figure("`keyc --version` ÷ `python -c pass`", version / bare, "×", 3.0),
        Figure("`keyc build` of 104 keys × 8 layers ÷ `import lark, jinja2`", built / imports, "×", 1.5),
        Figure("growth (t16k − t0) ÷ (t4k − t0) of a check, in cells", (t16k - t0) / (t4k - t0), "×", 4.5),
        Figure("memory of that build", memory, "MB", 60.0),
    ]
