"""A seeded sample of the campaign: what the bench has to reach on every machine, in seconds.

What reads the same is worked out by `copper_graph` (networkx), which shares no code with the bench.
"""

from __future__ import annotations

from random import Random

import pytest

from hil.faults import parse_fault
from hil.wire import Sentence, line_of
from keyc.keyboard import Diodes
from tests.campaign import good, intermittents, noise, on_chip
from tests.campaign.figures import (
    SMALL,
    alike_figure,
    is_sure,
    several,
)
from tests.campaign.plant import boards, makes_sense, settled, static_faults
from tests.campaign.sessions import differs, run
from tests.hil.wirings import small


@pytest.mark.parametrize("diodes", list(Diodes))
@pytest.mark.parametrize("name", SMALL[1:4])
def test_single_faults_are_found_and_listed(name: str, diodes: Diodes) -> None:
    wiring = boards(diodes)[name]
    faults = Random(f"{name} {diodes}").sample(static_faults(wiring), 12)
    for seed, fault in enumerate(faults):
        score = run(wiring, (fault,), seed % 4)
        said = [one.title for one in score.result.faults]
        if score.visible:
            assert score.found, str(fault)
        if score.found and is_sure(score.planted):
            assert score.named, (str(fault), said)
        assert score.sets <= 40, (str(fault), score.sets)


def test_every_single_fault_that_reads_the_same_is_listed() -> None:
    figure = alike_figure(3, SMALL[:2])
    assert figure.of > 10
    assert figure.kept, str(figure)


@pytest.mark.parametrize("as_often", [True, False])
def test_what_was_planted_twice_over_is_found(as_often: bool) -> None:
    scores = [one for one in several(24, 2, 1, as_often=as_often) if one.visible and is_sure(one.planted)]
    assert len(scores) >= 13
    assert all(one.found for one in scores)
    assert not [one for one in scores if one.apart]
    named = sum(one.named for one in scores)
    assert named >= 0.97 * len(scores), [
        ([str(f) for f in one.planted], [f.title for f in one.result.faults])
        for one in scores
        if not one.named
    ]


@pytest.mark.parametrize("slips", [0.0, 0.05])
def test_good_boards_raise_no_alarm(slips: float) -> None:
    for figure in good.figures_of_desks(list(good.good_boards(60, seed=2, slips=slips))):
        assert figure.kept, str(figure)


def test_good_boards_raise_no_alarm_in_any_stage() -> None:
    runs = list(good.whole_runs(10, seed=2))
    assert [(one.seed, one.alarms) for one in runs if one.alarms] == []
    for figure in good.figures_of_runs(runs):
        assert figure.kept, str(figure)


@pytest.mark.parametrize("way", intermittents.SAMPLE, ids=lambda way: f"{way.stage} {way.kind}")
def test_what_fails_now_and_then_is_noticed_as_often_as_chance_has_it(way: intermittents.Way) -> None:
    """1 - (1 - p)^n for n chances, within 3 sigma (binomial distribution)."""
    one = intermittents.noticed(way, 0.25, boards=16, seed=5)
    assert 0.2 < one.expected < 0.95
    assert one.kept, str(one)


def test_the_graph_tells_boards_apart_that_differ() -> None:
    """The yardstick itself: an open switch shows when it is pressed, and only then."""
    wiring = small()
    (opened,) = (parse_fault("open SW7", wiring),)
    assert differs(wiring, (opened,), (), "SW7")
    assert not differs(wiring, (opened,), (), "SW6")
    assert not differs(wiring, (opened,), (), None)
    a, b = parse_fault("cut GPIO2 after SW3", wiring), parse_fault("open SW4", wiring)
    assert not any(differs(wiring, (a,), (b,), name) for name in (None, *(s.name for s in wiring.switches)))


def test_one_form_for_sets_that_are_the_same() -> None:
    wiring = small()

    def planted(*words: str) -> frozenset[object]:
        return frozenset(settled(wiring, tuple(parse_fault(word, wiring) for word in words)))

    assert planted("bridge GPIO4 GPIO3") == planted("bridge GPIO3 GPIO4")
    assert planted("bridge GPIO3 GND") == planted("low GPIO3")
    assert planted("swapped SW1 SW2", "swapped SW1 SW2") == frozenset()
    assert planted("swapped SW1 SW2", "swapped SW2 SW3") != planted("swapped SW2 SW3", "swapped SW1 SW2")
    assert not makes_sense(wiring, (parse_fault("low GPIO3", wiring), parse_fault("high GPIO3", wiring)))


def test_a_bad_wire_and_a_pulled_cable_say_less_and_never_something_else() -> None:
    runs = list(noise.compared(6, seed=3))
    assert [words for one in runs for words in (*one.wrong, *one.broken)] == []
    assert [one.result.trouble for one in runs if one.result.trouble] == []
    assert sum(one.unplugged for one in runs) >= 4
    assert sum(one.result.link.damaged for one in runs) >= 350, "there was noise"
    assert sum(one.less for one in runs) <= 2


def test_the_witness_can_accuse() -> None:
    """The yardstick itself: a line that was never said, a gap that nobody told, an early acknowledgement."""
    witness = noise.Witness()
    witness.said(line_of("hello", 1, "bench", 0, sequence=0) + line_of("finished", "who", sequence=2))
    witness.handed_out(Sentence("hello", ("1", "bench", "0"), 0))
    witness.asked(b"received 0\n")
    assert witness.broken == []
    witness.asked(b"received 1\n")
    witness.handed_out(Sentence("finished", ("who",), 2))
    witness.handed_out(Sentence("finished", ("look",), 3))
    assert [words.split()[0] for words in witness.broken] == ["acknowledged", "2", "used,"]


@pytest.mark.parametrize("fault", ["reversed SW7", "bridge GPIO3 GPIO4"])
def test_the_emulated_chip_says_the_same(fault: str) -> None:
    pytest.importorskip("rp2040py")
    assert on_chip.pair(fault).differences == ()
