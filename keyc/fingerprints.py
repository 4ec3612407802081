"""What an image says about itself: digests of the wiring, the keymap and the engine that it was made from."""

from __future__ import annotations

from keyc.keyboard import Keyboard, Wiring
from keyc.record import Record
from keyc.table_rows import TEXT_BEGINS, TEXT_ENDS, Further
from keyc.tables import tables_of


class Fingerprints(Record):
    """Twelve lower-case hexadecimal digits each: the first 6 bytes of a SHA-256."""

    wiring: str
    keymap: str
    engine: str


def fingerprints(keyboard: Keyboard) -> Fingerprints:
    """What a board's image says about itself, so that the bench knows what it has before it.

    `wiring` covers what is soldered (pins, switches, diodes), in whatever order the file says it;
    `keymap` what the keys do, as numbers, without any name or text; `engine` the C that ships.
    """
    return Fingerprints(
        _wiring_fingerprint(keyboard.wiring), _keymap_fingerprint(keyboard), engine_fingerprint()
    )


def _wiring_fingerprint(wiring: Wiring) -> str:
    return _digest(
        wiring.diodes.value,
        sorted(wiring.rows),
        sorted(wiring.columns),
        sorted((s.name, s.row, s.column, s.direct) for s in wiring.switches),
        sorted((light.pin, light.lit_low) for light in wiring.lights),
        sorted((dial.pin_a, dial.pin_b, dial.edges_per_detent) for dial in wiring.dials),
    )


def _keymap_fingerprint(keyboard: Keyboard) -> str:
    tables = tables_of(keyboard)
    return _digest(
        tables.cells,
        [(action.usage.page, action.usage.id, action.modifiers) for action in tables.actions],
        [(timing.debounce_us, timing.at_once) for timing in tables.timings],
        tables.timing_of,
        _further_without_text(tables.further),
    )


def _further_without_text(further: Further | None) -> Further | None:
    return further and further.replaced(sequences=tuple(map(_without_text, further.sequences)), texts={})


def _without_text(strokes: tuple[int, ...]) -> tuple[int, ...]:
    """What is typed in quotes stays out of a fingerprint: one could try passwords against it."""
    kept = []
    in_text = False
    for stroke in strokes:
        in_text = stroke == TEXT_BEGINS or (in_text and stroke != TEXT_ENDS)
        kept.append(TEXT_BEGINS if in_text else stroke)
    return tuple(kept)


def engine_fingerprint() -> str:
    """Of every C file that goes onto a board: its name and its bytes."""
    from keyc.files import shipped

    folders = [shipped("templates", "engine"), shipped("templates", "port", "rp2040")]
    files = sorted((path.name, path.read_bytes()) for folder in folders for path in folder.glob("*.[chS]"))
    return _digest(files)


def _digest(*parts: object) -> str:
    from hashlib import sha256

    return sha256(repr(parts).encode()).hexdigest()[:12]
