"""The bench against faults planted by the thousand: what it finds, names, and never says.

`python -m tests.campaign [PART…]` runs all of it; `test_campaign.py` a seeded sample. Boards are
`hil.board`'s, presses follow the guide in this process. What reads the same is worked out apart from the
bench, by `copper_graph` (networkx).
"""
