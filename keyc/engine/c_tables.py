"""The tables as the C engine has them: its structs, field for field, and how they are filled."""

from __future__ import annotations

import ctypes
from collections.abc import Callable, Sequence
from itertools import accumulate, count
from typing import TYPE_CHECKING

from keyc.table_rows import TABLES_VERSION, Further, Tables, modifier_bits, rule_flags

if TYPE_CHECKING:
    from keyc.keyboard import Press

REPORT_BYTES = 36


class CTiming(ctypes.Structure):
    _fields_ = (("debounce_us", ctypes.c_uint32), ("at_once", ctypes.c_bool))


class CRules(ctypes.Structure):
    _fields_ = (
        ("hold_after_us", ctypes.c_uint32),
        ("chord_within_us", ctypes.c_uint32),
        ("taps_within_us", ctypes.c_uint32),
        ("tap_if_typing_within_us", ctypes.c_uint32),
        ("repeat_if_tapped_within_us", ctypes.c_uint32),
        ("flags", ctypes.c_uint8),
    )


class CDual(ctypes.Structure):
    _fields_ = (("tap", ctypes.c_uint16), ("hold", ctypes.c_uint16))


class CTaps(ctypes.Structure):
    _fields_ = (("first", ctypes.c_uint16), ("count", ctypes.c_uint16))


class CChord(ctypes.Structure):
    _fields_ = (
        ("cell", ctypes.c_uint16),
        ("count", ctypes.c_uint8),
        ("layer", ctypes.c_uint8),
    )


class CWhen(ctypes.Structure):
    _fields_ = (("first", ctypes.c_uint16), ("count", ctypes.c_uint8), ("layer", ctypes.c_uint8))


class CDial(ctypes.Structure):
    _fields_ = (
        ("pin_a", ctypes.c_uint8),
        ("pin_b", ctypes.c_uint8),
        ("edges_per_detent", ctypes.c_uint8),
        ("first_switch", ctypes.c_uint8),
    )


class CLight(ctypes.Structure):
    _fields_ = (
        ("pin", ctypes.c_uint8),
        ("lit_low", ctypes.c_bool),
        ("indicator", ctypes.c_uint8),
        ("layer", ctypes.c_uint8),
    )


class CFurther(ctypes.Structure):
    """`struct keyc_further_tables`, field for field; the library's own functions are plain addresses."""

    _fields_ = (
        ("functions", ctypes.c_void_p),
        ("match_chords", ctypes.c_void_p),
        ("decide", ctypes.c_void_p),
        ("count_taps", ctypes.c_void_p),
        ("modes", ctypes.c_void_p),
        ("typing", ctypes.c_void_p),
        ("pointer", ctypes.c_void_p),
        ("read_dials", ctypes.c_void_p),
        ("show_lights", ctypes.c_void_p),
        ("rules", ctypes.POINTER(CRules)),
        ("rules_of", ctypes.POINTER(ctypes.c_uint8)),
        ("duals", ctypes.POINTER(CDual)),
        ("taps", ctypes.POINTER(CTaps)),
        ("tap_cells", ctypes.POINTER(ctypes.c_uint16)),
        ("chords", ctypes.POINTER(CChord)),
        ("chord_sets", ctypes.POINTER(ctypes.c_uint32)),
        ("chord_switches", ctypes.POINTER(ctypes.c_uint8)),
        ("chord_place_of", ctypes.POINTER(ctypes.c_uint8)),
        ("chords_of", ctypes.POINTER(ctypes.c_uint16)),
        ("chord_list", ctypes.POINTER(ctypes.c_uint16)),
        ("whens", ctypes.POINTER(CWhen)),
        ("when_layers", ctypes.POINTER(ctypes.c_uint8)),
        ("sequences", ctypes.POINTER(ctypes.c_uint16)),
        ("strokes", ctypes.POINTER(ctypes.c_uint16)),
        ("dials", ctypes.POINTER(CDial)),
        ("lights", ctypes.POINTER(CLight)),
        ("chord_switch_count", ctypes.c_uint8),
        ("when_count", ctypes.c_uint8),
        ("dial_count", ctypes.c_uint8),
        ("light_count", ctypes.c_uint8),
    )


class CTables(ctypes.Structure):
    """`struct keyc_tables`, field for field; `EngineLibrary` compares the sizes."""

    _fields_ = (
        ("version", ctypes.c_uint16),
        ("driven_count", ctypes.c_uint8),
        ("sensed_count", ctypes.c_uint8),
        ("direct_count", ctypes.c_uint8),
        ("switch_count", ctypes.c_uint8),
        ("layer_count", ctypes.c_uint8),
        ("second_reports", ctypes.c_uint8),
        ("driven", ctypes.POINTER(ctypes.c_uint8)),
        ("sensed", ctypes.POINTER(ctypes.c_uint8)),
        ("direct", ctypes.POINTER(ctypes.c_uint8)),
        ("switch_at", ctypes.POINTER(ctypes.c_uint8)),
        ("cells", ctypes.POINTER(ctypes.c_uint16)),
        ("actions", ctypes.POINTER(ctypes.c_uint32)),
        ("timings", ctypes.POINTER(CTiming)),
        ("timing_of", ctypes.POINTER(ctypes.c_uint8)),
        ("further", ctypes.POINTER(CFurther)),
    )


