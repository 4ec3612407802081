"""The electrical model once more, as a graph of networkx: nothing of `hil.board` is in it.

Every piece of copper is a node, every joint an edge, nothing is contracted; readings are shortest paths.
Source of the algorithms: networkx. Source of the rules: common practice about pulled-up inputs and diodes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from fractions import Fraction

import networkx as nx

from hil.faults import Fault
from keyc.keyboard import Diodes, Wiring

FAR = 99


class Reference:
    """Every piece of copper a node, every joint an edge, nothing contracted: readings by shortest paths.

    Weights: copper 0, a diode 1 (one way), a leak or LED 2, so that a distance of 2 or more is undefined.
    What diodes leak against their direction is no edge until enough of it leaves one piece of copper.
    """

    def __init__(self, wiring: Wiring, faults: list[Fault], pressed: frozenset[str]) -> None:
        self.graph = nx.DiGraph()
        self.strong = nx.DiGraph()  # without leaks: what a supply can feed
        self.seeping: list[tuple[object, object, Fraction]] = []  # from, to, microamperes
        kinds = {(fault.kind, fault.where[0]) for fault in faults}
        swapped = {pin: pin for pin in range(30)}
        place = {switch.name: switch.name for switch in wiring.switches}
        for fault in faults:
            if fault.kind == "swapped":
                one, other = fault.where
                if one in place:
                    place[one], place[other] = place[other], place[one]
                else:
                    a, b = int(one[4:]), int(other[4:])
                    swapped[a], swapped[b] = swapped[b], swapped[a]
        for pin in range(30):
            self.add(("die", pin))
            if ("open", f"GPIO{pin}") not in kinds:
                self.wire(("die", pin), ("pad", pin))
            self.wire(("pad", pin), ("track", swapped[pin], 0))
        units = {"nA": Fraction(1, 1000), "uA": Fraction(1)}
        seeps = {}
        for fault in faults:
            if fault.kind == "leaks":
                assert fault.amount is not None
                seeps[fault.where[0]] = Fraction(fault.amount[:-2]) * units[fault.amount[-2:]]
        seat: dict[tuple[int | None, str], tuple[str, int, int]] = {}
        for pin in range(30):
            segment = 0
            for switch in wiring.switches:
                if pin in (switch.row, switch.column, switch.direct):
                    seat[pin, switch.name] = ("track", pin, segment)
                    self.add(("track", pin, segment))
                    if any(f.kind == "cut" and f.where == (f"GPIO{pin}", switch.name) for f in faults):
                        segment += 1
        now_closed = {place.get(name, name) for name in pressed} | {
            name for kind, name in kinds if kind == "closed"
        }
        for switch in wiring.switches:
            is_closed = switch.name in now_closed and ("open", switch.name) not in kinds
            moved = next(
                (f.where[1:] for f in faults if f.kind == "moved" and f.where[0] == switch.name), None
            )
            if moved is not None:
                anode, cathode = (w if w == "GND" else ("track", int(w[4:]), 0) for w in moved)
            elif switch.direct is not None:
                anode, cathode = seat[switch.direct, switch.name], "GND"
            else:
                anode, cathode = seat[switch.column, switch.name], seat[switch.row, switch.name]
                if wiring.diodes is Diodes.CATHODE_TO_COLUMN:
                    anode, cathode = cathode, anode
            if wiring.diodes is Diodes.NONE or cathode == "GND":
                if is_closed:
                    self.wire(anode, cathode)
                continue
            node = ("node", switch.name)
            if is_closed:
                self.wire(anode, node)
            if ("shorted", switch.name) in kinds:
                self.wire(node, cathode)
            elif (("reversed", switch.name) in kinds) != (("reversed", "diodes") in kinds):
                self.one_way(cathode, node, 1)
            else:
                self.one_way(node, cathode, 1)
            leaks = seeps.get(switch.name, seeps.get("diodes"))
            if leaks is not None and ("shorted", switch.name) not in kinds:
                turned = (("reversed", switch.name) in kinds) != (("reversed", "diodes") in kinds)
                self.seeping.append((node, cathode, leaks) if turned else (cathode, node, leaks))
        for dial in wiring.dials:
            for letter, gpio in (("A", dial.pin_a), ("B", dial.pin_b)):
                if f"{dial.name}.{letter}" in pressed:
                    self.wire(("track", gpio, 0), ("middle", dial.name))
            if ("open", dial.name) not in kinds:
                self.wire(("middle", dial.name), "GND")
        for each in wiring.lights:
            pad = ("pad", each.pin)
            if each.lit_low:
                self.one_way("3V3", pad, 2)
            else:
                self.one_way(pad, "GND", 2)
        for fault in faults:
            ends = [
                self.named(word) for word in fault.where if fault.kind in ("bridge", "leaky", "low", "high")
            ]
            if fault.kind == "bridge":
                self.wire(*ends)
            elif fault.kind == "leaky":
                self.one_way(ends[0], ends[1], 2)
                self.one_way(ends[1], ends[0], 2)
            elif fault.kind in ("low", "high"):
                self.wire(ends[0], "GND" if fault.kind == "low" else "3V3")
        for name in ("GND", "3V3", "1V1", "RUN", "SWD"):
            self.add(name)

    @staticmethod
    def named(word: str) -> object:
        if word.startswith("GPIO"):
            return ("pad", int(word[4:]))
        if word.startswith("SW") and word != "SWD":
            return ("node", word)
        return {"IOVDD": "3V3", "TESTEN": "GND", "DVDD": "1V1"}.get(word, word)

    def add(self, node: object) -> None:
        self.graph.add_node(node)
        self.strong.add_node(node)

    def wire(self, a: object, b: object) -> None:
        self.one_way(a, b, 0)
        self.one_way(b, a, 0)

    def one_way(self, a: object, b: object, weight: int) -> None:
        for graph in (self.graph, self.strong):
            self.add(a)
            self.add(b)
            if weight < 2 or graph is self.graph:
                known = graph.get_edge_data(a, b, {"weight": FAR})["weight"]
                graph.add_edge(a, b, weight=min(weight, known))

    def distances_to(self, *targets: object) -> dict[object, int]:
        return self.distances(
            self.graph.reverse(copy=False), set(targets), [(b, a, i) for a, b, i in self.seeping]
        )

    def reached_from(self, source: object) -> set[object]:
        return set(self.distances(self.graph, {source}, self.seeping))

    def distances(
        self, graph: nx.DiGraph, sources: set[object], seeping: list[tuple[object, object, Fraction]]
    ) -> dict[object, int]:
        """Distances from these, with what seeps as an edge wherever the sum of it out of all that is reached
        matters: 16.5 µA at 3.3 V, as through 200 kOhm."""
        while True:
            found: dict[object, int] = nx.multi_source_dijkstra_path_length(graph, sources)
            let_through: defaultdict[object, Fraction] = defaultdict(Fraction)
            for a, b, microamperes in seeping:
                if a in found and b not in found:
                    let_through[self.copper_of[b]] += microamperes
            enough = [
                (a, b)
                for a, b, _ in seeping
                if a in found and let_through[self.copper_of[b]] >= Fraction("16.5")
            ]
            if not enough:
                return found
            graph = nx.DiGraph(graph)
            graph.add_edges_from(enough, weight=2)

    def reading(self, line: object, driven: int | None) -> str:
        """Of a pulled-up line: the rules of the model one by one, in words."""
        to_ground = self.ground.get(line, FAR)
        fed = self.fed.get(line, FAR)
        if line in self.unsure:
            return "undefined"
        nearest = to_ground
        if driven is not None:
            pin = ("die", driven)
            pin_fed = FAR if self.ground.get(pin, FAR) == 0 else self.fed.get(pin, FAR)
            towards = self.towards[driven].get(line, FAR)
            if pin_fed <= 1:  # a supply holds the pin up: driving it does nothing
                towards = FAR
            elif pin_fed < FAR and towards < FAR:  # neither here nor there
                towards = max(towards, 2)
            nearest = min(nearest, towards)
        if fed == 0:
            return "undefined" if nearest == 0 else "high"
        if nearest == 0:
            return "low"
        if fed < FAR:
            return "high" if nearest == FAR else "undefined"
        return "low" if nearest == 1 else "high" if nearest == FAR else "undefined"

    def reading_down(self, line: object) -> str:
        to_ground, fed = self.ground.get(line, FAR), self.fed.get(line, FAR)
        if line in self.unsure:
            return "undefined"
        if fed == 0:
            return "undefined" if to_ground == 0 else "high"
        if to_ground == 0:
            return "low"
        if fed < FAR:
            return "high" if fed == 1 and to_ground == FAR else "undefined"
        return "undefined" if line in self.weakly_fed and to_ground > 1 else "low"

    def solve(self, driven: Iterable[int] = range(30)) -> None:
        """Works out what leads where. `driven`: the pins that `reading` may be asked about."""
        copper = nx.Graph()
        copper.add_nodes_from(self.graph)
        copper.add_edges_from((a, b) for a, b, weight in self.graph.edges(data="weight") if weight == 0)
        self.copper_of = {node: n for n, net in enumerate(nx.connected_components(copper)) for node in net}
        self.ground = self.distances_to("GND")
        self.fed = nx.single_source_dijkstra_path_length(self.strong, "3V3")
        self.unsure = set(self.distances_to("1V1")) | self.reached_from("1V1")
        self.weakly_fed = set().union(*(self.reached_from(node) for node in ("3V3", "RUN", "SWD")))
        self.towards = {pin: self.distances_to(("die", pin), "GND") for pin in driven}
