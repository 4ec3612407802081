"""The bench against faults planted by the thousand: what it finds, names, and never says.

`python -m tests.campaign [PART…]` runs all of it; `test_campaign.py` a seeded sample. Boards are
`hil.board`'s, presses follow the guide in this process. What reads the same is worked out apart from the
bench, by `copper_graph` (networkx).

What a board with planted faults is scored by, where dirt isn't among them (it may read either way):

* *found*: the bench names a fault at all, of boards on which some reading surely differs from a good one's.
* *listed*: the planted set is one of those that the result offers, each fault as it stands or exchanged for
  one that is told to read the same. What a listed fault hides needn't be there: the bench says which switches
  it couldn't judge, and by what they are hidden. Nor what changes no reading beside the others; nor what is
  done to a pin that no part of the keyboard is on, which a module may hold for reasons of its own.
* *first*: and it is the one that is offered first. *Outdone*: what is first reads the same by the graph, and
  comes as often or oftener, so that no tester could have known. First or outdone is what can be reached.
* *mended*: what is listed is mended and the board tested again, until nothing is left.
* *as they come*: each place is bad as often as the bench takes it to be
  (`hil.diagnosis.candidates.OFTEN`: from memory), three faults on a small board or a large one alike;
  *each kind alike*: a swapped line as often as an open joint.
"""