class CReport(ctypes.Structure):
    _fields_ = (
        ("time_us", ctypes.c_uint64),
        ("which", ctypes.c_uint8),
        ("length", ctypes.c_uint8),
        ("bytes", ctypes.c_uint8 * REPORT_BYTES),
    )


def _bytes_of(values: Sequence[int]) -> ctypes.Array[ctypes.c_uint8]:
    return (ctypes.c_uint8 * len(values))(*values)


def _words_of(values: Sequence[int]) -> ctypes.Array[ctypes.c_uint16]:
    return (ctypes.c_uint16 * len(values))(*values)


def c_tables(tables: Tables, address_of: Callable[[str], int]) -> CTables:
    """The C form; `address_of` finds the engine's own functions. ctypes keeps what is pointed to alive."""
    cells = [cell for layer in tables.cells for cell in layer]
    actions = [_action(action) for action in tables.actions]
    timings = [CTiming(timing.debounce_us, timing.at_once) for timing in tables.timings]
    return CTables(
        version=TABLES_VERSION,
        driven_count=len(tables.driven),
        sensed_count=len(tables.sensed),
        direct_count=len(tables.direct),
        switch_count=tables.switch_count,
        layer_count=tables.layer_count,
        second_reports=tables.second_reports,
        driven=_bytes_of(tables.driven),
        sensed=_bytes_of(tables.sensed),
        direct=_bytes_of(tables.direct),
        switch_at=_bytes_of([number for line in tables.switch_at for number in line]),
        cells=_words_of(cells),
        actions=(ctypes.c_uint32 * len(actions))(*actions),
        timings=(CTiming * len(timings))(*timings),
        timing_of=None if tables.timing_of is None else _bytes_of(tables.timing_of),
        further=ctypes.pointer(_c_further(tables.further, address_of)) if tables.further else None,
    )


def _c_further(further: Further, address_of: Callable[[str], int]) -> CFurther:
    def used(name: str, rows: object) -> int | None:
        return address_of(name) if rows else None

    rules = [
        CRules(
            one.hold_after_us,
            one.chord_within_us,
            one.taps_within_us,
            one.tap_if_typing_within_us,
            one.repeat_if_tapped_within_us,
            rule_flags(one),
        )
        for one in further.rules
    ]
    taps, tap_cells = _joined(further.taps)
    firsts, strokes = _joined(further.sequences)
    sets = further.chord_sets
    chords_of, chord_list = _joined(sets.chords_at)
    others_at, others = _joined([when.others for when in further.whens])
    chords = [CChord(chord.cell, len(chord.members), chord.layer) for chord in further.chords]
    whens = [
        CWhen(first, len(when.others), when.layer)
        for first, when in zip(others_at, further.whens, strict=True)
    ]
    dials = [
        CDial(dial.pin_a, dial.pin_b, dial.edges_per_detent, number)
        for number, dial in zip(count(further.first_turn, 2), further.dials, strict=False)
    ]
    lights = [CLight(light.pin, light.lit_low, light.indicator, light.layer) for light in further.lights]
    return CFurther(
        functions=address_of("keyc_further_functions"),
        match_chords=used("keyc_match_chords", chords),
        decide=used("keyc_decide", further.duals),
        count_taps=used("keyc_count_taps", taps),
        modes=used("keyc_mode_functions", further.uses_modes),
        typing=used("keyc_typing_functions", strokes),
        pointer=used("keyc_pointer_functions", further.uses_pointer),
        read_dials=used("keyc_read_dials", dials),
        show_lights=used("keyc_show_lights", lights),
        rules=(CRules * len(rules))(*rules),
        rules_of=None if further.rules_of is None else _bytes_of(further.rules_of),
        duals=(CDual * len(further.duals))(*(CDual(dual.tap, dual.hold) for dual in further.duals)),
        taps=(CTaps * len(taps))(
            *(CTaps(first, len(cells)) for first, cells in zip(taps, further.taps, strict=True))
        ),
        tap_cells=_words_of(tap_cells),
        chords=(CChord * len(chords))(*chords),
        chord_sets=(ctypes.c_uint32 * sum(map(len, sets.words)))(*(w for words in sets.words for w in words)),
        chord_switches=_bytes_of(sets.switches),
        chord_place_of=_bytes_of(sets.place_of),
        chords_of=_words_of([*chords_of, len(chord_list)]),
        chord_list=_words_of(chord_list),
        whens=(CWhen * len(whens))(*whens),
        when_layers=_bytes_of(others),
        sequences=_words_of(firsts),
        strokes=_words_of(strokes),
        dials=(CDial * len(dials))(*dials),
        lights=(CLight * len(lights))(*lights),
        chord_switch_count=len(sets.switches),
        when_count=len(whens),
        dial_count=len(dials),
        light_count=len(lights),
    )


def _joined(rows: Sequence[Sequence[int]]) -> tuple[list[int], list[int]]:
    """Where each row begins, and all of them one after the other."""
    firsts = list(accumulate(map(len, rows), initial=0))[:-1]
    return firsts, [number for row in rows for number in row]


def _action(action: Press) -> int:
    return modifier_bits(action.modifiers) << 24 | action.usage.page << 16 | action.usage.id
