"""What two faults on a board of 102 switches take: the hand's answers, the search, and what is listed."""

from __future__ import annotations

import time
from random import Random
from statistics import median

from keyc.keyboard import Diodes
from tests.campaign.plant import boards, makes_sense, sample, static_faults
from tests.campaign.sessions import Careless
from tests.perf import Figure

_BOARDS = 24


def figures() -> list[Figure]:
    wiring = boards(Diodes.CATHODE_TO_ROW)["6 x 17"]
    faults = static_faults(wiring)
    chance = Random("diagnosis")
    seconds: list[float] = []
    while len(seconds) < _BOARDS:
        planted = sample(chance, faults, 2, as_often=len(seconds) % 2 == 0)
        if makes_sense(wiring, planted):
            started = time.process_time()
            Careless(wiring, planted, len(seconds)).follow().result()
            seconds.append(time.process_time() - started)
    return [
        Figure("a session of 102 switches with two faults, median", median(seconds), "s", 0.3),
        Figure("... the longest", max(seconds), "s", 1.0, note=f"of {_BOARDS}"),
    ]
